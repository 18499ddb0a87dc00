"""The workbook and CSV files: complete, typed, safe to open, the same bytes every time."""

import csv
import time
import zipfile

import matplotlib.pyplot as plt
import nbformat
import numpy as np
import openpyxl
import pandas as pd
import pytest
from nbformat.v4 import new_code_cell, new_notebook, new_output

from culmbook.report.workbook import write_tables
from culmbook.show import page as present
from culmbook.show.headings import Column
from culmbook.text.glyphs import FORMULA_STARTS

# Cells that spreadsheets run, after the OWASP page "CSV Injection".
FORMULAS = ["=1+1", "+1", "-1+cmd", "@SUM(A1)", "\t=1", "\r=1"]


def a_table(label="stands", n=3):
    frame = pd.DataFrame(
        {
            "hybrid": (FORMULAS + ["007", "NO", 'A "b", c'])[:n],
            "n": pd.array([1, None, 3] + [4] * (n - 3), dtype="Int64"),
            "share": 1 / np.arange(3, n + 3),
            "low": 0.1,
            "high": 0.9,
            "change": -2.5,
            "on": pd.to_datetime(["2025-05-02", None, "2025-06-01"] + ["2025-07-01"] * (n - 3)),
        }
    )
    return present.table(
        frame,
        label=label,
        caption="=Caption",
        columns={
            "hybrid": Column("Hybrid", meaning="Entry."),
            "n": Column("Plots", kind="count"),
            "share": Column("Stand", kind="share", meaning="Alive over planted."),
            "interval": Column("95 % interval", kind="share_interval", ends=("low", "high")),
            "change": Column("Change", "t/ha", 1, "number"),
            "on": Column("Counted", kind="date"),
        },
    )


def write_notebook(folder, name, *shown):
    outputs = [new_output("display_data", data=thing._repr_mimebundle_()) for thing in shown]
    path = folder / f"{name}.ipynb"
    nbformat.write(new_notebook(cells=[new_code_cell("1", outputs=outputs)]), path)
    return path


@pytest.fixture
def written(tmp_path):
    notebooks = [
        write_notebook(tmp_path, "10_data", a_table()),
        write_notebook(tmp_path, "20_stand", a_table(n=9)),
    ]
    return write_tables(notebooks, tmp_path)


def read_csv(path):
    with open(path, newline="", encoding="utf-8") as file:
        return list(csv.reader(file))


def test_every_table_is_a_sheet_and_a_file(written):
    assert [path.name for path in written] == ["tables.xlsx", "10-stands.csv", "20-stands.csv"]
    assert openpyxl.load_workbook(written[0]).sheetnames == [
        "Contents",
        "Columns",
        "10-stands",
        "20-stands",
    ]


def test_csv_holds_full_precision_and_blanks(written):
    rows = read_csv(written[1])
    assert rows[0] == ["hybrid", "n", "share", "low", "high", "change", "on"]
    assert (
        float(rows[1][2]) == 1 / 3 and rows[1][1] == "1" and rows[2][1] == "" and rows[2][6] == ""
    )
    assert rows[1][5] == "-2.5"


def test_csv_text_never_begins_like_a_formula(written):
    cells = [row[0] for row in read_csv(written[2])[1:]]
    assert cells == ["'" + text for text in FORMULAS] + ["007", "NO", 'A "b", c']
    assert not any(cell.startswith(FORMULA_STARTS) for cell in cells)


def test_xlsx_text_is_text_and_numbers_are_numbers(written):
    sheet = openpyxl.load_workbook(written[0])["20-stands"]
    assert [row[0].data_type for row in sheet.iter_rows(min_row=2)] == ["s"] * 9
    assert sheet["A2"].value == "=1+1" and sheet["A8"].value == "007"
    assert (sheet["F2"].value, sheet["F2"].data_type) == (-2.5, "n")
    assert sheet["G2"].value.isoformat()[:10] == "2025-05-02" and sheet["G3"].value is None


def test_xlsx_has_no_formula_anywhere(written):
    with zipfile.ZipFile(written[0]) as archive:
        sheets = [name for name in archive.namelist() if name.startswith("xl/worksheets/")]
        assert sheets and not any(b"<f>" in archive.read(name) for name in sheets)


def test_dictionary_explains_every_column(written):
    rows = list(openpyxl.load_workbook(written[0])["Columns"].iter_rows(values_only=True))
    about = {row[1]: row for row in rows if row[0] == "10-stands"}
    assert list(about) == read_csv(written[1])[0]
    assert about["share"][2:] == ("Stand", "share, 0 to 1", "share", "Alive over planted.")
    assert about["low"][2] == "95 % interval, lower end"


def test_same_tables_give_the_same_bytes(written, tmp_path):
    before = [path.read_bytes() for path in written]
    time.sleep(2.1)  # archives keep time in steps of two seconds
    again = write_tables([tmp_path / "10_data.ipynb", tmp_path / "20_stand.ipynb"], tmp_path)
    assert [path.read_bytes() for path in again] == before


def test_long_and_equal_labels_get_names_of_their_own(tmp_path):
    label = "a-very-long-label-of-a-table-in-this-notebook"
    path = write_notebook(
        tmp_path, "10_data", a_table(label), a_table(label), a_table(label.upper().lower())
    )
    book, *files = write_tables([path], tmp_path)
    names = openpyxl.load_workbook(book).sheetnames[2:]
    assert len({name.lower() for name in names}) == 3 and max(map(len, names)) <= 31
    assert [file.name for file in files] == [
        f"10-{label}.csv",
        f"10-{label}-2.csv",
        f"10-{label}-3.csv",
    ]


def test_file_names_are_cut_where_no_disk_takes_them(tmp_path):
    notebook = write_notebook(tmp_path, "n" * 90, a_table("x" * 60), a_table("x" * 60))
    _, *files = write_tables([notebook], tmp_path)
    assert len({file.name for file in files}) == 2 and max(len(file.name) for file in files) <= 104


def a_figure(data, label="drawn"):
    chart = plt.figure(figsize=(3, 2))
    shown = present.figure(chart, label=label, caption="c", alt="a", data=data)
    plt.close(chart)
    return shown


def test_figure_data_that_a_table_holds_already_are_written_once(tmp_path):
    frame = pd.DataFrame({"x": [1, 2]})
    shown = present.table(frame, label="t", caption="c", columns={"x": Column("x", kind="count")})
    same, other = a_figure(frame), a_figure(frame * 2, "other")
    book, *files = write_tables([write_notebook(tmp_path, "10_a", same, shown, other)], tmp_path)
    assert [file.name for file in files] == ["10-t.csv", "10-other.csv"]
    contents = list(openpyxl.load_workbook(book)["Contents"].iter_rows(min_row=2, values_only=True))
    assert [row[1] for row in contents] == [
        "10-t.csv",
        "10-other.csv",
    ] and "figure draws" in contents[0][-1]


def test_equal_tables_of_their_own_are_both_written(tmp_path):
    shown = [
        present.table(
            pd.DataFrame({"x": [1]}), label=label, caption="c", columns={"x": Column("x")}
        )
        for label in ("a", "b")
    ]
    assert len(write_tables([write_notebook(tmp_path, "10_a", *shown)], tmp_path)) == 3


def test_characters_xml_cannot_hold_are_spelled_out(tmp_path):
    shown = present.table(
        pd.DataFrame({"x": ["a\x01b", "🌾", "y" * 40_000]}),
        label="t",
        caption="c",
        columns={"x": Column("x")},
    )
    [book, _] = write_tables([write_notebook(tmp_path, "10_a", shown)], tmp_path)
    sheet = openpyxl.load_workbook(book)["10-t"]
    assert sheet["A2"].value == "a[U+0001]b" and sheet["A3"].value == "🌾"
    assert len(sheet["A4"].value) <= 32_767 and "characters more" in sheet["A4"].value


def test_notebooks_without_tables_give_an_empty_workbook(tmp_path):
    written = write_tables([write_notebook(tmp_path, "10_a", present.say("Nothing."))], tmp_path)
    assert openpyxl.load_workbook(written[0]).sheetnames == ["Contents", "Columns"]
