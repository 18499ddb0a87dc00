"""What would an uncut plot have yielded, and how far can that be trusted?

Log yield on log components, fitted on plots that were cut, inside one crop type. Site-years (a site in a
season) are random: a new one lies above or below the line as a whole, and every interval says so.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from culmbook.mixed import CONVERGED, GaussianFit, fit_gaussian
from culmbook.text.numbers import fmt_list
from culmbook.yields.components import MEASURES

LEAST_PLOTS = 30
LEAST_SITE_YEARS = 3
OUTCOME = "dry_yield_t_ha"
SITE_YEAR = "site_year"
LADDER = (
    ("stem_height_cm",),
    ("stems_per_m2",),
    ("stems_per_m2", "stem_height_cm"),
    ("stems_per_m2", "stem_height_cm", "stem_diameter_mm"),
)
"""Predictors from the cheapest to the dearest."""


@dataclass(frozen=True)
class YieldModel:
    """A calibrated prediction of yield inside one crop type.

    ``fit`` the mixed model of log yield; ``predictors``; ``crop_type``; ``smearing`` factor of the
    back-transform for a new site-year; ``ranges`` smallest and largest value of each predictor among the
    calibrated plots; ``leverage`` the largest in the calibration; ``plots`` the calibrated plots with their
    residuals.
    """

    fit: GaussianFit
    predictors: tuple
    crop_type: str
    smearing: float
    ranges: pd.DataFrame
    leverage: float
    plots: pd.DataFrame


def prediction_frame(components: pd.DataFrame, hybrids: pd.DataFrame) -> pd.DataFrame:
    """Plots with what predicts their yield, and their crop type and site-year.

    Parameters
    ----------
    components : DataFrame
        From :func:`culmbook.yields.components.with_yield`.
    hybrids : DataFrame
        Table ``hybrids``: ``hybrid, crop_type``.

    Returns
    -------
    DataFrame
        ``components`` with ``crop_type, site_year`` and ``stems_per_m2`` (plants per m² x stems per plant).
    """
    frame = components.merge(hybrids[["hybrid", "crop_type"]], on="hybrid")
    place = frame["site"].astype(str) + " " + frame["growing_season"].astype(str)
    return frame.assign(
        site_year=place, stems_per_m2=frame["plants_per_m2"] * frame["stems_per_plant"]
    )


def calibrate(frame: pd.DataFrame, predictors: tuple, crop_type: str) -> YieldModel:
    """Fit the line on plots that were cut.

    Parameters
    ----------
    frame : DataFrame
        From :func:`prediction_frame`: predictors and ``dry_yield_t_ha`` over 0; others are not used.
    predictors : sequence of str
        Columns, in their own units.
    crop_type : str
        Only plots of this type; prediction never crosses types.

    Returns
    -------
    YieldModel

    Raises
    ------
    ValueError
        Fewer than 30 cut plots or three site-years of this type, a predictor observed in no plot or the same
        in all, or a search that does not settle.

    Notes
    -----
    ``log Y = a + sum b_j log x_j + site-year + error`` by REML. Back on the scale of t/ha the mean needs
    Duan's factor, the mean of exp(residual) with the site-years' part in it; site-years weigh alike.

    References
    ----------
    Duan (1983) J. Am. Stat. Assoc. 78:605-610.
    """
    plots = _usable(frame[frame["crop_type"].eq(crop_type)], [*predictors, OUTCOME])
    _check(plots, predictors, crop_type)
    logs = _logs(plots, predictors).assign(
        log_yield=np.log(plots[OUTCOME]), site_year=plots[SITE_YEAR]
    )
    fit = fit_gaussian(logs, "log_yield", _design(logs, predictors), [SITE_YEAR])
    if fit.verdict != CONVERGED:
        raise ValueError(f"the model of log yield has {fit.verdict}")
    rest = logs["log_yield"] - _design(logs, predictors).to_numpy() @ fit.coefficients.to_numpy()
    ranges = plots[list(predictors)].agg(["min", "max"]).T
    leverage = float(_variance(_design(logs, predictors), fit).max())
    return YieldModel(
        fit,
        tuple(predictors),
        crop_type,
        smearing_factor(rest, plots[SITE_YEAR]),
        ranges,
        leverage,
        plots.assign(residual=rest.to_numpy()),
    )


def _usable(frame, columns):
    absent = [c for c in columns if c not in frame or frame[c].isna().all()]
    if absent and len(frame):
        named = [MEASURES[c][0].lower() if c in MEASURES else c for c in absent]
        raise ValueError(f"not observed in any plot: {fmt_list(named)}")
    return frame[(frame[columns].astype("float64") > 0).all(axis=1)].reset_index(drop=True)


def _check(plots, predictors, crop_type):
    n, places = len(plots), plots[SITE_YEAR].nunique()
    if n < LEAST_PLOTS or places < LEAST_SITE_YEARS:
        raise ValueError(
            f"{n} cut plots in {places} site-years of crop type {crop_type} carry no "
            f"prediction: at least {LEAST_PLOTS} plots in {LEAST_SITE_YEARS} site-years are "
            "needed"
        )
    same = [p for p in predictors if plots[p].nunique() < 2]
    if same:
        raise ValueError(f"{fmt_list(same)} is the same in all plots: it predicts nothing")


def _logs(frame, predictors):
    return np.log(frame[list(predictors)].astype("float64"))


def _design(logs, predictors):
    return logs[list(predictors)].assign(Intercept=1.0)[["Intercept", *predictors]]


def _variance(design, fit):
    x = design.to_numpy()
    return np.einsum("ij,jk,ik->i", x, fit.covariance.to_numpy(), x)


def smearing_factor(residuals, groups=None) -> float:
    """Factor that turns exp(predicted log) into a predicted mean.

    Parameters
    ----------
    residuals : array_like
        Residuals on the log scale.
    groups : array_like, optional
        Groups that weigh alike; none = every residual weighs alike.

    Returns
    -------
    float

    Examples
    --------
    >>> round(smearing_factor([-0.2, 0.0, 0.2]), 4)
    1.0134
    """
    ratio = np.exp(pd.Series(np.asarray(residuals, float)))
    return float(
        ratio.mean() if groups is None else ratio.groupby(np.asarray(groups)).mean().mean()
    )


def predict(model: YieldModel, frame: pd.DataFrame, *, level: float = 0.95) -> pd.DataFrame:
    """Predict the yield of plots that were not cut.

    Parameters
    ----------
    model : YieldModel
    frame : DataFrame
        From :func:`prediction_frame`.
    level : float
        Chance that an interval holds the plot's yield, 0-1.

    Returns
    -------
    DataFrame
        ``frame`` with ``predicted_t_ha`` (mean), ``lower_t_ha, upper_t_ha`` and ``refused``: why there is no
        number (another crop type, a predictor missing or outside the calibrated plots), missing where there
        is one; ``is_known_site_year`` where cut plots of the same site and season are in the calibration,
        which then place the line there.

    Notes
    -----
    The interval holds the scatter of plots, the line's own error and, in a new site-year, the variance of
    site-years, with Student's t and Satterthwaite's degrees of freedom; on the log scale it is symmetric, on
    that of t/ha it is not. In a known site-year its own plots shift the line (best linear unbiased
    prediction), and the mean is that of a lognormal. Predictors that lie each inside their range, yet
    together further out than any calibrated plot, are refused as well.
    """
    frame = frame.reset_index(drop=True)
    out = frame.assign(refused=_refusals(model, frame))
    good = out["refused"].isna().to_numpy()
    for column in ("predicted_t_ha", "lower_t_ha", "upper_t_ha"):
        out[column] = np.nan
    out["is_known_site_year"] = out[SITE_YEAR].isin(model.plots[SITE_YEAR])
    if good.any():
        out.loc[good, ["predicted_t_ha", "lower_t_ha", "upper_t_ha"]] = _predicted(
            model, frame[good], level
        )
    return out


def _refusals(model, frame):
    values = frame.reindex(columns=list(model.predictors)).astype("float64")
    reason = pd.Series(None, index=frame.index, dtype="object")
    for name in model.predictors:
        low, high = model.ranges.loc[name, ["min", "max"]]
        reason[~values[name].between(low, high)] = (
            f"{name} outside the calibrated {low:.3g} to {high:.3g}"
        )
        reason[values[name].isna()] = f"{name} not observed"
    reason[~frame["crop_type"].eq(model.crop_type)] = f"not of crop type {model.crop_type}"
    inside = reason.isna()
    if inside.any():
        design = _design(_logs(frame[inside], model.predictors), model.predictors)
        far = _variance(design, model.fit) > model.leverage * (1 + 1e-9)
        reason[inside.index[inside][far]] = "predictors together lie outside the calibrated plots"
    return reason.astype("str").where(reason.notna())


def _predicted(model, frame, level):
    """Mean and limits [t/ha] of plots, each in its site-year where that is in the calibration."""
    fit = model.fit
    design = _design(_logs(frame, model.predictors), model.predictors).to_numpy()
    places = _places(model).reindex(frame[SITE_YEAR])
    weight = places["weight"].fillna(0.0).to_numpy()
    shift = weight * places["residual"].fillna(0.0).to_numpy()
    rows = design - weight[:, None] * places[list(fit.coefficients.index)].fillna(0.0).to_numpy()
    between, within = (1 - weight) * fit.variances[SITE_YEAR], fit.variances["residual"]
    variance = np.einsum("ij,jk,ik->i", rows, fit.covariance.to_numpy(), rows) + between + within
    half = stats.t.ppf(0.5 + level / 2, _df(model, weight, variance)) * np.sqrt(variance)
    centre = design @ fit.coefficients.to_numpy() + shift
    factor = np.where(weight == 0, model.smearing, np.exp((between + within) / 2))
    return np.column_stack([factor * np.exp(centre), np.exp(centre - half), np.exp(centre + half)])


def _places(model):
    """Mean design and residual of each calibrated site-year, and the weight of its own plots in its
    effect."""
    plots, fit = model.plots, model.fit
    design = _design(_logs(plots, model.predictors), model.predictors)
    means = design.assign(residual=plots["residual"]).groupby(plots[SITE_YEAR]).mean()
    n = plots.groupby(SITE_YEAR).size()
    between, within = fit.variances[SITE_YEAR], fit.variances["residual"]
    return means.assign(weight=between / (between + within / n))


def _df(model, weight, variance):
    """Satterthwaite's degrees of freedom: site-years know their variance by their number, plots theirs."""
    fit, sizes = model.fit, model.plots.groupby(SITE_YEAR).size()
    between, within, n = fit.variances[SITE_YEAR], fit.variances["residual"], 1 / (1 / sizes).mean()
    left = 1 - weight
    of_years = (left * (between + within / n)) ** 2 / (len(sizes) - 1)
    of_plots = (within * (1 - left / n)) ** 2 / (fit.n_records - len(sizes) - len(model.predictors))
    return variance**2 / (of_years + of_plots)


def cross_validate(frame: pd.DataFrame, predictors: tuple, crop_type: str) -> pd.DataFrame:
    """Predict every cut plot from the other site-years.

    Parameters
    ----------
    frame, predictors, crop_type
        As for :func:`calibrate`.

    Returns
    -------
    DataFrame
        ``site_year, hybrid, dry_yield_t_ha, predicted_t_ha, lower_t_ha, upper_t_ha, log_error`` (log of
        observed over the predicted median). Plots outside the range of the others are kept, marked
        ``is_outside``.

    Raises
    ------
    ValueError
        As :func:`calibrate`, or fewer than four site-years.
    """
    plots = _usable(frame[frame["crop_type"].eq(crop_type)], [*predictors, OUTCOME])
    _check(plots, predictors, crop_type)
    if plots[SITE_YEAR].nunique() <= LEAST_SITE_YEARS:
        raise ValueError("too few site-years to leave one out")
    parts = []
    for site_year, left_out in plots.groupby(SITE_YEAR):
        model = calibrate(plots[plots[SITE_YEAR] != site_year], predictors, crop_type)
        values = _predicted(model, left_out, 0.95)
        line = np.log(values[:, 0] / model.smearing)
        parts.append(
            left_out[[SITE_YEAR, "hybrid", OUTCOME]].assign(
                predicted_t_ha=values[:, 0],
                lower_t_ha=values[:, 1],
                upper_t_ha=values[:, 2],
                log_error=np.log(left_out[OUTCOME]) - line,
                is_outside=_refusals(model, left_out).notna(),
            )
        )
    return pd.concat(parts, ignore_index=True)


def prediction_error(table: pd.DataFrame) -> pd.Series:
    """Size of the error in new site-years.

    Parameters
    ----------
    table : DataFrame
        From :func:`cross_validate`.

    Returns
    -------
    Series
        ``rmse_t_ha``; ``rmse_log`` (0.2 is about 20 % of the yield); ``rank_correlation`` inside site-years
        (Spearman, mean); ``held``: share of plots inside their 95 % interval; ``n_plots, n_site_years,
        n_outside``. Site-years weigh alike; plots outside the others' range are counted, not judged.
    """
    inside = table[~table["is_outside"]]
    place = inside[SITE_YEAR]
    error = inside["predicted_t_ha"] - inside[OUTCOME]
    held = inside[OUTCOME].between(inside["lower_t_ha"], inside["upper_t_ha"])

    def by_place(values):
        return values.groupby(place).mean().mean()

    ranks = [
        stats.spearmanr(rows[OUTCOME], rows["predicted_t_ha"]).statistic
        for _, rows in inside.groupby(SITE_YEAR)
        if rows[[OUTCOME, "predicted_t_ha"]].nunique().min() > 2
    ]
    return pd.Series(
        {
            "rmse_t_ha": np.sqrt(by_place(error**2)),
            "rmse_log": np.sqrt(by_place(inside["log_error"] ** 2)),
            "rank_correlation": float(np.mean(ranks)) if ranks else np.nan,
            "held": by_place(held.astype(float)),
            "n_plots": len(inside),
            "n_site_years": place.nunique(),
            "n_outside": int(table["is_outside"].sum()),
        }
    )


def ladder(frame: pd.DataFrame, crop_type: str, steps: tuple = LADDER) -> pd.DataFrame:
    """Which measurements predict best: cross-validated error of each set of predictors on the same plots.

    Parameters
    ----------
    frame : DataFrame
        From :func:`prediction_frame`.
    crop_type : str
    steps : sequence of sequences of str
        Sets of predictors, cheapest first.

    Returns
    -------
    DataFrame
        ``predictors`` and the columns of :func:`prediction_error`, in the order given; ``rmse_none_log`` the
        error without any measurement (every plot gets the mean of other site-years). Sets with a predictor
        observed in no plot are left out.

    Raises
    ------
    ValueError
        As :func:`cross_validate`; no set that can be judged.
    """
    own = frame[frame["crop_type"].eq(crop_type)]
    possible = [s for s in steps if all(c in own and own[c].notna().any() for c in s)]
    if not possible:
        raise ValueError("none of the predictors was observed")
    every = list(dict.fromkeys(c for s in possible for c in s))
    plots = _usable(own, [*every, OUTCOME])
    rows = [
        prediction_error(cross_validate(plots, s, crop_type)).rename(" + ".join(s))
        for s in possible
    ]
    table = pd.DataFrame(rows).rename_axis("predictors").reset_index()
    return table.assign(rmse_none_log=_error_without(plots)).astype(
        dict.fromkeys(("n_plots", "n_site_years", "n_outside"), int)
    )


def _error_without(plots):
    logs = np.log(plots[OUTCOME])
    means = logs.groupby(plots[SITE_YEAR]).mean()
    others = (means.sum() - means) / (len(means) - 1)
    error = logs - plots[SITE_YEAR].map(others)
    return float(np.sqrt((error**2).groupby(plots[SITE_YEAR]).mean().mean()))
