"""Did the plants establish, did they come through the winter, and how good is the stand?

From counts of plots to one table of shares, to the cells that the stand model is fitted to, and to
a verdict on every plot and hybrid. Shares are 0-1.
"""

import numpy as np
import pandas as pd

from culmbook.text.numbers import fmt_list
from culmbook.text.refusal import Refusal
from culmbook.trials.entries import is_used, without_guards
from culmbook.trials.seasons import planting_year

OCCASIONS = ["after_planting", "autumn", "spring", "summer"]
PLOT_COLUMNS = (
    "site plot trial replicate block row column main_plot hybrid planting_method film plants_planted "
    "status status_reason status_cause"
).split()
EVENTS = {
    "establishment": "alive in autumn of the planting year / planted",
    "overwinter": "alive in early summer / alive in autumn",
    "stand": "alive at the last count of the season / planted",
}
VERDICTS = ["good", "fill gaps", "replant"]


def plot_stand(plots: pd.DataFrame, counts: pd.DataFrame, season: int) -> pd.DataFrame:
    """One row per plot planted by the season, with its counts and shares.

    Parameters
    ----------
    plots : DataFrame
        Table ``plots`` of the network.
    counts : DataFrame
        Table ``stand_counts`` with ``growing_season``; rows of later seasons are not used.
    season : int
        Growing season; its counts run from planting to the early summer after its winter.

    Returns
    -------
    DataFrame
        The plot's columns, ``planting_season``; ``alive_<occasion>`` and ``on_<occasion>`` of this season (missing = not counted), ``original_<occasion>`` (missing
        where replants hide the original plants); ``replanted`` plants so far; ``latest_occasion,
        latest_on, latest_alive, latest_original``; ``original_autumn`` is raised by late emergers;
        ``establishment`` (planting season only), ``overwinter``, ``stand``, ``stand_lower``,
        ``stand_upper``, ``is_bounded`` where replants hide the original plants' share, ``is_provisional`` where no early-summer count stands behind the
        stand.

    Notes
    -----
    establishment = alive in autumn / planted; overwinter = alive in early summer / alive in autumn;
    stand = alive / planted. Replants do not count: with ``replants_alive`` they are taken off;
    without it the original plants' share is only known to lie between (alive - replanted) / planted
    and alive / planted. A plant that shows late was alive before, so an autumn count of original
    plants below the spring or early-summer one is raised to it. A plot without a date of planting
    goes with its trial.
    """
    year = planting_year(plots)
    is_planted = year <= season
    table = plots.loc[is_planted, PLOT_COLUMNS].assign(
        planted_on=pd.to_datetime(plots["planted_on"]), planting_season=year[is_planted].astype(int)
    )
    mine = counts[counts["growing_season"] <= season].sort_values("counted_on", kind="stable")
    mine = _with_originals(mine)
    wide = _wide(mine[mine["growing_season"] == season])
    replanted = mine.groupby(["site", "plot"])["replanted"].max().reset_index()
    table = table.merge(wide, on=["site", "plot"], how="left")
    table = table.merge(replanted, on=["site", "plot"], how="left").fillna({"replanted": 0.0})
    return _shares(_latest(table), season).sort_values(["site", "plot"], ignore_index=True)


def _with_originals(counts):
    """Counts with plants ``replanted`` so far and ``original`` plants alive, missing where
    replants hide them.
    """
    newly = counts["plants_replanted"].astype("float64").fillna(0)
    replanted = newly.groupby([counts["site"], counts["plot"]]).cumsum()
    told = counts["replants_alive"].astype("float64")
    original = counts["plants_alive"].astype("float64") - told.fillna(0)
    original = original.where(replanted.eq(0) | told.notna())
    return counts.assign(replanted=replanted, original=original)


def _wide(counts):
    """Last count of each occasion: plants alive, original plants alive, date."""
    keys, names = ["site", "plot", "occasion"], {"plants_alive": "alive", "counted_on": "on"}
    last = counts.rename(columns=names).drop_duplicates(keys, keep="last").set_index(keys)
    wide = last[["alive", "original", "on"]].unstack("occasion")
    wide.columns = [f"{name}_{occasion}" for name, occasion in wide.columns]
    types = {"alive": "float64", "original": "float64", "on": "datetime64[us]"}
    types = {f"{name}_{o}": dtype for o in OCCASIONS for name, dtype in types.items()}
    return wide.reindex(columns=list(types)).astype(types).reset_index()


def _latest(table):
    """Add the last count of the season: occasion, day, plants alive, original plants alive."""
    latest = pd.DataFrame(index=table.index)
    latest["latest_occasion"] = pd.Series(pd.NA, table.index, dtype="str")
    latest["latest_on"] = pd.Series(pd.NaT, table.index, dtype="datetime64[us]")
    latest[["latest_alive", "latest_original"]] = np.nan
    for occasion in OCCASIONS:
        there = table[f"alive_{occasion}"].notna()
        latest.loc[there, "latest_occasion"] = occasion
        for name in ("on", "alive", "original"):
            latest.loc[there, f"latest_{name}"] = table.loc[there, f"{name}_{occasion}"]
    return table.join(latest)


def _shares(table, season):
    planted, original = table["plants_planted"].astype("float64"), table["latest_original"]
    hidden = table["latest_alive"].notna() & original.isna()
    low = original.where(~hidden, (table["latest_alive"] - table["replanted"]).clip(lower=0))
    high = original.where(~hidden, np.minimum(table["latest_alive"], planted))
    # a plant seen later was alive in autumn too
    autumn = table[["original_autumn", "original_spring", "original_summer"]].max(axis=1)
    autumn = autumn.where(table["original_autumn"].notna())
    is_counted = table["alive_summer"].notna()
    survivors = table["original_summer"].where(is_counted, table["original_spring"])
    return table.assign(
        original_autumn=autumn,
        establishment=(autumn / planted).where(table["planting_season"].eq(season)),
        overwinter=survivors.where(autumn.notna()) / autumn.where(autumn > 0),
        stand=original / planted,
        stand_lower=low / planted,
        stand_upper=high / planted,
        is_bounded=hidden,
        is_provisional=table["latest_occasion"].notna() & table["latest_occasion"].ne("summer"),
    )


def planting_of(stand: pd.DataFrame, planting: int, season: int) -> pd.DataFrame:
    """Plots of the planting looked at: the one named, else the season's own, else the newest.

    Parameters
    ----------
    stand : DataFrame
        From :func:`plot_stand`.
    planting : int
        Planting season; 0 = the season's own, or the newest where nothing was planted in it.
    season : int

    Returns
    -------
    DataFrame

    Raises
    ------
    ValueError
        No plot of the named planting season; the seasons that there are, are listed.
    """
    seasons = sorted(stand["planting_season"].unique())
    if planting and planting not in seasons:
        there = f"there are plantings of {fmt_list(seasons)}" if seasons else "there are no plots"
        raise ValueError(f"planting={planting}: no plot was planted then; {there}")
    wanted = planting or (season if season in seasons or not seasons else seasons[-1])
    return stand[stand["planting_season"].eq(wanted)].reset_index(drop=True)


def model_cells(stand: pd.DataFrame, hybrids: pd.DataFrame, event: str) -> pd.DataFrame:
    """Cells of the stand model for one event.

    Parameters
    ----------
    stand : DataFrame
        From :func:`plot_stand`; keep the plantings of interest.
    hybrids : DataFrame
        Table ``hybrids``; guards are left out.
    event : {'establishment', 'overwinter', 'stand'}

    Returns
    -------
    DataFrame
        The plot's columns with ``alive`` and ``total`` (whole plants); plots without the counts,
        with hidden replants, or set aside by status are not in it.

    Raises
    ------
    ValueError
        An unknown event.
    """
    if event not in EVENTS:
        raise ValueError(f"event is {event!r}; it must be one of {', '.join(EVENTS)}")
    rows = without_guards(stand[is_used(stand)], hybrids)
    at_risk = "original_autumn" if event == "overwinter" else "plants_planted"
    total = rows[at_risk].astype("float64")
    cells = rows.assign(total=total, alive=(rows[event] * total).round())
    cells = cells[rows[event].notna() & total.gt(0)]
    return cells.astype({"alive": int, "total": int}).reset_index(drop=True)


def stand_history(stand: pd.DataFrame, hybrids: pd.DataFrame) -> pd.DataFrame:
    """Counts of the season's planting in order, for :func:`culmbook.stand.losses.plot_intervals`.

    Parameters
    ----------
    stand : DataFrame
        From :func:`plot_stand`, plots of one planting season.
    hybrids : DataFrame
        Table ``hybrids``.

    Returns
    -------
    DataFrame
        The plot's columns, ``occasion`` (starting with 'planting'), ``alive`` (original plants).
        Plots whose latest count hides them behind replants are left out.
    """
    cells = without_guards(stand[is_used(stand) & ~stand["is_bounded"]], hybrids)
    own = cells[PLOT_COLUMNS]
    start = own.assign(occasion="planting", alive=cells["plants_planted"].astype("float64"))
    counts = [own.assign(occasion=o, alive=cells[f"original_{o}"]) for o in OCCASIONS]
    return pd.concat([start, *counts]).dropna(subset=["alive"]).reset_index(drop=True)


def judge_plots(stand: pd.DataFrame, runs: pd.DataFrame, rules) -> pd.DataFrame:
    """Verdict on every counted plot: a census, so plain arithmetic.

    Parameters
    ----------
    stand : DataFrame
        From :func:`plot_stand`.
    runs : DataFrame
        From :func:`culmbook.stand.losses.longest_runs`, may be empty.
    rules : StandSettings
        ``good, fill, rank_floor, longest_gap``.

    Returns
    -------
    DataFrame
        ``stand`` with ``longest_run`` (missing = no gap record), ``verdict`` in {good, fill gaps,
        replant} (missing where the plot was not counted or replants hide its share) and
        ``is_ranked`` (stand not under ``rank_floor``).

    Raises
    ------
    Refusal
        No plot was counted.
    """
    if stand["stand"].isna().all():
        raise Refusal(
            "No plot has a count of its original plants from which its stand could be judged."
        )
    runs = runs.reindex(columns=["site", "plot", "counted_on", "longest_run"])
    newest = runs.sort_values("counted_on").drop_duplicates(["site", "plot"], keep="last")
    table = stand.merge(newest.drop(columns="counted_on"), on=["site", "plot"], how="left")
    share, run = table["stand"], table["longest_run"].astype("float64")
    is_weak = share.lt(rules.fill) | run.ge(rules.longest_gap)
    verdict = np.select([is_weak, share.lt(rules.good)], ["replant", "fill gaps"], default="good")
    verdict = pd.Series(verdict, index=table.index, dtype="str").where(share.notna())
    return table.assign(longest_run=run, verdict=verdict, is_ranked=share.ge(rules.rank_floor))


def judge_hybrids(good: pd.Series, filled: pd.Series, probability: float) -> pd.DataFrame:
    """Verdict on each hybrid: how likely a future plot of it stands well enough.

    Parameters
    ----------
    good, filled : Series
        Chance by hybrid that a future plot reaches the share of a good stand, and that of one whose
        gaps are filled, from :func:`culmbook.stand.model.chance_of_stand`.
    probability : float
        Chance that a verdict needs, 0-1.

    Returns
    -------
    DataFrame
        ``hybrid, p_good, p_fill, p_replant, verdict``: chances (sum 1) that a future plot is good,
        needs its gaps filled, or must be replanted; the verdict is the one whose chance reaches
        ``probability``, counting 'at least fill gaps' as good enough for 'fill gaps'; else
        'undecided'.
    """
    sure = [chance >= probability for chance in (good, filled, 1 - filled)]
    table = pd.DataFrame({"p_good": good, "p_fill": filled - good, "p_replant": 1 - filled})
    table["verdict"] = np.select(sure, VERDICTS, default="undecided")
    table = table.rename_axis("hybrid").reset_index()
    return table.sort_values(["p_good", "hybrid"], ascending=[False, True], ignore_index=True)
