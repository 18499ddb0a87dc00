"""What each hybrid gave over the seasons: mean, worst season, spread, distance from the best.

All are computed on joint draws of what is true of every hybrid, site and season, so missing cells are
filled by the model with the uncertainty that belongs to them, and the noise of plots does not count as
spread of the hybrid.
"""

import numpy as np
import pandas as pd

from culmbook.consistency.draws import SeasonDraws, limits
from culmbook.consistency.stability import superiority_of
from culmbook.stats.ranks import concordance


def true_yields(drawn: SeasonDraws) -> np.ndarray:
    """True values in dry t/ha (draws, hybrids, sites, seasons); on the log scale those of the median plot."""
    return np.exp(drawn.cells) if drawn.scale == "log" else drawn.cells


def season_yields(drawn: SeasonDraws, *, level: float = 0.95) -> pd.DataFrame:
    """Yield of every hybrid in every season, over the sites cut in it.

    Parameters
    ----------
    drawn : SeasonDraws
    level : float

    Returns
    -------
    DataFrame
        ``hybrid, season, yield_t_ha, lower, upper``.
    """
    middle, low, high = limits(np.nanmean(true_yields(drawn), axis=2), level)
    index = pd.MultiIndex.from_product([drawn.hybrids, drawn.seasons], names=["hybrid", "season"])
    return pd.DataFrame(
        {"yield_t_ha": middle.ravel(), "lower": low.ravel(), "upper": high.ravel()}, index=index
    ).reset_index()


def season_statistics(drawn: SeasonDraws, *, level: float = 0.95) -> pd.DataFrame:
    """Mean, worst season, coefficient of variation and superiority of every hybrid.

    Parameters
    ----------
    drawn : SeasonDraws
    level : float

    Returns
    -------
    DataFrame
        ``hybrid`` and, each with ``_lower`` and ``_upper``: ``mean_t_ha`` over all site-seasons cut;
        ``worst_t_ha``, the poorest season's mean over sites; ``cv``, standard deviation over seasons by
        mean (missing with one season); ``superiority`` [(t/ha)²]; highest mean first.

    Notes
    -----
    Where not all sites were cut in all seasons, seasons are compared over the sites cut in them, so that
    sites and seasons are mixed up in ``worst_t_ha`` and ``cv``: :func:`unequal_words` says so.
    """
    yields = true_yields(drawn)
    by_season = np.nanmean(yields, axis=2)
    flat = yields.reshape(*yields.shape[:2], -1)
    values = {
        "mean_t_ha": np.nanmean(flat, axis=2),
        "worst_t_ha": by_season.min(axis=2),
        "cv": _cv(by_season),
        "superiority": superiority_of(flat[:, :, ~np.isnan(flat[0, 0])]),
    }
    table = pd.DataFrame({"hybrid": drawn.hybrids})
    for name, value in values.items():
        table[name], table[f"{name}_lower"], table[f"{name}_upper"] = limits(value, level)
    return table.sort_values(["mean_t_ha", "hybrid"], ascending=[False, True], ignore_index=True)


def _cv(by_season):
    if by_season.shape[2] < 2:
        return np.full(by_season.shape[:2], np.nan)
    return by_season.std(axis=2, ddof=1) / by_season.mean(axis=2)


def unequal_words(drawn: SeasonDraws) -> str:
    """Say that seasons were not cut at the same sites; blank where they were."""
    missing = np.isnan(drawn.cells[0, 0])
    if not missing.any():
        return ""
    gaps = [f"{drawn.sites[i]} in {drawn.seasons[j]}" for i, j in np.argwhere(missing)]
    return (
        f"Not cut: {'; '.join(gaps)}. Seasons are means over different sites, so differences between seasons "
        "are partly differences between sites; comparisons of hybrids within a season are not touched by it."
    )


def season_ranks(drawn: SeasonDraws, *, level: float = 0.95) -> pd.DataFrame:
    """Rank of every hybrid in every season, 1 for the highest yield.

    Parameters
    ----------
    drawn : SeasonDraws
    level : float

    Returns
    -------
    DataFrame
        ``hybrid, season, rank, lower, upper``: ranks are medians over draws with central limits, so a
        hybrid whose place is not known has a wide interval rather than a false rank.
    """
    yields = np.nanmean(true_yields(drawn), axis=2)
    ranks = yields.shape[1] - np.argsort(np.argsort(yields, axis=1), axis=1)
    middle, low, high = limits(ranks, level)
    index = pd.MultiIndex.from_product([drawn.hybrids, drawn.seasons], names=["hybrid", "season"])
    return pd.DataFrame(
        {"rank": middle.ravel(), "lower": low.ravel(), "upper": high.ravel()}, index=index
    ).reset_index()


def season_concordance(drawn: SeasonDraws, *, level: float = 0.95) -> tuple[float, float, float]:
    """Agreement of the seasons' rankings: Kendall's W of the true values, with limits.

    Returns
    -------
    tuple
        W 0-1, lower, upper; NaN with one season.
    """
    yields = np.nanmean(true_yields(drawn), axis=2)
    if yields.shape[2] < 2:
        return np.nan, np.nan, np.nan
    return tuple(
        float(v) for v in limits(np.array([concordance(draw.T).w for draw in yields]), level)
    )
