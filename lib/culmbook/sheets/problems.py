"""What was wrong in the sheets: one record per fault, as a table and as a report in words."""

import re
from dataclasses import dataclass, fields, replace

import pandas as pd

from culmbook.text.numbers import fmt_list

SEVERITIES = ("error_file", "error_row", "note")
MONTHS = "January February March April May June July August September October November December"
FEW = 6  # lines listed of rows that share a fault
SHOWN_VALUE = 60  # longest piece of a cell that is quoted in a message


@dataclass(frozen=True)
class Problem:
    """One fault or note about one place in one file.

    Parameters
    ----------
    code : str
        Kind of fault: ``E-…`` for a refusal, ``N-…`` for an accepted, stated repair or remark.
    severity : {"error_file", "error_row", "note"}
        Whether the whole file, one row, or nothing was refused.
    file : str
        Path relative to the network folder, with ``/`` between its parts.
    line : int or None
        Physical 1-based line (CSV) or sheet row (XLSX); None when the whole file is meant.
    column : str or None
        Column name of the table, or the header as typed when it is no such column.
    value : str or None
        The cell as it stands.
    rule, mend : str
        What is expected, and what would put it right.
    table, site, plot, hybrid : str or None
        Table of the dictionary, and site, plot and hybrid the row belongs to, where known.

    Raises
    ------
    ValueError
        If the severity is unknown or does not suit the code.
    """

    code: str
    severity: str
    file: str
    line: int | None = None
    column: str | None = None
    value: str | None = None
    rule: str = ""
    mend: str = ""
    table: str | None = None
    site: str | None = None
    plot: str | None = None
    hybrid: str | None = None

    def __post_init__(self):
        is_note = self.code.startswith("N-")
        if self.severity not in SEVERITIES or is_note != (self.severity == "note"):
            raise ValueError(
                f"problem {self.code!r} cannot have severity {self.severity!r}; "
                "E- codes take error_file or error_row, N- codes take note"
            )


COLUMNS = [f.name for f in fields(Problem)]


def refuse_file(code, file, rule, mend="", **place):
    """Return the problem that refuses a whole file; `place` names line, column, value, table or
    site.
    """
    return Problem(code, "error_file", file, rule=rule, mend=mend, **place)


def refuse_row(code, file, line, column, value, rule, mend="", **place):
    """Return the problem that refuses one row of a file."""
    return Problem(code, "error_row", file, line, column, value, rule, mend, **place)


def note(code, file, rule, mend="", **place):
    """Return a note: something was accepted and is stated, or is worth a look."""
    return Problem(code, "note", file, rule=rule, mend=mend, **place)


def and_others(lines, n):
    """Return how many rows a note is about and where the others stand; the note shows the first.

    Examples
    --------
    >>> and_others([7, 4, 9], 40), and_others([7], 40)
    (' (3 of 40 rows of the season, this the farthest off; also lines 4 and 9)', '')
    """
    others = sorted(set(lines[1:]))
    if not others:
        return ""
    listed = f"line{'s' * (len(others) > 1)} {fmt_list(others, FEW)}"
    return f" ({len(lines)} of {n} rows of the season, this the farthest off; also {listed})"


def placed(problem, table=None, site=None):
    """Return `problem` with its table and site filled in where they were not known."""
    return replace(problem, table=problem.table or table, site=problem.site or site)


def problems_frame(problems):
    """Return one row per problem, sorted by site, file, line and column, without repeats.

    Parameters
    ----------
    problems : iterable of Problem

    Returns
    -------
    pandas.DataFrame
        Columns code, severity, file, line (Int64), column, value, rule, mend, table, site, plot,
        hybrid; text columns are ``str`` with missing values where a field does not apply.
    """
    frame = pd.DataFrame([vars(p) for p in dict.fromkeys(problems)], columns=COLUMNS)
    text = {name: "str" for name in COLUMNS if name != "line"}
    frame = frame.astype({**text, "line": "Int64"})
    rank = frame["severity"].map({name: i for i, name in enumerate(SEVERITIES)}).astype("int64")
    order = ["site", "file", "_rank", "line", "column", "code"]
    frame = frame.assign(_rank=rank).sort_values(order, kind="stable", na_position="first")
    return frame.drop(columns="_rank").reset_index(drop=True)


def shown(value, longest=SHOWN_VALUE):
    """Return a cell's text fit for a message: cut when long, control and format characters spelt
    out.

    Examples
    --------
    >>> shown("P\\u200b1")
    'P[U+200B]1'
    """
    value = str(value)
    cut = value[:longest] + (f"… ({len(value)} characters)" if len(value) > longest else "")
    return "".join(c if c.isprintable() else f"[U+{ord(c):04X}]" for c in cut)


def by_cause(frame):
    """Return the first problem of each cause in a file; its rule counts the others and says where.

    Parameters
    ----------
    frame : pandas.DataFrame
        As returned by :func:`problems_frame`.
    """
    causes, kept = [], []
    words = (
        frame.reindex(columns=["code", "value", "column", "plot", "rule"]).astype(object).fillna("")
    )
    for code, value, column, plot, cause in words.itertuples(index=False):
        for own in sorted(filter(None, {value.strip(), column, plot}), key=len, reverse=True):
            cause = re.sub(rf"(?<!\w){re.escape(own)}(?!\w)", "#", cause)
        causes.append(code + re.sub(rf"\d+|{MONTHS.replace(' ', '|')}", "#", cause))
    by = ["file", "severity", pd.Series(causes, frame.index, dtype="str")]
    for _, alike in frame.groupby(by, sort=False):
        first, others = alike.iloc[0].copy(), alike.iloc[1:]
        lines = others["line"][others["line"] != first["line"]].dropna()
        what, places = ("line", lines) if len(lines) else ("column", others["column"].dropna())
        places = [shown(place) for place in dict.fromkeys(places)]
        if len(others):
            where = f"{what}{'s' * (len(places) != 1)} {fmt_list(places, FEW)}"
            first["rule"] += f" [{len(others)} more of this kind: {where}]"
        kept.append(first)
    return pd.DataFrame(kept, columns=frame.columns).astype(frame.dtypes)
