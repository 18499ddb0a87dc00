"""Which trend suits a field, what taking it out gains, and what each choice makes of the hybrids'
means.

Hybrids are fixed in every candidate: their adjusted means are wanted as they are, not drawn
together, and each candidate has to be judged by the same means. Replicates and planting treatments
are fixed and blocks and main plots random in every candidate too, so that candidates differ in the
trend alone.
"""

from dataclasses import dataclass, field
from functools import partial

import numpy as np
import pandas as pd

from culmbook.mixed import (
    MOST_RECORDS,
    compare,
    enlarged_covariance,
    kenward_roger_contrasts,
    left_out,
)
from culmbook.spatial.trend import BLOCKS, ROWS_COLUMNS, SURFACE, SURFACE_ROWS_COLUMNS, trend_terms
from culmbook.text.refusal import Refusal
from culmbook.yields.means import MeansFit, fit_means, hybrid_means

CANDIDATES = (BLOCKS, ROWS_COLUMNS, SURFACE, SURFACE_ROWS_COLUMNS)
"""Trends that are compared unless others are named."""


@dataclass(frozen=True)
class TrendChoice:
    """Candidates for one trial in one season.

    Attributes
    ----------
    fits : dict of str to MeansFit
        By candidate, in order; hybrids' means are ``hybrid_means(fits[kind])``.
    refused : dict of str to str
        Why a candidate could not be fitted.
    table : DataFrame
        From :func:`compare_fits`.
    chosen : str
        The candidate chosen.
    """

    fits: dict[str, MeansFit] = field(repr=False)
    refused: dict[str, str]
    table: pd.DataFrame = field(repr=False)
    chosen: str


def choose_trend(records: pd.DataFrame, candidates=CANDIDATES) -> TrendChoice:
    """Fit one trial and season with each trend and choose among them.

    Parameters
    ----------
    records : DataFrame
        One trial's plots in one season, from :func:`culmbook.spatial.trend.trial_records`.
    candidates : sequence of str
        Of :data:`culmbook.spatial.trend.KINDS`; blocks only is always among them.

    Returns
    -------
    TrendChoice
        The candidate with the least criterion of Akaike.

    Raises
    ------
    ValueError
        Blocks only cannot be fitted: fewer than two hybrids, too few plots, no settled search.

    Notes
    -----
    All candidates have the same fixed part, so their restricted likelihoods may be compared; each
    variance and correlation counts as a parameter. Prediction of left-out plots, the other way to
    choose, takes a trend for real more often where there is none. Choosing makes the chosen model
    look a little better than it is.

    References
    ----------
    Akaike (1974) IEEE Trans. Autom. Control 19:716-723.
    """
    fits, refused = {BLOCKS: fit_means(records, "response")}, {}
    for kind in (k for k in candidates if k != BLOCKS):
        try:
            fits[kind] = fit_means(records, "response", partial(trend_terms, kind=kind))
        except ValueError as error:
            refused[kind] = str(error)
    table = compare_fits(fits)
    return TrendChoice(fits, refused, table, table["aic"].idxmin())


@dataclass(frozen=True)
class FieldModels:
    """Trends of all trials of a site in one season.

    Attributes
    ----------
    fits : dict of (str, str) to MeansFit
        By trial and model.
    table : DataFrame
        ``trial, model``, the columns of :func:`compare_fits`, ``se`` (root of
        ``difference_variance``) and ``is_chosen``.
    chosen : dict of str to str
        By trial, the model chosen.
    other : dict of str to str
        By trial, the trend shown beside blocks only: the chosen one, else the next best; trials
        with blocks only are left out.
    refused : DataFrame
        ``trial, model, reason``; a trial that no model can be fitted to has the model 'blocks'.
    """

    fits: dict[tuple[str, str], MeansFit] = field(repr=False)
    table: pd.DataFrame
    chosen: dict[str, str]
    other: dict[str, str]
    refused: pd.DataFrame

    def means(self, level: float = 0.95) -> pd.DataFrame:
        """Means of the hybrids under every model: ``trial, model, hybrid, n_plots, mean, lower,
        upper``.

        Exponentials of means of the log response: what the middle plot gives, in the response's
        unit.
        """
        frames = []
        for (trial, model), means in self.fits.items():
            own = hybrid_means(means, level=level, contrasts=contrasts)
            back = {name: np.exp(own[name]) for name in ("mean", "lower", "upper")}
            frames.append(own.assign(trial=trial, model=model, **back))
        return pd.concat(frames, ignore_index=True)

    def left_out(self) -> pd.DataFrame:
        """Errors of plots left out under the chosen models: ``trial, plot, hybrid, error, sd,
        factor``.

        ``factor`` is how many times the yield is what the other plots let expect.
        """
        frames = []
        for trial, model in self.chosen.items():
            fit = self.fits[trial, model].fit
            errors = left_out(fit)
            own = fit.data[["plot", "hybrid"]].assign(trial=trial, error=errors["error"])
            frames.append(own.assign(sd=np.sqrt(errors["variance"])))
        table = pd.concat(frames, ignore_index=True)
        return table.assign(factor=np.exp(table["error"]))


def fit_trends(records: pd.DataFrame, candidates=CANDIDATES) -> FieldModels:
    """Fit every trial of a site with each trend and choose among them, trial by trial.

    Parameters
    ----------
    records : DataFrame
        From :func:`culmbook.spatial.trend.trial_records`, of one season.
    candidates : sequence of str
        As in :func:`choose_trend`.

    Returns
    -------
    FieldModels

    Raises
    ------
    Refusal
        No trial carries a model.
    """
    choices, refused = {}, []
    for trial, own in records.groupby("trial", sort=True):
        try:
            choices[str(trial)] = choose_trend(own, candidates=candidates)
        except ValueError as error:
            refused.append((str(trial), BLOCKS, str(error)))
    if not choices:
        said = "; ".join(f"trial {trial}: {reason}" for trial, _, reason in refused)
        raise Refusal(f"The yields carry no model ({said}). So nothing is said of the field.")
    table = pd.concat({t: c.table for t, c in choices.items()}, names=["trial", "model"])
    table = table.reset_index().assign(se=lambda t: np.sqrt(t["difference_variance"]))
    chosen = {trial: choice.chosen for trial, choice in choices.items()}
    trends = table[table["model"].ne(BLOCKS)].sort_values("aic", kind="stable")
    other = trends.drop_duplicates("trial").set_index("trial")["model"].to_dict()
    refused += [(t, kind, why) for t, c in choices.items() for kind, why in c.refused.items()]
    return FieldModels(
        {(t, kind): means for t, c in choices.items() for kind, means in c.fits.items()},
        table.assign(is_chosen=table["model"].eq(table["trial"].map(chosen))),
        chosen,
        {trial: other[trial] for trial in chosen if trial in other},
        pd.DataFrame(refused, columns=["trial", "model", "reason"]),
    )


def compare_fits(fits: dict[str, MeansFit]) -> pd.DataFrame:
    """Candidates side by side.

    Parameters
    ----------
    fits : dict of str to MeansFit
        By candidate; ``'blocks'`` first.

    Returns
    -------
    DataFrame
        By candidate: ``parameters`` and ``aic`` of its covariance, ``above_best``; ``error`` (root
        mean square of the errors of left-out records, unit of the response), ``n_left_out`` records
        it rests on; ``difference_variance`` (mean variance of a difference of two hybrids' means,
        squared unit) and ``efficiency``: that of the first candidate over it.

    Raises
    ------
    ValueError
        Candidates with other records or other fixed effects than the first.
    """
    rows = {}
    for name, means in fits.items():
        fit, weights = means.fit, means.fit.weigh(means.weights)
        errors = left_out(fit)["error"].dropna()
        covariance = enlarged_covariance(fit) if _is_sum_of_variances(fit) else fit.covariance
        rows[name] = {
            "error": float(np.sqrt((errors**2).mean())),
            "n_left_out": len(errors),
            "difference_variance": mean_difference_variance(
                weights @ covariance.to_numpy() @ weights.T
            ),
        }
    table = pd.DataFrame.from_dict(rows, orient="index")
    criteria = compare({name: means.fit for name, means in fits.items()})
    table = criteria[["parameters", "aic", "above_best"]].reindex(table.index).join(table)
    variance = table["difference_variance"]
    return table.assign(efficiency=variance.iloc[0] / variance)


def contrasts(fit, weights: pd.DataFrame, level: float = 0.95) -> pd.DataFrame:
    """Contrasts of a fit with a trend: by Kenward and Roger where they can be had, else by
    Satterthwaite.

    Notes
    -----
    A trend of several variances known from few plots makes plain standard errors too small:
    intervals of 95 % held in 91 to 94 % of simulated trials. Correlations along rows and columns,
    and more than 1,500 plots, are beyond the method.
    """
    if _is_sum_of_variances(fit):
        return kenward_roger_contrasts(fit, weights, level)
    return fit.contrast(weights, level)


def _is_sum_of_variances(fit):
    """Can the variances' uncertainty be allowed for?"""
    return fit.n_records <= MOST_RECORDS and all(
        term.kernel.is_diagonal for term in fit.model.terms
    )


def mean_difference_variance(covariance: np.ndarray) -> float:
    """Mean variance of a difference between two of several means, from their covariance."""
    return float(
        2 * (np.trace(covariance) - covariance.sum() / len(covariance)) / (len(covariance) - 1)
    )
