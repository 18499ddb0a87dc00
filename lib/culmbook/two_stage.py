"""Two stages: adjusted means of each site first, then all sites together.

The joint model of :mod:`culmbook.consistency` is the main answer. Two stages serve where a site's own field
trend is taken out, or where a site sends nothing but means. The first stage is one fit per *site* over all
its seasons, because its plots are the same every season: taken season by season their lasting differences
would pass for differences between sites. The second stage knows the covariance of those means in full.
"""

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import sparse

from culmbook.connected import refuse_disconnected
from culmbook.consistency import SCALES, SeasonsFit, random_terms
from culmbook.field import BLOCKS, trend_terms
from culmbook.formats import fmt_list
from culmbook.mixed import CONVERGED, GaussianFit, basis, fit_gaussian
from culmbook.season_words import n_of

OUTSIDE = "given from outside"
LEAST_DF = 3
_SITE_TERMS = ("hybrid_season", "plot_key", "replicate_season", "main_plot_season", "block_key")
_FLATTEST = 1e-10  # least eigenvalue of a covariance of means, relative to the largest


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
    trend : str
        What was taken out of the field, or that the means came from outside.
    """

    site: str
    means: pd.Series = field(repr=False)
    covariance: pd.DataFrame = field(repr=False)
    trend: str = BLOCKS

    @property
    def hybrids(self) -> list[str]:
        return list(self.means.index)


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


def site_means(records: pd.DataFrame, *, trend: str | dict = BLOCKS) -> list[SiteMeans]:
    """First stage: adjusted means of every site over all its seasons, with their full covariance.

    Parameters
    ----------
    records : DataFrame
        From :func:`culmbook.consistency.season_records`, of one site or more; for a trend with the plots'
        ``row, column`` (:func:`culmbook.field.with_places`).
    trend : str or dict
        What is taken out of the field, by site where it differs: ``'blocks'`` the layout alone, or a kind of
        :func:`culmbook.field.trend_terms`.

    Returns
    -------
    list of SiteMeans
        In order of the sites' names. A site without a yield has no records and so no means.

    Raises
    ------
    ValueError
        A site with one hybrid, with trials that share no hybrid, with too few plots for an error, or whose
        model does not settle; plots without a place, for a trend. The site is named.

    Notes
    -----
    Hybrids and conditions (trial × season × treatment) are fixed, hybrid × season, plots, blocks and what
    whole replicates and main plots share in a season are random. A mean is that over all conditions of
    the site, weighed alike. Hybrid × season of different sites are taken as independent here: what a season
    does to a hybrid at all sites alike is counted with the hybrid in the second stage.

    References
    ----------
    Moehring & Piepho (2009) Crop Sci. 49:1977-1988 for two stages and their weights.
    """
    found = []
    for site, own in records.groupby(records["site"].astype(str), sort=True):
        kind = trend.get(site, BLOCKS) if isinstance(trend, dict) else trend
        try:
            found.append(_one_site(site, own.reset_index(drop=True), kind))
        except ValueError as why:
            raise ValueError(f"site {site}: {why}") from None
    return found


def _one_site(site, own, kind):
    if own["hybrid"].nunique() < 2:
        raise ValueError("one hybrid alone has a yield, so there is nothing to compare; leave the site out")
    refuse_disconnected(own)
    design, weights = _site_design(own)
    terms = [t for t in random_terms(own, ("hybrid", *_SITE_TERMS)) if t != "hybrid"]
    added = trend_terms(own, kind, fixed=design, random=terms)
    design = pd.concat([design, added.fixed], axis=1)
    weights = weights.reindex(columns=design.columns, fill_value=0.0)  # a trend has mean zero over its trial
    if len(own) - design.shape[1] < LEAST_DF:
        raise ValueError(
            f"{len(own)} records and {design.shape[1]} fixed effects leave fewer than {LEAST_DF} degrees of "
            "freedom for the error: without hybrids that stand twice nothing tells how sure a mean is"
        )
    fit = fit_gaussian(own, "response", design, [*terms, *added.terms], residual=added.residual)
    if fit.verdict != CONVERGED:
        raise ValueError(f"the model of its means has {fit.verdict}")
    rows = weights.to_numpy()
    covariance = rows @ fit.covariance.to_numpy() @ rows.T
    means = pd.Series(rows @ fit.coefficients.to_numpy(), index=weights.index, name="mean")
    return SiteMeans(site, means, pd.DataFrame(covariance, weights.index, weights.index), kind)


def _site_design(own):
    """Fixed columns of one site, and the weights that make a hybrid's mean of them."""
    hybrids = pd.get_dummies(own["hybrid"].astype(str), dtype=float).sort_index(axis=1)
    conditions = pd.get_dummies(own["condition"], dtype=float).sort_index(axis=1).add_prefix("condition ")
    names = list(hybrids.columns)
    hybrids = hybrids.add_prefix("hybrid ").iloc[:, 1:]
    share = np.full((len(names), conditions.shape[1]), 1 / conditions.shape[1])
    weights = pd.DataFrame(
        np.hstack([share, np.eye(len(names))[:, 1:]]), names, [*conditions.columns, *hybrids.columns]
    )
    return pd.concat([conditions, hybrids], axis=1), weights


def external_means(frame: pd.DataFrame, *, scale: str = "log") -> list[SiteMeans]:
    """Means that a site computed itself, checked and brought to the scale of the records.

    Parameters
    ----------
    frame : DataFrame
        ``site, hybrid, mean, se``: one row per hybrid and site, mean dry yield over the site's seasons
        [t/ha, over 0] and its standard error [t/ha, over 0]; no blanks.
    scale : {'log', 'raw'}
        Scale of the records that they stand beside. On the log scale the error of a mean is taken as
        relative to it.

    Returns
    -------
    list of SiteMeans
        With independent errors, as nothing else is known of them.

    Raises
    ------
    ValueError
        A column missing, a blank, a value not over 0, a hybrid twice at a site, or a site with one hybrid;
        rows are named by the frame's index.

    Examples
    --------
    >>> rows = [("S9", "a", 10.0, 0.5), ("S9", "b", 12.0, 0.6)]
    >>> sites = external_means(pd.DataFrame(rows, columns=["site", "hybrid", "mean", "se"]))
    >>> sites[0].means.round(3).tolist()
    [2.303, 2.485]
    """
    if scale not in SCALES:
        raise ValueError(f"scale is {scale!r}; it must be one of {', '.join(SCALES)}")
    _check_given(frame)
    values = frame.astype({"site": str, "hybrid": str, "mean": float, "se": float})
    values = values.sort_values(["site", "hybrid"])
    if scale == "log":
        values = values.assign(se=values["se"] / values["mean"], mean=np.log(values["mean"]))
    found = []
    for site, own in values.groupby("site"):
        own = own.set_index("hybrid")
        errors = pd.DataFrame(np.diag(own["se"] ** 2), own.index, own.index)
        found.append(SiteMeans(site, own["mean"], errors, OUTSIDE))
    return found


def _check_given(frame):
    absent = [c for c in ("site", "hybrid", "mean", "se") if c not in frame]
    if absent:
        raise ValueError(
            f"means from outside need the columns site, hybrid, mean and se; {fmt_list(absent)} not found"
        )
    if frame.empty:
        raise ValueError("there is no mean from outside")
    for column in ("site", "hybrid"):
        blank = frame[column].isna() | frame[column].astype(str).str.strip().eq("")
        _refuse(frame, blank, f"{column} is blank")
    for column in ("mean", "se"):
        number = pd.to_numeric(frame[column], errors="coerce")
        _refuse(frame, ~(np.isfinite(number) & (number > 0)), f"{column} is no number over 0")
    _refuse(frame, frame.duplicated(["site", "hybrid"], keep=False), "a hybrid has several means at one site")
    counts = frame.groupby("site")["hybrid"].transform("size")
    _refuse(frame, counts < 2, "a site with one hybrid has nothing to compare it with")


def _refuse(frame, bad, what):
    if bad.any():
        rows = fmt_list([f"row {i} ({r.site}, {r.hybrid})" for i, r in frame[bad].iterrows()], 5)
        raise ValueError(f"means from outside: {what}: {rows}")


def fit_two_stage(sites: list[SiteMeans], controls=(), groups: pd.Series | None = None) -> TwoStageFit:
    """Second stage: hybrids over all sites from the means of each.

    Parameters
    ----------
    sites : list of SiteMeans
        Two or more, all on one scale, each site once.
    controls : sequence of str
        Hybrids with fixed effects; those without a mean are passed over.
    groups : Series, optional
        Kind of each hybrid (crop type), by hybrid: candidates of each have a mean of their own. Groups of a
        :class:`culmbook.consistency.SeasonsFit` may be given as they are.

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
        pd.DataFrame({"site": s.site, "hybrid": s.hybrids, "condition": s.site, "mean": s.means.to_numpy()})
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
    fit = fit_gaussian(frame, "response", x, [basis("hybrid", z), "hybrid_site"], known_variance="known")
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
    scale = np.append(np.full(z.shape[1], np.sqrt(fit.variances["hybrid"])), np.ones(fit.design.shape[1]))
    w = np.hstack([z, fit.design.to_numpy()]) * scale
    inner = (w.T / own) @ w
    places = np.arange(z.shape[1])
    inner[places, places] += 1.0  # effects in units of their deviation, so that 0 needs no special case
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
    return long.assign(weight=own).pivot(index="hybrid", columns="site", values="weight").reindex(hybrids)


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
        raise ValueError(f"one stage and two have {n_of(len(both), 'hybrid')} in common: too few to compare")
    table = pd.DataFrame({"one_stage": one[both], "two_stage": two.values[both]})
    table = table - table.mean()
    table["difference"] = table["two_stage"] - table["one_stage"]
    candidates = [h for h in both if h not in (*seasons.controls, *two.controls)]
    if not 1 <= k < len(candidates):
        raise ValueError(
            f"k = {k}: of {n_of(len(candidates), 'candidate')} at least 1 and not all can be chosen"
        )
    best = [set(table.loc[candidates, c].nlargest(k).index) for c in ("one_stage", "two_stage")]
    ranks = table[["one_stage", "two_stage"]].rank(ascending=False).set_axis(["rank_one", "rank_two"], axis=1)
    variances = pd.DataFrame(
        {"one_stage": seasons.fit.variances.reindex(["hybrid", "hybrid_site"]), "two_stage": two.variances}
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
