"""Every table of a report, unrounded: one XLSX workbook with a dictionary of its columns, and CSV
files.

The bytes depend on the tables only, so that two runs can be compared. A text cell that a
spreadsheet would take for a formula is written as text: as a string-typed cell in XLSX, with a
leading apostrophe in CSV.
"""

import csv
import io
import re
from datetime import datetime
from pathlib import Path

import xlsxwriter

from culmbook.report.appendix import data_tables
from culmbook.report.compose import read_notebook, table_bundles
from culmbook.text.files import write_whole
from culmbook.text.glyphs import safe_text

LONGEST_CELL = 32_767
"""Characters a spreadsheet cell can hold."""
LONGEST_SHEET, LONGEST_FILE = 31, 100
"""Characters of a sheet's name that spreadsheets take, and of a file's name that every disk and
archive takes.
"""
ALSO_DRAWN = "A figure draws these numbers."
CREATED = datetime(2000, 1, 1)
"""Stands in every workbook instead of the time of writing."""
_NOT_XML = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")
_FORMATS = {"share": "0.0%", "share_interval": "0.0%", "date": "yyyy-mm-dd"}
_CONTENTS = ["sheet", "file", "notebook", "caption", "rows", "note"]
_DICTIONARY = ["sheet", "column", "heading", "unit", "kind", "meaning"]


def _flat(bundle: dict) -> dict:
    """Give a table as it stands in the workbook: an interval becomes its two ends, a column comes
    once.
    """
    columns, cells = {}, {}
    for at, column in enumerate(bundle["columns"]):
        values, name = [row[at] for row in bundle["values"]], column["name"]
        if "interval" not in column["kind"]:
            columns.setdefault(name, column)
            cells.setdefault(name, values)
            continue
        names = column["ends"] or [f"{name}_low", f"{name}_high"]
        for end, (name, word) in enumerate(zip(names, ("lower", "upper"), strict=True)):
            heading = f"{column['heading']}, {word} end"
            columns.setdefault(name, {**column, "name": name, "heading": heading})
            cells.setdefault(name, [value and value[end] for value in values])
    rows = [list(row) for row in zip(*cells.values(), strict=True)]
    return {**bundle, "columns": list(columns.values()), "values": rows}


def _unique(wanted: str, longest: int, taken: set[str]) -> str:
    """Cut a name to so many characters and number it where it is taken, without regard to case."""
    name, n = wanted[:longest], 2
    while name.lower() in taken:
        name, n = f"{wanted[: longest - len(str(n)) - 1]}-{n}", n + 1
    taken.add(name.lower())
    return name


def _without_repeats(bundles: list[dict]) -> list[dict]:
    """Leave out the data of a figure where a table of the same notebook holds just the same."""
    drawn, kept = [], {}
    for bundle in sorted(bundles, key=lambda bundle: bool(bundle.get("of_figure"))):
        about = bundle["notebook"], csv_bytes(bundle)
        if not bundle.get("of_figure"):
            kept[about] = bundle
        elif about in kept:
            drawn += [id(bundle), id(kept[about])]
    return [
        {**bundle, "note": f"{bundle['note']} {ALSO_DRAWN}".strip()}
        if id(bundle) in drawn
        else bundle
        for bundle in bundles
        if not (bundle.get("of_figure") and id(bundle) in drawn)
    ]


def collect_tables(notebooks: list[Path], network=None, site: str = "all") -> list[dict]:
    """Give every table of a report, ready to be written.

    Parameters
    ----------
    notebooks : list of pathlib.Path
        Executed notebooks.
    network : culmbook.sheets.read.Network, optional
        Adds the tables of files read, rows refused, notes and corrections.
    site : str
        Site code, or "all".

    Returns
    -------
    list of dict
        Table bundles with a unique `name` for the sheet and `file` for the CSV; intervals split
        into their two ends. The data of a figure are left out where a table of its notebook holds
        the same.
    """
    bundles = [b for path in notebooks for b in table_bundles(read_notebook(path), Path(path).stem)]
    if network is not None:
        bundles += [{**shown.bundle(), "notebook": "data"} for shown in data_tables(network, site)]
    sheets, files, named = set(), set(), []
    for bundle in _without_repeats([_flat(bundle) for bundle in bundles]):
        notebook = bundle["notebook"]
        number = notebook.split("_")[0] if notebook[:1].isdigit() else notebook
        wanted = f"{number}-{bundle['label']}"
        name, file = _unique(wanted, LONGEST_SHEET, sheets), _unique(wanted, LONGEST_FILE, files)
        named.append({**bundle, "name": name, "file": f"{file}.csv"})
    return named


def _csv_cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return safe_text(value) if isinstance(value, str) else repr(value)


def csv_bytes(bundle: dict) -> bytes:
    """Give one table as CSV: UTF-8, comma, decimal point, full precision, a blank for a missing
    value.
    """
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer)  # line ends of RFC 4180: a lone CR or LF in a cell is then quoted
    writer.writerow([safe_text(column["name"]) for column in bundle["columns"]])
    writer.writerows([_csv_cell(value) for value in row] for row in bundle["values"])
    return buffer.getvalue().encode("utf-8", errors="backslashreplace")


def _xml_text(text: str) -> str:
    legal = _NOT_XML.sub(lambda found: f"[U+{ord(found[0]):04X}]", text)
    over = len(legal) - LONGEST_CELL
    if over <= 0:
        return legal
    return legal[: LONGEST_CELL - 60] + f" [cut, {over + 60} characters more]"


def _add_sheet(book, name: str, heads: list[str], kinds: list[str], rows: list[list]) -> None:
    sheet = book.add_worksheet(name)
    sheet.freeze_panes(1, 0)
    bold = book.add_format({"bold": True, "text_wrap": True, "valign": "bottom"})
    for at, (head, kind) in enumerate(zip(heads, kinds, strict=True)):
        lengths = [len(str(row[at])) for row in rows[:500] if row[at] is not None]
        sheet.set_column(at, at, min(60, max(8, len(head) + 2, *(n + 2 for n in lengths))))
        sheet.write_string(0, at, _xml_text(head), bold)
        style = book.add_format({"num_format": _FORMATS[kind]}) if kind in _FORMATS else None
        for line, row in enumerate(rows, start=1):
            value = row[at]
            if isinstance(value, bool):
                value = "yes" if value else "no"
            if isinstance(value, str) and kind == "date":
                sheet.write_datetime(line, at, datetime.fromisoformat(value), style)
            elif isinstance(value, str) and value:
                sheet.write_string(line, at, _xml_text(value))
            elif value not in (None, ""):
                sheet.write_number(line, at, value, style)


def xlsx_bytes(bundles: list[dict]) -> bytes:
    """Give all tables as one workbook: a list of contents, the dictionary of columns, one sheet
    per table.
    """
    contents, dictionary = [], []
    for b in bundles:
        about = (b["name"], b["file"], b["notebook"], b["caption"], len(b["values"]), b["note"])
        contents.append(about)
        for c in b["columns"]:
            kind = c["kind"].split("_")[0]
            unit = "share, 0 to 1" if kind == "share" else c["unit"]
            dictionary.append((b["name"], c["name"], c["heading"], unit, kind, c["meaning"]))
    buffer = io.BytesIO()
    with xlsxwriter.Workbook(buffer, {"in_memory": True, "nan_inf_to_errors": True}) as book:
        book.set_properties({"author": "culmbook", "created": CREATED})
        _add_sheet(book, "Contents", _CONTENTS, ["text"] * 6, contents)
        _add_sheet(book, "Columns", _DICTIONARY, ["text"] * 6, dictionary)
        for bundle in bundles:
            names, kinds = ([c[key] for c in bundle["columns"]] for key in ("name", "kind"))
            _add_sheet(book, bundle["name"], names, kinds, bundle["values"])
    return buffer.getvalue()


def write_tables(
    notebooks: list[Path], out_dir: Path, *, network=None, site: str = "all"
) -> list[Path]:
    """Write ``tables.xlsx`` and ``tables/*.csv`` into a folder.

    Parameters
    ----------
    notebooks : list of pathlib.Path
        Executed notebooks.
    out_dir : pathlib.Path
        Existing folder of the site (or of the network).
    network, site
        As in `collect_tables`.

    Returns
    -------
    list of pathlib.Path
        The files written, the workbook first.
    """
    bundles = collect_tables(notebooks, network, site)
    folder = Path(out_dir) / "tables"
    folder.mkdir(exist_ok=True)
    written = [Path(out_dir) / "tables.xlsx", *(folder / b["file"] for b in bundles)]
    for path, content in zip(written, [xlsx_bytes(bundles), *map(csv_bytes, bundles)], strict=True):
        write_whole(path, content)
    return written
