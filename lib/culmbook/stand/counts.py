"""Did the plants establish, did they come through the winter, and how good is the stand?

From counts of plots to one table of shares, to the cells that the stand model is fitted to, and to a
verdict on every plot and hybrid. Shares are 0-1.
"""

import numpy as np
import pandas as pd

from culmbook.stand.model import StandFit, chance_above
from culmbook.text.numbers import fmt_count, fmt_list
from culmbook.trials.entries import is_used, without_guards
from culmbook.trials.seasons import planting_year

OCCASIONS = ["after_planting", "autumn", "spring", "summer"]
PLOT_COLUMNS = [
    "site",
    "plot",
    "trial",
    "replicate",
    "block",
    "row",
    "column",
    "main_plot",
    "hybrid",
    "planting_method",
    "film",
    "plants_planted",
    "status",
    "status_reason",
    "status_cause",
]
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
        ``on_<occasion>`` of this season (missing = not counted), ``original_<occasion>`` (missing where replants
        hide the original plants); ``replanted`` plants so far; ``latest_occasion, latest_on, latest_alive,
        latest_original``; ``original_autumn`` is raised by late emergers;
        ``establishment`` (planting season only), ``overwinter``, ``stand``, ``stand_lower``,
        ``stand_upper``, ``gap_share``, ``plants_per_m2``; ``is_bounded`` where replants hide the original
        plants' share, ``is_provisional`` where no early-summer count stands behind the stand.

    Notes
    -----
    establishment = alive in autumn / planted; overwinter = alive in early summer / alive in autumn; stand =
    alive / planted. Replants do not count: with ``replants_alive`` they are taken off; without it the
    original plants' share is only known to lie between (alive - replanted) / planted and alive / planted.
    A plant that shows late was alive before, so an autumn count of original plants below the spring or
    early-summer one is raised to it. A plot without a date of planting goes with its trial.
    """
    year = planting_year(plots)
    is_planted = year <= season
    table = plots.loc[is_planted, PLOT_COLUMNS].assign(
        planted_on=pd.to_datetime(plots["planted_on"]),
        planting_season=year[is_planted].astype(int),
        plot_area_m2=plots["plot_length_m"] * plots["plot_width_m"],
    )
    mine = _with_originals(
        counts[counts["growing_season"] <= season].sort_values("counted_on", kind="stable")
    )
    table = table.merge(
        _wide(mine[mine["growing_season"] == season]), on=["site", "plot"], how="left"
    )
    replanted = mine.groupby(["site", "plot"])["replanted"].max().reset_index()
    table = table.merge(replanted, on=["site", "plot"], how="left").fillna({"replanted": 0.0})
    return _shares(_latest(table), season).sort_values(["site", "plot"], ignore_index=True)


def _with_originals(counts):
    """Counts with plants ``replanted`` so far and ``original`` plants alive, missing where replants hide them."""
    replanted = (
        counts["plants_replanted"]
        .astype("float64")
        .fillna(0)
        .groupby([counts["site"], counts["plot"]])
        .cumsum()
    )
    told = counts["replants_alive"].astype("float64")
    original = counts["plants_alive"].astype("float64") - told.fillna(0)
    return counts.assign(
        replanted=replanted, original=original.where(replanted.eq(0) | told.notna())
    )


def _wide(counts):
    """Last count of each occasion: plants alive, original plants alive, date."""
    last = counts.drop_duplicates(["site", "plot", "occasion"], keep="last")
    wide = last.set_index(["site", "plot", "occasion"])[
        ["plants_alive", "original", "counted_on"]
    ].unstack("occasion")
    columns = {}
    for occasion in OCCASIONS:
        for name, source in (
            ("alive", "plants_alive"),
            ("original", "original"),
            ("on", "counted_on"),
        ):
            held = (
                wide[(source, occasion)]
                if (source, occasion) in wide.columns
                else pd.Series(np.nan, wide.index)
            )
            columns[f"{name}_{occasion}"] = (
                pd.to_datetime(held) if name == "on" else held.astype("float64")
            )
    return pd.DataFrame(columns, index=wide.index).reset_index()


def _latest(table):
    order = [f"alive_{o}" for o in OCCASIONS]
    seen = table[order].notna().to_numpy()
    position = np.where(seen.any(1), seen.shape[1] - 1 - np.argmax(seen[:, ::-1], axis=1), -1)
    rows = np.arange(len(table))
    occasions = pd.Series(
        np.array([*OCCASIONS, None], dtype=object)[position], index=table.index, dtype="str"
    )
    dates = table[[f"on_{o}" for o in OCCASIONS]].to_numpy()
    return table.assign(
        latest_occasion=occasions,
        latest_on=pd.to_datetime(
            np.where(position >= 0, dates[rows, position], np.datetime64("NaT"))
        ),
        latest_alive=np.where(position >= 0, table[order].to_numpy()[rows, position], np.nan),
        latest_original=np.where(
            position >= 0,
            table[[f"original_{o}" for o in OCCASIONS]].to_numpy()[rows, position],
            np.nan,
        ),
    )


def _shares(table, season):
    planted, original = table["plants_planted"].astype("float64"), table["latest_original"]
    hidden = table["latest_alive"].notna() & original.isna()
    low = original.where(~hidden, (table["latest_alive"] - table["replanted"]).clip(lower=0))
    high = original.where(~hidden, np.minimum(table["latest_alive"], planted))
    autumn = _raised_autumn(table)
    return table.assign(
        original_autumn=autumn,
        establishment=(autumn / planted).where(table["planting_season"].eq(season)),
        overwinter=_survivors(table).where(autumn.notna()) / autumn.where(autumn > 0),
        stand=original / planted,
        stand_lower=low / planted,
        stand_upper=high / planted,
        gap_share=1 - original / planted,
        plants_per_m2=table["latest_alive"] / table["plot_area_m2"],
        is_bounded=hidden,
        is_provisional=table["latest_occasion"].notna() & table["latest_occasion"].ne("summer"),
    )


def _raised_autumn(table):
    """Original plants alive in autumn; a plant seen later was alive then too."""
    seen = table[["original_autumn", "original_spring", "original_summer"]].max(axis=1)
    return seen.where(table["original_autumn"].notna())


def _survivors(table):
    """Original plants alive in early summer (in spring where that is the last count); missing if hidden."""
    return table["original_summer"].where(table["alive_summer"].notna(), table["original_spring"])


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
    rows = without_guards(stand[is_used(stand)], hybrids)
    total = (
        rows["original_autumn"]
        if event == "overwinter"
        else rows["plants_planted"].astype("float64")
    )
    share = rows[event]
    cells = rows.assign(total=total, alive=(share * total).round())
    cells = cells[share.notna() & total.gt(0)]
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
        The plot's columns, ``occasion`` (starting with 'planting'), ``alive`` (original plants). Plots whose
        latest count hides them behind replants are left out.
    """
    cells = without_guards(stand[is_used(stand)], hybrids)
    cells = cells[~cells["is_bounded"]]
    start = cells[PLOT_COLUMNS].assign(
        occasion="planting", alive=cells["plants_planted"].astype("float64")
    )
    counts = [
        cells[PLOT_COLUMNS].assign(occasion=o, alive=cells[f"original_{o}"]) for o in OCCASIONS
    ]
    return pd.concat([start, *counts]).dropna(subset=["alive"]).reset_index(drop=True)


def judge_plots(stand: pd.DataFrame, runs: pd.DataFrame, rules) -> pd.DataFrame:
    """Verdict on every counted plot: a census, so plain arithmetic.

    Parameters
    ----------
    stand : DataFrame
        From :func:`plot_stand`.
    runs : DataFrame
        From :func:`culmbook.stand.gaps.longest_runs`, may be empty.
    rules : StandSettings
        ``good, fill, rank_floor, longest_gap``.

    Returns
    -------
    DataFrame
        ``stand`` with ``longest_run`` (missing = no gap record), ``verdict`` in {good, fill gaps, replant}
        (missing where the plot was not counted or replants hide its share) and ``is_ranked`` (stand not
        under ``rank_floor``).
    """
    newest = (
        runs.sort_values("counted_on").drop_duplicates(["site", "plot"], keep="last")
        if len(runs)
        else runs
    )
    table = stand.merge(
        newest.reindex(columns=["site", "plot", "longest_run"]), on=["site", "plot"], how="left"
    )
    share, run = table["stand"], table["longest_run"].astype("float64")
    verdict = np.select(
        [share.isna(), share.lt(rules.fill) | run.ge(rules.longest_gap), share.lt(rules.good)],
        ["", "replant", "fill gaps"],
        default="good",
    )
    verdict = pd.Series(verdict, index=table.index, dtype="str")
    return table.assign(
        longest_run=run, verdict=verdict.where(share.notna()), is_ranked=share.ge(rules.rank_floor)
    )


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
        VERDICTS,
        default="undecided",
    )
    table = pd.DataFrame(
        {"p_good": good, "p_fill": filled - good, "p_replant": 1 - filled, "verdict": verdict}
    )
    return (
        table.rename_axis("hybrid")
        .reset_index()
        .sort_values(["p_good", "hybrid"], ascending=[False, True], ignore_index=True)
    )


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
    if stand.empty:
        return ["There are no plots for this season, so nothing is concluded."]
    if stand["latest_alive"].isna().all():
        return [
            "No plot was counted in this season, so nothing is concluded about establishment or stand."
        ]
    told = [_autumn_words(stand[stand["planting_season"].eq(season)], season), _summer_words(stand)]
    if gaps.empty:
        told.append(
            "No gap records: whether missing plants lie together (field or machine) or apart (the plant's own) is not known."
        )
    return [sentence for sentence in [*told, _bounds_words(stand)] if sentence]


def _autumn_words(new, season):
    if new.empty:
        return f"No plot was planted in {season}, so there is no establishment to report; the stand of an older planting is shown."
    missing = int(new["alive_autumn"].isna().sum())
    if missing == len(new):
        return "No autumn count of the planting year: establishment cannot be separated from the winter."
    return (
        f"{_have(missing)} no autumn count of the planting year: left out of establishment and winter survival."
        if missing
        else ""
    )


def _summer_words(stand):
    missing = int(stand["alive_summer"].isna().sum())
    if missing == len(stand):
        return "No early-summer count: plants that show late still count as dead. Every stand and survival here is provisional."
    return (
        f"{_have(missing)} no early-summer count: the stand there is provisional or not known."
        if missing
        else ""
    )


def _bounds_words(stand):
    hidden = stand[stand["is_bounded"]]
    if hidden.empty:
        return ""
    names = fmt_list([f"{r.site} {r.plot}" for r in hidden.itertuples()], most=5)
    where, left = (
        ("1 plot", "this plot is")
        if len(hidden) == 1
        else (f"{fmt_count(len(hidden))} plots", "these plots are")
    )
    return (
        f"Replants were not told apart from original plants in {where} ({names}): the original plants' share is only bounded, "
        f"and {left} left out of every comparison."
    )


def _have(plots):
    return "1 plot has" if plots == 1 else f"{fmt_count(plots)} plots have"
