"""A straight line with the uncertainty of what is read off it."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import stats


@dataclass(frozen=True)
class StraightLine:
    """A line fitted by least squares: ``y = intercept + slope (x - origin)``.

    ``covariance`` that of intercept and slope (2 x 2), ``sd`` the residual standard deviation, ``df`` its
    degrees of freedom.
    """

    intercept: float
    slope: float
    origin: float
    covariance: np.ndarray
    sd: float
    df: int

    @property
    def correlation(self) -> float:
        """Correlation of the two estimates, -1 to 1."""
        a, b = np.sqrt(np.diag(self.covariance))
        return float(self.covariance[0, 1] / (a * b))

    def at(self, x):
        """Value of the line and its standard error at ``x``."""
        rows = np.column_stack([np.ones(np.size(x)), np.ravel(x) - self.origin])
        return rows @ [self.intercept, self.slope], np.sqrt(
            np.einsum("ij,jk,ik->i", rows, self.covariance, rows)
        )

    def slope_interval(self, level: float = 0.95) -> tuple[float, float]:
        """Limits of the slope, Student's t."""
        half = stats.t.ppf(0.5 + level / 2, self.df) * np.sqrt(self.covariance[1, 1])
        return self.slope - half, self.slope + half


def fit_line(x, y, origin: float = 0.0) -> StraightLine:
    """Fit a straight line.

    Parameters
    ----------
    x, y : array_like
        At least three points, finite, ``x`` not all alike.
    origin : float
        Value of x that the intercept belongs to.

    Returns
    -------
    StraightLine

    Raises
    ------
    ValueError
        Too few points, values not finite, or x all alike.

    Examples
    --------
    >>> line = fit_line([1, 2, 3, 4], [2.0, 4.0, 6.0, 8.5])
    >>> round(line.slope, 2), round(line.intercept, 2)
    (2.15, -0.25)
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    if len(x) < 3 or not (np.isfinite(x).all() and np.isfinite(y).all()):
        raise ValueError("a line needs at least three finite points")
    if np.ptp(x) == 0:
        raise ValueError("all points lie at one x: there is no slope")
    design = np.column_stack([np.ones(len(x)), x - origin])
    q, r = np.linalg.qr(design)
    solution = np.linalg.solve(r, q.T @ y)
    rest = y - design @ solution
    df = len(x) - 2
    variance = rest @ rest / df
    root = np.linalg.inv(r)
    return StraightLine(
        float(solution[0]),
        float(solution[1]),
        origin,
        variance * root @ root.T,
        float(np.sqrt(variance)),
        df,
    )


class PartialSlope(NamedTuple):
    """Slope of y on x inside the cells of factors: with Student's limits, and the correlation that is
    left."""

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
        raise ValueError(
            "too little varies inside the factors, or too few degrees of freedom are left"
        )
    slope = sxy / sxx
    se = np.sqrt(max(syy - slope * sxy, 0.0) / df / sxx)
    half = stats.t.ppf(0.5 + level / 2, df) * se
    return PartialSlope(
        float(slope),
        float(se),
        int(df),
        float(slope - half),
        float(slope + half),
        float(sxy / np.sqrt(sxx * syy)),
    )


def errors_in_x_slope(x, y, error_variance: float) -> tuple[float, float, float]:
    """Slope of y on the true x where x was measured with a known error variance.

    Parameters
    ----------
    x, y : array_like
        Pairs, at least four.
    error_variance : float
        Variance of the measurement error of x, its unit squared, >= 0; independent of y.

    Returns
    -------
    tuple of float
        Slope, its standard error, intercept.

    Raises
    ------
    ValueError
        The error explains all the variance of x, or too few pairs.

    Notes
    -----
    ``b = s_xy / (s_xx - v)``. A plain regression is too flat by the share of x's variance that is error:
    stems counted on a few plants, for one. The standard error is Fuller's large-sample one.

    References
    ----------
    Fuller (1987) Measurement Error Models, section 1.2.
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    n = len(x)
    if n < 4 or error_variance < 0:
        raise ValueError("at least four pairs and an error variance of at least 0 are needed")
    s = np.cov(x, y)
    true = s[0, 0] - error_variance
    if true <= 0:
        raise ValueError(
            "the measurement error is as large as all differences in x: no slope can be told"
        )
    slope = s[0, 1] / true
    rest = ((y - y.mean() - slope * (x - x.mean())) ** 2).sum() / (n - 2)
    bias = slope * error_variance
    se = np.sqrt((s[0, 0] * rest + bias**2) / (n - 1)) / true
    return float(slope), float(se), float(y.mean() - slope * x.mean())
