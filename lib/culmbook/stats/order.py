"""How far above the mean of all do the chosen ones lie? Selection of the best by a normal
criterion.
"""

import numpy as np
from scipy import special, stats

MOST_ENTRIES = 10_000
"""Entries up to which order statistics are computed; beyond it the infinite population serves as
well.
"""
_FAR = 12.0


def intensity(share) -> np.ndarray | float:
    """Mean of the best share of a standard normal population without end.

    Parameters
    ----------
    share : float or array_like
        Share kept, over 0 and at most 1.

    Returns
    -------
    float or ndarray
        In standard deviations of the criterion; 0 where all are kept.

    Raises
    ------
    ValueError
        A share outside its range.

    Notes
    -----
    ``phi(z) / p`` with z the value that a share p exceeds. A population of n has a smaller
    intensity: see :func:`finite_intensity`.

    References
    ----------
    Falconer & Mackay (1996) Introduction to Quantitative Genetics, 4th ed., ch. 11 and appendix
    table A.

    Examples
    --------
    >>> round(intensity(0.05), 3)
    2.063
    """
    p = np.asarray(share, float)
    if not (np.all(p > 0) and np.all(p <= 1)):
        raise ValueError(f"share = {share}: the share kept lies over 0 and is at most 1")
    value = stats.norm.pdf(special.ndtri(p)) / p
    return float(value) if value.ndim == 0 else value


def order_statistics(n: int, first: int | None = None) -> np.ndarray:
    """Expected values of n standard normal values in order, the largest first.

    Parameters
    ----------
    n : int
        1 to 10,000.
    first : int, optional
        How many, counted from the largest; all by default.

    Returns
    -------
    ndarray

    Raises
    ------
    ValueError
        A number out of range.

    Notes
    -----
    The density of the r-th largest is ``n! / ((r-1)! (n-r)!) phi(x) (1 - Phi(x))^(r-1)
    Phi(x)^(n-r)``; its mean is a trapezoid sum, which for such smooth integrands is exact to
    rounding.

    References
    ----------
    Harter (1961) Biometrika 48:151-165.

    Examples
    --------
    >>> order_statistics(5, 2).round(5)
    array([1.16296, 0.49502])
    """
    if not 1 <= n <= MOST_ENTRIES:
        raise ValueError(f"n = {n}: order statistics are computed for 1 to {MOST_ENTRIES} entries")
    first = n if first is None else first
    if not 1 <= first <= n:
        raise ValueError(f"first = {first}: it lies between 1 and the {n} entries")
    step = min(0.02, 0.6 / np.sqrt(n))
    x = np.arange(-_FAR, _FAR + step / 2, step)
    log_above, log_below, log_density = (
        special.log_ndtr(-x),
        special.log_ndtr(x),
        stats.norm.logpdf(x),
    )
    values = np.empty(first)
    for rank in range(1, first + 1):
        constant = special.gammaln(n + 1) - special.gammaln(rank) - special.gammaln(n - rank + 1)
        density = np.exp(constant + log_density + (rank - 1) * log_above + (n - rank) * log_below)
        values[rank - 1] = density @ x * (x[1] - x[0])
    return values


def expected_largest(n: int) -> float:
    """Expected largest of n standard normal values.

    Examples
    --------
    >>> round(expected_largest(200), 3)
    2.746
    """
    return float(order_statistics(n, 1)[0])


def finite_intensity(kept: int, entries: int) -> float:
    """Mean of the best few of a given number of standard normal values.

    Parameters
    ----------
    kept, entries : int
        1 <= kept <= entries <= 10,000.

    Returns
    -------
    float
        In standard deviations of the criterion; smaller than :func:`intensity` at the same share.

    Raises
    ------
    ValueError
        A number out of range.

    References
    ----------
    Falconer & Mackay (1996), appendix table B; Becker (1984) Manual of Quantitative Genetics, 4th
    ed.

    Examples
    --------
    >>> round(finite_intensity(2, 10), 2)
    1.27
    """
    if not 1 <= kept <= entries:
        raise ValueError(f"kept = {kept}: of {entries} entries, 1 to {entries} can be kept")
    return 0.0 if kept == entries else float(order_statistics(entries, kept).mean())
