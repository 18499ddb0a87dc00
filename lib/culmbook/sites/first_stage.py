"""First of two stages: adjusted means of each site's hybrids over its seasons, from plots or from outside."""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from culmbook.consistency.model import SCALES, random_terms
from culmbook.mixed import CONVERGED, fit_gaussian
from culmbook.spatial.trend import BLOCKS, trend_terms
from culmbook.text.numbers import fmt_list
from culmbook.trials.connected import refuse_disconnected

OUTSIDE = "given from outside"
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
        What was taken out of the field, or that the means came from outside.
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
        From :func:`culmbook.consistency.model.season_records`, of one site or more; for a trend with the plots'
        ``row, column`` (:func:`culmbook.spatial.trend.with_places`).
    trend : str or dict
        What is taken out of the field, by site where it differs: ``'blocks'`` the layout alone, or a kind of
        :func:`culmbook.spatial.trend.trend_terms`.

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
    fit, weights = fit_site(own, kind)
    rows = weights.to_numpy()
    covariance = rows @ fit.covariance.to_numpy() @ rows.T
    means = pd.Series(rows @ fit.coefficients.to_numpy(), index=weights.index, name="mean")
    return SiteMeans(site, means, pd.DataFrame(covariance, weights.index, weights.index), kind)


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
    conditions = (
        pd.get_dummies(own["condition"], dtype=float).sort_index(axis=1).add_prefix("condition ")
    )
    names = list(hybrids.columns)
    hybrids = hybrids.add_prefix("hybrid ").iloc[:, 1:]
    share = np.full((len(names), conditions.shape[1]), 1 / conditions.shape[1])
    weights = pd.DataFrame(
        np.hstack([share, np.eye(len(names))[:, 1:]]),
        names,
        [*conditions.columns, *hybrids.columns],
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
    _refuse(
        frame,
        frame.duplicated(["site", "hybrid"], keep=False),
        "a hybrid has several means at one site",
    )
    counts = frame.groupby("site")["hybrid"].transform("size")
    _refuse(frame, counts < 2, "a site with one hybrid has nothing to compare it with")


def _refuse(frame, bad, what):
    if bad.any():
        rows = fmt_list([f"row {i} ({r.site}, {r.hybrid})" for i, r in frame[bad].iterrows()], 5)
        raise ValueError(f"means from outside: {what}: {rows}")
