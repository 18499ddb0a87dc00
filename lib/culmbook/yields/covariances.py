"""How do traits vary together, between hybrids and between plots of one hybrid?

Covariances between hybrids are those of their true means: what plots of one hybrid differ by is taken off
the covariances of the estimated means.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

THESE, POPULATION = "these hybrids", "their population"
FLOOR = 0.5
LEAST_DF = 3  # within hybrids; and no fewer than there are traits


@dataclass(frozen=True)
class Covariances:
    """Covariances of traits at the two levels.

    Attributes
    ----------
    means : DataFrame
        Least-squares means, hybrids x traits (up to a constant for each trait).
    between : DataFrame
        Covariance of the true hybrid means; differences of small samples can leave it not positive
        definite.
    within : DataFrame
        Covariance of plots of one hybrid in one unit.
    raw : DataFrame
        Covariance of the estimated means, sampling error included.
    each : ndarray
        ``within`` of each hybrid, hybrids x traits x traits, pulled towards the common one: error is larger
        in a hybrid with few plants than in one with many.
    scale : ndarray
        Covariance of the means is ``scale`` (hybrids x hybrids) times ``within``.
    centre : ndarray
        Projection that takes off the mean (of each group) over hybrids.
    df_between, df_within, n_plots : int
    """

    means: pd.DataFrame
    between: pd.DataFrame
    within: pd.DataFrame
    raw: pd.DataFrame
    each: np.ndarray
    scale: np.ndarray
    centre: np.ndarray
    df_between: int
    df_within: int
    n_plots: int

    @property
    def traits(self) -> list[str]:
        return list(self.means.columns)

    @property
    def plots(self) -> pd.DataFrame:
        """Covariance of plots of different hybrids: between + within."""
        return self.between + self.within

    @property
    def error(self) -> pd.DataFrame:
        """Covariance of the means' sampling errors: raw - between."""
        return self.raw - self.between

    def reliability(self, trait: str) -> float:
        """Share of the variance of estimated means that is true; may be negative."""
        return float(self.between.loc[trait, trait] / self.raw.loc[trait, trait])

    def f_test(self, trait: str) -> float:
        """p value of the test that the hybrids do not differ in a trait."""
        x = self.means[trait].to_numpy()
        weight = np.linalg.pinv(self.centre @ self.scale @ self.centre)
        f = x @ weight @ x / self.df_between / self.within.loc[trait, trait]
        return float(stats.f.sf(f, self.df_between, self.df_within))


def fit_covariances(
    frame: pd.DataFrame, traits: list[str], *, unit: str = "unit", group: str | None = None
) -> Covariances:
    """Estimate covariances between and within hybrids from plots in any layout.

    Parameters
    ----------
    frame : DataFrame
        One row per plot: ``hybrid``, the unit and the traits, none missing.
    traits : list of str
    unit : str
        Column with the smallest group of plots whose common level is taken off (replicate, block, or site).
    group : str, optional
        Column constant within a hybrid (crop type); then covariances are those inside a group.

    Returns
    -------
    Covariances

    Raises
    ------
    ValueError
        A missing or infinite value, fewer than three hybrids above the groups, hybrids that no unit connects,
        or fewer than three degrees of freedom within.

    Notes
    -----
    ``plot = hybrid + unit + error`` by least squares for all traits at once. With M the means, P the
    centring and C the scale, ``E(M'PM) = df_between G + tr(PC) W``; G is solved for (analysis of variance
    and covariance; method III of Henderson where the layout is not balanced).

    References
    ----------
    Searle, Casella & McCulloch (1992) Variance Components, ch. 5; Henderson (1953) Biometrics 9:226-252.
    """
    names, solution, inverse, rest = _least_squares(frame, traits, unit)
    df_within = len(rest) - len(inverse)
    centre, df_between = _centring(frame, names, group)
    if df_between < 2 or df_within < max(LEAST_DF, len(traits)):
        raise ValueError(
            f"{len(names)} hybrids in {len(rest)} plots are too few to tell what varies between "
            "hybrids from what varies between plots"
        )
    within, scale = rest.T @ rest / df_within, inverse[: len(names), : len(names)]
    means = solution[: len(names)]
    raw = means.T @ centre @ means / df_between
    between = raw - within * np.trace(centre @ scale) / df_between
    square = [pd.DataFrame(m, traits, traits) for m in (between, within, raw)]
    each = _within_each(frame["hybrid"], rest, within, df_within)
    return Covariances(
        pd.DataFrame(means, names, traits),
        *square,
        each,
        scale,
        centre,
        df_between,
        df_within,
        len(rest),
    )


def _within_each(hybrid, rest, within, df_within):
    """Covariance of each hybrid's plots, the common one standing for one plot more; on average the common
    one."""
    code = pd.factorize(hybrid, sort=True)[0]
    own = (
        np.stack([rest[code == i].T @ rest[code == i] for i in range(code.max() + 1)])
        * len(rest)
        / df_within
    )
    each = (own + within) / (np.bincount(code) + 1)[:, None, None]
    return each * np.trace(within) / np.trace(each.mean(axis=0))


def _least_squares(frame, traits, unit):
    """Hybrids, coefficients (hybrids first), inverse of the normal equations, and residuals."""
    values = frame[traits].to_numpy(float)
    if not np.isfinite(values).all():
        raise ValueError("a trait is missing or not finite; leave such plots out first")
    hybrid, names = pd.factorize(frame["hybrid"], sort=True)
    block = pd.factorize(frame[unit])[0]
    x = np.hstack([np.eye(len(names))[hybrid], np.eye(block.max() + 1)[block][:, 1:]])
    if np.linalg.matrix_rank(x) < x.shape[1]:
        raise ValueError(
            "some hybrids never share a unit with the others, directly or through a third: "
            "their differences cannot be told from the ground"
        )
    inverse = np.linalg.inv(x.T @ x)
    solution = inverse @ x.T @ values
    return names, solution, inverse, values - x @ solution


def site_records(frame: pd.DataFrame, traits: list[str], *, unit: str = "unit") -> pd.DataFrame:
    """One record per hybrid and site, for covariances over a network.

    Parameters
    ----------
    frame : DataFrame
        One row per plot and season: ``site, hybrid``, the unit (different for every site, trial, season and
        replicate) and the traits, none missing.
    traits : list of str
    unit : str

    Returns
    -------
    DataFrame
        ``site, hybrid, unit`` (the site) and the traits: least-squares means of each site. With them
        :func:`fit_covariances` takes hybrid x site, and all that plots and seasons of a site share, as error:
        plots of a network are no independent witnesses of a hybrid.

    Raises
    ------
    ValueError
        As :func:`fit_covariances`, for a site.
    """
    parts = []
    for site, rows in frame.groupby("site"):
        names, solution, _, _ = _least_squares(rows, traits, unit)
        means = pd.DataFrame(solution[: len(names)], columns=traits)
        parts.append(means.assign(site=site, unit=site, hybrid=names))
    return pd.concat(parts, ignore_index=True)[["site", "hybrid", "unit", *traits]]


def _centring(frame, names, group):
    if group is None:
        return np.eye(len(names)) - 1 / len(names), len(names) - 1
    kind = frame.groupby("hybrid")[group].agg(["first", "nunique"]).loc[names]
    if (kind["nunique"] != 1).any():
        raise ValueError(f"{group} is missing or changes within a hybrid")
    z = pd.get_dummies(kind["first"], dtype=float).to_numpy()
    return np.eye(len(names)) - z @ np.diag(1 / z.sum(axis=0)) @ z.T, len(names) - z.shape[1]


def bend(between: np.ndarray, error: np.ndarray, floor: float = FLOOR) -> tuple[np.ndarray, int]:
    """Raise what an estimated covariance between hybrids lacks to be positive definite.

    Parameters
    ----------
    between : ndarray
        Estimated covariance of true means, symmetric.
    error : ndarray
        Covariance of the sampling errors of the means, positive definite.
    floor : float
        Least ratio of true to error variance that any combination of traits may have, over 0.

    Returns
    -------
    tuple of ndarray and int
        The covariance and the number of combinations raised: where it is not 0 it must be said beside the
        result.

    Raises
    ------
    ValueError
        An error covariance that is not positive definite.

    Notes
    -----
    The roots of ``|between - root error| = 0`` under the floor are set to it. With the floor 0 this is the
    restricted likelihood's answer for a balanced layout; correlations of traits need a floor over it, because
    they divide by what was set.

    References
    ----------
    Amemiya (1985) Am. Stat. 39:112-117; Hayes & Hill (1981) Biometrics 37:483-493 for the idea of bending.

    Examples
    --------
    >>> bend(np.diag([2.0, -1.0]), np.eye(2))
    (array([[2. , 0. ],
           [0. , 0.5]]), 1)
    """
    try:
        root = np.linalg.cholesky(error)
    except np.linalg.LinAlgError:
        raise ValueError(
            "one trait is an exact sum of others: its error cannot be told from theirs"
        ) from None
    values, vectors = np.linalg.eigh(np.linalg.solve(root, np.linalg.solve(root, between).T))
    n_raised = int((values < floor).sum())
    if n_raised == 0:
        return np.array(between, float), 0
    back = root @ vectors
    return (back * np.maximum(values, floor)) @ back.T, n_raised


def draw_covariances(
    cov: Covariances, n: int, seed: int, target: str = THESE
) -> tuple[np.ndarray, np.ndarray]:
    """Parametric bootstrap of both covariances.

    Parameters
    ----------
    cov : Covariances
    n : int
        Draws.
    seed : int
    target : {'these hybrids', 'their population'}
        Whether the hybrids' true means stay as they are, or new hybrids are drawn too.

    Returns
    -------
    tuple of ndarray
        ``between`` and ``within``, n x traits x traits.

    Raises
    ------
    ValueError
        An unknown target.

    Notes
    -----
    Normal plots with the covariances that were estimated (negative eigenvalues of the one between hybrids
    taken as 0, the one within hybrids uneven among them); means, within covariance and correction are
    computed anew from each draw.
    """
    if target not in (THESE, POPULATION):
        raise ValueError(f"target is {target!r}; it must be {THESE!r} or {POPULATION!r}")
    rng = np.random.default_rng(seed)
    h, k = cov.means.shape
    root_g, root_w = _root(cov.between.to_numpy()), _root(cov.within.to_numpy())
    roots = np.stack([_root(own) for own in cov.each])
    error = _root(cov.scale) @ np.einsum("nhi,hij->nhj", rng.normal(size=(n, h, k)), roots)
    true = _fixed_means(cov, root_g) if target == THESE else rng.normal(size=(n, h, k)) @ root_g
    means = cov.centre @ (true + error)
    standard = stats.wishart(_df_of_uneven(cov), np.eye(k) / _df_of_uneven(cov)).rvs(
        n, random_state=rng
    )
    within = root_w @ np.reshape(standard, (n, k, k)) @ root_w
    raw = np.swapaxes(means, 1, 2) @ means / cov.df_between
    return raw - within * np.trace(cov.centre @ cov.scale) / cov.df_between, within


def _df_of_uneven(cov):
    """Degrees of freedom that the pooled covariance is worth where hybrids' errors are uneven."""
    traces = np.trace(cov.each, axis1=1, axis2=2)
    return max(cov.df_within * traces.mean() ** 2 / (traces**2).mean(), len(cov.traits))


def _root(matrix):
    values, vectors = np.linalg.eigh(matrix)
    return (vectors * np.sqrt(np.maximum(values, 0))) @ vectors.T


def _fixed_means(cov, root_g):
    """The estimated means, shrunk so that their covariance is the estimated one between hybrids."""
    means = cov.centre @ cov.means.to_numpy()
    return means @ np.linalg.pinv(_root(cov.raw.to_numpy())) @ root_g
