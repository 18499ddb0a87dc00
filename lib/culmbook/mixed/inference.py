"""Adjusted means, comparisons that hold together, and which models may be compared."""

import numpy as np
import pandas as pd
from scipy import special, stats

_CRITICAL_DRAWS = 2**16
_nodes, _weights = np.polynomial.hermite_e.hermegauss(31)
NODES, WEIGHTS = _nodes, _weights / _weights.sum()


def mean_weights(fit, by: str, at: dict | None = None) -> pd.DataFrame:
    """Weights of the fixed effects in the adjusted mean of each level of a factor.

    Parameters
    ----------
    fit : GaussianFit, BinomialFit
        Fitted from a formula.
    by : str
        Factor of the formula.
    at : dict, optional
        Values at which other columns are held; otherwise other factors (numbers in ``C(...)`` too) are
        averaged over their levels, each with the same weight, and numbers held at their mean.

    Returns
    -------
    DataFrame
        One row per level of ``by``, one column per coefficient. ``fit.contrast`` turns it into means; the
        difference of two rows is a comparison.

    Raises
    ------
    ValueError
        Fitted from a design instead of a formula, a column that is not in the formula, or a level in ``at``
        that is not in the data.

    References
    ----------
    Searle, Speed & Milliken (1980) Am. Stat. 34:216-221.
    """
    grid, matrix = _grid(fit, by, at)
    rows = (
        pd.DataFrame(matrix, columns=fit.coefficients.index)
        .groupby(grid[by].to_numpy(), sort=True)
        .mean()
    )
    return rows.rename_axis(by)


def _grid(fit, by, at):
    """Combinations of the factors' levels, and their design."""
    spec = getattr(fit.design, "model_spec", None)
    if spec is None:
        raise ValueError("adjusted means need a model that was fitted from a formula")
    known = sorted(spec.required_variables)
    wrong = [c for c in [by, *(at or {})] if c not in known]
    if wrong:
        raise ValueError(
            f"no column {', '.join(wrong)} in the model's formula; there are {', '.join(known)}"
        )
    factors = _factors(spec)
    for column, value in (at or {}).items():
        levels = sorted(fit.data[column].unique())
        if column in factors and value not in levels:
            raise ValueError(
                f"{column} has no level {value!r}; there are {', '.join(map(str, levels))}"
            )
    choices = {
        c: [at[c]] if at and c in at else _choices(fit.data[c], c == by or c in factors)
        for c in known
    }
    grid = pd.MultiIndex.from_product(choices.values(), names=choices).to_frame(index=False)
    return grid, spec.get_model_matrix(grid).to_numpy(float)


def _factors(spec):
    """Columns that the formula takes as factors, numbers in ``C(...)`` among them."""
    kinds = {expression: kind for expression, (kind, _) in spec.encoder_state.items()}
    named = [
        names
        for factor, names in spec.factor_variables.items()
        if factor.expr in kinds and kinds[factor.expr].value == "categorical"
    ]
    return set().union(*named) & spec.required_variables


def _choices(values, by_level):
    return sorted(values.unique()) if by_level else [float(values.mean())]


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


def mean_shares(fit, by: str, level: float = 0.95, at: dict | None = None) -> pd.DataFrame:
    """Share of each level of a factor that a mean plot shows, with its interval.

    Parameters
    ----------
    fit : BinomialFit
        Fitted from a formula.
    by, at
        As in :func:`mean_weights`.
    level : float
        Coverage, 0 to 1.

    Returns
    -------
    DataFrame
        ``share, se, lower, upper`` by level; ``attrs['covariance']`` is the shares' covariance (delta method).

    Notes
    -----
    Shares, not logits, are averaged over the other factors' levels and over the random effects. Limits are
    those of the mean logit (t with the cells less fixed effects) carried over to shares, so they stay within
    0 and 1.

    References
    ----------
    Zeger, Liang & Albert (1988) Biometrics 44:1049-1060 for marginal means.
    """
    grid, matrix = _grid(fit, by, at)
    b, covariance = fit.coefficients.to_numpy(), fit.covariance.to_numpy()
    weights = mean_weights(fit, by, at)
    centre = weights.to_numpy() @ b
    se = np.sqrt(np.einsum("ij,jk,ik->i", weights, covariance, weights))
    where = grid[by].map({v: i for i, v in enumerate(weights.index)}).to_numpy()
    apart = matrix @ b - centre[where]

    def shares(logit):
        each = marginal_share(logit[where] + apart, fit.spread)
        return np.bincount(where, each) / np.bincount(where)

    critical = stats.t.ppf(0.5 + level / 2, fit.residual_df)
    slope = (shares(centre + 1e-5) - shares(centre - 1e-5)) / 2e-5
    joint = weights.to_numpy() @ covariance @ weights.to_numpy().T * np.outer(slope, slope)
    table = pd.DataFrame(
        {
            "share": shares(centre),
            "se": np.sqrt(np.diag(joint)),
            "lower": shares(centre - critical * se),
            "upper": shares(centre + critical * se),
        },
        index=weights.index,
    )
    table.attrs["covariance"] = pd.DataFrame(joint, index=weights.index, columns=weights.index)
    return table


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
    Dunnett (1955) J. Am. Stat. Assoc. 50:1096-1121; Hothorn, Bretz & Westfall (2008) Biometr. J. 50:346-363.

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
    """Comparisons whose intervals hold all at once and whose p values are adjusted for their number.

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
        As ``fit.contrast``; ``p``, ``lower`` and ``upper`` are single-step adjusted, with the least of the
        comparisons' Satterthwaite degrees of freedom.

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
    return table.assign(
        df=df,
        p=p,
        lower=table["estimate"] - critical * table["se"],
        upper=table["estimate"] + critical * table["se"],
    )


def compare(fits: dict) -> pd.DataFrame:
    """Information criteria of models of the same data.

    Parameters
    ----------
    fits : dict of str to fit
        Two fits or more, all gaussian, all binomial or all of ordered scores.

    Returns
    -------
    DataFrame
        ``criterion`` (-2 log likelihood), ``parameters``, ``aic``, ``above_best`` by name, best first.

    Raises
    ------
    ValueError
        Fewer than two fits; fits of different kinds, methods, nodes or records; restricted likelihoods of models with different fixed
        effects, which have different data behind them, and likewise with a prior of them; a fit that has not
        converged.

    Notes
    -----
    A restricted likelihood is that of the contrasts free of fixed effects. Other fixed effects, other contrasts:
    such criteria differ for no reason that concerns the model.

    References
    ----------
    Akaike (1974) IEEE Trans. Autom. Control 19:716-723; Pinheiro & Bates (2000) section 2.4 on restricted likelihoods.
    """
    if len(fits) < 2:
        raise ValueError(
            f"there {'is one fit' if fits else 'are no fits'}; a comparison needs two or more"
        )
    first = next(iter(fits.values()))
    for name, fit in fits.items():
        if fit.verdict != "converged":
            raise ValueError(f"{name} has {fit.verdict}, so its criterion means nothing")
        if type(fit) is not type(first) or fit.method != first.method:
            raise ValueError(f"{name} is of another kind or method; fit all models in the same way")
        if getattr(fit, "nodes", 1) != getattr(first, "nodes", 1):
            raise ValueError(
                f"{name} was integrated with other nodes; such criteria cannot be compared"
            )
        if not np.array_equal(fit.response, first.response):
            raise ValueError(
                f"{name} was fitted to other records; criteria of different data cannot be compared"
            )
        if fit.method != "ml" and not _same_space(fit.design, first.design):
            mend = "fit without prior_sd" if "prior" in fit.method else "fit with method 'ml'"
            raise ValueError(
                f"{name} has other fixed effects; criteria by {fit.method!r} cannot be compared then: {mend}"
            )
    table = pd.DataFrame(
        {
            name: {"criterion": fit.criterion, "parameters": fit.n_parameters}
            for name, fit in fits.items()
        }
    ).T
    table["aic"] = table["criterion"] + 2 * table["parameters"]
    return table.assign(above_best=table["aic"] - table["aic"].min()).sort_values("aic")


def _same_space(one, other):
    """Do two designs span the same fixed effects?"""
    a, b = (d.to_numpy(float) for d in (one, other))
    return a.shape[1] == b.shape[1] and np.linalg.matrix_rank(np.hstack([a, b])) == a.shape[1]
