"""Workbooks (XLSX, XLSM) as cells: stored values, never formulas, with what text cannot carry beside them.

The parts of the archive are parsed here rather than through a workbook object, because one pass has to tell
formulas without a stored result, merged and hidden cells and number formats, and because a stray cell in the
last row must not unfold into a million empty ones. Number formats, dates and cell names are openpyxl's.
"""

import io
import posixpath
import zipfile
from collections import Counter
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from zlib import error as ZlibError

from defusedxml import DefusedXmlException
from defusedxml.ElementTree import ParseError, iterparse
from openpyxl.styles.numbers import BUILTIN_FORMATS, is_date_format, is_timedelta_format
from openpyxl.utils import get_column_letter
from openpyxl.utils.cell import coordinate_to_tuple, range_boundaries
from openpyxl.utils.datetime import CALENDAR_MAC_1904, CALENDAR_WINDOWS_1900, from_excel
from openpyxl.utils.escape import unescape

from culmbook.headers import MOST_COLUMNS
from culmbook.problems import note, refuse_file
from culmbook.sheetgrid import Grid, find_header, has_control, n_names, shape

LARGEST_UNPACKED = 120_000_000  # bytes; ten times a full weather table of twenty years
LARGEST_RATIO = 250             # a sheet of equal rows packs some hundredfold
SMALL_PART = 1_000_000          # bytes below which a high ratio is harmless
MOST_ROWS, MOST_CELLS = 1_048_576, 10_000_000
DAMAGED = (zipfile.BadZipFile, ZlibError, ParseError, KeyError, ValueError, IndexError, TypeError,
           EOFError, NotImplementedError, RuntimeError, OSError, UnicodeError, OverflowError, AttributeError)


@dataclass
class Sheet:
    """One worksheet: its cells and the facts beside them.

    Parameters
    ----------
    name, part : str
        Name on the tab, and path inside the archive.
    is_hidden : bool
    lines, rows, kinds : list, list, dict
        As in :class:`culmbook.sheetgrid.Grid`.
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


@dataclass
class Styles:
    """What the style numbers of a workbook mean: per style its number format, colour and strike-out."""

    formats: list
    colours: list
    is_struck: list
    epoch: datetime


def read_workbook(data, file, names=frozenset()):
    """Return the table of a workbook.

    Parameters
    ----------
    data : bytes
        A ZIP archive holding ``xl/workbook.xml``.
    file : str
        Name used in messages.
    names : set of str
        Known column names in the form of :func:`culmbook.headers.plain_header`, which tell the table's sheet
        from others; without them, sheets with two columns and two rows are taken for tables.

    Returns
    -------
    grid : culmbook.sheetgrid.Grid
    found : culmbook.sheetgrid.Shape or None
        None when the file is refused: E-SIZE, E-TYPE (damaged, DOCTYPE), E-EMPTY, E-SHEET. E-MERGED stands in
        ``found.problems``. Notes: N-SHEET, N-HIDDEN, N-MACRO, N-FORMATTING.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            fault = _too_large(archive, file)
            return (_refused(file, fault), None) if fault else _read(archive, file, names)
    except DefusedXmlException:
        return _refused(file, refuse_file("E-TYPE", file, "the workbook holds a DOCTYPE (entities), which no "
                                          "spreadsheet program writes", "save it again as .xlsx")), None
    except TooManyCells as error:
        return _refused(file, refuse_file("E-SIZE", file, str(error), "save the table alone in a new workbook")), None
    except DAMAGED as error:
        return _refused(file, refuse_file("E-TYPE", file, "a workbook that is damaged or cut off "
                                          f"({type(error).__name__})", "copy the file again")), None


def _refused(file, fault):
    return Grid(file, [], [], problems=[fault])


def _too_large(archive, file):
    """Refuse an archive that would unpack to far more than a field table needs."""
    parts = archive.infolist()
    total = sum(part.file_size for part in parts)
    packed = [part for part in parts if part.file_size > max(SMALL_PART, LARGEST_RATIO * part.compress_size)]
    if total > LARGEST_UNPACKED or packed:
        return refuse_file("E-SIZE", file, f"the workbook would unpack to {total} bytes, at most {LARGEST_UNPACKED} "
                           "are read and no part may grow more than "
                           f"{LARGEST_RATIO}-fold", "save the table alone in a new workbook")
    return None


def _read(archive, file, names):
    sheets, styles, strings = _sheets(archive)
    for sheet in sheets:
        _read_sheet(archive, sheet, styles, strings)
    chosen, problems = _choose(sheets, file, names)
    if chosen is None:
        return Grid(file, [], [], problems=problems), None
    grid = Grid(file, chosen.rows, chosen.lines, kinds=chosen.kinds, padded=True, sheet=chosen.name,
                problems=problems + _macro(archive, file))
    grid.has_control = any(has_control(cell) for row in chosen.rows for cell in row)
    found = shape(grid, names)
    if not any(p.severity == "error_file" for p in found.problems):
        found.problems += [*_merged(chosen, found, file), *_hidden(chosen, sheets, found, file),
                           *_formatting(archive, chosen, found, styles, file)]
    return grid, found


def _local(element):
    return element.tag.rpartition("}")[2]


def _elements(archive, part):
    """Yield the elements of an XML part as they close; a document type declaration is refused."""
    with archive.open(part) as source:
        for _, element in iterparse(source, events=("end",), forbid_dtd=True):
            yield element


def _attribute(element, name):
    """Return an attribute whatever its namespace."""
    return next((value for key, value in element.attrib.items() if key.rpartition("}")[2] == name), None)


def _targets(archive, part):
    """Return {relation id: (type, path)} of the parts that `part` refers to."""
    folder, name = posixpath.split(part)
    rels = f"{folder}/_rels/{name}.rels"
    if rels not in archive.namelist():
        return {}
    return {e.get("Id"): (e.get("Type", ""), posixpath.normpath(posixpath.join("/" + folder, e.get("Target", "")))[1:])
            for e in _elements(archive, rels) if _local(e) == "Relationship"}


def _sheets(archive):
    """Return the worksheets in the order of their tabs, the workbook's styles and its shared strings."""
    part = next((target for kind, target in _targets(archive, "").values() if kind.endswith("/officeDocument")),
                "xl/workbook.xml")
    targets, sheets, epoch = _targets(archive, part), [], CALENDAR_WINDOWS_1900
    for element in _elements(archive, part):
        if _local(element) == "workbookPr" and element.get("date1904") in ("1", "true"):
            epoch = CALENDAR_MAC_1904
        if _local(element) == "sheet":
            kind, target = targets[_attribute(element, "id")]
            if kind.endswith("/worksheet"):
                sheets.append(Sheet(element.get("name"), target, element.get("state", "visible") != "visible"))
    part_of = {kind.rpartition("/")[2]: target for kind, target in targets.values()}
    return sheets, _styles(archive, part_of.get("styles"), epoch), _strings(archive, part_of.get("sharedStrings"))


def _styles(archive, part, epoch):
    styles = Styles([], [], [], epoch)
    if part is None:
        return styles
    own, fonts, fills = {}, [], []
    for element in _elements(archive, part):
        name = _local(element)
        if name == "numFmt":
            own[int(element.get("numFmtId"))] = element.get("formatCode", "")
        elif name == "fonts":
            fonts = [_font(font) for font in element]
        elif name == "fills":
            fills = [_fill(fill) for fill in element]
        elif name == "cellXfs":
            for xf in element:
                number = int(xf.get("numFmtId", 0))
                font, fill = fonts[int(xf.get("fontId", 0))], fills[int(xf.get("fillId", 0))]
                styles.formats.append(own.get(number) or BUILTIN_FORMATS.get(number, "General"))
                styles.colours.append((font[0], fill))
                styles.is_struck.append(font[1])
    return styles


def _font(font):
    """Return (colour, struck out) of a font."""
    parts = {_local(part): part for part in font}
    struck = "strike" in parts and parts["strike"].get("val", "1") not in ("0", "false")
    return _colour(parts.get("color")), struck


def _fill(fill):
    """Return the colour of a fill, None when there is none."""
    pattern = next(iter(fill), None)
    if pattern is None or pattern.get("patternType") in (None, "none"):
        return None
    return _colour(next(iter(pattern), None)) or pattern.get("patternType")


def _colour(element):
    """Return what names a colour; None for the automatic and the black text colour, however written."""
    if element is None or element.get("auto") or element.get("theme") == "1" or element.get("indexed") in ("8", "64"):
        return None
    if element.get("rgb", "")[-6:] == "000000":
        return None
    return tuple(sorted(element.attrib.items()))


def _strings(archive, part):
    strings = []
    for element in _elements(archive, part) if part else ():
        if _local(element) == "si":
            strings.append(_text_of(element))
            element.clear()
    return strings


def _text_of(element):
    """Return the text of a string item: its runs joined, phonetic guides left out."""
    runs = [child for child in element if _local(child) in ("t", "r")]
    texts = [t.text or "" for run in runs for t in ([run] if _local(run) == "t" else run) if _local(t) == "t"]
    return _unescaped("".join(texts))


def _unescaped(text):
    """Return text with ``_x000D_`` and the like as the characters they stand for."""
    return unescape(text) if "_x" in text else text


def _read_sheet(archive, sheet, styles, strings):
    """Fill a sheet's cells and facts from its part."""
    for element in _elements(archive, sheet.part):
        name = _local(element)
        if name == "row":
            _add_row(sheet, element, styles, strings)
            element.clear()
        elif name == "col" and element.get("hidden") in ("1", "true"):
            sheet.hidden_columns |= set(range(int(element.get("min")) - 1, int(element.get("max"))))
        elif name == "mergeCell":
            sheet.merged.append(element.get("ref"))


def _add_row(sheet, element, styles, strings):
    """Add one row; cells without reference follow one another, as do rows without number."""
    line = int(element.get("r") or (sheet.lines[-1] + 1 if sheet.lines else 1))
    if line > MOST_ROWS or sheet.lines and line <= sheet.lines[-1]:
        raise ValueError(f"row {line} out of order")
    row, at, column = [], len(sheet.rows), -1
    for cell in element:
        if _local(cell) != "c":
            continue
        before, column = column, coordinate_to_tuple(cell.get("r"))[1] - 1 if cell.get("r") else column + 1
        if column <= before:
            raise ValueError(f"cell {cell.get('r')} out of order")
        _add_cell(sheet, row, (at, min(column, MOST_COLUMNS)), cell, _value(cell, styles, strings))
    sheet.n_cells += len(row)
    if sheet.n_cells > MOST_CELLS:
        raise TooManyCells(f"sheet “{sheet.name}” spans more than {MOST_CELLS} cells")
    sheet.lines.append(line)
    sheet.rows.append(row)
    if element.get("hidden") in ("1", "true"):
        sheet.hidden_rows.add(line)


def _add_cell(sheet, row, place, cell, value):
    """Add one cell; what stands beyond the widest table read is gathered in one more column, to be refused."""
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


def _value(cell, styles, strings):
    """Return (text, kind) of a stored cell; kind None means text."""
    parts = {_local(part): part for part in cell}
    kind = cell.get("t", "n")
    if kind == "inlineStr":
        return (_text_of(parts["is"]) if "is" in parts else ""), None
    stored = parts["v"].text if "v" in parts else None
    if stored is None:
        return ("=" + (parts["f"].text or ""), "formula_uncached") if "f" in parts else ("", None)
    if kind == "s":
        return strings[int(stored)], None
    if kind == "b":
        return ("TRUE" if stored.strip() in ("1", "true") else "FALSE"), "boolean"
    if kind == "e":
        return stored, "error"
    if kind == "d":
        return _iso(datetime.fromisoformat(stored))
    return (_unescaped(stored), None) if kind == "str" else _number(stored, cell, styles)


def _number(stored, cell, styles):
    """Return (text, kind) of a number, which its format may turn into a date or a percentage."""
    value, style = float(stored), int(cell.get("s") or 0)
    code = styles.formats[style] if style < len(styles.formats) else "General"
    if is_date_format(code):
        try:
            moment = from_excel(value, styles.epoch, timedelta=is_timedelta_format(code))
            return _iso(moment)
        except (ValueError, OverflowError):
            pass  # a date format over a number no calendar has: it stays the number it is
    text = str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    return text, "percent" if "%" in code else "number"


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
        return None, [refuse_file("E-SHEET", file, f"{len(fitting)} sheets hold this table ({listed}): which one?",
                                  "keep one of them in this workbook and move or delete the others")]
    visible = [s for s in sheets if not s.is_hidden]
    if not fitting and not any(cell.strip() for s in visible for row in s.rows for cell in row):
        return None, [refuse_file("E-EMPTY", file, "the workbook is empty: it holds no header and no row",
                                  "fill it in, or remove the file")]
    chosen = fitting[0] if fitting else visible[0]
    others = [s.name for s in visible if s is not chosen and any(s.rows)]
    said = f"sheet “{chosen.name}” read; not read: " + ", ".join(f"“{name}”" for name in others)
    return chosen, [note("N-SHEET", file, said)] if others else []


def _fit(sheet, names):
    """Return how well a sheet looks like the table: column names found, or 1 for any table."""
    at = find_header(sheet.rows, names)
    if at is None:
        return 0
    if names:
        return n_names(sheet.rows[at], names)
    return int(len(sheet.rows) > at + 1 and sum(bool(cell.strip()) for cell in sheet.rows[at]) > 1)


def _macro(archive, file):
    if not any(part.endswith("vbaProject.bin") or "macrosheets/" in part for part in archive.namelist()):
        return []
    return [note("N-MACRO", file, "the workbook holds a macro: its values were read, the macro was not run",
                 "save as .xlsx")]


def _merged(sheet, found, file):
    """Refuse the file for every merged range that reaches into the table."""
    last = max([found.header_line, *found.lines, *(p.line or 0 for p in found.problems)])
    faults = []
    for ref in sheet.merged:
        left, top, right, bottom = range_boundaries(ref)
        inside = [k for k, column in enumerate(found.columns) if left <= column + 1 <= right]
        if inside and bottom >= found.header_line and top <= last:
            faults.append(refuse_file("E-MERGED", file, f"merged cells {ref}: only the first of them holds a value",
                                      "unmerge and fill down", line=max(top, found.header_line),
                                      column=found.header[inside[0]].strip()))
    return faults


def _hidden(sheet, sheets, found, file):
    """Note hidden rows and columns of the table, and hidden sheets with cells."""
    rows = [line for line in found.lines if line in sheet.hidden_rows]
    columns = [column for column in found.columns if column in sheet.hidden_columns]
    others = [s.name for s in sheets if s.is_hidden and any(s.rows)]
    notes = []
    if rows:
        notes.append(note("N-HIDDEN", file, f"{len(rows)} hidden row{'s' * (len(rows) > 1)} read like the others",
                          line=rows[0]))
    notes += [note("N-HIDDEN", file, f"hidden column {get_column_letter(column + 1)} read like the others",
                   column=found.header[found.columns.index(column)].strip()) for column in columns]
    return notes + [note("N-HIDDEN", file, f"hidden sheet “{name}” not read") for name in others]


def _formatting(archive, sheet, found, styles, file):
    """Note cells set apart by colour, strike-out or comment: what they mean is not read."""
    line_at = {line: k for k, line in enumerate(sheet.lines)}
    at, columns = {line_at[line] for line in found.lines}, set(found.columns)
    looks = {place: style for place, style in sheet.looks.items()
             if place[0] in at and place[1] in columns and style < len(styles.colours)}
    n_coloured = _n_unusual(looks, styles.colours, len(at))
    n_struck = sum(styles.is_struck[style] for style in looks.values())
    n_comments = _n_comments(archive, sheet)
    if not n_coloured + n_struck + n_comments:
        return []
    return [note("N-FORMATTING", file, f"{n_coloured} coloured, {n_struck} struck-out and {n_comments} commented "
                 "cells: their values are read, what the marks mean is not",
                 "write what they mean into a column of the table")]


def _n_unusual(looks, colours, n_rows):
    """Return how many cells are coloured unlike most of their column (a column coloured throughout says nothing)."""
    in_column = {}
    for (_, column), style in looks.items():
        in_column.setdefault(column, Counter())[colours[style]] += 1
    n_unusual = 0
    for count in in_column.values():
        count[(None, None)] += n_rows - count.total()
        n_unusual += n_rows - count.most_common(1)[0][1]
    return n_unusual


def _n_comments(archive, sheet):
    parts = [target for kind, target in _targets(archive, sheet.part).values()
             if kind.endswith(("/comments", "/threadedComment"))]
    return len({e.get("ref") for part in parts for e in _elements(archive, part)
                if _local(e) in ("comment", "threadedComment")})
