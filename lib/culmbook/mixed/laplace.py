"""Laplace's approximation for counts and scores with random effects: mode, criterion, exact
gradient.

At the mode of the random effects the records behave like gaussian ones with residual variances
``1/w``, w the weights of the family, and the working response ``eta + r/w``, r the family's slope.
The effects are kept as ``a = Pz``, one number per record: ``u = G Z'a``, which needs no inverse of
G, so that a variance of exactly zero needs no special case. At the mode ``a = r``.
"""

from dataclasses import dataclass, field, replace
from types import SimpleNamespace

import numpy as np
from scipy import optimize, special

from culmbook.mixed.gaussian_model import CONVERGED, differences, minimise
from culmbook.mixed.inference import normal_nodes
from culmbook.mixed.structure import Factor

_LEAST_WEIGHT = 1e-10
_MODE_STEPS = 200
_MODE_TOLERANCE = 1e-6  # of a Newton step: what is left after it is the square of it
_SAME = 1e-13
_SHORTER = 0.5 ** np.arange(30)  # parts of a step
_SETTLE_STEPS = 50
_LARGEST_ETA = 35.0  # beyond it a share is 0 or 1 in double precision
_SETTLED = 1e-12  # relative fall of the criterion that ends the search
_FLAT = 1e-2  # slope of the criterion that counts as none
_LARGEST_VARIANCE = 100.0  # of plain intercepts, logit scale: beyond it levels are all or nothing


class Binomial:
    """Counts ``y`` of ``n`` with a logit link.

    A family gives the log likelihood at ``eta`` and, by record, its first derivative, minus its
    second one (the weight, above 0) and the weight's derivative. ``start`` is a rough eta,
    ``shape`` the start of the family's own parameters, of which a binomial count has none.
    """

    shape = np.empty(0)

    def __init__(self, y, n):
        self.y, self.n = y, n
        log_binomial = special.gammaln(n + 1) - special.gammaln(y + 1) - special.gammaln(n - y + 1)
        self.constant = log_binomial.sum()
        self.start = np.log((y + 0.5) / (n - y + 0.5))

    def at(self, shape):
        return self

    def log_likelihood(self, eta):
        return self.y @ eta - self.n @ np.logaddexp(0.0, eta) + self.constant

    def by_record(self, eta):
        """Log likelihood of each record, without the binomial coefficient; ``eta`` may have more
        axes behind.
        """
        y, n = (v.reshape(-1, *[1] * (eta.ndim - 1)) for v in (self.y, self.n))
        return y * eta - n * np.logaddexp(0.0, eta)

    def derivatives(self, eta):
        mean = special.expit(eta)
        weight = np.maximum(self.n * mean * (1 - mean), _LEAST_WEIGHT)
        return self.y - self.n * mean, weight, weight * (1 - 2 * mean)


class CumulativeLogit:
    """Ordered scores 0, 1, … with ``logit P(score <= j) = threshold_j - eta``.

    Its own parameters are the first threshold and the logarithms of the steps between thresholds.
    """

    constant = 0.0

    def __init__(self, score, shape=None):
        self.score = score
        if shape is None:
            share = np.cumsum(np.bincount(score))[:-1] / len(score)
            cut = special.logit(share)
            shape = np.append(cut[0], np.log(np.diff(cut)))
        self.shape, self.start = shape, np.zeros(len(score))
        padded = np.concatenate([[-np.inf], self.thresholds, [np.inf]])
        self.above, self.below = padded[score + 1], padded[score]

    def at(self, shape):
        return CumulativeLogit(self.score, np.asarray(shape, float))

    @property
    def thresholds(self):
        return self.shape[0] + np.append(0.0, np.cumsum(np.exp(self.shape[1:])))

    def _ends(self, eta):
        """F and its density at the category's upper and lower end."""
        upper, lower = (special.expit(end - eta) for end in (self.above, self.below))
        return upper, lower, upper * (1 - upper), lower * (1 - lower)

    def by_record(self, eta):
        above, below = (v.reshape(-1, *[1] * (eta.ndim - 1)) for v in (self.above, self.below))
        gap = np.log(-np.expm1(np.minimum(below - above, -1e-300)))
        return special.log_expit(above - eta) + special.log_expit(eta - below) + gap

    def log_likelihood(self, eta):
        return self.by_record(eta).sum()

    def derivatives(self, eta):
        upper, lower, f, g = self._ends(eta)
        weight = np.maximum(f + g, _LEAST_WEIGHT)
        turn = f * (1 - 2 * upper) + g * (1 - 2 * lower)
        return upper + lower - 1, weight, -turn

    def shape_derivatives(self, eta):
        """Derivatives of the log likelihood (sum), its slope and its weight (records x
        parameters).
        """
        upper, lower, f, g = self._ends(eta)
        p, turn = np.maximum(upper - lower, 1e-300), self.jacobian()
        # which threshold is each record's upper and lower end
        ends = (self.score[:, None] + shift - 1 == np.arange(len(self.shape)) for shift in (1, 0))
        top, bottom = (end.astype(float) @ turn for end in ends)
        each = [(f / p, -g / p), (f, g), (f * (1 - 2 * upper), g * (1 - 2 * lower))]
        log_l, slope, weight = (a[:, None] * top + b[:, None] * bottom for a, b in each)
        return log_l.sum(axis=0), slope, weight

    def jacobian(self):
        """Thresholds by own parameters."""
        h = len(self.shape)
        return np.tril(np.ones((h, h))) * np.append(1.0, np.exp(self.shape[1:]))


@dataclass(frozen=True)
class Mode:
    """The mode at one set of parameters, and what follows from it."""

    theta: np.ndarray  # the terms' parameters; if b is held then also the family's own and b
    own: np.ndarray  # the terms' parameters
    eta: np.ndarray
    fixed: np.ndarray
    a: np.ndarray
    weight: np.ndarray
    factor: Factor = field(repr=False)
    criterion: float
    gradient: np.ndarray  # by theta
    information: np.ndarray  # average one by theta, as if the working response were gaussian


class Laplace:
    """Criterion of one model, with the fixed effects integrated out or held.

    Parameters
    ----------
    family : Binomial or CumulativeLogit
    structure : Structure
    offset : ndarray or float
        Known part of eta.
    prior_precision : ndarray or float
        Precision of a normal prior of the held fixed effects around 0.

    Notes
    -----
    With b held, ``-2 sum log f + u'G^-1 u + log|V| + sum log w``; with b integrated out
    ``+ log|X'V^-1 X| - p log 2 pi`` at the joint mode. Its derivative by a parameter i of the terms
    is ``-r'V_i r + tr(P V_i) + q'P V_i r`` with ``q = w's/w``, w' the weights' derivative and s the
    variance of eta given the data: the last part is the weights' change with the mode.
    """

    def __init__(self, family, structure, offset=0.0, prior_precision=0.0):
        self.family, self.structure, self.offset = family, structure, offset
        self.prior_precision = prior_precision
        self._warm = None

    def _mode(self, family, theta, base, with_fixed):
        """b, a, eta, the family's derivatives, the factor and the criterion at the joint mode."""
        b, a, ca = self._start(family, theta, base, with_fixed)
        x, s = self.structure.x, self.structure
        height = _penalised(family, base + x @ b + ca, a @ ca)
        for _ in range(_MODE_STEPS):
            eta = _clipped(base + x @ b + ca)
            r, weight, _ = family.derivatives(eta)
            factor = s.factor(theta, 1.0 / weight, with_fixed)
            solution, new_a = factor.solve(eta - base + r / weight)
            new_b = solution[s.q :] if with_fixed else b
            step_b, step_a, step_ca = new_b - b, new_a - a, s.random_times(theta, new_a) - ca
            for along in (*_SHORTER, 0.0):  # the longest step that does not raise the deviance
                at = b + along * step_b, a + along * step_a, ca + along * step_ca
                new = _penalised(family, base + x @ at[0] + at[2], at[1] @ at[2])
                if new <= height + 1e-12 * (1 + abs(height)):
                    break
            (b, a, ca), height = at, new
            moved = along * np.max(np.abs(x @ step_b + step_ca))
            if moved < _MODE_TOLERANCE * (1 + np.max(np.abs(eta))):
                break
        t = s.n_theta
        self._warm = theta, b, a, np.zeros((s.p, t)), np.zeros((s.n, t))
        eta = _clipped(base + x @ b + ca)
        r, weight, turn = family.derivatives(eta)
        if moved > _SAME:  # the factor is that of the eta before the last step
            factor = s.factor(theta, 1.0 / weight, with_fixed)
        criterion = -2 * family.log_likelihood(eta) + a @ ca + factor.log_v + np.log(weight).sum()
        if with_fixed:
            criterion += factor.log_x - s.p * np.log(2 * np.pi)
        return b, a, eta, (r, weight, turn), factor, criterion

    def _start(self, family, theta, base, with_fixed):
        """The last mode moved along its derivative, or no random effects where that lies lower."""
        s = self.structure
        b = np.zeros(s.p)
        if with_fixed:
            b = np.linalg.lstsq(s.x, family.start - base, rcond=None)[0]
        starts = [(b, np.zeros(s.n))]
        if self._warm is not None:
            at, last_b, last_a, by_b, by_a = self._warm
            moved_b = last_b - by_b @ (theta - at) if with_fixed else b
            starts.append((moved_b, last_a - by_a @ (theta - at)))
        found = [(b, a, s.random_times(theta, a)) for b, a in starts]
        heights = [_penalised(family, base + s.x @ b + ca, a @ ca) for b, a, ca in found]
        return found[int(np.argmin(heights))]

    def at(self, theta, shape=None, fixed=None):
        """State at given parameters, fixed effects integrated out or held at ``fixed``."""
        s, with_fixed = self.structure, fixed is None
        family = self.family if shape is None else self.family.at(shape)
        base = np.broadcast_to(self.offset if with_fixed else self.offset + s.x @ fixed, s.n)
        b, a, eta, parts, factor, criterion = self._mode(family, theta, base, with_fixed)
        searched = theta if with_fixed else np.concatenate([theta, family.shape, fixed])
        if not with_fixed:
            b, criterion = fixed, criterion + fixed @ (self.prior_precision * fixed)
        slopes = self._derivatives(family, theta, eta, parts, factor, fixed)
        return Mode(searched, theta, eta, b, a, parts[1], factor, float(criterion), *slopes)

    def held(self, v):
        """State at the terms' parameters, the family's own and the fixed effects, one after the
        other.
        """
        return self.at(*self.split(v))

    def split(self, v):
        """The three parts of such a vector."""
        k, h = self.structure.n_theta, len(self.family.shape)
        return v[:k], v[k : k + h], v[k + h :]

    def _derivatives(self, family, theta, eta, derivatives, factor, fixed):
        s, (r, weight, turn) = self.structure, derivatives
        diagonal, by_kernel = factor.projected(factor.h)
        spread = 1.0 / weight - diagonal / weight**2
        pull = turn * spread / weight
        f = s.derivatives(theta, r)
        solution, solved = factor.solve(np.column_stack([pull, f]))
        p_pull = solved[:, 0]
        self._warm = *self._warm[:3], solution[s.q :, 1:], solved[:, 1:]  # dr/dtheta is -PF
        by_theta = -f.T @ r + s.chain(theta, by_kernel) + f.T @ p_pull
        information = f.T @ solved[:, 1:] + s.second(theta, by_kernel)
        if fixed is None:
            return by_theta, information
        by_b = s.x.T @ (p_pull - 2 * r) + 2 * self.prior_precision * fixed
        if len(family.shape):
            log_l, slope, by_weight = family.shape_derivatives(eta)
            by_shape = -2 * log_l + spread @ by_weight + (pull - p_pull / weight) @ slope
            return np.concatenate([by_theta, by_shape, by_b]), None
        cross = 2 * solved[:, 1:].T @ s.x
        own = 2 * (s.x.T @ factor.solve(s.x)[1] + self.prior_precision * np.eye(s.p))
        return np.concatenate([by_theta, by_b]), np.block([[information, cross], [cross.T, own]])

    def height(self, theta):
        """The criterion with b integrated out, alone: what a profile needs."""
        base = np.broadcast_to(self.offset, self.structure.n)
        return self._mode(self.family, theta, base, True)[-1]

    def quadrature(self, theta, shape, fixed, nodes):
        """-2 log likelihood by adaptive Gauss-Hermite quadrature, for one term of plain intercepts.

        References
        ----------
        Pinheiro & Bates (1995) J. Comput. Graph. Stat. 4:12-35.
        """
        (term,) = self.structure.terms
        family, mode = self.family.at(shape), self.at(theta, shape, fixed)
        base = self.offset + self.structure.x @ fixed
        centre = theta[0] * np.bincount(term.code, mode.a)
        sd = np.sqrt(theta[0] / (1 + theta[0] * np.bincount(term.code, mode.weight)))
        z, w = normal_nodes(nodes)
        u = centre[:, None] + sd[:, None] * z
        each = family.by_record(base[:, None] + u[term.code])
        inside = np.array([np.bincount(term.code, column) for column in each.T]).T
        ratio = np.log(sd / np.sqrt(theta[0]))[:, None] if theta[0] > 0 else 0.0
        penalty = 0.5 * (u**2 / theta[0] if theta[0] > 0 else z**2)
        each = inside - penalty + ratio + 0.5 * z**2 + np.log(w)
        log_l = np.logaddexp.reduce(each, axis=1).sum() + family.constant
        return -2 * log_l + fixed @ (self.prior_precision * fixed)


def _clipped(eta):
    return np.clip(eta, -_LARGEST_ETA, _LARGEST_ETA)


def _penalised(family, eta, quadratic):
    return -2 * family.log_likelihood(_clipped(eta)) + quadratic


def minimise_laplace(problem, with_fixed):
    """State at the parameters of the least criterion, and a verdict in words.

    With ``with_fixed`` the fixed effects are integrated out; else the family's own parameters and
    the fixed effects are found together with the terms' parameters.
    """
    s = problem.structure
    h = len(problem.family.shape)
    start = np.concatenate([np.empty(0), *(t.kernel.start(0.2, np.ones(t.m)) for t in s.terms)])
    if not with_fixed:
        first = np.zeros(s.p) if h else problem.at(start).fixed
        start = np.concatenate([start, problem.family.shape, first])
    more = np.full(len(start) - s.n_theta, np.inf)
    lower, upper = np.append(s.lower, -more), np.append(s.upper, more)
    at = problem.at if with_fixed else problem.held
    if h:

        def height(v):
            state = at(v)
            return state.criterion, state.gradient

        bounds = optimize.Bounds(lower, upper)
        options = {"maxiter": 500, "ftol": 1e-14, "gtol": 1e-6, "maxcor": 20}
        found = optimize.minimize(
            height, start, jac=True, bounds=bounds, method="L-BFGS-B", options=options
        )
        state = at(found.x)
    else:
        residuals = slice(len(lower), None)
        searched = SimpleNamespace(at=at, lower=lower, upper=upper, residuals=residuals)
        state, _ = minimise(searched, start, settled=_SETTLED)
    gradient = state.gradient.copy()  # a slope that points out of the bounds counts as none
    at_lower, at_upper = state.theta <= lower, state.theta >= upper
    gradient[at_lower] = np.minimum(gradient[at_lower], 0.0)
    gradient[at_upper] = np.maximum(gradient[at_upper], 0.0)
    worst, verdict = np.max(np.abs(gradient), initial=0.0), CONVERGED
    if not worst < _FLAT:
        verdict = f"not converged: the criterion still falls (gradient {worst:.2g})"
    for term, k in zip(s.terms, s.kernels(state.own), strict=True):
        if term.cell is not None and np.max(k) > _LARGEST_VARIANCE:
            verdict = f"not converged: the variance of {term.name} runs off to infinity"
    return (_settled(problem, state) if with_fixed else state), verdict


def _settled(problem, joint):
    """Move b from the joint mode to the maximum of its marginal likelihood, the terms' parameters
    held.

    At the joint mode the random effects of skewed counts pull b towards one half; their curvature
    term, which only the marginal likelihood has, takes that pull out.
    """
    q, k = problem.structure.q, len(joint.own)
    covariance, fixed, state = joint.factor.h[q:, q:], joint.fixed, joint
    for _ in range(_SETTLE_STEPS):
        state = problem.at(joint.own, None, fixed)
        step = -0.5 * covariance @ state.gradient[k:]
        if np.max(np.abs(step), initial=0.0) < 1e-7:
            break
        fixed = fixed + step
    return replace(state, criterion=joint.criterion, factor=joint.factor)


def hessian(problem, vector, free):
    """Second derivatives of the criterion with b held, by the parameters ``free``, from its exact
    gradient.
    """
    sizes, k = 1e-4 * np.maximum(1.0, np.abs(vector)), problem.structure.n_theta
    sizes[:k] = np.minimum(sizes[:k], vector[:k] / 2)
    return differences(lambda v: problem.held(v).gradient, vector, free, sizes[free])


def by_quadrature(problem, vector, nodes):
    """Parameters of the least criterion by adaptive quadrature, from those of Laplace's
    approximation.

    Returns
    -------
    tuple
        Parameters, criterion, second derivatives of the criterion by all parameters that are not at
        zero.
    """
    k = problem.structure.n_theta

    def height(v):
        return problem.quadrature(*problem.split(v), nodes)

    low = np.append(np.zeros(k), np.full(len(vector) - k, -np.inf))
    bounds, options = optimize.Bounds(low, np.inf), {"ftol": 1e-14, "gtol": 1e-7, "maxiter": 500}
    found = optimize.minimize(height, vector, bounds=bounds, method="L-BFGS-B", options=options)
    at, free = found.x, np.flatnonzero(found.x > low)
    steps = 1e-3 * np.maximum(1.0, np.abs(at)) * np.eye(len(at))[free]
    values = np.empty((len(free), len(free)))
    for i, a in enumerate(steps):
        for j, b in enumerate(steps[: i + 1]):
            c = [height(at + s * a + t * b) for s, t in ((1, 1), (1, -1), (-1, 1), (-1, -1))]
            values[i, j] = values[j, i] = (c[0] - c[1] - c[2] + c[3]) / (4 * a.max() * b.max())
    return at, found.fun, values
