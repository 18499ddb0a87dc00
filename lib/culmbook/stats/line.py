"""A straight line: its slope inside the cells of factors, and where it reaches a given height.

A dose-response curve is a line on its link scale, intercept + slope x. The temperature that kills a
given share is where that line passes a level, whatever model it came from.
"""

from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import stats


class PartialSlope(NamedTuple):
    """Slope of y on x inside the cells of factors, with Student's limits and the correlation left."""

    slope: float
    se: float
    df: int
    lower: float
    upper: float
    correlation: float


def partial_slope(x, y, factors: list, level: float = 0.95, given=None) -> PartialSlope:
    """Slope of y on x with the levels of factors (hybrids, replicates) held apart.

    Parameters
    ----------
    x, y : array_like
        Finite numbers.
    factors : list of array_like
        Factors whose effects are taken off both.
    level : float
        Confidence of the interval, 0-1.
    given : array_like, optional
        Further numeric columns to hold fixed.

    Returns
    -------
    PartialSlope

    Raises
    ------
    ValueError
        x or y does not vary inside the factors, or fewer than three degrees of freedom are left.

    References
    ----------
    Frisch & Waugh (1933) Econometrica 1:387-401.
    """
    dummies = [pd.get_dummies(pd.Series(np.asarray(f)), dtype=float).to_numpy() for f in factors]
    extra = [] if given is None else [np.asarray(given, float)]
    fixed = np.hstack([np.ones((len(np.asarray(x)), 1)), *dummies, *extra])
    both = np.column_stack([np.asarray(x, float), np.asarray(y, float)])
    both = both - both.mean(axis=0)
    rest = both - fixed @ np.linalg.lstsq(fixed, both, rcond=None)[0]
    df = len(both) - np.linalg.matrix_rank(fixed) - 1
    (sxx, sxy), (_, syy) = rest.T @ rest
    least = 1e-9 * (both**2).sum(axis=0)
    if df < 3 or sxx <= least[0] or syy <= least[1]:
        raise ValueError("too little varies inside the factors, or too few records are left")
    slope = sxy / sxx
    se = np.sqrt(max(syy - slope * sxy, 0.0) / df / sxx)
    half = stats.t.ppf(0.5 + level / 2, df) * se
    found = slope, se, df, slope - half, slope + half, sxy / np.sqrt(sxx * syy)
    return PartialSlope(*(value.item() for value in map(np.asarray, found)))


def crossing(intercept: float, slope: float, level: float = 0.0) -> float:
    """The x at which ``intercept + slope * x`` passes a level.

    Parameters
    ----------
    intercept, slope : float
        The line on the link scale; the slope is not 0.
    level : float
        Height on the link scale: for a logit of survival, logit(1 - share killed).

    Returns
    -------
    float

    Examples
    --------
    >>> crossing(7.0, 2.0)
    -3.5
    """
    return (level - intercept) / slope


def fieller_limits(
    intercept: float, slope: float, covariance, critical: float, level: float = 0.0
) -> tuple[float, float]:
    """Limits of :func:`crossing` by Fieller's theorem.

    Parameters
    ----------
    intercept, slope, level : float
        As for :func:`crossing`.
    covariance : array_like, shape (2, 2)
        Covariance of intercept and slope.
    critical : float
        Normal or t quantile, for example 1.96.

    Returns
    -------
    tuple of float
        Lower and upper limit. Both are infinite when the slope is not clearly different from 0:
        then no bounded interval has the confidence asked for.

    Notes
    -----
    The x for which (intercept + slope x - level)² <= critical² Var(intercept + slope x).

    References
    ----------
    Fieller (1954) J. R. Stat. Soc. B 16:175-185; Finney (1971) Probit Analysis, 3rd ed., section
    4.4.

    Examples
    --------
    >>> low, high = fieller_limits(7.0, 2.0, [[0.04, 0.0], [0.0, 0.01]], 2.0)
    >>> round(low, 3), round(high, 3)
    (-3.942, -3.129)
    """
    (v00, v01), (_, v11) = np.asarray(covariance, float)
    height = intercept - level
    square, linear = slope**2 - critical**2 * v11, height * slope - critical**2 * v01
    if square <= 0:
        return -np.inf, np.inf
    root = np.sqrt(linear**2 - square * (height**2 - critical**2 * v00))
    return float((-linear - root) / square), float((-linear + root) / square)
