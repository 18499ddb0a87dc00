"""The data dictionary: what every table and column is, read from the Table Schema files beside it.

Each ``schemas/<table>.json`` is a Frictionless Table Schema. Beside the standard properties a field may
carry ``unit``, ``content`` (code, choice, text, or cell: a cell of another sheet), ``plausible`` (values
outside are worth a look),
``plausibleDayOfYear``, ``requiredIf`` (needed when another column has one of these values), ``naMeans``
(NA is a value here), ``measured`` (a constant column is suspicious) and ``optional`` (the column may be
left out); a table may be ``optional``, have ``uniqueSets`` beside its primary key, and stand ``beside``
the data (the corrections).
``python -m culmbook.sheets.dictionary`` prints the dictionary as a Markdown page.
"""

import json
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import pandas as pd

DTYPES = {"string": "str", "integer": "Int64", "number": "float64", "date": "datetime64[us]"}
SOURCE = {
    "source_file": "str",
    "source_line": "Int64",
}  # where a row was read, carried by every frame


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
    enum: tuple = ()
    minimum: float | None = None
    exclusive_minimum: float | None = None
    maximum: float | None = None
    max_length: int | None = None
    plausible: tuple = ()
    plausible_days: tuple = ()
    required_if: tuple = ()  # pairs (column, allowed values)
    na_means: str = ""
    measured: bool = False
    optional: bool = False

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
        high = "" if self.maximum is None else f"at most {self.maximum:g}"
        words = {"integer": "whole number", "number": "number", "date": "date, YYYY-MM-DD"}
        return ", ".join(
            part for part in (words.get(self.type, self.content or "text"), low, high) if part
        )


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
    missing_values: tuple = ("",)
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
    limits = spec.get("constraints", {})
    needs = tuple((name, tuple(values)) for name, values in spec.get("requiredIf", {}).items())
    return Field(
        spec["name"],
        spec["title"],
        spec["type"],
        spec["description"],
        spec.get("content", ""),
        spec.get("unit", ""),
        limits.get("required", False),
        limits.get("pattern"),
        tuple(limits.get("enum", ())),
        limits.get("minimum"),
        limits.get("exclusiveMinimum"),
        limits.get("maximum"),
        limits.get("maxLength"),
        tuple(spec.get("plausible", ())),
        tuple(spec.get("plausibleDayOfYear", ())),
        needs,
        spec.get("naMeans", ""),
        spec.get("measured", False),
        spec.get("optional", False),
    )


def _table(spec):
    links = tuple(
        ForeignKey(
            tuple(link["fields"]), link["reference"]["resource"], tuple(link["reference"]["fields"])
        )
        for link in spec["foreignKeys"]
    )
    return Table(
        spec["name"],
        spec["title"],
        spec["description"],
        tuple(map(_field, spec["fields"])),
        tuple(spec["primaryKey"]),
        links,
        tuple(map(tuple, spec.get("uniqueSets", ()))),
        tuple(spec["missingValues"]),
        spec.get("optional", False),
        spec.get("beside", False),
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
    rows = [
        {
            "column": f.name,
            "title": f.title,
            "unit": f.unit,
            "type": f.type,
            "allowed": f.allowed,
            "meaning": f.description,
        }
        for f in _all_tables()[name].fields
    ]
    return pd.DataFrame(rows)


def markdown_page():
    """Return the whole dictionary as a Markdown page."""
    parts = [
        "# Data dictionary",
        "",
        "Made from the Table Schema files; edit those, not this page.",
        "",
    ]
    for table in _all_tables().values():
        parts += [
            f"## {table.name}",
            "",
            f"{table.description}. Key: {', '.join(table.key)}."
            + (" The table may be left out." if table.optional else ""),
            "",
            "| Column | Unit | Must be filled | Allowed | Plausible | Meaning |",
            "| --- | --- | --- | --- | --- | --- |",
            *map(_markdown_row, table.fields),
            "",
        ]
    return "\n".join(parts)


def _markdown_row(field):
    needed = (
        "yes"
        if field.required
        else "if "
        + ", ".join(f"{name} is {' or '.join(values)}" for name, values in field.required_if)
        if field.required_if
        else ""
    )
    needed = "column may be left out" if field.optional else needed
    plausible = "–".join(f"{x:g}" for x in field.plausible)
    plausible = plausible or " – ".join(f"day {x}" for x in field.plausible_days)
    cells = (field.name, field.unit, needed, field.allowed, plausible, field.description)
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"


if __name__ == "__main__":
    print(markdown_page())
