"""What came in for a season, what was set aside, what is still to be measured, and which rows a
person should look at first.
"""

import numpy as np
import pandas as pd

from culmbook.sheets.crosschecks import RECORDED
from culmbook.sheets.problems import by_cause

STATES = ("measured", "set aside", "no plants", "to measure")
STAGES = ("complete", "under way", "not begun")
ABSENT = "E-MISSING"  # code of a needed table that has no file
OTHER = "other files"


# ---------------------------------------------------------------- sheets


def sheets_received(tables, files, problems):
    """Count what each table brought.

    Parameters
    ----------
    tables : iterable of str
        Every table of the dictionary, in the order of the page.
    files : pandas.DataFrame
        One row per file read: file, table, rows_kept.
    problems : pandas.DataFrame
        Refusals and notes: code, severity, table, file, line.

    Returns
    -------
    pandas.DataFrame
        One row per table: table, n_files, n_kept (rows), n_refused (rows, of files that were read),
        n_files_refused, n_notes; last, where there is any, what was said of other files. A table
        without a file has zeros. Rows of other sites in a file for the whole network are neither
        kept nor refused.
    """
    said = problems[problems["code"] != ABSENT].fillna({"table": OTHER})
    rows = said[said["severity"] == "error_row"].drop_duplicates(["file", "line"])
    whole = said[said["severity"] == "error_file"].drop_duplicates("file")
    counts = {
        "n_files": files["table"],
        "n_refused": rows["table"],
        "n_files_refused": whole["table"],
        "n_notes": said.loc[said["severity"] == "note", "table"],
    }
    out = pd.DataFrame({name: tables.value_counts() for name, tables in counts.items()})
    out.insert(1, "n_kept", files.groupby("table")["rows_kept"].sum())
    table = pd.Index([*tables, *({OTHER} & set(said["table"]))], name="table", dtype="str")
    return out.reindex(table).fillna(0).astype("int64").reset_index()


# ---------------------------------------------------------------- plots


def plots_by_status(plots):
    """Count plots by status and cause, per trial.

    Parameters
    ----------
    plots : pandas.DataFrame
        One row per plot: site, trial, hybrid, planted_on, status {ok, damaged, abandoned},
        status_cause {external, plant}, blank counting as external.

    Returns
    -------
    pandas.DataFrame
        One row per site and trial: site, trial, planted (year), n_plots, n_hybrids, n_ok,
        n_damaged, n_abandoned, n_plant (of the lost ones, those lost by the hybrid itself),
        lost_share (0–1).
    """
    status, cause = plots["status"], plots["status_cause"]
    flags = plots.assign(
        planted=plots["planted_on"].dt.year,
        ok=status == "ok",
        damaged=status == "damaged",
        abandoned=status == "abandoned",
        plant=(status != "ok") & (cause == "plant"),
    )
    trials = flags.groupby(["site", "trial"], sort=True)
    sums = trials[["ok", "damaged", "abandoned", "plant"]].sum().add_prefix("n_")
    out = trials.agg(
        planted=("planted", "min"), n_plots=("plot", "size"), n_hybrids=("hybrid", "nunique")
    )
    out = out.join(sums).reset_index().astype({"planted": "Int64"})
    return out.assign(lost_share=1 - out["n_ok"] / out["n_plots"])


def latest_stand(plots, counts):
    """Give each plot its latest count.

    Parameters
    ----------
    plots : pandas.DataFrame
        One row per plot, with site, plot, plants_planted [plants].
    counts : pandas.DataFrame
        Stand counts the report may use: site, plot, counted_on, occasion, plants_alive [plants].

    Returns
    -------
    pandas.DataFrame
        The plots with counted_on, occasion, plants_alive, n_missing (planted less alive, never
        below 0, since replants may outnumber the dead) and missing_share (0–1); missing where a
        plot was not counted.
    """
    known = counts.dropna(subset=["plants_alive"]).sort_values("counted_on", kind="stable")
    last = known.drop_duplicates(["site", "plot"], keep="last")
    last = last[["site", "plot", "counted_on", "occasion", "plants_alive"]]
    out = plots.merge(last, on=["site", "plot"], how="left", validate="one_to_one")
    missing = (out["plants_planted"] - out["plants_alive"]).clip(lower=0)
    share = (missing / out["plants_planted"]).astype("float64")
    return out.assign(n_missing=missing, missing_share=share)


# ---------------------------------------------------------------- what is still to do


TASKS = {
    ("stand_counts", "after_planting"): (1, 1),
    ("stand_counts", "autumn"): (1, 1),
    ("stand_counts", "spring"): (1, 1),
    ("stand_counts", "summer"): (1, 99),
    ("stem_measures", ""): (2, 99),
    ("harvests", ""): (2, 99),
}
"""Rounds due by default with the first and last crop year (the planting season is 1) in which they
are due.

Every other round counts as due for a trial once one of its plots has it.
"""
ROUND = ["site", "trial", "table", "occasion"]

_MEASURES = {
    "stand_counts": ["plants_alive"],
    "frost_scores": ["damage_score", "leaf_killed_pct"],
    "stem_measures": ["stems", "stem_height_cm", "stem_diameter_mm", "stem_dry_mass_g"],
    "harvests": [*RECORDED],
    "phenology": ["emerged_on", "flowered", "senescence_score"],
}
ROUNDS = dict(zip(_MEASURES, "stand count,frost scores,stem measures,harvest,phenology".split(",")))
_WHEN = "after planting", "in autumn", "in spring", "in early summer"
OCCASIONS = dict(zip([occasion for _, occasion in TASKS], _WHEN))  # of stand counts


def round_name(table, occasion):
    """Name a round of measuring.

    Examples
    --------
    >>> round_name("stand_counts", "autumn"), round_name("frost_scores", "2025-05-02")
    ('stand count in autumn', 'frost scores of the frost of 2025-05-02')
    """
    when = f"of the frost of {occasion}" if table == "frost_scores" else occasion
    return f"{ROUNDS[table]} {OCCASIONS.get(when, when)}".strip()


def measuring_states(tables, season):
    """Say of every plot and every round of the season whether it was measured.

    Parameters
    ----------
    tables : mapping of str to pandas.DataFrame
        plots, stand_counts, frost_scores, stem_measures, harvests, phenology of the season's
        report; counts and scores carry growing_season.
    season : int
        Growing season of the report.

    Returns
    -------
    pandas.DataFrame
        One row per plot and round: site, trial, plot, row, column, hybrid, table, occasion (the day
        of the frost for frost scores), state in `STATES`. *Set aside*: the plot's status (or its
        harvest's) is not ok. *No plants*: its last count was 0, so there is nothing to measure but
        the stand. A row whose measures are all blank does not count as measured.
    """
    plots = latest_stand(tables["plots"], tables["stand_counts"])
    parts = [_rounds_of(name, tables[name], season) for name in _MEASURES]
    types = {"is_aside": "boolean", "is_measured": "boolean"}
    done = pd.concat(parts, ignore_index=True).astype(types)
    place = ["site", "trial", "plot", "row", "column", "hybrid"]
    out = plots[[*place, "status", "plants_alive"]].merge(_due(plots, done, season))
    out = out.merge(done, on=["site", "plot", "table", "occasion"], how="left")
    is_aside = (out["status"] != "ok") | out["is_aside"].fillna(False)
    has_none = (out["plants_alive"].fillna(1) == 0) & (out["table"] != "stand_counts")
    measured, aside, none, to_measure = STATES
    state = np.select(
        [is_aside, out["is_measured"].fillna(False), has_none], [aside, measured, none], to_measure
    )
    out = out.assign(state=pd.Series(state, index=out.index, dtype="str"))
    return out[[*place, "table", "occasion", "state"]]


def _rounds_of(name, frame, season):
    """One row per plot and round that has a row in the table: whether measured, whether set aside."""
    frame = frame[frame["growing_season"] == season]
    occasion = frame["occasion"] if name == "stand_counts" else ""
    if name == "frost_scores":
        occasion = frame["frost_on"].fillna(frame["scored_on"]).dt.strftime("%Y-%m-%d")
    marked = frame[["site", "plot"]].assign(
        table=name,
        occasion=occasion,
        is_aside=(frame["status"] != "ok") if name == "harvests" else False,
        is_measured=frame.reindex(columns=_MEASURES[name]).notna().any(axis=1),
    )
    marked = marked.astype({"table": "str", "occasion": "str"})
    keys = ["site", "plot", "table", "occasion"]
    return marked.groupby(keys, as_index=False)[["is_aside", "is_measured"]].any()


def _due(plots, done, season):
    """One row per trial and round that is due by default or begun."""
    begun = done.merge(plots[["site", "plot", "trial"]], on=["site", "plot"])
    begun = begun[begun["is_measured"] | begun["is_aside"]][ROUND]
    planted = plots["planted_on"].dt.year.groupby([plots["site"], plots["trial"]]).min().dropna()
    rows = [
        (*trial, *task)
        for trial, year in planted.items()
        for task, (first, last) in TASKS.items()
        if first <= season - int(year) + 1 <= last
    ]
    by_default = pd.DataFrame(rows, columns=ROUND).astype("str")
    return pd.concat([by_default, begun]).drop_duplicates(ignore_index=True)


def progress(states):
    """Count the states per trial and round.

    Parameters
    ----------
    states : pandas.DataFrame
        From :func:`measuring_states`.

    Returns
    -------
    pandas.DataFrame
        site, trial, table, occasion, n_plots, n_measured, n_set_aside, n_no_plants, n_to_measure,
        stage {complete, under way, not begun}, round (its name), in the order of the year's work.
    """
    flags = {f"n_{state.replace(' ', '_')}": states["state"] == state for state in STATES}
    out = states[ROUND].assign(n_plots=1, **flags).groupby(ROUND, as_index=False).sum()
    stage = np.select([out["n_to_measure"] == 0, out["n_measured"] > 0], STAGES[:2], STAGES[2])
    out = out.assign(stage=pd.Series(stage, index=out.index, dtype="str"))
    tables, occasions = list(_MEASURES), [occasion for _, occasion in TASKS]
    work = [occasions.index(o) if o in occasions else -1 for o in out["occasion"]]
    order = out[["site", "trial"]].assign(table=out["table"].map(tables.index), work=work)
    order["occasion"] = out["occasion"]
    out = out.loc[order.sort_values(list(order)).index].reset_index(drop=True)
    return out.assign(round=_names(out))


def _names(rounds):
    return [round_name(*pair) for pair in zip(rounds["table"], rounds["occasion"], strict=True)]


def plots_to_visit(states):
    """List the plots that a round begun has not reached, in walking order.

    Parameters
    ----------
    states : pandas.DataFrame
        From :func:`measuring_states`.

    Returns
    -------
    pandas.DataFrame
        site, trial, table, occasion, plot, hybrid, row, column, round of rounds under way; by row,
        then column.
    """
    left = states[states["state"] == "to measure"].merge(progress(states)[[*ROUND, "stage"]])
    left = left[left["stage"] == "under way"].sort_values([*ROUND, "row", "column"], kind="stable")
    left = left[[*ROUND, "plot", "hybrid", "row", "column"]].reset_index(drop=True)
    return left.assign(round=_names(left))


# ---------------------------------------------------------------- rows to look at first


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
    for name, summary in (("others_low", np.min), ("others_high", np.max)):
        kept[name] = shares.transform(_of_others, summary)
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
    """One entry for everything said of one row of one file, and one for rows refused alike."""
    is_cell = problems["line"].notna() & problems["column"].notna()
    kept = problems[(problems["severity"] != "note") | is_cell]
    is_row = kept["severity"] == "error_row"
    kept = pd.concat([by_cause(kept[is_row]), kept[~is_row]])
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
    left = left.astype({"key": "str", "old_value": "str", "new_value": "str"})
    value = "from “" + left["old_value"] + "” to “" + left["new_value"] + "”"
    out = left.assign(where=left["key"] + ", " + left["column"], value=value, rule=left["outcome"])
    return out.assign(why="correction not applied", site=None, mend="")[_LOOK].astype("str")


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
