"""First of two stages: adjusted means of each site's hybrids over its seasons."""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from culmbook.consistency.model import random_terms
from culmbook.mixed import CONVERGED, fit_gaussian
from culmbook.spatial.trend import BLOCKS, trend_terms
from culmbook.text.refusal import Refusal
from culmbook.trials.entries import refuse_disconnected

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
    trend : str
        What was taken out of the field.
    """

    site: str
    means: pd.Series = field(repr=False)
    covariance: pd.DataFrame = field(repr=False)
    trend: str = BLOCKS

    @property
    def hybrids(self) -> list[str]:
        return list(self.means.index)


def site_means(records: pd.DataFrame, *, trend: str | dict = BLOCKS) -> list[SiteMeans]:
    """First stage: adjusted means of every site over all its seasons, with their full covariance.

    Parameters
    ----------
    records : DataFrame
        From :func:`culmbook.consistency.model.season_records`, of one site or more; for a trend
        with the plots' ``row, column`` (:func:`culmbook.spatial.trend.with_places`).
    trend : str or dict
        What is taken out of the field, by site where it differs: ``'blocks'`` the layout alone, or
        a kind of :func:`culmbook.spatial.trend.trend_terms`.

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
        kind = trend.get(site, BLOCKS) if isinstance(trend, dict) else trend
        try:
            fit, weights = fit_site(own.reset_index(drop=True), kind)
        except ValueError as why:
            raise Refusal(f"Site {site}: {str(why).rstrip('.')}.") from None
        rows, names = weights.to_numpy(), weights.index
        means = pd.Series(rows @ fit.coefficients.to_numpy(), index=names, name="mean")
        covariance = pd.DataFrame(rows @ fit.covariance.to_numpy() @ rows.T, names, names)
        found.append(SiteMeans(site, means, covariance, kind))
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
    design, weights = _site_design(own)
    terms = [t for t in random_terms(own, ("hybrid", *_SITE_TERMS)) if t != "hybrid"]
    added = trend_terms(own, kind, fixed=design, random=terms)
    design = pd.concat([design, added.fixed], axis=1)
    weights = weights.reindex(
        columns=design.columns, fill_value=0.0
    )  # a trend has mean zero over its trial
    if len(own) - design.shape[1] < LEAST_DF:
        raise ValueError(
            f"{len(own)} records and {design.shape[1]} fixed effects leave fewer than {LEAST_DF} degrees of "
            "freedom for the error: without hybrids that stand twice nothing tells how sure a mean is"
        )
    fit = fit_gaussian(own, "response", design, [*terms, *added.terms], residual=added.residual)
    if fit.verdict != CONVERGED:
        raise ValueError(f"the model of its means has {fit.verdict}")
    return fit, weights


def _site_design(own):
    """Fixed columns of one site, and the weights that make a hybrid's mean of them."""
    hybrids = pd.get_dummies(own["hybrid"].astype(str), dtype=float).sort_index(axis=1)
    conditions = pd.get_dummies(own["condition"], dtype=float).sort_index(axis=1)
    names, n = list(hybrids.columns), conditions.shape[1]
    hybrids = hybrids.add_prefix("hybrid ").iloc[:, 1:]
    design = pd.concat([conditions.add_prefix("condition "), hybrids], axis=1)
    weights = np.hstack([np.full((len(names), n), 1 / n), np.eye(len(names))[:, 1:]])
    return design, pd.DataFrame(weights, names, design.columns)
