"""Adjusted means, comparisons, tests that hold with few blocks or main plots, errors of records left
out, and which models may be compared.
"""

from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import special, stats

_CRITICAL_DRAWS = 2**16
# A record with this share of its own variance left is fitted exactly, whatever it is.
_NOTHING = 1e-9


class FTest(NamedTuple):
    """F test of several contrasts at once."""

    f: float
    df_numerator: int
    df_denominator: float
    p: float


def normal_nodes(n: int) -> tuple[np.ndarray, np.ndarray]:
    """Nodes and weights of Gauss-Hermite quadrature over the standard normal distribution."""
    z, w = np.polynomial.hermite_e.hermegauss(n)
    return z, w / w.sum()


NODES, WEIGHTS = normal_nodes(31)


def student_table(estimate, se, df, level, index) -> pd.DataFrame:
    """Estimates with Student's t, p and limits: ``estimate, se, df, t, p, lower, upper``."""
    t, half = estimate / se, stats.t.ppf(0.5 + level / 2, df) * se
    columns = {"estimate": estimate, "se": se, "df": df, "t": t, "p": 2 * stats.t.sf(np.abs(t), df)}
    limits = {"lower": estimate - half, "upper": estimate + half}
    return pd.DataFrame(columns | limits, index=index)


def mean_weights(fit, by: str) -> pd.DataFrame:
    """Weights of the fixed effects in the adjusted mean of each level of a factor.

    Parameters
    ----------
    fit : GaussianFit, BinomialFit
        Fitted from a formula.
    by : str
        Factor of the formula.

    Returns
    -------
    DataFrame
        One row per level of ``by``, one column per coefficient. Other factors (numbers in
        ``C(...)`` too) are averaged over their levels, each with the same weight, and numbers held
        at their mean. ``fit.contrast`` turns it into
        means; the difference of two rows is a comparison.

    Raises
    ------
    ValueError
        Fitted from a design instead of a formula, or a column that is not in the formula.

    References
    ----------
    Searle, Speed & Milliken (1980) Am. Stat. 34:216-221.
    """
    spec = getattr(fit.design, "model_spec", None)
    if spec is None:
        raise ValueError("adjusted means need a model that was fitted from a formula")
    known = sorted(spec.required_variables)
    if by not in known:
        raise ValueError(f"no column {by} in the model's formula; there are {', '.join(known)}")
    # factors of the formula, numbers in ``C(...)`` among them
    kinds = {expression: kind.value for expression, (kind, _) in spec.encoder_state.items()}
    factors = set()
    for factor, names in spec.factor_variables.items():
        if kinds.get(factor.expr) == "categorical":
            factors |= names & spec.required_variables
    choices = {}
    for column in known:
        values = fit.data[column]
        by_level = column == by or column in factors
        choices[column] = sorted(values.unique()) if by_level else [float(values.mean())]
    grid = pd.MultiIndex.from_product(choices.values(), names=choices).to_frame(index=False)
    matrix = spec.get_model_matrix(grid).to_numpy(float)
    rows = pd.DataFrame(matrix, columns=fit.coefficients.index).groupby(grid[by].to_numpy())
    return rows.mean().rename_axis(by)


def marginal_share(logit, spread):
    """Mean share of plots whose logits are normal around ``logit`` with sd ``spread``.

    Parameters
    ----------
    logit : array_like
    spread : array_like
        Standard deviation on the logit scale, >= 0.

    Returns
    -------
    ndarray
        Shares 0-1, by Gauss-Hermite quadrature.

    Examples
    --------
    >>> marginal_share([0.0, 2.0], 1.0).round(3)
    array([0.5  , 0.845])
    """
    logit, spread = np.asarray(logit, float), np.asarray(spread, float)
    return special.expit(logit[..., None] + spread[..., None] * NODES) @ WEIGHTS


def simultaneous_draws(covariance: np.ndarray, df: float) -> np.ndarray:
    """Largest absolute value of multivariate t vectors, sorted; quasi-random, so repeatable.

    Parameters
    ----------
    covariance : ndarray, shape (m, m)
        Covariance of the contrasts, possibly singular.
    df : float
        Degrees of freedom, > 0; infinite for the multivariate normal.

    Returns
    -------
    ndarray
        Its 0.95 quantile is the two-sided single-step critical value.

    References
    ----------
    Dunnett (1955) J. Am. Stat. Assoc. 50:1096-1121; Hothorn, Bretz & Westfall (2008) Biometr. J.
    50:346-363.

    Examples
    --------
    >>> rho = np.full((5, 5), 0.5) + 0.5 * np.eye(5)
    >>> round(float(np.quantile(simultaneous_draws(rho, 20), 0.95)), 2)
    2.73
    """
    se = np.sqrt(np.diag(covariance))
    size, vectors = np.linalg.eigh(covariance / np.outer(se, se))
    root = vectors * np.sqrt(np.maximum(size, 0))
    uniform = stats.qmc.Sobol(len(covariance) + 1, seed=20).random(_CRITICAL_DRAWS)
    normal = special.ndtri(np.clip(uniform[:, :-1], 1e-12, 1 - 1e-12)) @ root.T
    scale = np.sqrt(stats.chi2.ppf(uniform[:, -1], df) / df) if np.isfinite(df) else 1.0
    return np.sort(np.abs(normal).max(axis=1) / scale)


def compare_together(fit, weights: pd.DataFrame, level: float = 0.95) -> pd.DataFrame:
    """Comparisons whose intervals hold all at once and whose p values are adjusted for their
    number.

    Parameters
    ----------
    fit : GaussianFit
    weights : DataFrame
        One row per comparison, one column per coefficient.
    level : float
        Coverage of all intervals together, 0 to 1.

    Returns
    -------
    DataFrame
        As ``fit.contrast``; ``p``, ``lower`` and ``upper`` are single-step adjusted, with the least
        of the comparisons' Satterthwaite degrees of freedom.

    References
    ----------
    Hothorn, Bretz & Westfall (2008) Biometr. J. 50:346-363.
    """
    table = fit.contrast(weights, level)
    rows = fit.weigh(weights)
    joint = rows @ fit.covariance.to_numpy() @ rows.T / np.outer(table["se"], table["se"])
    df = float(table["df"].min())
    largest = simultaneous_draws(joint, df)
    critical = np.quantile(largest, level)
    p = 1 - np.searchsorted(largest, table["t"].abs(), side="left") / len(largest)
    half = critical * table["se"]
    lower, upper = table["estimate"] - half, table["estimate"] + half
    return table.assign(df=df, p=p, lower=lower, upper=upper)


def compare(fits: dict) -> pd.DataFrame:
    """Information criteria of models of the same data.

    Parameters
    ----------
    fits : dict of str to fit
        All gaussian, all binomial or all of ordered scores.

    Returns
    -------
    DataFrame
        ``criterion`` (-2 log likelihood), ``parameters``, ``aic``, ``above_best`` by name, best
        first.

    Raises
    ------
    ValueError
        No fits; fits of different kinds, methods, nodes or records; restricted
        likelihoods of models with different fixed effects, which have different data behind them,
        and likewise with a prior of them; a fit that has not converged.

    Notes
    -----
    A restricted likelihood is that of the contrasts free of fixed effects. Other fixed effects,
    other contrasts: such criteria differ for no reason that concerns the model.

    References
    ----------
    Akaike (1974) IEEE Trans. Autom. Control 19:716-723; Pinheiro & Bates (2000) section 2.4 on
    restricted likelihoods.
    """
    if not fits:
        raise ValueError("there are no fits to compare")
    first = next(iter(fits.values()))
    for name, fit in fits.items():
        if fit.verdict != "converged":
            raise ValueError(f"{name} has {fit.verdict}, so its criterion means nothing")
        if type(fit) is not type(first) or fit.method != first.method:
            raise ValueError(f"{name} is of another kind or method; fit all models in the same way")
        why = ""
        if getattr(fit, "nodes", 1) != getattr(first, "nodes", 1):
            why = "was integrated with other nodes; such criteria cannot be compared"
        elif not np.array_equal(fit.response, first.response):
            why = "was fitted to other records; criteria of different data cannot be compared"
        elif fit.method != "ml" and not _same_space(fit.design, first.design):
            fix = "fit without prior_sd" if "prior" in fit.method else "fit with method 'ml'"
            why = f"has other fixed effects; criteria by {fit.method!r} cannot be compared then: {fix}"
        if why:
            raise ValueError(f"{name} {why}")
    each = {name: [fit.criterion, fit.n_parameters] for name, fit in fits.items()}
    table = pd.DataFrame.from_dict(each, "index", columns=["criterion", "parameters"]).astype(float)
    table["aic"] = table["criterion"] + 2 * table["parameters"]
    return table.assign(above_best=table["aic"] - table["aic"].min()).sort_values("aic")


def _same_space(one, other):
    """Do two designs span the same fixed effects?"""
    a, b = (d.to_numpy(float) for d in (one, other))
    return a.shape[1] == b.shape[1] and np.linalg.matrix_rank(np.hstack([a, b])) == a.shape[1]


def left_out(fit) -> pd.DataFrame:
    """Errors of the records' predictions from the other records.

    Parameters
    ----------
    fit : GaussianFit

    Returns
    -------
    DataFrame
        By record of ``fit.data``: ``error`` (observed less predicted, unit of the response) and
        ``variance`` (of that error, by the model). Both are missing where the other records cannot
        tell some fixed effect of the record, as for a hybrid with one plot.

    Notes
    -----
    ``(Py)_i / P_ii`` with variance ``1 / P_ii`` for record i, exact for the variances of the whole
    fit, which are not estimated again. With ``P = V^-1 - V^-1 X (X'V^-1
    X)^-1 X'V^-1``.

    References
    ----------
    Cook & Weisberg (1982) Residuals and Influence in Regression, ch. 2, for the ordinary
    regression; Haslett & Hayes (1998) J. R. Stat. Soc. B 60:201-215 for correlated records.

    Examples
    --------
    >>> from culmbook.mixed import fit_gaussian
    >>> plots = pd.DataFrame({"stems": [52.0, 48, 61, 57, 40, 44]})
    >>> left_out(fit_gaussian(plots, "stems", "1"))["error"].round(2).tolist()
    [2.0, -2.8, 12.8, 8.0, -12.4, -7.6]
    """
    own, scale = np.diag(projection(fit)), fit.model.scale
    own = np.where(own > _NOTHING * own.max(), own, np.nan)
    errors = {"error": fit.state.py / own * scale, "variance": scale**2 / own}
    return pd.DataFrame(errors, index=fit.data.index)


def projection(fit) -> np.ndarray:
    """``P`` of the records, records x records, for a response divided by ``fit.model.scale``."""
    return fit.state.factor.solve(np.eye(fit.n_records))[1]


def part_of(fit, term: str) -> np.ndarray:
    """What a random term gives each record used, in the response's unit.

    Raises
    ------
    ValueError
        No such term.
    """
    k = fit.position(term)
    own = fit.model.terms[k]
    return own.times(own.collect(fit.state.py), fit.kernel(k)) * fit.model.scale


def residuals(fit) -> np.ndarray:
    """Response less fixed and random effects, by record used, in the response's unit."""
    rest = fit.response - fit.design.to_numpy(float) @ fit.coefficients.to_numpy()
    return rest - sum((part_of(fit, term) for term in fit.levels), np.zeros(fit.n_records))


MOST_RECORDS = 1_500  # matrices of records x records are kept for every variance


def kenward_roger(fit, weights: pd.DataFrame) -> FTest:
    """F test that linear combinations of fixed effects are all zero, by Kenward and Roger's method.

    Parameters
    ----------
    fit : GaussianFit
        A converged fit with ``method='reml'`` of at most 1,500 records.
    weights : DataFrame
        One row per combination, one column per coefficient (columns not given weigh nothing).

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
    so that its first two moments are those of an F distribution. Variances estimated at zero stay
    there, which makes the test of main plots too shy: with 3 to 6 replicates it rejects 2.4 instead
    of 5 %.

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
    phi, w, p, q = _pieces(fit)
    enlarged = _enlarged(phi, w, p, q)
    between = rows.T @ np.linalg.solve(rows @ phi @ rows.T, rows)
    turned = [between @ phi @ pi @ phi for pi in p]
    a1 = _sum(w, lambda i, j: np.trace(turned[i]) * np.trace(turned[j]))
    a2 = _sum(w, lambda i, j: np.trace(turned[i] @ turned[j]))
    estimate, df = rows @ fit.coefficients.to_numpy(), len(rows)
    wald = float(estimate @ np.linalg.solve(rows @ enlarged @ rows.T, estimate)) / df
    denominator, scale = _moments(a1, a2, df)
    f = scale * wald
    return FTest(f, df, denominator, float(stats.f.sf(f, df, denominator)))


def kenward_roger_contrasts(fit, weights: pd.DataFrame, level: float = 0.95) -> pd.DataFrame:
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
    phi, w, p, q = _pieces(fit)
    plain = np.einsum("ij,jk,ik->i", rows, phi, rows)
    turned = [np.einsum("ij,jk,ik->i", rows, phi @ part @ phi, rows) for part in p]
    shares = np.array([part / plain for part in turned])
    df = 2 / np.einsum("im,ij,jm->m", shares, w, shares)
    estimate = rows @ fit.coefficients.to_numpy()
    se = np.sqrt(np.einsum("ij,jk,ik->i", rows, _enlarged(phi, w, p, q), rows))
    return student_table(estimate, se, df, level, weights.index)


def enlarged_covariance(fit) -> pd.DataFrame:
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
    phi, w, p, q = _pieces(fit)
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


def _pieces(fit):
    """Covariance of b, that of the variances, and the first and second order terms P_i and Q_ij."""
    v, parts = fit.model.covariance(fit.state)
    x = fit.model.problem.structure.x / fit.model.unit  # b in the data's own units
    inverse = np.linalg.inv(v)
    vx = inverse @ x
    phi = np.linalg.inv(x.T @ vx)
    steps = [part @ vx for part in parts]
    p = [-(vx.T @ step) for step in steps]
    q = [[left.T @ inverse @ right for right in steps] for left in steps]
    projected = [(inverse - vx @ phi @ vx.T) @ part for part in parts]
    information = np.array([[(a * b.T).sum() for b in projected] for a in projected])
    return phi, 2 * np.linalg.inv(information), p, q


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
