"""What was wrong in the sheets: one record per fault, as a table and as a report in words."""

import re
from dataclasses import dataclass, fields, replace

import pandas as pd

from culmbook.text.numbers import fmt_list

SEVERITIES = ("error_file", "error_row", "note")
FOLLOWING = ("E-LAYOUT",)  # mostly follow from a fault of another table
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


def format_problems(frame, *, errors_only=False):
    """Return the report of all problems in words, grouped by site, file and cause.

    Parameters
    ----------
    frame : pandas.DataFrame
        As returned by :func:`problems_frame`.
    errors_only : bool
        Leave out the notes; the totals still count them.

    Returns
    -------
    str
        Files refused whole come first in their site, then files with rows refused, those that only
        lack their plots after them, files with notes last. Within a file refusals come before
        notes; of one cause the first place is shown, the others are counted. Ends with totals.
    """
    parts = []
    listed = frame[frame["severity"] != "note"] if errors_only else frame
    for site, of_site in listed.fillna({"site": ""}).groupby("site", sort=True):
        parts.append(f"Site {shown(site)}" if site else "Whole network")
        files = sorted(of_site.groupby("file"), key=lambda group: (_urgency(group[1]), group[0]))
        for file, of_file in files:
            parts.append(f"  {shown(file, 200)}")
            of_file = of_file.sort_values("code", key=lambda c: c.isin(FOLLOWING), kind="stable")
            causes = of_file.groupby(["severity", _causes(of_file)], sort=False)
            parts += [f"    {_sentence(alike)}" for _, alike in causes]
        parts.append("")
    return "\n".join([*parts, _totals(frame)])


def _causes(frame):
    """Return what is wrong in each row with what only belongs to its own cell left out."""
    causes = []
    for row in frame.drop(columns="line").fillna("").itertuples():
        cause = f"{row.code} {row.rule}"
        for own in sorted({row.value.strip(), row.column, row.plot}, key=len, reverse=True):
            cause = re.sub(rf"(?<!\w){re.escape(own)}(?!\w)", "…", cause) if own else cause
        causes.append(re.sub(rf"\d+|{'|'.join(MONTHS.split())}", "#", cause))
    return pd.Series(causes, frame.index, dtype="str")


def _urgency(of_file):
    """Return a file's place in the report: causes before their consequences, which carry
    `FOLLOWING` codes.
    """
    causes = of_file[~of_file["code"].isin(FOLLOWING)]
    ranks = {"error_file": 0, "error_row": 1, "note": 3}
    ranks = [ranks[severity] for severity in causes["severity"]]
    return min(ranks + [2] * (len(causes) < len(of_file)))


def _sentence(alike):
    """Return problems of one cause as a line: place, value, rule and mend of the first, and where
    the others stand.
    """
    row = next(alike.itertuples(index=False))
    place = [] if pd.isna(row.line) else [f"line {row.line}"]
    whose = "" if pd.isna(row.hybrid) else f" ({shown(row.hybrid)})"
    place += [] if pd.isna(row.plot) or row.column == "plot" else [f"plot {shown(row.plot)}{whose}"]
    place += [] if pd.isna(row.column) else [f"column {shown(row.column)}"]
    value = "" if pd.isna(row.value) else f" “{shown(row.value)}”:" if row.value else " blank:"
    mend = f" → {shown(row.mend, 300)}" if row.mend else ""
    head = ", ".join(place) or "file"
    word = {"error_file": "FILE REFUSED", "error_row": "row refused", "note": "note"}[row.severity]
    others = alike.iloc[1:]
    more = f" [{len(others)} more of this kind: {_others(row, others)}]" if len(others) else ""
    return f"[{row.code}] {word}, {head}:{value} {shown(row.rule, 300)}{mend}{more}"


def _others(first, others):
    """Return where further problems of one cause stand: their lines, or their columns."""
    lines = [str(line) for line in others["line"].dropna().unique() if line != first.line]
    columns = [shown(column) for column in others["column"].dropna().unique()]
    what, places = ("line", lines) if lines else ("column", columns)
    return f"{what}{'s' * (len(places) != 1)} {fmt_list(places, FEW)}"


def _totals(frame):
    n = frame["severity"].value_counts()
    n_rows = len(frame.loc[frame["severity"] == "error_row", ["file", "line"]].drop_duplicates())
    n_files, n_faults, n_notes = (int(n.get(severity, 0)) for severity in SEVERITIES)
    files = "reason to refuse a whole file" if n_files == 1 else "reasons to refuse whole files"
    faults = f"{n_faults} fault{'s' * (n_faults != 1)} in {n_rows} refused row{'s' * (n_rows != 1)}"
    return f"{n_files} {files}, {faults}, {n_notes} note{'s' * (n_notes != 1)}."
