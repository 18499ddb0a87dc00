"""Every table of a report, unrounded: one XLSX workbook with a dictionary of its columns, and CSV files.

The bytes depend on the tables only, so that two runs can be compared. A text cell that a spreadsheet would
take for a formula is written as text: as a string-typed cell in XLSX, with a leading apostrophe in CSV.
"""

import csv
import io
import re
import zipfile
from datetime import date
from pathlib import Path

from openpyxl import Workbook
from openpyxl.cell import WriteOnlyCell
from openpyxl.styles import Alignment, Font
from openpyxl.utils import get_column_letter

from culmbook.report.appendix import data_tables
from culmbook.report.compose import read_notebook, table_bundles
from culmbook.text.files import write_whole

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
LONGEST_CELL = 32_767
"""Characters a spreadsheet cell can hold."""
LONGEST_SHEET, LONGEST_FILE = 31, 100
"""Characters of a sheet's name that spreadsheets take, and of a file's name that every disk and archive takes."""
ALSO_DRAWN = "A figure draws these numbers."
_NOT_XML = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")
_FORMATS = {"share": "0.0%", "share_interval": "0.0%", "date": "yyyy-mm-dd"}
_MEANT = {"share": "share, 0 to 1", "share_interval": "share, 0 to 1"}
_FIXED_TIME = (2000, 1, 1, 0, 0, 0)


def _spread(column: dict) -> list[dict]:
    """Give a column as it stands in the workbook: an interval becomes its two ends."""
    if "interval" not in column["kind"]:
        return [column]
    names = column["ends"] or [f"{column['name']}_low", f"{column['name']}_high"]
    return [
        {**column, "name": name, "heading": f"{column['heading']}, {end} end"}
        for name, end in zip(names, ("lower", "upper"), strict=True)
    ]


def _spread_row(row: list, columns: list[dict]) -> list:
    cells = []
    for value, column in zip(row, columns, strict=True):
        if "interval" in column["kind"]:
            cells += value or [None, None]
        else:
            cells.append(value)
    return cells


def _flat(bundle: dict) -> dict:
    columns = [end for column in bundle["columns"] for end in _spread(column)]
    rows = [_spread_row(row, bundle["columns"]) for row in bundle["values"]]
    first = {column["name"]: at for at, column in reversed(list(enumerate(columns)))}
    kept = sorted(first.values())
    return {
        **bundle,
        "columns": [columns[at] for at in kept],
        "values": [[row[at] for at in kept] for row in rows],
    }


def _number_of(notebook: str) -> str:
    return notebook.split("_")[0] if notebook[:1].isdigit() else notebook


def _unique(wanted: str, longest: int, taken: set[str]) -> str:
    """Cut a name to so many characters and number it where it is taken, without regard to case."""
    name, n = wanted[:longest], 2
    while name.lower() in taken:
        name, n = f"{wanted[: longest - len(str(n)) - 1]}-{n}", n + 1
    taken.add(name.lower())
    return name


def _named(bundles: list[dict]) -> list[dict]:
    """Give each table a name for its sheet, which a workbook keeps short, and one for its file."""
    sheets, files, named = set(), set(), []
    for bundle in bundles:
        wanted = f"{_number_of(bundle['notebook'])}-{bundle['label']}"
        named.append(
            {
                **bundle,
                "name": _unique(wanted, LONGEST_SHEET, sheets),
                "file": _unique(wanted, LONGEST_FILE, files) + ".csv",
            }
        )
    return named


def _without_repeats(bundles: list[dict]) -> list[dict]:
    """Leave out the data of a figure where a table of the same notebook holds just the same."""
    content = [(bundle["notebook"], csv_bytes(bundle)) for bundle in bundles]
    tables = {
        about: at
        for at, (about, bundle) in enumerate(zip(content, bundles, strict=True))
        if not bundle.get("of_figure")
    }
    drawn = {
        tables[about]
        for about, bundle in zip(content, bundles, strict=True)
        if bundle.get("of_figure") and about in tables
    }
    return [
        {**bundle, "note": f"{bundle['note']} {ALSO_DRAWN}".strip()} if at in drawn else bundle
        for at, (about, bundle) in enumerate(zip(content, bundles, strict=True))
        if not bundle.get("of_figure") or about not in tables
    ]


def collect_tables(notebooks: list[Path], network=None, site: str = "all") -> list[dict]:
    """Give every table of a report, ready to be written.

    Parameters
    ----------
    notebooks : list of pathlib.Path
        Executed notebooks.
    network : culmbook.sheets.read.Network, optional
        Adds the tables of files read, rows refused, notes, corrections and plots set aside.
    site : str
        Site code, or "all".

    Returns
    -------
    list of dict
        Table bundles with a unique `name` for the sheet and `file` for the CSV; intervals split into their two
        ends. The data of a figure are left out where a table of its notebook holds the same.
    """
    bundles = [
        bundle
        for path in notebooks
        for bundle in table_bundles(read_notebook(path), Path(path).stem)
    ]
    if network is not None:
        bundles += [{**shown.bundle(), "notebook": "data"} for shown in data_tables(network, site)]
    return _named(_without_repeats([_flat(bundle) for bundle in bundles]))


def safe_text(text: str) -> str:
    """Give text for CSV that no spreadsheet runs as a formula.

    Examples
    --------
    >>> safe_text("=1+1"), safe_text("S-07")
    ("'=1+1", 'S-07')
    """
    return "'" + text if text.startswith(FORMULA_STARTS) else text


def _csv_cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return safe_text(value) if isinstance(value, str) else repr(value)


def csv_bytes(bundle: dict) -> bytes:
    """Give one table as CSV: UTF-8, comma, decimal point, full precision, a blank for a missing value."""
    buffer = io.StringIO(newline="")
    writer = csv.writer(
        buffer
    )  # line ends of RFC 4180: a lone CR or LF inside a cell is then quoted
    writer.writerow([safe_text(column["name"]) for column in bundle["columns"]])
    writer.writerows([_csv_cell(value) for value in row] for row in bundle["values"])
    return buffer.getvalue().encode("utf-8", errors="backslashreplace")


def _xml_text(text: str) -> str:
    legal = _NOT_XML.sub(lambda found: f"[U+{ord(found[0]):04X}]", text)
    over = len(legal) - LONGEST_CELL
    if over <= 0:
        return legal
    ending = f" [cut, {over + 60} characters more]"
    return legal[: LONGEST_CELL - 60] + ending


def _cell(sheet, value: object, kind: str = "text", bold: bool = False) -> WriteOnlyCell:
    if isinstance(value, bool):
        value = "yes" if value else "no"
    if kind == "date" and isinstance(value, str):
        value = date.fromisoformat(value)
    cell = WriteOnlyCell(sheet, _xml_text(value) if isinstance(value, str) else value)
    if isinstance(value, str):
        cell.data_type = "s"
    elif value is not None and kind in _FORMATS:
        cell.number_format = _FORMATS[kind]
    if bold:
        cell.font = Font(bold=True)
        cell.alignment = Alignment(vertical="bottom", wrap_text=True)
    return cell


def _fill(sheet, heads: list[str], kinds: list[str], rows: list[list]) -> None:
    for at, head in enumerate(heads):
        longest = max(
            [len(head), *(len(str(row[at])) for row in rows[:500] if row[at] is not None)]
        )
        sheet.column_dimensions[get_column_letter(at + 1)].width = min(60, max(8, longest + 2))
    sheet.freeze_panes = "A2"
    sheet.append([_cell(sheet, head, bold=True) for head in heads])
    for row in rows:
        sheet.append([_cell(sheet, value, kind) for value, kind in zip(row, kinds, strict=True)])


def _contents(bundles: list[dict]) -> list[list]:
    return [
        [b["name"], b["file"], b["notebook"], b["caption"], len(b["values"]), b["note"]]
        for b in bundles
    ]


def _dictionary(bundles: list[dict]) -> list[list]:
    return [
        [
            b["name"],
            c["name"],
            c["heading"],
            _MEANT.get(c["kind"], c["unit"]),
            c["kind"].split("_")[0],
            c["meaning"],
        ]
        for b in bundles
        for c in b["columns"]
    ]


def _repeatable(xlsx: bytes) -> bytes:
    """Write the archive again without the time of day in it."""
    source, target = zipfile.ZipFile(io.BytesIO(xlsx)), io.BytesIO()
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        for entry in source.infolist():
            content = source.read(entry)
            if entry.filename == "docProps/core.xml":
                content = re.sub(
                    rb"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", b"2000-01-01T00:00:00Z", content
                )
            fixed = zipfile.ZipInfo(entry.filename, _FIXED_TIME)
            fixed.compress_type, fixed.create_system = zipfile.ZIP_DEFLATED, 3
            archive.writestr(fixed, content)
    return target.getvalue()


def xlsx_bytes(bundles: list[dict]) -> bytes:
    """Give all tables as one workbook: a list of contents, the dictionary of columns, one sheet per table."""
    book = Workbook(write_only=True)
    book.properties.creator = "culmbook"
    _fill(
        book.create_sheet("Contents"),
        ["sheet", "file", "notebook", "caption", "rows", "note"],
        ["text"] * 6,
        _contents(bundles),
    )
    _fill(
        book.create_sheet("Columns"),
        ["sheet", "column", "heading", "unit", "kind", "meaning"],
        ["text"] * 6,
        _dictionary(bundles),
    )
    for bundle in bundles:
        _fill(
            book.create_sheet(bundle["name"]),
            [column["name"] for column in bundle["columns"]],
            [column["kind"] for column in bundle["columns"]],
            bundle["values"],
        )
    buffer = io.BytesIO()
    book.save(buffer)
    return _repeatable(buffer.getvalue())


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
    written = [Path(out_dir) / "tables.xlsx"]
    write_whole(written[0], xlsx_bytes(bundles))
    for bundle in bundles:
        written.append(folder / bundle["file"])
        write_whole(written[-1], csv_bytes(bundle))
    return written
