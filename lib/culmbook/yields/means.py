"""What does each hybrid give on average, and does it beat the control?

One measured quantity per plot of one season (yield, moisture, height, ash …), hybrids and growing conditions
fixed, and everything the plots were laid out in random. Means are those of the conditions weighed alike.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from culmbook.mixed import CONVERGED, GaussianFit, compare_together, fit_gaussian
from culmbook.trials.layout import add_strata

LEAST_DF = 3


@dataclass(frozen=True)
class MeansFit:
    """A fitted model of means.

    ``fit`` the mixed model; ``weights`` one row per hybrid and one column per coefficient, whose product with
    the coefficients is the hybrid's mean; ``n_plots`` by hybrid; ``response`` its column; ``terms`` the
    random terms.
    """

    fit: GaussianFit
    weights: pd.DataFrame
    n_plots: pd.Series
    response: str
    terms: list

    @property
    def hybrids(self) -> list[str]:
        return list(self.weights.index)


def fit_means(frame: pd.DataFrame, response: str, trend=None) -> MeansFit:
    """Fit the means of the hybrids.

    Parameters
    ----------
    frame : DataFrame
        One row per plot: ``site, trial, replicate, block, main_plot, plot, hybrid, planting_method, film``
        and the response; plots without a response are not used. Blocks and main plots may be missing.
    response : str
        Column, in any unit.
    trend : callable, optional
        Called with the plots used and the model's ``fixed`` columns and ``random`` terms, as
        :func:`culmbook.spatial.trend.trend_terms` is; gives what a trend over the field adds to them.

    Returns
    -------
    MeansFit
        In one trial, replicates and planting treatments are fixed; over several trials or sites, each trial x
        treatment is, and hybrid x trial and replicates are random. Blocks, main plots and hybrid x treatment
        are random.

    Raises
    ------
    ValueError
        A plot twice, fewer than two hybrids, fewer than three degrees of freedom for the error, hybrids that
        share no condition, or a search that does not settle.
    """
    used = frame[frame[response].notna()]
    if used.duplicated(["site", "plot"]).any():
        raise ValueError("a plot has several rows: give one season at a time")
    if used["hybrid"].nunique() < 2:
        raise ValueError(
            f"{response} was observed in fewer than two hybrids: there is nothing to compare"
        )
    cells = add_strata(used)
    cells["place"] = cells["site"].astype(str) + ":" + cells["trial"].astype(str)
    cells["condition"] = cells["place"] + ": " + cells["treatment"]
    cells["hybrid_place"] = cells["hybrid"].astype(str) + ":" + cells["place"]
    design, weights = _design(cells, cells["place"].nunique() > 1)
    if len(cells) - design.shape[1] < LEAST_DF:
        raise ValueError(
            f"{len(cells)} plots with {response} leave fewer than {LEAST_DF} degrees of "
            "freedom for the error"
        )
    terms, residual = _random_terms(cells), True
    if trend is not None:
        lines, more, residual = trend(cells, fixed=design, random=terms)
        design, terms = pd.concat([design, lines], axis=1), [*terms, *more]
    fit = fit_gaussian(cells, response, design, terms, residual=residual)
    if fit.verdict != CONVERGED:
        raise ValueError(f"the model of {response} has {fit.verdict}")
    return MeansFit(fit, weights, cells.groupby("hybrid").size(), response, terms)


def _design(cells, is_wide):
    """Columns of the fixed part, and the weights that make a hybrid's mean of them."""
    hybrids = pd.get_dummies(cells["hybrid"], dtype=float).sort_index(axis=1).add_prefix("hybrid ")
    factors = ["condition"] if is_wide else ["replicate_key", "treatment"]
    names = [name.removeprefix("hybrid ") for name in hybrids.columns]
    columns, weights = [hybrids], [pd.DataFrame(np.eye(len(names)), names, hybrids.columns)]
    for factor in factors:
        dummies = (
            pd.get_dummies(cells[factor], dtype=float).sort_index(axis=1).add_prefix(f"{factor} ")
        )
        levels = cells[[factor, "site"]].drop_duplicates().set_index(factor)["site"].sort_index()
        share = 1 / levels.groupby(levels).transform("size") / levels.nunique()
        columns.append(dummies.iloc[:, 1:])
        weights.append(
            pd.DataFrame(np.tile(share.to_numpy(), (len(names), 1)), names, dummies.columns).iloc[
                :, 1:
            ]
        )
    return pd.concat(columns, axis=1), pd.concat(weights, axis=1)


def _random_terms(cells):
    """Random terms that the layout supports; no two of the same partition, none that the fixed part
    determines."""
    is_wide = cells["place"].nunique() > 1
    candidates = ["hybrid_place", "replicate_key"] if is_wide else []
    candidates += ["main_plot_key", "block_key"]
    if not is_wide and cells["treatment"].nunique() > 1:
        candidates.append("hybrid_treatment")
    fixed = (
        ["condition", "replicate_key", "hybrid"]
        if not is_wide
        else ["condition", "place", "hybrid"]
    )
    seen, kept = {_partition(cells[f]) for f in fixed}, []
    for term in candidates:
        partition = _partition(cells[term])
        if partition not in seen and 1 < cells[term].nunique() < len(cells):
            seen.add(partition)
            kept.append(term)
    return kept


def _partition(column):
    return tuple(pd.factorize(column)[0])


def hybrid_means(means: MeansFit, *, level: float = 0.95, contrasts=None) -> pd.DataFrame:
    """Mean of each hybrid with its interval.

    Parameters
    ----------
    means : MeansFit
    level : float
        Confidence of each interval, 0-1.
    contrasts : callable, optional
        Makes the intervals, for example :func:`culmbook.mixed.kenward_roger_contrasts`; called with fit,
        weights and level.

    Returns
    -------
    DataFrame
        ``hybrid, n_plots, mean, lower, upper``, highest first; by default t intervals with Satterthwaite's
        degrees of freedom, in the unit of the response.
    """
    own = contrasts or type(means.fit).contrast
    table = own(means.fit, means.weights, level)
    out = pd.DataFrame(
        {
            "hybrid": means.hybrids,
            "n_plots": means.n_plots[means.hybrids].to_numpy(),
            "mean": table["estimate"].to_numpy(),
            "lower": table["lower"].to_numpy(),
            "upper": table["upper"].to_numpy(),
        }
    )
    return out.sort_values(["mean", "hybrid"], ascending=[False, True], ignore_index=True)


def against_control(
    means: MeansFit, control: str, *, level: float = 0.95, together: bool = True
) -> pd.DataFrame:
    """Differences of every hybrid's mean from the control's.

    Parameters
    ----------
    means : MeansFit
    control : str
        A hybrid of the fit.
    level : float
        Confidence that all intervals hold at once (or each, if not ``together``), 0-1.
    together : bool

    Returns
    -------
    DataFrame
        ``hybrid, n_plots, mean, difference, lower, upper``, highest difference first.

    Raises
    ------
    ValueError
        The control has no plot here.

    Notes
    -----
    The common critical value is that of correlated t statistics (Dunnett's, for any layout), with the least
    of the differences' degrees of freedom.

    References
    ----------
    Dunnett (1955) J. Am. Stat. Assoc. 50:1096-1121; Hothorn, Bretz & Westfall (2008) Biometr. J. 50:346-363.
    """
    others = [h for h in means.hybrids if h != control]
    if control not in means.hybrids:
        raise ValueError(
            f"the control {control!r} has no plot with {means.response} here, so nothing can "
            "be compared with it"
        )
    rows = means.weights.loc[others] - means.weights.loc[control]
    table = (
        compare_together(means.fit, rows, level) if together else means.fit.contrast(rows, level)
    )
    own = means.weights.loc[others].to_numpy() @ means.fit.coefficients[rows.columns].to_numpy()
    out = pd.DataFrame(
        {
            "hybrid": others,
            "n_plots": means.n_plots[others].to_numpy(),
            "mean": own,
            "difference": table["estimate"].to_numpy(),
            "lower": table["lower"].to_numpy(),
            "upper": table["upper"].to_numpy(),
        }
    )
    return out.sort_values(["difference", "hybrid"], ascending=[False, True], ignore_index=True)
