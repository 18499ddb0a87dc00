"""Simple comparisons of shares, and how alike the plants of a plot are."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import optimize, special


def combine_limits(first, second, correlation=0.0):
    """Limits of a difference of two estimates from the limits of each.

    Parameters
    ----------
    first, second : tuple of array_like
        (estimate, lower, upper) of either quantity, on one scale.
    correlation : array_like
        Correlation of the two estimates, -1 to 1.

    Returns
    -------
    tuple of ndarray
        Lower and upper limit of ``first - second``. With Wilson limits and no correlation it is
        Newcombe's hybrid score interval; limits that respect a boundary keep the difference inside.

    References
    ----------
    Zou & Donner (2008) Stat. Med. 27:1693-1702; Newcombe (1998) Stat. Med. 17:873-890, method 10.

    Examples
    --------
    >>> from statsmodels.stats.proportion import proportion_confint
    >>> a, b = (56, 70), (48, 80)
    >>> triple = lambda k, n: (k / n, *proportion_confint(k, n, method="wilson"))
    >>> low, high = combine_limits(triple(*a), triple(*b))
    >>> round(float(low), 4), round(float(high), 4)
    (0.0524, 0.3339)
    """
    (p1, l1, u1), (p2, l2, u2) = ([np.asarray(v, float) for v in t] for t in (first, second))
    down = (p1 - l1) ** 2 + (u2 - p2) ** 2 - 2 * correlation * (p1 - l1) * (u2 - p2)
    up = (u1 - p1) ** 2 + (p2 - l2) ** 2 - 2 * correlation * (u1 - p1) * (p2 - l2)
    return p1 - p2 - np.sqrt(np.maximum(down, 0)), p1 - p2 + np.sqrt(np.maximum(up, 0))


@dataclass(frozen=True)
class BetaBinomial:
    """A fitted beta-binomial model.

    ``coefficients`` on the logit scale by column, ``correlation`` of two plants of one plot (0-1)
    and ``loglik`` without the binomial coefficients left out.
    """

    coefficients: pd.Series
    correlation: float
    loglik: float


def fit_beta_binomial(alive, total, design: pd.DataFrame) -> BetaBinomial:
    """Maximum-likelihood beta-binomial: how alike two plants of one plot are.

    Parameters
    ----------
    alive, total : array_like of int
        Plants alive and at risk in each plot.
    design : DataFrame
        Fixed-effect design, one row per plot, full column rank.

    Returns
    -------
    BetaBinomial
        ``correlation`` is rho of p ~ Beta(m(1 - rho)/rho, (1 - m)(1 - rho)/rho); the variance of a
        share is m(1 - m)(1 + (n - 1) rho)/n.

    Raises
    ------
    ValueError
        The search does not settle.

    References
    ----------
    Crowder (1978) Appl. Stat. 27:34-37.
    """
    y, n, x = np.asarray(alive, float), np.asarray(total, float), design.to_numpy(float)
    constant = (special.gammaln(n + 1) - special.gammaln(y + 1) - special.gammaln(n - y + 1)).sum()

    def cost(theta):
        mean, rho = special.expit(x @ theta[:-1]), special.expit(theta[-1])
        a, b = mean * (1 - rho) / rho, (1 - mean) * (1 - rho) / rho
        return -(special.betaln(y + a, n - y + b) - special.betaln(a, b)).sum() - constant

    first = np.linalg.lstsq(x, np.log((y + 0.5) / (n - y + 0.5)), rcond=None)[0]
    starts, options = [np.append(first, s) for s in (-4.0, -2.0)], {"ftol": 1e-13, "gtol": 1e-7}
    runs = [optimize.minimize(cost, s, method="L-BFGS-B", options=options) for s in starts]
    best = min(runs, key=lambda run: run.fun)
    if not np.isfinite(best.fun):
        raise ValueError("the beta-binomial fit does not settle: its likelihood is not finite")
    correlation = float(special.expit(best.x[-1]))
    return BetaBinomial(pd.Series(best.x[:-1], index=design.columns), correlation, -best.fun)
