"""Workbooks (XLSX, XLSM) as cells: stored values, never formulas, with what text cannot carry beside them.

The parts of the archive are parsed here rather than through a workbook object, because one pass has to tell
formulas without a stored result, merged and hidden cells and number formats, and because a stray cell in the
last row must not unfold into a million empty ones. Number formats, dates and cell names are openpyxl's.
"""

import io
import re
import zipfile
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from zlib import error as ZlibError

from defusedxml import DefusedXmlException
from defusedxml.ElementTree import ParseError
from openpyxl.utils.cell import coordinate_to_tuple
from openpyxl.utils.datetime import from_excel

from culmbook.sheets.grid import (
    LONGEST_CELL,
    READ_ME,
    READ_ME_BEGINS,
    Grid,
    find_header,
    has_control,
    n_names,
    shape,
)
from culmbook.sheets.headers import MOST_COLUMNS
from culmbook.sheets.problems import note, refuse_file
from culmbook.sheets.xlsx_notes import formatting_notes, hidden_notes, macro_notes, merged_faults
from culmbook.sheets.xlsx_parts import (
    elements,
    local_name,
    read_book,
    text_of,
    too_large,
    unescaped,
)

MOST_ROWS, MOST_CELLS = 1_048_576, 10_000_000
DAMAGED = (
    zipfile.BadZipFile,
    ZlibError,
    ParseError,
    KeyError,
    ValueError,
    IndexError,
    TypeError,
    EOFError,
    NotImplementedError,
    RuntimeError,
    OSError,
    UnicodeError,
    OverflowError,
    AttributeError,
)
_DOUBLE = re.compile(r"\s*[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?\s*")
_WHOLE = re.compile(r"\s*[0-9]+\s*")


@dataclass
class Sheet:
    """One worksheet: its cells and the facts beside them.

    Parameters
    ----------
    name, part : str
        Name on the tab, and path inside the archive.
    is_hidden : bool
    lines, rows, kinds : list, list, dict
        As in :class:`culmbook.sheets.grid.Grid`.
    looks : dict
        (record index, column index) → style number where it is not 0, empty cells included.
    merged : list of str
        Merged ranges (``A2:A37``).
    hidden_rows : set of int
        Sheet rows (1-based).
    hidden_columns : set of int
        0-based columns.
    n_cells : int
        Places in `rows`, the empty ones before a cell included.
    """

    name: str
    part: str
    is_hidden: bool = False
    lines: list = field(default_factory=list)
    rows: list = field(default_factory=list)
    kinds: dict = field(default_factory=dict)
    looks: dict = field(default_factory=dict)
    merged: list = field(default_factory=list)
    hidden_rows: set = field(default_factory=set)
    hidden_columns: set = field(default_factory=set)
    n_cells: int = 0


class TooManyCells(Exception):
    """Raised while reading a sheet whose cells would fill the memory."""


def read_workbook(data, file, names=frozenset()):
    """Return the table of a workbook.

    Parameters
    ----------
    data : bytes
        A ZIP archive holding ``xl/workbook.xml``.
    file : str
        Name used in messages.
    names : set of str
        Known column names in the form of :func:`culmbook.sheets.headers.plain_header`, which tell the table's sheet
        from others; without them, sheets with two columns and two rows are taken for tables.

    Returns
    -------
    grid : culmbook.sheets.grid.Grid
    found : culmbook.sheets.grid.Shape or None
        None when the file is refused: E-SIZE, E-TYPE (damaged, DOCTYPE), E-EMPTY, E-SHEET. E-MERGED stands in
        ``found.problems``. Notes: N-SHEET, N-HIDDEN, N-MACRO, N-FORMATTING.
    """
    size_mend = "save the table alone in a new workbook"
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            fault = too_large(archive)
            return (
                _refused("E-SIZE", file, fault, size_mend) if fault else _read(archive, file, names)
            )
    except TooManyCells as error:
        return _refused("E-SIZE", file, str(error), size_mend)
    except DefusedXmlException:
        return _refused(
            "E-TYPE",
            file,
            "the workbook holds a DOCTYPE (entities), which no spreadsheet program writes",
            "save it again as .xlsx",
        )
    except DAMAGED as error:
        return _refused(
            "E-TYPE",
            file,
            f"a workbook that is damaged or cut off ({type(error).__name__})",
            "copy the file again",
        )


def _refused(code, file, rule, mend):
    return Grid(file, [], [], problems=[refuse_file(code, file, rule, mend)]), None


def _read(archive, file, names):
    book = read_book(archive)
    sheets = [Sheet(*tab) for tab in book.tabs]
    for sheet in sheets:
        _read_sheet(archive, sheet, book)
    chosen, problems = _choose(sheets, file, names)
    if chosen is None:
        return Grid(file, [], [], problems=problems), None
    grid = Grid(
        file,
        chosen.rows,
        chosen.lines,
        kinds=chosen.kinds,
        padded=True,
        sheet=chosen.name,
        problems=problems + macro_notes(archive, file),
    )
    grid.has_control = any(
        has_control(c) or len(c) > LONGEST_CELL for row in chosen.rows for c in row
    )
    found = shape(grid, names)
    if not any(p.severity == "error_file" for p in found.problems):
        found.problems += [
            *merged_faults(chosen, found, file),
            *hidden_notes(chosen, sheets, found, file),
            *formatting_notes(archive, chosen, found, book.styles, file),
        ]
    return grid, found


def _read_sheet(archive, sheet, book):
    """Fill a sheet's cells and facts from its part."""
    for element in elements(archive, sheet.part):
        name = local_name(element)
        if name == "row":
            _add_row(sheet, element, book)
            element.clear()
        elif name == "col" and element.get("hidden") in ("1", "true"):
            sheet.hidden_columns |= set(range(int(element.get("min")) - 1, int(element.get("max"))))
        elif name == "mergeCell":
            sheet.merged.append(element.get("ref"))


def _add_row(sheet, element, book):
    """Add one row; cells without reference follow one another, as do rows without number."""
    line = int(element.get("r") or (sheet.lines[-1] + 1 if sheet.lines else 1))
    if line > MOST_ROWS or sheet.lines and line <= sheet.lines[-1]:
        raise ValueError(f"row {line} out of order")
    row, at, column = [], len(sheet.rows), -1
    for cell in element:
        if local_name(cell) != "c":
            continue
        before, column = (
            column,
            coordinate_to_tuple(cell.get("r"))[1] - 1 if cell.get("r") else column + 1,
        )
        if column <= before:
            raise ValueError(f"cell {cell.get('r')} out of order")
        _add_cell(sheet, row, (at, min(column, MOST_COLUMNS)), cell, _value(cell, book))
    sheet.n_cells += len(row)
    if sheet.n_cells > MOST_CELLS:
        raise TooManyCells(f"sheet “{sheet.name}” spans more than {MOST_CELLS} cells")
    sheet.lines.append(line)
    sheet.rows.append(row)
    if element.get("hidden") in ("1", "true"):
        sheet.hidden_rows.add(line)


def _add_cell(sheet, row, place, cell, value):
    """Add one cell; what stands beyond the widest table is gathered in one more column, to be refused."""
    text, kind = value
    style = int(cell.get("s") or 0)
    if style:
        sheet.looks[place] = style
    if text == "" and kind is None:
        return
    row += [""] * (place[1] + 1 - len(row))
    row[place[1]] = text
    if kind:
        sheet.kinds[place] = kind


def _value(cell, book):
    """Return (text, kind) of a stored cell; kind None means text."""
    parts = {local_name(part): part for part in cell}
    kind = cell.get("t", "n")
    if kind == "inlineStr":
        return (text_of(parts["is"]) if "is" in parts else ""), None
    stored = parts["v"].text if "v" in parts else None
    if stored is None:
        return ("=" + (parts["f"].text or ""), "formula_uncached") if "f" in parts else ("", None)
    if kind == "s":
        return book.strings[_plain_number(stored, _WHOLE, int)], None
    if kind == "b":
        return ("TRUE" if stored.strip() in ("1", "true") else "FALSE"), "boolean"
    if kind == "e":
        return stored, "error"
    if kind == "d":
        return _iso(datetime.fromisoformat(stored))
    return (unescaped(stored), None) if kind == "str" else _number(stored, cell, book.styles)


def _number(stored, cell, styles):
    """Return (text, kind) of a number, which its format may turn into a date or a percentage."""
    value, style = _plain_number(stored, _DOUBLE, float), int(cell.get("s") or 0)
    kind = styles.kinds[style] if style < len(styles.kinds) else "number"
    if kind in ("date", "duration"):
        try:
            return _iso(from_excel(value, styles.epoch, timedelta=kind == "duration"))
        except (ValueError, OverflowError):
            kind = "number"  # no calendar has such a date: it stays the number it is
    return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value), kind


def _plain_number(text, pattern, convert):
    """Return a stored number; Python alone would also take 1_000, nan or an index from the end."""
    if not pattern.fullmatch(text):
        raise ValueError(f"{text!r} is no stored number")
    return convert(text)


def _iso(moment):
    """Return (text, kind) of a date, a moment, a time of day or a duration."""
    if isinstance(moment, (time, timedelta)):
        return str(moment), "time"
    if isinstance(moment, datetime) and moment.time() != time():
        return moment.isoformat(), "datetime"
    return date(moment.year, moment.month, moment.day).isoformat(), "date"


def _choose(sheets, file, names):
    """Return (the sheet with the table, problems)."""
    scores = {sheet.name: _fit(sheet, names) for sheet in sheets if not sheet.is_hidden}
    best = max(scores.values(), default=0)
    fitting = [s for s in sheets if scores.get(s.name, 0) > 0 and scores[s.name] * 2 >= best]
    if len(fitting) > 1:
        listed = " and ".join(f"“{s.name}”" for s in fitting)
        return None, [
            refuse_file(
                "E-SHEET",
                file,
                f"{len(fitting)} sheets fit ({listed}): which one?",
                "keep one of them in this workbook and move or delete the others",
            )
        ]
    visible = [s for s in sheets if not s.is_hidden]
    if not fitting and not any(cell.strip() for s in visible for row in s.rows for cell in row):
        return None, [
            refuse_file(
                "E-EMPTY",
                file,
                "the workbook is empty: it holds no header and no row",
                "fill it in, or remove the file",
            )
        ]
    chosen = fitting[0] if fitting else visible[0]
    others = [s.name for s in visible if s is not chosen and any(s.rows) and not _is_our_read_me(s)]
    said = f"sheet “{chosen.name}” read; not read: " + ", ".join(f"“{name}”" for name in others)
    return chosen, [note("N-SHEET", file, said)] if others else []


def _is_our_read_me(sheet):
    return sheet.name == READ_ME and sheet.rows[0][:1] == [READ_ME_BEGINS]


def _fit(sheet, names):
    """Return how well a sheet looks like the table: column names found, or 1 for any table."""
    at = find_header(sheet.rows, names)
    if at is None:
        return 0
    if names:
        return n_names(sheet.rows[at], names)
    return int(len(sheet.rows) > at + 1 and sum(bool(cell.strip()) for cell in sheet.rows[at]) > 1)
