"""Which rows should a person look at first?"""

import numpy as np
import pandas as pd

from culmbook.season.received import ABSENT

UNLIKE_ITS_HYBRID = 0.3
"""Distance outside the range of the hybrid's other plots, alive ÷ planted, to be looked at."""
SEVERAL = "several notes on one row"
UNLIKE = "unlike its hybrid's other plots"
REPAIRED = "read with a remark"
NOTES = {
    "N-LABEL": "may be another hybrid",
    "N-SLIP": "unit or digit slip",
    "N-FALL": "fell where it should not",
    "N-DEADHEIGHT": "fell where it should not",
    "N-OCCASION": "date and occasion disagree",
    "N-RANGE": "outside the plausible range",
    UNLIKE: UNLIKE,
    "N-PRODUCT": "components and harvest disagree",
    "N-OBSERVER": "observer apart",
}
"""Kinds of notes in the order of the list; any other note comes last."""
WHY_FIRST = (
    "needed table missing",
    "file refused",
    "row refused",
    "correction not applied",
    SEVERAL,
    *dict.fromkeys(NOTES.values()),
    REPAIRED,
)


def stand_surprises(latest, difference=UNLIKE_ITS_HYBRID):
    """Find plots whose last count lies far above or below all the same hybrid's other plots.

    Parameters
    ----------
    latest : pandas.DataFrame
        From :func:`latest_stand`.
    difference : float
        How far alive ÷ planted must lie outside the range of the others (0–1).

    Returns
    -------
    pandas.DataFrame
        site, trial, plot, hybrid, counted_on, share, others_low, others_high, n_others: plots with
        status ok against the other plots of the same trial, hybrid, planting method and film
        counted on the same occasion, at least two of them; farthest first.

    Raises
    ------
    ValueError
        If `difference` is not over 0 and at most 1.
    """
    if not 0 < difference <= 1:
        raise ValueError(f"difference = {difference}: give a share over 0 and at most 1")
    alike = ["site", "trial", "hybrid", "planting_method", "film", "occasion"]
    kept = latest[(latest["status"] == "ok") & latest["missing_share"].notna()]
    kept = kept.assign(share=1 - kept["missing_share"])
    shares = kept.groupby(alike)["share"]
    kept["n_others"] = shares.transform("size") - 1
    kept["others_low"] = shares.transform(lambda s: _of_others(s, np.min))
    kept["others_high"] = shares.transform(lambda s: _of_others(s, np.max))
    low, high = kept["others_low"] - kept["share"], kept["share"] - kept["others_high"]
    kept["far"] = np.maximum(low, high)
    out = kept[(kept["n_others"] > 1) & (kept["far"] >= difference)]
    out = out.sort_values(["far", "site", "plot"], ascending=[False, True, True])
    columns = "site trial plot hybrid counted_on share others_low others_high n_others".split()
    return out[columns].reset_index(drop=True)


def _of_others(values, summary):
    """A summary of all the other values, for each."""
    x = values.to_numpy()
    return [summary(np.delete(x, i)) if len(x) > 1 else np.nan for i in range(len(x))]


def problems_of_season(problems, tables, season):
    """Keep what concerns the season: refusals, and notes on its rows or on rows of no season.

    Parameters
    ----------
    problems : pandas.DataFrame
        severity, table, file, line.
    tables : mapping of str to pandas.DataFrame
        Tables of the season's report; those with growing_season carry source_file and source_line.
    season : int

    Returns
    -------
    pandas.DataFrame
        Notes on rows of other seasons are left out: they were in those seasons' reports.
    """
    seasonal = {name: frame for name, frame in tables.items() if "growing_season" in frame}
    rows = [
        f[f["growing_season"] == season][["source_file", "source_line"]] for f in seasonal.values()
    ]
    own = pd.MultiIndex.from_frame(pd.concat(rows).astype({"source_line": "Int64"}))
    said = pd.MultiIndex.from_frame(problems[["file", "line"]].astype({"line": "Int64"}))
    of_a_season = problems["table"].isin(list(seasonal)) & problems["line"].notna()
    is_kept = (problems["severity"] != "note") | ~of_a_season | said.isin(own)
    return problems[is_kept].reset_index(drop=True)


def rows_to_look_at(problems, corrections, surprises):
    """Put what needs a person's eye in one order, one entry per row.

    Parameters
    ----------
    problems : pandas.DataFrame
        Refusals and notes: code, severity, site, table, file, line, column, value, rule, mend.
    corrections : pandas.DataFrame
        table, key, column, old_value, new_value, applied, outcome.
    surprises : pandas.DataFrame
        From :func:`stand_surprises`.

    Returns
    -------
    pandas.DataFrame
        why, site, table, where, value, rule, mend. Ordered by `why` as in `WHY_FIRST`: what was
        refused is lost until it is fixed, a correction that did not apply leaves a known fault in,
        a row with several notes is likelier wrong than one with a single note, and so on to remarks
        on how a cell was read; within each by file and line, surprises by how far they lie off.
        Notes about a whole file (its encoding, say) are left out.
    """
    parts = [_from_problems(problems), _from_corrections(corrections), _from_surprises(surprises)]
    out = pd.concat(parts, ignore_index=True)
    rank = out["why"].map({why: i for i, why in enumerate(WHY_FIRST)})
    return out.loc[rank.sort_values(kind="stable").index].reset_index(drop=True)


_LOOK = ["why", "site", "table", "where", "value", "rule", "mend"]


def _from_problems(problems):
    """One entry for everything said of one row of one file."""
    is_cell = problems["line"].notna() & problems["column"].notna()
    kept = problems[(problems["severity"] != "note") | is_cell]
    rows = []
    for _, group in kept.groupby(["file", "line"], dropna=False, sort=True):
        worst = group.sort_values("severity", kind="stable").iloc[0]  # file, row, note
        columns = list(dict.fromkeys(group["column"].dropna()))
        line = [] if pd.isna(worst["line"]) else [f"line {worst['line']}"]
        rows.append(
            {
                "why": _why(worst, len(group)),
                **worst[["site", "table", "value"]],
                "where": ", ".join([worst["file"], *line, *columns[:3]]),
                "rule": "; ".join(dict.fromkeys(group["rule"])),
                "mend": "; ".join(dict.fromkeys(group["mend"].dropna())),
            }
        )
    return pd.DataFrame(rows, columns=_LOOK).astype("str")


def _why(worst, n):
    if worst["severity"] == "error_row":
        return "row refused"
    if worst["severity"] == "error_file":
        return "needed table missing" if worst["code"] == ABSENT else "file refused"
    return SEVERAL if n > 1 else NOTES.get(worst["code"], REPAIRED)


def _from_corrections(corrections):
    left = corrections[~corrections["applied"].astype(bool)]
    old, new = left["old_value"].astype("str"), left["new_value"].astype("str")
    out = left.assign(
        why="correction not applied",
        site=None,
        where=left["key"].astype("str") + ", " + left["column"],
        value="from “" + old + "” to “" + new + "”",
        rule=left["outcome"],
        mend="",
    )
    return out[_LOOK].astype("str")


def _from_surprises(surprises):
    rows = []
    for row in surprises.itertuples(index=False):
        low, high = f"{100 * row.others_low:.0f}", f"{100 * row.others_high:.0f}"
        span = f"{low} %" if low == high else f"{low} to {high} %"
        rule = f"the hybrid’s other {row.n_others} plots of that treatment have {span}"
        where, value = f"plot {row.plot}", f"{100 * row.share:.0f} % alive"
        mend = "check the count and the plot’s label"
        rows.append((UNLIKE, row.site, "stand_counts", where, value, rule, mend))
    return pd.DataFrame(rows, columns=_LOOK).astype("str")
