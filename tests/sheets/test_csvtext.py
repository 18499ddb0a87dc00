"""Text sheets: every fault of bytes and form, on three tables, with code, place, words and
untouched rows.
"""

import codecs
import csv
import io
import random
import subprocess
import sys

import pytest

from culmbook.sheets.csvtext import decode, find_delimiter
from culmbook.sheets.dictionary import tables
from culmbook.sheets.raw import read_raw
from faulty_files import HEADERS, N_ROWS, csv_text, good_table, text_sheets

SHEETS = [sheet for table in HEADERS for sheet in text_sheets(table)]


def read(tmp_path, name, data):
    path = tmp_path / name
    path.write_bytes(data)
    return read_raw(path, tmp_path, tables()[path.stem].columns)


def outcome(raw):
    severities = {p.severity for p in raw.problems}
    order = ("error_file", "file"), ("error_row", "rows"), ("note", "note")
    return next((word for severity, word in order if severity in severities), "accept")


def places(raw):
    return ";".join(
        f"{p.line or ''}:{p.column or ''}" for p in raw.problems if p.severity != "note"
    )


@pytest.mark.parametrize("sheet", SHEETS, ids=lambda s: f"{s.name.partition('.')[0]}-{s.fault}")
def test_read_raw_text_fault(tmp_path, sheet):
    raw = read(tmp_path, sheet.name, sheet.data)
    assert outcome(raw) == sheet.outcome
    assert [tuple(row) for row in raw.rows] == list(sheet.rows)
    if sheet.code:
        beside = {"N-BLANK"} if sheet.fault == "second_table" else set()
        assert {p.code for p in raw.problems} == {sheet.code} | beside
        said = [p for p in raw.problems if p.code == sheet.code]
        assert sheet.says in said[0].rule and all(p.mend.startswith(sheet.mend) for p in said)
    else:
        assert raw.problems == []
    if sheet.where:
        assert places(raw) == sheet.where


def test_read_raw_names_physical_lines_after_a_quoted_line_break(tmp_path):
    lines = csv_text(*good_table("stand_counts")).split("\n")
    lines[1] = lines[1][:-2] + '"A\n\nB"'
    raw = read(tmp_path, "stand_counts.csv", "\n".join([*lines[:3], "", *lines[3:]]).encode())
    assert raw.lines[:3] == [2, 5, 7] and raw.rows[0][-1] == "A\n\nB"


def test_read_raw_records_what_was_read(tmp_path):
    data = csv_text(*good_table("weather"), delimiter=";").encode()
    raw = read(tmp_path, "weather.csv", data)
    # sha256 from coreutils, so that the hash is another program's
    said = subprocess.run(
        ["sha256sum", tmp_path / "weather.csv"], capture_output=True, text=True, check=True
    )
    assert (raw.sha256, raw.n_bytes, raw.n_rows) == (said.stdout.split()[0], len(data), N_ROWS)
    assert (raw.file, raw.delimiter, raw.encoding, raw.header_line) == (
        "weather.csv",
        ";",
        "utf-8",
        1,
    )


def test_read_raw_keeps_codes_as_text(tmp_path):
    header, rows = good_table("stand_counts")
    codes = ["NA", "NO", "007", "1E5", "TRUE", "INF", "NULL", "MAR1", "1.0", "+5", "-0", "1_0"]
    rows = [[row[0], code, *row[2:]] for row, code in zip(rows, codes)]
    raw = read(tmp_path, "stand_counts.csv", csv_text(header, rows).encode())
    assert [row[1] for row in raw.rows] == codes and raw.problems == []


def test_read_raw_two_faults_are_told_in_one_pass(tmp_path):
    lines = csv_text(*good_table("harvests")).split("\n")
    lines[2] += ",x"
    lines[6] = lines[6].replace("S01", "S\x0701")
    raw = read(tmp_path, "harvests.csv", "\n".join(lines).encode())
    assert [(p.code, p.line) for p in raw.problems] == [("E-FIELDS", 3), ("E-CTRL", 7)]
    assert raw.n_rows == N_ROWS and len(raw.rows) == N_ROWS - 2


def test_read_raw_blank_column_in_the_middle_keeps_its_cells(tmp_path):
    header, rows = good_table("stand_counts")
    raw = read(
        tmp_path, "stand_counts.csv", csv_text([*header[:3], "", *header[4:]], rows).encode()
    )
    assert raw.header[3] == "" and [list(row) for row in raw.rows] == rows


def test_read_raw_cell_beyond_the_header_refuses_its_row(tmp_path):
    lines = csv_text(*good_table("weather")).split("\n")[:-1]
    lines = [line + "," for line in lines]
    lines[4] += "late"
    raw = read(tmp_path, "weather.csv", "\n".join(lines).encode())
    assert [(p.code, p.line) for p in raw.problems if p.severity != "note"] == [("E-FIELDS", 5)]


@pytest.mark.parametrize(
    "codec, mark",
    [
        ("utf-8", codecs.BOM_UTF8),
        ("utf-16-le", codecs.BOM_UTF16_LE),
        ("utf-16-be", codecs.BOM_UTF16_BE),
        ("cp1252", b""),
    ],
)
def test_decode_round_trip(codec, mark):
    text = "site,observer\nS01,Zoë Müller\n"
    assert decode(mark + text.encode(codec), "x.csv")[0] == text


def test_find_delimiter_prefers_the_one_that_finds_column_names():
    text = "Counted; by hand; in June\nsite,plot\n1,2;3;4\n1,2;3;4\n"
    assert find_delimiter(text, {"site", "plot"}) == ","


def mutated(rng, data):
    """Return the bytes with one small piece changed, added or removed."""
    at, n = rng.randrange(len(data)), rng.choice((0, 0, 1, 3))
    piece = rng.choice(
        [
            b"",
            b'"',
            b",",
            b"\n",
            b"\r",
            b";",
            b"\t",
            b"\0",
            b"\xff",
            b"\xc3",
            b"\xe2\x80\xae",
            b"x",
            b",,",
            b'""',
            b"\x8d",
            b"\xef\xbb\xbf",
            b"\x1b",
        ]
    )
    return data[:at] + piece + data[at + n :]


def test_read_raw_mutated_file_loses_and_changes_no_other_row(tmp_path):
    rng = random.Random(20250612)
    for k in range(1500):
        table = rng.choice(list(HEADERS))
        header, rows = good_table(table)
        good = csv_text(header, rows, rng.choice(",;\t"), rng.choice(("\n", "\r\n"))).encode()
        raw = read(tmp_path, f"{table}.csv", mutated(rng, good))
        if raw.refused:
            continue
        strange = [row for row in raw.rows if row not in rows]
        touched = sum(p.severity == "error_row" for p in raw.problems)
        assert len(strange) <= 2, (k, strange)
        assert len(raw.rows) + touched >= N_ROWS - 1 or raw.header != header, k


def test_read_raw_million_rows_in_time_and_memory(tmp_path):
    path = tmp_path / "weather.csv"
    header, _ = good_table("weather")
    with open(path, "w", newline="") as target:
        target.write(",".join(header) + "\n")
        target.writelines(
            f"S{i % 7},20{i % 90 + 10}-01-{i % 28 + 1:02d},{i / 7:.4f},{i / 3:.4f},0.5,3.75\n"
            for i in range(1_000_000)
        )
    code = (
        "import resource, sys, time; from culmbook.sheets.raw import read_raw; t = time.perf_counter();"
        "raw = read_raw(sys.argv[1], sys.argv[2]); t = time.perf_counter() - t;"
        "print(len(raw.rows), t, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)"
    )
    command = [sys.executable, "-c", code, path, tmp_path]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    n, seconds, kilobytes = map(float, done.stdout.split())
    assert n == 1_000_000 and seconds < 60 and kilobytes < 2e6


def test_read_raw_agrees_with_the_csv_module_on_quoted_text(tmp_path):
    header, rows = good_table("stand_counts")
    rows = [
        [*row[:-1], text]
        for row, text in zip(rows, ['a "b" c', "x, y", "p\nq", "'", '"', "a;b", " z "])
    ]
    target = io.StringIO()
    csv.writer(target, lineterminator="\r\n").writerows([header, *rows])
    raw = read(tmp_path, "stand_counts.csv", target.getvalue().encode())
    assert [list(row) for row in raw.rows] == rows
