"""Plants alive: establishment, winters, counts on dates and gaps plant by plant."""

import numpy as np
import pandas as pd
from scipy.special import expit

from make_demo.scenario import GROWING_SEASONS, POSITION_ROWS

EARLY_DEATH_SHARE = 0.4
AUTUMN_DAY = (10, 7)
SPRING_DAY = (4, 24)
SUMMER_DAY = (6, 24)
COUNT_COLUMNS = [
    "site",
    "plot",
    "counted_on",
    "occasion",
    "plants_alive",
    "plants_replanted",
    "emerged_late",
    "replants_alive",
    "observer",
]


def simulate_establishment(plots, truth, rng):
    """Plants alive in the autumn of the planting year.

    Parameters
    ----------
    plots : pandas.DataFrame
        ``site``, ``trial``, ``block``, ``main_plot``, ``hybrid``, ``planting_method``, ``film`` and
        ``plants_planted``; blocks and main plots are told apart within site and trial, and a blank
        main plot has no effect.
    truth : Truth
    rng : numpy.random.Generator

    Returns
    -------
    pandas.DataFrame
        Index of `plots`; ``logit`` of each plot with its random effects, and ``alive``.
    """
    keys = ["hybrid", "site", "trial", "planting_method", "film"]
    expected = plots[keys].merge(truth.establishment, on=keys, how="left", validate="many_to_one")
    eta = expected["logit"].to_numpy()
    eta = eta + _group_effects(plots, "main_plot", truth.sds.main_plot, rng)
    eta = eta + _group_effects(plots, "block", truth.sds.block, rng)
    eta = eta + rng.normal(0, truth.sds.plot, len(plots))
    alive = rng.binomial(plots["plants_planted"].to_numpy(dtype=int), expit(eta))
    return pd.DataFrame({"logit": eta, "alive": alive}, index=plots.index)


def simulate_winter(plots, alive, winter, truth, rng):
    """Plants alive after a winter.

    Parameters
    ----------
    plots : pandas.DataFrame
        ``site``, ``trial``, ``block`` and ``hybrid``.
    alive : array_like of int
        Plants alive before.
    winter : int
        Growing season that the winter ends.
    truth : Truth
    rng : numpy.random.Generator

    Returns
    -------
    numpy.ndarray
    """
    keys = ["hybrid", "site", "trial"]
    chances = truth.overwinter[truth.overwinter["winter"] == winter]
    eta = (
        plots[keys].merge(chances, on=keys, how="left", validate="many_to_one")["logit"].to_numpy()
    )
    eta = eta + _group_effects(plots, "block", truth.sds.winter_block, rng)
    eta = eta + rng.normal(0, truth.sds.winter_plot, len(plots))
    return rng.binomial(np.asarray(alive, dtype=int), expit(eta))


def simulate_stand_counts(plots, truth, rng, last_season=GROWING_SEASONS[-1]):
    """Counts of one or more trials from planting to the early summer after `last_season`.

    The first year is counted five weeks after planting, in October, in late April and in
    late June; later years in late June only. Plants not yet up are missed by the early
    counts, and then the next count says ``emerged_late = yes``.

    Parameters
    ----------
    plots : pandas.DataFrame
        As for `simulate_establishment`, with ``plot`` and ``planted_on``.
    truth : Truth
    rng : numpy.random.Generator
    last_season : int

    Returns
    -------
    pandas.DataFrame
        The columns of the stand counts table, sorted by site, plot and date.
    """
    planted = plots["planted_on"].dt.year
    counts = [
        _trial_counts(plots[planted == year], year, truth, rng, last_season)
        for year in sorted(planted.unique())
    ]
    counts = pd.concat(counts, ignore_index=True)[COUNT_COLUMNS]
    return counts.sort_values(["site", "plot", "counted_on"], ignore_index=True)


def simulate_gaps(plots, alive, counted_on, rng, within=None):
    """Which positions are alive, the dead ones scattered at random.

    Parameters
    ----------
    plots : pandas.DataFrame
        ``site``, ``plot`` and ``plants_planted``.
    alive : pandas.Series
        Plants alive, indexed by ``plot``.
    counted_on : pandas.Timestamp
    rng : numpy.random.Generator
    within : pandas.DataFrame, optional
        An earlier result: only positions alive there may be alive now.

    Returns
    -------
    pandas.DataFrame
        The columns of the plant gaps table.
    """
    frames = []
    earlier = (
        None if within is None else within.set_index(["plot", "position_row", "position"])["alive"]
    )
    for plot in plots.itertuples():
        per_row = plot.plants_planted // POSITION_ROWS
        grid = pd.MultiIndex.from_product(
            [range(1, POSITION_ROWS + 1), range(1, per_row + 1)], names=["position_row", "position"]
        )
        open_to = np.arange(len(grid))
        if earlier is not None:
            open_to = np.flatnonzero(earlier[plot.plot].to_numpy() == "yes")
        living = rng.choice(open_to, size=min(int(alive[plot.plot]), len(open_to)), replace=False)
        state = np.full(len(grid), "no", dtype=object)
        state[living] = "yes"
        frame = grid.to_frame(index=False).assign(site=plot.site, plot=plot.plot, alive=state)
        frames.append(frame.assign(counted_on=counted_on))
    gaps = pd.concat(frames, ignore_index=True)
    return gaps[["site", "plot", "counted_on", "position_row", "position", "alive"]]


def _group_effects(plots, column, sd, rng):
    """One normal effect for each group of a trial; 0 where the column is blank."""
    key = plots["site"] + "|" + plots["trial"] + "|" + plots[column]
    codes, levels = pd.factorize(key, sort=True)
    effects = rng.normal(0, sd, len(levels))[codes]
    return np.where(plots[column] == "", 0.0, effects)


def _trial_counts(plots, year, truth, rng, last_season):
    autumn = simulate_establishment(plots, truth, rng)["alive"].to_numpy()
    lost = plots["plants_planted"].to_numpy(dtype=int) - autumn
    first = _seen(
        plots, autumn + rng.binomial(lost, 1 - EARLY_DEATH_SHARE), 0.005, 0.12, truth, rng
    )
    planted_on = plots["planted_on"] + pd.Timedelta(days=35)
    parts = [
        _count(plots, planted_on, "after_planting", first, first),
        _count(plots, _day(year, AUTUMN_DAY), "autumn", autumn, first),
    ]
    alive = simulate_winter(plots, autumn, year, truth, rng)
    spring = _seen(plots, alive, 0.01, 0.03, truth, rng)
    parts.append(_count(plots, _day(year + 1, SPRING_DAY), "spring", spring, autumn))
    parts.append(_count(plots, _day(year + 1, SUMMER_DAY), "summer", alive, spring))
    for winter in range(year + 1, last_season + 1):
        before, alive = alive, simulate_winter(plots, alive, winter, truth, rng)
        parts.append(_count(plots, _day(winter + 1, SUMMER_DAY), "summer", alive, before))
    return pd.concat(parts, ignore_index=True)


def _seen(plots, alive, chance, chance_rhizome, truth, rng):
    """Plants seen at an early count: some are not up yet, most often of a rhizome-raised entry."""
    rhizome = plots["hybrid"].map(truth.hybrids["propagation"]).to_numpy() == "rhizome"
    return alive - rng.binomial(alive, np.where(rhizome, chance_rhizome, chance))


def _day(year, month_day):
    return pd.Timestamp(year, *month_day)


def _count(plots, counted_on, occasion, alive, before):
    return pd.DataFrame(
        {
            "site": plots["site"],
            "plot": plots["plot"],
            "counted_on": counted_on,
            "occasion": occasion,
            "plants_alive": alive,
            "plants_replanted": 0,
            "emerged_late": np.where(alive > before, "yes", "no"),
            "replants_alive": pd.NA,
            "observer": "AA" if occasion in ("after_planting", "summer") else "BB",
        }
    )
