"""The rows of one table: their cells read, column by column, into typed values, and what was
refused.
"""

from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import pandas as pd

from culmbook.sheets import values as cells
from culmbook.sheets.dictionary import SOURCE, empty_table
from culmbook.sheets.grid import drop_rows
from culmbook.sheets.headings import Headings, conversion, match_header
from culmbook.sheets.problems import and_others, note, placed, refuse_row
from culmbook.sheets.values import MISSING, Conventions, Reading

CORRECTED = "corrected"  # kind of a corrected cell: read with a decimal point, in any file
BLANK_CODES = {"number": "E-NUMBER", "integer": "E-NUMBER", "date": "E-DATE", "string": "E-CODE"}
PREFILLED = ("site", "plot", "growing_season", "plant", "position_row", "position", "occasion")
PREFILLED += ("counted_on", "scored_on", "measured_on", "harvested_on", "harvested_area_m2")
"""Columns that our own empty sheets fill in before the walk: alone they tell of no plant."""
SEASON = ("site", "growing_season")  # rows that share them share a cause; read first
FEW = 10  # rows from which on an always equal measure is suspicious


class Rows:
    """All rows read for one table, good and refused, and the problems found in them.

    Attributes
    ----------
    table : culmbook.sheets.dictionary.Table
    frame : pandas.DataFrame
        The table's columns with their dtypes, ``source_file`` and ``source_line``; a refused cell
        is missing.
    text : dict of str to numpy.ndarray
        Each column's cells as typed.
    ok : numpy.ndarray of bool
        False where a row was refused.
    withdrawn : numpy.ndarray of bool
        True where it cannot be used for a fault of its file or of another table; it is judged like
        the others, so that all of its own faults come in one pass.
    folder_site : numpy.ndarray of str
        Site of the folder the row's file stands in; empty for files at the root.
    problems : list of Problem
    """

    def __init__(self, table, frame, text, ok, folder_site, problems):
        self.table, self.frame, self.text, self.ok = table, frame, text, ok
        self.folder_site, self.problems = folder_site, problems
        self.withdrawn = np.zeros(len(ok), bool)

    @classmethod
    def empty(cls, table, problems=()):
        """Return no rows."""
        frame = empty_table(table.name)
        text = {name: np.empty(0, object) for name in table.columns}
        return cls(table, frame, text, np.zeros(0, bool), np.empty(0, object), list(problems))

    @classmethod
    def joined(cls, table, parts):
        """Return the rows of several files of one table as one."""
        problems = [problem for part in parts for problem in part.problems]
        parts = [part for part in parts if len(part.ok)] or [cls.empty(table)]
        text = {name: np.concatenate([part.text[name] for part in parts]) for name in table.columns}
        frame = pd.concat([part.frame for part in parts], ignore_index=True)
        ok = np.concatenate([part.ok for part in parts])
        folder_site = np.concatenate([part.folder_site for part in parts])
        rows = cls(table, frame, text, ok, folder_site, problems)
        rows.withdrawn = np.concatenate([part.withdrawn for part in parts])
        return rows

    def _place(self, i, column):
        """Return where row `i` stands, as keywords of a problem."""
        has_site = self.table.has_site or self.table.name == "sites"
        row_site = self.frame["site"].iat[i] if has_site else None
        return {
            "line": int(self.frame["source_line"].iat[i]),
            "column": column,
            "value": None if column is None else self.text[column][i],
            "table": self.table.name,
            "site": self.folder_site[i] or (row_site if isinstance(row_site, str) else None),
        }

    def refuse(self, where, code, column, rule, mend=""):
        """Refuse the rows where `where` holds; `rule` and `mend` may be functions of the row's
        position.
        """
        self.ok[self._tell(refuse_row, where, code, column, rule, mend)] = False

    def withdraw(self, where, code, column, rule, mend=""):
        """Withdraw rows for a fault that stands elsewhere, as :meth:`refuse`."""
        self.withdrawn[self._tell(refuse_row, where, code, column, rule, mend)] = True

    def remark(self, where, code, column, rule, mend=""):
        """Note something about the rows where `where` holds, as :meth:`refuse`."""
        self._tell(note, where, code, column, rule, mend)

    def _tell(self, problem, where, code, column, rule, mend):
        where = np.asarray(where)
        where = np.flatnonzero(where) if where.dtype == bool else where.astype(int)
        for i in where:
            said = {"rule": rule(i) if callable(rule) else rule}
            said["mend"] = mend(i) if callable(mend) else mend
            file = self.frame["source_file"].iat[i]
            self.problems.append(problem(code, file, **said, **self._place(i, column)))
        return where

    def keep_site(self, site, known):
        """Drop the rows of other known sites when only one site is read; nothing when `site` is
        ``all``.
        """
        if site == "all":
            return
        codes = self.frame["site"]
        mine = ((codes == site) | ~codes.isin(known)).to_numpy(bool)
        self.frame = self.frame[mine].reset_index(drop=True)
        self.text = {name: cells[mine] for name, cells in self.text.items()}
        self.ok, self.folder_site = self.ok[mine], self.folder_site[mine]
        self.withdrawn = self.withdrawn[mine]

    def kept(self):
        """Return the rows that passed, sorted by key."""
        order = {"kind": "stable", "na_position": "first", "ignore_index": True}
        return self.frame[self.ok & ~self.withdrawn].sort_values(list(self.table.key), **order)


def positions_of(which):
    """Return a function from a group's number to the positions of its rows; `which` is each row's
    number.

    One sort serves every group: comparing `which` with each number would take rows × groups steps.
    """
    order = np.argsort(which, kind="stable")
    bounds = np.searchsorted(which[order], np.arange(which.max(initial=-1) + 2))
    return lambda number: order[bounds[number] : bounds[number + 1]]


@dataclass
class Column:
    """One column's cells, each distinct one once: `distinct` pairs of text and kind, `which` per
    row.
    """

    place: int
    distinct: list
    which: np.ndarray
    text: np.ndarray


def read_sheet(raw, table, today, folder_site="", own=Headings()):
    """Return the rows of one sheet with every cell read, and the file's conventions.

    Parameters
    ----------
    raw : RawTable
    table : culmbook.sheets.dictionary.Table
    today : datetime.date
        Dates after it are refused.
    folder_site : str
        Site of the folder in which the file stands; empty at the root.
    own : Headings
        What ``headings.toml`` says of the file.

    Returns
    -------
    rows : Rows
        Empty when the file cannot be read, all withdrawn when its header was refused; the reasons
        are in ``rows.problems``.
    conventions : Conventions or None
    """
    site = folder_site or None
    problems = [placed(p, table.name, site) for p in raw.problems]
    if raw.refused:
        return Rows.empty(table, problems), None
    places, of_header = match_header(raw, table, own)
    problems += [placed(p, table.name, site) for p in of_header]
    raw = _visited(raw, table, places, site, problems)
    columns = {name: column_of(raw, place) for name, place in places.items()}
    columns |= {n: _constant(said, raw) for n, said in own.constants.items() if n not in places}
    numbers = _texts(columns, table, ("number", "integer"))
    decimal = cells.decimal_mark(numbers, raw.delimiter)
    order = own.order or cells.date_order(_texts(columns, table, ("date",)))
    conventions = Conventions(decimal, order)
    if decimal == "," and any("," in text for text in numbers):
        said = "decimal comma in the whole file"
        problems.append(note("N-DECIMAL", raw.file, said, table=table.name, site=site))
    n = len(raw.rows)
    blank = {field.name: pd.Series([None] * n, dtype=field.dtype) for field in table.fields}
    source = zip(SOURCE.items(), ([raw.file] * n, raw.lines))
    blank |= {name: pd.Series(told, dtype=dtype) for (name, dtype), told in source}
    frame = pd.DataFrame(blank)
    text = dict.fromkeys(table.columns, np.full(n, "", object))
    text |= {name: column.text for name, column in columns.items()}
    rows = Rows(table, frame, text, np.ones(n, bool), np.full(n, folder_site, object), problems)
    rows.withdrawn[:] = any(p.severity == "error_file" for p in of_header)
    for field in sorted(table.fields, key=lambda field: field.name not in SEASON):
        if field.name in columns:
            read = partial(read_cell, field=field, conventions=conventions, today=today, own=own)
            _read_column(rows, field, columns[field.name], read, raw)
    _spare_footnotes(rows)
    return rows, conventions


def _visited(raw, table, places, site, problems):
    """Return the sheet without the rows that name a plot and say nothing of it; one note tells of
    them.
    """
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
    rule += " nothing observed: taken as not visited and left out"
    mend = "fill in what was observed there, if anything was"
    place = {"line": raw.lines[left[0]], "table": table.name, "site": site}
    problems.append(note("N-UNVISITED", raw.file, rule, mend, **place))
    seen = replace(raw, lines=list(raw.lines), rows=list(raw.rows), kinds=dict(raw.kinds))
    drop_rows(seen, set(left))
    return seen


def column_of(raw, place):
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
    """Return the distinct texts of all columns of some types, numbers typed by the spreadsheet
    left out.
    """
    return {
        text
        for name, column in columns.items()
        if table[name].type in types
        for text, kind in column.distinct
        if kind is None
    }


def _constant(said, raw):
    """Return a column that the sheet lacks, with the same text in every row."""
    n = len(raw.rows)
    return Column(0, [(said, CORRECTED)] * bool(n), np.zeros(n, int), np.full(n, said, object))


def _read_column(rows, field, column, read, raw):
    """Fill one column of `rows` and record what its cells got refused or noted for."""
    readings = []
    for position, (text, kind) in enumerate(column.distinct):
        reading = read(text, kind)
        is_bare = raw.delimiter is None and kind is None and not reading.code
        if is_bare and field.type in ("number", "integer") and reading.value is not None:
            said = {"rule": "a number stored as text", "mend": "format as number"}
            reading = replace(reading, code="N-NUMBER", **said)
        if kind == "formula_uncached":
            cell = raw.cell_name(int(np.argmax(column.which == position)), column.place)
            reading = replace(reading, rule=f"{reading.rule} ({cell})")
        readings.append(reading)
    values = [reading.value for reading in readings]
    if field.type == "date":
        values = pd.to_datetime(pd.Series(values, dtype=object))
    values = pd.Series(values, dtype=field.dtype)
    rows.frame[field.name] = values.take(column.which).reset_index(drop=True)
    _record(rows, field, column, readings)
    _whole_column_notes(rows, field, raw)


def read_cell(text, kind, field, conventions, today, own):
    """Return what one cell says, ranges and blanks of its column included."""
    if kind == CORRECTED:
        conventions, own = Conventions(".", "ambiguous"), Headings()
    text = own.values.get(field.name, {}).get(cells.trimmed(text).casefold(), text)
    unit = own.units().get(field.name)
    reading = _by_type(text, kind, field, conventions)
    if unit and reading.value is not None and kind != "percent":
        factor, offset = conversion(unit, field.unit)
        reading = replace(reading, value=float(f"{reading.value * factor + offset:.12g}"))
    if field.content not in ("text", "cell"):
        reading = cells.with_space_note(reading, text)
    if reading.refused:
        return reading
    if field.na_means and text.strip() == "NA":
        return MISSING
    if reading.value is None and field.required and reading.code != "N-FORMULA":
        rule = "blank, but it must be filled"
        return Reading(None, BLANK_CODES[field.type], rule, f"fill in {field.name}")
    if reading.value is None:
        return reading
    if field.type in ("number", "integer"):
        ranged = cells.check_range(reading.value, field)
        return ranged if ranged.code and (ranged.refused or not reading.code) else reading
    return _in_time(reading, field, today) if field.type == "date" else reading


def _in_time(reading, field, today):
    """Return a date's reading, refused when it lies in the future, noted on an unlikely day of the
    year.
    """
    day, likely = reading.value, field.plausible_day_of_year
    if day > today:
        rule = f"{day} lies in the future (today is {today})"
        return Reading(None, "E-DATE", rule, "correct the date")
    n = day.timetuple().tm_yday
    if likely and not reading.code and not likely[0] <= n <= likely[1]:
        rule = f"day {n} of the year is outside the plausible {likely[0]} to {likely[1]}"
        return Reading(day, "N-RANGE", rule, "look at it again")
    return reading


def _by_type(text, kind, field, conventions):
    if kind == "formula_uncached" and field.content == "text":
        rule = "formula without a stored result; read as blank"
        return Reading(None, "N-FORMULA", rule, "paste its value")
    if kind == "formula_uncached":
        mend = "open and save in the spreadsheet program, or paste values"
        return Reading(None, "E-FORMULA", "a formula without a stored result", mend)
    if field.type in ("number", "integer"):
        read = cells.read_whole if field.type == "integer" else cells.read_number
        reading = read(text, conventions.decimal, kind)
        is_share = kind == "percent" and not reading.refused
        return _from_percent(reading.value, field) if is_share else reading
    if field.type == "date":
        return cells.read_date(text, conventions.order, kind)
    if field.content == "choice":
        return cells.read_choice(text, field.enum, kind)
    if field.content == "code":
        return cells.read_code(text, field.pattern, kind, field.max_length, field.shape)
    reading = cells.read_text(text, field.max_length)
    is_quoted_cell = field.content == "cell" and not reading.refused  # a formula there, not here
    return Reading(reading.value) if is_quoted_cell else reading


def _from_percent(share, field):
    """Return a cell with a percent format in the unit of its column."""
    if field.unit == "%":
        value = float(f"{share * 100:.12g}")
        return Reading(value, "N-UNIT", f"percent format: {share:g} stored, read as {value:g} %")
    if field.unit.startswith("share"):
        return Reading(share, "N-UNIT", f"percent format: read as the share {share:g}")
    rule = f"percent format in a column of {field.unit}"
    return Reading(None, "E-NUMBER", rule, "format as a plain number")


def _record(rows, field, column, readings):
    """Refuse each row with a refused cell; state each kind of note once, with how often it holds."""
    noted, unlikely = {}, []
    if not any(reading.code for reading in readings):
        return
    places = positions_of(column.which)
    for position, reading in enumerate(readings):
        said = (reading.code, field.name, reading.rule, reading.mend)
        if reading.refused:
            rows.refuse(places(position), *said)
        elif reading.code == "N-RANGE":
            unlikely += [(reading, row) for row in places(position)]
        elif reading.code:
            kind = (reading.code, reading.mend if reading.code == "N-FORMULA" else "")
            noted.setdefault(kind, []).append(position)
    _record_unlikely(rows, field, unlikely)
    for positions in noted.values():
        is_noted = np.isin(column.which, positions)
        first, n = int(np.argmax(is_noted)), int(is_noted.sum())
        reading = readings[column.which[first]]
        more = f" ({n} such cells in this column, the first here)" if n > 1 else ""
        rows.remark([first], reading.code, field.name, reading.rule + more, reading.mend)


def _record_unlikely(rows, field, unlikely):
    """Note implausible cells once for each site and season, on the one farthest off."""
    if not unlikely:
        return
    by = [name for name in SEASON if name in rows.frame]
    seasons = pd.Series(0, rows.frame.index)
    seasons = rows.frame.groupby(by, dropna=False).ngroup() if by else seasons
    lines, n_rows = rows.frame["source_line"], seasons.value_counts()
    middle = np.mean(field.plausible) if field.plausible else 0
    if field.plausible:
        unlikely.sort(key=lambda cell: -abs(cell[0].value - middle))
    for season in dict.fromkeys(seasons.iloc[[row for _, row in unlikely]]):
        own = [cell for cell in unlikely if seasons.iat[cell[1]] == season]
        reading, first = own[0]
        more = and_others([lines.iat[row] for _, row in own], n_rows[season])
        rows.remark([first], reading.code, field.name, reading.rule + more, reading.mend)


def _spare_footnotes(rows):
    """Of a row whose one filled cell was refused, such as a footnote, list that cell, not all the
    blanks.
    """
    if rows.ok.all():
        return
    filled = sum(np.array([bool(cell.strip()) for cell in text]) * 1 for text in rows.text.values())
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
