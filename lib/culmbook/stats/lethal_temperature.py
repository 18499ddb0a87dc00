"""Where a fitted line reaches a given height: the temperature that kills a given share, with its limits.

A dose-response curve is a line on its link scale, intercept + slope × x. These functions turn the line's
coefficients and their covariance into the x at which it passes a level, whatever model the line came from.
"""

import numpy as np


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


def crossing_error(intercept: float, slope: float, covariance, level: float = 0.0) -> float:
    """Approximate standard error of :func:`crossing`.

    Parameters
    ----------
    intercept, slope, level : float
        As for :func:`crossing`.
    covariance : array_like, shape (2, 2)
        Covariance of intercept and slope.

    Returns
    -------
    float
        By the first derivatives: too small where the slope is little larger than its own standard error.

    References
    ----------
    Venables & Ripley (2002) Modern Applied Statistics with S, 4th ed., section 7.2.

    Examples
    --------
    >>> round(crossing_error(7.0, 2.0, [[0.16, 0.0], [0.0, 0.0]]), 6)
    0.2
    """
    direction = np.array([1.0, crossing(intercept, slope, level)]) / slope
    return float(np.sqrt(direction @ np.asarray(covariance, float) @ direction))


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
        Lower and upper limit. Both are infinite when the slope is not clearly different from 0: then no
        bounded interval has the confidence asked for.

    Notes
    -----
    The x for which (intercept + slope x - level)² <= critical² Var(intercept + slope x).

    References
    ----------
    Fieller (1954) J. R. Stat. Soc. B 16:175-185; Finney (1971) Probit Analysis, 3rd ed., section 4.4.

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
