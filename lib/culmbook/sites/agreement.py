"""Where does one site agree with the network? Its own means beside what all other sites predict.

The site's records are left out of the prediction, so agreement is no echo of itself.
"""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy import stats

from culmbook.consistency.draws import limits
from culmbook.consistency.model import in_words
from culmbook.mixed import CONVERGED, draws, fit_gaussian, over, simultaneous_draws
from culmbook.sites.correlation import LEAST_HYBRIDS, level_free, means_frame
from culmbook.sites.two_stage import SiteMeans, fit_two_stage
from culmbook.text.numbers import fmt_interval, fmt_list, fmt_number, fmt_share
from culmbook.text.refusal import Refusal
from culmbook.text.words import is_are, n_of

LEAST_COMMON = 3
"""Hybrids that the site and the others must have in common to be set side by side."""
OTHERS = "the other sites"
_DRAWS = 400


@dataclass(frozen=True)
class SiteAgreement:
    """One site against all others.

    Attributes
    ----------
    site : str
    others : list of str
    table : DataFrame
        ``hybrid, own, own_lower, own_upper, rest, rest_lower, rest_upper, difference, lower, upper,
        apart``: the site's mean, what the others predict, and own less rest, each less the mean
        over the hybrids compared, on the scale of the means. Limits of ``own`` and ``rest`` hold
        one by one, those of the difference for all hybrids at once; ``apart`` is ``'higher'``,
        ``'lower'`` or blank. Largest difference first.
    correlation, lower, upper : float
        Between the hybrids' true values at the site and their lasting values elsewhere; missing
        where ``why_not`` says why. An order that is turned round shows as 0, or little under it
        where seasons in common were taken off.
    seen : float
        Correlation of the means as they are seen, errors included.
    why_not : str
    weight : float
        Mean share of the site in what the network says of the hybrids that stand there, 0 to 1.
    even : float
        What it would be if all sites weighed the same for them.
    """

    site: str
    others: list
    table: pd.DataFrame = field(repr=False)
    correlation: float
    lower: float
    upper: float
    seen: float
    why_not: str
    weight: float
    even: float


@in_words(after="So this site is not set beside the others.")
def fit_site_agreement(
    sites: list[SiteMeans],
    site: str,
    controls=(),
    groups: pd.Series | None = None,
    *,
    shared: pd.DataFrame | None = None,
    level: float = 0.95,
) -> SiteAgreement:
    """Set a site's means beside what all other sites predict of its hybrids.

    Parameters
    ----------
    sites : list of SiteMeans
        All sites of the network, from :func:`culmbook.sites.two_stage.site_means`.
    site : str
        The one to look at.
    controls, groups
        As in :func:`culmbook.sites.two_stage.fit_two_stage`.
    shared : DataFrame, optional
        From :func:`culmbook.sites.correlation.shared_seasons`.
    level : float
        Coverage of the limits, 0 to 1.

    Returns
    -------
    SiteAgreement

    Raises
    ------
    ValueError
        The only site, a site without means, fewer than three hybrids in common with the others, and
        as :func:`culmbook.sites.two_stage.fit_two_stage` for the others.

    Notes
    -----
    The others' prediction is the best linear unbiased one of the lasting value; with one other
    site, that site's own means. A difference has the error covariances of both, and limits for all
    hybrids at once from the largest of correlated normal values, variances as known. The
    correlation is that of a model with a common part and a variance at either place, from the
    site's means and the others' means by generalised least squares, errors known. As it cannot be
    over 1, its estimate is low on average where little is known: by 0.07 in simulated networks of
    24 hybrids at 4 sites (``tests/known_truth_sites.py``).

    References
    ----------
    Hothorn, Bretz & Westfall (2008) Biometr. J. 50:346-363 for the limits.
    """
    own, others = _apart(sites, site)
    rest = fit_two_stage(others, controls, groups) if len(others) > 1 else None
    table = _side_by_side(own, rest, others, level)
    pair = [own, _rest_means(others, rest, shared)]
    between = 0.0
    if shared is not None:
        names = [s.site for s in others]
        between = shared.reindex(index=[site], columns=names).fillna(0.0).to_numpy().mean()
    *correlation, why_not = pair_correlation(pair, controls, groups, shared=between, level=level)
    weights = fit_two_stage(sites, controls, groups).weights
    weights = weights[weights[site].notna()]
    weight = (weights[site] / weights.sum(axis=1)).mean()
    return SiteAgreement(
        site,
        [s.site for s in others],
        table,
        *correlation,
        seen=float(
            table["own"].corr(pair[1].means.reindex(table["hybrid"]).reset_index(drop=True))
        ),
        why_not=why_not,
        weight=float(weight),
        even=float((1 / weights.notna().sum(axis=1)).mean()),
    )


def _apart(sites, site):
    own = [s for s in sites if s.site == site]
    others = [s for s in sites if s.site != site]
    if not own:
        raise ValueError(f"site {site} has no yield of an established stand")
    if not others:
        raise ValueError(
            f"site {site} is the only one with means: there is no network to agree with"
        )
    return own[0], others


def _side_by_side(own, rest, others, level):
    values = others[0].means if rest is None else rest.values
    errors = others[0].covariance if rest is None else rest.covariance
    both = [h for h in own.hybrids if h in values.index]
    if len(both) < LEAST_COMMON:
        raise ValueError(
            f"site {own.site} has {n_of(len(both), 'hybrid')} in common with the other sites: it takes "
            f"{LEAST_COMMON} to set them side by side"
        )
    centre = np.eye(len(both)) - 1 / len(both)
    table = pd.DataFrame({"hybrid": both})
    covariances = []
    for name, mean, error in (("own", own.means, own.covariance), ("rest", values, errors)):
        covariances.append(centre @ error.loc[both, both].to_numpy() @ centre)
        table[name] = centre @ mean[both].to_numpy()
        reach = stats.norm.ppf(0.5 + level / 2) * np.sqrt(np.diag(covariances[-1]))
        table[f"{name}_lower"], table[f"{name}_upper"] = table[name] - reach, table[name] + reach
    together = np.quantile(simultaneous_draws(sum(covariances), np.inf), level)
    reach = together * np.sqrt(np.diag(sum(covariances)))
    table["difference"] = table["own"] - table["rest"]
    table["lower"], table["upper"] = table["difference"] - reach, table["difference"] + reach
    table["apart"] = np.select([table["lower"] > 0, table["upper"] < 0], ["higher", "lower"], "")
    order = table["difference"].abs().sort_values(ascending=False, kind="stable").index
    return table.loc[order].reset_index(drop=True)


def _rest_means(others, rest, shared):
    """Means over the other sites, hybrids fixed, with the covariance of their errors."""
    if rest is None:
        return SiteMeans(OTHERS, others[0].means, others[0].covariance)
    information, right = np.zeros((len(rest.hybrids),) * 2), np.zeros(len(rest.hybrids))
    for s in others:
        places = pd.Index(rest.hybrids).get_indexer(s.hybrids)
        own = s.covariance.to_numpy() + rest.variances["hybrid_site"] * np.eye(len(places))
        w = level_free(own)
        information[np.ix_(places, places)] += w
        right[places] += w @ s.means.to_numpy()
    errors = np.linalg.pinv(information, hermitian=True)
    means = errors @ right
    errors += np.diag(errors).mean()  # of the level, which nothing tells
    errors += np.eye(len(means)) * _common_among(shared, [s.site for s in others])
    errors = pd.DataFrame(errors, rest.hybrids, rest.hybrids)
    return SiteMeans(OTHERS, pd.Series(means, rest.hybrids), errors)


def _common_among(shared, names):
    """Mean covariance between two of the sites from seasons in common, which a mean over sites
    keeps.
    """
    if shared is None:
        return 0.0
    values = shared.reindex(index=names, columns=names).fillna(0.0).to_numpy()
    return (values.sum() - np.trace(values)) / (len(names) * (len(names) - 1))


def pair_correlation(
    pair: list[SiteMeans], controls=(), groups=None, *, shared: float = 0.0, level: float = 0.95
) -> tuple:
    """Correlation of what is true of the candidates at two places, and why there is none.

    Parameters
    ----------
    pair : list of SiteMeans
        Two.
    controls, groups
        As in :func:`culmbook.sites.two_stage.fit_two_stage`.
    shared : float
        Covariance of the means from seasons in common.
    level : float
        Coverage of the limits.

    Returns
    -------
    tuple
        Correlation, lower and upper limit, and a reason; missing where the reason is not blank.

    Raises
    ------
    Refusal
        A model that does not settle.
    """
    both = set(pair[0].hybrids) & set(pair[1].hybrids) - set(controls)
    if len(both) < LEAST_HYBRIDS:
        had = f"{n_of(len(both), 'candidate')} in common with the other sites"
        return *[np.nan] * 3, f"{had}, and a correlation takes {LEAST_HYBRIDS}"
    frame, design = means_frame(pair, controls, groups)
    terms = ["hybrid", over("hybrid", "site", "diagonal")]
    fit = fit_gaussian(frame, "mean", design, terms, known_variance="known")
    if fit.verdict != CONVERGED:
        raise Refusal(f"The model of the sites' means has {fit.verdict}.")

    def correlation(common, own, other):
        size = np.sqrt((common + own) * (common + other))
        return np.clip((common - shared) / size, -1, 1)

    if fit.variances.sum() <= 0:
        return *[np.nan] * 3, "the hybrids show no differences that last, here or elsewhere"
    middle = correlation(*fit.variances)
    try:
        drawn = correlation(*draws(fit, _DRAWS, 1, _DRAWS).parameters.to_numpy().T)
    except ValueError:  # the data say next to nothing of the variances
        return middle, np.nan, np.nan, ""
    _, low, high = limits(drawn, level)
    return middle, min(low, middle), max(high, middle), ""


def agreement_words(found: SiteAgreement, *, level: float = 0.95) -> str:
    """Say how far the site agrees, who stands apart, and what the site weighs.

    Parameters
    ----------
    found : SiteAgreement
        Of log yields; differences are given in percent of what is expected.
    level : float
        Coverage of the limits.

    Returns
    -------
    str
    """
    others = "site" if len(found.others) == 1 else "sites"
    return " ".join(
        [
            f"{n_of(len(found.table), 'hybrid')} of {found.site} also stand at the other {others} "
            f"({fmt_list(found.others)}).",
            _correlation_words(found),
            _apart_words(found, level),
            f"Of the weight behind the network's answer on them this site has {fmt_share(found.weight)}; "
            f"if all sites weighed the same it would be {fmt_share(found.even)}.",
        ]
    )


def _correlation_words(found):
    if found.why_not:
        return f"No correlation is given: {found.why_not}."
    is_one = len(found.others) == 1
    there = "what they give there" if is_one else "what lasts of them elsewhere"
    alike = "on the whole" if found.correlation >= 0.7 else "only partly"
    alike = "much" if found.lower >= 0.7 else alike if found.lower > 0 else "not clearly"
    limits = f"{fmt_number(found.lower, 2)}–{fmt_number(found.upper, 2)}"
    return (
        f"{found.site} ranks hybrids {alike} like the other {'site' if is_one else 'sites'} "
        f"({fmt_number(found.correlation, 2)}; {limits}), by what candidates truly give here and {there}. The "
        f"means of all hybrids as seen, errors included, correlate with {fmt_number(found.seen, 2)}."
    )


def _apart_words(found, level):
    own = found.table[found.table["apart"] != ""]
    sure = f"{fmt_share(level)} limits for all hybrids at once"
    if own.empty:
        return f"No hybrid stands clearly apart ({sure})."
    shares = np.expm1(own[["difference", "lower", "upper"]])
    named = [
        f"{row.hybrid} {row.apart} than expected ({fmt_share(row.difference)}, limits "
        f"{fmt_interval(row.lower, row.upper)})"
        for row in own.assign(**shares).itertuples()
    ]
    return (
        f"{n_of(len(own), 'hybrid')} {is_are(len(own), 'stands', 'stand')} clearly apart, with {sure}: "
        f"{fmt_list(named, 8)}."
    )
