"""Curves by least squares: build-up of yield to a plateau, and sigmoids with free limits."""

from dataclasses import dataclass, field, replace
from itertools import product
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import optimize, special, stats

STEEPEST = 4.0
"""Rate per crop year beyond which yearly cuts cannot tell curves apart: 5 to 95 % in a year and a
half.
"""
_EXACT = {"ftol": 1e-14, "xtol": 1e-14, "gtol": 1e-14}
_UNDETERMINED = "the temperatures do not determine a sigmoid"
_ALIKE = 1e-5  # of the least sum of squares: starts that end this close found the same sigmoid
_LEAST_SHARE = 0.2  # of the starts that must do so


def _monomolecular(x, rate, lag):
    return -special.expm1(-rate * np.maximum(x - lag, 0.0))


def _logistic(x, rate, middle):
    return special.expit(rate * (x - middle))


def _gompertz(x, rate, middle):
    return np.exp(-np.exp(-np.clip(rate * (x - middle), -700, 700)))


BUILD_UP = {
    "monomolecular with lag": (_monomolecular, "lag"),
    "logistic": (_logistic, "middle"),
    "gompertz": (_gompertz, "middle"),
}
"""Curves tried for a build-up, with plateau 1, and what their second parameter beside the rate is
called; each has
three parameters, so the sum of squares ranks them."""


@dataclass(frozen=True)
class GrowthCurve:
    """A fitted curve.

    ``shape`` of :data:`BUILD_UP`; ``plateau`` in units of y; ``rate`` per unit of x and ``place``,
    the lag or the middle, in units of x; ``squares`` the residual sum of squares.
    """

    shape: str
    plateau: float
    rate: float
    place: float
    squares: float

    def height(self, x) -> np.ndarray:
        """y at x."""
        return self.plateau * BUILD_UP[self.shape][0](np.asarray(x, float), self.rate, self.place)

    def time_to(self, share: float = 0.95) -> float:
        """x at which the curve reaches a share (0 to 1) of its plateau."""
        if not 0 < share < 1:
            raise ValueError(f"share = {share}: a curve reaches shares between 0 and 1 only")
        way = {"logistic": special.logit(share), "gompertz": -np.log(-np.log(share))}
        return float(self.place + way.get(self.shape, -np.log1p(-share)) / self.rate)


def fit_growth(
    x, y, shape: str, *, most_rate=np.inf, most_starts: int | None = None
) -> GrowthCurve:
    """Fit one curve by least squares.

    Parameters
    ----------
    x, y : array_like
        Finite, more points at different x than parameters (as many are enough to draw).
    shape : str
        Of :data:`BUILD_UP`.
    most_rate : float
        Largest rate, per unit of x, over 0.
    most_starts : int, optional
        Search only from so many starts, those with the least sum of squares; all where left out.

    Returns
    -------
    GrowthCurve

    Raises
    ------
    ValueError
        Too few points, an unknown shape, no rise, or data that do not determine the curve.

    Notes
    -----
    For given shape the plateau is a linear least-squares estimate, so only the other parameters are
    searched, from a grid of starts; the least sum of squares wins.

    References
    ----------
    Golub & Pereyra (1973) SIAM J. Numer. Anal. 10:413-432; France & Thornley (1984) Mathematical
    Models in Agriculture, ch. 5, for the curves.

    Examples
    --------
    >>> x = np.arange(1, 7)
    >>> curve = fit_growth(x, 10 / (1 + np.exp(-0.8 * (x - 2))), "logistic")
    >>> round(curve.plateau, 3), round(curve.time_to(0.95), 2)
    (10.0, 5.68)
    """
    if shape not in BUILD_UP:
        raise ValueError(f"shape is {shape!r}; it must be one of {', '.join(BUILD_UP)}")
    x, y = np.asarray(x, float), np.asarray(y, float)
    function, place = BUILD_UP[shape]
    if not np.isfinite([x, y]).all():
        raise ValueError("x and y must be finite")
    if (n := len(np.unique(x))) < 3:
        raise ValueError(f"a {shape} curve has 3 parameters; {n} different x do not determine it")

    def fitted(rate, at):
        """Plateau, which is linear, and residuals."""
        way = function(x, rate, at)
        plateau = float(way @ y / (way @ way)) if way @ way > 0 else 0.0
        return plateau, y - plateau * way

    def parameters(p):
        return np.minimum(np.exp(np.clip(p[0], -40, 40)), most_rate), p[1]

    span = np.ptp(x)
    places = {"lag": np.array([-0.3, 0.0, 0.2]), "middle": np.linspace(0, 1, 5)}[place]
    starts = list(product(np.geomspace(0.05, 20, 5) / span, x.min() + span * places))
    if most_starts is not None:
        starts = sorted(starts, key=lambda at: (fitted(*at)[1] ** 2).sum())[:most_starts]
    found = []
    for rate, at in starts:
        first = [np.log(min(rate, 0.9 * most_rate)), at]
        try:
            run = optimize.least_squares(
                lambda p: fitted(*parameters(p))[1], first, method="lm", max_nfev=2000, **_EXACT
            )
        except ValueError:
            continue
        plateau = fitted(*parameters(run.x))[0]
        if plateau > 0 and np.isfinite(plateau):
            own = map(float, parameters(run.x))
            found.append(GrowthCurve(shape, plateau, *own, squares=2 * run.cost))
    if not found:
        raise ValueError(f"no {shape} curve fits: the points do not rise to a plateau")
    return min(found, key=lambda curve: curve.squares)


def best_growth(x, y, most_starts: int | None = None) -> GrowthCurve:
    """Fit the curves of a build-up and take the one with the least sum of squares.

    Parameters
    ----------
    x, y, most_starts
        As in :func:`fit_growth`, x in crop years, the rate at most :data:`STEEPEST`.

    Raises
    ------
    ValueError
        Where none can be fitted.
    """
    fits, why = [], ""
    for shape in BUILD_UP:
        try:
            fits.append(fit_growth(x, y, shape, most_rate=STEEPEST, most_starts=most_starts))
        except ValueError as error:
            why = str(error)
    if not fits:
        raise ValueError(why)
    return min(fits, key=lambda curve: curve.squares)


@dataclass(frozen=True)
class Sigmoid:
    """A sigmoid that falls from ``upper`` to ``lower`` with rising x.

    Attributes
    ----------
    lower, upper : float
        Limits far to the right and far to the left, in units of y.
    slope : float
        Steepness per unit of x, above 0.
    middle : float
        x of half way between the limits.
    shifts : ndarray
        Shift of each group along x, summing to zero; a single 0 without groups.
    squares, df : float, int
        Residual sum of squares (in units of ``sd``) and its degrees of freedom.
    unscaled : ndarray
        Covariance of (lower, upper, slope, middle, shifts but the last) for a residual variance of
        1.
    jacobian : ndarray
        Derivatives of the fitted y, in units of ``sd``, by the same estimates.
    verdict : str
        ``'converged'``, or what is wrong.
    """

    lower: float
    upper: float
    slope: float
    middle: float
    shifts: np.ndarray
    squares: float
    df: int
    unscaled: np.ndarray = field(repr=False)
    jacobian: np.ndarray = field(repr=False)
    verdict: str

    @property
    def estimates(self) -> np.ndarray:
        """Lower, upper, slope, middle, and the shifts but the last."""
        return np.r_[self.lower, self.upper, self.slope, self.middle, self.shifts[:-1]]

    @property
    def leverage(self) -> np.ndarray:
        """Share of each observation's error that the fit follows, 0-1."""
        return np.einsum("ij,jk,ik->i", self.jacobian, self.unscaled, self.jacobian)

    def height(self, x):
        """y at x, the groups' shifts left out."""
        way = special.expit(-self.slope * (np.asarray(x, float) - self.middle))
        return self.lower + (self.upper - self.lower) * way

    def steepness(self, x):
        """Absolute change of y for a unit of x, the groups' shifts left out."""
        step = 1e-5 / self.slope
        after, before = (self.height(np.asarray(x, float) + move) for move in (step, -step))
        return np.abs(after - before) / (2 * step)

    def at(self, y: float) -> float:
        """x at which the sigmoid has the height y; missing outside its limits."""
        way = (y - self.lower) / (self.upper - self.lower)
        if not 0 < way < 1:
            return np.nan
        return float(self.middle - special.logit(way) / self.slope)

    def half_gradient(self) -> np.ndarray:
        """Derivative of the x of half the upper limit by the estimates, in the order of
        ``unscaled``.
        """
        gradient = np.zeros(len(self.unscaled))
        for i, name in enumerate(("lower", "upper", "slope", "middle")):
            at = getattr(self, name)
            step = 1e-6 * max(1.0, abs(at))
            up, down = (replace(self, **{name: at + sign * step}) for sign in (1, -1))
            gradient[i] = (up.at(up.upper / 2) - down.at(down.upper / 2)) / (2 * step)
        return gradient

    def of_shifts(self, covariance: np.ndarray) -> np.ndarray:
        """Covariance of all groups' shifts from that of the estimates."""
        n = len(self.shifts) - 1
        turn = np.vstack([np.eye(n), -np.ones((1, n))])
        return turn @ covariance[4:, 4:] @ turn.T


def fit_sigmoid(x, y, *, groups=None, sd=None, near: Sigmoid | None = None) -> Sigmoid:
    """Fit a sigmoid with free limits.

    Parameters
    ----------
    x, y : array_like
        At least one observation more than there are estimates. x may be minus infinity (a dose of 0
        on a logarithmic axis), where y is the upper limit.
    groups : array_like, optional
        Groups, for example freezer runs, whose sigmoids are shifted along x.
    sd : array_like, optional
        Relative standard deviations of y; all alike by default.
    near : Sigmoid, optional
        A converged fit of the same groups with other ``sd``, from which alone the search then
        starts.

    Returns
    -------
    Sigmoid

    Raises
    ------
    ValueError
        Too few observations.

    Notes
    -----
    y = L + (U - L)/(1 + exp(b (x - m))). The search starts from nine
    places; the result is called converged when at least two starts end at the least sum of squares,
    inside the bounds.

    References
    ----------
    Ritz & Streibig (2005) J. Stat. Softw. 12(5).

    Examples
    --------
    >>> fit = fit_sigmoid([-6, -5, -4, -3, -2, -1], [0.89, 0.86, 0.64, 0.26, 0.05, 0.01])
    >>> round(fit.upper, 2), round(fit.middle, 1)
    (0.91, -3.5)
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    sd = np.ones(len(x)) if sd is None else np.asarray(sd, float)
    shift = np.zeros((len(x), 0))
    if groups is not None:
        member = (np.asarray(groups)[:, None] == np.unique(groups)).astype(float)
        shift = member[:, :-1] - member[:, -1:]
    n = 4 + shift.shape[1]
    if len(x) <= n:
        raise ValueError(f"a sigmoid with {n} estimates needs more than {len(x)} observations")

    def residual(p):
        return (p[0] + (p[1] - p[0]) * special.expit(-(p[2] * (x - shift @ p[4:] - p[3]))) - y) / sd

    # wide bounds: limits half the range beyond the data, the middle a whole range beyond them
    finite, reach, none = x[np.isfinite(x)], np.ptp(y), np.zeros(n - 4)
    span = np.ptp(finite)
    low = np.r_[y.min() - reach / 2, y.min(), 1e-3 / span, finite.min() - span, none - span]
    high = np.r_[y.max(), y.max() + reach / 2, 500 / span, finite.max() + span, none + span] + 1e-12
    places = product(np.quantile(finite, [0.25, 0.5, 0.75]), (0.5, 0.2, 0.05))
    starts = [np.r_[y.min(), y.max(), 1 / (wide * span), middle, none] for middle, wide in places]
    starts = starts if near is None else [near.estimates]
    options = {"bounds": (low, high), "x_scale": "jac", "max_nfev": 2000, **_EXACT}
    runs = [optimize.least_squares(residual, np.clip(s, low, high), **options) for s in starts]
    best = min(runs, key=lambda run: run.cost)
    margin, verdict = 1e-6 * (high - low), "converged"
    inside = (best.x > low + margin) & (best.x < high - margin)
    if sum(run.cost <= best.cost * (1 + _ALIKE) + 1e-12 for run in runs) < _LEAST_SHARE * len(runs):
        verdict = "the search ended in different places"
    elif not inside.all() or best.x[1] <= best.x[0]:
        verdict = _UNDETERMINED
    information = best.jac.T @ best.jac
    if np.linalg.cond(information) > 1e14:
        verdict, information = _UNDETERMINED, information + 1e-9 * np.eye(n)
    return Sigmoid(
        *map(float, best.x[:4]),
        shifts=np.append(best.x[4:], -best.x[4:].sum()),
        squares=float(2 * best.cost),
        df=len(x) - n,
        unscaled=np.linalg.inv(information),
        jacobian=best.jac,
        verdict=verdict,
    )


class PartialSlope(NamedTuple):
    """Slope of y on x inside the cells of factors, with Student's limits and the correlation left."""

    slope: float
    se: float
    df: int
    lower: float
    upper: float
    correlation: float


def partial_slope(x, y, factors: list, level: float = 0.95) -> PartialSlope:
    """Slope of y on x with the levels of factors (hybrids, replicates) held apart.

    Parameters
    ----------
    x, y : array_like
        Finite numbers.
    factors : list of array_like
        Factors whose effects are taken off both.
    level : float
        Confidence of the interval, 0-1.

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
    fixed = np.hstack([np.ones((len(np.asarray(x)), 1)), *dummies])
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
