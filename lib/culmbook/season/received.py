"""What came in for a season, what was set aside, and what is still to be measured."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

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
        n_files_refused, n_notes; last, where there is any, what was said of other files. A table without a
        file has zeros. Rows of other sites in a file for the whole network are neither kept nor refused.
    """
    said = problems[problems["code"] != ABSENT].fillna({"table": OTHER})
    by_severity = {
        name: said[said["severity"] == name] for name in ("error_file", "error_row", "note")
    }
    out = pd.DataFrame(
        {
            "n_files": files.groupby("table").size(),
            "n_kept": files.groupby("table")["rows_kept"].sum(),
            "n_refused": by_severity["error_row"]
            .drop_duplicates(["file", "line"])
            .groupby("table")
            .size(),
            "n_files_refused": by_severity["error_file"]
            .drop_duplicates("file")
            .groupby("table")
            .size(),
            "n_notes": by_severity["note"].groupby("table").size(),
        }
    )
    table = pd.Index([*tables, *({OTHER} & set(said["table"]))], name="table", dtype="str")
    return out.reindex(table).fillna(0).astype("int64").reset_index()


# ---------------------------------------------------------------- plots


def plots_by_status(plots):
    """Count plots by status and cause, per trial.

    Parameters
    ----------
    plots : pandas.DataFrame
        One row per plot: site, trial, hybrid, planted_on, status {ok, damaged, abandoned}, status_cause
        {external, plant}, blank counting as external.

    Returns
    -------
    pandas.DataFrame
        One row per site and trial: site, trial, planted (year), n_plots, n_hybrids, n_ok, n_damaged,
        n_abandoned, n_plant (of the lost ones, those lost by the hybrid itself), lost_share (0–1).
    """
    lost = plots["status"] != "ok"
    flags = plots.assign(
        planted=plots["planted_on"].dt.year,
        is_ok=~lost,
        is_damaged=plots["status"] == "damaged",
        is_abandoned=plots["status"] == "abandoned",
        is_plant=lost & (plots["status_cause"] == "plant"),
    )
    out = (
        flags.groupby(["site", "trial"], sort=True)
        .agg(
            planted=("planted", "min"),
            n_plots=("plot", "size"),
            n_hybrids=("hybrid", "nunique"),
            n_ok=("is_ok", "sum"),
            n_damaged=("is_damaged", "sum"),
            n_abandoned=("is_abandoned", "sum"),
            n_plant=("is_plant", "sum"),
        )
        .reset_index()
    )
    return out.assign(
        planted=out["planted"].astype("Int64"), lost_share=1 - out["n_ok"] / out["n_plots"]
    )


def lost_plots(plots):
    """List the plots that are left out of estimates, with the reason given.

    Parameters
    ----------
    plots : pandas.DataFrame
        As for :func:`plots_by_status`, with plot and status_reason.

    Returns
    -------
    pandas.DataFrame
        site, trial, plot, hybrid, status, cause (external where none is given), status_reason.
    """
    out = plots[plots["status"] != "ok"].sort_values(["site", "trial", "plot"], kind="stable")
    out = out.assign(cause=out["status_cause"].fillna("external"))
    return out[["site", "trial", "plot", "hybrid", "status", "cause", "status_reason"]].reset_index(
        drop=True
    )


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
        The plots with counted_on, occasion, plants_alive, n_missing (planted less alive, never below 0,
        since replants may outnumber the dead) and missing_share (0–1); missing where a plot was not counted.
    """
    known = counts.dropna(subset=["plants_alive"]).sort_values("counted_on", kind="stable")
    last = known.drop_duplicates(["site", "plot"], keep="last")
    last = last[["site", "plot", "counted_on", "occasion", "plants_alive"]]
    out = plots.merge(last, on=["site", "plot"], how="left", validate="one_to_one")
    missing = (out["plants_planted"] - out["plants_alive"]).clip(lower=0)
    return out.assign(
        n_missing=missing, missing_share=(missing / out["plants_planted"]).astype("float64")
    )


def of_this_season(frame, season):
    """Keep the rows of one growing season; `frame` has growing_season."""
    return frame[frame["growing_season"] == season].reset_index(drop=True)


def n_scored(scores):
    """Count plots with a damage_score, each once per frost; `scores` has site, plot and frost_on."""
    return len(scores.dropna(subset=["damage_score"]).drop_duplicates(["site", "plot", "frost_on"]))


# ---------------------------------------------------------------- what is still to do


@dataclass(frozen=True)
class Task:
    """A round through a trial that is due without anybody having begun it.

    Parameters
    ----------
    table : str
        Table the round fills.
    occasion : str
        Which round, where the table has several.
    first_year, last_year : int, int or None
        Crop years in which it is due; the planting season is crop year 1.
    """

    table: str
    occasion: str = ""
    first_year: int = 1
    last_year: int | None = None

    def is_due(self, crop_year):
        """Return whether a trial in its `crop_year` is due for it."""
        return self.first_year <= crop_year <= (self.last_year or crop_year)


TASKS = (
    Task("stand_counts", "after_planting", 1, 1),
    Task("stand_counts", "autumn", 1, 1),
    Task("stand_counts", "spring", 1, 1),
    Task("stand_counts", "summer"),
    Task("stem_measures", first_year=2),
    Task("harvests", first_year=2),
)
"""Due by default; every other round counts as due for a trial once one of its plots has it."""

_MEASURES = {
    "stand_counts": ["plants_alive"],
    "frost_scores": ["damage_score", "leaf_killed_pct"],
    "stem_measures": ["stems", "stem_height_cm", "stem_diameter_mm", "stem_dry_mass_g"],
    "harvests": ["fresh_mass_kg"],
    "phenology": ["emerged_on", "flowered", "senescence_score"],
}


def measuring_states(tables, season, tasks=TASKS):
    """Say of every plot and every round of the season whether it was measured.

    Parameters
    ----------
    tables : mapping of str to pandas.DataFrame
        plots, stand_counts, frost_scores, stem_measures, harvests, phenology of the season's report; counts
        and scores carry growing_season.
    season : int
        Growing season of the report.
    tasks : sequence of Task
        Rounds that are due though no plot has them.

    Returns
    -------
    pandas.DataFrame
        One row per plot and round: site, trial, plot, row, column, hybrid, table, occasion (the day of the
        frost for frost scores), state in `STATES`. *Set aside*: the plot's status (or its harvest's) is not
        ok. *No plants*: its last count was 0, so there is nothing to measure but the stand. A row whose
        measures are all blank does not count as measured.
    """
    plots = latest_stand(tables["plots"], tables["stand_counts"])
    done = _rounds_done(tables, season)
    due = _rounds_due(plots, done, season, tasks)
    place = ["site", "trial", "plot", "row", "column", "hybrid"]
    out = plots[[*place, "status", "plants_alive"]].merge(due, on=["site", "trial"], how="inner")
    out = out.merge(done, on=["site", "plot", "table", "occasion"], how="left")
    state = np.select(
        [
            (out["status"] != "ok") | (out["is_aside"].fillna(False)),
            out["is_measured"].fillna(False),
            (out["plants_alive"].fillna(1) == 0) & (out["table"] != "stand_counts"),
        ],
        STATES[1:2] + STATES[:1] + STATES[2:3],
        STATES[3],
    )
    out = out.assign(state=pd.Series(state, index=out.index, dtype="str"))
    return out[[*place, "table", "occasion", "state"]]


def _rounds_done(tables, season):
    """One row per plot and round that has a row in its table: whether measured, whether set aside."""
    parts = [_one_table_done(name, tables[name], season) for name in _MEASURES]
    return pd.concat(parts, ignore_index=True).astype(
        {"is_aside": "boolean", "is_measured": "boolean"}
    )


def _one_table_done(name, frame, season):
    frame = of_this_season(frame, season)
    occasion = {"stand_counts": "occasion", "frost_scores": "frost_on"}.get(name)
    label = "" if occasion is None else frame[occasion]
    if name == "frost_scores":
        label = frame[occasion].fillna(frame["scored_on"]).dt.strftime("%Y-%m-%d")
    aside = (frame["status"] != "ok") if name == "harvests" else False
    marked = frame[["site", "plot"]].assign(
        table=name,
        occasion=label,
        is_aside=aside,
        is_measured=frame[_MEASURES[name]].notna().any(axis=1),
    )
    marked = marked.astype({"table": "str", "occasion": "str"})
    keys = ["site", "plot", "table", "occasion"]
    return marked.groupby(keys, as_index=False)[["is_aside", "is_measured"]].any()


def _rounds_due(plots, done, season, tasks):
    """One row per trial and round that is due by default or begun."""
    begun = done.merge(plots[["site", "plot", "trial"]], on=["site", "plot"])
    begun = begun[begun["is_measured"] | begun["is_aside"]][["site", "trial", "table", "occasion"]]
    planted = (
        plots.assign(year=plots["planted_on"].dt.year).groupby(["site", "trial"])["year"].min()
    )
    rows = [
        (site, trial, task.table, task.occasion)
        for (site, trial), year in planted.items()
        for task in tasks
        if year == year and task.is_due(season - int(year) + 1)
    ]
    by_default = pd.DataFrame(rows, columns=["site", "trial", "table", "occasion"]).astype("str")
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
        site, trial, table, occasion, n_plots, n_measured, n_set_aside, n_no_plants, n_to_measure, stage
        {complete, under way, not begun}, in the order of the year's work.
    """
    keys = ["site", "trial", "table", "occasion"]
    flags = {f"n_{state.replace(' ', '_')}": states["state"] == state for state in STATES}
    out = states[keys].assign(n_plots=1, **flags).groupby(keys, as_index=False).sum()
    stage = np.select([out["n_to_measure"] == 0, out["n_measured"] > 0], STAGES[:2], STAGES[2])
    out = out.assign(stage=pd.Series(stage, index=out.index, dtype="str"))
    return out.iloc[_work_order(out)].reset_index(drop=True)


def _work_order(frame):
    """Positions of the rows by site, trial, table and occasion, the last two in the order of the year."""
    tables, rounds = list(_MEASURES), [task.occasion for task in TASKS]
    keys = [
        (
            site,
            trial,
            tables.index(table),
            rounds.index(occasion) if occasion in rounds else -1,
            occasion,
        )
        for site, trial, table, occasion in frame[
            ["site", "trial", "table", "occasion"]
        ].itertuples(index=False)
    ]
    return sorted(range(len(keys)), key=keys.__getitem__)


def plots_to_visit(states):
    """List the plots that a round begun has not reached, in walking order.

    Parameters
    ----------
    states : pandas.DataFrame
        From :func:`measuring_states`.

    Returns
    -------
    pandas.DataFrame
        site, trial, table, occasion, plot, hybrid, row, column of rounds under way; by row, then column.
    """
    stage = progress(states)[["site", "trial", "table", "occasion", "stage"]]
    left = states[states["state"] == "to measure"].merge(
        stage, on=["site", "trial", "table", "occasion"]
    )
    left = left[left["stage"] == "under way"]
    columns = ["site", "trial", "table", "occasion", "plot", "hybrid", "row", "column"]
    order = ["site", "trial", "table", "occasion", "row", "column"]
    return left.sort_values(order, kind="stable")[columns].reset_index(drop=True)
