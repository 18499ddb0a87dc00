"""What else could be true: joint posterior draws of a gaussian fit."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from culmbook.mixed.gaussian_model import CONVERGED

_HEAVY = 5  # degrees of freedom of the proposal: tails heavier than the posterior's
_ROUNDS = 12
_ENOUGH = 0.25  # share of a round's proposals that must count before the search for better ends
_LEAST = 10  # proposals that count, fewer of which are no sample
_LARGEST = 20.0  # log of a standard deviation, so that its square is finite


@dataclass(frozen=True)
class Draws:
    """Joint posterior draws.

    Attributes
    ----------
    fixed : DataFrame
        Fixed effects, one row per draw.
    effects : dict of str to DataFrame
        Random effects, one row per draw, one column per level (outer and inner level where there
        are both).
    parameters : DataFrame
        The covariance's parameters behind each draw, in the response's units.
    effective : float
        Share of the proposed variances that counts, 0 to 1: below about 0.1 the draws repeat few
        variances.
    """

    fixed: pd.DataFrame
    effects: dict
    parameters: pd.DataFrame
    effective: float


def draws(fit, n: int = 1_000, seed: int = 1, variances: int = 50, log_prior=None) -> Draws:
    """Joint posterior draws of all effects of a gaussian fit, the variances' uncertainty included.

    Parameters
    ----------
    fit : GaussianFit
        A converged fit with ``method='reml'``.
    n : int
        Draws.
    seed : int
    variances : int
        Different sets of variances among them; 0 holds the variances at their estimates.
    log_prior : callable, optional
        From a frame of the covariance's parameters, in the response's units, to the log density of
        their prior over one that is flat in the standard deviations.

    Returns
    -------
    Draws

    Raises
    ------
    ValueError
        The fit has not converged, or is no REML fit; a term has two levels; the data say next to
        nothing about the covariance's parameters.

    Notes
    -----
    Variances: importance resampling of the restricted likelihood with a flat prior of the standard
    deviations, from t distributions of their logarithms, which also cover an estimate of zero; they
    are fitted to what came before, round by round, and all rounds count as one mixture. Given the
    variances, effects are drawn without factorising their covariance: simulate effects and records
    from the model, and add to the simulated effects what the model predicts from the difference
    between the true and the simulated records. Fixed effects have a flat prior.

    References
    ----------
    Gelman (2006) Bayesian Anal. 1:515-533 for the prior; Rubin (1988) in Bayesian Statistics
    3:395-402 for the resampling; Cornuet et al. (2012) Scand. J. Stat. 39:798-812 for the rounds;
    Durbin & Koopman (2002) Biometrika 89:603-616 for drawing by simulation.
    """
    if fit.verdict != CONVERGED or fit.method != "reml":
        this = f"{fit.method!r}, {fit.verdict}"
        raise ValueError(f"draws need a converged fit with method 'reml'; this is {this}")
    few = [term.name for term in fit.model.terms if len(term.levels) < 3 and variances]
    if few:
        why = f"{', '.join(few)} has two levels, which leave its variance open upwards"
        raise ValueError(f"{why}: take it as fixed, or give variances=0")
    rng = np.random.default_rng(seed)
    thetas, effective = [fit.state.theta], 1.0
    if variances and len(fit.state.theta):
        thetas, effective = _resampled(fit, variances, rng, log_prior)
    share = np.bincount(np.arange(n) % len(thetas), minlength=len(thetas))
    parts = [_given(fit, theta, k, rng) for theta, k in zip(thetas, share, strict=True) if k]
    unit = fit.model.scale**fit.model.powers
    parameters = np.repeat(np.array(thetas) * unit, share, axis=0)
    effects = {}
    for i, term in enumerate(fit.model.terms):
        effects[term.name] = pd.DataFrame(np.vstack([u[i] for _, u in parts]), columns=term.cells)
    fixed = pd.DataFrame(np.vstack([b for b, _ in parts]), columns=fit.coefficients.index)
    return Draws(fixed, effects, pd.DataFrame(parameters, columns=fit.model.names), effective)


def _given(fit, theta, k, rng):
    """k draws of b and of each term's effects at given parameters, in the response's units."""
    model, problem = fit.model, fit.model.problem
    s, residual = problem.structure, problem.residual(theta)
    own = theta[: s.n_theta]
    kernels, factor = s.kernels(own), s.factor(own, residual)
    simulated, tables = s.simulated(own, k, rng)
    simulated = simulated + rng.normal(size=(s.n, k)) * np.sqrt(residual)[:, None]
    solution, py = factor.solve(problem.y[:, None] - simulated)
    b = solution[s.q :].T * model.unit + model.least_squares / model.column_scale
    effects = []
    for term, kernel, table in zip(s.terms, kernels, tables, strict=True):
        collected = (term.z.T @ py).reshape(len(term.levels), term.m, k)
        predicted = np.einsum("ab,gbk->gak", kernel, collected).reshape(-1, k)
        effects.append((predicted + table).T * model.scale)
    return b, effects


# Variances. They are proposed as logarithms of standard deviations, in which the posterior of a
# term with few levels,
# whose tail falls like a power of the standard deviation, has tails no heavier than exponential.


def _resampled(fit, n, rng, log_prior=None):
    """n sets of parameters from their posterior, and the share of proposals that count."""
    is_variance = fit.model.powers == 2
    guesses, xs, heights = [_first_guess(fit, is_variance)], [], []
    for turn in range(_ROUNDS):  # each round says where the next has to look, and all of them count
        (centre, root), size = guesses[-1], max(2 * n, 10 * len(is_variance))
        normal = rng.normal(size=(size, len(centre)))  # x is multivariate t
        x = centre + (normal * np.sqrt(_HEAVY / rng.chisquare(_HEAVY, size))[:, None]) @ root.T
        xs.append(x)
        heights += [_height(fit.model.problem, t) for t in _parameters(x, is_variance)]
        together = np.vstack(xs)
        rise = np.array(heights) - fit.state.criterion  # the prior is flat in standard deviations
        log_weight = -0.5 * rise + together[:, is_variance].sum(axis=1)
        if log_prior is not None:
            own = _parameters(together, is_variance) * fit.model.scale**fit.model.powers
            log_weight += np.asarray(log_prior(pd.DataFrame(own, columns=fit.model.names)))
        log_weight = log_weight - _log_mixture(together, guesses)
        weight = _normalised(log_weight)
        effective = 1 / (weight**2).sum()
        if effective > max(n, _ENOUGH * len(x)) and turn:
            break
        guesses.append(_moments(together, log_weight, guesses[-1][1]))
    if effective < _LEAST:
        why = "the data hold too little about the covariance's parameters to draw them"
        raise ValueError(f"{why}: simplify the model, or give variances=0 to hold the estimates")
    steps = (np.arange(n) + rng.uniform()) / n
    places = np.searchsorted(np.cumsum(weight), steps).clip(max=len(weight) - 1)
    return _parameters(together, is_variance)[places], float(effective / len(weight))


def _parameters(x, is_variance):
    return np.where(is_variance, np.exp(2 * np.minimum(x, _LARGEST)), x)


def _log_mixture(x, guesses):
    """Log density of all rounds' proposals as one mixture, but for a constant (Cornuet et al.
    2012).
    """
    logs = []
    for centre, root in guesses:
        z = np.linalg.solve(root, (x - centre).T)
        tails = np.log1p((z**2).sum(axis=0) / _HEAVY)
        logs.append(-0.5 * (_HEAVY + len(centre)) * tails - np.linalg.slogdet(root)[1])
    return special.logsumexp(logs, axis=0)


def _normalised(log_weight):
    weight = np.exp(log_weight - log_weight.max())
    return weight / weight.sum()


def _moments(x, log_weight, root):
    """Centre and root of the covariance of weighted proposals, tempered until enough count, beside
    the last ones.
    """
    few = 5 * x.shape[1]
    for temper in 0.5 ** np.arange(12):
        weight = _normalised(temper * log_weight)
        counted = 1 / (weight**2).sum()
        if counted > few:
            break
    centre = weight @ x
    spread = (weight[:, None] * (x - centre)).T @ (x - centre)
    spread = (counted * spread + few * root @ root.T) / (counted + few)
    return centre, np.linalg.cholesky(spread)


def _first_guess(fit, is_variance):
    """Mode of the posterior of log standard deviations, and a root of its covariance there.

    With h the criterion's curvature by the standard deviation, s its estimate and a flat prior, the
    mode m of ``-h (m - s)^2 / 4 + log m`` is ``(s + sqrt(s^2 + 8/h)) / 2``, also where s is zero.
    """
    state = fit.state
    estimate = np.where(is_variance, np.sqrt(np.abs(state.theta)), state.theta)
    # second derivatives by standard deviations (others as they are), kept positive
    inner, curve = fit.curvature()
    values = np.zeros((len(estimate), len(estimate)))
    values[np.ix_(inner, inner)] = curve
    turn = np.where(is_variance, 2 * estimate, 1.0)
    values = values * np.outer(turn, turn)
    values[np.diag_indices_from(values)] += np.where(is_variance, 2 * state.gradient, 0.0)
    # Where the criterion is flat at zero the quartic part rules: half as wide as where it has risen
    # by one.
    least = np.where(is_variance, np.sqrt(np.maximum(np.diag(state.information), 1e-12)), 1e-6)
    unit = np.sqrt(np.maximum(np.diag(values), least))
    size, vectors = np.linalg.eigh(values / np.outer(unit, unit))
    curve = (vectors * np.maximum(size, 0.05)) @ vectors.T * np.outer(unit, unit)
    mode = (estimate + np.sqrt(estimate**2 + 8 / np.diag(curve))) / 2
    turn = np.where(is_variance, mode, 1.0)
    precision = 0.5 * curve * np.outer(turn, turn)
    more = 0.5 * np.diag(curve) * (mode**2 - estimate * mode)
    precision[np.diag_indices_from(precision)] += np.where(is_variance, more, 0.0)
    # Cholesky's factor is unique, eigenvectors are not: data but for a constant alike give draws
    # alike
    root = np.linalg.cholesky(np.linalg.inv(precision))
    return np.where(is_variance, np.log(mode), estimate), root


def _height(problem, theta):
    if (theta < problem.lower).any() or (theta > problem.upper).any():
        return np.inf
    try:
        return problem.height(theta)
    except np.linalg.LinAlgError:
        return np.inf
