"""Do sites rank the hybrids alike? Genetic covariances and correlations of hybrids among sites.

They are those of what hybrids truly are at each site over its seasons, not of the means seen there:
errors of the means are taken off. Which covariance is asked for goes by what the data carry: one
correlation for all pairs of sites, a variance for each site, or common factors where there are six
sites or more.
"""

from dataclasses import dataclass, field
from itertools import combinations

import numpy as np
import pandas as pd
from scipy import stats
from scipy.cluster import hierarchy
from scipy.spatial.distance import squareform

from culmbook.consistency.draws import limits
from culmbook.consistency.model import SeasonsFit
from culmbook.mixed import (
    CONVERGED,
    GaussianFit,
    compare,
    draws,
    factor_analytic,
    fit_gaussian,
    over,
)
from culmbook.sites.first_stage import SiteMeans, site_means
from culmbook.sites.two_stage import long_means, second_design
from culmbook.text.numbers import fmt_interval, fmt_list, fmt_number, fmt_share
from culmbook.text.refusal import Refusal
from culmbook.text.words import joined, n_of
from culmbook.trials.entries import common_entries

# Hybrids at two sites or more, fewer of which tell nothing of a correlation (common practice, no
# source).
LEAST_HYBRIDS = 8
# Common factors take so many sites (common practice).
LEAST_SITES_FOR_FACTORS = 6
ALIKE, UNEVEN = "compound symmetry", "heterogeneous"
ONE_FACTOR, TWO_FACTORS = "factor-analytic 1", "factor-analytic 2"
# What each covariance says.
LABELS = {
    ALIKE: "one variance and one correlation for all sites",
    UNEVEN: "a common part and a variance for each site",
    ONE_FACTOR: "one common factor and a variance for each site",
    TWO_FACTORS: "two common factors and a variance for each site",
}
# Mean correlation of sites in one group: half of the hybrids' variance is common (common practice).
HALF_IN_COMMON = 0.71
# Difference of Akaike's criterion up to which the simpler covariance describes the data as well.
AS_GOOD = 2.0
ALL_SITES = "all sites"
_STEP = 1e-3  # of a standard error, for differences
_DRAWS = 400


@dataclass(frozen=True)
class SiteCorrelation:
    """Genetic covariance of hybrids among sites.

    Attributes
    ----------
    structure : str
        The covariance chosen, a key of :data:`LABELS`.
    fits : dict of str to GaussianFit
        Every covariance that settled.
    comparison : DataFrame
        ``criterion, parameters, aic, above_best`` by covariance, best first.
    covariance, correlation : DataFrame
        Sites x sites; a correlation is missing where a site has no variance.
    pairs : DataFrame
        ``site, other, n_common, correlation, lower, upper``: one row per pair of sites.
    shared : DataFrame
        What seasons common to two sites add to the covariance of their means, taken off
        ``covariance``.
    sites : list of SiteMeans
    """

    structure: str
    fits: dict = field(repr=False)
    comparison: pd.DataFrame = field(repr=False)
    covariance: pd.DataFrame = field(repr=False)
    correlation: pd.DataFrame
    pairs: pd.DataFrame = field(repr=False)
    shared: pd.DataFrame = field(repr=False)
    sites: list = field(repr=False)

    @property
    def fit(self) -> GaussianFit:
        return self.fits[self.structure]

    @property
    def is_alike(self) -> bool:
        """Does one correlation for all pairs of sites fit as well as any other covariance?"""
        above = self.comparison["above_best"]
        return ALIKE in above.index and above[ALIKE] <= AS_GOOD


def fit_site_correlation(
    seasons: SeasonsFit, sites: list[SiteMeans] | None = None, *, level: float = 0.95
) -> SiteCorrelation:
    """Genetic covariance of hybrids among the sites of a joint model.

    Parameters
    ----------
    seasons : SeasonsFit
        The joint model: its controls, groups, and variance of hybrid × season.
    sites : list of SiteMeans, optional
        Means with a trend taken out, or from outside; left out, those of the model's records.
    level : float
        Coverage of the intervals, 0 to 1.

    Returns
    -------
    SiteCorrelation

    Raises
    ------
    Refusal
        As :func:`correlate_sites` and :func:`culmbook.sites.first_stage.site_means`.
    """
    sites = site_means(seasons.records) if sites is None else sites
    variance = float(seasons.fit.variances.get("hybrid_season", 0.0))
    shared = shared_seasons(seasons.records, variance)
    return correlate_sites(sites, seasons.controls, seasons.groups, shared=shared, level=level)


def shared_seasons(records: pd.DataFrame, variance: float) -> pd.DataFrame:
    """Covariance between sites' means of a hybrid that comes from seasons they have in common.

    Parameters
    ----------
    records : DataFrame
        From :func:`culmbook.consistency.model.season_records`.
    variance : float
        Of hybrid × season.

    Returns
    -------
    DataFrame
        Sites x sites: ``variance * seasons in common / (seasons of the one * seasons of the
        other)``.
    """
    had = pd.crosstab(records["site"].astype(str), records["season"]).gt(0).astype(float)
    share = had.div(had.sum(axis=1), axis=0)
    return variance * share @ share.T


def correlate_sites(
    sites: list[SiteMeans],
    controls=(),
    groups: pd.Series | None = None,
    *,
    shared: pd.DataFrame | None = None,
    structure: str | None = None,
    level: float = 0.95,
) -> SiteCorrelation:
    """Genetic covariance of hybrids among sites from the means of each.

    Parameters
    ----------
    sites : list of SiteMeans
        Two or more.
    controls, groups
        As in :func:`culmbook.sites.two_stage.fit_two_stage`.
    shared : DataFrame, optional
        From :func:`shared_seasons`; sites it does not have share no season with others.
    structure : str, optional
        The one covariance to fit, of :data:`LABELS`; left out, the data choose.
    level : float

    Returns
    -------
    SiteCorrelation

    Raises
    ------
    Refusal
        One site, sites that share no hybrid, fewer than eight hybrids at two sites or more, or no
        covariance that settles.
    ValueError
        An unknown covariance.

    Notes
    -----
    Sites and groups are fixed; the error variance of a mean is that given the site's other means,
    taken as known and independent between hybrids. Covariances of sites s and t: *compound
    symmetry* ``g + v [s = t]``; *heterogeneous* ``g + v_s [s = t]``; with six sites or more
    *factor-analytic* of order 1, and of order 2 where order 1 has the lowest criterion so far. The
    one with the lowest criterion of Akaike is chosen. Limits: for the first two central posterior
    limits with flat priors of the standard deviations; for factors those of ``atanh r`` by the
    delta method from the observed second derivatives (parameters at a bound held). They are those
    within the covariance chosen, and missing where the data tell too little of its parameters.

    References
    ----------
    Smith, Cullis & Thompson (2001) Biometrics 57:1138-1147 for the weights and factors; Falconer &
    Mackay (1996) Introduction to Quantitative Genetics, ch. 19, for the correlation between
    environments.
    """
    sites = sorted(sites, key=lambda s: s.site)
    frame, design = _means_frame(sites, controls, groups)
    names = [s.site for s in sites]
    if shared is None:
        shared = pd.DataFrame(0.0, names, names)
    shared = shared.reindex(index=names, columns=names).fillna(0.0)
    fits = _fit_all(frame, design, structure, len(sites))
    comparison = _comparison(fits)
    best = comparison.index[0]
    fit = fits[best]
    own = _covariance(fit.state.theta * _units(fit), fit, best, shared)
    covariance = pd.DataFrame(own, shared.index, shared.index)
    correlation = pd.DataFrame(_correlation(own), shared.index, shared.index)
    pairs = _pairs(fit, best, frame, controls, correlation, shared, level)
    return SiteCorrelation(best, fits, comparison, covariance, correlation, pairs, shared, sites)


def _means_frame(sites, controls, groups):
    """One row per hybrid and site with the known variance of its mean, and the fixed columns."""
    long, kinds = long_means(sites, controls, groups)
    often = int(long["hybrid"].value_counts().ge(2).sum())
    if often < LEAST_HYBRIDS:
        raise Refusal(
            f"{n_of(often, 'hybrid')} at two sites or more: a correlation between sites takes "
            f"{LEAST_HYBRIDS} at least."
        )
    known = []
    for s in sites:  # error variance of each mean given the others, the level free
        share = np.linalg.solve(s.covariance, np.ones(len(s.covariance)))
        known.append((1 - share / share.sum()) / np.diag(level_free(s.covariance.to_numpy())))
    cell = long["hybrid"] + ":" + long["site"]
    return long.assign(known=np.concatenate(known), hybrid_site=cell), second_design(long, kinds)


def level_free(covariance: np.ndarray) -> np.ndarray:
    """Information in a site's means on its hybrids when the site's own level is unknown.

    Parameters
    ----------
    covariance : ndarray
        Of the means' errors.

    Returns
    -------
    ndarray
        ``W - W 11' W / 1'W1`` with W the inverse; rows and columns add up to 0.
    """
    w = np.linalg.inv(covariance)
    return w - np.outer(w.sum(axis=1), w.sum(axis=0)) / w.sum()


def _fit_all(frame, design, structure, n_sites):
    """Every covariance to try that settles; a second factor is asked for only where the first
    paid.
    """
    if structure is not None and structure not in LABELS:
        raise ValueError(f"structure is {structure!r}; it must be one of {', '.join(LABELS)}")
    terms = {
        ALIKE: ["hybrid", "hybrid_site"],
        UNEVEN: ["hybrid", over("hybrid", "site", "diagonal")],
        ONE_FACTOR: [over("hybrid", "site", factor_analytic(1))],
        TWO_FACTORS: [over("hybrid", "site", factor_analytic(2))],
    }
    most = 4 if n_sites >= LEAST_SITES_FOR_FACTORS else 2
    asked = [structure] if structure else list(terms)[:most]
    fits, unsettled = {}, []
    for name in asked:
        least = min(fits, key=lambda f: fits[f].information_criterion) if fits else None
        if name == TWO_FACTORS and least != ONE_FACTOR and structure is None:
            continue
        fit = fit_gaussian(frame, "mean", design, terms[name], known_variance="known")
        if fit.verdict == CONVERGED:
            fits[name] = fit
        else:
            unsettled.append(fit.verdict)
    if not fits:
        raise Refusal(f"The model of the sites' means has {unsettled[0]}.")
    return fits


def _comparison(fits):
    if len(fits) > 1:
        return compare(fits)
    ((name, fit),) = fits.items()
    values = [fit.criterion, fit.n_parameters, fit.information_criterion, 0.0]
    return pd.DataFrame([values], [name], ["criterion", "parameters", "aic", "above_best"])


def _units(fit):
    return fit.model.scale**fit.model.powers


def _covariance(parameters, fit, structure, shared):
    """Covariance among sites at given parameters of the model, in the response's unit."""
    n = len(shared)
    if structure in (ALIKE, UNEVEN):
        whole = np.full((n, n), parameters[0]) + np.diag(np.full(n, 1.0) * parameters[1:])
    else:
        whole = fit.model.terms[0].kernel.matrix(parameters)
    # seasons in common make means alike; the sites' own errors have paid for them already
    return whole - shared.to_numpy() + np.diag(np.diag(shared))


def _correlation(covariance):
    own = np.diag(covariance)
    with np.errstate(invalid="ignore", divide="ignore"):
        value = np.clip(covariance / np.sqrt(np.outer(own, own)), -1, 1)
    value = np.where(np.outer(own, own) > 0, value, np.nan)
    value[np.diag_indices_from(value)] = np.where(own > 0, 1.0, np.nan)
    return value


def _pairs(fit, structure, frame, controls, correlation, shared, level):
    take = tuple(np.array(list(combinations(range(len(shared)), 2))).T)

    def at(parameters):
        return _correlation(_covariance(parameters, fit, structure, shared))[take]

    estimate = correlation.to_numpy()[take]
    by = _drawn_limits if structure in (ALIKE, UNEVEN) else _delta_limits
    low, high = by(fit, at, level)
    low, high = np.minimum(low, estimate), np.maximum(high, estimate)
    table = common_entries(frame, controls)[["site", "other", "n_common"]]
    return table.assign(correlation=estimate, lower=low, upper=high)


def _drawn_limits(fit, at, level):
    try:
        parameters = draws(fit, _DRAWS, 1, _DRAWS).parameters.to_numpy()
    except ValueError:  # the data say next to nothing of the variances
        return np.full((2, len(at(fit.state.theta * _units(fit)))), np.nan)
    return limits(np.array([at(row) for row in parameters]), level)[1:]


def _delta_limits(fit, at, level):
    """Limits of correlations by the delta method on the scale of atanh; missing where it gives
    none.
    """
    theta, unit = fit.state.theta, _units(fit)
    free, curve = fit.curvature()
    centre = at(theta * unit)
    if np.linalg.eigvalsh(curve)[0] <= 0:
        return np.full((2, len(centre)), np.nan)
    covariance = 2 * np.linalg.inv(curve)
    slopes = []
    for i, step in zip(free, _STEP * np.sqrt(np.diag(covariance)), strict=True):
        move = step * (np.arange(len(theta)) == i)
        up, down = (np.arctanh(at((theta + sign * move) * unit)) for sign in (1, -1))
        slopes.append((up - down) / (2 * step))
    slopes = np.array(slopes)
    sd = np.sqrt(np.einsum("ip,ij,jp->p", slopes, covariance, slopes))
    reach = stats.norm.ppf(0.5 + level / 2) * sd
    with np.errstate(invalid="ignore"):
        return np.tanh(np.arctanh(centre) - reach), np.tanh(np.arctanh(centre) + reach)


def alike_words(found: SiteCorrelation) -> str:
    """Say whether sites rank the hybrids alike, with the least and the most alike pair.

    Raises
    ------
    Refusal
        The hybrids show no differences that last.
    """
    known = found.pairs.dropna(subset="correlation")
    if known.empty:
        raise Refusal(
            "The hybrids show no differences that last, so sites cannot rank them alike or otherwise."
        )
    low, high = (known.loc[known["correlation"].agg(f)] for f in ("idxmin", "idxmax"))
    least, most = (fmt_number(row["correlation"], 2) for row in (low, high))
    pair, other = (f"{row['site']} and {row['other']}" for row in (low, high))
    if len(known) == 1:
        return f"{pair} rank the hybrids with a genetic correlation of {least}."
    if high["correlation"] - low["correlation"] < 0.005:
        return f"All sites rank the hybrids alike to the same degree: their genetic correlation is {least}."
    how = "much alike" if low["correlation"] >= HALF_IN_COMMON else "alike only in part"
    return (
        f"Sites rank the hybrids {how}: genetic correlations run from {least} ({pair}) to {most} ({other}); "
        "1 is the same order."
    )


def correlation_words(found: SiteCorrelation, *, level: float = 0.95) -> str:
    """Say which covariance the data carry, what the correlations are, and what they rest on.

    Parameters
    ----------
    found : SiteCorrelation
        With a correlation of at least one pair.
    level : float
        Coverage of its limits.

    Returns
    -------
    str
    """
    known = found.pairs.dropna(subset="correlation")
    low, high = known["correlation"].min(), known["correlation"].max()
    span = f"{fmt_number(low, 2)} to {fmt_number(high, 2)}"
    if high - low < 0.005 and known["lower"].notna().all():
        ends = fmt_interval(known["lower"].min(), known["upper"].max(), 2, share=False)
        span = f"{fmt_number(low, 2)} ({fmt_share(level)} limits {ends})"
    which = "the correlation is" if len(known) == 1 else "correlations between sites are"
    n, unknown = len(found.sites), int(known["lower"].isna().sum())
    few = known[known["n_common"] < LEAST_HYBRIDS]
    named = fmt_list([f"{row.site} and {row.other}" for row in few.itertuples()])
    return joined(
        f"Of the covariances tried, {LABELS[found.structure]} fits best by the criterion of Akaike: {which} "
        f"{span}.",
        f"{n_of(n, 'site')} cannot carry common factors, for which it takes {LEAST_SITES_FOR_FACTORS}."
        if n < LEAST_SITES_FOR_FACTORS
        else "",
        f"The data tell too little of the covariance for limits of {n_of(unknown, 'pair')}."
        if unknown
        else "",
        f"Fewer than {LEAST_HYBRIDS} hybrids are common to {named}: there it rests on the other sites."
        if named
        else "",
    )


# -- groups of sites
# --------------------------------------------------------------------------------


def site_groups(found: SiteCorrelation, *, least: float = HALF_IN_COMMON) -> pd.Series:
    """Group sites that rank the hybrids alike.

    Parameters
    ----------
    found : SiteCorrelation
    least : float
        Mean correlation that joins two groups, over 0, under 1. At 0.71 half of the hybrids'
        variance is common.

    Returns
    -------
    Series
        Group by site, from 1, the group with most sites first. One group where a single correlation
        for all pairs fits as well as any other covariance: then nothing singles out sites that
        belong together, whatever that correlation is.

    Raises
    ------
    ValueError
        ``least`` outside its range.
    Refusal
        Two sites only, or a site without variance.

    Notes
    -----
    A single correlation fits as well where its criterion is at most :data:`AS_GOOD` over the best.
    Otherwise average linkage on ``1 - r``, cut at ``1 - least``: groups are joined as long as the
    mean correlation between their sites is at least ``least``. The correlations are estimates;
    sites near the cut may fall on either side of it, and :func:`group_words` counts the pairs of
    different groups whose limits reach it.

    References
    ----------
    Burnham & Anderson (2002) Model Selection and Multimodel Inference, section 2.6, for differences
    of the criterion; Sokal & Michener (1958) Univ. Kansas Sci. Bull. 38:1409-1438 for average
    linkage.
    """
    if not 0 < least < 1:
        raise ValueError(f"least = {least}: it must lie between 0 and 1")
    correlation = found.correlation
    if len(correlation) < 3:
        raise Refusal("Two sites make no groups: their correlation says it all.")
    if correlation.isna().any(axis=None):
        flat = correlation.index[np.isnan(np.diag(correlation))]
        raise Refusal(
            f"No lasting differences of hybrids were found at {fmt_list(list(flat))}: no groups can be made."
        )
    if found.is_alike:
        return pd.Series(1, correlation.index, name="group")
    distance = np.maximum(1 - (correlation.to_numpy() + correlation.to_numpy().T) / 2, 0.0)
    merges = hierarchy.linkage(squareform(distance, checks=False), "average")
    number = pd.Series(hierarchy.fcluster(merges, 1 - least, "distance"), correlation.index)
    # numbered anew, the largest group first, ties by their first site
    order = number.groupby(number, sort=False).size().sort_values(ascending=False, kind="stable")
    return number.map({n: i for i, n in enumerate(order.index, 1)}).rename("group")


def group_words(found: SiteCorrelation, groups: pd.Series, *, least: float = HALF_IN_COMMON) -> str:
    """Say which sites belong together, and how many pairs of sites may belong together all the
    same.

    Parameters
    ----------
    found : SiteCorrelation
    groups : Series
        From :func:`site_groups` with the same ``least``.
    least : float
    """
    n, sites, cut = groups.nunique(), n_of(len(groups), "site"), fmt_number(least, 2)
    if found.is_alike:
        return (
            "The sites do not fall into groups: with the data at hand a single correlation for all "
            f"pairs of the {sites} cannot be distinguished from others."
        )
    if n == 1:
        return f"The {sites} are one group: they rank the hybrids alike (mean correlation of at least {cut})."
    parts = [fmt_list(list(groups.index[groups == g]), 8) for g in sorted(groups.unique())]
    words = (
        f"{n_of(n, 'group')}, joined at a mean correlation of at least {cut}: {'; '.join(parts)}."
    )
    if n == len(groups):
        words = (
            f"No two of the {sites} have a correlation of {cut} or more: each ranks in its own way."
        )
    apart = found.pairs[found.pairs["site"].map(groups) != found.pairs["other"].map(groups)]
    unclear = int((apart["upper"] >= least).sum())
    if not unclear:
        return words
    of = "the one pair" if len(apart) == 1 else f"{unclear} of the {len(apart)} pairs"
    return f"{words} For {of} of sites in different groups the limits reach {cut}: those may belong together."


# -- choosing at one site for another
# ---------------------------------------------------------------


def choosing_elsewhere(found: SiteCorrelation) -> pd.DataFrame:
    """Gain at a site by choosing at another, over that by choosing at the site itself.

    Parameters
    ----------
    found : SiteCorrelation

    Returns
    -------
    DataFrame
        ``grown_at, chosen_at, correlation, accuracy, own_accuracy, efficiency``: ``accuracy`` is
        the correlation between mean and truth of hybrids at the site where they are chosen,
        ``own_accuracy`` at the site where they are to grow; ``chosen_at`` is also ``'all sites'``,
        the mean over all. Over 1 the other place chooses better for the site than its own trial.
        Missing where a site has no variance.

    Notes
    -----
    ``r_st h_t / h_s``, as many chosen of as many candidates. ``h^2`` is the site's genetic variance
    over that plus half the mean variance of a difference of its means. All sites are taken as a
    further place, the mean of all with the same weight.

    References
    ----------
    Falconer & Mackay (1996) Introduction to Quantitative Genetics, ch. 19, eq. 19.6 for correlated
    response.
    """
    g, names = found.covariance.to_numpy(), list(found.covariance.index)
    error = np.array([_error(s.covariance.to_numpy()) for s in found.sites])
    places = [(name, g[:, t], g[t, t], error[t]) for t, name in enumerate(names)]
    places.append((ALL_SITES, g.mean(axis=1), g.mean(), error.sum() / len(names) ** 2))
    rows = []
    for s, grown in enumerate(names):
        own = _ratio(g[s, s], g[s, s] + error[s]) ** 0.5
        for chosen, shared, variance, noise in places:
            if chosen != grown:
                r = _ratio(shared[s], np.sqrt(g[s, s] * variance))
                accuracy = _ratio(variance, variance + noise) ** 0.5
                rows.append((grown, chosen, r, accuracy, own, _ratio(r * accuracy, own)))
    columns = ["grown_at", "chosen_at", "correlation", "accuracy", "own_accuracy", "efficiency"]
    return pd.DataFrame(rows, columns=columns)


def _ratio(part, whole):
    return float(part / whole) if whole > 0 else np.nan


def _error(covariance):
    """Half the mean variance of a difference of two means."""
    n = len(covariance)
    return (np.trace(covariance) - covariance.sum() / n) / (n - 1)
