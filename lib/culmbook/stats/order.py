"""How far above the mean of all do the chosen ones lie? Selection of the best by a normal criterion."""

import numpy as np
from scipy import integrate, optimize, special, stats

MOST_ENTRIES = 10_000
"""Entries up to which order statistics are computed; beyond it the infinite population serves as well."""
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
    ``phi(z) / p`` with z the value that a share p exceeds. A population of n has a smaller intensity:
    see :func:`finite_intensity`.

    References
    ----------
    Falconer & Mackay (1996) Introduction to Quantitative Genetics, 4th ed., ch. 11 and appendix table A.

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
    The density of the r-th largest is ``n! / ((r-1)! (n-r)!) phi(x) (1 - Phi(x))^(r-1) Phi(x)^(n-r)``;
    its mean is a trapezoid sum, which for such smooth integrands is exact to rounding.

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
    logs = stats.norm.logpdf(x), special.log_ndtr(-x), special.log_ndtr(x)
    return np.array([_mean_of_rank(r, n, x, *logs) for r in range(1, first + 1)])


def _mean_of_rank(rank, n, x, log_density, log_above, log_below):
    constant = special.gammaln(n + 1) - special.gammaln(rank) - special.gammaln(n - rank + 1)
    density = np.exp(constant + log_density + (rank - 1) * log_above + (n - rank) * log_below)
    return float(density @ x * (x[1] - x[0]))


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
    Falconer & Mackay (1996), appendix table B; Becker (1984) Manual of Quantitative Genetics, 4th ed.

    Examples
    --------
    >>> round(finite_intensity(2, 10), 2)
    1.27
    """
    if not 1 <= kept <= entries:
        raise ValueError(f"kept = {kept}: of {entries} entries, 1 to {entries} can be kept")
    return 0.0 if kept == entries else float(order_statistics(entries, kept).mean())


def two_stage_gain(r1: float, r2: float, rho: float, share1: float, share2: float) -> float:
    """Mean true value of what two stages of selection leave, in standard deviations of the true value.

    Parameters
    ----------
    r1, r2 : float
        Correlation of the first and of the second stage's criterion with the true value, -1 to 1. The second
        criterion may contain the first.
    rho : float
        Correlation of the two criteria before any selection, between -1 and 1.
    share1, share2 : float
        Share kept in the first stage, and of those the share kept in the second; over 0, at most 1.

    Returns
    -------
    float

    Raises
    ------
    ValueError
        A number out of range, or three correlations that no three quantities can have.

    Notes
    -----
    With a = share1 share2, k1 and k2 the least values kept and s = sqrt(1 - rho^2)::

        [r1 phi(k1) Phi((rho k1 - k2) / s) + r2 phi(k2) Phi((rho k2 - k1) / s)] / a

    where k2 is such that both thresholds are passed with probability a: after the first stage the second
    criterion is no longer normal, so k2 is not the normal quantile of share2. True value and criteria are
    jointly normal before selection and the population is without end.

    References
    ----------
    Cochran (1951) Proc. 2nd Berkeley Symp. 449-470; Tallis (1961) J. R. Stat. Soc. B 23:223-229.

    Examples
    --------
    >>> round(two_stage_gain(0.6, 0.8, 0.48, 0.25, 0.2), 3)
    1.667
    """
    _check_two_stages(r1, r2, rho, share1, share2)
    k1, s = -special.ndtri(share1), np.sqrt(1 - rho**2)
    k2 = _second_threshold(k1, rho, share1, share2)
    first = r1 * stats.norm.pdf(k1) * special.ndtr((rho * k1 - k2) / s) if share1 < 1 else 0.0
    second = r2 * stats.norm.pdf(k2) * special.ndtr((rho * k2 - k1) / s) if share2 < 1 else 0.0
    return float((first + second) / (share1 * share2))


def _check_two_stages(r1, r2, rho, share1, share2):
    if not (0 < share1 <= 1 and 0 < share2 <= 1):
        raise ValueError(f"shares {share1} and {share2}: each lies over 0 and is at most 1")
    if not (abs(r1) <= 1 and abs(r2) <= 1 and abs(rho) < 1):
        raise ValueError(f"correlations {r1}, {r2} and {rho}: each lies between -1 and 1")
    if 1 + 2 * r1 * r2 * rho - r1**2 - r2**2 - rho**2 < -1e-12:
        raise ValueError(f"no three quantities can have the correlations {r1}, {r2} and {rho}")


def _second_threshold(k1, rho, share1, share2):
    """Least value of the second criterion that a share of those kept first exceed."""
    if share2 == 1:
        return -np.inf
    s = np.sqrt(1 - rho**2)

    def excess(k2):
        low = max(k1, -_FAR)
        passed = integrate.quad(
            lambda x: stats.norm.pdf(x) * special.ndtr((rho * x - k2) / s), low, _FAR, epsabs=1e-12
        )[0]
        return passed - share1 * share2

    return optimize.brentq(excess, -_FAR, _FAR, xtol=1e-10)
