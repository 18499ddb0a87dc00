"""From a data frame to the numbers of a gaussian mixed model; what cannot be fitted is refused in
words.
"""

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from scipy import linalg, optimize

from culmbook.mixed.structure import Factor, Structure
from culmbook.mixed.terms import (
    code_levels,
    columns_of,
    make_terms,
    refuse_absent,
    refuse_aliased,
    refuse_other_length,
    refuse_rows,
)

CONVERGED = "converged"
VANISHED = "a residual variance falls to zero"
STUCK = "no step lowers the criterion"
UNENDING = "the criterion still falls after the last step allowed"

_STEPS = 200
_AVERAGE_STEPS = 25  # after so many steps observed curvature takes the average information's place
_SETTLED = 1e-13  # fall of the criterion that a further step promises, relative
_SLACK = 1e-12  # rise of the criterion that is let pass, relative
_ROUNDING = 1e-9  # a promised fall as small as this can be lost in rounding, relative
_ROOM = 1e-6  # distance from a bound that leaves room for differences
_FLATTEST = 1e-6  # curvature relative to the average information
_SMALLEST = 1e-5  # residual variance, relative to least squares' residual mean square
_GROWTH = 2.0 ** np.arange(1, 60)  # multiples tried for an upper limit
_PARTS = np.linspace(0.05, 1.0, 20)  # of the way to a bound, tried for the limit of a correlation


def minimise(problem, theta, held=(), settled=_SETTLED):
    """Parameters of the least criterion.

    Parameters
    ----------
    problem : Likelihood
        Has ``at``, ``lower``, ``upper`` and ``residuals``, the places of the residual variances.
    theta : ndarray
        Start, inside the bounds where not held.
    held : sequence of int
        Parameters that stay as they are.
    settled : float
        The search ends when a further step promises no more than this relative fall.

    Returns
    -------
    State
    str
        ``'converged'`` or the cause why not, one of the constants of this module.

    Notes
    -----
    Each step is the least point of the average-information quadratic within the box: parameters
    within their bounds, residual variances at or above a tenth of what they were. It is taken if
    the exact criterion does not rise, else damped. Correlations and loadings can differ so much
    between average and observed information that steps go to and fro; a search that lasts goes on
    with observed curvature.
    """
    free = np.setdiff1d(np.arange(len(theta)), held)
    residuals = np.arange(len(theta))[problem.residuals]
    state = bent = problem.at(np.asarray(theta, float))
    damping = 0.0
    for number in range(_STEPS):
        if number >= _AVERAGE_STEPS and bent is state:
            bent, damping = _observed(problem, state, free), 0.0
        step, fall = _step(problem, bent, free, damping)
        if damping == 0 and fall < settled * (1 + abs(state.criterion)):
            return state, CONVERGED
        new = _try(problem, state.theta + step)
        size = 1 + abs(state.criterion)
        if new is not None and new.criterion <= state.criterion + _SLACK * size:
            state, bent, damping = new, new, damping / 10 if damping > 1e-3 else 0.0
            if (state.theta[np.setdiff1d(residuals, held)] < _SMALLEST).any():
                return state, VANISHED
        elif damping > 1e8:
            rounding = _step(problem, bent, free, 0.0)[1] < _ROUNDING * size
            return state, CONVERGED if rounding else STUCK
        else:
            damping = max(10 * damping, 1e-2)
    return state, UNENDING


def _observed(problem, state, free):
    """State whose information is the observed curvature; where that curves downwards, upwards by
    as much.
    """
    room = np.minimum(state.theta - problem.lower, problem.upper - state.theta)
    inner = free[room[free] > _ROOM]
    information = state.information.copy()
    if len(inner):
        unit = np.sqrt(np.maximum(np.diag(information)[inner], 1e-12))
        size, vectors = np.linalg.eigh(curvature(problem, state, inner) / np.outer(unit, unit))
        others = np.setdiff1d(np.arange(len(state.theta)), inner)
        information[np.ix_(inner, others)] = information[np.ix_(others, inner)] = 0.0
        upwards = (vectors * np.maximum(np.abs(size), _FLATTEST)) @ vectors.T
        information[np.ix_(inner, inner)] = upwards * np.outer(unit, unit)
    return replace(state, information=information)


def _step(problem, state, free, damping):
    """Step within the box and the fall of the criterion it promises."""
    lower = problem.lower.copy()
    lower[problem.residuals] = 0.1 * state.theta[problem.residuals]
    information = state.information[np.ix_(free, free)]
    diagonal = np.diag(information)
    unit = np.sqrt(np.maximum(diagonal, 1e-12 * diagonal.max(initial=1e-3)))
    curve = information / np.outer(unit, unit)
    curve[np.diag_indices_from(curve)] += damping + 1e-10
    slope = state.gradient[free] / unit
    low, high = ((bound - state.theta)[free] * unit for bound in (lower, problem.upper))
    scaled = np.linalg.solve(curve, -slope) if len(free) else np.empty(0)
    if (scaled < low).any() or (scaled > high).any():
        size, vectors = np.linalg.eigh(curve)
        root = np.sqrt(np.maximum(size, 1e-12))
        a, b = (vectors * root).T, -(vectors.T @ slope) / root
        scaled = optimize.lsq_linear(a, b, (low, high), method="bvls", tol=1e-12).x
        scaled = np.clip(scaled, low, high)
    step = np.zeros(len(state.theta))
    to_lower, to_upper = (lower - state.theta)[free], (problem.upper - state.theta)[free]
    step[free] = np.where(scaled == low, to_lower, scaled / unit)  # bounds are met exactly
    step[free] = np.where(scaled == high, to_upper, step[free])
    return step, -float(slope @ scaled + 0.5 * scaled @ curve @ scaled)


def _try(problem, theta):
    try:
        return problem.at(theta)
    except np.linalg.LinAlgError:
        return None


def differences(gradient, at, free, sizes):
    """Second derivatives by the parameters ``free``: differences of a gradient over ``sizes``."""
    rows = []
    for i, size in zip(free, sizes, strict=True):
        step = size * (np.arange(len(at)) == i)
        rows.append((gradient(at + step) - gradient(at - step))[free] / (2 * size))
    rows = np.array(rows)
    return (rows + rows.T) / 2


def curvature(problem, state, free):
    """Second derivatives of the criterion by the parameters ``free``: differences of the exact
    gradient.
    """
    room = np.minimum(state.theta - problem.lower, problem.upper - state.theta)[free] / 2
    sizes = np.minimum(room, 1e-4 * np.sqrt(2 / np.diag(state.information)[free]))
    return differences(lambda theta: problem.at(theta).gradient, state.theta, free, sizes)


def profile_limit(problem, state, i, rise, side):
    """Value of parameter i, above (``side`` 1) or below (-1) its estimate, where the criterion has
    risen.

    The criterion is least over all other parameters. Returns the bound where it never rises so far.
    """
    best, bound = state.theta[i], (problem.lower if side < 0 else problem.upper)[i]

    def excess(value):
        theta = np.where(state.theta == problem.lower, problem.lower + 1e-3, state.theta)
        theta[i] = value
        return minimise(problem, theta, held=(i,))[0].criterion - state.criterion - rise

    alone = np.where(np.arange(len(state.theta)) == i, bound, state.theta)
    # values to look at from the estimate outwards; no covariance may be left without the parameter
    if side > 0 and np.isinf(bound):
        tried = best + max(best, 1e-2) * (_GROWTH - 1)
    elif np.isfinite(bound) and _try(problem, alone) is None:
        tried = best / _GROWTH
    elif bound == 0:
        tried = [0.0] if best > 0 else []
    else:
        tried = best + (bound - best) * _PARTS
    for end in tried:
        if excess(end) > 0:
            close = 1e-9 * max(abs(end), abs(best))
            return optimize.brentq(excess, *sorted([end, best]), xtol=close, rtol=1e-7)
    return bound


RESIDUAL = "residual"
_MANY = 5_000  # records, beyond which a search is started from two points at most
_WITH_RESPONSE = "rows with a response"
_NOTHING = 1e-9  # what is left of a column or response, relative, when another explains all of it


@dataclass(frozen=True)
class State:
    """What the criterion and its derivatives are at one set of parameters."""

    theta: np.ndarray
    criterion: float
    gradient: np.ndarray
    information: np.ndarray  # average information of the criterion -2 log L
    solution: np.ndarray  # mixed-model solution: effects of the crossed levels, then b
    py: np.ndarray  # Py by record
    factor: Factor = field(repr=False)


class Likelihood:
    """Criterion of one model: ``at`` gives the state at the terms' parameters and the residual
    variances.

    Parameters
    ----------
    y : ndarray
        Response, one value per record.
    structure : Structure
    shares : ndarray, records x residual variances
        How much of each estimated residual variance a record has: 1 for that of its group and 0
        for others, or a number that its only one is multiplied by. No column where none is
        estimated.
    known : ndarray
        Known part of each record's residual variance, zeros when there is none.
    restricted : bool
        REML, else maximum likelihood.

    Notes
    -----
    ``-2 log L`` restricted is ``log|V| + log|X'V^-1 X| + y'Py + (n - p) log 2 pi``; maximum
    likelihood leaves out the second determinant and takes ``n``. Its derivative by a parameter is
    ``tr(P V_i) - y'P V_i P y`` (with V^-1 for P in the trace for maximum likelihood), its average
    information ``y'P V_i P V_j P y``.
    """

    def __init__(self, y, structure, shares, known, restricted):
        self.y, self.structure, self.shares = y, structure, shares
        self.known, self.restricted = known, restricted
        n_residuals = shares.shape[1]
        self.lower = np.append(structure.lower, np.zeros(n_residuals))
        self.upper = np.append(structure.upper, np.full(n_residuals, np.inf))
        self.residuals = slice(structure.n_theta, None)

    def residual(self, theta):
        """Residual variance of each record."""
        return self.known + self.shares @ theta[self.residuals]

    def at(self, theta):
        """State at ``theta``; raises ``LinAlgError`` where V is not positive definite."""
        s = self.structure
        own, factor = theta[: s.n_theta], s.factor(theta[: s.n_theta], self.residual(theta))
        h = factor.h if self.restricted else factor.h_random
        solution, py = factor.solve(self.y)
        diagonal, by_kernel = factor.projected(h)
        f = self.derivatives(theta, py)
        traces = np.append(s.chain(own, by_kernel), diagonal @ self.shares)
        return State(
            theta=theta,
            criterion=self._criterion(factor, py),
            gradient=traces - f.T @ py,
            information=f.T @ factor.solve(f)[1] + s.second(own, by_kernel, len(self.lower)),
            solution=solution,
            py=py,
            factor=factor,
        )

    def height(self, theta):
        """The criterion alone."""
        s = self.structure
        factor = s.factor(theta[: s.n_theta], self.residual(theta))
        return self._criterion(factor, factor.solve(self.y)[1])

    def _criterion(self, factor, py):
        s = self.structure
        dimension = s.n - s.p if self.restricted else s.n
        log_det = factor.log_v + (factor.log_x if self.restricted else 0.0)
        return float(log_det + self.y @ py + dimension * np.log(2 * np.pi))

    def derivatives(self, theta, vector):
        """``V_i v`` by record for every parameter."""
        s = self.structure
        terms = s.derivatives(theta[: s.n_theta], vector)
        return np.hstack([terms, self.shares * vector[:, None]])


class Model:
    """The data in units in which the residual mean square of least squares and the columns' norms
    are 1.
    """

    def __init__(
        self, used, response, design, random, method, residual_by, known_variance, residual
    ):
        self.method, self.columns = method, list(design.columns)
        x = design.to_numpy(float)
        for column, bad in zip(self.columns, ~np.isfinite(x).T, strict=True):
            what = "is missing or not finite"
            refuse_rows(used, f"fixed effect {column}", bad, what, _WITH_RESPONSE)
        norms = np.sqrt((x**2).sum(axis=0))
        self.column_scale = np.where(norms > 0, norms, 1.0)
        x = x / self.column_scale
        refuse_aliased(pd.DataFrame(x, columns=self.columns))
        self.terms = make_terms(used, random)
        estimated = bool(residual) and known_variance is None
        for term in self.terms:
            _refuse_determined(x, term)
            if estimated:
                _refuse_like_residual(term)
        known = np.zeros(len(used))
        if known_variance is not None:
            known = used[known_variance].to_numpy(float)
        y = self._standardise(used[response].to_numpy(float), x, known)
        shares, self.residuals = np.empty((len(used), 0)), []
        if estimated and residual_by is None:
            shares, self.residuals = np.ones((len(used), 1)), [RESIDUAL]
            if residual is not True:
                shares = used[[residual]].to_numpy(float)
        elif estimated:
            groups, labels = code_levels(used, residual_by)
            if len(alone := labels[np.bincount(groups) < 2]):
                why = f"{residual_by} has levels with one record, which cannot show a variance"
                raise ValueError(f"{why}: {', '.join(alone)}")
            self.residuals = [f"{RESIDUAL}[{label}]" for label in labels]
            shares = np.equal.outer(groups, np.arange(len(labels))).astype(float)
        # columns that occur only as part of a term may cut the records into blocks too
        plain = [term for term in random if isinstance(term, str)]
        parts = dict.fromkeys(c for term in plain for c in term.split(":") if c not in plain)
        structure = Structure(x, self.terms, [code_levels(used, c)[0] for c in parts])
        self.problem = Likelihood(y, structure, shares, known / self.scale**2, method == "reml")
        self.starts = self._starts(y, 1.0 / max(len(self.terms) + estimated, 1))
        self.unit = self.scale / self.column_scale  # of fixed effects, to the data's own unit
        kernels = [t.kernel.powers for t in self.terms]  # how parameters scale with the response
        self.powers = np.concatenate([np.empty(0), *kernels, np.full(len(self.residuals), 2)])
        own = [t.name + label for t in self.terms for label in t.kernel.labels]
        self.names = [*own, *self.residuals]  # of the parameters

    def _starts(self, y, share):
        """Points from which to search: several only where a kernel may have several optima."""
        each = []
        for term in self.terms:
            counts, between = term.collect(np.ones(len(y))), None
            spread = np.ones(term.m)  # root mean square of the records at each inner level
            if term.inner is not None:
                squares = np.bincount(term.inner, y**2, term.m) / np.bincount(term.inner)
                spread = np.sqrt(np.maximum(squares, 1e-4))
            if term.kernel.has_several_optima:  # covariance of outer levels' means
                means = np.where(counts > 0, term.collect(y) / np.maximum(counts, 1), np.nan)
                between = pd.DataFrame(means).cov().fillna(0.0).to_numpy()
            each.append(term.kernel.starts(share, spread, between))
        most = max([len(starts) for starts in each], default=1)
        found, residual = [], np.full(len(self.residuals), share)
        for i in range(min(most, 2) if len(y) > _MANY else most):
            own = (starts[min(i, len(starts) - 1)] for starts in each)
            found.append(np.concatenate([*own, residual]))
        return found

    def _standardise(self, y, x, known):
        self.least_squares = np.linalg.lstsq(x, y, rcond=None)[0]
        rest, df = y - x @ self.least_squares, len(y) - x.shape[1]
        if df < 1:
            both = f"{len(y)} records and {x.shape[1]} fixed effects"
            raise ValueError(f"{both} leave no variance to estimate")
        self.scale = float(np.sqrt(known.mean() if known.any() else rest @ rest / df))
        if self.scale <= _NOTHING * np.sqrt((y**2).mean()):
            why = "the fixed effects fit the response exactly"
            raise ValueError(f"{why}: there is no variance to estimate")
        return rest / self.scale

    def covariance(self, state):
        """Records' covariance in the fitted units, records x records, and its derivative by each
        parameter.
        """
        s, parts = self.problem.structure, []
        full = np.diag(self.problem.residual(state.theta))
        for term, place in zip(s.terms, s.places, strict=True):
            z = term.z.toarray().reshape(s.n, len(term.levels), term.m)
            own = state.theta[place]
            for k in term.kernel.slopes(own):
                parts.append(np.einsum("iga,ab,jgb->ij", z, k, z, optimize=True))
            full += np.einsum("iga,ab,jgb->ij", z, term.kernel.matrix(own), z, optimize=True)
        parts += [np.diag(share) for share in self.problem.shares.T]
        return full, parts

    def criterion(self, state):
        """-2 log likelihood in the data's own units."""
        p = len(self.columns) if self.method == "reml" else 0
        own = 2 * np.log(self.column_scale).sum() if self.method == "reml" else 0.0
        return state.criterion + 2 * (self.problem.structure.n - p) * np.log(self.scale) + own

    def in_words(self, state, verdict):
        """The search's verdict, with the names of what is to blame."""
        if verdict == CONVERGED:
            return verdict
        if verdict == VANISHED:
            least = self.residuals[int(np.argmin(state.theta[self.problem.residuals]))]
            return f"not converged: {verdict} ({least}); the other terms leave it nothing"
        return f"not converged: {verdict}"


def _refuse_like_residual(term):
    """Raise where a term has a level for every record, so that it is another residual."""
    if term.code is None or term.design is not None:
        return
    alone = np.bincount(term.code * term.m + (0 if term.inner is None else term.inner)).max() < 2
    if alone and term.inner is None:
        why = f"no level of random term {term.name!r} has two records"
        raise ValueError(f"{why}: it cannot be told from the residual")
    if alone and term.kernel.has_free_diagonal:
        why = f"no cell of {term.name!r} has two records, so its variances cannot be told from the residual"
        raise ValueError(f"{why}; leave the residual out with residual=False")


def _refuse_determined(x, term):
    q = linalg.qr(x, mode="economic")[0]
    probe = term.z @ np.cos(1.0 + np.arange(term.z.shape[1]))  # any values without a pattern
    rest = probe - q @ (q.T @ probe)
    if rest @ rest <= _NOTHING**2 * (probe @ probe):
        why = f"fixed effects determine every level of random term {term.name!r}"
        raise ValueError(f"{why}; keep one of the two")


def used_records(frame, response, fixed, random, residual_by, known_variance, residual=True):
    """Rows with a response, after a look at every column the model needs."""
    spread = residual if isinstance(residual, str) else None
    more = [c for c in (residual_by, known_variance, spread) if c is not None]
    columns = [*columns_of(fixed, random), *more]
    refuse_absent(frame, [response, *columns])
    used = frame[frame[response].notna()]
    if used.empty:
        raise ValueError(f"no row has a value of {response}")
    if not pd.api.types.is_numeric_dtype(used[response]):
        raise ValueError(f"{response} holds {used[response].iloc[0]!r}: a response needs numbers")
    for column in dict.fromkeys(columns):
        refuse_rows(used, column, used[column].isna(), "is missing", _WITH_RESPONSE)
    infinite = ~np.isfinite(used[response].astype(float))
    refuse_rows(used, response, infinite, "is not finite", _WITH_RESPONSE)
    for column in (known_variance, spread):
        if column is not None:
            bad = ~(used[column] > 0)
            refuse_rows(used, column, bad, "is not above 0", _WITH_RESPONSE)
    if sum(c is not None for c in (residual_by, known_variance, spread)) > 1:
        raise ValueError(
            "residual_by has no meaning where known_variance or a column of residual gives the variances"
        )
    refuse_other_length(frame, fixed)
    return used, len(frame) - len(used)
