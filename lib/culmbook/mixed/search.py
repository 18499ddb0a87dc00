"""The parameters at which a criterion is least, its curvature there, and its profile along one of
them.
"""

from dataclasses import replace

import numpy as np
from scipy import optimize

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


def curvature(problem, state, free):
    """Second derivatives of the criterion by the parameters ``free``: differences of the exact
    gradient.
    """
    rows = []
    for i in free:
        room = min(state.theta[i] - problem.lower[i], problem.upper[i] - state.theta[i]) / 2
        by = min(room, 1e-4 * np.sqrt(2 / state.information[i, i]))
        step = by * (np.arange(len(state.theta)) == i)
        rise = problem.at(state.theta + step).gradient - problem.at(state.theta - step).gradient
        rows.append(rise[free] / (2 * by))
    rows = np.array(rows)
    return (rows + rows.T) / 2


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
