"""How does each hybrid answer to good and bad environments? Stability, regression, superiority.

All work on a table of cells, one mean per hybrid and environment (site-season). Cells may be
missing: hybrids and environments are then adjusted for each other by least squares; nothing is
deleted or averaged over unequal cells.
"""

import numpy as np
import pandas as pd
from scipy import optimize, stats

from culmbook.consistency.model import in_words
from culmbook.text.refusal import Refusal
from culmbook.text.words import n_of
from culmbook.yields.means import fit_means

LEAST_RANKED = 5
"""Hybrids of which ranks and intraclass correlations are compared."""


@in_words()
def cell_means(records: pd.DataFrame) -> tuple[pd.DataFrame, dict]:
    """Adjusted mean of each hybrid in each site-season, from the plots' own layout there.

    Parameters
    ----------
    records : DataFrame
        From :func:`culmbook.consistency.model.season_records`.

    Returns
    -------
    tuple
        Cells ``hybrid, environment, value, error_variance`` on the scale of ``response``, and why
        site-seasons are left out, by site-season.
    """
    parts, refused = [], {}
    for environment, own in records.groupby("environment"):
        try:
            means = fit_means(own, "response")
        except ValueError as why:
            refused[environment] = str(why)
            continue
        table = means.fit.contrast(means.weights)
        part = pd.DataFrame({"hybrid": means.hybrids, "environment": environment})
        value, error = table["estimate"].to_numpy(), table["se"].to_numpy() ** 2
        parts.append(part.assign(value=value, error_variance=error))
    if not parts:
        raise ValueError(
            f"no site-season gives means of its hybrids: {next(iter(refused.values()))}"
        )
    return pd.concat(parts, ignore_index=True), refused


def complete_table(cells: pd.DataFrame) -> pd.DataFrame:
    """Cells as a table of hybrids by environments, in which ranks can be compared.

    Parameters
    ----------
    cells : DataFrame
        ``hybrid, environment, value``.

    Returns
    -------
    DataFrame
        One row per hybrid, one column per environment.

    Raises
    ------
    Refusal
        A hybrid did not stand everywhere, all values are the same, or fewer than five hybrids or
        two environments.
    """
    wide = cells.pivot(index="hybrid", columns="environment", values="value")
    absent = int(wide.isna().any(axis=1).sum())
    if absent:
        raise Refusal(
            f"{n_of(absent, 'hybrid')} did not stand everywhere, and ranks of an incomplete table are not "
            "comparable: Friedman's test and the intraclass correlation are not given. W above is of the "
            "model's values of every hybrid in every season."
        )
    if wide.shape[0] < LEAST_RANKED or wide.shape[1] < 2 or np.ptp(wide.to_numpy()) == 0:
        raise Refusal(
            f"The measured means show no order that could be agreed on: it takes {LEAST_RANKED} hybrids, two seasons "
            "and differences among them."
        )
    return wide


def _checked(cells, least_hybrids, least_environments):
    if cells.duplicated(["hybrid", "environment"]).any():
        raise ValueError("a hybrid has two values in one environment: give one mean per cell")
    if not np.isfinite(cells["value"].to_numpy(float)).all():
        raise ValueError("a cell has no finite value: leave such rows out")
    hybrids, environments = cells["hybrid"].nunique(), cells["environment"].nunique()
    if hybrids < least_hybrids or environments < least_environments:
        had = f"{n_of(hybrids, 'hybrid')} and {n_of(environments, 'environment')}"
        takes = f"{least_hybrids} hybrids and {least_environments} environments (site-seasons)"
        raise ValueError(f"it takes at least {takes}; here are {had}")
    cells = cells.astype({"hybrid": str, "environment": str})
    return cells.sort_values(["hybrid", "environment"], ignore_index=True)


def _additive(cells):
    """Design of hybrids and environments, both with all but the last environment."""
    hybrids = pd.get_dummies(cells["hybrid"], dtype=float)
    environments = pd.get_dummies(cells["environment"], dtype=float).iloc[:, :-1]
    design = pd.concat([hybrids, environments], axis=1)
    if np.linalg.matrix_rank(design.to_numpy()) < design.shape[1]:
        raise ValueError(
            "some hybrids share no environment, even through others, so they cannot be set beside each other"
        )
    return design


@in_words("no stability variance and no regression on the environment: ")
def stability_variances(cells: pd.DataFrame, *, level: float = 0.95) -> pd.DataFrame:
    """Stability variance of each hybrid: how far it departs from what hybrid and environment add
    up to.

    Parameters
    ----------
    cells : DataFrame
        ``hybrid, environment, value``, one finite mean per cell; three hybrids and three
        environments at least; cells may be missing.
    level : float

    Returns
    -------
    DataFrame
        ``hybrid, n_environments, stability_variance, lower, upper``, in squared units of the value.
        ``stability_variance`` may be negative (unbiased, not bounded).

    Raises
    ------
    ValueError
        Too few hybrids or environments, hybrids without a common environment.

    Notes
    -----
    With residuals r = M y of the additive model, ``E(sum_j r_ij^2) = sum_k A_ik s_k`` with ``A_ik``
    the sum of ``M^2`` over the cells of i and of k; solved for s. In a complete table this is
    Shukla's estimator, of which ecovalence is a linear function. Limits invert the distribution of
    the hybrid's sum of squares, taken as a multiple of chi-squared with its first two moments, the
    other hybrids' variances at their estimates (not under 0).

    References
    ----------
    Shukla (1972) Heredity 29:237-245; Wricke (1962) Z. Pflanzenzuecht. 47:92-96; Rao (1970) J. Am.
    Stat. Assoc. 65:161-172 for unequal variances.
    """
    cells = _checked(cells, 3, 3)
    x = _additive(cells).to_numpy()
    m = np.eye(len(x)) - x @ np.linalg.pinv(x)
    code, names = pd.factorize(cells["hybrid"])
    of = [np.flatnonzero(code == i) for i in range(len(names))]
    squares = np.bincount(code, (m @ cells["value"].to_numpy(float)) ** 2)
    a = np.array([[(m[np.ix_(i, k)] ** 2).sum() for k in of] for i in of])
    if np.linalg.cond(a) > 1e10:
        raise ValueError(
            "the table has too few cells in common to give each hybrid a variance of its own"
        )
    estimate = np.linalg.solve(a, squares)
    own = {"hybrid": names, "n_environments": np.bincount(code), "stability_variance": estimate}
    table, others = pd.DataFrame(own), np.maximum(estimate, 0)
    limits = [_chi_limits(i, m, of, others, squares[i], level) for i in range(len(names))]
    table[["lower", "upper"]] = limits
    return table


def _chi_limits(i, m, of, others, observed, level):
    """Values of hybrid i's variance at which its sum of squares would be as extreme as observed."""
    own = m[np.ix_(of[i], of[i])]
    rest = sum(
        others[k] * m[np.ix_(of[i], of[k])] @ m[np.ix_(of[k], of[i])]
        for k in range(len(of))
        if k != i
    )

    def share_below(value):
        block = rest + value * own @ own.T
        mean, square = np.trace(block), (block**2).sum()
        return stats.chi2.cdf(observed * mean / square, mean**2 / square) if square > 0 else 1.0

    tail, most = (1 - level) / 2, max(observed / np.trace(own @ own.T), 1e-300)
    found = []
    for goal in (1 - tail, tail):
        if share_below(1e-9 * most) <= goal:
            found.append(0.0)
            continue
        top = most
        while share_below(top) > goal:
            top *= 4
        found.append(optimize.brentq(lambda v: share_below(v) - goal, 1e-9 * most, top))
    return found


@in_words("no regression on the environment: ")
def environment_regression(cells: pd.DataFrame, *, level: float = 0.95) -> pd.DataFrame:
    """Regression of each hybrid on the other hybrids' mean of the environment.

    Parameters
    ----------
    cells : DataFrame
        As in :func:`stability_variances`, and ``error_variance`` of each value; four hybrids and
        three environments at least.
    level : float

    Returns
    -------
    DataFrame
        ``hybrid, n_environments, mean, slope, slope_lower, slope_upper, deviation_variance``.
        ``mean`` is the hybrid's value in the mean environment; ``deviation_variance`` the residual
        mean square with the error variance of its cells taken off (may be negative). Hybrids in fewer than three environments have no slope.

    Raises
    ------
    ValueError
        As :func:`stability_variances`, or environments that are all alike.

    Notes
    -----
    The environment's mean is its effect in the additive least-squares model of the other hybrids,
    so it does not depend on which hybrids were missing. With few hybrids it carries error of its
    own, which draws slopes towards 0. In poor environments a hybrid has less room to differ: slopes
    on the raw scale partly mirror the mean.

    References
    ----------
    Finlay & Wilkinson (1963) Aust. J. Agric. Res. 14:742-754; Eberhart & Russell (1966) Crop Sci.
    6:36-40.
    """
    cells = _checked(cells, 4, 3)
    rows = []
    for hybrid, own in cells.groupby("hybrid"):
        effects = _environment_effects(cells[cells["hybrid"] != hybrid])
        rows.append((hybrid, *_line(own, effects, level)))
    columns = "hybrid n_environments mean slope slope_lower slope_upper deviation_variance"
    return pd.DataFrame(rows, columns=columns.split())


def _environment_effects(cells):
    """Effect of each environment, their mean being 0."""
    design, places = _additive(cells), sorted(cells["environment"].unique())
    values = np.linalg.lstsq(design.to_numpy(), cells["value"].to_numpy(float), rcond=None)[0]
    effects = pd.Series(values, index=design.columns)[cells["hybrid"].nunique() :]
    effects = effects.reindex(places, fill_value=0.0)
    effects = effects - effects.mean()
    if np.allclose(effects, 0, atol=1e-12 * max(cells["value"].abs().max(), 1e-300)):
        raise ValueError("all environments gave the same mean: there is nothing to regress on")
    return effects


def _line(own, effects, level):
    own = own[own["environment"].isin(effects.index)]
    x, y, n = own["environment"].map(effects), own["value"], len(own)
    if n < 3 or x.nunique() < 2:
        return n, *[np.nan] * 5
    line = stats.linregress(x, y)
    reach = stats.t.ppf(0.5 + level / 2, n - 2) * line.stderr
    limits = line.slope, line.slope - reach, line.slope + reach
    square = line.stderr**2 * ((x - x.mean()) ** 2).sum()
    return n, line.intercept, *limits, square - own["error_variance"].mean()


def superiority_of(values: np.ndarray) -> np.ndarray:
    """Half the mean squared distance of each hybrid from the best one of every environment.

    Parameters
    ----------
    values : ndarray
        Complete; hybrids in the last but one place, environments in the last.

    Notes
    -----
    ``P_i = sum_j (y_ij - max_k y_kj)^2 / (2 n)``. Measured bests are partly luck, so P of observed
    means is too large for all; :func:`culmbook.consistency.draws.season_statistics` gives it for
    the true values.

    References
    ----------
    Lin & Binns (1988) Can. J. Plant Sci. 68:193-198.

    Examples
    --------
    >>> superiority_of(np.array([[4.0, 5.0], [6.0, 3.0]])).tolist()
    [1.0, 1.0]
    """
    return ((values - values.max(axis=-2, keepdims=True)) ** 2).mean(axis=-1) / 2
