"""Do sites rank the hybrids alike? Genetic covariances and correlations of hybrids among sites.

They are those of what hybrids truly are at each site over its seasons, not of the means seen there:
errors of the means are taken off. Every pair of sites has a correlation of its own, drawn towards
one for all pairs as far as the data do not tell them apart.
"""

from dataclasses import dataclass, field
from itertools import combinations

import numpy as np
import pandas as pd
from scipy import special
from scipy.cluster import hierarchy
from scipy.spatial.distance import squareform

from culmbook.consistency.draws import limits
from culmbook.consistency.model import SeasonsFit
from culmbook.mixed import CONVERGED, compare, factor_analytic, fit_gaussian, over
from culmbook.sites.two_stage import SiteMeans, long_means, second_design, site_means
from culmbook.spatial.trend import mean_difference_variance
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
_DRAWS, _THINNED, _FIRST = 800, 4, 200  # kept, out of how many each, and those left out before
_FAR = 12.0  # logit of the share, beyond which nothing changes
_TURNS = np.array([0.1, 0.3])
_STEPS = np.array([0.2, 0.2, 0.8])  # of the search for the three numbers behind all correlations


@dataclass(frozen=True)
class SiteCorrelation:
    """Genetic covariance of hybrids among sites.

    Attributes
    ----------
    structure : str
        The covariance that fits best by the criterion of Akaike, a key of :data:`LABELS`.
    fits : dict of str to GaussianFit
        Every covariance that settled.
    comparison : DataFrame
        ``criterion, parameters, aic, above_best`` by covariance, best first.
    covariance, correlation : DataFrame
        Sites x sites, medians of draws; a correlation is missing where a site has no variance.
    pairs : DataFrame
        ``site, other, n_common, correlation, lower, upper``: one row per pair of sites, limits for
        that pair.
    sites : list of SiteMeans
    """

    structure: str
    fits: dict = field(repr=False)
    comparison: pd.DataFrame = field(repr=False)
    covariance: pd.DataFrame = field(repr=False)
    correlation: pd.DataFrame
    pairs: pd.DataFrame = field(repr=False)
    sites: list = field(repr=False)

    @property
    def is_alike(self) -> bool:
        """Does one correlation for all pairs of sites fit as well as any other covariance?"""
        above = self.comparison["above_best"]
        return ALIKE in above.index and above[ALIKE] <= AS_GOOD


def fit_site_correlation(seasons: SeasonsFit, *, level: float = 0.95) -> SiteCorrelation:
    """Genetic covariance of hybrids among the sites of a joint model.

    Parameters
    ----------
    seasons : SeasonsFit
        The joint model: its controls, groups, and variance of hybrid × season.
    level : float
        Coverage of the intervals, 0 to 1.

    Returns
    -------
    SiteCorrelation

    Raises
    ------
    Refusal
        As :func:`correlate_sites` and :func:`culmbook.sites.two_stage.site_means`.
    """
    sites = site_means(seasons.records)
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
    level : float

    Returns
    -------
    SiteCorrelation

    Raises
    ------
    Refusal
        One site, sites that share no hybrid, fewer than eight hybrids at two sites or more, or no
        covariance that settles.

    Notes
    -----
    Sites and groups are fixed; the error variance of a mean is that given the site's other means,
    taken as known and independent between hybrids. Values u of a hybrid at p sites have covariance
    G, and G an inverse Wishart distribution around compound symmetry, ``g + v [s = t]``, with
    ``p + 1 + k`` degrees of freedom: of n hybrids, ``k / (k + n)`` says how far the data's own
    covariance is drawn to one correlation for all pairs. That share has a uniform prior, the
    standard deviations of g and v have flat ones, so limits pay for not knowing the covariance's
    form. Draws by Gibbs' steps, and by Metropolis' for g, v and k given u with G integrated out.

    Beside it, covariances are fitted by restricted likelihood to be compared by the criterion of
    Akaike: *compound symmetry*; *heterogeneous* ``g + v_s [s = t]``; with six sites or more
    *factor-analytic* of order 1, and of order 2 where order 1 has the lowest criterion so far.

    References
    ----------
    Daniels & Kass (2001) Biometrics 57:1173-1184 for shrinking a covariance to a structure; Daniels
    (1999) Can. J. Stat. 27:567-578 for the uniform prior of the share; Smith, Cullis & Thompson
    (2001) Biometrics 57:1138-1147 for the weights and factors; Falconer & Mackay (1996)
    Introduction to Quantitative Genetics, ch. 19, for the correlation between environments.
    """
    sites = sorted(sites, key=lambda s: s.site)
    frame, design = means_frame(sites, controls, groups)
    names = [s.site for s in sites]
    if shared is None:
        shared = pd.DataFrame(0.0, names, names)
    shared = shared.reindex(index=names, columns=names).fillna(0.0)
    fits = _fit_all(frame, design, len(sites))
    comparison = compare(fits)
    # seasons in common make means alike; the sites' own errors have paid for them already
    off = shared.to_numpy() - np.diag(np.diag(shared))
    drawn = _drawn_covariances(*_tables(frame, design, names)) - off
    sd = np.sqrt(np.diagonal(drawn, axis1=1, axis2=2))
    sd = np.where(_own_variances(fits[comparison.index[0]]) > 0, sd, np.nan)
    own = np.clip(drawn / (sd[:, :, None] * sd[:, None]), -1, 1)
    middle, low, high = limits(own, level)
    covariance = np.nan_to_num(middle * np.outer(*[np.median(sd, axis=0)] * 2))
    correlation = pd.DataFrame(middle, names, names)
    take = tuple(np.array(list(combinations(range(len(names)), 2))).T)
    pairs = common_entries(frame, controls)[["site", "other", "n_common"]]
    pairs = pairs.assign(correlation=middle[take], lower=low[take], upper=high[take])
    return SiteCorrelation(
        structure=comparison.index[0],
        fits=fits,
        comparison=comparison,
        covariance=pd.DataFrame(covariance, names, names),
        correlation=correlation,
        pairs=pairs,
        sites=sites,
    )


def means_frame(sites: list[SiteMeans], controls=(), groups: pd.Series | None = None) -> tuple:
    """Means of sites to fit a covariance to.

    Parameters
    ----------
    sites, controls, groups
        As in :func:`correlate_sites`.

    Returns
    -------
    tuple
        DataFrame ``site, hybrid, condition, mean, known, hybrid_site``, one row per hybrid and
        site, ``known`` the variance of the mean's error; and the fixed columns.

    Raises
    ------
    Refusal
        As :func:`correlate_sites`.
    """
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


def _fit_all(frame, design, n_sites):
    """Every covariance to try that settles; a second factor is asked for only where the first
    paid.
    """
    terms = {
        ALIKE: ["hybrid", "hybrid_site"],
        UNEVEN: ["hybrid", over("hybrid", "site", "diagonal")],
        ONE_FACTOR: [over("hybrid", "site", factor_analytic(1))],
        TWO_FACTORS: [over("hybrid", "site", factor_analytic(2))],
    }
    fits, unsettled = {}, []
    for name in list(terms)[: 4 if n_sites >= LEAST_SITES_FOR_FACTORS else 2]:
        least = min(fits, key=lambda f: fits[f].information_criterion) if fits else None
        if name == TWO_FACTORS and least != ONE_FACTOR:
            continue
        fit = fit_gaussian(frame, "mean", design, terms[name], known_variance="known")
        if fit.verdict == CONVERGED:
            fits[name] = fit
        else:
            unsettled.append(fit.verdict)
    if not fits:
        raise Refusal(f"The model of the sites' means has {unsettled[0]}.")
    return fits


def _own_variances(fit):
    """Variance of hybrids at each site by a fitted covariance, or one for all sites."""
    kernel = next(iter(fit.kernels.values()), None)
    own = fit.variances["hybrid_site"] if kernel is None else np.diag(kernel)
    return own + fit.variances.get("hybrid", 0.0)


def _tables(frame, design, names):
    """Means, one over their error variances (0 where a hybrid does not stand) and fixed columns,
    hybrids x sites.
    """
    rows, hybrids = pd.factorize(frame["hybrid"])
    at = rows, pd.Index(names).get_indexer(frame["site"])
    y, w = np.zeros((2, len(hybrids), len(names)))
    x = np.zeros((*y.shape, design.shape[1]))
    y[at], w[at], x[at] = frame["mean"], 1 / frame["known"], design.to_numpy()
    return y, w, x


def _drawn_covariances(y, w, x, seed=1):
    """Draws of the covariance among sites from its posterior, see :func:`correlate_sites`."""
    rng, (n, p), eye = np.random.default_rng(seed), y.shape, np.eye(y.shape[1])
    xw = x * w[:, :, None]
    inside, right = np.einsum("hpq,hpr->qr", xw, x), np.einsum("hpq,hp->q", xw, y)
    steps = np.arange(p) / 2
    # logs of the two standard deviations, logit of the share that shrinks
    theta = np.append(np.full(2, np.log(y[w > 0].std() / 2)), 0.0)
    g, kept = np.exp(2 * theta[0]) * (1 + eye), []

    def prior(at):
        """Degrees of freedom less p + 1 and scale of the inverse Wishart distribution, logarithm of
        the scale's determinant.
        """
        common, own = np.exp(2 * at[:2])
        k = n * np.exp(at[2])
        size = p * np.log(k * own) + np.log1p(p * common / own)
        return k, k * (common + own * eye), size

    def height(at, squares):
        k, scale, size = prior(at)
        half = (p + 1 + k) / 2
        value = (special.gammaln(half + n / 2 - steps) - special.gammaln(half - steps)).sum()
        value += half * size - (half + n / 2) * np.linalg.slogdet(scale + squares)[1]
        return value + at.sum() - 2 * np.logaddexp(0, at[2])

    for turn in range(_FIRST + _DRAWS * _THINNED):
        # fixed effects given G, values given both
        spread = np.linalg.inv(np.linalg.inv(g) + w[:, :, None] * eye)
        part = xw.transpose(0, 2, 1) @ spread
        about = np.linalg.inv(inside - np.einsum("hqp,hpr->qr", part, xw))
        b = about @ (right - np.einsum("hqp,hp->q", part, w * y))
        b = b + np.linalg.cholesky(about) @ rng.normal(size=len(b))
        u = spread @ (w * (y - x @ b))[:, :, None]
        u = (u + np.linalg.cholesky(spread) @ rng.normal(size=(n, p, 1)))[:, :, 0]
        # the prior's numbers given u, then G
        squares = u.T @ u
        now = height(theta, squares)
        for step in _STEPS * rng.normal(size=(2, 3)):
            new = theta + step
            above = height(new, squares) if abs(new[2]) < _FAR else -np.inf
            if np.log(rng.uniform()) < above - now:
                theta, now = new, above
        k, scale, _ = prior(theta)
        root = np.tril(rng.normal(size=(p, p)), -1)  # Bartlett's root of a Wishart matrix
        root[np.diag_indices(p)] = np.sqrt(rng.chisquare(p + 1 + k + n - np.arange(p)))
        turned = np.linalg.solve(root, np.linalg.cholesky(scale + squares).T)
        g = turned.T @ turned
        # values, G and its prior together: the mean over sites times c, what differs times t
        left = y - x @ b
        for c, t in np.exp(_TURNS * rng.normal(size=(3, 2))):
            common, own = np.exp(2 * theta[:2])
            common = (c**2 * (own + p * common) - t**2 * own) / p
            if common <= 0:
                continue
            new = np.array([np.log(common) / 2, theta[1] + np.log(t), theta[2]])
            by = t * eye + (c - t) / p
            moved = u @ by
            rise = (w * ((left - u) ** 2 - (left - moved) ** 2)).sum() / 2
            if np.log(rng.uniform()) < rise + np.log(c**2 * t) + theta[0] - new[0]:
                u, g, theta = moved, by @ g @ by, new
        if turn >= _FIRST and turn % _THINNED == 0:
            kept.append(g)
    return np.array(kept)


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
    how = "much alike" if low["correlation"] >= HALF_IN_COMMON else "alike only in part"
    return (
        f"Sites rank the hybrids {how}: genetic correlations run from {least} ({pair}) to {most} ({other}); "
        "1 is the same order."
    )


def correlation_words(found: SiteCorrelation, *, level: float = 0.95) -> str:
    """Say what the correlations are, which covariance fits best, and what they rest on.

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
    known, n = found.pairs.dropna(subset="correlation"), len(found.sites)
    ends = known["lower"].min(), known["upper"].max()
    limits_of = f"{fmt_share(level)} limits {fmt_interval(*ends, 2, share=False)}"
    if len(known) == 1:
        what = f"The correlation is {fmt_number(known['correlation'].iloc[0], 2)} ({limits_of})."
    else:
        middle = known["correlation"].min(), known["correlation"].max()
        what = (
            f"Correlations are {fmt_number(middle[0], 2)} to {fmt_number(middle[1], 2)}, and together their "
            f"{limits_of}: every pair has its own, drawn towards those of the others as far as the data do not "
            "tell them apart."
        )
    fits = (
        f"By the criterion of Akaike {LABELS[found.structure]} fits best of the covariances tried"
    )
    if found.is_alike and found.structure != ALIKE:
        fits += f", but {LABELS[ALIKE]} cannot be distinguished from it"
    few = known[known["n_common"] < LEAST_HYBRIDS]
    named = fmt_list([f"{row.site} and {row.other}" for row in few.itertuples()])
    return joined(
        what,
        f"{fits}.",
        f"{n_of(n, 'site')} cannot carry common factors, for which it takes {LEAST_SITES_FOR_FACTORS}."
        if n < LEAST_SITES_FOR_FACTORS
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
            f"The {sites} are not put into groups: by the criterion of Akaike one correlation for all pairs "
            "describes them as well as any other covariance tried."
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
    variances = [mean_difference_variance(s.covariance.to_numpy()) for s in found.sites]
    error = np.array(variances) / 2
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
