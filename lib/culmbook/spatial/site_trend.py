"""Which trend suits the field of a site over all its seasons, where the same plots are cut again and again?

A lasting trend is soil; a trend of one season is that season's weather, water and wear. Both are in each
candidate, and each has a variance of its own.
"""

from dataclasses import dataclass, field

import pandas as pd

from culmbook.sites.first_stage import fit_site
from culmbook.spatial.choice import CANDIDATES, compare_fits
from culmbook.spatial.trend import BLOCKS


@dataclass(frozen=True)
class SiteTrend:
    """Candidates for one site over its seasons.

    Attributes
    ----------
    chosen : str
        The candidate with the least criterion of Akaike.
    table : DataFrame
        From :func:`culmbook.spatial.choice.compare_fits`; what is left out in turn is a plot with all its
        seasons.
    refused : dict of str to str
        Why a candidate could not be fitted.
    means : dict of str to Series
        Mean of each hybrid by candidate, on the scale of the records.
    """

    chosen: str
    table: pd.DataFrame = field(repr=False)
    refused: dict[str, str]
    means: dict[str, pd.Series] = field(repr=False)


def choose_site_trend(records: pd.DataFrame, candidates=CANDIDATES) -> SiteTrend:
    """Fit one site over its seasons with each trend and choose among them.

    Parameters
    ----------
    records : DataFrame
        One site's records from :func:`culmbook.spatial.trend.trial_records`.
    candidates : sequence of str
        Of :data:`culmbook.spatial.trend.KINDS`; blocks only is always among them.

    Returns
    -------
    SiteTrend
        ``chosen`` may be handed to :func:`culmbook.sites.first_stage.site_means` as the site's trend.

    Raises
    ------
    ValueError
        Records of several sites, or blocks only cannot be fitted.

    Notes
    -----
    Hybrids and conditions (trial x season x treatment) are fixed in every candidate, so restricted
    likelihoods may be compared. The choice rests on the plots that the means come from and flatters the
    chosen model a little.
    """
    if records["site"].nunique() != 1:
        raise ValueError("the records are of several sites: give one site at a time")
    own = records.reset_index(drop=True)
    fits, refused = {BLOCKS: fit_site(own, BLOCKS)}, {}
    for kind in (k for k in candidates if k != BLOCKS):
        try:
            fits[kind] = fit_site(own, kind)
        except ValueError as error:
            refused[kind] = str(error)
    table = compare_fits(fits, own["plot"])
    means = {
        kind: weights @ fit.coefficients[weights.columns] for kind, (fit, weights) in fits.items()
    }
    return SiteTrend(table["aic"].idxmin(), table, refused, means)
