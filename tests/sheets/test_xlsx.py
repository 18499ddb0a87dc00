"""Workbooks: every fault on three tables, and each kind of cell against what openpyxl stores."""

import random
import re
from datetime import datetime, time

import pytest
from openpyxl import Workbook, load_workbook
from openpyxl.styles import PatternFill
from openpyxl.utils.datetime import CALENDAR_MAC_1904

from culmbook.sheets.dictionary import tables
from culmbook.sheets.raw import read_raw
from faulty_files import (
    HEADERS,
    N_ROWS,
    SHEET_XML,
    Sheet,
    fill_sheet,
    good_table,
    saved,
    shown_as_text,
    with_part,
    with_shared_strings,
    workbook_bytes,
    workbook_sheets,
)

SHEETS = [sheet for table in HEADERS for sheet in workbook_sheets(table)]


def read(tmp_path, name, data):
    path = tmp_path / name
    path.write_bytes(data)
    return read_raw(path, tmp_path, tables()[path.stem].columns)


def read_counts(tmp_path, change=None, data=None):
    return read(tmp_path, "stand_counts.xlsx", data or workbook_bytes("stand_counts", change))


@pytest.mark.parametrize("sheet", SHEETS, ids=lambda s: f"{s.name.partition('.')[0]}-{s.fault}")
def test_read_raw_workbook_fault(tmp_path, sheet: Sheet):
    raw = read(tmp_path, sheet.name, sheet.data)
    table = sheet.name.partition(".")[0]
    word = {"file": "error_file", "rows": "error_row", "note": "note"}.get(sheet.outcome)
    assert {p.severity for p in raw.problems} == ({word} if word else set())
    assert {p.code for p in raw.problems} == ({sheet.code} if sheet.code else set())
    assert [tuple(row) for row in raw.rows] == shown_as_text(good_table(table)[0], sheet.rows)
    assert not raw.problems or sheet.says in raw.problems[0].rule
    assert all(p.mend.startswith(sheet.mend) for p in raw.problems)
    if sheet.where:
        assert ";".join(f"{p.line or ''}:{p.column or ''}" for p in raw.problems) == sheet.where


def one_cell(tmp_path, value, number_format="General"):
    """Return (text, kind) of cell E2 as read."""

    def put(sheet):
        sheet["E2"] = value
        sheet["E2"].number_format = number_format

    raw = read_counts(tmp_path, put)
    return raw.rows[0][4], raw.kinds.get((0, 4))


@pytest.mark.parametrize(
    "value, number_format, text, kind",
    [
        (30, "General", "30", "number"),
        (0.1, "General", "0.1", "number"),
        (45.3, "0.0", "45.3", "number"),
        (1e300, "General", "1e+300", "number"),
        (-0.5, "0.00;[Red]-0.00", "-0.5", "number"),
        (0.453, "0.0%", "0.453", "percent"),
        (45.3, '0.0"%"', "45.3", "number"),
        (True, "General", "TRUE", "boolean"),
        ("0070", "@", "0070", None),
        ("NA", "General", "NA", None),
        ("#N/A", "General", "#N/A", "error"),
        (datetime(2025, 6, 15), "dd/mm/yyyy", "2025-06-15", "date"),
        (datetime(2025, 6, 15, 8, 30), "yyyy-mm-dd hh:mm", "2025-06-15T08:30:00", "datetime"),
        (time(8, 30), "hh:mm", "08:30:00", "time"),
        (45823, "General", "45823", "number"),
        ("=15*2", "General", "=15*2", "formula_uncached"),
        (
            '=HYPERLINK("http://example.invalid","AB")',
            "General",
            '=HYPERLINK("http://example.invalid","AB")',
            "formula_uncached",
        ),
    ],
)
def test_read_raw_cell_kinds(tmp_path, value, number_format, text, kind):
    assert one_cell(tmp_path, value, number_format) == (text, kind)


def test_read_raw_cell_name_is_the_spreadsheets(tmp_path):
    raw = read_counts(tmp_path)
    book = load_workbook(tmp_path / "stand_counts.xlsx")
    assert raw.cell_name(3, 4) == "E5" and str(book.active["E5"].value) == raw.rows[3][4]


def test_read_raw_formula_with_stored_result_gives_the_result(tmp_path):
    data = workbook_bytes("stand_counts", lambda sheet: sheet.__setitem__("E2", "=15*2"))
    data = with_part(
        data, SHEET_XML, lambda xml: re.sub(rb"</f><v ?/>|</f><v></v>", b"</f><v>30</v>", xml)
    )
    raw = read_counts(tmp_path, data=data)
    assert (raw.rows[0][4], raw.kinds[0, 4]) == ("30", "number")


def test_read_raw_dates_of_the_1904_calendar(tmp_path):
    book = Workbook()
    book.epoch = CALENDAR_MAC_1904
    fill_sheet(book.active, "weather")
    raw = read(tmp_path, "weather.xlsx", saved(book))
    assert [row[1] for row in raw.rows] == [row[1] for row in good_table("weather")[1]]


def test_read_raw_shared_and_rich_strings(tmp_path):
    rich = b'<r><t>S</t></r><r><rPr/><t>_x0030_1</t></r><rPh sb="0" eb="1"><t>no</t></rPh>'
    data = with_shared_strings(workbook_bytes("stand_counts"), {b"S01": rich})
    raw = read_counts(tmp_path, data=data)
    assert (
        load_workbook(tmp_path / "stand_counts.xlsx").active["B2"].value == "001"
    )  # another reader agrees
    assert raw.rows == [list(row) for row in good_table("stand_counts")[1]] and raw.problems == []


def test_read_raw_remark_right_of_the_table_refuses_its_row(tmp_path):
    raw = read_counts(tmp_path, lambda sheet: sheet.__setitem__("K4", "flooded"))
    assert [(p.code, p.line, p.value) for p in raw.problems] == [("E-FIELDS", 4, "flooded")]
    assert len(raw.rows) == N_ROWS - 1 and raw.n_rows == N_ROWS


def test_read_raw_very_far_cell_costs_no_memory(tmp_path):
    raw = read_counts(tmp_path, lambda sheet: sheet.__setitem__("XFD1048576", "x"))
    refused = [(p.code, p.line, p.value) for p in raw.problems if p.severity != "note"]
    assert refused == [("E-FIELDS", 1_048_576, "x")]
    assert len(raw.rows) == N_ROWS


def test_read_raw_table_that_starts_in_column_c(tmp_path):
    raw = read_counts(tmp_path, lambda sheet: sheet.insert_cols(1, 2))
    assert [row[:2] for row in raw.rows] == [row[:2] for row in good_table("stand_counts")[1]]
    assert raw.columns[0] == 2 and raw.cell_name(0, 0) == "C2"
    assert [p.code for p in raw.problems] == ["N-EMPTYCOL"]


def test_read_raw_blank_rows_inside_keep_their_numbers(tmp_path):
    raw = read_counts(tmp_path, lambda sheet: sheet.insert_rows(5, 2))
    assert raw.lines == [2, 3, 4, *range(7, 16)] and [p.code for p in raw.problems] == ["N-BLANK"]
    assert "2 blank lines" in raw.problems[0].rule


def test_read_raw_column_coloured_throughout_says_nothing(tmp_path):
    def colour(sheet):
        for line in range(1, N_ROWS + 2):
            sheet.cell(line, 5).fill = PatternFill("solid", fgColor="FFDDEEFF")

    assert read_counts(tmp_path, colour).problems == []


def test_read_raw_control_character_in_a_workbook_cell(tmp_path):
    raw = read_counts(tmp_path, lambda sheet: sheet.__setitem__("H3", "A\u202eB"))
    assert [(p.code, p.line, p.column) for p in raw.problems] == [("E-CTRL", 3, "observer")]


def test_read_raw_cells_out_of_order_refuse_the_file(tmp_path):
    data = with_part(
        workbook_bytes("stand_counts"), SHEET_XML, lambda xml: xml.replace(b'r="B3"', b'r="A3"')
    )
    raw = read_counts(tmp_path, data=data)
    assert raw.refused and raw.problems[0].code == "E-TYPE"


def test_read_raw_mutated_workbook_never_raises(tmp_path):
    rng = random.Random(8)
    good = workbook_bytes("stand_counts")
    header, rows = good_table("stand_counts")
    for _ in range(300):
        at = rng.randrange(len(good))
        piece = bytes([rng.randrange(256)]) * rng.choice((1, 4))
        data = good[:at] + piece + good[at + rng.choice((0, 1, 4)) :]
        raw = read_counts(tmp_path, data=data)
        assert raw.refused or [tuple(row) for row in raw.rows] == shown_as_text(header, rows)


def test_read_raw_mutated_sheet_part_never_raises(tmp_path):
    rng = random.Random(9)
    good = with_shared_strings(workbook_bytes("stand_counts"), {})
    pieces = [b"", b"<", b">", b'"', b"9", b"\0", b"\xff", b"<v/>", b'r="A1"', b"&x;", b"</row>"]
    for k in range(300):
        part = (SHEET_XML, "xl/styles.xml", "xl/workbook.xml", "xl/sharedStrings.xml")[k % 4]

        def change(xml):
            at = rng.randrange(len(xml))
            return xml[:at] + rng.choice(pieces) + xml[at + rng.choice((0, 1, 5)) :]

        raw = read_counts(tmp_path, data=with_part(good, part, change))
        n_refused = len({p.line for p in raw.problems if p.severity == "error_row"})
        assert raw.refused or raw.n_rows == len(raw.rows) + n_refused
