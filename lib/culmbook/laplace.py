"""Laplace's approximation for binomial counts with crossed random effects: mode, criterion, exact gradient.

Everything is computed from ``V = D + sum_k t_k Z_k Z_k'`` with ``D = diag(1/w + t_0)`` and ``w`` the
binomial working weights, so only matrices of the size (fixed columns + levels) are factorised, and a
variance of exactly zero needs no special case. :mod:`culmbook.mixed` is the way in.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy import linalg, optimize, sparse, special

CONVERGED = "converged"
_MODE_STEPS = 200
_MODE_TOLERANCE = 1e-11
_HALVINGS = 30
_DENSE_CELLS = 20_000  # a design larger than this is multiplied as a sparse matrix
_SETTLE_STEPS = 50
_LARGEST_LOGIT = 35.0  # beyond it a share is 0 or 1 in double precision


@dataclass
class Mode:
    """The mode at one set of variances, and what follows from it."""

    eta: np.ndarray
    fixed: np.ndarray
    effects: np.ndarray  # levels of the dense terms, logit scale
    own: np.ndarray  # plot-to-plot effects, logit scale
    inner: np.ndarray  # lambda K^-1 lambda; its leading block is the fixed effects' covariance
    criterion: float
    gradient: np.ndarray


class CountModel:
    """Counts and designs of one fit; gives criterion and gradient at any variances."""

    def __init__(self, y, n, x, terms, offset=0.0):
        self.y, self.n, self.p = y, n, x.shape[1]
        self.terms, self.offset = terms, offset
        self.names = list(terms)
        self.own, self.blocks, columns, start = None, {}, [x], x.shape[1]
        for k, (code, levels) in enumerate(terms.values()):
            if len(levels) == len(y):
                self.own = k
                continue
            columns.append((code[:, None] == np.arange(len(levels))).astype(float))
            self.blocks[k] = slice(start, start + len(levels))
            start += len(levels)
        self.a = np.hstack(columns)
        self._rows = sparse.csr_array(self.a) if self.a.size > _DENSE_CELLS else None
        self.log_binomial = (
            special.gammaln(n + 1) - special.gammaln(y + 1) - special.gammaln(n - y + 1)
        ).sum()
        self._warm = None

    @property
    def x(self):
        return self.a[:, : self.p]

    def _own_variance(self, variances):
        return 0.0 if self.own is None else variances[self.own]

    def _scale(self, variances, with_fixed):
        scale = np.full(self.a.shape[1], 1.0 if with_fixed else 0.0)
        for k, block in self.blocks.items():
            scale[block] = np.sqrt(variances[k])
        return scale

    def _gram(self, d_inv):
        if self._rows is None:
            return self.a.T @ (d_inv[:, None] * self.a)
        return (self._rows.T @ (self._rows * d_inv[:, None])).toarray()

    def _cholesky(self, weight, variances, with_fixed):
        """D^-1, lambda and the Cholesky factor of K."""
        d_inv = 1.0 / (1.0 / weight + self._own_variance(variances))
        scale = self._scale(variances, with_fixed)
        k = scale[:, None] * self._gram(d_inv) * scale
        ridge = np.ones(len(scale))
        if with_fixed:
            ridge[: self.p] = 0.0
        k[np.diag_indices_from(k)] += ridge
        return d_inv, scale, linalg.cholesky(k, lower=True, overwrite_a=True, check_finite=False)

    def factor(self, weight, variances, with_fixed):
        """D^-1, lambda K^-1 lambda and log|V| (with log|X'V^-1X| when b is integrated out)."""
        d_inv, scale, chol = self._cholesky(weight, variances, with_fixed)
        half = linalg.solve_triangular(chol, np.diag(scale), lower=True, check_finite=False)
        return d_inv, half.T @ half, _log_det(d_inv, chol)

    def _times_p(self, vectors, d_inv, inner):
        scaled = (d_inv * vectors.T).T
        return scaled - (d_inv * (self.a @ (inner @ (self.a.T @ scaled))).T).T

    def weights(self, eta):
        mean = special.expit(eta)
        return mean, np.maximum(self.n * mean * (1 - mean), 1e-10)

    def _deviance(self, eta):
        return -2 * (self.y @ eta - self.n @ np.logaddexp(0.0, eta) + self.log_binomial)

    # A position is (b, u, e / sqrt(t_0)): fixed effects and standardised random ones.

    def _eta(self, position, variances, base):
        m = self.a.shape[1]
        scale = self._scale(variances, True)
        eta = base + self.a @ (scale * position[:m]) + np.sqrt(self._own_variance(variances)) * position[m:]
        return np.clip(eta, -_LARGEST_LOGIT, _LARGEST_LOGIT)

    def _penalised(self, position, variances, base):
        tail = position[self.p :]
        return self._deviance(self._eta(position, variances, base)) + tail @ tail

    def mode(self, variances, base=None):
        """Position of the joint mode of (b, u, e), or of (u, e) when Xb is given as ``base``."""
        with_fixed, base = base is None, self.offset if base is None else base
        position = self._start(variances, base, with_fixed)
        size = self._penalised(position, variances, base)
        for _ in range(_MODE_STEPS):
            target = self._newton(position, variances, base, with_fixed)
            new, new_size = self._halve(position, target, size, variances, base)
            settled = np.max(np.abs(new - position)) < _MODE_TOLERANCE * (1 + np.max(np.abs(position)))
            position, size = new, new_size
            if settled:
                break
        self._warm = position
        return position

    def _start(self, variances, base, with_fixed):
        position = np.zeros(self.a.shape[1] + len(self.y))
        if self._warm is not None:
            position = self._warm.copy()
        elif with_fixed:
            raw = np.log((self.y + 0.5) / (self.n - self.y + 0.5))
            position[: self.p] = np.linalg.lstsq(self.x, raw - base, rcond=None)[0]
        if not with_fixed:
            position[: self.p] = 0.0
        return position

    def _newton(self, position, variances, base, with_fixed):
        eta = self._eta(position, variances, base)
        mean, weight = self.weights(eta)
        working = eta - base + (self.y - self.n * mean) / weight
        d_inv, scale, chol = self._cholesky(weight, variances, with_fixed)
        right = scale * (self.a.T @ (d_inv * working))
        solved = scale * linalg.cho_solve((chol, True), right, check_finite=False)
        pz = d_inv * (working - self.a @ solved)
        target = np.empty_like(position)
        target[: self.a.shape[1]] = self._scale(variances, False) * (self.a.T @ pz)
        target[: self.p] = solved[: self.p]
        target[self.a.shape[1] :] = np.sqrt(self._own_variance(variances)) * pz
        return target

    def _halve(self, position, target, size, variances, base):
        """The longest of the steps 1, 1/2, 1/4 … that does not raise the penalised deviance."""
        for halving in range(_HALVINGS):
            new = position + 0.5**halving * (target - position)
            new_size = self._penalised(new, variances, base)
            if new_size <= size + 1e-12 * (1 + abs(size)):
                return new, new_size
        return position, size

    def height(self, variances):
        """The restricted criterion alone: what a profile needs, without gradient and inverse."""
        position = self.mode(variances)
        eta = self._eta(position, variances, self.offset)
        _, weight = self.weights(eta)
        d_inv, _, chol = self._cholesky(weight, variances, True)
        return self._criterion(eta, position, weight, _log_det(d_inv, chol), True)

    def _criterion(self, eta, position, weight, log_det, with_fixed):
        tail = position[self.p :]
        criterion = self._deviance(eta) + tail @ tail + log_det + np.log(weight).sum()
        return criterion - (self.p * np.log(2 * np.pi) if with_fixed else 0.0)

    def at(self, variances, fixed=None):
        """State at given variances, fixed effects integrated out or (``ml``) held at ``fixed``."""
        base = None if fixed is None else self.x @ fixed
        position = self.mode(variances, base)
        eta = self._eta(position, variances, self.offset if base is None else base)
        mean, weight = self.weights(eta)
        d_inv, inner, log_det = self.factor(weight, variances, base is None)
        m = self.a.shape[1]
        return Mode(
            eta=eta,
            fixed=position[: self.p] if fixed is None else fixed,
            effects=(self._scale(variances, False) * position[:m])[self.p :],
            own=np.sqrt(self._own_variance(variances)) * position[m:],
            inner=inner,
            criterion=self._criterion(eta, position, weight, log_det, base is None),
            gradient=self._gradient(eta, mean, weight, d_inv, inner, fixed is not None),
        )

    def _gradient(self, eta, mean, weight, d_inv, inner, by_fixed):
        """Exact derivative of the criterion by each variance (and by b for ``ml``).

        By variance t_k, with r = y - mu, g_k = Z_k Z_k'r, s the diagonal of W^-1 - W^-1 P W^-1 and
        w' = dw/d eta:  -|Z_k'r|^2 + tr(Z_k'P Z_k) + sum_i (w'_i s_i / w_i)(P g_k)_i.
        The last term is the weights' change with the mode.
        """
        residual = self.y - self.n * mean
        diag_p = d_inv - d_inv**2 * np.einsum("ij,ij->i", self.a @ inner, self.a)
        s = 1.0 / weight - diag_p / weight**2
        pull = weight * (1 - 2 * mean) * s / weight
        by_variance = np.empty(len(self.names))
        gram = self._gram(d_inv)
        for k in range(len(self.names)):
            if k == self.own:
                by_variance[k] = -residual @ residual + diag_p.sum() + pull @ self._times_p(residual, d_inv, inner)
                continue
            block = self.blocks[k]
            z, rows = self.a[:, block], gram[block]
            score = z.T @ residual
            trace = np.trace(gram[block, block]) - ((rows @ inner) * rows).sum()
            by_variance[k] = -score @ score + trace + pull @ self._times_p(z @ score, d_inv, inner)
        if not by_fixed:
            return by_variance
        by_b = -2 * self.x.T @ residual + pull @ self._times_p(self.x, d_inv, inner)
        return np.concatenate([by_variance, by_b])


def _log_det(d_inv, chol):
    return 2 * np.log(np.diag(chol)).sum() - np.log(d_inv).sum()


class Profile:
    """Criterion of a fit along one fixed effect."""

    def __init__(self, fit, coefficient):
        full = fit.problem
        j = list(fit.coefficients.index).index(coefficient)
        self.column, self.variances = full.x[:, j], fit.variances.to_numpy()
        self.rest = CountModel(full.y, full.n, np.delete(full.x, j, axis=1), full.terms)

    def at(self, value):
        self.rest.offset = value * self.column
        return self.rest.height(self.variances)

    def limit(self, best, step, critical):
        """Where the signed root of the rise above the minimum reaches ``critical``."""
        bottom = optimize.minimize_scalar(self.at, bracket=(best - step, best), tol=3e-3)
        root, width = bottom.x, step * critical
        for _ in range(60):  # the root is nearly straight in the effect: this settles in a few steps
            rise = np.sqrt(max(self.at(root + width) - bottom.fun, 0.0))
            if abs(rise - critical) < 1e-3:
                break
            width *= np.clip(critical / max(rise, 1e-3), 0.5, 2.0)
        return root + width


def minimise(problem, method):
    """Variances (and b for ``ml``) of the least criterion, the state there, and a verdict in words."""
    k, start = len(problem.names), np.full(len(problem.names), 0.2)
    if method == "restricted" and k == 0:
        return start, problem.at(start), CONVERGED
    bounds = [(0.0, None)] * k
    if method == "ml":
        first = problem.at(start)
        start = np.concatenate([start, first.fixed])
        bounds += [(None, None)] * problem.p

    def objective(theta):
        state = problem.at(theta[:k], theta[k:] if method == "ml" else None)
        return state.criterion, state.gradient

    found = optimize.minimize(
        objective, start, jac=True, bounds=bounds, method="L-BFGS-B",
        options={"maxiter": 500, "ftol": 1e-14, "gtol": 1e-6, "maxcor": 20},
    )
    state = problem.at(found.x[:k], found.x[k:] if method == "ml" else None)
    verdict = _verdict(state.gradient, found.x, k)
    if method == "restricted":
        state = _settle_fixed(problem, found.x, state)
    return found.x[:k], state, verdict


def _settle_fixed(problem, variances, state):
    """Move b from the joint mode to the maximum of its marginal likelihood, the variances held.

    At the joint mode the random effects of skewed counts pull b towards one half; their curvature
    term, which only the marginal likelihood has, takes that pull out.
    """
    criterion, inner, k = state.criterion, state.inner, len(variances)
    covariance, fixed = inner[: problem.p, : problem.p], state.fixed
    for _ in range(_SETTLE_STEPS):
        state = problem.at(variances, fixed)
        step = -0.5 * covariance @ state.gradient[k:]
        if np.max(np.abs(step)) < 1e-7:
            break
        fixed = fixed + step
    return replace(state, criterion=criterion, inner=inner)


def _verdict(gradient, theta, k):
    at_zero = np.zeros(len(theta), bool)
    at_zero[:k] = theta[:k] <= 0
    slack = np.where(at_zero, np.minimum(gradient, 0.0), gradient)
    worst = np.max(np.abs(slack)) if len(slack) else 0.0
    return CONVERGED if worst < 1e-2 else f"not converged: the criterion still falls (gradient {worst:.2g})"
