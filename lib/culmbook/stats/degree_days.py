"""Warmth and chilling of a day from its lowest and highest temperature."""

import numpy as np


def degree_days_sine(min_c, max_c, base_c, upper_c=None):
    """Degree days of each day by the single-sine method.

    Parameters
    ----------
    min_c, max_c : array_like
        Daily extremes of the air temperature [°C]; missing gives missing.
    base_c : float
        Lower threshold [°C].
    upper_c : float, optional
        Upper threshold [°C] with a horizontal cut-off: warmth above it counts as `upper_c`.

    Returns
    -------
    numpy.ndarray
        Degree days [°C d], 0 or more.

    Raises
    ------
    ValueError
        When a day's minimum lies above its maximum, or `upper_c` is not above `base_c`.

    Notes
    -----
    With mean m, half range a and s = arcsin((base − m)/a), the area of the sine above the base is
    ((m − base)(π/2 − s) + a cos s)/π while the base lies within the day's range. The curve is taken
    as symmetric around noon, so days whose extremes fall at the wrong hours (a passing front) are
    off.

    References
    ----------
    Baskerville, G. L. & Emin, P. 1969, Ecology 50: 514–517, doi:10.2307/1933912. Zalom, F. G. et
    al. 1983, Degree-days: the calculation and use of heat units in pest management, University of
    California leaflet 21373.

    Examples
    --------
    >>> degree_days_sine([10, 15, 2], [20, 25, 8], 14).round(3)
    array([2.123, 6.   , 0.   ])
    """
    return _between(_sine_above, min_c, max_c, base_c, upper_c)


def degree_days_triangle(min_c, max_c, base_c, upper_c=None):
    """Degree days of each day by the single-triangle method.

    Parameters, returns and errors are those of :func:`degree_days_sine`.

    Notes
    -----
    The day runs straight from minimum to maximum and back; while the base lies between them the
    area above it is (max − base)² / (2 (max − min)).

    References
    ----------
    Lindsey, A. A. & Newman, J. E. 1956, Ecology 37: 812–823, doi:10.2307/1933072. Zalom et al.
    1983, as for the sine.

    Examples
    --------
    >>> degree_days_triangle([10, 15, 2], [20, 25, 8], 14)
    array([1.8, 6. , 0. ])
    """
    return _between(_triangle_above, min_c, max_c, base_c, upper_c)


def hours_between(min_c, max_c, low_c, high_c):
    """Hours of each day with a temperature between two limits, on a single-sine day.

    Parameters
    ----------
    min_c, max_c : array_like
        Daily extremes [°C]; missing gives missing.
    low_c, high_c : float
        Limits [°C], `low_c` below `high_c`.

    Returns
    -------
    numpy.ndarray
        Hours, 0 to 24.

    Raises
    ------
    ValueError
        When a day's minimum lies above its maximum, or the limits are not in order.

    Notes
    -----
    The sine is below t for the share 1/2 + arcsin((t − m)/a)/π of the day. With 0 and 7.2 °C this
    is the usual chilling hour (Weinberger, J. H. 1950, Proc. Amer. Soc. Hort. Sci. 56: 122–128; the
    lower limit is common practice).

    Examples
    --------
    >>> hours_between([0, 3, -5], [7.2, 3, -1], 0, 7.2)
    array([24., 24.,  0.])
    """
    if not low_c < high_c:
        raise ValueError(f"low_c = {low_c} must lie below high_c = {high_c}")
    mean, half = _mean_and_half_range(min_c, max_c)
    return 24 * (_share_below(mean, half, high_c) - _share_below(mean, half, low_c))


def _between(above, min_c, max_c, base_c, upper_c):
    mean, half = _mean_and_half_range(min_c, max_c)
    total = above(mean, half, base_c)
    if upper_c is None:
        return total
    if not base_c < upper_c:
        raise ValueError(f"base_c = {base_c} must lie below upper_c = {upper_c}")
    return total - above(mean, half, upper_c)


def _mean_and_half_range(min_c, max_c):
    low, high = np.asarray(min_c, dtype=float), np.asarray(max_c, dtype=float)
    if (wrong := np.flatnonzero(np.atleast_1d(low > high))).size:
        where = f"on {wrong.size} days, first at position {wrong[0]}"
        raise ValueError(f"the day's minimum lies above its maximum {where}: swap or fix the two")
    return (low + high) / 2, (high - low) / 2


def _position(mean, half, limit_c):
    """Place of the limit within the day's range: −1 at the minimum, 1 at the maximum, cut off
    there.
    """
    flat = np.where(limit_c > mean, 1.0, -1.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        place = np.where(half > 0, (limit_c - mean) / half, flat)
    return np.where(np.isnan(mean), np.nan, np.clip(place, -1, 1))


def _sine_above(mean, half, base_c):
    turn = np.arcsin(_position(mean, half, base_c))
    return np.maximum((mean - base_c) * (np.pi / 2 - turn) + half * np.cos(turn), 0) / np.pi


def _triangle_above(mean, half, base_c):
    left = 1 - _position(mean, half, base_c)  # twice the share of the day spent above the base
    # the base at or below the minimum: the mean's distance, else the triangle's tip
    return np.where(left >= 2, mean - base_c, half * left**2 / 4)


def _share_below(mean, half, limit_c):
    return 0.5 + np.arcsin(_position(mean, half, limit_c)) / np.pi
