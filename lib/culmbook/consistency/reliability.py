"""How reliable is a hybrid's mean, and how many more seasons would it take?"""

import numpy as np
import pandas as pd

from culmbook.consistency.draws import SeasonDraws, limits
from culmbook.consistency.model import LEAST_SEASONS, RESIDUAL, TERMS, SeasonsFit
from culmbook.text.numbers import fmt_number
from culmbook.text.words import is_are, n_of

ENOUGH = 0.8
"""Reliability at which a hybrid's mean is commonly taken as known (common practice, no source)."""
MOST_SEASONS = 30
REACH = 8
"""Sites, seasons or plots looked at in :func:`reliability_grid`."""


def component_table(
    seasons: SeasonsFit, drawn: SeasonDraws, *, level: float = 0.95
) -> pd.DataFrame:
    """Variances of the model with their intervals.

    Parameters
    ----------
    seasons : SeasonsFit
    drawn : SeasonDraws
        Of the same fit.
    level : float
        Of the intervals, 0 to 1.

    Returns
    -------
    DataFrame
        ``term, label, variance, lower, upper, sd, share``: restricted maximum likelihood estimates,
        central posterior limits (from 0 where the estimate is 0), and the share of the sum. On the
        log scale ``sd`` is about a relative difference.
    """
    own = estimates(seasons)
    _, low, high = limits(drawn.sets[own.index].to_numpy(), level)
    table = pd.DataFrame({"term": own.index, "label": own.index.map(lambda t: TERMS.get(t, t))})
    table = table.assign(variance=own.to_numpy(), lower=low, upper=high)
    table["lower"] = table[["lower", "variance"]].min(axis=1).where(table["variance"] > 0, 0.0)
    table["upper"] = table[["upper", "variance"]].max(axis=1)
    share = table["variance"] / table["variance"].sum()
    return table.assign(sd=np.sqrt(table["variance"]), share=share)


def repeatability(variances) -> np.ndarray | float:
    """Correlation between two seasons' cuts of the same plot.

    Parameters
    ----------
    variances : mapping
        Variance by term of :data:`culmbook.consistency.model.TERMS` and ``'residual'``, numbers or
        arrays; terms not in it are 0.

    Returns
    -------
    float or ndarray
        0 to 1; NaN where all variances are 0.

    Notes
    -----
    Variance of what stays (hybrid, hybrid × site, plot) over that and what changes with the season
    (hybrid × season, hybrid × site × season, residual). What whole replicates, main plots, sites
    and seasons share is left out: it is the same for all hybrids that are compared.

    References
    ----------
    Falconer & Mackay (1996) Introduction to Quantitative Genetics, 4th ed., ch. 8.

    Examples
    --------
    >>> round(repeatability({"hybrid": 3.0, "plot_key": 1.0, "hybrid_season": 1.0, "residual": 3.0}), 2)
    0.5
    """
    stays = sum(_of(variances, t) for t in ("hybrid", "hybrid_site", "plot_key"))
    changes = sum(_of(variances, t) for t in ("hybrid_season", "hybrid_site_season", RESIDUAL))
    return _ratio(stays, stays + changes)


def reliability(variances, sites, seasons, replicates) -> np.ndarray | float:
    """Squared correlation between a hybrid's mean over a plan and its lasting value over sites and
    seasons.

    Parameters
    ----------
    variances : mapping
        As in :func:`repeatability`.
    sites, seasons, replicates : int or array_like
        At least 1; the same plots are cut in all seasons.

    Returns
    -------
    float or ndarray
        0 to 1; NaN where all variances are 0.

    Raises
    ------
    ValueError
        A number under 1.

    Notes
    -----
    ``h / (h + hs/s + hy/y + hsy/(s y) + p/(s r) + e/(s y r))``: variances of hybrid h, hybrid ×
    site hs, hybrid × season hy, hybrid × site × season hsy, plot p, residual e. More seasons do
    nothing about plots that are good or bad for ever, more replicates nothing about seasons.

    References
    ----------
    Comstock & Moll (1963) in Statistical Genetics and Plant Breeding, NAS-NRC 982:164-196.

    Examples
    --------
    >>> round(reliability({"hybrid": 2.0, "hybrid_season": 1.0, "residual": 4.0}, 1, 2, 4), 3)
    0.667
    """
    own = _of(variances, "hybrid")
    return _ratio(own, own + error_variance(variances, sites, seasons, replicates))


def error_variance(variances, sites, seasons, replicates) -> np.ndarray | float:
    """Variance of a hybrid's mean over a plan around its lasting value.

    Parameters
    ----------
    variances, sites, seasons, replicates
        As in :func:`reliability`.

    Returns
    -------
    float or ndarray
        The sum that follows ``h`` in the equation there.

    Raises
    ------
    ValueError
        A number under 1.

    Examples
    --------
    >>> error_variance({"hybrid": 2.0, "hybrid_season": 1.0, "residual": 4.0}, 1, 2, 4)
    1.0
    """
    s, y, r = (np.asarray(v, float) for v in (sites, seasons, replicates))
    if min(s.min(), y.min(), r.min()) < 1:
        raise ValueError("a plan has at least 1 site, 1 season and 1 replicate")
    error = (
        _of(variances, "hybrid_site") / s
        + _of(variances, "hybrid_season") / y
        + _of(variances, "hybrid_site_season") / (s * y)
        + _of(variances, "plot_key") / (s * r)
        + _of(variances, RESIDUAL) / (s * y * r)
    )
    return float(error) if np.ndim(error) == 0 else error


def _of(variances, term):
    return np.asarray(variances[term], float) if term in variances else 0.0


def _ratio(part, whole):
    with np.errstate(invalid="ignore", divide="ignore"):
        value = np.asarray(part, float) / np.asarray(whole, float)
    return float(value) if value.ndim == 0 else value


def estimates(seasons: SeasonsFit) -> pd.Series:
    """Variance estimates by term and ``'residual'``."""
    own = seasons.fit.variances.reindex(list(seasons.terms))
    return pd.concat([own, pd.Series({RESIDUAL: seasons.residual_variance})])


def layout_of(records: pd.DataFrame) -> tuple[int, int, int]:
    """Sites, seasons and middle number of plots per hybrid and site-season in the data at hand."""
    plots = records.groupby(["environment", "hybrid"]).size()
    return records["site"].nunique(), records["season"].nunique(), max(int(plots.median()), 1)


def reliability_table(
    seasons: SeasonsFit, drawn: SeasonDraws, *, level: float = 0.95
) -> pd.DataFrame:
    """Repeatability, and reliability of a hybrid's mean for plans, with intervals: as many sites,
    seasons and replicates as the data at hand have, one and two seasons more, twice the plots and, in
    a network, twice the sites.

    Parameters
    ----------
    seasons : SeasonsFit
    drawn : SeasonDraws
    level : float

    Returns
    -------
    DataFrame
        ``what, sites, seasons, replicates, value, lower, upper``: repeatability first (no plan),
        then a row per plan. The value is that of the estimated variances, or the nearer limit where
        it lies outside the interval. Where one site was cut, what a hybrid does there counts as
        lasting.

    Raises
    ------
    Refusal
        One season was cut, which does not tell what stays.
    """
    s, y, r = layout_of(seasons.records)
    plans = [(s, y, r), (s, y + 1, r), (s, y + 2, r), (s, y, 2 * r)]
    plans += [(2 * s, y, r)] if s > 1 else []
    drawn.require_seasons("repeatability and reliability")
    own, all_draws = estimates(seasons), drawn.sets
    stays = limits(repeatability(all_draws), level)[1:]
    rows = [("repeatability", None, None, None, repeatability(own), *stays)]
    for plan in plans:
        ends = limits(reliability(all_draws, *plan), level)[1:]
        rows.append(("reliability", *plan, reliability(own, *plan), *ends))
    columns = ["what", "sites", "seasons", "replicates", "value", "lower", "upper"]
    table = pd.DataFrame(rows, columns=columns)
    table["value"] = table["value"].clip(table["lower"], table["upper"])
    return table.astype(dict.fromkeys(("sites", "seasons", "replicates"), "Int64"))


def seasons_needed(
    variances, sites: int, replicates: int, *, enough: float = ENOUGH, most: int = MOST_SEASONS
) -> int | None:
    """Least number of seasons, in all, that makes a hybrid's mean reliable enough.

    Parameters
    ----------
    variances : mapping
        As in :func:`reliability`.
    sites, replicates : int
    enough : float
        Over 0, under 1.
    most : int
        Seasons looked at.

    Returns
    -------
    int or None
        None where no number of seasons up to ``most`` is enough: sites and plots then set the
        limit.

    Examples
    --------
    >>> seasons_needed({"hybrid": 1.0, "hybrid_season": 1.0}, 3, 3)
    4
    """
    if not 0 < enough < 1:
        raise ValueError(f"enough = {enough}: a reliability lies between 0 and 1")
    years = np.arange(1, most + 1)
    reached = np.flatnonzero(reliability(variances, sites, years, replicates) >= enough - 1e-12)
    return int(years[reached[0]]) if len(reached) else None


def needed_words(seasons: SeasonsFit, enough: float = ENOUGH) -> str:
    """Say how many seasons more it takes to reach a reliability, at the sites and plots at hand."""
    sites, had, plots = layout_of(seasons.records)
    needed = seasons_needed(estimates(seasons), sites, plots, enough=enough)
    goal = fmt_number(enough, 2)
    if needed is None:
        return f"No number of seasons up to {MOST_SEASONS} brings it to {goal}: sites and plots set the limit."
    more = n_of(needed - had, "more season")
    if needed <= had:
        waits = (
            f", but {had} tell little of how much seasons differ: no hybrid counts as proven before "
            f"{LEAST_SEASONS}"
        )
        return (
            f"By the estimated variances the {n_of(had, 'season')} at hand {is_are(had)} enough for "
            f"{goal}{waits if had < LEAST_SEASONS else ''}."
        )
    return f"By the estimated variances it takes {more}, {needed} in all, to reach {goal}."


def reliability_grid(seasons: SeasonsFit, reach: int = REACH) -> pd.DataFrame:
    """Reliability by number of seasons (columns) and of sites, or of plots where one site was cut
    (rows).

    Parameters
    ----------
    seasons : SeasonsFit
    reach : int
        Numbers from 1 up to this one, or to what is at hand where that is more.

    Returns
    -------
    DataFrame
        Rows are named by the index's name, ``sites`` or ``plots``.
    """
    sites, had, plots = layout_of(seasons.records)
    is_network, own = sites > 1, estimates(seasons)
    steps = np.arange(1, max(reach, had, sites if is_network else plots) + 1)
    down, across = steps[:, None], steps[None, :]
    values = (
        reliability(own, down, across, plots) if is_network else reliability(own, 1, across, down)
    )
    index = pd.Index(steps, name="sites" if is_network else "plots")
    return pd.DataFrame(values, index=index, columns=pd.Index(steps, name="seasons"))
