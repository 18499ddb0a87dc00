"""Which sites rank the hybrids alike?"""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy.cluster import hierarchy
from scipy.spatial.distance import squareform

from culmbook.sites.correlation import ALIKE, SiteCorrelation
from culmbook.text.numbers import fmt_list, fmt_number
from culmbook.text.words import n_of

HALF_IN_COMMON = 0.71
"""Mean correlation of sites in one group: half of the hybrids' variance is common (common practice)."""
AS_GOOD = 2.0
"""Difference of Akaike's criterion up to which the simpler covariance describes the data as well."""


@dataclass(frozen=True)
class SiteGroups:
    """Groups of sites that rank the hybrids alike.

    ``groups`` number by site, from 1, the group with most sites first; ``between`` mean correlation within
    (diagonal) and between groups, missing within a group of one site; ``least`` the mean correlation that
    sites of a group must have; ``merges`` the tree of average linkage, None where none was made; ``why`` the
    answer in a sentence.
    """

    groups: pd.Series
    between: pd.DataFrame
    least: float
    merges: np.ndarray | None = field(repr=False)
    why: str


def site_groups(found: SiteCorrelation, *, least: float = HALF_IN_COMMON) -> SiteGroups:
    """Group sites that rank the hybrids alike.

    Parameters
    ----------
    found : SiteCorrelation
    least : float
        Mean correlation that joins two groups, over 0, under 1. At 0.71 half of the hybrids' variance is
        common.

    Returns
    -------
    SiteGroups
        One group where a single correlation for all pairs fits as well as any other covariance: then nothing
        singles out sites that belong together, whatever that correlation is.

    Raises
    ------
    ValueError
        ``least`` outside its range, two sites only, or a site without variance.

    Notes
    -----
    A single correlation fits as well where its criterion is at most :data:`AS_GOOD` over the best. Otherwise
    average linkage on ``1 - r``, cut at ``1 - least``: groups are joined as long as the mean correlation
    between their sites is at least ``least``. The correlations are estimates; sites near the cut may fall
    on either side of it, and ``why`` counts the pairs of different groups whose limits reach it.

    References
    ----------
    Burnham & Anderson (2002) Model Selection and Multimodel Inference, section 2.6, for differences of the
    criterion; Sokal & Michener (1958) Univ. Kansas Sci. Bull. 38:1409-1438 for average linkage.
    """
    if not 0 < least < 1:
        raise ValueError(f"least = {least}: it must lie between 0 and 1")
    correlation = found.correlation
    if len(correlation) < 3:
        raise ValueError("two sites make no groups: their correlation says it all")
    if correlation.isna().any(axis=None):
        flat = correlation.index[np.isnan(np.diag(correlation))]
        raise ValueError(
            f"no lasting differences of hybrids were found at {fmt_list(list(flat))}: no groups can be made"
        )
    if is_alike(found):
        number, merges = np.ones(len(correlation), int), None
    else:
        distance = np.maximum(1 - (correlation.to_numpy() + correlation.to_numpy().T) / 2, 0.0)
        merges = hierarchy.linkage(squareform(distance, checks=False), "average")
        number = _by_size(hierarchy.fcluster(merges, 1 - least, "distance"))
    groups = pd.Series(number, correlation.index, name="group")
    why = _words(found, groups, least)
    return SiteGroups(groups, _between(correlation, groups), least, merges, why)


def _by_size(number):
    """Number groups anew, the largest first, ties by their first site."""
    codes, first, counts = np.unique(number, return_index=True, return_counts=True)
    order = codes[np.lexsort((first, -counts))]
    return np.array([int(np.flatnonzero(order == n)[0]) + 1 for n in number])


def _between(correlation, groups):
    values = correlation.to_numpy().copy()
    np.fill_diagonal(values, np.nan)
    names = sorted(groups.unique())
    rows = [[_mean(values[np.ix_(groups == a, groups == b)]) for b in names] for a in names]
    return pd.DataFrame(rows, names, names)


def _mean(values):
    return np.nanmean(values) if np.isfinite(values).any() else np.nan


def is_alike(found: SiteCorrelation) -> bool:
    """Does one correlation for all pairs of sites fit as well as any other covariance?"""
    return ALIKE in found.comparison.index and found.comparison.loc[ALIKE, "above_best"] <= AS_GOOD


def _words(found, groups, least):
    n, sites, cut = groups.nunique(), n_of(len(groups), "site"), fmt_number(least, 2)
    if is_alike(found):
        return (
            f"One group: no other covariance of the {sites} describes the data clearly better than a single "
            "correlation for all pairs, so no sites are told apart as a group."
        )
    if n == 1:
        return (
            f"One group: the {sites} rank the hybrids alike (mean correlation of at least {cut})."
        )
    if n == len(groups):
        words = (
            f"No two of the {sites} have a correlation of {cut} or more: each ranks in its own way."
        )
    else:
        parts = [fmt_list(list(groups.index[groups == g]), 8) for g in sorted(groups.unique())]
        words = f"{n_of(n, 'group')}, joined at a mean correlation of at least {cut}: {'; '.join(parts)}."
    return words + _unclear_words(found.pairs, groups, least)


def _unclear_words(pairs, groups, least):
    apart = pairs[pairs["site"].map(groups) != pairs["other"].map(groups)]
    unclear = int((apart["upper"] >= least).sum())
    if not unclear:
        return ""
    of = "the one pair" if len(apart) == 1 else f"{unclear} of the {len(apart)} pairs"
    return (
        f" For {of} of sites in different groups the limits reach {fmt_number(least, 2)}: those may belong "
        "together."
    )
