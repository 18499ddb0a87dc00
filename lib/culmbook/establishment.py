"""Did the plants establish, did they come through the winter, and how good is the stand?

From counts of plots to one table of shares, to the cells that the stand model is fitted to, and to a
verdict on every plot and hybrid. Shares are 0-1.
"""

import numpy as np
import pandas as pd

from culmbook.stand_model import StandFit, chance_above

OCCASIONS = ["after_planting", "autumn", "spring", "summer"]
PLOT_COLUMNS = ["site", "plot", "trial", "replicate", "block", "row", "column", "main_plot", "hybrid",
                "planting_method", "film", "plants_planted", "status", "status_reason", "status_cause"]
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
        The plot's columns, ``planting_season``, ``plot_area_m2``; ``alive_<occasion>`` and
        ``on_<occasion>`` of this season (missing = not counted); ``replanted`` plants so far and
        ``replants_alive`` (missing = not told apart); ``latest_occasion, latest_on, latest_alive``;
        ``establishment`` (planting season only), ``overwinter``, ``stand``, ``stand_lower``,
        ``stand_upper``, ``gap_share``, ``plants_per_m2``; ``is_bounded`` where replants hide the original
        plants' share, ``is_provisional`` where no early-summer count stands behind the stand.

    Notes
    -----
    establishment = alive in autumn / planted; overwinter = alive in early summer / alive in autumn; stand =
    alive / planted. Replants do not count: with ``replants_alive`` they are taken off; without it the
    original plants' share is only known to lie between (alive - replanted) / planted and alive / planted.
    A plant that shows late was alive in autumn, so an autumn count below the early-summer one is raised
    to it where nothing was replanted in between.
    """
    planted_on = pd.to_datetime(plots["planted_on"])
    table = plots.loc[planted_on.dt.year <= season, PLOT_COLUMNS].assign(
        planted_on=planted_on, planting_season=planted_on.dt.year,
        plot_area_m2=plots["plot_length_m"] * plots["plot_width_m"],
    )
    mine = counts[counts["growing_season"] <= season].sort_values("counted_on")
    table = table.merge(_wide(mine[mine["growing_season"] == season]), on=["site", "plot"], how="left")
    table = table.merge(_replants(mine), on=["site", "plot"], how="left")
    table["replanted"] = table["replanted"].fillna(0)
    return _shares(_latest(table), season).sort_values(["site", "plot"], ignore_index=True)


def _wide(counts):
    """Last count of each occasion: plants alive, replants alive, replanted since, date."""
    last = counts.drop_duplicates(["site", "plot", "occasion"], keep="last")
    wide = last.set_index(["site", "plot", "occasion"])[["plants_alive", "replants_alive", "counted_on"]].unstack("occasion")
    columns = {}
    for occasion in OCCASIONS:
        for name, source in (("alive", "plants_alive"), ("replants", "replants_alive"), ("on", "counted_on")):
            held = wide[(source, occasion)] if (source, occasion) in wide.columns else pd.Series(np.nan, wide.index)
            columns[f"{name}_{occasion}"] = pd.to_datetime(held) if name == "on" else held.astype("float64")
    return pd.DataFrame(columns, index=wide.index).reset_index()


def _replants(counts):
    """Plants replanted up to each occasion of the season, and in all."""
    total = counts.groupby(["site", "plot"])["plants_replanted"].sum().rename("replanted").astype("float64")
    since_autumn = counts["occasion"].isin(["spring", "summer"]) & (
        counts["growing_season"] == counts.groupby(["site", "plot"])["growing_season"].transform("max"))
    after = counts["plants_replanted"].where(since_autumn, 0).astype("float64")
    after = after.groupby([counts["site"], counts["plot"]]).sum().rename("replanted_after_autumn")
    return pd.concat([total, after], axis=1).reset_index()


def _latest(table):
    order = [f"alive_{o}" for o in OCCASIONS]
    seen = table[order].notna().to_numpy()
    position = np.where(seen.any(1), seen.shape[1] - 1 - np.argmax(seen[:, ::-1], axis=1), -1)
    rows = np.arange(len(table))
    occasions = pd.Series(np.array([*OCCASIONS, None], dtype=object)[position], index=table.index, dtype="str")
    dates = table[[f"on_{o}" for o in OCCASIONS]].to_numpy()
    return table.assign(
        latest_occasion=occasions,
        latest_on=pd.to_datetime(np.where(position >= 0, dates[rows, position], np.datetime64("NaT"))),
        latest_alive=np.where(position >= 0, table[order].to_numpy()[rows, position], np.nan),
        replants_alive=np.where(position >= 0, table[[f"replants_{o}" for o in OCCASIONS]].to_numpy()[rows, position], np.nan),
    )


def _shares(table, season):
    planted = table["plants_planted"].astype("float64")
    hidden = table["replanted"].gt(0) & table["replants_alive"].isna() & table["latest_alive"].notna()
    original = table["latest_alive"] - table["replants_alive"].fillna(0)
    low = np.where(hidden, np.maximum(table["latest_alive"] - table["replanted"], 0), original)
    stand = (original / planted).where(~hidden)
    autumn = _original_autumn(table)
    return table.assign(
        original_autumn=autumn,
        establishment=(autumn / planted).where(table["planting_season"].eq(season)),
        overwinter=_survivors(table, autumn) / autumn.where(autumn > 0),
        stand=stand, stand_lower=low / planted, stand_upper=np.minimum(original, planted) / planted,
        gap_share=1 - stand, plants_per_m2=table["latest_alive"] / table["plot_area_m2"],
        is_bounded=hidden, is_provisional=table["latest_occasion"].notna() & table["latest_occasion"].ne("summer"),
    )


def _original_autumn(table):
    """Original plants alive in autumn; missing where replants hide them; raised by late emergers."""
    before = table["replanted"] - table["replanted_after_autumn"].fillna(0)
    known = before.eq(0) | table["replants_autumn"].notna()
    autumn = (table["alive_autumn"] - table["replants_autumn"].fillna(0)).where(known)
    return np.maximum(autumn, _survivors(table, autumn).fillna(-1)).where(autumn.notna())


def _survivors(table, autumn):
    """Original plants alive in early summer (in spring where that is the last count); missing if hidden."""
    alive = table["alive_summer"].fillna(table["alive_spring"])
    replants = table["replants_summer"].where(table["alive_summer"].notna(), table["replants_spring"])
    known = table["replanted"].eq(0) | replants.notna()
    return (alive - replants.fillna(0)).where(known & autumn.notna())


def is_used(stand: pd.DataFrame) -> pd.Series:
    """Plots that estimates rest on: status ok, or lost to the hybrid itself (then the loss is its result)."""
    return stand["status"].eq("ok") | stand["status_cause"].eq("plant")


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
        The plot's columns with ``alive`` and ``total`` (whole plants); plots without the counts, with
        hidden replants, or set aside by status are not in it.

    Raises
    ------
    ValueError
        An unknown event.
    """
    if event not in EVENTS:
        raise ValueError(f"event is {event!r}; it must be one of {', '.join(EVENTS)}")
    guards = hybrids.loc[hybrids["role"].eq("guard"), "hybrid"]
    rows = stand[is_used(stand) & ~stand["hybrid"].isin(guards)]
    total = rows["original_autumn"] if event == "overwinter" else rows["plants_planted"].astype("float64")
    share = rows[event]
    cells = rows.assign(total=total, alive=(share * total).round())
    cells = cells[share.notna() & total.gt(0)]
    return cells.astype({"alive": int, "total": int}).reset_index(drop=True)


def stand_history(stand: pd.DataFrame, hybrids: pd.DataFrame) -> pd.DataFrame:
    """Counts of the season's planting in order, for :func:`culmbook.lifetable.plot_intervals`.

    Parameters
    ----------
    stand : DataFrame
        From :func:`plot_stand`, plots of one planting season.
    hybrids : DataFrame
        Table ``hybrids``.

    Returns
    -------
    DataFrame
        The plot's columns, ``occasion`` (starting with 'planting'), ``alive``. Plots with replants that
        cannot be told apart are left out.
    """
    cells = stand[is_used(stand) & ~stand["hybrid"].isin(hybrids.loc[hybrids["role"].eq("guard"), "hybrid"])]
    cells = cells[~cells["is_bounded"]]
    start = cells[PLOT_COLUMNS].assign(occasion="planting", alive=cells["plants_planted"].astype("float64"))
    counts = [
        cells[PLOT_COLUMNS].assign(occasion=o, alive=cells[f"alive_{o}"] - cells[f"replants_{o}"].fillna(0)) for o in OCCASIONS
    ]
    return pd.concat([start, *counts]).dropna(subset=["alive"]).reset_index(drop=True)


def judge_plots(stand: pd.DataFrame, runs: pd.DataFrame, rules) -> pd.DataFrame:
    """Verdict on every counted plot: a census, so plain arithmetic.

    Parameters
    ----------
    stand : DataFrame
        From :func:`plot_stand`.
    runs : DataFrame
        From :func:`culmbook.gaps.longest_runs`, may be empty.
    rules : StandSettings
        ``good, fill, rank_floor, longest_gap``.

    Returns
    -------
    DataFrame
        ``stand`` with ``longest_run`` (missing = no gap record), ``verdict`` in {good, fill gaps, replant};
        missing where the plot was not counted or replants hide its share) and ``is_ranked`` (stand not
        under ``rank_floor``).
    """
    newest = runs.sort_values("counted_on").drop_duplicates(["site", "plot"], keep="last") if len(runs) else runs
    table = stand.merge(newest.reindex(columns=["site", "plot", "longest_run"]), on=["site", "plot"], how="left")
    share, run = table["stand"], table["longest_run"].astype("float64")
    verdict = np.select(
        [share.isna(), share.lt(rules.fill) | run.ge(rules.longest_gap), share.lt(rules.good)],
        ["", "replant", "fill gaps"], default="good")
    verdict = pd.Series(verdict, index=table.index, dtype="str")
    return table.assign(longest_run=run, verdict=verdict.where(share.notna()), is_ranked=share.ge(rules.rank_floor))


def judge_hybrids(fit: StandFit, rules, plants: int) -> pd.DataFrame:
    """Verdict on each hybrid: how likely a future plot of it stands well enough.

    Parameters
    ----------
    fit : StandFit
        Stand model of the event 'stand' (or 'establishment').
    rules : StandSettings
        ``good, fill, probability``.
    plants : int
        Plants in the future plot.

    Returns
    -------
    DataFrame
        ``hybrid, p_good, p_fill, p_replant, verdict``: chances (sum 1) that a future plot is good, needs
        its gaps filled, or must be replanted; the verdict is the one whose chance reaches
        ``probability``, counting 'at least fill gaps' as good enough for 'fill gaps'; else 'undecided'.
    """
    good, filled = chance_above(fit, rules.good, plants), chance_above(fit, rules.fill, plants)
    verdict = np.select(
        [good >= rules.probability, filled >= rules.probability, 1 - filled >= rules.probability],
        VERDICTS, default="undecided")
    table = pd.DataFrame({"p_good": good, "p_fill": filled - good, "p_replant": 1 - filled, "verdict": verdict})
    return table.rename_axis("hybrid").reset_index().sort_values(["p_good", "hybrid"], ascending=[False, True], ignore_index=True)


def what_is_unknown(stand: pd.DataFrame, gaps: pd.DataFrame, season: int) -> list[str]:
    """What the counts at hand do not allow to be concluded, in sentences.

    Parameters
    ----------
    stand : DataFrame
        From :func:`plot_stand`.
    gaps : DataFrame
        Table ``plant_gaps``, possibly empty.
    season : int

    Returns
    -------
    list of str
    """
    new, said = stand[stand["planting_season"].eq(season)], []
    if new.empty:
        said.append(f"No plot was planted in {season}, so there is no establishment to report; the stand of older plantings is shown.")
    elif new["alive_autumn"].isna().all():
        said.append("No autumn count of the planting year: establishment cannot be separated from the winter.")
    if stand["alive_summer"].isna().all():
        said.append("No early-summer count: plants that show late still count as dead. Every stand and survival here is provisional.")
    elif stand["is_provisional"].any():
        said.append(f"{_plots(int(stand['is_provisional'].sum()))} have no early-summer count; their stand is provisional.")
    if gaps.empty:
        said.append("No gap records: whether missing plants lie together (field or machine) or apart (the plant's own) is not known.")
    if stand["is_bounded"].any():
        names = ", ".join(f"{r.site} {r.plot}" for r in stand[stand["is_bounded"]].head(5).itertuples())
        said.append(f"Replants were not told apart from original plants in {_plots(int(stand['is_bounded'].sum()))} ({names}): "
                    "the original plants' share is only bounded, and these plots are left out of every comparison.")
    return said


def _plots(n):
    return "1 plot" if n == 1 else f"{n} plots"
