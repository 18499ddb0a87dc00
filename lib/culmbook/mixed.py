"""Generalised linear mixed models for plot counts, by Laplace's approximation.

The model for cell *i* (a plot, a plot on a date) is binomial with

    logit p_i = x_i'b + sum_k z_ki'u_k + e_i,   u_k ~ N(0, t_k I),   e_i ~ N(0, t_0)

where the terms ``k`` are intercepts for the levels of one or several columns and ``e``, which is
present when a term has one level per cell, is the plot-to-plot overdispersion.

Everything is computed from ``V = D + sum_k t_k Z_k Z_k'`` with ``D = diag(1/w + t_0)`` and ``w`` the
binomial working weights, so only matrices of the size (fixed columns + levels) are factorised, and a
variance of exactly zero needs no special case.
"""

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from formulaic import model_matrix
from scipy import linalg, optimize, sparse, special

METHODS = ("restricted", "ml")
CONVERGED = "converged"
_MODE_STEPS = 200
_MODE_TOLERANCE = 1e-11
_HALVINGS = 30
_DENSE_CELLS = 20_000  # a design larger than this is multiplied as a sparse matrix
_SETTLE_STEPS = 50
_LARGEST_LOGIT = 35.0  # beyond it a share is 0 or 1 in double precision
_SEPARATED_LOGIT = 15.0  # a fitted logit past this has run off to a boundary


@dataclass(frozen=True)
class BinomialFit:
    """A fitted binomial mixed model.

    Attributes
    ----------
    coefficients : Series
        Fixed effects on the logit scale, by column of the design.
    covariance : DataFrame
        Covariance of the fixed effects given the variances.
    variances : Series
        Variance of each random term on the logit scale, by term.
    effects : dict of str to Series
        Predicted effect of every level of each random term (mode of the joint density).
    design : DataFrame
        Fixed-effect design, one row per cell.
    logit : ndarray
        Fitted logit of each cell, random effects included.
    criterion : float
        -2 log likelihood (``method='ml'``) or its restricted counterpart, binomial coefficients
        included; values are comparable only between fits of one method on the same counts.
    deviance : float
        Residual deviance given the fitted random effects.
    method : {'restricted', 'ml'}
    verdict : str
        ``'converged'``, or what went wrong in words.
    n_cells : int
    problem : object
        Counts and designs as fitted.
    """

    coefficients: pd.Series
    covariance: pd.DataFrame
    variances: pd.Series
    effects: dict
    design: pd.DataFrame
    logit: np.ndarray
    criterion: float
    deviance: float
    method: str
    verdict: str
    n_cells: int
    problem: "_Problem" = field(repr=False, default=None)

    @property
    def spread(self) -> float:
        """Standard deviation of all random effects together, logit scale."""
        return float(np.sqrt(self.variances.sum()))

    def sampling_variance(self) -> pd.Series:
        """Part of each coefficient's variance that is due to counting a finite number of plants."""
        problem = self.problem
        _, weight = problem.weights(self.logit)
        d_inv, inner, _ = problem.factor(weight, self.variances.to_numpy(), True)
        rows = (inner[: problem.p] @ problem.a.T) * d_inv
        return pd.Series((rows**2 / weight).sum(axis=1), index=self.coefficients.index)

    def profile_limits(self, coefficient: str, critical: float) -> tuple[float, float]:
        """Likelihood limits of one fixed effect, the variances held at their estimates.

        Parameters
        ----------
        coefficient : str
            A label of ``coefficients``.
        critical : float
            Signed root of the criterion's rise at the limits, for example a t quantile.

        Returns
        -------
        tuple of float
            Lower and upper limit on the logit scale. The other fixed effects are integrated out at
            every value tried, so the curve is the effect's marginal likelihood by Laplace.

        References
        ----------
        Venzon & Moolgavkar (1988) Appl. Stat. 37:87-94 for limits from the likelihood's drop.
        """
        best, se = self.coefficients[coefficient], np.sqrt(self.covariance.loc[coefficient, coefficient])
        lowest = _Profile(self, coefficient)
        return tuple(lowest.limit(best, sign * se, critical) for sign in (-1, 1))

    @property
    def residual_df(self) -> int:
        """Cells less fixed columns: the degrees of freedom behind the plot-to-plot variance."""
        return self.n_cells - len(self.coefficients)


def fit_binomial(
    frame: pd.DataFrame,
    *,
    alive: str,
    total: str,
    fixed: str | pd.DataFrame,
    random: tuple[str, ...] | list[str] = (),
    method: str = "restricted",
    half_plant_in: str | None = None,
) -> BinomialFit:
    """Fit a binomial mixed model with a logit link.

    Parameters
    ----------
    frame : DataFrame
        One row per cell; no missing values in the columns used.
    alive, total : str
        Columns with the count that succeeded and the count at risk, 0 <= alive <= total, total > 0.
    fixed : str or DataFrame
        Right-hand side of the formula, for example ``'0 + hybrid + replicate'``, or the design itself,
        one row per row of ``frame``.
    random : sequence of str
        Columns whose levels get a random intercept; ``'site:block'`` crosses columns. A term with one
        level per row is the overdispersion.
    method : {'restricted', 'ml'}
        ``'restricted'`` integrates the fixed effects out as well, which removes most of the downward
        bias of the variances; ``'ml'`` maximises the Laplace likelihood over fixed effects and variances.
    half_plant_in : str, optional
        Column whose levels each receive half a plant alive and half a plant dead, spread over the
        level's cells in proportion to their totals. It is Jeffreys' prior for a level's share, and keeps
        a level at 0 % or 100 % finite.

    Returns
    -------
    BinomialFit

    Raises
    ------
    ValueError
        Counts out of range, a fixed column that the others determine (named), a random term with a
        single level or no level seen twice, or a share at 0 or 1 that has no finite estimate.

    Notes
    -----
    Laplace's approximation at the joint mode; for ``'ml'`` it is the likelihood that lme4's ``glmer``
    maximises with ``nAGQ = 1``. It is poor for counts of one or two plants per cell.

    References
    ----------
    Breslow & Clayton (1993) J. Am. Stat. Assoc. 88:9-25; Bates et al. (2015) J. Stat. Softw. 67(1);
    Firth (1993) Biometrika 80:27-38 for the half plant.

    Examples
    --------
    >>> plots = pd.DataFrame({"alive": [30, 28, 20, 22], "planted": 36, "hybrid": ["a", "a", "b", "b"]})
    >>> fit = fit_binomial(plots, alive="alive", total="planted", fixed="0 + hybrid")
    >>> fit.coefficients.round(3).to_dict()
    {'hybrid[a]': 1.421, 'hybrid[b]': 0.336}
    """
    if method not in METHODS:
        raise ValueError(f"method is {method!r}; it must be one of {', '.join(METHODS)}")
    y, n = _counts(frame, alive, total)
    design = model_matrix(fixed, frame) if isinstance(fixed, str) else fixed
    _refuse_aliased(design)
    terms = _levels(frame, random)
    extra = _half_plants(frame, n, half_plant_in)
    problem = _Problem(y + extra, n + 2 * extra, design.to_numpy(float), terms)
    variances, state, verdict = _minimise(problem, method)
    _refuse_separated(state.eta, half_plant_in)
    return _result(problem, variances, state, design, terms, method, verdict)


def _counts(frame, alive, total):
    y, n = frame[alive].to_numpy(float), frame[total].to_numpy(float)
    bad = ~((n > 0) & (y >= 0) & (y <= n))
    if bad.any():
        rows = ", ".join(str(i) for i in frame.index[bad][:5])
        raise ValueError(f"{bad.sum()} rows break 0 <= {alive} <= {total}, {total} > 0 (index {rows})")
    return y, n


def _refuse_aliased(design):
    x = design.to_numpy(float)
    r, pivot = linalg.qr(x, mode="r", pivoting=True)
    sizes = np.abs(np.diag(r))
    rank = int((sizes > 1e-9 * sizes[0]).sum()) if sizes.size else 0
    if rank < x.shape[1]:
        names = ", ".join(design.columns[pivot[rank:]])
        raise ValueError(f"the data cannot tell these fixed effects from the others: {names}")


def _levels(frame, random):
    terms = {}
    for term in random:
        code, levels = pd.factorize(_crossing(frame, term.split(":")), sort=True)
        if len(levels) < 2:
            raise ValueError(f"random term {term!r} has one level: its variance cannot be estimated")
        terms[term] = (code, levels)
    own = [term for term, (_, levels) in terms.items() if len(levels) == len(frame)]
    if len(own) > 1:
        raise ValueError(f"these random terms all have one level per row, keep one: {', '.join(own)}")
    return terms


def _crossing(frame, columns):
    crossed = frame[columns[0]].astype(str)
    for column in columns[1:]:
        crossed = crossed + ":" + frame[column].astype(str)
    return crossed


def _half_plants(frame, n, column):
    if column is None:
        return np.zeros(len(frame))
    per_level = pd.Series(n, index=frame.index).groupby(frame[column].astype(str)).transform("sum")
    return 0.5 * n / per_level.to_numpy(float)


@dataclass
class _State:
    """The mode at one set of variances, and what follows from it."""

    eta: np.ndarray
    fixed: np.ndarray
    effects: np.ndarray  # levels of the dense terms, logit scale
    own: np.ndarray  # plot-to-plot effects, logit scale
    inner: np.ndarray  # lambda K^-1 lambda; its leading block is the fixed effects' covariance
    criterion: float
    gradient: np.ndarray


class _Problem:
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
        return _State(
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


class _Profile:
    """Criterion of a fit along one fixed effect."""

    def __init__(self, fit, coefficient):
        full = fit.problem
        j = list(fit.coefficients.index).index(coefficient)
        self.column, self.variances = full.x[:, j], fit.variances.to_numpy()
        self.rest = _Problem(full.y, full.n, np.delete(full.x, j, axis=1), full.terms)

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


def _minimise(problem, method):
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


def _refuse_separated(eta, half_plant_in):
    if half_plant_in is None and np.max(np.abs(eta)) > _SEPARATED_LOGIT:
        raise ValueError(
            "a fixed effect has no finite estimate: all plants of one of its levels live or all are dead; "
            "give half_plant_in, the column whose levels should each get half a plant"
        )


def _result(problem, variances, state, design, terms, method, verdict):
    names = list(design.columns)
    if method == "ml":  # the covariance of b needs the fixed effects in the factor
        _, weight = problem.weights(state.eta)
        inner = problem.factor(weight, variances, True)[1]
    else:
        inner = state.inner
    effects = {}
    for k, (term, (code, levels)) in enumerate(terms.items()):
        if k == problem.own:
            effects[term] = pd.Series(state.own[np.argsort(code)], index=levels)
        else:
            block = problem.blocks[k]
            effects[term] = pd.Series(state.effects[block.start - problem.p : block.stop - problem.p], index=levels)
    p = problem.p
    return BinomialFit(
        coefficients=pd.Series(state.fixed, index=names),
        covariance=pd.DataFrame(inner[:p, :p], index=names, columns=names),
        variances=pd.Series(variances, index=list(terms), dtype=float),
        effects=effects,
        design=pd.DataFrame(design.to_numpy(float), columns=names),
        logit=state.eta,
        criterion=state.criterion,
        deviance=_residual_deviance(problem.y, problem.n, state.eta),
        method=method,
        verdict=verdict,
        n_cells=len(problem.y),
        problem=problem,
    )


def _residual_deviance(y, n, eta):
    mean = n * special.expit(eta)
    return 2 * (special.xlogy(y, y / mean) + special.xlogy(n - y, (n - y) / (n - mean))).sum()
