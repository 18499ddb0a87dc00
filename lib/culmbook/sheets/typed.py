"""Read the cells of one sheet, column by column, into typed values."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from culmbook.sheets.conventions import Conventions, file_conventions
from culmbook.sheets.corrections import CORRECTED
from culmbook.sheets.grid import drop_rows
from culmbook.sheets.headers import match_header
from culmbook.sheets.problems import note, placed
from culmbook.sheets.rows import Rows, positions_of, source_columns
from culmbook.sheets.values import (
    MISSING,
    Reading,
    check_range,
    read_choice,
    read_code,
    read_date,
    read_number,
    read_text,
    read_whole,
    with_space_note,
)

BLANK_CODES = {"number": "E-NUMBER", "integer": "E-NUMBER", "date": "E-DATE", "string": "E-CODE"}
PREFILLED = ("site", "plot", "growing_season", "plant", "position_row", "position")
"""Columns that our own empty sheets fill in before the walk."""
FEW = 10  # rows from which on an always equal measure is suspicious


@dataclass
class Column:
    """One column's cells, each distinct one once: `distinct` pairs of text and kind, `which` per row."""

    place: int
    distinct: list
    which: np.ndarray
    text: np.ndarray


def read_sheet(raw, table, today, folder_site=""):
    """Return the rows of one sheet with every cell read, and the file's conventions.

    Parameters
    ----------
    raw : RawTable
    table : culmbook.sheets.dictionary.Table
    today : datetime.date
        Dates after it are refused.
    folder_site : str
        Site of the folder in which the file stands; empty at the root.

    Returns
    -------
    rows : Rows
        Empty when the file was refused; the reasons are in ``rows.problems``.
    conventions : Conventions or None
    """
    places, header_problems = match_header(raw, table)
    problems = [
        placed(p, table.name, folder_site or None) for p in [*raw.problems, *header_problems]
    ]
    if any(problem.severity == "error_file" for problem in problems):
        return _no_rows(table, problems), None
    raw = _visited(raw, table, places, folder_site, problems)
    columns = {name: _column(raw, place) for name, place in places.items()}
    numbers = _texts(columns, table, ("number", "integer"))
    conventions = file_conventions(numbers, _texts(columns, table, ("date",)), raw.delimiter)
    rows = _blank_rows(raw, table, columns, folder_site, problems)
    if conventions.decimal == "," and any("," in text for text in numbers):
        rows.problems.append(
            note(
                "N-DECIMAL",
                raw.file,
                "decimal comma in the whole file",
                table=table.name,
                site=folder_site or None,
            )
        )
    for field in table.fields:
        if field.name in columns:
            _read_column(rows, field, columns[field.name], conventions, today, raw)
    _spare_footnotes(rows)
    return rows, conventions


def _no_rows(table, problems):
    rows = Rows.empty(table)
    rows.problems = problems
    return rows


def _visited(raw, table, places, folder_site, problems):
    """Return the sheet without the rows that name a plot and say nothing of it; one note tells of them."""
    if table.name == "plots" or "plot" not in places:
        return raw
    told = [place for name, place in places.items() if name not in PREFILLED]
    left = [
        i
        for i, row in enumerate(raw.rows)
        if row[places["plot"]].strip() and not any(row[place].strip() for place in told)
    ]
    if not left:
        return raw
    n = len(left)
    rule = "1 row names a plot but holds" if n == 1 else f"{n} rows name a plot but hold"
    problems.append(
        note(
            "N-UNVISITED",
            raw.file,
            f"{rule} nothing observed: taken as not visited and left out",
            "fill in what was observed there, if anything was",
            line=raw.lines[left[0]],
            table=table.name,
            site=folder_site or None,
        )
    )
    seen = replace(raw, lines=list(raw.lines), rows=list(raw.rows), kinds=dict(raw.kinds))
    drop_rows(seen, set(left))
    return seen


def _column(raw, place):
    """Return one column of a sheet with its distinct cells found once."""
    text = np.array([row[place] for row in raw.rows], dtype=object)
    kinds = {row: kind for (row, column), kind in raw.kinds.items() if column == place}
    if not kinds:
        which, distinct = pd.factorize(text)
        return Column(place, [(cell, None) for cell in distinct], which, text)
    cells = np.empty(len(text), dtype=object)
    cells[:] = [(cell, kinds.get(i)) for i, cell in enumerate(text)]
    which, distinct = pd.factorize(cells)
    return Column(place, list(distinct), which, text)


def _texts(columns, table, types):
    """Return the distinct texts of all columns of some types, numbers typed by the spreadsheet left out."""
    return {
        text
        for name, column in columns.items()
        if table[name].type in types
        for text, kind in column.distinct
        if kind is None
    }


def _blank_rows(raw, table, columns, folder_site, problems):
    """Return the sheet's rows before any cell is read: every value missing."""
    n = len(raw.rows)
    frame = pd.DataFrame(
        {field.name: pd.Series([None] * n, dtype=field.dtype) for field in table.fields}
        | source_columns(raw.file, raw.lines)
    )
    text = {
        name: columns[name].text if name in columns else np.full(n, "", object)
        for name in table.columns
    }
    return Rows(table, frame, text, np.ones(n, bool), np.full(n, folder_site, object), problems)


def _read_column(rows, field, column, conventions, today, raw):
    """Fill one column of `rows` and record what its cells got refused or noted for."""
    is_workbook = raw.delimiter is None
    readings = [
        _read_cell(text, kind, field, conventions, today, is_workbook)
        for text, kind in column.distinct
    ]
    values = pd.Series(
        [reading.value for reading in readings],
        dtype=object if field.type == "date" else field.dtype,
    )
    if field.type == "date":
        values = pd.to_datetime(values).astype(field.dtype)
    rows.frame[field.name] = values.take(column.which).reset_index(drop=True)
    _record(rows, field, column, _with_cell_names(readings, column, raw))
    _whole_column_notes(rows, field, raw)


def _read_cell(text, kind, field, conventions, today, is_workbook):
    """Return what one cell says, ranges and blanks of its column included."""
    if kind == CORRECTED:
        conventions = Conventions(".", "ambiguous")
    reading = _by_type(text, kind, field, conventions)
    reading = reading if field.content in ("text", "cell") else with_space_note(reading, text)
    if reading.refused:
        return reading
    if field.na_means and text.strip() == "NA":
        return MISSING
    if reading.value is None and field.required and reading.code != "N-FORMULA":
        return Reading(
            None, BLANK_CODES[field.type], "blank, but it must be filled", f"fill in {field.name}"
        )
    if field.type in ("number", "integer") and reading.value is not None:
        ranged = check_range(reading.value, field)
        reading = ranged if ranged.code and (ranged.refused or not reading.code) else reading
        if not reading.code and is_workbook and kind is None:
            return replace(
                reading, code="N-NUMBER", rule="a number stored as text", mend="format as number"
            )
    return _in_time(reading, field, today) if field.type == "date" and reading.value else reading


def _in_time(reading, field, today):
    """Return a date's reading, refused when it lies in the future, noted on an unlikely day of the year."""
    day = reading.value
    if day > today:
        return Reading(
            None, "E-DATE", f"{day} lies in the future (today is {today})", "correct the date"
        )
    days = field.plausible_days
    if days and not reading.code and not days[0] <= day.timetuple().tm_yday <= days[1]:
        return Reading(
            day,
            "N-RANGE",
            f"day {day.timetuple().tm_yday} of the year is outside the plausible "
            f"{days[0]} to {days[1]}",
            "look at it again",
        )
    return reading


def _by_type(text, kind, field, conventions):
    if kind == "formula_uncached":
        return _uncached(field)
    if field.type in ("number", "integer"):
        read = read_whole if field.type == "integer" else read_number
        reading = read(text, conventions.decimal, kind)
        return (
            _from_percent(reading, field) if kind == "percent" and not reading.refused else reading
        )
    if field.type == "date":
        return read_date(text, conventions.order, kind)
    if field.content == "choice":
        return read_choice(text, field.enum, kind)
    if field.content == "code":
        return read_code(text, field.pattern, kind, field.max_length)
    reading = read_text(text, field.max_length)
    is_quoted_cell = field.content == "cell" and not reading.refused  # a formula there, not here
    return Reading(reading.value) if is_quoted_cell else reading


def _uncached(field):
    if field.content == "text":
        return Reading(
            None, "N-FORMULA", "formula without a stored result; read as blank", "paste its value"
        )
    return Reading(
        None,
        "E-FORMULA",
        "a formula without a stored result",
        "open and save in the spreadsheet program, or paste values",
    )


def _from_percent(reading, field):
    """Return a cell with a percent format in the unit of its column."""
    if field.unit == "%":
        value = float(f"{reading.value * 100:.12g}")
        return Reading(
            value, "N-UNIT", f"percent format: {reading.value:g} stored, read as {value:g} %"
        )
    if field.unit.startswith("share"):
        return Reading(
            reading.value, "N-UNIT", f"percent format: read as the share {reading.value:g}"
        )
    rule = f"percent format in a column of {field.unit}"
    return Reading(None, "E-NUMBER", rule, "format as a plain number")


def _with_cell_names(readings, column, raw):
    """Return the readings with the spreadsheet's name of the first cell where a formula has no result."""
    named = []
    for position, (reading, (_, kind)) in enumerate(zip(readings, column.distinct)):
        if kind == "formula_uncached":
            cell = raw.cell_name(int(np.argmax(column.which == position)), column.place)
            reading = replace(reading, rule=f"{reading.rule} ({cell})")
        named.append(reading)
    return named


def _record(rows, field, column, readings):
    """Refuse each row with a refused cell; state each kind of note once, with how often it holds."""
    noted = {}
    if not any(reading.code for reading in readings):
        return
    places = positions_of(column.which)
    for position, reading in enumerate(readings):
        if reading.refused:
            rows.refuse(places(position), reading.code, field.name, reading.rule, reading.mend)
        elif reading.code == "N-RANGE":
            rows.remark(places(position), reading.code, field.name, reading.rule, reading.mend)
        elif reading.code:
            kind_of_note = (
                reading.code,
                reading.mend if reading.code == "N-FORMULA" else reading.code,
            )
            noted.setdefault(kind_of_note, []).append(position)
    for positions in noted.values():
        _note_once(rows, field, column, readings, positions)


def _note_once(rows, field, column, readings, positions):
    is_noted = np.isin(column.which, positions)
    first = int(np.argmax(is_noted))
    reading = readings[column.which[first]]
    n = int(is_noted.sum())
    more = f" ({n} such cells in this column, the first here)" if n > 1 else ""
    rows.remark([first], reading.code, field.name, reading.rule + more, reading.mend)


def _spare_footnotes(rows):
    """Of a row whose one filled cell was refused, such as a footnote, list that cell, not all the blanks."""
    if rows.ok.all():
        return
    filled = sum(
        np.array([bool(cell.strip()) for cell in cells]).astype(int) for cells in rows.text.values()
    )
    lone = set(rows.frame["source_line"][(filled == 1) & ~rows.ok])
    refusals = [p for p in rows.problems if p.line in lone and p.severity == "error_row"]
    told = {p.line for p in refusals if (p.value or "").strip()}
    spared = {id(p) for p in refusals if p.line in told and p.value == ""}
    rows.problems = [p for p in rows.problems if id(p) not in spared]


def _whole_column_notes(rows, field, raw):
    """Note a measured column without any value, or with the same value in every row."""
    if not field.measured or len(rows.ok) == 0:
        return
    values = rows.frame[field.name].dropna()
    place = {"column": field.name, "table": rows.table.name, "site": rows.folder_site[0] or None}
    if values.empty and all(text.strip() in ("", "NA") for text in rows.text[field.name]):
        rows.problems.append(note("N-ALLMISSING", raw.file, f"no value in {field.name}", **place))
    elif len(values) >= FEW and values.nunique() == 1 and values.iloc[0] != 0:
        rule = f"the same value {values.iloc[0]:g} in all {len(values)} rows: copied down?"
        rows.problems.append(note("N-CONSTANT", raw.file, rule, **place))
