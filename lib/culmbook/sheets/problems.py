"""What was wrong in the sheets: one record per fault, as a table and as a report in words."""

from dataclasses import dataclass, fields, replace

import pandas as pd

from culmbook.text.numbers import fmt_list

SEVERITIES = ("error_file", "error_row", "note")
FOLLOWING = ("E-LAYOUT",)  # mostly follow from a fault of another table
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
    table, site : str or None
        Table of the dictionary and site the row belongs to, where known.

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
        Columns code, severity, file, line (Int64), column, value, rule, mend, table, site; text
        columns are ``str`` with missing values where a field does not apply.
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
    """Return the report of all problems in words, grouped by site and file.

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
        notes. Ends with a line of totals.
    """
    parts = []
    listed = frame[frame["severity"] != "note"] if errors_only else frame
    for site, of_site in listed.fillna({"site": ""}).groupby("site", sort=True):
        parts.append(f"Site {shown(site)}" if site else "Whole network")
        files = sorted(of_site.groupby("file"), key=lambda group: (_urgency(group[1]), group[0]))
        for file, of_file in files:
            parts.append(f"  {shown(file, 200)}")
            parts += [f"    {_sentence(row)}" for row in of_file.itertuples(index=False)]
        parts.append("")
    return "\n".join([*parts, _totals(frame)])


def _urgency(of_file):
    """Return a file's place in the report: causes before their consequences, which carry
    `FOLLOWING` codes.
    """
    causes = of_file[~of_file["code"].isin(FOLLOWING)]
    ranks = {"error_file": 0, "error_row": 1, "note": 3}
    ranks = [ranks[severity] for severity in causes["severity"]]
    return min(ranks + [2] * (len(causes) < len(of_file)))


def _sentence(row):
    """Return one problem as a line: place, value, rule, mend, code."""
    place = [] if pd.isna(row.line) else [f"line {row.line}"]
    place += [] if pd.isna(row.column) else [f"column {shown(row.column)}"]
    value = "" if pd.isna(row.value) else f" “{shown(row.value)}”:" if row.value else " blank:"
    mend = f" → {shown(row.mend, 300)}" if row.mend else ""
    head = ", ".join(place) or "file"
    word = {"error_file": "FILE REFUSED", "error_row": "row refused", "note": "note"}[row.severity]
    return f"[{row.code}] {word}, {head}:{value} {shown(row.rule, 300)}{mend}"


def _totals(frame):
    n = frame["severity"].value_counts()
    n_rows = len(frame.loc[frame["severity"] == "error_row", ["file", "line"]].drop_duplicates())
    n_files, n_faults, n_notes = (int(n.get(severity, 0)) for severity in SEVERITIES)
    files = "reason to refuse a whole file" if n_files == 1 else "reasons to refuse whole files"
    faults = f"{n_faults} fault{'s' * (n_faults != 1)} in {n_rows} refused row{'s' * (n_rows != 1)}"
    return f"{n_files} {files}, {faults}, {n_notes} note{'s' * (n_notes != 1)}."
