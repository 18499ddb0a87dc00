"""How do cut plots and plots only measured give one mean together?

The cheap measurement of all plots moves the mean of the plots that were cut. It is sound only where chance
decided which plots were cut: that is asked, never assumed.
"""

from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import stats

LEAST_CUT = 5


class Estimate(NamedTuple):
    """A mean with its standard error and interval; ``n_cut`` and ``n_measured`` plots stand behind it."""

    mean: float
    se: float
    lower: float
    upper: float
    n_cut: int
    n_measured: int


def regression_estimate(
    cheap,
    outcome,
    *,
    chosen_at_random: bool | None,
    n_population: int | None = None,
    level: float = 0.95,
) -> Estimate:
    """Mean of all measured plots from the outcome of those cut and a cheap measurement of all.

    Parameters
    ----------
    cheap : array_like
        Measurement of every plot (a predicted yield, for one), none missing.
    outcome : array_like
        Yield of the plots that were cut, missing for the others.
    chosen_at_random : bool or None
        Whether chance decided which plots were cut. None (not answered) and False are refused.
    n_population : int, optional
        Plots the mean is for, where the measured ones are a random part of them; none = very many.
    level : float
        Confidence of the interval, 0-1.

    Returns
    -------
    Estimate

    Raises
    ------
    ValueError
        Plots not chosen by chance or not known to be, fewer than five cut, a missing or constant measurement.

    Notes
    -----
    ``mean = y + b (X - x)`` with y, x means and b the slope among cut plots, X the mean of all measured;
    variance ``s²_yx [1/n + (X - x)² / S_xx] + b² s²_x' / N'`` less the finite part, t with n - 2 degrees of
    freedom. Where the measured plots are all there are, the last term is 0.

    References
    ----------
    Cochran (1977) Sampling Techniques, 3rd ed., sections 7.4 and 12.6.
    """
    _ask(chosen_at_random)
    x, y = np.asarray(cheap, float), np.asarray(outcome, float)
    cut = ~np.isnan(y)
    n, n_all = int(cut.sum()), len(x)
    if not np.isfinite(x).all():
        raise ValueError(
            "the cheap measurement is missing in some plots: leave them out of the population first"
        )
    if n < LEAST_CUT:
        raise ValueError(f"{n} cut plots: at least {LEAST_CUT} are needed")
    if np.ptp(x[cut]) == 0:
        raise ValueError("the cheap measurement is the same in all cut plots: it tells nothing")
    dx, dy = x[cut] - x[cut].mean(), y[cut] - y[cut].mean()
    slope = dx @ dy / (dx @ dx)
    rest = ((dy - slope * dx) ** 2).sum() / (n - 2)
    away = x.mean() - x[cut].mean()
    population = np.inf if n_population is None else n_population
    if population < n_all:
        raise ValueError(f"n_population = {n_population}, but {n_all} plots were measured")
    first = rest * (1 / n - 1 / n_all + away**2 / (dx @ dx))
    second = (slope**2 * x.var(ddof=1) + rest) * (1 / n_all - 1 / population)
    return _estimate(y[cut].mean() + slope * away, np.sqrt(first + second), n - 2, n, n_all, level)


def _ask(chosen_at_random):
    if chosen_at_random is None:
        raise ValueError(
            "were the cut plots chosen at random? Without an answer cut and uncut plots are "
            "not joined"
        )
    if not chosen_at_random:
        raise ValueError(
            "the cut plots were not chosen at random: joined with the uncut ones they would mislead"
        )


def _estimate(mean, se, df, n, n_all, level):
    half = stats.t.ppf(0.5 + level / 2, df) * se
    return Estimate(float(mean), float(se), float(mean - half), float(mean + half), n, n_all)


def stratified_mean(
    frame: pd.DataFrame, value: str, stratum: str, sizes: pd.Series, *, level: float = 0.95
) -> Estimate:
    """Mean of a population from random plots (or plants) of every stratum.

    Parameters
    ----------
    frame : DataFrame
        One row per sampled unit, no missing value.
    value, stratum : str
        Columns.
    sizes : Series
        Units in each stratum, by name.
    level : float
        Confidence of the interval, 0-1.

    Returns
    -------
    Estimate
        ``n_measured`` is the number of units in all strata.

    Raises
    ------
    ValueError
        A stratum without a size, or with fewer than two sampled units.

    References
    ----------
    Cochran (1977) Sampling Techniques, 3rd ed., section 5.4.
    """
    groups = frame.groupby(stratum)[value]
    n, means, variances = groups.size(), groups.mean(), groups.var(ddof=1)
    unknown = sorted(set(sizes.index) ^ set(n.index))
    if unknown or (n < 2).any() or (n > sizes.reindex(n.index)).any():
        raise ValueError(
            "every stratum needs a size and two sampled units or more, no more than its size"
        )
    weight = sizes[n.index] / sizes.sum()
    variance = weight**2 * variances / n * (1 - n / sizes[n.index])
    return _estimate(
        (weight * means).sum(),
        np.sqrt(variance.sum()),
        int(n.sum() - len(n)),
        int(n.sum()),
        int(sizes.sum()),
        level,
    )


def cluster_total(
    frame: pd.DataFrame, value: str, cluster: str, n_clusters: int, *, level: float = 0.95
) -> Estimate:
    """Total of a population from all units of clusters chosen at random (all plants of chosen plots).

    Parameters
    ----------
    frame : DataFrame
        One row per unit of a chosen cluster, no missing value.
    value, cluster : str
        Columns.
    n_clusters : int
        Clusters in the population, at least those chosen.
    level : float
        Confidence of the interval, 0-1.

    Returns
    -------
    Estimate
        ``mean`` is the total; ``n_cut`` the chosen clusters.

    Raises
    ------
    ValueError
        Fewer than two clusters, or more than the population has.

    References
    ----------
    Cochran (1977) Sampling Techniques, 3rd ed., section 9.2.
    """
    totals = frame.groupby(cluster)[value].sum()
    n = _clusters(totals, n_clusters)
    se = n_clusters * np.sqrt((1 - n / n_clusters) * totals.var(ddof=1) / n)
    return _estimate(n_clusters * totals.mean(), se, n - 1, n, n_clusters, level)


def cluster_mean(
    frame: pd.DataFrame, value: str, cluster: str, n_clusters: int, *, level: float = 0.95
) -> Estimate:
    """Mean per unit from all units of clusters chosen at random.

    Parameters
    ----------
    frame, value, cluster, n_clusters, level
        As for :func:`cluster_total`.

    Returns
    -------
    Estimate

    Notes
    -----
    The ratio of the clusters' totals to their sizes, which are not alike; standard error from the totals'
    departures from it.

    References
    ----------
    Cochran (1977) Sampling Techniques, 3rd ed., sections 2.11 and 9A.2.
    """
    groups = frame.groupby(cluster)[value]
    totals, sizes = groups.sum(), groups.size()
    n = _clusters(totals, n_clusters)
    mean = totals.sum() / sizes.sum()
    rest = totals - mean * sizes
    se = np.sqrt((1 - n / n_clusters) * (rest**2).sum() / (n - 1) / n) / sizes.mean()
    return _estimate(mean, se, n - 1, n, n_clusters, level)


def _clusters(totals, n_clusters):
    n = len(totals)
    if n < 2 or n > n_clusters:
        raise ValueError(
            f"{n} clusters of {n_clusters}: at least two and no more than there are must be chosen"
        )
    return n


def calibrated_mean(
    frame: pd.DataFrame,
    value: str,
    known: pd.Series,
    cluster: str,
    n_clusters: int,
    n_units: int,
    *,
    level: float = 0.95,
) -> Estimate:
    """Mean per unit from clusters chosen at random, moved to what is known of all units.

    Parameters
    ----------
    frame : DataFrame
        One row per unit of a chosen cluster (a plot of a block that was cut), no missing value.
    value, cluster : str
        Columns.
    known : Series
        Mean over all units of cheap measurements, by their column in ``frame``.
    n_clusters, n_units : int
        Clusters and units there are.
    level : float
        Confidence of the interval, 0-1.

    Returns
    -------
    Estimate
        ``n_cut`` the chosen clusters, ``n_measured`` all units.

    Raises
    ------
    ValueError
        Fewer than two clusters, or measurements that say the same.

    Notes
    -----
    Regression estimator: sampled units are weighed so that their means of the cheap measurements are the
    known ones; standard error from the clusters' totals of the weighed residuals.

    References
    ----------
    Deville & Särndal (1992) J. Am. Stat. Assoc. 87:376-382.
    """
    y = frame[value].to_numpy(float)
    x = np.column_stack([np.ones(len(frame)), frame[list(known.index)].to_numpy(float)])
    square = x.T @ x
    if np.linalg.matrix_rank(square) < len(square):
        raise ValueError("the cheap measurements are collinear: leave one out")
    weight = 1 + x @ np.linalg.solve(
        square, len(x) * np.append(1.0, known.to_numpy(float)) - x.sum(axis=0)
    )
    weight = weight / weight.sum()
    mean = weight @ y
    rest = y - mean - x @ np.linalg.solve(square, x.T @ (y - mean))
    totals = pd.Series(weight * rest).groupby(frame[cluster].to_numpy()).sum()
    n = _clusters(totals, n_clusters)
    se = np.sqrt((1 - n / n_clusters) * n * totals.var(ddof=1))
    return _estimate(mean, se, n - 1, n, n_units, level)
