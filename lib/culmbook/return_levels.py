"""How cold once in ten winters? Generalised extreme value distribution of one value per year.

The distribution of yearly maxima, fitted by penalised likelihood: 20 years say little about its shape, so the
shape is drawn towards a stated value. Winter minima are negated first. Beware of signs: ``shape`` is the
usual xi (negative: bounded above), the negative of the ``c`` of :data:`scipy.stats.genextreme`.
"""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy import optimize, special, stats

from culmbook.formats import fmt_count

MIN_YEARS = 15
"""Fewest years with which a return level is given."""
SHAPE_PRIOR = (-0.15, 0.15)
"""Mean and sd of the normal prior of the shape. An assumption: yearly extremes of temperature are bounded, so
their shape is negative, and mostly lies between -0.4 and 0.1."""
PERIODS = (2, 5, 10, 20)
_FAR = 1e10


@dataclass(frozen=True)
class GevFit:
    """A fitted generalised extreme value distribution of yearly maxima.

    ``location, scale`` in the unit of the data, ``shape`` (xi); ``loglik`` without the penalty and ``criterion``,
    -2 log likelihood plus the penalty; ``n`` years with a value, ``n_censored`` years known only to lie below
    ``censored_at``; ``shape_prior`` mean and sd, or None.
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
    F(x) = exp(-(1 + xi (x - mu)/sigma)^(-1/xi)), the Gumbel distribution at xi = 0. The criterion is
    -2 log likelihood + ((xi - mean)/sd)². A censored year adds log F(censored_at).

    References
    ----------
    Coles, S. 2001, An Introduction to Statistical Modeling of Extreme Values, Springer, chapter 3; penalties
    on the shape: Coles, S. & Dixon, M. 1999, Extremes 2: 5–23; Martins, E. & Stedinger, J. 2000, Water Resources
    Research 36: 737–744, doi:10.1029/1999WR900330.

    Examples
    --------
    >>> fit = fit_gev([3.1, 4.0, 2.7, 5.2, 3.6, 3.3, 4.4, 2.9, 3.8, 4.9])
    >>> fit.shape < 0 < fit.scale
    True
    """
    values = _checked(values, n_censored, censored_at)
    spread = values.std(ddof=1) * np.sqrt(6) / np.pi
    start = np.array([values.mean() - 0.577 * spread, np.log(spread), -0.05])
    problem = GevFit(0, 1, 0, 0, 0, len(values), n_censored, censored_at, shape_prior, values)
    best = _minimum(lambda theta: _cost(problem, *theta), start)
    if best.fun >= _FAR:
        raise ValueError("the extreme value fit does not settle: its likelihood is not finite")
    location, log_scale, shape = best.x
    penalty = _penalty(shape, shape_prior)
    return GevFit(float(location), float(np.exp(log_scale)), float(shape), float(penalty - best.fun) / 2, float(best.fun),
                  len(values), n_censored, censored_at, shape_prior, values)


def _checked(values, n_censored, censored_at):
    values = np.asarray(values, dtype=float)
    if np.isnan(values).any():
        raise ValueError("a year has no value: leave such years out and say so")
    if len(values) < 5 or np.ptp(values) == 0:
        raise ValueError("an extreme value distribution needs 5 or more years that are not all alike")
    if n_censored and not (values >= censored_at).all():
        raise ValueError("censored_at must be given, and no value may lie below it")
    return values


def _minimum(cost, start):
    """Least cost: the simplex, which does not mind an infinite cost, run again from where it stopped."""
    best = None
    for _ in range(3):
        best = optimize.minimize(cost, start, method="Nelder-Mead",
                                 options={"xatol": 1e-7, "fatol": 1e-9, "maxiter": 2000, "maxfev": 2000})
        if np.abs(best.x - start).max() < 1e-5:
            break
        start = best.x
    return best


def _penalty(shape, prior):
    return 0.0 if prior is None else ((shape - prior[0]) / prior[1]) ** 2


def _cost(problem, location, log_scale, shape):
    """-2 log likelihood plus the penalty; a large number outside the support."""
    shape = shape if abs(shape) > 1e-10 else 1e-10  # the limit is smooth: log1p stays exact
    scale = np.exp(np.clip(log_scale, -50, 50))
    inside = 1 + shape * (problem.values - location) / scale
    if inside.min() <= 0 or shape <= -1:  # below -1 the likelihood has no maximum
        return _FAR
    reduced = np.log(inside) / shape
    cost = 2 * (len(reduced) * np.log(scale) + (1 + shape) * reduced.sum() + np.exp(-reduced).sum())
    if problem.n_censored:
        cost += 2 * problem.n_censored * _minus_log_cdf(problem.censored_at, location, scale, shape)
    return min(cost + _penalty(shape, problem.shape_prior), _FAR)


def _minus_log_cdf(x, location, scale, shape):
    inside = 1 + shape * (x - location) / scale
    if inside <= 0:
        return _FAR if shape > 0 else 0.0
    return np.exp(-np.log(inside) / shape)


def _reduced_quantile(chance, shape):
    """Quantile of the standard distribution that is exceeded with this chance."""
    shape = shape if abs(shape) > 1e-10 else 1e-10
    return np.expm1(-shape * np.log(-np.log1p(-np.clip(chance, 1e-12, 1 - 1e-12)))) / shape


def return_level(fit, years, *, level=0.95):
    """Value that is exceeded once in so many years on average, with its profile-likelihood interval.

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
    The limits are where the criterion, minimised over scale and shape with the level held, has risen by the
    F quantile of 1 and n - 2 degrees of freedom. With the many years of theory that is the usual chi-squared
    quantile; with 20 it is a little wider.

    References
    ----------
    Coles 2001 (see :func:`fit_gev`), section 3.3.4.
    """
    if years <= 1:
        raise ValueError(f"years = {years}: a return period is longer than 1 year")
    chance = 1 / years
    best = fit.location + fit.scale * _reduced_quantile(chance, fit.shape)
    step = fit.scale * max(1.0, abs(_reduced_quantile(chance, fit.shape))) / np.sqrt(fit.n)
    profile = _Profile(fit, lambda level: (level, chance), level)
    return float(best), profile.limit(best, -step), profile.limit(best, step)


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
    minus_log = _minus_log_cdf(value, fit.location, fit.scale, fit.shape if abs(fit.shape) > 1e-10 else 1e-10)
    best = -np.expm1(-minus_log)
    logit = float(np.clip(special.logit(best), -16, 16))
    profile = _Profile(fit, lambda logit: (value, special.expit(logit)), level)
    low, high = (profile.limit(logit, sign / np.sqrt(fit.n)) for sign in (-1.0, 1.0))
    return float(best), float(special.expit(low)) if best > 0 else 0.0, float(special.expit(high))


class _Profile:
    """The criterion with one quantity held: `hold` turns it into a value and the chance of exceeding it."""

    def __init__(self, fit, hold, level):
        self.fit, self.hold = fit, hold
        self.critical = stats.f.ppf(level, 1, fit.n - 2)
        self.start = fit.parameters[1:]

    def rise(self, quantity):
        """Rise of the criterion above its minimum, less the critical rise."""
        value, chance = self.hold(quantity)

        def cost(theta):
            return _cost(self.fit, value - np.exp(theta[0]) * _reduced_quantile(chance, theta[1]), *theta)

        found = [_minimum(cost, start) for start in self._starts(cost)]
        best = min(found, key=lambda run: run.fun)
        self.start = best.x
        return best.fun - self.fit.criterion - self.critical

    def _starts(self, cost):
        if cost(self.start) < _FAR:
            return [self.start]
        return [np.array([self.start[0] + wider, shape]) for wider in (0.3, 1.0, 2.0) for shape in (0.02, -0.1)]

    def limit(self, best, step):
        """Where the rise crosses the critical one on the side of `step`; infinite when it never does."""
        self.start = self.fit.parameters[1:]
        inner, outer = best, best + step
        if self.rise(inner) > 0:  # a chance of zero, held at the least one tried
            return float(inner)
        for _ in range(60):
            if self.rise(outer) > 0:
                return float(optimize.brentq(self.rise, inner, outer, xtol=1e-5 * abs(step) + 1e-9))
            inner, outer, step = outer, outer + step, 1.5 * step
        return float(np.inf * np.sign(step))


def why_no_levels(values, *, n_censored=0, what="winter", min_years=MIN_YEARS):
    """Why no return level is given, or None when one can be.

    Parameters
    ----------
    values : array_like
        One value per year, none missing.
    n_censored : int
        Further years known to lie below the smallest that is recorded.
    what : str
        What a block is called: 'winter' or 'year'.
    min_years : int
        Fewest of them.

    Returns
    -------
    str or None

    Examples
    --------
    >>> why_no_levels([-4.0, -3.0], what="winter")
    'There are 2 complete winters, and return levels need 15: none is given.'
    """
    values = np.asarray(values, dtype=float)
    years = len(values) + n_censored
    if years < min_years:
        blocks = f"is 1 complete {what}" if years == 1 else f"are {fmt_count(years) if years else 'no'} complete {what}s"
        return f"There {blocks}, and return levels need {min_years}: none is given."
    if len(values) < max(5, min_years / 3):
        return (f"Only {fmt_count(len(values))} of {fmt_count(years)} {what}s have a value: too few to fit how it is "
                "distributed, so no return level is given.")
    if np.ptp(values) == 0:
        return f"All {what}s have the same value, so no return level is given: look at the readings."
    return None


def cold_levels(minima, periods=PERIODS, *, level=0.95, shape_prior=SHAPE_PRIOR, min_years=MIN_YEARS):
    """Return levels of the winter minimum: how cold once in so many winters.

    Parameters
    ----------
    minima : array_like
        One minimum per complete winter [°C], none missing.
    periods : sequence of float
        Return periods [winters].
    level : float
        Confidence level, 0–1.
    shape_prior : tuple of float or None
    min_years : int
        Fewest winters, at least 5.

    Returns
    -------
    pandas.DataFrame
        One row per period: period, minimum_c, lower_c, upper_c [°C], n_winters, beyond (whether the period is longer than
        the record, so that the level is extrapolated).

    Raises
    ------
    ValueError
        With the sentence of :func:`why_no_levels`.
    """
    minima = np.asarray(minima, dtype=float)
    reason = why_no_levels(minima, min_years=min_years)
    if reason:
        raise ValueError(reason)
    fit = fit_gev(-minima, shape_prior=shape_prior)
    rows = []
    for period in periods:
        estimate, low, high = return_level(fit, period, level=level)
        rows.append((period, -estimate, -high, -low, fit.n, period > fit.n))
    return pd.DataFrame(rows, columns=["period", "minimum_c", "lower_c", "upper_c", "n_winters", "beyond"])


def plotting_positions(values):
    """Empirical return period of each yearly maximum: (n + 0.12)/(rank - 0.44) years, largest rank 1.

    References
    ----------
    Gringorten, I. 1963, Journal of Geophysical Research 68: 813–814.

    Examples
    --------
    >>> plotting_positions([2.0, 5.0, 3.0]).round(2).tolist()
    [1.22, 5.57, 2.0]
    """
    rank = stats.rankdata(-np.asarray(values, dtype=float), method="ordinal")
    return (len(rank) + 0.12) / (rank - 0.44)


def trend(values, years, *, level=0.95):
    """Change of a yearly value over the record, which return levels take to be none.

    Parameters
    ----------
    values, years : array_like
        At least 5, none missing.
    level : float
        Confidence level, 0–1.

    Returns
    -------
    tuple of float
        Change per ten years with lower and upper limit (median of pairwise slopes), and p of Kendall's test.

    References
    ----------
    Sen, P. K. 1968, Journal of the American Statistical Association 63: 1379–1389.
    """
    slope = stats.theilslopes(values, years, alpha=level)
    p_value = stats.kendalltau(years, values).pvalue
    return 10 * float(slope[0]), 10 * float(slope[2]), 10 * float(slope[3]), float(p_value)
