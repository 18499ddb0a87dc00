"""Two stages: adjusted means of each site first, then all sites together.

The joint model of :mod:`culmbook.consistency.model` is the main answer. Two stages serve where a
site's own field trend is taken out. The first stage is one fit per *site* over all its seasons,
because its plots are the same every season: taken season by season their lasting differences would
pass for differences between sites. The second stage knows the covariance of those means in full.
"""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy import sparse

from culmbook.consistency.model import random_terms
from culmbook.mixed import CONVERGED, GaussianFit, basis, fit_gaussian
from culmbook.spatial.trend import BLOCKS, trend_terms
from culmbook.text.numbers import fmt_list
from culmbook.text.refusal import Refusal
from culmbook.trials.entries import refuse_disconnected
from culmbook.trials.layout import dummies

LEAST_DF = 3
_SITE_TERMS = ("hybrid_season", "plot_key", "replicate_season", "main_plot_season", "block_key")


@dataclass(frozen=True)
class SiteMeans:
    """Adjusted means of the hybrids of one site over all its seasons.

    Attributes
    ----------
    site : str
    means : Series
        Mean by hybrid on the scale of the records.
    covariance : DataFrame
        Covariance of the means' errors, hybrids x hybrids, season and plot included, as known.
    """

    site: str
    means: pd.Series = field(repr=False)
    covariance: pd.DataFrame = field(repr=False)

    @property
    def hybrids(self) -> list[str]:
        return list(self.means.index)


def site_means(records: pd.DataFrame, *, trend: str = BLOCKS) -> list[SiteMeans]:
    """First stage: adjusted means of every site over all its seasons, with their full covariance.

    Parameters
    ----------
    records : DataFrame
        From :func:`culmbook.consistency.model.season_records`, of one site or more; for a trend
        with the plots' ``row, column`` (:func:`culmbook.spatial.trend.with_places`).
    trend : str
        What is taken out of the field: ``'blocks'`` the layout alone, or a kind of :func:`culmbook.spatial.trend.trend_terms`.

    Returns
    -------
    list of SiteMeans
        In order of the sites' names. A site without a yield has no records and so no means.

    Raises
    ------
    Refusal
        A site with one hybrid, with trials that share no hybrid, with too few plots for an error,
        or whose model does not settle; plots without a place, for a trend. The site is named.

    Notes
    -----
    Hybrids and conditions (trial × season × treatment) are fixed, hybrid × season, plots, blocks
    and what whole replicates and main plots share in a season are random. A mean is that over all
    conditions of the site, weighed alike. Hybrid × season of different sites are taken as
    independent here: what a season does to a hybrid at all sites alike is counted with the hybrid
    in the second stage.

    References
    ----------
    Moehring & Piepho (2009) Crop Sci. 49:1977-1988 for two stages and their weights.
    """
    found = []
    for site, own in records.groupby(records["site"].astype(str), sort=True):
        try:
            fit, weights = fit_site(own.reset_index(drop=True), trend)
        except ValueError as why:
            raise Refusal(f"Site {site}: {str(why).rstrip('.')}.") from None
        rows, names = weights.to_numpy(), weights.index
        means = pd.Series(rows @ fit.coefficients.to_numpy(), index=names, name="mean")
        covariance = pd.DataFrame(rows @ fit.covariance.to_numpy() @ rows.T, names, names)
        found.append(SiteMeans(site, means, covariance))
    return found


def fit_site(own: pd.DataFrame, kind: str = BLOCKS) -> tuple:
    """Model of one site's records over its seasons.

    Parameters
    ----------
    own : DataFrame
        Records of one site as for :func:`site_means`, rows numbered from 0.
    kind : str
        What is taken out of the field.

    Returns
    -------
    tuple
        GaussianFit, and DataFrame with the weights of the hybrids' means, hybrids x coefficients.

    Raises
    ------
    ValueError
        As :func:`site_means`, without the site's name.
    """
    if own["hybrid"].nunique() < 2:
        raise ValueError(
            "one hybrid alone has a yield, so there is nothing to compare; leave the site out"
        )
    refuse_disconnected(own)
    hybrids, conditions = dummies(own, "hybrid"), dummies(own, "condition")
    design = pd.concat([conditions, hybrids.iloc[:, 1:]], axis=1)
    names, n = hybrids.columns.str.removeprefix("hybrid "), conditions.shape[1]
    weights = np.hstack([np.full((len(names), n), 1 / n), np.eye(len(names))[:, 1:]])
    weights = pd.DataFrame(weights, list(names), design.columns)
    terms = [t for t in random_terms(own, ("hybrid", *_SITE_TERMS)) if t != "hybrid"]
    terms += trend_terms(own, kind, fixed=design, random=terms)  # with mean zero over its trial
    if len(own) - design.shape[1] < LEAST_DF:
        raise ValueError(
            f"{len(own)} records and {design.shape[1]} fixed effects leave fewer than {LEAST_DF} degrees of "
            "freedom for the error: without hybrids that stand twice nothing tells how sure a mean is"
        )
    fit = fit_gaussian(own, "response", design, terms)
    if fit.verdict != CONVERGED:
        raise ValueError(f"the model of its means has {fit.verdict}")
    return fit, weights


_FLATTEST = 1e-10  # least eigenvalue of a covariance of means, relative to the largest


@dataclass(frozen=True)
class TwoStageFit:
    """Hybrids over all sites from the means of each.

    Attributes
    ----------
    fit : GaussianFit
        Of the rotated means; its random terms are ``hybrid`` and ``hybrid_site``.
    sites : list of SiteMeans
    variances : Series
        ``hybrid`` and ``hybrid_site``, squared unit of the means.
    values : Series
        What is lasting of each hybrid: its group's mean less that of the first group, and its own
        predicted effect.
    covariance : DataFrame
        Prediction error covariance of ``values``, hybrids x hybrids, given the variances.
    weights : DataFrame
        How much a hybrid's value rises with its own mean at a site, hybrids x sites; missing where
        it did not stand.
    """

    fit: GaussianFit = field(repr=False)
    sites: list = field(repr=False)
    variances: pd.Series
    values: pd.Series = field(repr=False)
    covariance: pd.DataFrame = field(repr=False)
    weights: pd.DataFrame = field(repr=False)

    @property
    def hybrids(self) -> list[str]:
        return list(self.values.index)


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
        Kind of each hybrid (crop type), by hybrid: candidates of each have a mean of their own.
        Groups of a :class:`culmbook.consistency.model.SeasonsFit` may be given as they are.

    Returns
    -------
    TwoStageFit

    Raises
    ------
    Refusal
        One site, a site twice, sites that share no hybrid (both sides named), fewer than two
        candidates, no candidate at two sites, a covariance that is not positive definite, a hybrid
        without a group, or a search that does not settle.

    Notes
    -----
    Mean of hybrid i at site s: ``m = site_s + group + g_i + v_is + e_is``, the covariance of e
    known. With E and l the eigenvectors and eigenvalues of that covariance, ``E'm`` has independent
    errors of variance ``l`` and, as E is orthogonal, ``E'v`` the variance of v unchanged: an
    ordinary mixed model with known error variances, which has the likelihood of the means
    themselves.

    References
    ----------
    Piepho, Moehring, Schulz-Streeck & Ogutu (2012) Biometr. J. 54:844-860 for two stages with the
    full covariance; Henderson (1975) Biometrics 31:423-447 for the prediction error covariance.
    """
    long, kinds = long_means(sites, controls, groups)
    hybrids = list(kinds.index)
    candidates = [h for h in hybrids if h not in controls]
    size, turn = _rotation(sites)
    design = second_design(long, kinds)
    x = pd.DataFrame(turn @ design.to_numpy(), columns=design.columns)
    z = turn @ pd.get_dummies(long["hybrid"], dtype=float)[candidates].to_numpy()
    means = pd.DataFrame({"response": turn @ long["mean"].to_numpy(), "known": size})
    means["hybrid_site"] = means.index.astype(str)
    terms = [basis("hybrid", z), "hybrid_site"]
    fit = fit_gaussian(means, "response", x, terms, known_variance="known")
    if fit.verdict != CONVERGED:
        raise Refusal(f"The model of the sites' means has {fit.verdict}.")
    errors, by_record = _equations(fit, z)
    own = (np.array(hybrids)[:, None] == np.array(candidates)).astype(float)
    group = ("group " + kinds.to_numpy())[:, None] == x.columns.to_numpy()
    take = np.hstack([own, group.astype(float)])  # a hybrid's value from all effects
    by_mean = take @ by_record @ turn
    own = by_mean[pd.Index(hybrids).get_indexer(long["hybrid"]), np.arange(len(long))]
    weights = long.assign(weight=own).pivot(index="hybrid", columns="site", values="weight")
    return TwoStageFit(
        fit=fit,
        sites=list(sites),
        variances=fit.variances[["hybrid", "hybrid_site"]],
        values=pd.Series(take @ by_record @ fit.response, index=hybrids, name="value"),
        covariance=pd.DataFrame(take @ errors @ take.T, hybrids, hybrids),
        weights=weights.reindex(hybrids),
    )


def long_means(sites: list[SiteMeans], controls=(), groups: pd.Series | None = None) -> tuple:
    """Hybrids and sites of means one below the other, and each hybrid's group, after a look at
    both.

    Returns
    -------
    tuple
        DataFrame ``site, hybrid, condition, mean`` in the order of the sites, and groups by hybrid,
        sorted.

    Raises
    ------
    ValueError
        As :func:`fit_two_stage`.
    """
    names = [s.site for s in sites]
    if twice := sorted({n for n in names if names.count(n) > 1}):
        raise ValueError(f"a site has means twice: {fmt_list(twice)}")
    if len(names) < 2:
        raise Refusal(
            f"The yields are of one site ({fmt_list(names)}): putting sites together takes two."
        )
    parts = [s.means.rename("mean").rename_axis("hybrid").reset_index() for s in sites]
    parts = [part.assign(site=name, condition=name) for name, part in zip(names, parts)]
    long = pd.concat(parts, ignore_index=True)[["site", "hybrid", "condition", "mean"]]
    refuse_disconnected(long)
    hybrids = sorted(long["hybrid"].unique())
    candidates = [h for h in hybrids if h not in controls]
    kinds = pd.Series("candidates", hybrids) if groups is None else groups.reindex(hybrids)
    if unknown := [h for h in candidates if pd.isna(kinds[h])]:
        raise ValueError(f"no group is given for {fmt_list(unknown)}")
    if len(candidates) < 2:
        raise Refusal(
            "Fewer than two candidates have a mean: no spread among hybrids can be estimated."
        )
    if long.loc[long["hybrid"].isin(candidates), "hybrid"].value_counts().max() < 2:
        raise Refusal(
            "No candidate stands at two sites, so nothing tells what a hybrid is everywhere from what it is "
            "at one site."
        )
    is_control, own = np.isin(hybrids, list(controls)), "control " + pd.Series(hybrids, hybrids)
    return long, kinds.astype(str).mask(is_control, own).rename("group")


def second_design(long: pd.DataFrame, kinds: pd.Series) -> pd.DataFrame:
    """Fixed columns of means by :func:`long_means`: every site, and every group but the first."""
    groups = dummies(long.assign(group=long["hybrid"].map(kinds)), "group")
    return pd.concat([dummies(long, "site"), groups.iloc[:, 1:]], axis=1)


def _rotation(sites):
    """Eigenvalues of the sites' covariances, and the matrix that makes the errors independent."""
    sizes, vectors = [], []
    for s in sites:
        size, own = np.linalg.eigh(s.covariance.to_numpy())
        if size[0] <= _FLATTEST * size[-1]:
            raise Refusal(
                f"The covariance of the means of site {s.site} is not positive definite: some difference of "
                "its hybrids would be known without error."
            )
        sizes.append(size)
        vectors.append(own.T)
    return np.concatenate(sizes), sparse.block_diag(vectors, format="csr")


def _equations(fit, z):
    """Prediction error covariance of candidates' and fixed effects, and the records' weights in
    them.
    """
    own = fit.data["known"].to_numpy() + fit.variances["hybrid_site"]
    # effects are taken in units of their deviation, so that a variance of 0 needs no special case
    spread = np.full(z.shape[1], np.sqrt(fit.variances["hybrid"]))
    scale = np.append(spread, np.ones(fit.design.shape[1]))
    w = np.hstack([z, fit.design.to_numpy()]) * scale
    inner = (w.T / own) @ w
    places = np.arange(z.shape[1])
    inner[places, places] += 1.0
    inverse = np.linalg.inv(inner) * scale[:, None]
    return inverse * scale, inverse @ (w.T / own)
