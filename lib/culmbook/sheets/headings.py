"""Sheets with headings of their own: what ``headings.toml`` says of them, taken at its word.

A section belongs to one file (``["S01/harvests.csv"]``) or to every file of a table
(``[harvests]``)::

    dates = "dmy"                        # of every file: dmy, mdy or ymd
    constants = {status = "ok"}          # of every file that lacks the column

    [harvests]
    "Plot no." = "plot"
    "Yield" = {column = "fresh_mass_kg", unit = "g"}
    "Notes" = ""                         # is not read
    values.status = {fine = "ok"}

    [stand_counts]                       # a wide sheet: a column for each date
    "3 Oct" = {column = "plants_alive", counted_on = "2024-10-03", occasion = "autumn"}

Headings with the same further columns (here `counted_on`, `occasion`) become one row.
"""

import re
import tomllib
from dataclasses import dataclass, field, replace
from functools import cache
from importlib.resources import files

from culmbook.sheets.dictionary import tables
from culmbook.sheets.grid import WALK, plain_header
from culmbook.sheets.problems import note, refuse_file
from culmbook.sheets.settings import Faults, read_toml
from culmbook.sheets.values import did_you_mean, odd_spaces

FILE, CODE = "headings.toml", "N-HEADINGS"
ORDERS = {"dmy": "d/m/y", "mdy": "m/d/y", "ymd": "y/m/d"}
GENERAL = ("dates", "constants")


@dataclass(frozen=True)
class Heading:
    """What one heading stands for: a column (none: not read), its unit, and columns of its row."""

    text: str
    column: str = ""
    unit: str = ""
    row: tuple = ()  # pairs of column and text


@dataclass(frozen=True)
class Headings:
    """What ``headings.toml`` says of one file.

    Attributes
    ----------
    named : dict of str to Heading
        By the heading in the form of :func:`culmbook.sheets.grid.plain_header`.
    values : dict of str to dict
        Words of the sheet by column, case-folded, and the words that they stand for.
    constants : dict of str to str
        Column and what every row of the file has in it.
    order : str
        Order of year-last dates; empty when the file itself must settle it.
    """

    named: dict = field(default_factory=dict)
    values: dict = field(default_factory=dict)
    constants: dict = field(default_factory=dict)
    order: str = ""

    def column(self, text):
        """Return the column that a heading stands for; blank for one that is not read."""
        name = plain_header(text)
        return self.named[name].column if name in self.named else name

    def units(self):
        """Return the stated unit of each column."""
        return {own.column: own.unit for own in self.named.values() if own.unit}


@cache
def vocabulary():
    """Return the words in which people write headings, values and units: ``words.toml``."""
    return tomllib.loads(files("culmbook.sheets").joinpath("words.toml").read_text("utf-8"))


def conversion(unit, to):
    """Return (factor, offset) from one unit to another, or None when there is none.

    Examples
    --------
    >>> conversion("in", "cm"), conversion("t/ha", "kg")
    ((2.54, 0.0), None)
    """
    for scale in vocabulary()["units"].values():
        if unit in scale and to in scale:
            (a, b), (c, d) = scale[unit], scale[to]
            return a / c, (b - d) / c
    return None


def unit_in(text):
    """Return the unit that stands in brackets or at the end of a heading; blank when none does.

    Examples
    --------
    >>> unit_in("Height (in)"), unit_in("Yield kg/plot"), unit_in("Block")
    ('in', 'kg', '')
    """
    found = re.search(r"[\[(]\s*([^\])]+?)\s*[\])]\s*$", text) or re.search(r"[\s_](\S+)\s*$", text)
    unit = re.sub(r"\s*(/|per)\s*(plot|plant|Parzelle|Pflanze)$", "", found[1]) if found else ""
    unit = vocabulary()["same_unit"].get(unit, unit)
    return unit if any(unit in scale for scale in vocabulary()["units"].values()) else ""


class AllHeadings:
    """The whole of ``headings.toml``, and what is wrong in it.

    Parameters
    ----------
    folder : pathlib.Path
        The network folder.
    """

    def __init__(self, folder):
        text, given, self.problems = read_toml(folder / FILE)
        self.faults, self.sections, self.used = Faults(text, FILE, self.problems), {}, set()
        self.order = self._order(given, "")
        self.constants = dict(self._pairs(given, "constants", ""))
        for column in self.constants:
            if not any(column in table.columns for table in tables().values()):
                self.faults.tell(f"{column} is no column of any table", "", "", "constants", column)
        for name, value in given.items():
            table = tables().get(name.split("/")[-1].split(".")[0])
            if name in GENERAL:
                continue
            if not isinstance(value, dict):
                self.faults.tell(f"{name} is a section", f"write [{name}]", "", name, value)
            elif table:
                self.sections[name] = self._section(name, value, table)
            else:
                mend = did_you_mean(name, list(tables()))
                self.faults.tell(f"{name} is no table and no file of one", mend, "", name)

    def of(self, file, table, site=""):
        """Return what is said of one file: its path within the network folder, and its folder's
        site.
        """
        names = (file, file.rsplit(".", 1)[0], table.name)
        name = next((name for name in names if name in self.sections), "")
        self.used.add(name)
        own = self.sections[name] if name else self._section("", {}, table)
        of_folder = {"site": site} if site and table.has_site else {}
        return replace(own, constants=of_folder | own.constants)

    def unused(self):
        """Return a note for each section whose file is not there."""
        rule, mend = "no file of the network is meant", "name the table, or the file's path"
        left = [name for name in self.sections if name not in self.used]
        return [note(CODE, FILE, rule, mend, column=name, table="headings") for name in left]

    def _section(self, name, given, table):
        """Return what a section says of a table; its faults are told."""
        prefix, values = f"{name}.", {}
        named, units = {}, {}
        for text, said in given.items():
            if text not in (*GENERAL, "values"):
                if other := named.get(plain_header(text)):
                    rule = f"the heading “{other.text}” reads the same"
                    self.faults.tell(rule, "keep one of them", prefix, text, said)
                named[plain_header(text)] = own = self._heading(text, said, table, prefix)
                units.setdefault(own.column, own.unit)
                if own.column and own.unit != units[own.column]:
                    rule = f"another heading gives {own.column} in another unit"
                    self.faults.tell(rule, "use one unit", prefix, text, own.unit)
        for column, words in self._pairs(given, "values", prefix):
            choices = table[column].enum if self._is_column(column, table, prefix, "values") else ()
            words = dict(self._pairs({column: words}, column, f"{prefix}values."))
            for typed, word in words.items():
                if choices and word not in choices:
                    rule = f"{word} is no value of {column}"
                    self.faults.tell(rule, did_you_mean(str(word), choices), prefix, "values", word)
            if len({str(typed).casefold() for typed in words}) < len(words):
                rule = f"two words of {column} read the same"
                self.faults.tell(rule, "keep one of them", prefix, "values", words)
            values[column] = {str(typed).casefold(): str(word) for typed, word in words.items()}
        constants = {c: value for c, value in self.constants.items() if c in table.columns}
        for column, value in self._pairs(given, "constants", prefix):
            if self._is_column(column, table, prefix, "constants"):
                constants[column] = value
        constants = {column: str(value) for column, value in constants.items()}
        order = self._order(given, prefix) or self.order
        return Headings(named, values, constants, order)

    def _pairs(self, given, name, prefix):
        pairs = given.get(name, {})
        if isinstance(pairs, dict):
            return pairs.items()
        self.faults.tell("name = value pairs are expected", "", prefix, name, pairs)
        return ()

    def _order(self, given, prefix):
        said = given.get("dates", "")
        if said and said not in list(ORDERS):
            mend = 'write "dmy", "mdy" or "ymd"'
            self.faults.tell("no order of day, month and year", mend, prefix, "dates", said)
        return ORDERS.get(said, "") if isinstance(said, str) else ""

    def _is_column(self, column, table, prefix, key):
        if column in table.columns:
            return True
        rule, mend = f"{column} is no column of {table.name}", did_you_mean(column, table.columns)
        self.faults.tell(rule, mend, prefix, key, column)
        return False

    def _heading(self, text, said, table, prefix):
        said = {"column": said} if isinstance(said, str) else said
        if not isinstance(said, dict) or not isinstance(said.get("column"), str):
            mend = f'write "{text}" = "column", or {{column = "column", unit = "unit"}}'
            self.faults.tell("no column is named", mend, prefix, text, said)
            return Heading(text)
        column, unit = said["column"], str(said.get("unit", ""))
        row = tuple((name, str(said[name])) for name in said if name not in ("column", "unit"))
        checked = (self._is_column(name, table, prefix, text) for name in [column, *dict(row)])
        if not column or not all(checked):
            return Heading(text)
        written, to = unit_in(text), table[column].unit
        if unit and not conversion(unit, to):
            rule = f"{unit} cannot be turned into {to or 'the text of ' + column}"
            self.faults.tell(rule, "see the units in the data dictionary", prefix, text, unit)
            unit = ""
        elif conversion(written, to) and conversion(written, unit or to) != (1, 0):
            rule = f"the heading names {written}, but {f'{unit} is stated' if unit else f'{column} is in {to}'}"
            mend = f'state it: {{column = "{column}", unit = "{written}"}}'
            self.faults.tell(rule, mend, prefix, text, written)
        return Heading(text, column, unit, row)


def unfolded(raw, own):
    """Return a wide sheet with a row for each set of further columns that its headings name.

    Cells of headings that name the same ones come into one row; a row without any is left out.
    """
    heads = [own.named.get(plain_header(text)) for text in raw.header]
    wide, columns, problems = {}, {}, []
    fixed = [j for j, head in enumerate(heads) if not (head and head.row)]
    for j, head in enumerate(heads):
        if head and head.row:
            places = wide.setdefault(head.row, {})
            if head.column in places:
                rule = f"another heading gives {head.column} of the same row"
                place = {"line": raw.header_line, "column": head.text}
                problems.append(refuse_file("E-DUPHEADER", raw.file, rule, "keep one", **place))
            places[head.column] = j
            columns |= {head.column: 0} | dict.fromkeys(dict(head.row), 0)
    if not wide:
        return raw
    header = [raw.header[j] for j in fixed] + list(columns)
    long = replace(raw, header=header, lines=[], rows=[], kinds={}, columns=[])
    for i, row in enumerate(raw.rows):
        for said, places in wide.items():
            if any(row[j].strip() for j in places.values()):
                at, said = [*fixed, *map(places.get, columns)], dict(said)
                kinds = {(len(long.rows), k): raw.kinds.get((i, j)) for k, j in enumerate(at)}
                long.kinds |= {place: kind for place, kind in kinds.items() if kind}
                cells = zip(header, at)
                long.rows.append([said.get(name, "") if j is None else row[j] for name, j in cells])
                long.lines.append(raw.lines[i])
    long.n_rows = raw.n_rows - len(raw.rows) + len(long.rows)
    rule = f"a wide sheet: {len(raw.rows)} rows unfolded into {len(long.rows)}, as {FILE} says"
    long.problems = [*raw.problems, *problems, note(CODE, raw.file, rule, line=raw.header_line)]
    return long


def mapping_notes(raw, table, own):
    """Return a note for each heading and constant: what was mapped, converted, filled in."""
    names = {own.column(text) for text in raw.header}
    there, said, found = {plain_header(text) for text in raw.header}, [], []
    for plain, head in own.named.items():
        rule = f"read as {head.column}" if head.column else f"not read, as {FILE} says"
        if head.row:
            rule += " where " + ", ".join(map(" is ".join, head.row))
        if plain not in there:
            rule = f"named in {FILE}, but no heading of this file"
        if head.unit:
            rule += f", converted from {head.unit} to {table[head.column].unit}"
        if words := own.values.get(head.column):
            rule += "; words: " + ", ".join(map(" = ".join, words.items()))
        said.append((head.column or None, head.text, rule))
    for column, value in own.constants.items():
        if column not in names:
            said.append((column, value, "in every row: the file has no such column"))
        elif column != "site":
            said.append((column, value, "not used: the file has this column"))
    for column, value, rule in said:
        place = {"line": raw.header_line, "column": column, "value": value, "table": table.name}
        found.append(note(CODE, raw.file, rule, **place))
    return found


# ---------------------------------------------------------------- a sheet's header


def match_header(raw, table, own):
    """Return where each column of the table stands in a sheet, and what was wrong with the header.

    Parameters
    ----------
    raw : RawTable
    table : culmbook.sheets.dictionary.Table
    own : Headings
        Headings of the sheet's own, and columns that it need not have.

    Returns
    -------
    places : dict of str to int
        Column name to position in the sheet.
    problems : list of Problem
        A refusal of the file (``E-HEADER``, ``E-DUPHEADER``) or notes (``N-HEADER``).
    """
    names = [own.column(text) for text in raw.header]
    if not set(names) & set(table.columns):
        rule = f"no header line with columns {', '.join(table.columns[:4])} …"
        mend = "put the column names in the first line"
        return {}, [_refusal(raw, table, "E-HEADER", None, rule, mend)]
    problems = []
    for name in dict.fromkeys(name for name in names if name and names.count(name) > 1):
        typed = " and ".join(f"“{text.strip()}”" for text, n in zip(raw.header, names) if n == name)
        rule = f"column {name} stands twice ({typed})"
        problems.append(_refusal(raw, table, "E-DUPHEADER", name, rule, "keep one", name))
    there = {*names, *own.constants, *replaced(table, names)}
    absent = [field for field in table.fields if field.name not in there]
    for column in absent:
        if not column.optional:
            mend = f"add the column {column.name}"
            mend += "; its cells may stay blank" * (not column.required)
            if column.enum or column.name == "site":
                value = column.enum[0] if column.enum else "code"
                mend += f", or state it in headings.toml under [{table.name}]: "
                mend += f'constants = {{{column.name} = "{value}"}}'
            rule = f"column {column.name} is missing"
            problems.append(_refusal(raw, table, "E-HEADER", column.name, rule, mend))
    problems += _unknown(raw, table, own, names, is_complete=not problems)
    once = {name for name in table.columns if names.count(name) == 1}
    places = {name: i for i, name in enumerate(names) if name in once}
    if not any(problem.severity == "error_file" for problem in problems):
        problems += _notes(raw, table, own, names, absent)
    return places, problems


def replaced(table, names):
    """Return the columns in whose place others stand."""
    return {old for field in table.fields if field.name in names for old in field.instead_of}


def _refusal(raw, table, code, column, rule, mend, value=None):
    place = {"line": raw.header_line, "column": column, "value": value, "table": table.name}
    return refuse_file(code, raw.file, rule, mend, **place)


def _note(raw, table, rule, mend, **place):
    return note("N-HEADER", raw.file, rule, mend, line=raw.header_line, table=table.name, **place)


def _unknown(raw, table, own, names, is_complete):
    """Return a refusal or note for each header that names no column of the table.

    A column of the sheet's own is only noted, as long as nothing is missing and its name is unlike
    that of any column that the sheet lacks; those that our own sheets carry for the walk are passed
    over.
    """
    free = [name for name in table.columns if name not in names]
    found = []
    for text, name in zip(raw.header, names):
        if name in table.columns or plain_header(text) in own.named:
            continue
        mend = did_you_mean(name, free) if name else ""
        is_misspelt = mend.startswith("did you mean")
        mend = (
            mend if is_misspelt else f"if it is one, say so in headings.toml: {text.strip()!r} = …"
        )
        rule = f"{text.strip()} is no column of {table.name}"
        if name in WALK and "plot" in table.columns and not is_misspelt:
            continue
        if is_complete and name and not is_misspelt:
            found.append(_note(raw, table, rule + " and was not read", "", column=text.strip()))
            continue
        if not name:
            rule = "a column has no name"
            mend = f"type its name; not found: {', '.join(free) or 'none'}"
        odd = ", ".join(f"U+{ord(c):04X}" for c in text if ord(c) > 127)
        rule += f" ({odd} inside)" if odd else ""
        found.append(_refusal(raw, table, "E-HEADER", text.strip() or None, rule, mend, text))
    return found


def _notes(raw, table, own, names, absent):
    found = []
    for text, name in zip(raw.header, names):
        is_own = plain_header(text) in own.named
        if name in table.columns and text.strip(" ") != name and not is_own:
            spaces = odd_spaces(text)
            rule = f"{text.strip()} read as {name}" + (f"; {spaces} removed" if spaces else "")
            found.append(_note(raw, table, rule, f"write {name}", column=name, value=text))
    if absent := [field.name for field in absent if not field.instead_of]:
        rule = f"optional columns not there: {', '.join(absent)}"
        found.append(_note(raw, table, rule, "add them if they were observed"))
    return found
