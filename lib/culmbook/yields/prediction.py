"""What would an uncut plot have yielded, and how far can that be trusted?

Log yield on log components, fitted on plots that were cut, inside one crop type. Site-years (a site
in a season) are random: a new one lies above or below the line as a whole, and every interval says
so.
"""

from collections import namedtuple
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from culmbook.mixed import GaussianFit
from culmbook.text.numbers import fmt_list
from culmbook.text.refusal import Refusal, where_possible
from culmbook.yields.means import label_of, settled

LEAST_PLOTS = 30
LEAST_SITE_YEARS = 3
GRID = 60
OUTCOME = "dry_yield_t_ha"
SITE_YEAR = "site_year"
LADDER = (
    ("stem_height_cm",),
    ("stems_per_m2",),
    ("stems_per_m2", "stem_height_cm"),
    ("stems_per_m2", "stem_height_cm", "stem_diameter_mm"),
)
"""Predictors from the cheapest to the dearest."""
LEAST_CUT = 5
Estimate = namedtuple("Estimate", "mean se lower upper n_cut n_measured")
"""A mean with its standard error and interval; ``n_cut`` and ``n_measured`` plots stand behind it.
"""
LIMITS = ["predicted_t_ha", "lower_t_ha", "upper_t_ha"]


@dataclass(frozen=True)
class YieldModel:
    """A calibrated prediction of yield inside one crop type.

    ``fit`` the mixed model of log yield; ``predictors``; ``crop_type``; ``smearing`` factor of the
    back-transform for a new site-year; ``ranges`` smallest and largest value of each predictor
    among the calibrated plots; ``leverage`` the largest in the calibration; ``plots`` the
    calibrated plots with their residuals.
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
        ``components`` with ``crop_type, site_year`` and ``stems_per_m2`` (plants per m² x stems per
        plant).
    """
    frame = components.merge(hybrids[["hybrid", "crop_type"]], on="hybrid")
    place = frame["site"].astype(str) + " " + frame["growing_season"].astype(str)
    stems = frame["plants_per_m2"] * frame["stems_per_plant"]
    return frame.assign(site_year=place, stems_per_m2=stems)


def calibrate(frame: pd.DataFrame, predictors: tuple, crop_type: str) -> YieldModel:
    """Fit the line on plots that were cut.

    Parameters
    ----------
    frame : DataFrame
        From :func:`prediction_frame`: predictors and ``dry_yield_t_ha`` over 0; others are not
        used.
    predictors : sequence of str
        Columns, in their own units.
    crop_type : str
        Only plots of this type; prediction never crosses types.

    Returns
    -------
    YieldModel

    Raises
    ------
    Refusal
        Fewer than 30 cut plots or three site-years of this type, a predictor observed in no plot or
        the same in all, or a search that does not settle.

    Notes
    -----
    ``log Y = a + sum b_j log x_j + site-year + error`` by REML. Back on the scale of t/ha the mean
    needs Duan's factor, the mean of exp(residual) with the site-years' part in it; site-years weigh
    alike.

    References
    ----------
    Duan (1983) J. Am. Stat. Assoc. 78:605-610.
    """
    plots = _cut_plots(frame, predictors, crop_type)
    logs, y = _logs(plots, predictors), np.log(plots[OUTCOME])
    records = logs.assign(log_yield=y, site_year=plots[SITE_YEAR])
    fit = settled("No line is fitted", records, "log_yield", logs, [SITE_YEAR])
    rest = y - logs.to_numpy() @ fit.coefficients.to_numpy()
    return YieldModel(
        fit,
        tuple(predictors),
        crop_type,
        smearing_factor(rest, plots[SITE_YEAR]),
        plots[list(predictors)].agg(["min", "max"]).T,
        float(_variance(logs, fit).max()),
        plots.assign(residual=rest.to_numpy()),
    )


def _observed(frame, columns):
    """Rows in which all columns are over 0; refuses columns observed in none."""
    absent = [c for c in columns if c not in frame or frame[c].isna().all()]
    if absent and len(frame):
        named = fmt_list([label_of(c).lower() for c in absent])
        raise Refusal(f"Not observed in any plot: {named}.")
    return frame[(frame[columns].astype("float64") > 0).all(axis=1)].reset_index(drop=True)


def _cut_plots(frame, predictors, crop_type):
    plots = _observed(frame[frame["crop_type"].eq(crop_type)], [*predictors, OUTCOME])
    n, places = len(plots), plots[SITE_YEAR].nunique()
    if n < LEAST_PLOTS or places < LEAST_SITE_YEARS:
        raise Refusal(
            f"{n} cut plots in {places} site-years of crop type {crop_type} carry no prediction: at "
            f"least {LEAST_PLOTS} plots in {LEAST_SITE_YEARS} site-years are needed."
        )
    same = [label_of(p) for p in predictors if plots[p].nunique() < 2]
    if same:
        raise Refusal(f"{fmt_list(same)} is the same in all plots: it predicts nothing.")
    return plots


def _logs(frame, predictors):
    logs = np.log(frame[list(predictors)].astype("float64"))
    logs.insert(0, "Intercept", 1.0)
    return logs


def _variance(design, fit):
    x = np.asarray(design)
    return np.einsum("ij,jk,ik->i", x, fit.covariance.to_numpy(), x)


def smearing_factor(residuals, groups) -> float:
    """Factor that turns exp(predicted log) into a predicted mean.

    Parameters
    ----------
    residuals : array_like
        Residuals on the log scale.
    groups : array_like
        Group of each residual; groups weigh alike.

    Returns
    -------
    float

    Examples
    --------
    >>> round(smearing_factor([-0.2, 0.0, 0.2], ["S 2025"] * 3), 4)
    1.0134
    """
    ratio = np.exp(pd.Series(np.asarray(residuals, float)))
    return float(ratio.groupby(np.asarray(groups)).mean().mean())


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
        ``frame`` with ``predicted_t_ha`` (mean), ``lower_t_ha, upper_t_ha`` and ``refused``: why
        there is no number (another crop type, a predictor missing or outside the calibrated plots),
        missing where there is one. Where cut plots of the same site and season are in the
        calibration, they place the line there.

    Notes
    -----
    The interval holds the scatter of plots, the line's own error and, in a new site-year, the
    variance of site-years, with Student's t and Satterthwaite's degrees of freedom; on the log
    scale it is symmetric, on that of t/ha it is not. In a known site-year its own plots shift the
    line (best linear unbiased prediction), and the mean is that of a lognormal. Predictors that lie
    each inside their range, yet together further out than any calibrated plot, are refused as well.
    """
    frame = frame.reset_index(drop=True)
    out = frame.assign(refused=_refusals(model, frame))
    out[LIMITS] = np.nan
    good = out["refused"].isna().to_numpy()
    if good.any():
        out.loc[good, LIMITS] = _predicted(model, frame[good], level)
    return out


def _refusals(model, frame):
    values = frame.reindex(columns=list(model.predictors)).astype("float64")
    reason = pd.Series(None, index=frame.index, dtype="object")
    for name in model.predictors:
        low, high = model.ranges.loc[name, ["min", "max"]]
        label = label_of(name).lower()
        reason[~values[name].between(low, high)] = (
            f"{label} outside the calibrated {low:.3g} to {high:.3g}"
        )
        reason[values[name].isna()] = f"{label} not observed"
    reason[~frame["crop_type"].eq(model.crop_type)] = f"not of crop type {model.crop_type}"
    inside = reason.isna()
    if inside.any():
        far = _variance(_logs(frame[inside], model.predictors), model.fit)
        is_far = far > model.leverage * (1 + 1e-9)
        outside = "predictors together lie outside the calibrated plots"
        reason[inside.index[inside][is_far]] = outside
    return reason.astype("str").where(reason.notna())


def _predicted(model, frame, level):
    """Mean and limits [t/ha] of plots, each in its site-year where that is in the calibration.

    Satterthwaite's degrees of freedom: site-years know their variance by their number, plots
    theirs.
    """
    fit, names = model.fit, list(model.fit.coefficients.index)
    design, own = _logs(frame, model.predictors).to_numpy(), _logs(model.plots, model.predictors)
    between, within = fit.variances[SITE_YEAR], fit.variances["residual"]
    sizes = model.plots.groupby(SITE_YEAR).size()
    places = own.assign(residual=model.plots["residual"]).groupby(model.plots[SITE_YEAR]).mean()
    places["weight"] = between / (between + within / sizes)
    places = places.reindex(frame[SITE_YEAR]).fillna(0.0)
    weight = places["weight"].to_numpy()
    rows = design - weight[:, None] * places[names].to_numpy()
    left = (1 - weight) * between
    variance = _variance(rows, fit) + left + within
    n = 1 / (1 / sizes).mean()
    of_years = ((1 - weight) * (between + within / n)) ** 2 / (len(sizes) - 1)
    rest = fit.n_records - len(sizes) - len(model.predictors)
    of_plots = (within * (1 - (1 - weight) / n)) ** 2 / rest
    df = variance**2 / (of_years + of_plots)
    half = stats.t.ppf(0.5 + level / 2, df) * np.sqrt(variance)
    shift = weight * places["residual"].to_numpy()
    centre = design @ fit.coefficients.to_numpy() + shift
    factor = np.where(weight == 0, model.smearing, np.exp((left + within) / 2))
    return np.column_stack([factor * np.exp(centre), np.exp(centre - half), np.exp(centre + half)])


def predict_each(models: dict, frame: pd.DataFrame, *, level: float = 0.95) -> pd.DataFrame:
    """Predict plots of several crop types, each from its own model.

    Parameters
    ----------
    models : dict of str to YieldModel
        By crop type.
    frame : DataFrame
        From :func:`prediction_frame`.
    level : float

    Returns
    -------
    DataFrame
        As :func:`predict`; plots of a crop type without a model are refused. Sorted by site and
        plot.
    """
    own = [predict(m, frame[frame["crop_type"].eq(k)], level=level) for k, m in models.items()]
    others = frame[~frame["crop_type"].isin([*models])]
    others = others.assign(refused="no prediction for its crop type")
    table = pd.concat([*own, others], ignore_index=True)
    return table.sort_values(["site", "plot"], kind="stable", ignore_index=True)


def cross_validate(frame: pd.DataFrame, predictors: tuple, crop_type: str) -> pd.DataFrame:
    """Predict every cut plot from the other site-years.

    Parameters
    ----------
    frame, predictors, crop_type
        As for :func:`calibrate`.

    Returns
    -------
    DataFrame
        ``site_year, hybrid, dry_yield_t_ha, predicted_t_ha, lower_t_ha, upper_t_ha, log_error``
        (log of observed over the predicted median). Plots outside the range of the others are kept,
        marked ``is_outside``.

    Raises
    ------
    Refusal
        As :func:`calibrate`, or fewer than four site-years.
    """
    plots = _cut_plots(frame, predictors, crop_type)
    if plots[SITE_YEAR].nunique() <= LEAST_SITE_YEARS:
        raise Refusal("There are too few site-years to leave one out.")
    parts = []
    for site_year, left_out in plots.groupby(SITE_YEAR):
        model = calibrate(plots[plots[SITE_YEAR] != site_year], predictors, crop_type)
        values = _predicted(model, left_out, 0.95)
        own = left_out[[SITE_YEAR, "hybrid", OUTCOME]].assign(**dict(zip(LIMITS, values.T)))
        line = np.log(values[:, 0] / model.smearing)
        error, is_outside = np.log(left_out[OUTCOME]) - line, _refusals(model, left_out).notna()
        parts.append(own.assign(log_error=error, is_outside=is_outside))
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
        ``rmse_t_ha``; ``rmse_log`` (0.2 is about 20 % of the yield); ``rank_correlation`` inside
        site-years (Spearman, mean); ``held``: share of plots inside their 95 % interval; ``n_plots,
        n_site_years, n_outside``. Site-years weigh alike; plots outside the others' range are
        counted, not judged.
    """
    inside = table[~table["is_outside"]]
    place = inside[SITE_YEAR]
    error = inside["predicted_t_ha"] - inside[OUTCOME]
    held = inside[OUTCOME].between(inside["lower_t_ha"], inside["upper_t_ha"])
    squares = {"rmse_t_ha": error**2, "rmse_log": inside["log_error"] ** 2}
    roots = np.sqrt(pd.DataFrame(squares).groupby(place).mean().mean())
    ranks = [
        stats.spearmanr(rows[OUTCOME], rows["predicted_t_ha"]).statistic
        for _, rows in inside.groupby(SITE_YEAR)
        if rows[[OUTCOME, "predicted_t_ha"]].nunique().min() > 2
    ]
    told = {
        "rank_correlation": float(np.mean(ranks)) if ranks else np.nan,
        "held": held.groupby(place).mean().mean(),
        "n_plots": len(inside),
        "n_site_years": place.nunique(),
        "n_outside": int(table["is_outside"].sum()),
    }
    return pd.Series({**roots, **told})


def ladder(frame: pd.DataFrame, crop_type: str, steps: tuple = LADDER) -> pd.DataFrame:
    """Which measurements predict best: cross-validated error of each set of predictors on the same
    plots.

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
        ``predictors`` and the columns of :func:`prediction_error`, in the order given;
        ``rmse_none_log`` the error without any measurement (every plot gets the mean of other
        site-years). Sets with a predictor observed in no plot are left out.

    Raises
    ------
    Refusal
        As :func:`cross_validate`; no set that can be judged.
    """
    own = frame[frame["crop_type"].eq(crop_type)]
    possible = [s for s in steps if all(c in own and own[c].notna().any() for c in s)]
    if not possible:
        raise Refusal("None of the predictors was observed.")
    every = list(dict.fromkeys(c for s in possible for c in s))
    plots = _observed(own, [*every, OUTCOME])
    errors = {
        " + ".join(s): prediction_error(cross_validate(plots, s, crop_type)) for s in possible
    }
    table = pd.DataFrame(errors).T.rename_axis("predictors").reset_index()
    logs, place = np.log(plots[OUTCOME]), plots[SITE_YEAR]
    means = logs.groupby(place).mean()
    error = logs - place.map((means.sum() - means) / (len(means) - 1))
    none = float(np.sqrt((error**2).groupby(place).mean().mean()))
    counts = dict.fromkeys(("n_plots", "n_site_years", "n_outside"), int)
    return table.assign(rmse_none_log=none).astype(counts)


def ladders(frame: pd.DataFrame, steps: tuple = LADDER) -> tuple[pd.DataFrame, list[str]]:
    """The ladder of every crop type that can be predicted.

    Parameters
    ----------
    frame, steps
        As for :func:`ladder`.

    Returns
    -------
    tuple of DataFrame and list of str
        ``crop_type`` and the columns of :func:`ladder`; and why other crop types have none.

    Raises
    ------
    Refusal
        No crop type has one.
    """
    found, told = _each(frame, lambda kind: ladder(frame, kind, steps).assign(crop_type=kind))
    return pd.concat(found.values(), ignore_index=True), told


def calibrate_each(
    frame: pd.DataFrame, predictors: tuple
) -> tuple[dict[str, YieldModel], list[str]]:
    """The same predictors calibrated in every crop type that carries it.

    Parameters
    ----------
    frame, predictors
        As for :func:`calibrate`.

    Returns
    -------
    tuple of dict and list of str
        Models by crop type; and why others have none.

    Raises
    ------
    Refusal
        No crop type has one.
    """
    return _each(frame, lambda kind: calibrate(frame, predictors, kind))


def _each(frame, fit):
    """What is found for each crop type, and why nothing is found for others; refuses where nothing
    is found.
    """
    kinds = sorted(frame["crop_type"].dropna().unique())
    if not kinds:
        raise Refusal("No crop type is named, so no yield is predicted.")
    return where_possible(kinds, fit, "Crop type {}: {}".format)


def best_models(frame: pd.DataFrame, errors: pd.DataFrame) -> dict[str, YieldModel]:
    """The model with the least error of each crop type, calibrated on all cut plots.

    Parameters
    ----------
    frame : DataFrame
        From :func:`prediction_frame`.
    errors : DataFrame
        From :func:`ladders`.
    """
    best = errors.loc[errors.groupby("crop_type")["rmse_log"].idxmin()]
    return {
        row.crop_type: calibrate(frame, tuple(row.predictors.split(" + ")), row.crop_type)
        for row in best.itertuples()
    }


def left_out(frame: pd.DataFrame, models: dict[str, YieldModel]) -> pd.DataFrame:
    """Every cut plot as the best model of its crop type predicts it from the other site-years.

    Parameters
    ----------
    frame : DataFrame
        From :func:`prediction_frame`.
    models : dict of str to YieldModel
        From :func:`best_models`.

    Returns
    -------
    DataFrame
        As :func:`cross_validate`, with ``crop_type``.
    """
    parts = [cross_validate(frame, m.predictors, kind) for kind, m in models.items()]
    kinds = [part.assign(crop_type=kind) for kind, part in zip(models, parts)]
    return pd.concat(kinds, ignore_index=True)


def plane(model: YieldModel, hybrids: pd.DataFrame) -> pd.DataFrame:
    """Predicted yield over two predictors, around hybrids, as far as the calibrated plots reach.

    Parameters
    ----------
    model : YieldModel
        With two predictors.
    hybrids : DataFrame
        The predictors, one row per hybrid.

    Returns
    -------
    DataFrame
        Yield [t/ha] in an average site-year: the second predictor as index, the first as columns;
        missing outside the calibration.
    """
    axes = []
    for name in model.predictors:
        low, high = hybrids[name].min(), hybrids[name].max()
        room = 0.12 * max(high - low, 0.05 * high)
        least, most = model.ranges.loc[name, ["min", "max"]]
        ends = max(low - room, min(least, low)), min(high + room, max(most, high))
        axes.append(np.linspace(*ends, GRID))
    x, y = np.meshgrid(*axes)
    grid = pd.DataFrame(dict(zip(model.predictors, (x.ravel(), y.ravel()))))
    found = predict(model, grid.assign(crop_type=model.crop_type, site_year=""))
    return pd.DataFrame(found["predicted_t_ha"].to_numpy().reshape(x.shape), axes[1], axes[0])


def regression_estimate(
    cheap, outcome, *, chosen_at_random: bool | None, level: float = 0.95
) -> Estimate:
    """Mean of all measured plots from the outcome of those cut and a cheap measurement of all.

    Parameters
    ----------
    cheap : array_like
        Measurement of every plot (a predicted yield, for one), none missing.
    outcome : array_like
        Yield of the plots that were cut, missing for the others.
    chosen_at_random : bool or None
        Whether chance decided which plots were cut; otherwise, and where nobody knows, it is
        refused.
    level : float
        Confidence of the interval, 0-1.

    Returns
    -------
    Estimate

    Raises
    ------
    Refusal
        Plots not chosen by chance or not known to be, fewer than five cut, a missing or constant
        measurement.

    Notes
    -----
    ``mean = y + b (X - x)`` with y, x means and b the slope among cut plots, X the mean of all
    measured, which are all that the mean is for; variance ``s²_yx [1/n - 1/N + (X - x)² / S_xx]``,
    t with n - 2 degrees of freedom.

    References
    ----------
    Cochran (1977) Sampling Techniques, 3rd ed., sections 7.4 and 12.6.
    """
    if not chosen_at_random:
        raise Refusal(
            "Cut and uncut plots are not joined into one mean: that is sound only where chance decided "
            "which plots were cut, and nobody says that they were chosen at random."
        )
    x, y = np.asarray(cheap, float), np.asarray(outcome, float)
    cut = ~np.isnan(y)
    n, n_all = int(cut.sum()), len(x)
    if n < LEAST_CUT:
        raise Refusal(f"{n} cut plots: at least {LEAST_CUT} are needed.")
    if np.ptp(x[cut]) == 0:
        raise Refusal("The cheap measurement is the same in all cut plots: it tells nothing.")
    dx, dy = x[cut] - x[cut].mean(), y[cut] - y[cut].mean()
    slope = dx @ dy / (dx @ dx)
    rest = ((dy - slope * dx) ** 2).sum() / (n - 2)
    away = x.mean() - x[cut].mean()
    mean = y[cut].mean() + slope * away
    se = np.sqrt(rest * (1 / n - 1 / n_all + away**2 / (dx @ dx)))
    half = stats.t.ppf(0.5 + level / 2, n - 2) * se
    return Estimate(*map(float, (mean, se, mean - half, mean + half)), n, n_all)


def joined_means(
    predicted: pd.DataFrame, *, chosen_at_random: bool | None, level: float = 0.95
) -> tuple[pd.DataFrame, list[str]]:
    """Mean yield of all measured plots of each site and crop type, from the cut ones and all
    predictions.

    Parameters
    ----------
    predicted : DataFrame
        From :func:`predict_each`; plots that were refused are not used.
    chosen_at_random, level
        As for :func:`regression_estimate`.

    Returns
    -------
    tuple of DataFrame and list of str
        ``site, crop_type`` and the fields of :class:`Estimate`, for the measured plots themselves;
        and why other places have none.

    Raises
    ------
    Refusal
        No place has one.
    """
    places = dict([*predicted[predicted["refused"].isna()].groupby(["site", "crop_type"])])
    if not places:
        raise Refusal("No plot is predicted.")
    options = {"chosen_at_random": chosen_at_random, "level": level}
    found, told = where_possible(
        places,
        lambda at: regression_estimate(
            places[at]["predicted_t_ha"], places[at][OUTCOME], **options
        ),
        "{0[0]}, {0[1]}: {1}".format if chosen_at_random else str,
    )
    where = pd.DataFrame([*found], columns=["site", "crop_type"])
    return where.join(pd.DataFrame(found.values())), told
