"""Two stages: adjusted means of each site first, then all sites together.

The joint model of :mod:`culmbook.consistency.model` is the main answer. Two stages serve where a site's own field
trend is taken out, or where a site sends nothing but means. The first stage is one fit per *site* over all
its seasons, because its plots are the same every season: taken season by season their lasting differences
would pass for differences between sites. The second stage knows the covariance of those means in full.
"""

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import sparse

from culmbook.consistency.model import SeasonsFit
from culmbook.mixed import CONVERGED, GaussianFit, basis, fit_gaussian
from culmbook.sites.first_stage import SiteMeans, external_means, site_means
from culmbook.text.numbers import fmt_list
from culmbook.text.words import n_of
from culmbook.trials.connected import refuse_disconnected

__all__ = [
    "SiteMeans",
    "StageComparison",
    "TwoStageFit",
    "compare_stages",
    "external_means",
    "fit_two_stage",
    "long_means",
    "second_design",
    "site_means",
]
_FLATTEST = 1e-10  # least eigenvalue of a covariance of means, relative to the largest


@dataclass(frozen=True)
class TwoStageFit:
    """Hybrids over all sites from the means of each.

    Attributes
    ----------
    fit : GaussianFit
        Of the rotated means; its random terms are ``hybrid`` and ``hybrid_site``.
    sites : list of SiteMeans
    controls : tuple of str
        Controls that have a mean.
    groups : Series
        Group by hybrid: a control is its own.
    variances : Series
        ``hybrid`` and ``hybrid_site``, squared unit of the means.
    values : Series
        What is lasting of each hybrid: its group's mean less that of the first group, and its own
        predicted effect.
    covariance : DataFrame
        Prediction error covariance of ``values``, hybrids x hybrids, given the variances.
    weights : DataFrame
        How much a hybrid's value rises with its own mean at a site, hybrids x sites; missing where it did
        not stand.
    """

    fit: GaussianFit = field(repr=False)
    sites: list = field(repr=False)
    controls: tuple
    groups: pd.Series = field(repr=False)
    variances: pd.Series
    values: pd.Series = field(repr=False)
    covariance: pd.DataFrame = field(repr=False)
    weights: pd.DataFrame = field(repr=False)

    @property
    def hybrids(self) -> list[str]:
        return list(self.values.index)

    @property
    def table(self) -> pd.DataFrame:
        """``hybrid, group, n_sites, value, se`` (root of prediction error variance), highest value first."""
        out = pd.DataFrame(
            {
                "hybrid": self.hybrids,
                "group": self.groups[self.hybrids].to_numpy(),
                "n_sites": self.weights.notna().sum(axis=1).to_numpy(),
                "value": self.values.to_numpy(),
                "se": np.sqrt(np.diag(self.covariance)),
            }
        )
        return out.sort_values(["value", "hybrid"], ascending=[False, True], ignore_index=True)


def fit_two_stage(
    sites: list[SiteMeans], controls=(), groups: pd.Series | None = None
) -> TwoStageFit:
    """Second stage: hybrids over all sites from the means of each.

    Parameters
    ----------
    sites : list of SiteMeans
        Two or more, all on one scale, each site once.
    controls : sequence of str
        Hybrids with fixed effects; those without a mean are passed over.
    groups : Series, optional
        Kind of each hybrid (crop type), by hybrid: candidates of each have a mean of their own. Groups of a
        :class:`culmbook.consistency.model.SeasonsFit` may be given as they are.

    Returns
    -------
    TwoStageFit

    Raises
    ------
    ValueError
        One site, a site twice, sites that share no hybrid (both sides named), fewer than two candidates, no
        candidate at two sites, a covariance that is not positive definite, a hybrid without a group, or a
        search that does not settle.

    Notes
    -----
    Mean of hybrid i at site s: ``m = site_s + group + g_i + v_is + e_is``, the covariance of e known. With
    E and l the eigenvectors and eigenvalues of that covariance, ``E'm`` has independent errors of variance
    ``l`` and, as E is orthogonal, ``E'v`` the variance of v unchanged: an ordinary mixed model with known
    error variances, which has the likelihood of the means themselves.

    References
    ----------
    Piepho, Moehring, Schulz-Streeck & Ogutu (2012) Biometr. J. 54:844-860 for two stages with the full
    covariance; Henderson (1975) Biometrics 31:423-447 for the prediction error covariance.
    """
    long, kinds = long_means(sites, controls, groups)
    hybrids = list(kinds.index)
    controls = tuple(c for c in controls if c in kinds.index)
    candidates = [h for h in hybrids if h not in controls]
    fit, z, turn = _rotated_fit(sites, long, candidates, kinds)
    errors, by_record = _equations(fit, z)
    take = _value_rows(hybrids, candidates, kinds, fit.design.columns)
    return TwoStageFit(
        fit=fit,
        sites=list(sites),
        controls=controls,
        groups=kinds,
        variances=fit.variances[["hybrid", "hybrid_site"]],
        values=pd.Series(take @ by_record @ fit.response, index=hybrids, name="value"),
        covariance=pd.DataFrame(take @ errors @ take.T, hybrids, hybrids),
        weights=_own_weights(take @ by_record @ turn, long, hybrids),
    )


def long_means(sites: list[SiteMeans], controls=(), groups: pd.Series | None = None) -> tuple:
    """Hybrids and sites of means one below the other, and each hybrid's group, after a look at both.

    Returns
    -------
    tuple
        DataFrame ``site, hybrid, condition, mean`` in the order of the sites, and groups by hybrid, sorted.

    Raises
    ------
    ValueError
        As :func:`fit_two_stage`.
    """
    _refuse_unusable(sites)
    parts = [
        pd.DataFrame(
            {"site": s.site, "hybrid": s.hybrids, "condition": s.site, "mean": s.means.to_numpy()}
        )
        for s in sites
    ]
    long = pd.concat(parts, ignore_index=True)
    refuse_disconnected(long)
    kinds = _kinds(sorted(long["hybrid"].unique()), controls, groups)
    _refuse_few(long, [h for h in kinds.index if h not in controls])
    return long, kinds


def _rotated_fit(sites, long, candidates, kinds):
    """Fit of the rotated means, the candidates' columns in it, and the matrix that rotates."""
    size, turn = _rotation(sites)
    design = second_design(long, kinds)
    own = pd.get_dummies(long["hybrid"], dtype=float)[candidates]
    frame = pd.DataFrame(
        {
            "response": turn @ long["mean"].to_numpy(),
            "known": size,
            "hybrid_site": np.arange(len(long)).astype(str),
        }
    )
    z, x = turn @ own.to_numpy(), pd.DataFrame(turn @ design.to_numpy(), columns=design.columns)
    fit = fit_gaussian(
        frame, "response", x, [basis("hybrid", z), "hybrid_site"], known_variance="known"
    )
    if fit.verdict != CONVERGED:
        raise ValueError(f"the model of the sites' means has {fit.verdict}")
    return fit, z, turn


def _refuse_unusable(sites):
    names = [s.site for s in sites]
    if len(set(names)) < len(names):
        twice = sorted({n for n in names if names.count(n) > 1})
        raise ValueError(f"a site has means twice: {fmt_list(twice)}")
    if len(names) < 2:
        only = f" ({names[0]})" if names else ""
        raise ValueError(
            f"there are means of {n_of(len(names), 'site')}{only}: putting sites together takes two"
        )


def _refuse_few(long, candidates):
    if len(candidates) < 2:
        raise ValueError(
            "fewer than two candidates have a mean: there is no spread among hybrids to estimate"
        )
    own = long[long["hybrid"].isin(candidates)]
    if own["hybrid"].value_counts().max() < 2:
        raise ValueError(
            "no candidate stands at two sites, so nothing tells what a hybrid is everywhere from what it is "
            "at one site"
        )


def _kinds(hybrids, controls, groups):
    if groups is None:
        groups = pd.Series("candidates", index=hybrids)
    unknown = [h for h in hybrids if h not in controls and h not in groups.index]
    if unknown:
        raise ValueError(f"no group is given for {fmt_list(unknown)}")
    own = [f"control {h}" if h in controls else str(groups[h]) for h in hybrids]
    return pd.Series(own, hybrids, name="group")


def second_design(long: pd.DataFrame, kinds: pd.Series) -> pd.DataFrame:
    """Fixed columns of means by :func:`long_means`: every site, and every group but the first."""
    sites = pd.get_dummies(long["site"], dtype=float).add_prefix("site ")
    own = pd.get_dummies(long["hybrid"].map(kinds), dtype=float).sort_index(axis=1)
    return pd.concat([sites, own.iloc[:, 1:].add_prefix("group ")], axis=1)


def _rotation(sites):
    """Eigenvalues of the sites' covariances, and the matrix that makes the errors independent."""
    sizes, vectors = [], []
    for s in sites:
        size, own = np.linalg.eigh(s.covariance.to_numpy())
        if size[0] <= _FLATTEST * size[-1]:
            raise ValueError(
                f"the covariance of the means of site {s.site} is not positive definite: some difference of "
                "its hybrids would be known without error"
            )
        sizes.append(size)
        vectors.append(own.T)
    return np.concatenate(sizes), sparse.block_diag(vectors, format="csr")


def _equations(fit, z):
    """Prediction error covariance of candidates' and fixed effects, and the records' weights in them."""
    own = fit.data["known"].to_numpy() + fit.variances["hybrid_site"]
    scale = np.append(
        np.full(z.shape[1], np.sqrt(fit.variances["hybrid"])), np.ones(fit.design.shape[1])
    )
    w = np.hstack([z, fit.design.to_numpy()]) * scale
    inner = (w.T / own) @ w
    places = np.arange(z.shape[1])
    inner[places, places] += (
        1.0  # effects in units of their deviation, so that 0 needs no special case
    )
    inverse = np.linalg.inv(inner) * scale[:, None]
    return inverse * scale, inverse @ (w.T / own)


def _value_rows(hybrids, candidates, kinds, columns):
    """Weights that make a hybrid's value of the candidates' effects and the fixed effects."""
    own = (np.array(hybrids)[:, None] == np.array(candidates)).astype(float)
    group = ("group " + kinds.to_numpy())[:, None] == columns.to_numpy()
    return np.hstack([own, group.astype(float)])


def _own_weights(by_mean, long, hybrids):
    rows = pd.Index(hybrids).get_indexer(long["hybrid"])
    own = by_mean[rows, np.arange(len(long))]
    return (
        long.assign(weight=own)
        .pivot(index="hybrid", columns="site", values="weight")
        .reindex(hybrids)
    )


class StageComparison(NamedTuple):
    """One stage and two side by side.

    ``table`` by hybrid: ``one_stage, two_stage`` (values less the mean over the hybrids compared),
    ``difference`` (two less one), ``rank_one, rank_two``; ``variances`` of both; ``correlation`` and
    ``rank_correlation`` (Spearman) of the values; ``entering`` and ``leaving`` the best ``k`` when two
    stages take the place of one.
    """

    table: pd.DataFrame
    variances: pd.DataFrame
    correlation: float
    rank_correlation: float
    k: int
    entering: list
    leaving: list


def compare_stages(seasons: SeasonsFit, two: TwoStageFit, *, k: int = 5) -> StageComparison:
    """One stage and two side by side, hybrid by hybrid.

    Parameters
    ----------
    seasons : SeasonsFit
        The joint model of the plots.
    two : TwoStageFit
        The two stages, of the same hybrids or some of them.
    k : int
        How many are chosen, at least 1.

    Returns
    -------
    StageComparison
        Of the hybrids that both have, controls among the table but not among the best ``k``.

    Raises
    ------
    ValueError
        Fewer than three hybrids in common, another scale than the sites' means have, or ``k`` not under the
        number of candidates.
    """
    one = _one_stage_values(seasons)
    both = [h for h in two.hybrids if h in one.index]
    if len(both) < 3:
        raise ValueError(
            f"one stage and two have {n_of(len(both), 'hybrid')} in common: too few to compare"
        )
    table = pd.DataFrame({"one_stage": one[both], "two_stage": two.values[both]})
    table = table - table.mean()
    table["difference"] = table["two_stage"] - table["one_stage"]
    candidates = [h for h in both if h not in (*seasons.controls, *two.controls)]
    if not 1 <= k < len(candidates):
        raise ValueError(
            f"k = {k}: of {n_of(len(candidates), 'candidate')} at least 1 and not all can be chosen"
        )
    best = [set(table.loc[candidates, c].nlargest(k).index) for c in ("one_stage", "two_stage")]
    ranks = (
        table[["one_stage", "two_stage"]]
        .rank(ascending=False)
        .set_axis(["rank_one", "rank_two"], axis=1)
    )
    variances = pd.DataFrame(
        {
            "one_stage": seasons.fit.variances.reindex(["hybrid", "hybrid_site"]),
            "two_stage": two.variances,
        }
    )
    return StageComparison(
        table=table.join(ranks).rename_axis("hybrid").sort_values("rank_one").reset_index(),
        variances=variances.fillna({"one_stage": 0.0}),
        correlation=float(table["one_stage"].corr(table["two_stage"])),
        rank_correlation=float(ranks["rank_one"].corr(ranks["rank_two"])),
        k=k,
        entering=sorted(best[1] - best[0]),
        leaving=sorted(best[0] - best[1]),
    )


def _one_stage_values(seasons):
    own = seasons.conditional.effects("hybrid")
    group = seasons.groups.map(lambda g: seasons.conditional.coefficients.get(f"group {g}", 0.0))
    return (group + own.reindex(seasons.hybrids)).astype(float)
