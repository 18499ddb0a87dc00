"""The generalised extreme value distribution of yearly maxima: fit, levels, chances.

Fitted by penalised likelihood: 20 years say little about the shape, so it is drawn towards a stated
value. Beware of signs: ``shape`` is the usual xi (negative: bounded above), the negative of the
``c`` of :data:`scipy.stats.genextreme`.
"""

from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np
from scipy import optimize, special, stats

SHAPE_PRIOR = (-0.15, 0.15)
"""Mean and sd of the normal prior of the shape. An assumption: yearly extremes of temperature are
bounded, so
their shape is negative, and mostly lies between -0.4 and 0.1."""
_FAR = 1e10


@dataclass(frozen=True)
class GevFit:
    """A fitted generalised extreme value distribution of yearly maxima.

    ``location, scale`` in the unit of the data, ``shape`` (xi); ``loglik`` without the penalty and
    ``criterion``, -2 log likelihood plus the penalty; ``n`` years with a value, ``n_censored``
    years known only to lie below ``censored_at``; ``shape_prior`` mean and sd, or None.
    """

    location: float
    scale: float
    shape: float
    loglik: float
    criterion: float
    n: int
    n_censored: int = 0
    censored_at: float = np.nan
    shape_prior: tuple | None = SHAPE_PRIOR
    values: np.ndarray = field(repr=False, default=None)

    @property
    def parameters(self):
        """Location, logarithm of the scale, shape: the scale of the search."""
        return np.array([self.location, np.log(self.scale), self.shape])


def fit_gev(values, *, n_censored=0, censored_at=np.nan, shape_prior=SHAPE_PRIOR):
    """Fit the distribution of yearly maxima.

    Parameters
    ----------
    values : array_like
        One maximum per year, none missing; negate minima.
    n_censored : int
        Further years of which only is known that their maximum lies below `censored_at`.
    censored_at : float
        Needed when `n_censored` is above 0; no value lies below it.
    shape_prior : tuple of float or None
        Mean and sd of the shape's normal prior; None for plain maximum likelihood.

    Returns
    -------
    GevFit

    Raises
    ------
    ValueError
        Fewer than 5 values or all alike, a missing one, or a search that does not settle.

    Notes
    -----
    F(x) = exp(-(1 + xi (x - mu)/sigma)^(-1/xi)), the Gumbel distribution at xi = 0. The criterion
    is -2 log likelihood + ((xi - mean)/sd)². A censored year adds log F(censored_at).

    References
    ----------
    Coles, S. 2001, An Introduction to Statistical Modeling of Extreme Values, Springer, chapter 3;
    penalties on the shape: Coles, S. & Dixon, M. 1999, Extremes 2: 5–23; Martins, E. & Stedinger,
    J. 2000, Water Resources Research 36: 737–744, doi:10.1029/1999WR900330.

    Examples
    --------
    >>> fit = fit_gev([3.1, 4.0, 2.7, 5.2, 3.6, 3.3, 4.4, 2.9, 3.8, 4.9])
    >>> fit.shape < 0 < fit.scale
    True
    """
    values = np.asarray(values, dtype=float)
    if np.isnan(values).any():
        raise ValueError("a year has no value: leave such years out and say so")
    if len(values) < 5 or np.ptp(values) == 0:
        raise ValueError("an extreme value distribution needs 5 or more years not all alike")
    if n_censored and not (values >= censored_at).all():
        raise ValueError("censored_at must be given, and no value may lie below it")
    spread = values.std(ddof=1) * np.sqrt(6) / np.pi
    start = np.array([values.mean() - 0.577 * spread, np.log(spread), -0.05])
    blank = GevFit(0, 1, 0, 0, 0, len(values), n_censored, censored_at, shape_prior, values)
    best = _minimum(lambda theta: _cost(blank, theta), start)
    if best.fun >= _FAR:
        raise ValueError("the extreme value fit does not settle: its likelihood is not finite")
    location, scale, shape = float(best.x[0]), float(np.exp(best.x[1])), float(best.x[2])
    loglik = float((_penalty(best.x[2], shape_prior)[0] - best.fun) / 2)
    criterion = float(best.fun)
    return replace(
        blank, location=location, scale=scale, shape=shape, loglik=loglik, criterion=criterion
    )


def _minimum(cost, start, restarts=2):
    """Least cost: quasi-Newton, then, while it helps, the simplex, which does not mind the
    support's edge.
    """
    steps, simplex = {"gtol": 1e-4, "maxiter": 200}, {"xatol": 1e-7, "fatol": 1e-10}
    best = optimize.minimize(cost, start, jac=True, method="BFGS", options=steps)
    for _ in range(restarts):
        again = optimize.minimize(
            lambda theta: cost(theta)[0], best.x, method="Nelder-Mead", options=simplex
        )
        moved, best = best.fun - again.fun, min(best, again, key=lambda run: run.fun)
        if moved < 1e-7:
            break
    return best


def _penalty(shape, prior):
    """Penalty of the shape and its slope."""
    if prior is None:
        return 0.0, 0.0
    away = (shape - prior[0]) / prior[1]
    return away**2, 2 * away / prior[1]


def _cost(problem, theta):
    """Criterion at (location, log scale, shape) and its gradient; a large number outside the
    support.
    """
    location, log_scale, shape = theta
    scale = np.exp(np.clip(log_scale, -50, 50))
    standard = (problem.values - location) / scale
    if (1 + shape * standard).min() <= 0 or shape <= -1:  # below -1 the likelihood has no maximum
        return _FAR, np.zeros(3)
    reduced, by_standard, by_shape = _reduced(standard, shape)
    tail = np.exp(-reduced)
    pull = 1 + shape - tail
    cost = 2 * (len(reduced) * np.log(scale) + (1 + shape) * reduced.sum() + tail.sum())
    by_location = -(pull * by_standard).sum() / scale
    by_scale = len(reduced) - (pull * by_standard * standard).sum()
    gradient = 2 * np.array([by_location, by_scale, (reduced + pull * by_shape).sum()])
    if problem.n_censored:
        extra, slope = _censored_cost(problem, location, scale, shape)
        cost, gradient = cost + extra, gradient + slope
    penalty, slope = _penalty(shape, problem.shape_prior)
    return min(cost + penalty, _FAR), gradient + np.array([0, 0, slope])


def _reduced(standard, shape):
    """log(1 + shape x)/shape with its slopes by x and by shape; a series where the shape is close
    to 0.
    """
    inside = 1 + shape * standard
    if abs(shape) < 1e-5:
        by_shape = -(standard**2) / 2 + 2 * shape * standard**3 / 3
        return standard - shape * standard**2 / 2, 1 / inside, by_shape
    reduced = np.log(inside) / shape
    return reduced, 1 / inside, (standard / inside - reduced) / shape


def _censored_cost(problem, location, scale, shape):
    """Share of the years below the limit in the cost: -2 n log F, and its gradient."""
    standard = (problem.censored_at - location) / scale
    if 1 + shape * standard <= 0:
        return (_FAR if shape > 0 else 0.0), np.zeros(3)
    reduced, by_standard, by_shape = _reduced(standard, shape)
    cost = 2 * problem.n_censored * np.exp(-reduced)
    return cost, -cost * np.array([-by_standard / scale, -by_standard * standard, by_shape])


def _reduced_quantile(chance, shape):
    """Quantile of the standard distribution that is exceeded with this chance, and its slope by
    the shape.
    """
    log = np.log(-np.log1p(-np.clip(chance, 1e-12, 1 - 1e-12)))
    if abs(shape) < 1e-5:
        return -log + shape * log**2 / 2, log**2 / 2 - shape * log**3 / 3
    quantile = np.expm1(-shape * log) / shape
    return quantile, (-log * np.exp(-shape * log) - quantile) / shape


def return_level(fit, years, *, level=0.95):
    """Value that is exceeded once in so many years on average, with its profile-likelihood
    interval.

    Parameters
    ----------
    fit : GevFit
    years : float
        Return period [years], above 1.
    level : float
        Confidence level, 0–1.

    Returns
    -------
    tuple of float
        Estimate, lower and upper limit. Infinite where the likelihood never falls far enough.

    Notes
    -----
    The limits are where the criterion, minimised over scale and shape with the level held, has
    risen by the chi-squared quantile of 1 degree of freedom. The estimate leans to the mild side by
    about a tenth of the yearly values' sd with 20 years, as maximum likelihood does.

    References
    ----------
    Coles 2001 (see :func:`fit_gev`), section 3.3.4.
    """
    if years <= 1:
        raise ValueError(f"years = {years}: a return period is longer than 1 year")
    chance = 1 / years
    quantile = _reduced_quantile(chance, fit.shape)[0]
    best = fit.location + fit.scale * quantile
    step = 2 * fit.scale * max(1.0, abs(quantile)) / np.sqrt(fit.n)
    ends = (_limit(fit, lambda at: (at, chance), level, best, sign * step) for sign in (-1, 1))
    return float(best), *ends


def chance_above(fit, value, *, level=0.95):
    """Chance per year that the maximum exceeds a value, with its profile-likelihood interval.

    Parameters
    ----------
    fit : GevFit
    value : float
    level : float
        Confidence level, 0–1.

    Returns
    -------
    tuple of float
        Estimate, lower and upper limit, 0–1.

    Notes
    -----
    As for :func:`return_level`, with the chance's logit held instead of the level. Where the fitted
    distribution ends below the value the estimate is 0 and so is its lower limit.
    """
    standard = (value - fit.location) / fit.scale
    if 1 + fit.shape * standard <= 0:
        best = 1.0 if fit.shape > 0 else 0.0
    else:
        best = -np.expm1(-np.exp(-_reduced(standard, fit.shape)[0]))
    logit, step = float(np.clip(special.logit(best), -16, 16)), 1 / np.sqrt(fit.n)
    ends = (
        _limit(fit, lambda at: (value, special.expit(at)), level, logit, s) for s in (-step, step)
    )
    low, high = (float(special.expit(end)) for end in ends)
    return float(best), low if best > 0 else 0.0, high


def _limit(fit, hold, level, best, step):
    """Profile limit of a quantity on the side of ``step`` from its estimate; infinite where there
    is none.

    ``hold`` turns the quantity into a value and the chance of exceeding it.
    """
    critical, start = np.sqrt(stats.chi2.ppf(level, 1)), fit.parameters[1:]

    @cache  # each search starts where the last one ended, so a second one may end elsewhere
    def root(quantity):
        """Root of the criterion's rise, less that of the critical rise: nearly a straight line."""
        nonlocal start
        value, chance = hold(quantity)

        def cost(theta):
            scale, (quantile, slope) = np.exp(theta[0]), _reduced_quantile(chance, theta[1])
            height, gradient = _cost(fit, (value - scale * quantile, *theta))
            return height, gradient[1:] - gradient[0] * scale * np.array([quantile, slope])

        starts = [start]
        if cost(start)[0] >= _FAR:
            wide = [start[0] + wider for wider in (0.3, 1.0, 2.0)]
            starts = [np.array([scale, shape]) for scale in wide for shape in (0.02, -0.1)]
        found = min((_minimum(cost, s, restarts=0) for s in starts), key=lambda run: run.fun)
        start = found.x
        return np.sqrt(max(found.fun - fit.criterion, 0)) - critical

    if root(best) > 0:  # a chance of zero, held at the least one tried
        return float(best)
    inner, outer = best, best + step
    for _ in range(40):
        if root(outer) > 0:
            return float(optimize.brentq(root, inner, outer, xtol=1e-4 * abs(step)))
        inner, outer, step = outer, outer + step, 2 * step
    return float(np.inf * np.sign(step))


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


def finite_intensity(kept: int, entries: int) -> float:
    """Mean of the best few of a given number of standard normal values.

    Parameters
    ----------
    kept, entries : int
        1 <= kept <= entries.

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
    Harter (1961) Biometrika 48:151-165 for the expected values in order; Falconer & Mackay (1996),
    appendix table B; Becker (1984) Manual of Quantitative Genetics, 4th
    ed.

    Examples
    --------
    >>> round(finite_intensity(2, 10), 2)
    1.27
    """
    if not 1 <= kept <= entries:
        raise ValueError(f"kept = {kept}: of {entries} entries, 1 to {entries} can be kept")
    ranks = np.arange(entries, entries - kept, -1)
    best = stats.order_statistic(stats.Normal(), r=ranks, n=entries)
    return 0.0 if kept == entries else float(best.mean().mean())
