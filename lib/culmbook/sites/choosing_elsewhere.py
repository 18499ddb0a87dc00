"""What is gained at a site by hybrids that were chosen at another?"""

import numpy as np
import pandas as pd

from culmbook.sites.correlation import SiteCorrelation

ALL_SITES = "all sites"


def choosing_elsewhere(found: SiteCorrelation) -> pd.DataFrame:
    """Gain at a site by choosing at another, over that by choosing at the site itself.

    Parameters
    ----------
    found : SiteCorrelation

    Returns
    -------
    DataFrame
        ``grown_at, chosen_at, correlation, accuracy, own_accuracy, efficiency``: ``accuracy`` is the
        correlation between mean and truth of hybrids at the site where they are chosen, ``own_accuracy``
        at the site where they are to grow; ``chosen_at`` is also ``'all sites'``, the mean over all. Over 1
        the other place chooses better for the site than its own trial. Missing where a site has no
        variance.

    Notes
    -----
    ``r_st h_t / h_s``, as many chosen of as many candidates. ``h^2`` is the site's genetic variance over that
    plus half the mean variance of a difference of its means. All sites are taken as a further place, the
    mean of all with the same weight.

    References
    ----------
    Falconer & Mackay (1996) Introduction to Quantitative Genetics, ch. 19, eq. 19.6 for correlated response.
    """
    g, names = found.covariance.to_numpy(), list(found.covariance.index)
    error = np.array([_error(s.covariance.to_numpy()) for s in found.sites])
    together = g.mean(), error.sum() / len(names) ** 2
    places = [(name, g[:, t], g[t, t], error[t]) for t, name in enumerate(names)]
    places.append((ALL_SITES, g.mean(axis=1), *together))
    rows = []
    for s, grown in enumerate(names):
        own = _ratio(g[s, s], g[s, s] + error[s])
        for chosen, shared, variance, noise in places:
            if chosen != grown:
                r = _ratio(shared[s], np.sqrt(g[s, s] * variance))
                accuracy = _ratio(variance, variance + noise)
                rows.append(
                    (grown, chosen, r, accuracy**0.5, own**0.5, _ratio(r * accuracy**0.5, own**0.5))
                )
    columns = ["grown_at", "chosen_at", "correlation", "accuracy", "own_accuracy", "efficiency"]
    return pd.DataFrame(rows, columns=columns)


def _ratio(part, whole):
    return float(part / whole) if whole > 0 else np.nan


def _error(covariance):
    """Half the mean variance of a difference of two means."""
    n = len(covariance)
    return (np.trace(covariance) - covariance.sum() / n) / (n - 1)
