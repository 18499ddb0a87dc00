"""How cold once in ten winters? Return levels of the winter minimum, or why none can be given.

Winter minima are negated and become maxima, see :mod:`culmbook.stats.extremes`. The winters are taken as draws from
one climate: a warming one makes the levels too cold, which :func:`trend` shows.
"""

import numpy as np
import pandas as pd
from scipy import stats

from culmbook.stats.extremes import SHAPE_PRIOR, chance_above, fit_gev, return_level
from culmbook.text.numbers import fmt_count

MIN_YEARS = 15
"""Fewest years with which a return level is given."""
PERIODS = (2, 5, 10, 20)


def why_no_levels(values, *, n_censored=0, what="winter", min_years=MIN_YEARS):
    """Why no return level is given, or None when one can be.

    Parameters
    ----------
    values : array_like
        One value per year, none missing.
    n_censored : int
        Further years known to lie below the smallest that is recorded.
    what : str
        What a block is called: 'winter' or 'year'.
    min_years : int
        Fewest of them.

    Returns
    -------
    str or None

    Examples
    --------
    >>> why_no_levels([-4.0, -3.0], what="winter")
    'There are 2 complete winters, and return levels need 15: none is given.'
    """
    values = np.asarray(values, dtype=float)
    years = len(values) + n_censored
    if years < min_years:
        blocks = (
            f"is 1 complete {what}"
            if years == 1
            else f"are {fmt_count(years) if years else 'no'} complete {what}s"
        )
        return f"There {blocks}, and return levels need {min_years}: none is given."
    if len(values) < max(5, min_years / 3):
        return (
            f"Only {fmt_count(len(values))} of {fmt_count(years)} {what}s have a value: too few to fit how "
            "it is distributed, so no return level is given."
        )
    if np.ptp(values) == 0:
        return (
            f"All {what}s have the same value, so no return level is given: look at the readings."
        )
    return None


def cold_levels(
    minima, periods=PERIODS, *, level=0.95, shape_prior=SHAPE_PRIOR, min_years=MIN_YEARS
):
    """Return levels of the winter minimum: how cold once in so many winters.

    Parameters
    ----------
    minima : array_like
        One minimum per complete winter [°C], none missing.
    periods : sequence of float
        Return periods [winters].
    level : float
        Confidence level, 0–1.
    shape_prior : tuple of float or None
    min_years : int
        Fewest winters, at least 5.

    Returns
    -------
    pandas.DataFrame
        One row per period: period, minimum_c, lower_c, upper_c [°C], n_winters, beyond (whether the period
        is longer than the record, so that the level is extrapolated).

    Raises
    ------
    ValueError
        With the sentence of :func:`why_no_levels`.
    """
    minima = np.asarray(minima, dtype=float)
    reason = why_no_levels(minima, min_years=min_years)
    if reason:
        raise ValueError(reason)
    fit = fit_gev(-minima, shape_prior=shape_prior)
    rows = []
    for period in periods:
        estimate, low, high = return_level(fit, period, level=level)
        rows.append((period, -estimate, -high, -low, fit.n, period > fit.n))
    return pd.DataFrame(
        rows, columns=["period", "minimum_c", "lower_c", "upper_c", "n_winters", "beyond"]
    )


def chance_colder(minima, value_c, *, level=0.95, shape_prior=SHAPE_PRIOR):
    """Chance that a winter is colder than a temperature, such as an LT50, from the fitted distribution.

    Parameters
    ----------
    minima : array_like
        One minimum per complete winter [°C], none missing.
    value_c : float
        Temperature [°C].
    level : float
        Confidence level, 0–1.
    shape_prior : tuple of float or None

    Returns
    -------
    tuple of float
        Estimate, lower and upper limit, 0–1; see :func:`culmbook.stats.extremes.chance_above`.

    Raises
    ------
    ValueError
        With the sentence of :func:`why_no_levels`.
    """
    minima = np.asarray(minima, dtype=float)
    reason = why_no_levels(minima)
    if reason:
        raise ValueError(reason)
    return chance_above(fit_gev(-minima, shape_prior=shape_prior), -value_c, level=level)


def plotting_positions(values):
    """Empirical return period of each yearly maximum: (n + 0.12)/(rank - 0.44) years, largest rank 1.

    References
    ----------
    Gringorten, I. 1963, Journal of Geophysical Research 68: 813–814.

    Examples
    --------
    >>> plotting_positions([2.0, 5.0, 3.0]).round(2).tolist()
    [1.22, 5.57, 2.0]
    """
    rank = stats.rankdata(-np.asarray(values, dtype=float), method="ordinal")
    return (len(rank) + 0.12) / (rank - 0.44)


def trend(values, years, *, level=0.95):
    """Change of a yearly value over the record, which return levels take to be none.

    Parameters
    ----------
    values, years : array_like
        At least 5, none missing.
    level : float
        Confidence level, 0–1.

    Returns
    -------
    tuple of float
        Change per ten years with lower and upper limit (median of pairwise slopes), and p of Kendall's test.

    References
    ----------
    Sen, P. K. 1968, Journal of the American Statistical Association 63: 1379–1389.
    """
    slope = stats.theilslopes(values, years, alpha=level)
    p_value = stats.kendalltau(years, values).pvalue
    return 10 * float(slope[0]), 10 * float(slope[2]), 10 * float(slope[3]), float(p_value)
