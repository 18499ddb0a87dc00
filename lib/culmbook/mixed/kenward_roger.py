"""F tests and intervals in gaussian mixed models that hold with few blocks or main plots."""

import numpy as np
import pandas as pd
from scipy import stats

from culmbook.mixed.gaussian import FTest, GaussianFit
from culmbook.mixed.inference import student_table

MOST_RECORDS = 1_500  # matrices of records x records are kept for every variance
_SCORING_STEPS = 50
_HALVINGS = 30
_SETTLED = 1e-10


def kenward_roger(fit: GaussianFit, weights: pd.DataFrame, *, bounded: bool = False) -> FTest:
    """F test that linear combinations of fixed effects are all zero, by Kenward and Roger's method.

    Parameters
    ----------
    fit : GaussianFit
        A converged fit with ``method='reml'`` of at most 1,500 records.
    weights : DataFrame
        One row per combination, one column per coefficient (columns not given weigh nothing).
    bounded : bool
        Keep variances estimated at zero there. By default they may be negative for the test, as
        long as the records' covariance is positive definite.

    Returns
    -------
    FTest
        The scaled F, its degrees of freedom and its p value.

    Raises
    ------
    ValueError
        Not a converged REML fit, too many records, no estimated variance, terms with correlated
        inner levels (the method needs a covariance linear in its parameters), combinations that are
        not independent or name no coefficient.

    Notes
    -----
    The fixed effects' covariance is enlarged for the uncertainty of the variances, and F is scaled
    so that its first two moments are those of an F distribution. Variances held at zero make the
    test of main plots too shy: with 3 to 6 replicates it rejects 2.4 instead of 5 %. Where they may
    be negative it is the exact F test of the stratum in a balanced design; the combinations are
    then estimated at those variances too.

    References
    ----------
    Kenward & Roger (1997) Biometrics 53:983-997; Halekoh & Hojsgaard (2014) J. Stat. Softw. 59(9).

    Examples
    --------
    >>> from culmbook.mixed import fit_gaussian
    >>> plots = pd.DataFrame({"block": list("112233"), "film": list("ynynyn"), "stand": [8.0, 6, 9, 8, 7, 4]})
    >>> fit = fit_gaussian(plots, "stand", "film", ["block"])
    >>> test = kenward_roger(fit, pd.DataFrame({"film[T.y]": [1.0]}))
    >>> round(test.f, 2), test.df_numerator, round(test.df_denominator, 2)
    (12.0, 1, 2.0)
    """
    _refuse(fit)
    rows = fit.weigh(weights, together=True)
    b, phi, w, p, q = _pieces(fit, bounded)
    enlarged = _enlarged(phi, w, p, q)
    between = rows.T @ np.linalg.solve(rows @ phi @ rows.T, rows)
    turned = [between @ phi @ pi @ phi for pi in p]
    a1 = _sum(w, lambda i, j: np.trace(turned[i]) * np.trace(turned[j]))
    a2 = _sum(w, lambda i, j: np.trace(turned[i] @ turned[j]))
    estimate, df = rows @ b, len(rows)
    wald = float(estimate @ np.linalg.solve(rows @ enlarged @ rows.T, estimate)) / df
    denominator, scale = _moments(a1, a2, df)
    f = scale * wald
    return FTest(f, df, denominator, float(stats.f.sf(f, df, denominator)))


def kenward_roger_contrasts(
    fit: GaussianFit, weights: pd.DataFrame, level: float = 0.95
) -> pd.DataFrame:
    """Estimates of linear combinations of fixed effects, the uncertainty of the variances allowed
    for.

    Parameters
    ----------
    fit : GaussianFit
        As in :func:`kenward_roger`.
    weights : DataFrame
        One row per combination, one column per coefficient.
    level : float
        Coverage of each interval, 0-1.

    Returns
    -------
    DataFrame
        As ``fit.contrast``, with the enlarged variance in ``se`` and the degrees of freedom of the
        F test of each combination; variances estimated at zero stay there.

    Raises
    ------
    ValueError
        As in :func:`kenward_roger`, except that combinations need not be independent.

    References
    ----------
    Kenward & Roger (1997) Biometrics 53:983-997.
    """
    _refuse(fit)
    rows = fit.weigh(weights)
    _, phi, w, p, q = _pieces(fit, bounded=True)
    plain = np.einsum("ij,jk,ik->i", rows, phi, rows)
    turned = [np.einsum("ij,jk,ik->i", rows, phi @ part @ phi, rows) for part in p]
    shares = np.array([part / plain for part in turned])
    df = 2 / np.einsum("im,ij,jm->m", shares, w, shares)
    estimate = rows @ fit.coefficients.to_numpy()
    se = np.sqrt(np.einsum("ij,jk,ik->i", rows, _enlarged(phi, w, p, q), rows))
    return student_table(estimate, se, df, level, weights.index)


def enlarged_covariance(fit: GaussianFit) -> pd.DataFrame:
    """Covariance of the fixed effects, the uncertainty of the variances allowed for.

    Parameters
    ----------
    fit : GaussianFit
        As in :func:`kenward_roger`.

    Returns
    -------
    DataFrame
        Coefficient by coefficient; variances estimated at zero stay there.

    Raises
    ------
    ValueError
        As in :func:`kenward_roger`.
    """
    _refuse(fit)
    _, phi, w, p, q = _pieces(fit, bounded=True)
    names = fit.coefficients.index
    return pd.DataFrame(_enlarged(phi, w, p, q), index=names, columns=names)


def _enlarged(phi, w, p, q):
    return phi + 2 * phi @ _sum(w, lambda i, j: q[i][j] - p[i] @ phi @ p[j]) @ phi


def _refuse(fit):
    bent = [term.name for term in fit.model.terms if not term.kernel.is_diagonal]
    why = ""
    if fit.method != "reml" or fit.verdict != "converged":
        why = f"needs a converged fit with method 'reml'; this is {fit.method!r}, {fit.verdict}"
    elif fit.n_records > MOST_RECORDS:
        why = f"{fit.n_records} records; with more than {MOST_RECORDS} use the fit's f_test"
    elif bent:
        names = ", ".join(bent)
        why = f"the covariance is no sum of variances because of {names}; use the fit's f_test"
    elif fit.variances.empty:
        why = "no variance was estimated, so there is no uncertainty of variances to allow for"
    if why:
        raise ValueError(why)


def _sum(w, term):
    """Sum of ``w_ij term(i, j)``."""
    places = range(len(w))
    return sum(w[i, j] * term(i, j) for i in places for j in places)


def _pieces(fit, bounded):
    """b, its covariance, that of the variances, and the first and second order terms P_i and Q_ij."""
    model = fit.model
    v, parts = model.covariance(fit.state)
    x, y = model.problem.structure.x / model.unit, model.problem.y  # b in the data's own units
    if not bounded and (fit.state.theta <= 0).any():
        v = _unbounded(v, parts, x, y)
    inverse = np.linalg.inv(v)
    vx = inverse @ x
    phi = np.linalg.inv(x.T @ vx)
    b = phi @ (vx.T @ y) + model.least_squares / model.column_scale
    steps = [part @ vx for part in parts]
    p = [-(vx.T @ step) for step in steps]
    q = [[left.T @ inverse @ right for right in steps] for left in steps]
    projected = [(inverse - vx @ phi @ vx.T) @ part for part in parts]
    information = np.array([[(a * b.T).sum() for b in projected] for a in projected])
    return b, phi, 2 * np.linalg.inv(information), p, q


def _unbounded(v, parts, x, y):
    """Covariance at the least restricted criterion over all variances, negative ones too, by
    scoring.
    """
    height = _criterion(v, x, y)
    for _ in range(_SCORING_STEPS):
        inverse = np.linalg.inv(v)
        vx = inverse @ x
        projector = inverse - vx @ np.linalg.solve(x.T @ vx, vx.T)
        py = projector @ y
        projected = [projector @ part for part in parts]
        both = zip(parts, projected, strict=True)
        slope = np.array([py @ part @ py - np.trace(pp) for part, pp in both])
        step = np.linalg.solve([[(a * b.T).sum() for b in projected] for a in projected], slope)
        change = sum(s * part for s, part in zip(step, parts, strict=True))
        fall = slope @ step
        for _ in range(_HALVINGS):
            new = _criterion(v + change, x, y)
            if new <= height:
                break
            change = change / 2
        else:
            break
        v, height = v + change, new
        if fall < _SETTLED:
            break
    return v


def _criterion(v, x, y):
    """Restricted criterion but for its constant; infinite where v is not positive definite."""
    try:
        half = np.linalg.cholesky(v)
    except np.linalg.LinAlgError:
        return np.inf
    a, c = np.linalg.solve(half, x), np.linalg.solve(half, y)
    inner, both = a.T @ a, a.T @ c
    log_det = 2 * np.log(np.diag(half)).sum() + np.linalg.slogdet(inner)[1]
    return log_det + c @ c - both @ np.linalg.solve(inner, both)


def _moments(a1, a2, df):
    """Denominator degrees of freedom and scale of F from the two moments."""
    b = (a1 + 6 * a2) / (2 * df)
    g = ((df + 1) * a1 - (df + 4) * a2) / ((df + 2) * a2)
    c = np.array([g, df - g, df + 2 - g]) / (3 * df + 2 * (1 - g))
    v0, v1, v2 = 1 + c[0] * b, 1 - c[1] * b, 1 - c[2] * b
    mean = 1 - a2 / df
    both_zero = abs(mean) < 1e-10 and abs(v1) < 1e-10
    spread = (1.0 if both_zero else mean / v1) ** 2 * (0.0 if abs(v0) < 1e-10 else v0)
    denominator = 4 + (df + 2) * v2 / (spread - v2)  # v2 is zero at exactly 4
    scale = 1.0 if abs(denominator - 2) < 1e-2 else denominator * mean / (denominator - 2)
    return float(denominator), float(scale)
