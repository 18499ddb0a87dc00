"""Do sites rank the hybrids alike? Genetic covariances and correlations of hybrids among sites.

They are those of what hybrids truly are at each site over its seasons, not of the means seen there: errors of
the means are taken off. Which covariance is asked for goes by what the data carry: one correlation for all
pairs of sites, a variance for each site, or common factors where there are six sites or more.
"""

from dataclasses import dataclass, field
from itertools import combinations

import numpy as np
import pandas as pd
from scipy import stats

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
from culmbook.text.words import n_of
from culmbook.trials.connected import common_entries

LEAST_HYBRIDS = 8
"""Hybrids at two sites or more, fewer of which tell nothing of a correlation (common practice, no source)."""
LEAST_SITES_FOR_FACTORS = 6
"""Common factors take so many sites (common practice)."""
ALIKE, UNEVEN = "compound symmetry", "heterogeneous"
LABELS = {
    ALIKE: "one variance and one correlation for all sites",
    UNEVEN: "a common part and a variance for each site",
    "factor-analytic 1": "one common factor and a variance for each site",
    "factor-analytic 2": "two common factors and a variance for each site",
}
"""What each covariance says."""
_STEP = 1e-3  # of a standard error, for differences
_DRAWS = 400
_FITS = "fits best by the criterion of Akaike"


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
    unsettled : dict of str to str
        Why others did not.
    covariance, correlation : DataFrame
        Sites x sites; a correlation is missing where a site has no variance.
    pairs : DataFrame
        ``site, other, n_common, correlation, lower, upper``: one row per pair of sites.
    explained : Series
        Share of each site's variance that the common part or the common factors hold, 0 to 1.
    shared : DataFrame
        What seasons common to two sites add to the covariance of their means, taken off ``covariance``.
    sites : list of SiteMeans
    """

    structure: str
    fits: dict = field(repr=False)
    comparison: pd.DataFrame = field(repr=False)
    unsettled: dict = field(repr=False)
    covariance: pd.DataFrame = field(repr=False)
    correlation: pd.DataFrame
    pairs: pd.DataFrame = field(repr=False)
    explained: pd.Series = field(repr=False)
    shared: pd.DataFrame = field(repr=False)
    sites: list = field(repr=False)

    @property
    def fit(self) -> GaussianFit:
        return self.fits[self.structure]


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
    ValueError
        As :func:`correlate_sites` and :func:`culmbook.sites.first_stage.site_means`.
    """
    sites = site_means(seasons.records) if sites is None else sites
    variance = float(seasons.fit.variances.get("hybrid_season", 0.0))
    return correlate_sites(
        sites,
        seasons.controls,
        seasons.groups,
        shared=shared_seasons(seasons.records, variance),
        level=level,
    )


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
        Sites x sites: ``variance * seasons in common / (seasons of the one * seasons of the other)``.
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
    ValueError
        One site, sites that share no hybrid, fewer than eight hybrids at two sites or more, an unknown
        covariance, or none that settles.

    Notes
    -----
    Sites and groups are fixed; the error variance of a mean is that given the site's other means, taken as
    known and independent between hybrids. Covariances of sites s and t: *compound symmetry*
    ``g + v [s = t]``; *heterogeneous* ``g + v_s [s = t]``; with six sites or more *factor-analytic* of order
    1, and of order 2 where order 1 has the lowest criterion so far. The one with the lowest criterion of
    Akaike is chosen. Limits: for the first two central posterior limits with flat priors of the standard
    deviations; for factors those of ``atanh r`` by the delta method from the observed second derivatives
    (parameters at a bound held). They are those within the covariance chosen, and missing where the data
    tell too little of its parameters.

    References
    ----------
    Smith, Cullis & Thompson (2001) Biometrics 57:1138-1147 for the weights and factors; Falconer & Mackay
    (1996) Introduction to Quantitative Genetics, ch. 19, for the correlation between environments.
    """
    sites = sorted(sites, key=lambda s: s.site)
    frame, design = _means_frame(sites, controls, groups)
    shared = _shared_of(shared, [s.site for s in sites])
    fits, unsettled = _fit_all(frame, design, _asked(structure, len(sites)))
    comparison = _comparison(fits)
    best = comparison.index[0]
    common, covariance = _split(_parameters(fits[best]), fits[best], best, shared)
    names = shared.index
    correlation = pd.DataFrame(_correlation(covariance), names, names)
    return SiteCorrelation(
        structure=best,
        fits=fits,
        comparison=comparison,
        unsettled=unsettled,
        covariance=pd.DataFrame(covariance, names, names),
        correlation=correlation,
        pairs=_pairs(fits[best], best, frame, controls, correlation, shared, level),
        explained=pd.Series(_ratio(np.diag(common), np.diag(covariance)), names),
        shared=shared,
        sites=list(sites),
    )


def _means_frame(sites, controls, groups):
    """One row per hybrid and site with the known variance of its mean, and the fixed columns."""
    long, kinds = long_means(sites, controls, groups)
    often = long["hybrid"].value_counts().ge(2).sum()
    if often < LEAST_HYBRIDS:
        raise ValueError(
            f"{n_of(int(often), 'hybrid')} at two sites or more: a correlation between sites takes "
            f"{LEAST_HYBRIDS} at least"
        )
    frame = long.assign(
        known=np.concatenate([_own_errors(s.covariance.to_numpy()) for s in sites]),
        hybrid_site=long["hybrid"] + ":" + long["site"],
    )
    return frame, second_design(long, kinds)


def _own_errors(covariance):
    """Error variance of each mean given the others, the level free; that of independent errors itself."""
    share = np.linalg.solve(covariance, np.ones(len(covariance)))
    return (1 - share / share.sum()) / np.diag(level_free(covariance))


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


def _shared_of(shared, names):
    if shared is None:
        return pd.DataFrame(0.0, names, names)
    return shared.reindex(index=names, columns=names).fillna(0.0)


def _asked(structure, n_sites):
    """Covariances to try, in order."""
    if structure is None:
        return list(LABELS)[: 4 if n_sites >= LEAST_SITES_FOR_FACTORS else 2]
    if structure not in LABELS:
        raise ValueError(f"structure is {structure!r}; it must be one of {', '.join(LABELS)}")
    return [structure]


def _fit_all(frame, design, names):
    terms = {
        ALIKE: ["hybrid", "hybrid_site"],
        UNEVEN: ["hybrid", over("hybrid", "site", "diagonal")],
    }
    terms |= {f"factor-analytic {k}": [over("hybrid", "site", factor_analytic(k))] for k in (1, 2)}
    fits, unsettled = {}, {}
    for name in names:
        if (
            name == "factor-analytic 2"
            and not _is_best("factor-analytic 1", fits)
            and len(names) > 1
        ):
            continue  # a second factor is asked for only where the first paid
        fit = fit_gaussian(frame, "mean", design, terms[name], known_variance="known")
        if fit.verdict == CONVERGED:
            fits[name] = fit
        else:
            unsettled[name] = fit.verdict
    if not fits:
        raise ValueError(f"the model of the sites' means has {unsettled[names[0]]}")
    return fits, unsettled


def _is_best(name, fits):
    least = min((fit.information_criterion for fit in fits.values()), default=np.inf)
    return name in fits and fits[name].information_criterion <= least


def _comparison(fits):
    if len(fits) > 1:
        return compare(fits)
    name, fit = next(iter(fits.items()))
    row = {
        "criterion": fit.criterion,
        "parameters": fit.n_parameters,
        "aic": fit.information_criterion,
    }
    return pd.DataFrame({name: {**row, "above_best": 0.0}}).T


def _parameters(fit):
    """Parameters of the covariance in the response's unit."""
    return fit.state.theta * fit.model.scale**fit.model.powers


def _split(parameters, fit, structure, shared):
    """Covariance that the common part gives to sites, and the whole covariance."""
    n = len(shared)
    if structure in (ALIKE, UNEVEN):
        common, own = np.full((n, n), parameters[0]), np.full(n, 1.0) * parameters[1:]
    else:
        kernel = fit.model.terms[0].kernel
        loadings = kernel.loadings(parameters)
        common, own = (
            loadings @ loadings.T,
            np.diag(kernel.matrix(parameters) - loadings @ loadings.T),
        )
    # seasons in common make means alike; the sites' own errors have paid for them already
    common = common - shared.to_numpy()
    return common, common + np.diag(own + np.diag(shared))


def _ratio(part, whole):
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(whole > 0, np.clip(part / whole, 0, 1), np.nan)


def _correlation(covariance):
    own = np.diag(covariance)
    with np.errstate(invalid="ignore", divide="ignore"):
        value = np.clip(covariance / np.sqrt(np.outer(own, own)), -1, 1)
    value = np.where(np.outer(own, own) > 0, value, np.nan)
    value[np.diag_indices_from(value)] = np.where(own > 0, 1.0, np.nan)
    return value


def _pairs(fit, structure, frame, controls, correlation, shared, level):
    places = np.array(list(combinations(range(len(shared)), 2)))
    take = places[:, 0], places[:, 1]

    def at(parameters):
        return _correlation(_split(parameters, fit, structure, shared)[1])[take]

    estimate = correlation.to_numpy()[take]
    by = _drawn_limits if structure in (ALIKE, UNEVEN) else _delta_limits
    low, high = by(fit, at, level)
    table = common_entries(frame, controls)[["site", "other", "n_common"]]
    return table.assign(
        correlation=estimate, lower=np.minimum(low, estimate), upper=np.maximum(high, estimate)
    )


def _drawn_limits(fit, at, level):
    try:
        parameters = draws(fit, _DRAWS, 1, _DRAWS).parameters.to_numpy()
    except ValueError:  # the data say next to nothing of the variances
        return np.full((2, len(at(_parameters(fit)))), np.nan)
    return limits(np.array([at(row) for row in parameters]), level)[1:]


def _delta_limits(fit, at, level):
    """Limits of correlations by the delta method on the scale of atanh; missing where it gives none."""
    state, unit = fit.state, fit.model.scale**fit.model.powers
    free, curve = fit.curvature()
    centre = at(state.theta * unit)
    if np.linalg.eigvalsh(curve)[0] <= 0:
        return np.full((2, len(centre)), np.nan)
    steps = _STEP * np.sqrt(np.diag(2 * np.linalg.inv(curve)))

    def slope_by(i, step):
        move = step * (np.arange(len(state.theta)) == i)
        up, down = (np.arctanh(at((state.theta + sign * move) * unit)) for sign in (1, -1))
        return (up - down) / (2 * step)

    slope = np.array([slope_by(i, step) for i, step in zip(free, steps, strict=True)])
    sd = np.sqrt(np.einsum("ip,ij,jp->p", slope, 2 * np.linalg.inv(curve), slope))
    reach = stats.norm.ppf(0.5 + level / 2) * sd
    with np.errstate(invalid="ignore"):
        return np.tanh(np.arctanh(centre) - reach), np.tanh(np.arctanh(centre) + reach)


def correlation_words(found: SiteCorrelation, *, level: float = 0.95) -> str:
    """Say which covariance the data carry, what the correlations are, and what they rest on.

    Parameters
    ----------
    found : SiteCorrelation
    level : float
        Coverage of its limits.

    Returns
    -------
    str
    """
    pairs = found.pairs
    if pairs["correlation"].isna().all():
        return "The hybrids show no differences that last, so sites cannot rank them alike or otherwise."
    known = pairs[pairs["correlation"].notna()]
    low, high = known["correlation"].min(), known["correlation"].max()
    is_one = high - low < 0.005 and known["lower"].notna().all()
    range_words = f"{fmt_number(low, 2)} to {fmt_number(high, 2)}"
    if is_one:
        ends = fmt_interval(known["lower"].min(), known["upper"].max(), 2, share=False)
        range_words = f"{fmt_number(low, 2)} ({fmt_share(level)} limits {ends})"
    which = "the correlation is" if len(known) == 1 else "correlations between sites are"
    words = f"Of the covariances tried, {LABELS[found.structure]} {_FITS}: {which} {range_words}."
    if len(found.sites) < LEAST_SITES_FOR_FACTORS:
        words += (
            f" {n_of(len(found.sites), 'site')} cannot carry common factors, for which it takes "
            f"{LEAST_SITES_FOR_FACTORS}."
        )
    unknown = int(known["lower"].isna().sum())
    if unknown:
        words += (
            f" The data tell too little of the covariance for limits of {n_of(unknown, 'pair')}."
        )
    few = known[known["n_common"] < LEAST_HYBRIDS]
    if len(few):
        named = fmt_list([f"{row.site} and {row.other}" for row in few.itertuples()])
        words += f" Fewer than {LEAST_HYBRIDS} hybrids are common to {named}: there it rests on the other sites."
    return words
