"""What was wrong in the sheets: one record per fault, as a table and as a report in words."""

from dataclasses import dataclass, fields, replace

import pandas as pd

SEVERITIES = ("error_file", "error_row", "note")
FOLLOWING = ("E-LAYOUT",)  # mostly follow from a fault of another table
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
    line: int | None
    column: str | None
    value: str | None
    rule: str
    mend: str = ""
    table: str | None = None
    site: str | None = None

    def __post_init__(self):
        if self.severity not in SEVERITIES or self.code.startswith("N-") != (
            self.severity == "note"
        ):
            raise ValueError(
                f"problem {self.code!r} cannot have severity {self.severity!r}; "
                f"E- codes take error_file or error_row, N- codes take note"
            )


COLUMNS = [f.name for f in fields(Problem)]


def refuse_file(code, file, rule, mend="", **place):
    """Return the problem that refuses a whole file."""
    return _problem(code, "error_file", file, rule, mend, **place)


def refuse_row(code, file, line, column, value, rule, mend="", **place):
    """Return the problem that refuses one row of a file."""
    return _problem(
        code, "error_row", file, rule, mend, line=line, column=column, value=value, **place
    )


def note(code, file, rule, mend="", **place):
    """Return a note: something was accepted and is stated, or is worth a look."""
    return _problem(code, "note", file, rule, mend, **place)


def _problem(
    code, severity, file, rule, mend, line=None, column=None, value=None, table=None, site=None
):
    return Problem(code, severity, file, line, column, value, rule, mend, table, site)


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
        Columns code, severity, file, line (Int64), column, value, rule, mend, table, site; text columns
        are ``str`` with missing values where a field does not apply.
    """
    frame = pd.DataFrame([vars(p) for p in dict.fromkeys(problems)], columns=COLUMNS)
    text = {name: "str" for name in COLUMNS if name != "line"}
    frame = frame.astype({**text, "line": "Int64"})
    rank = frame["severity"].map({name: i for i, name in enumerate(SEVERITIES)}).astype("int64")
    order = ["site", "file", "_rank", "line", "column", "code"]
    frame = frame.assign(_rank=rank).sort_values(order, kind="stable", na_position="first")
    return frame.drop(columns="_rank").reset_index(drop=True)


def shown(value, longest=SHOWN_VALUE):
    """Return a cell's text fit for a message: cut when long, control and format characters spelt out.

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
        Files refused whole come first in their site, then files with rows refused, those that only lack their
        plots after them, files with notes last. Within a file refusals come before notes. Ends with a line
        of totals.
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
    """Return a file's place in the report: causes before their consequences, which carry `FOLLOWING` codes."""
    causes = of_file[~of_file["code"].isin(FOLLOWING)]
    ranks = {"error_file": 0, "error_row": 1, "note": 3}
    return min(
        [ranks[severity] for severity in causes["severity"]] + [2] * (len(causes) < len(of_file))
    )


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
    parts = (
        _counted(
            n.get("error_file", 0), "reason to refuse a whole file", "reasons to refuse whole files"
        ),
        _counted(n.get("error_row", 0), "fault", "faults")
        + f" in {_counted(n_rows, 'refused row', 'refused rows')}",
        _counted(n.get("note", 0), "note", "notes"),
    )
    return ", ".join(parts) + "."


def _counted(n, one, many):
    return f"{n} {one if n == 1 else many}"
