"""Adjusted means, comparisons, errors of records left out, and which models may be compared."""

import numpy as np
import pandas as pd
from scipy import special, stats

_CRITICAL_DRAWS = 2**16
_NOTHING = (
    1e-9  # a record with this share of its own variance left is fitted exactly, whatever it is
)


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


def mean_weights(fit, by: str, at: dict | None = None) -> pd.DataFrame:
    """Weights of the fixed effects in the adjusted mean of each level of a factor.

    Parameters
    ----------
    fit : GaussianFit, BinomialFit
        Fitted from a formula.
    by : str
        Factor of the formula.
    at : dict, optional
        Values at which other columns are held; otherwise other factors (numbers in ``C(...)`` too)
        are averaged over their levels, each with the same weight, and numbers held at their mean.

    Returns
    -------
    DataFrame
        One row per level of ``by``, one column per coefficient. ``fit.contrast`` turns it into
        means; the difference of two rows is a comparison.

    Raises
    ------
    ValueError
        Fitted from a design instead of a formula, a column that is not in the formula, or a level
        in ``at`` that is not in the data.

    References
    ----------
    Searle, Speed & Milliken (1980) Am. Stat. 34:216-221.
    """
    spec = getattr(fit.design, "model_spec", None)
    if spec is None:
        raise ValueError("adjusted means need a model that was fitted from a formula")
    known, at = sorted(spec.required_variables), at or {}
    wrong = [c for c in [by, *at] if c not in known]
    if wrong:
        there = ", ".join(known)
        raise ValueError(f"no column {', '.join(wrong)} in the model's formula; there are {there}")
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
        if column in at:
            if column in factors and at[column] not in choices[column]:
                there = ", ".join(map(str, choices[column]))
                raise ValueError(f"{column} has no level {at[column]!r}; there are {there}")
            choices[column] = [at[column]]
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


def simultaneous_draws(correlation: np.ndarray, df: float) -> np.ndarray:
    """Largest absolute value of multivariate t vectors, sorted; quasi-random, so repeatable.

    Parameters
    ----------
    correlation : ndarray, shape (m, m)
        Correlation of the contrasts, possibly singular.
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
    size, vectors = np.linalg.eigh(correlation)
    root = vectors * np.sqrt(np.maximum(size, 0))
    uniform = stats.qmc.Sobol(len(correlation) + 1, seed=20).random(_CRITICAL_DRAWS)
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
        Two fits or more, all gaussian, all binomial or all of ordered scores.

    Returns
    -------
    DataFrame
        ``criterion`` (-2 log likelihood), ``parameters``, ``aic``, ``above_best`` by name, best
        first.

    Raises
    ------
    ValueError
        Fewer than two fits; fits of different kinds, methods, nodes or records; restricted
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
    if len(fits) < 2:
        there = "there is one fit" if fits else "there are no fits"
        raise ValueError(f"{there}; a comparison needs two or more")
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


def left_out(fit, units=None) -> pd.DataFrame:
    """Errors of the records' predictions from the other records, a unit at a time.

    Parameters
    ----------
    fit : GaussianFit
    units : array_like, optional
        Unit of each record used, for example its plot where plots are cut again; all records of a
        unit are left out together. By default each record is its own.

    Returns
    -------
    DataFrame
        By record of ``fit.data``: ``error`` (observed less predicted, unit of the response) and
        ``variance`` (of that error, by the model). Both are missing where the other records cannot
        tell some fixed effect of the unit, as for a hybrid with one plot.

    Raises
    ------
    ValueError
        ``units`` of another length.

    Notes
    -----
    ``P_ss^-1 (Py)_s`` with variance ``P_ss^-1`` for the records s of a unit, exact for the
    variances of the whole fit, which are not estimated again. With ``P = V^-1 - V^-1 X (X'V^-1
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
    code = np.arange(fit.n_records) if units is None else pd.factorize(np.asarray(units))[0]
    if len(code) != fit.n_records:
        raise ValueError(f"{len(code)} units for {fit.n_records} records used")
    p, py, scale = projection(fit), fit.state.py, fit.model.scale
    error, variance = np.full(fit.n_records, np.nan), np.full(fit.n_records, np.nan)
    typical = np.diag(p).max()
    for unit in range(code.max() + 1):
        own = np.flatnonzero(code == unit)
        block = p[np.ix_(own, own)]
        if np.linalg.eigvalsh(block)[0] > _NOTHING * typical:
            inverse = np.linalg.inv(block)
            error[own], variance[own] = inverse @ py[own] * scale, np.diag(inverse) * scale**2
    return pd.DataFrame({"error": error, "variance": variance}, index=fit.data.index)


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
