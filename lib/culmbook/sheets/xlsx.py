"""Workbooks (XLSX, XLSM) as cells: stored values, never formulas, with what text cannot carry
beside them.

openpyxl parses the archive, row by row: a stray cell in the last row of a sheet must not unfold
into a million empty ones, and cells that stand twice must be seen. An archive is judged by its
directory before anything is unpacked, and no part that declares entities is parsed.
"""

import io
import re
import warnings
import zipfile
from collections import Counter
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta

from defusedxml import DefusedXmlException
from openpyxl import load_workbook
from openpyxl.packaging.relationship import get_dependents, get_rels_path
from openpyxl.styles.numbers import BUILTIN_FORMATS
from openpyxl.utils import get_column_letter
from openpyxl.utils.escape import unescape
from openpyxl.worksheet._reader import FORMULA_TAG, WorkSheetParser
from openpyxl.xml.constants import COMMENTS_NS

from culmbook.sheets import grid as cells
from culmbook.sheets.problems import note, refuse_file

LARGEST_UNPACKED = 120_000_000  # bytes; ten times a full weather table of twenty years
LARGEST_RATIO = 250  # a sheet of equal rows packs some hundredfold
SMALL_PART = 1_000_000  # bytes below which a high ratio is harmless
MOST_ROWS, MOST_CELLS = 1_048_576, 10_000_000
BLACK = (("theme", 1), ("indexed", 8), ("indexed", 64), ("rgb", "00000000"), ("rgb", "FF000000"))


@dataclass
class Sheet(cells.Grid):
    """One worksheet: its cells and the facts beside them.

    Parameters
    ----------
    is_hidden : bool
    looks : dict
        (record index, column index) → style number where it is not 0, empty cells included.
    merged : list
        Merged ranges (``A2:A37``).
    hidden_rows : set of int
        Sheet rows (1-based).
    hidden_columns : set of int
        0-based columns.
    n_cells, n_comments : int
        Places in `rows`, the empty ones before a cell included; cells with a comment.
    """

    is_hidden: bool = False
    looks: dict = field(default_factory=dict)
    merged: list = field(default_factory=list)
    hidden_rows: set = field(default_factory=set)
    hidden_columns: set = field(default_factory=set)
    n_cells: int = 0
    n_comments: int = 0


class _TooLarge(Exception):
    """Raised for a workbook that would fill the memory."""


class _Parser(WorkSheetParser):
    """The cells of one worksheet with their stored values; a formula without one stands as its
    text.
    """

    def parse_cell(self, element):
        cell = super().parse_cell(element)
        if cell["value"] is None and element.find(FORMULA_TAG) is not None:
            text = "=" + (element.findtext(FORMULA_TAG) or "")
            cell |= {"value": text, "data_type": "f"}
        return cell


def read_workbook(data, file, names=frozenset()):
    """Return the table of a workbook.

    Parameters
    ----------
    data : bytes
        A ZIP archive holding ``xl/workbook.xml``.
    file : str
        Name used in messages.
    names : set of str
        Known column names in the form of :func:`culmbook.sheets.headers.plain_header`, which tell
        the table's sheet from others; without them, sheets with two columns and two rows are taken
        for tables.

    Returns
    -------
    grid : culmbook.sheets.grid.Grid
    found : culmbook.sheets.grid.RawTable or None
        None when the file is refused: E-SIZE, E-TYPE (damaged, DOCTYPE), E-EMPTY, E-SHEET. E-MERGED
        stands in ``found.problems``. Notes: N-SHEET, N-HIDDEN, N-MACRO, N-FORMATTING.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of parts that only matter when a workbook is saved
            return _read(data, file, names)
    except _TooLarge as error:
        problem = refuse_file("E-SIZE", file, str(error), "save the table alone in a new workbook")
    except Exception as error:  # a damaged workbook can raise nearly anything
        rule = f"a workbook that is damaged or cut off ({type(error).__name__})"
        mend = "copy the file again"
        if isinstance(error.__cause__ or error, DefusedXmlException):
            rule = "the workbook holds a DOCTYPE (entities), which no spreadsheet program writes"
            mend = "save it again as .xlsx"
        problem = refuse_file("E-TYPE", file, rule, mend)
    return cells.Grid(file, [], [], problems=[problem]), None


def _read(data, file, names):
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        _check_size(archive.infolist())
        parts = archive.namelist()
    book = load_workbook(io.BytesIO(data), read_only=True, data_only=True, keep_links=False)
    sheets = [_read_sheet(book, tab, file) for tab in book.worksheets]
    chosen = _choose(sheets, file, names)
    if not chosen.sheet:
        return chosen, None
    if any(part.endswith("vbaProject.bin") or "macrosheets/" in part for part in parts):
        rule = "the workbook holds a macro: its values were read, the macro was not run"
        chosen.problems.append(note("N-MACRO", file, rule, "save as .xlsx"))
    texts = (text for row in chosen.rows for text in row)
    chosen.has_control = any(cells.has_control(t) or len(t) > cells.LONGEST_CELL for t in texts)
    found = cells.shape(chosen, names)
    if not any(p.severity == "error_file" for p in found.problems):
        found.problems += _merged_faults(chosen, found, file)
        found.problems += _hidden_notes(chosen, sheets, found, file)
        found.problems += _formatting_notes(book, chosen, found, file)
    return chosen, found


def _check_size(parts):
    """Raise if an archive would unpack to more than any field table needs."""
    total = sum(part.file_size for part in parts)
    if total > LARGEST_UNPACKED:
        raise _TooLarge(
            f"the workbook would unpack to {total} bytes, at most {LARGEST_UNPACKED} are read"
        )
    for part in parts:
        if part.file_size > max(SMALL_PART, LARGEST_RATIO * part.compress_size):
            said = f"more than {LARGEST_RATIO}-fold on unpacking, to {part.file_size} bytes"
            raise _TooLarge(f"a part would grow {said}")


def _read_sheet(book, tab, file):
    """Return a sheet's cells and facts; what stands beyond the widest table is gathered in one
    more column.
    """
    sheet = Sheet(file, [], [], padded=True, sheet=tab.title)
    sheet.is_hidden = tab.sheet_state != "visible"
    formats = BUILTIN_FORMATS | dict(enumerate(book._number_formats, 164))
    styles = enumerate(book._cell_styles)
    percents = {i for i, style in styles if is_percent(formats.get(style.numFmtId, ""))}
    dated = {"date_formats": book._date_formats, "timedelta_formats": book._timedelta_formats}
    with tab._get_source() as source:
        parser = _Parser(source, tab._shared_strings, data_only=True, epoch=book.epoch, **dated)
        for line, stored in parser.parse():
            _add_row(sheet, line, stored, percents)
    facts = parser.row_dimensions.items()
    sheet.hidden_rows = {int(line) for line, fact in facts if fact.get("hidden") in ("1", "true")}
    for fact in parser.column_dimensions.values():
        if fact.get("hidden") in ("1", "true"):
            sheet.hidden_columns |= set(range(int(fact["min"]) - 1, int(fact["max"])))
    sheet.merged = parser.merged_cells.mergeCell if parser.merged_cells else []
    rels = get_rels_path(tab._worksheet_path)
    if rels in book._archive.namelist():
        comments = get_dependents(book._archive, rels).find(COMMENTS_NS)
        sheet.n_comments = sum(
            book._archive.read(part.target).count(b"<comment ") for part in comments
        )
    return sheet


def _add_row(sheet, line, stored, percents):
    if line > MOST_ROWS or sheet.lines and line <= sheet.lines[-1]:
        raise ValueError(f"row {line} out of order")
    row, at, before = [], len(sheet.rows), 0
    for cell in stored:
        if cell["column"] <= before:
            raise ValueError(f"a cell of row {line} out of order")
        before = cell["column"]
        place = at, min(before - 1, cells.MOST_COLUMNS)
        if cell["style_id"]:
            sheet.looks[place] = cell["style_id"]
        text, kind = _text(cell["value"], cell["data_type"], cell["style_id"] in percents)
        if text or kind:
            row += [""] * (place[1] + 1 - len(row))
            row[place[1]] = text
            if kind:
                sheet.kinds[place] = kind
    sheet.n_cells += len(row)
    if sheet.n_cells > MOST_CELLS:
        raise _TooLarge(f"sheet “{sheet.sheet}” spans more than {MOST_CELLS} cells")
    sheet.lines.append(line)
    sheet.rows.append(row)


def _text(value, stored_as, is_percent):
    """Return (text, kind) of a stored value; kind None means text."""
    if value is None or isinstance(value, str):
        value = unescape(value) if value and "_x" in value else value or ""
        return value, {"f": "formula_uncached", "e": "error"}.get(stored_as)
    if isinstance(value, bool):
        return str(value).upper(), "boolean"
    if isinstance(value, (time, timedelta)):
        return str(value), "time"
    if isinstance(value, datetime) and value.time() != time():
        return value.isoformat(), "datetime"
    if isinstance(value, date):
        return f"{value:%Y-%m-%d}", "date"
    value = float(value)
    text = str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    return text, "percent" if is_percent else "number"


def is_percent(code):
    """Return whether a number format prints a share in percent; a quoted % is only printed.

    Examples
    --------
    >>> is_percent("0.0%"), is_percent('0.0"%"')
    (True, False)
    """
    return "%" in re.sub(r'"[^"]*"|\\.', "", code)


def _choose(sheets, file, names):
    """Return the sheet with the table, or a grid without sheet that holds the reason why there is
    none.
    """
    visible = [sheet for sheet in sheets if not sheet.is_hidden]
    scores = [_fit(sheet, names) for sheet in visible]
    fitting = [s for s, score in zip(visible, scores) if score and score * 2 >= max(scores)]
    if len(fitting) > 1:
        listed = " and ".join(f"“{s.sheet}”" for s in fitting)
        rule = f"{len(fitting)} sheets fit ({listed}): which one?"
        mend = "keep one of them in this workbook and move or delete the others"
        return cells.Grid(file, [], [], problems=[refuse_file("E-SHEET", file, rule, mend)])
    if not fitting and all(cells.is_blank(row) for s in visible for row in s.rows):
        return cells.Grid(file, [], [], problems=[cells.empty(file, "workbook")])
    chosen = (fitting or visible)[0]
    others = [s.sheet for s in visible if s is not chosen and any(s.rows) and not _is_read_me(s)]
    said = f"sheet “{chosen.sheet}” read; not read: " + ", ".join(f"“{name}”" for name in others)
    chosen.problems = [note("N-SHEET", file, said)] if others else []
    return chosen


def _is_read_me(sheet):
    return sheet.sheet == cells.READ_ME and sheet.rows[0][:1] == [cells.READ_ME_BEGINS]


def _fit(sheet, names):
    """Return how well a sheet looks like the table: column names found, or 1 for any table."""
    at = cells.find_header(sheet.rows, names)
    if at is None or names:
        return 0 if at is None else cells.n_names(sheet.rows[at], names)
    return int(len(sheet.rows) > at + 1 and sum(bool(cell.strip()) for cell in sheet.rows[at]) > 1)


def _merged_faults(sheet, found, file):
    """Refuse the file for every merged range that reaches into the table: cells look filled and
    are not.
    """
    last = max([found.header_line, *found.lines, *(p.line or 0 for p in found.problems)])
    faults = []
    for merged in sheet.merged:
        left, top, right, bottom = merged.bounds
        inside = [k for k, column in enumerate(found.columns) if left <= column + 1 <= right]
        if inside and bottom >= found.header_line and top <= last:
            place = {"line": max(top, found.header_line), "column": found.header[inside[0]].strip()}
            rule = f"merged cells {merged.ref}: only the first holds a value"
            faults.append(refuse_file("E-MERGED", file, rule, "unmerge and fill down", **place))
    return faults


def _hidden_notes(sheet, sheets, found, file):
    """Note hidden rows and columns of the table, and hidden sheets with cells."""
    rows = [line for line in found.lines if line in sheet.hidden_rows]
    notes = []
    if rows:
        said = f"{len(rows)} hidden row{'s' * (len(rows) > 1)} read like the others"
        notes.append(note("N-HIDDEN", file, said, line=rows[0]))
    for column, name in zip(found.columns, found.header):
        if column in sheet.hidden_columns:
            said = f"hidden column {get_column_letter(column + 1)} read like the others"
            notes.append(note("N-HIDDEN", file, said, column=name.strip()))
    others = [s.sheet for s in sheets if s.is_hidden and any(s.rows)]
    return notes + [note("N-HIDDEN", file, f"hidden sheet “{name}” not read") for name in others]


def _formatting_notes(book, sheet, found, file):
    """Note cells set apart by colour (unlike most of their column), strike-out or comment: they
    are not read.
    """
    lines, n_struck, in_column = set(found.lines), 0, {}
    for (at, column), style in sheet.looks.items():
        if sheet.lines[at] in lines and column in found.columns:
            font = book._fonts[book._cell_styles[style].fontId]
            fill = book._fills[book._cell_styles[style].fillId]
            look = _colour(font.color), fill.fill_type and (_colour(fill.fgColor) or fill.fill_type)
            in_column.setdefault(column, Counter())[look] += 1
            n_struck += bool(font.strike)
    n_coloured = 0
    for count in in_column.values():
        count[None, None] += len(lines) - count.total()
        n_coloured += len(lines) - count.most_common(1)[0][1]
    if not n_coloured + n_struck + sheet.n_comments:
        return []
    said = (
        f"{n_coloured} coloured, {n_struck} struck-out and {sheet.n_comments} commented cells: their values "
        "are read, what the marks mean is not"
    )
    return [note("N-FORMATTING", file, said, "write what they mean into a column of the table")]


def _colour(colour):
    """Return what names a colour; None for the automatic and the black one, however written."""
    named = colour and (colour.type, colour.value)
    return None if named is None or colour.type == "auto" or named in BLACK else named
