"""Gain of two stages of selection from a population without end: what the funnel is held against."""

import numpy as np
from scipy import integrate, optimize, special, stats

_FAR = 12.0


def two_stage_gain(r1: float, r2: float, rho: float, share1: float, share2: float) -> float:
    """Mean true value of what two stages of selection leave, in standard deviations of the true
    value.

    Parameters
    ----------
    r1, r2 : float
        Correlation of the first and of the second stage's criterion with the true value, -1 to 1.
        The second criterion may contain the first.
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

    where k2 is such that both thresholds are passed with probability a: after the first stage the
    second criterion is no longer normal, so k2 is not the normal quantile of share2. True value and
    criteria are jointly normal before selection and the population is without end.

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
