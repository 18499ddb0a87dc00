"""The data dictionary: what every table and column is, read from the Table Schema files beside it.

Each ``schemas/<table>.json`` is a Frictionless Table Schema. Beside the standard properties a field
may carry ``unit``, ``content`` (code, choice, text, or cell: a cell of another sheet), ``shape`` (the
pattern of a code in words), ``plausible`` (values outside are worth a look),
``plausibleDayOfYear``, ``requiredIf`` (needed when another column has one of these values),
``naMeans`` (NA is a value here), ``slip`` (how its unit is likely mistaken), ``measured`` (a
constant column is suspicious), ``optional`` (the column may be left out) and ``insteadOf`` (columns
that may be left out where this one is there); a table may be ``optional``, have ``uniqueSets`` beside its primary key, ``rules`` (which rows are wrong, by columns of the row,
of its plot and its ``area`` [m²], whatever else was read; an area may be 0.5 % above the plot's,
since it is typed rounded), and stand ``beside`` the data (the corrections). ``python -m
culmbook.sheets.dictionary`` prints the dictionary as a Markdown page, with a table's name that
table.
"""

import argparse
import json
import re
from dataclasses import dataclass, fields
from functools import cache
from importlib.resources import files

import pandas as pd

DTYPES = {"string": "str", "integer": "Int64", "number": "float64", "date": "datetime64[us]"}
SOURCE = {"source_file": "str", "source_line": "Int64"}  # of a row, carried by every frame


@dataclass(frozen=True)
class Field:
    """One column: its meaning and what its cells may hold (see the module's docstring)."""

    name: str
    title: str
    type: str
    description: str
    content: str = ""
    unit: str = ""
    required: bool = False
    pattern: str | None = None
    shape: str = ""  # of a code, in words
    enum: tuple = ()
    minimum: float | None = None
    exclusive_minimum: float | None = None
    maximum: float | None = None
    max_length: int | None = None
    plausible: tuple = ()
    plausible_day_of_year: tuple = ()
    required_if: tuple = ()  # pairs (column, allowed values)
    na_means: str = ""
    slip: str = ""
    measured: bool = False
    optional: bool = False
    instead_of: tuple = ()

    @property
    def dtype(self):
        """The pandas dtype of the column once read."""
        return DTYPES[self.type]

    @property
    def allowed(self):
        """What a cell may hold, in words."""
        if self.enum:
            return ", ".join(self.enum)
        low = "" if self.minimum is None else f"{self.minimum:g} or more"
        low = low if self.exclusive_minimum is None else f"more than {self.exclusive_minimum:g}"
        high = "" if self.maximum is None else f"at most {self.maximum:,.10g}"
        words = {"integer": "whole number", "number": "number", "date": "date, YYYY-MM-DD"}
        kind = words.get(self.type, self.content or "text")
        return ", ".join(part for part in (kind, low, high) if part)


@dataclass(frozen=True)
class ForeignKey:
    """Columns of one table that must be found in another."""

    fields: tuple
    table: str
    columns: tuple


@dataclass(frozen=True)
class Table:
    """One table of the dictionary: its columns, key and links to other tables."""

    name: str
    title: str
    description: str
    fields: tuple
    key: tuple
    foreign_keys: tuple = ()
    unique_sets: tuple = ()
    rules: tuple = ()  # dictionaries: column, code, wrong, rule, mend
    optional: bool = False
    beside: bool = False

    def __getitem__(self, column):
        return {field.name: field for field in self.fields}[column]

    @property
    def columns(self):
        """Names of the columns, in order."""
        return [field.name for field in self.fields]

    @property
    def has_site(self):
        """Whether every row belongs to one site."""
        return "site" in self.columns and self.name != "sites"


def _field(spec):
    """Return a column from its Table Schema field, whose properties are written in camel case."""
    given = spec | spec.get("constraints", {})
    given["requiredIf"] = [(n, tuple(words)) for n, words in spec.get("requiredIf", {}).items()]
    said = {re.sub("[A-Z]", lambda c: f"_{c[0].lower()}", name): x for name, x in given.items()}
    said = {name: tuple(x) if isinstance(x, list) else x for name, x in said.items()}
    return Field(**{f.name: said[f.name] for f in fields(Field) if f.name in said})


def _table(spec):
    links = [
        ForeignKey(
            tuple(link["fields"]), link["reference"]["resource"], tuple(link["reference"]["fields"])
        )
        for link in spec["foreignKeys"]
    ]
    own = ("name", "title", "description", "optional", "beside")
    return Table(
        **{name: spec[name] for name in own if name in spec},
        fields=tuple(map(_field, spec["fields"])),
        key=tuple(spec["primaryKey"]),
        foreign_keys=tuple(links),
        unique_sets=tuple(map(tuple, spec.get("uniqueSets", ()))),
        rules=tuple(spec.get("rules", ())),
    )


def tables():
    """Return every table of the data by name, tables that others point at first."""
    return {name: table for name, table in _all_tables().items() if not table.beside}


def corrections_table():
    """Return the table of corrections, which stands beside the data."""
    return _all_tables()["corrections"]


@cache
def _all_tables():
    specs = [
        json.loads(path.read_text(encoding="utf-8"))
        for path in files("culmbook.sheets").joinpath("schemas").iterdir()
        if path.name.endswith(".json")
    ]
    found = {spec["name"]: _table(spec) for spec in specs}
    return dict(sorted(found.items(), key=lambda item: (_depth(found, item[0]), item[0])))


def _depth(found, name):
    """Return how many links lie between a table and one that points at no other."""
    return max((1 + _depth(found, link.table) for link in found[name].foreign_keys), default=0)


def empty_table(name):
    """Return the named table without rows: every column with its dtype, and where rows come from.

    Examples
    --------
    >>> list(empty_table("weather"))[:3]
    ['site', 'date', 'air_temperature_min_c']
    """
    dtypes = {field.name: field.dtype for field in _all_tables()[name].fields} | SOURCE
    return pd.DataFrame({column: pd.Series(dtype=dtype) for column, dtype in dtypes.items()})


def column_dictionary(name):
    """Return the dictionary of one table as a frame: column, title, unit, type, allowed, meaning."""
    names = {"column": "name", "title": "title", "unit": "unit", "type": "type"}
    names |= {"allowed": "allowed", "meaning": "description"}
    fields = _all_tables()[name].fields
    return pd.DataFrame({title: [getattr(f, own) for f in fields] for title, own in names.items()})


def markdown_page(*names):
    """Return the dictionary of some tables as a Markdown page; of all, with a title, where none is
    named.
    """
    title = "# Data dictionary\n\nMade from the Table Schema files; edit those, not this page.\n"
    parts = [] if names else [title]
    for table in (_all_tables()[name] for name in names or _all_tables()):
        left_out = " The table may be left out." if table.optional else ""
        parts += [
            f"## {table.name}\n",
            f"{table.description}. Key: {', '.join(table.key)}.{left_out}\n",
            "| Column | Unit | Must be filled | Allowed | Plausible | Meaning |",
            "| --- | --- | --- | --- | --- | --- |",
            *map(_markdown_row, table.fields),
            "",
        ]
    return "\n".join(parts)


def _markdown_row(field):
    needs = ", ".join(f"{name} is {' or '.join(values)}" for name, values in field.required_if)
    needed = "yes" if field.required else f"if {needs}" if needs else ""
    needed = "column may be left out" if field.optional else needed
    plausible = "–".join(f"{x:g}" for x in field.plausible)
    plausible = plausible or " – ".join(f"day {x}" for x in field.plausible_day_of_year)
    cells = (field.name, field.unit, needed, field.allowed, plausible, field.description)
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="Print what every table and column is.")
    parser.add_argument("table", nargs="?", choices=list(_all_tables()), help="only this table")
    asked = parser.parse_args().table
    print(markdown_page(*[asked] * bool(asked)))
