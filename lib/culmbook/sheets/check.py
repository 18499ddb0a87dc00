"""The report on a network folder: every problem in words, by site, file and cause, and what to do
next.
"""

import json

import pandas as pd

from culmbook.sheets.headings import FILE as HEADINGS_FILE
from culmbook.sheets.problems import SEVERITIES, by_cause, shown
from culmbook.sheets.read import read_network

FOLLOWING = ("E-LAYOUT",)  # mostly follow from a fault of another table


def check(data, *, site="all", errors_only=False, today=None, as_json=False):
    """Return the report on a network folder and an exit status.

    Parameters
    ----------
    data : str or path-like
        Network folder.
    site : str
        ``all``, or one site.
    errors_only : bool
        List only what was refused; notes are counted.
    today : datetime.date, optional
        Dates after it are refused; the clock's date by default.
    as_json : bool
        Write the report for other programs.

    Returns
    -------
    report : str
        The files that were read, every problem by site and file, and which sites are incomplete or
        stopped.
    status : int
        0 when nothing was refused, 1 when a row or file was, 2 when the folder cannot be read at
        all.
    """
    try:
        network = read_network(data, site=site, today=today)
    except ValueError as error:
        return f"culmbook check: {error}\n", 2
    if as_json:
        return _as_json(network, errors_only)
    files, corrections = network.files, network.corrections
    parts = [f"Network folder {network.folder}", ""]
    width = files["file"].str.len().max()
    for row in files[files["table"] != "corrections"].itertuples():
        line = f"{row.file:<{width}}  {row.rows:>7} rows, {row.rows_kept:>7} kept"
        line += "  decimal ," if row.decimal == "," else ""
        is_usual = pd.isna(row.encoding) or row.encoding == "utf-8"
        parts.append(line + ("" if is_usual else f"  {row.encoding}"))
    if files.empty:
        parts.append("No table was found.")
    parts += ["", format_problems(network.problems, errors_only=errors_only)]
    if len(corrections):
        parts.append(f"{corrections['applied'].sum()} of {len(corrections)} corrections applied.")
    sites = network.tables["sites"]["site"]
    incomplete = [site for site in sites if network.is_incomplete(site)]
    if incomplete:
        parts.append(f"Incomplete: {', '.join(incomplete)}.")
    for site in sites:
        if why := network.stopped(site, "plots"):
            parts.append(f"Site {site} cannot be reported on: {why}")
    parts.append(_next_step(network))
    refused = network.problems["severity"] != "note"
    return "\n".join(parts) + "\n", int(refused.any())


def _next_step(network):
    """Return what to do after a check, in a sentence."""
    refused = network.problems[network.problems["severity"] != "note"]
    if refused.empty:
        seasons = [
            f["growing_season"].max() for f in network.tables.values() if "growing_season" in f
        ]
        season = max((year for year in seasons if pd.notna(year)), default="YEAR")
        then = f"culmbook season {network.folder} --season {season} --out reports"
        return f"All usable. Next: {then}"
    if (refused["code"] == "E-HEADER").any() and not (network.folder / HEADINGS_FILE).exists():
        then = f"culmbook headings {network.folder} proposes what headings of your own may mean"
        return f"Next: {then}; correct the rest, then check again."
    return f"Next: correct what is refused, then: culmbook check {network.folder}"


def _as_json(network, errors_only):
    """Return the report on a network for other programs, and the exit status."""
    problems, sites = network.problems, network.tables["sites"]["site"]
    refused = problems[problems["severity"] != "note"]
    frames = {"files": network.files, "problems": refused if errors_only else problems}
    stopped = {site: network.stopped(site, "plots") for site in sites}
    report = {
        "folder": str(network.folder),
        "status": int(len(refused) > 0),
        "incomplete": [site for site in sites if network.is_incomplete(site)],
        "stopped": {site: why for site, why in stopped.items() if why},
        **{name: json.loads(frame.to_json(orient="records")) for name, frame in frames.items()},
    }
    return json.dumps(report, indent=1, ensure_ascii=False) + "\n", report["status"]


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
            parts += [f"    {_sentence(row)}" for row in by_cause(of_file).itertuples()]
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
    whose = "" if pd.isna(row.hybrid) else f" ({shown(row.hybrid)})"
    place += [] if pd.isna(row.plot) or row.column == "plot" else [f"plot {shown(row.plot)}{whose}"]
    place += [] if pd.isna(row.column) else [f"column {shown(row.column)}"]
    value = "" if pd.isna(row.value) else f" “{shown(row.value)}”:" if row.value else " blank:"
    mend = f" → {shown(row.mend, 300)}" if row.mend else ""
    head = ", ".join(place) or "file"
    word = {"error_file": "FILE REFUSED", "error_row": "row refused", "note": "note"}[row.severity]
    return f"[{row.code}] {word}, {head}:{value} {shown(row.rule, 500)}{mend}"


def _totals(frame):
    n = frame["severity"].value_counts()
    n_rows = len(frame.loc[frame["severity"] == "error_row", ["file", "line"]].drop_duplicates())
    n_files, n_faults, n_notes = (int(n.get(severity, 0)) for severity in SEVERITIES)
    files = "reason to refuse a whole file" if n_files == 1 else "reasons to refuse whole files"
    faults = f"{n_faults} fault{'s' * (n_faults != 1)} in {n_rows} refused row{'s' * (n_rows != 1)}"
    return f"{n_files} {files}, {faults}, {n_notes} note{'s' * (n_notes != 1)}."
