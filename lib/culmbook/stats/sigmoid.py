"""Sigmoids with free lower and upper limits, by least squares."""

from dataclasses import dataclass, field, replace
from itertools import product

import numpy as np
from scipy import optimize, special

SHAPES = ("logistic", "gompertz")
_UNDETERMINED = "the temperatures do not determine a sigmoid"
_ALIKE = 1e-5  # of the least sum of squares: starts that end this close found the same one
_LEAST_SHARE = 0.2  # of the starts that must do so


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
        x of half way between the limits (logistic) or of 1/e of the way (gompertz).
    shifts : ndarray
        Shift of each group along x, summing to zero; a single 0 without groups.
    squares, df : float, int
        Residual sum of squares (in units of ``sd``) and its degrees of freedom.
    unscaled : ndarray
        Covariance of (lower, upper, slope, middle, shifts but the last) for a residual variance of 1.
    jacobian : ndarray
        Derivatives of the fitted y, in units of ``sd``, by the same estimates.
    shape : {'logistic', 'gompertz'}
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
    shape: str
    verdict: str

    @property
    def estimates(self) -> np.ndarray:
        """Lower, upper, slope, middle, and the shifts but the last."""
        return np.r_[self.lower, self.upper, self.slope, self.middle, self.shifts[:-1]]

    @property
    def leverage(self) -> np.ndarray:
        """Share of each observation's error that the fit follows, 0-1."""
        return np.einsum("ij,jk,ik->i", self.jacobian, self.unscaled, self.jacobian)

    @property
    def residual_sd(self) -> float:
        """Residual standard deviation, units of y."""
        return float(np.sqrt(self.squares / self.df))

    def height(self, x):
        """y at x, the groups' shifts left out."""
        way = _way(self.slope * (np.asarray(x, float) - self.middle), self.shape)
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
        place = -special.logit(way) if self.shape == "logistic" else np.log(-np.log(way))
        return float(self.middle + place / self.slope)

    def half_gradient(self) -> np.ndarray:
        """Derivative of the x of half the upper limit by the estimates, in the order of ``unscaled``."""
        estimates = np.array([self.lower, self.upper, self.slope, self.middle])
        gradient = np.zeros(len(self.unscaled))
        for i in range(4):
            step = 1e-6 * max(1.0, abs(estimates[i])) * (np.arange(4) == i)
            ends = [self._half(estimates + sign * step) for sign in (1, -1)]
            gradient[i] = (ends[0] - ends[1]) / (2 * step[i])
        return gradient

    def _half(self, estimates):
        lower, upper, slope, middle = estimates
        return replace(self, lower=lower, upper=upper, slope=slope, middle=middle).at(upper / 2)

    def of_shifts(self, covariance: np.ndarray) -> np.ndarray:
        """Covariance of all groups' shifts from that of the estimates."""
        n = len(self.shifts) - 1
        turn = np.vstack([np.eye(n), -np.ones((1, n))])
        return turn @ covariance[4:, 4:] @ turn.T


def _way(place, shape):
    return special.expit(-place) if shape == "logistic" else np.exp(-np.exp(place))


def fit_sigmoid(
    x, y, *, groups=None, sd=None, shape: str = "logistic", near: Sigmoid | None = None
) -> Sigmoid:
    """Fit a sigmoid with free limits.

    Parameters
    ----------
    x, y : array_like
        At least one observation more than there are estimates. x may be minus infinity (a dose of 0 on a
        logarithmic axis), where y is the upper limit.
    groups : array_like, optional
        Groups, for example freezer runs, whose sigmoids are shifted along x.
    sd : array_like, optional
        Relative standard deviations of y; all alike by default.
    shape : {'logistic', 'gompertz'}
    near : Sigmoid, optional
        A converged fit of the same groups with other ``sd``, from which alone the search then starts.

    Returns
    -------
    Sigmoid

    Raises
    ------
    ValueError
        An unknown shape, or too few observations.

    Notes
    -----
    y = L + (U - L)/(1 + exp(b (x - m))), or L + (U - L) exp(-exp(b (x - m))). The search starts from nine
    places; the result is called converged when at least two starts end at the least sum of squares, inside
    the bounds.

    References
    ----------
    Ritz & Streibig (2005) J. Stat. Softw. 12(5); Lim, Arora & Townsend (1998) J. Am. Soc. Hortic. Sci.
    123:246-252 for Gompertz's curve of freezing injury.

    Examples
    --------
    >>> fit = fit_sigmoid([-6, -5, -4, -3, -2, -1], [0.89, 0.86, 0.64, 0.26, 0.05, 0.01])
    >>> round(fit.upper, 2), round(fit.middle, 1)
    (0.91, -3.5)
    """
    if shape not in SHAPES:
        raise ValueError(f"shape is {shape!r}; it must be one of {', '.join(SHAPES)}")
    x, y = np.asarray(x, float), np.asarray(y, float)
    sd = np.ones(len(x)) if sd is None else np.asarray(sd, float)
    shift = _shift_design(groups, len(x))
    if len(x) <= 4 + shift.shape[1]:
        raise ValueError(
            f"a sigmoid with {4 + shift.shape[1]} estimates needs more than {len(x)} observations"
        )

    def residual(p):
        return (p[0] + (p[1] - p[0]) * _way(p[2] * (x - shift @ p[4:] - p[3]), shape) - y) / sd

    low, high = _bounds(x, y, shift.shape[1])
    runs = [
        optimize.least_squares(
            residual,
            np.clip(start, low, high),
            bounds=(low, high),
            x_scale="jac",
            ftol=1e-14,
            xtol=1e-14,
            gtol=1e-14,
            max_nfev=2000,
        )
        for start in (_starts(x, y, shift.shape[1]) if near is None else [near.estimates])
    ]
    best = min(runs, key=lambda run: run.cost)
    return _result(best, runs, (low, high), shift, len(x), shape)


def _shift_design(groups, n):
    if groups is None:
        return np.zeros((n, 0))
    groups = np.asarray(groups)
    member = (groups[:, None] == np.unique(groups)).astype(float)
    return member[:, :-1] - member[:, -1:]


def _starts(x, y, n_shifts):
    finite = x[np.isfinite(x)]
    for middle, width in product(np.quantile(finite, [0.25, 0.5, 0.75]), (0.5, 0.2, 0.05)):
        yield np.r_[y.min(), y.max(), 1 / (width * np.ptp(finite)), middle, np.zeros(n_shifts)]


def _bounds(x, y, n_shifts):
    """Wide bounds: limits half the range beyond the data, the middle a whole range beyond them."""
    reach, span = np.ptp(y), np.ptp(x[np.isfinite(x)])
    finite = x[np.isfinite(x)]
    low = np.r_[
        y.min() - reach / 2, y.min(), 1e-3 / span, finite.min() - span, np.full(n_shifts, -span)
    ]
    high = np.r_[
        y.max(), y.max() + reach / 2, 500 / span, finite.max() + span, np.full(n_shifts, span)
    ]
    return low, high + 1e-12


def _result(best, runs, bounds, shift, n, shape):
    squares, df = 2 * best.cost, n - len(best.x)
    found = [run.cost <= best.cost * (1 + _ALIKE) + 1e-12 for run in runs]
    margin = 1e-6 * (bounds[1] - bounds[0])
    inside = (best.x > bounds[0] + margin) & (best.x < bounds[1] - margin)
    verdict = "converged"
    if sum(found) < _LEAST_SHARE * len(runs):
        verdict = "the search ended in different places"
    elif not inside.all() or best.x[1] <= best.x[0]:
        verdict = _UNDETERMINED
    shifts = best.x[4:]
    information = best.jac.T @ best.jac
    if np.linalg.cond(information) > 1e14:
        verdict, information = _UNDETERMINED, information + 1e-9 * np.eye(len(information))
    return Sigmoid(
        *map(float, best.x[:4]),
        shifts=np.append(shifts, -shifts.sum()),
        squares=float(squares),
        df=df,
        unscaled=np.linalg.inv(information),
        jacobian=best.jac,
        shape=shape,
        verdict=verdict,
    )
