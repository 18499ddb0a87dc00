"""How the columns of a table are headed, printed and explained.

Values stay raw beside their printed form: the page rounds, the workbook does not.
"""

import csv
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from functools import cache
from importlib.resources import files

import pandas as pd

from culmbook.text.glyphs import printable
from culmbook.text.numbers import (
    MISSING,
    fmt_count,
    fmt_date,
    fmt_interval,
    fmt_number,
    is_missing,
    percent,
)

KINDS = ("text", "count", "number", "share", "date", "p", "interval", "share_interval")


@dataclass(frozen=True)
class Column:
    """How one column is headed and printed, and what it means.

    Parameters
    ----------
    heading : str
        Heading on the page.
    unit : str
        Unit, printed beside the heading; "%" is set by itself for shares.
    digits : int, optional
        Decimals. Left out: three significant digits of the column's largest value, whole percents.
    kind : {"text", "count", "number", "share", "date", "p", "interval", "share_interval"}
        A share is 0–1 in the frame and percent on the page; a p value is never printed as zero. A
        cell of an interval is a pair ``(low, high)``, or the pair comes from the two columns named
        in `ends`.
    meaning : str
        One sentence for the workbook's dictionary sheet.
    ends : tuple of str, optional
        The frame's columns with the interval's ends.
    """

    heading: str
    unit: str = ""
    digits: int | None = None
    kind: str = "text"
    meaning: str = ""
    ends: tuple[str, str] | None = None

    def __post_init__(self):
        if self.kind not in KINDS:
            raise ValueError(
                f"column {self.heading!r}: kind {self.kind!r} is none of {', '.join(KINDS)}"
            )
        if not self.heading.strip():
            raise ValueError("a column needs a heading: a blank one cannot be read out")
        if self.ends and "interval" not in self.kind:
            raise ValueError(f"column {self.heading!r}: `ends` belongs to the kinds of intervals")

    @property
    def shown_unit(self) -> str:
        return self.unit or ("%" if self.kind in ("share", "share_interval") else "")


@cache
def _catalogue() -> dict[str, Column]:
    """Columns that tables share, from ``columns.csv``: one row each, blank cells for what is left
    out.
    """
    rows = csv.DictReader(files("culmbook.show").joinpath("columns.csv").open(encoding="utf-8"))
    found = {}
    for row in rows:
        ends = (row["lower"], row["upper"]) if row["lower"] else None
        digits = int(row["digits"]) if row["digits"] else None
        kind = row["kind"] or "text"
        found[row["name"]] = Column(row["heading"], row["unit"], digits, kind, row["meaning"], ends)
    return found


def columns(names: str, level: float = 0.95, **own: Column) -> dict[str, Column]:
    """Give the columns of a table by their names in the catalogue.

    Parameters
    ----------
    names : str
        Names with blanks between, in the order of the table: "hybrid n_plots share interval".
        ``frame_name:name`` takes another column of the frame under the heading of ``name``.
    level : float
        Confidence, for the headings of intervals.
    **own : Column
        Columns of this table alone, or instead of the catalogue's.

    Returns
    -------
    dict of str to Column

    Raises
    ------
    ValueError
        For a name that neither the catalogue nor `own` holds.

    Examples
    --------
    >>> [column.heading for column in columns("hybrid n_plots interval").values()]
    ['Hybrid', 'Plots', '95 % interval']
    """
    known, found = _catalogue() | own, {}
    for name in names.split():
        name, _, listed = name.partition(":")
        if (listed or name) not in known:
            raise ValueError(
                f"column {listed or name!r} is not in the catalogue (show/columns.csv); "
                "add it there, or give a Column of this table's own"
            )
        column = known[listed or name]
        heading = column.heading.replace("{level}", f"{round(100 * level)} %")
        found[name] = replace(column, heading=heading)
    return found


def _raw(value: object) -> object:
    """Give a cell as JSON can hold it, without losing its type."""
    if isinstance(value, (tuple, list)):
        return [_raw(item) for item in value]
    if is_missing(value):
        return None
    if isinstance(value, (bool, str)):
        return value
    if hasattr(value, "isoformat"):
        return fmt_date(value)
    number = value.item() if hasattr(value, "item") else value
    if isinstance(number, float) and math.isinf(number):
        return "inf" if number > 0 else "-inf"
    return number if isinstance(number, (bool, int, float)) else str(number)


def _sizes(values: Sequence) -> list[float]:
    flat = [
        end for value in values for end in (value if isinstance(value, (tuple, list)) else [value])
    ]
    return [
        abs(float(end))
        for end in flat
        if not is_missing(end) and math.isfinite(float(end)) and end != 0
    ]


def _digits(column: Column, values: Sequence) -> int:
    if column.digits is not None:
        return column.digits
    if column.kind in ("share", "share_interval"):
        return 0
    sizes = _sizes(values) if column.kind in ("number", "interval") else []
    return min(4, max(0, 2 - math.floor(math.log10(max(sizes))))) if sizes else 0


def _shown(value: object, kind: str, digits: int) -> str:
    if is_missing(value):
        return MISSING
    if kind in ("interval", "share_interval"):
        if not isinstance(value, (tuple, list)) or len(value) != 2:
            raise ValueError(
                f"{value!r} is no interval: give (low, high) or name two columns in `ends`"
            )
        text = fmt_interval(*value, digits, share=kind == "share_interval")
        return text.removesuffix(" %")
    form = {
        "count": fmt_count,
        "date": fmt_date,
        "number": lambda v: fmt_number(v, digits),
        "share": lambda v: percent(v, digits),
        "text": lambda v: printable(str(v)),
        "p": lambda v: "<0.001" if v < 0.001 else fmt_number(v, 3),
    }
    return form[kind](value)


def _cells(frame: pd.DataFrame, name: str, column: Column) -> list:
    wanted = column.ends or (name,)
    absent = [w for w in wanted if w not in frame.columns]
    if absent:
        raise ValueError(
            f"column {absent[0]!r} is not in the frame, which has: "
            f"{', '.join(map(str, frame.columns))}"
        )
    if column.ends:
        return list(zip(frame[column.ends[0]], frame[column.ends[1]], strict=True))
    return list(frame[name])


def table_content(frame: pd.DataFrame, columns: Mapping[str, Column]) -> dict:
    """Give columns, printed strings and raw values of a frame."""
    heads, shown, raw = [], [], []
    for name, column in columns.items():
        values = _cells(frame, name, column)
        digits = _digits(column, values)
        heads.append(
            {"name": str(name), **asdict(column), "unit": column.shown_unit, "digits": digits}
        )
        shown.append([_shown(value, column.kind, digits) for value in values])
        raw.append([_raw(value) for value in values])
    return {
        "columns": heads,
        "rows": [list(row) for row in zip(*shown, strict=True)],
        "values": [list(row) for row in zip(*raw, strict=True)],
    }


def plain_columns(frame: pd.DataFrame) -> dict[str, Column]:
    """Give every column its own name as heading, and the kind that its dtype says."""

    def kind(values):
        if pd.api.types.is_datetime64_any_dtype(values):
            return "date"
        if pd.api.types.is_bool_dtype(values) or not pd.api.types.is_numeric_dtype(values):
            return "text"
        return "count" if pd.api.types.is_integer_dtype(values) else "number"

    return {name: Column(str(name), kind=kind(frame[name])) for name in frame.columns}
