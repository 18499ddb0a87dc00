"""How wet is each hybrid on one and the same day, what does its water cost, and what does standing
through winter?

Cuts on different days are compared along the site's dry-down line, which needs hybrids of one trial
cut on at least two days.
"""

from collections import namedtuple

import numpy as np
import pandas as pd
from scipy import stats

from culmbook.stats.curves import partial_slope
from culmbook.text.numbers import fmt_date, fmt_list
from culmbook.text.refusal import Refusal, where_possible
from culmbook.trials.dry_yield import MEASURED

LEAST_DAYS = 7
EVAPORATION_MJ_KG = 2.443
"""Heat of evaporation of water at 25 °C [MJ/kg], as in ISO 18125."""
NCV_DRY_MJ_KG = 17.0
"""Net calorific value of dry grass biomass [MJ/kg], a default where none was measured."""
CLASS_STEP_PCT, CLASS_FIRST_PCT, CLASS_LAST_PCT = 5, 10, 55


Trend = namedtuple("Trend", "slope se df lower upper n_plots n_days first_on last_on")
"""Change per day of one quantity, hybrids and trials held apart: Student's limits, and what it
rests on.
"""


def samples_of_one_day(used: pd.DataFrame) -> pd.DataFrame:
    """Cuts with a moisture sample of their own, where every trial was cut at once.

    Parameters
    ----------
    used : DataFrame
        From :func:`culmbook.trials.dry_yield.plot_harvests`, one season, none left out.

    Returns
    -------
    DataFrame

    Raises
    ------
    Refusal
        Plots of a trial were cut a week or more apart: their moistures as cut are not comparable.
    """
    rows = used[used["moisture_from"].eq(MEASURED)]
    days = rows.groupby(["site", "trial"])["harvested_on"]
    apart = (days.max() - days.min()).dt.days
    far = apart[apart >= LEAST_DAYS]
    if len(far):
        raise Refusal(
            f"{fmt_list([trial for _, trial in far.index])}: hybrids were cut on days up to "
            f"{int(far.max())} days apart, so their moistures as cut are not comparable; they would "
            "have to be moved along a dry-down line."
        )
    return rows


def fit_dry_down(frame: pd.DataFrame, *, level: float = 0.95) -> Trend:
    """Points of moisture lost or gained per day at a site.

    Parameters
    ----------
    frame : DataFrame
        From :func:`culmbook.trials.dry_yield.plot_harvests`, one site; early cuts are welcome here.
    level : float
        Confidence of the interval, 0-1.

    Returns
    -------
    Trend
        In points of moisture per day (negative while drying).

    Raises
    ------
    Refusal
        Where no trial was cut on two days far enough apart, with hybrids on both: the sentence says
        so.

    Notes
    -----
    Least squares of measured moisture on the day of cutting, with hybrids and trial x season fixed:
    cuts of different seasons or trials say nothing about drying. Straight between the first and the
    last cut only.
    """
    rows = frame[frame["moisture_from"].eq(MEASURED) & frame["status"].eq("ok")]
    return _trend(rows, "moisture_pct", level, "dry-down line")


def _trend(rows, column, level, what):
    day = (rows["harvested_on"] - pd.Timestamp(2000, 1, 1)).dt.days.astype(float)
    place = rows.groupby(["site", "trial", "growing_season"]).ngroup()
    far = day.groupby(place).transform(np.ptp) >= LEAST_DAYS
    rows, day, none = rows[far], day[far], f"There is no {what}"
    if rows.empty:
        raise Refusal(f"{none}: no trial was cut on two days at least {LEAST_DAYS} days apart.")
    try:
        line = partial_slope(day, rows[column], [place[far], rows["hybrid"]], level)
    except ValueError:
        raise Refusal(f"{none}: the cuts of different days share too few hybrids.") from None
    days = rows["harvested_on"]
    return Trend(*line[:5], len(rows), int(days.nunique()), days.min(), days.max())


def by_site(fit, frame: pd.DataFrame, *, level: float = 0.95) -> pd.DataFrame:
    """A line for every site that has one.

    Parameters
    ----------
    fit : callable
        :func:`fit_dry_down` or :func:`fit_winter_loss`.
    frame : DataFrame
        From :func:`culmbook.trials.dry_yield.plot_harvests`, any sites.
    level : float
        Confidence of each interval, 0-1.

    Returns
    -------
    DataFrame
        ``site`` and the fields of :class:`Trend`.

    Raises
    ------
    Refusal
        No site has one: the reason, and what would show it.
    """
    sites = dict([*frame.groupby("site")])
    try:
        lines, _ = where_possible(sites, lambda site: fit(sites[site], level=level))
    except Refusal as why:
        raise Refusal(
            f"{why} Cutting a few plots of every trial a week or more earlier would show it."
        ) from None
    return pd.DataFrame(lines.values()).assign(site=list(lines))


def moisture_on(frame: pd.DataFrame, day, trend: Trend) -> pd.DataFrame:
    """Measured moisture of every plot, moved along the dry-down line to one day.

    Parameters
    ----------
    frame : DataFrame
        From :func:`culmbook.trials.dry_yield.plot_harvests`, one site and season. Filled moistures
        are not used.
    day : date-like
        The common day.
    trend : Trend
        From :func:`fit_dry_down`.

    Returns
    -------
    DataFrame
        Rows with measured moisture that were not left out, with ``days_moved`` and
        ``moisture_then_pct``.

    Raises
    ------
    ValueError
        A day outside those the line was fitted on.
    """
    day = pd.Timestamp(day)
    if not _same_season(trend, day):
        raise ValueError(f"{fmt_date(day)} lies outside the days the dry-down line rests on")
    rows = frame[frame["moisture_from"].eq(MEASURED) & frame["left_out"].isna()]
    moved = (day - rows["harvested_on"]).dt.days
    then = rows["moisture_pct"] + trend.slope * moved
    return rows.assign(days_moved=moved, moisture_then_pct=then)


def _same_season(trend, day):
    """Whether a day of the year lies between the first and the last cut that the line rests on."""
    first, day, last = (
        (d - pd.Timestamp(d.year - (d.month < 7), 7, 1)).days
        for d in (trend.first_on, day, trend.last_on)
    )
    return min(first, last) <= day <= max(first, last)


def fit_winter_loss(frame: pd.DataFrame, *, level: float = 0.95) -> Trend:
    """Dry matter lost per day of standing, on the log scale.

    Parameters
    ----------
    frame : DataFrame
        From :func:`culmbook.trials.dry_yield.plot_harvests`; plots with a yield over 0 that are not
        set aside and no suspected slip, early cuts included.
    level : float
        Confidence of the interval, 0-1.

    Returns
    -------
    Trend
        Change of log dry yield per day: -0.004 is 0.4 % lost a day.

    Raises
    ------
    Refusal
        Where no trial was cut on two days far enough apart: one date shows no loss.

    Notes
    -----
    A plot is cut once, so the loss is read between plots: it is sound only where chance decided
    which plots were cut early.
    """
    is_ok = frame["status"].eq("ok") & frame["plot_status"].eq("ok") & ~frame["is_slip"]
    is_known = frame["dry_yield_t_ha"].gt(0) & frame["moisture_from"].eq(MEASURED)
    rows = frame[is_ok & is_known]
    logs = rows.assign(log_yield=np.log(rows["dry_yield_t_ha"]))
    return _trend(logs, "log_yield", level, "estimate of the winter loss")


def standing_loss(frame: pd.DataFrame, *, level: float = 0.95) -> pd.DataFrame:
    """What was cut less than what stood when the stems were measured, by site and season.

    Parameters
    ----------
    frame : DataFrame
        From :func:`culmbook.yields.components.with_yield`; plots without both a product of
        components and a cut are not used.
    level : float
        Confidence of each interval, 0-1.

    Returns
    -------
    DataFrame
        ``site, growing_season, n_plots, loss, lower, upper``: shares 0-1 of the standing mass,
        below 0 where more was cut than the components gave. Sites and seasons with fewer than three
        plots are not in it.

    Raises
    ------
    Refusal
        No site has three such plots.

    Notes
    -----
    One less the ratio of all that was cut to all that stood, with the ratio estimator's standard
    error and Student's t over plots. It holds winter losses, stubble, fallen leaves and whatever
    either measurement is off by: a difference between seasons or sites says more than the figure
    itself.

    References
    ----------
    Cochran (1977) Sampling Techniques, 3rd ed., section 2.11.
    """
    whole = frame[frame["product_t_ha"].gt(0) & frame["dry_yield_t_ha"].gt(0)]
    groups = whole.groupby(["site", "growing_season"])
    total = groups[["dry_yield_t_ha", "product_t_ha"]].transform("sum")
    ratio = total["dry_yield_t_ha"] / total["product_t_ha"]
    square = (whole["dry_yield_t_ha"] - ratio * whole["product_t_ha"]) ** 2
    table = groups[["dry_yield_t_ha", "product_t_ha"]].sum().assign(n_plots=groups.size())
    table["square"] = square.groupby([whole["site"], whole["growing_season"]]).sum()
    table = table[table["n_plots"] >= 3].reset_index()
    if table.empty:
        raise Refusal("Too few plots were both measured and cut to set one against the other.")
    n, loss = table["n_plots"], 1 - table["dry_yield_t_ha"] / table["product_t_ha"]
    se = np.sqrt(n * table["square"] / (n - 1)) / table["product_t_ha"]
    half = stats.t.ppf(0.5 + level / 2, n - 1) * se
    found = table[["site", "growing_season", "n_plots"]]
    return found.assign(loss=loss, lower=loss - half, upper=loss + half)


def at_common_dates(frame: pd.DataFrame) -> tuple[pd.DataFrame, list[str]]:
    """Moistures of every trial and season at its middle day of cutting.

    Parameters
    ----------
    frame : DataFrame
        From :func:`culmbook.trials.dry_yield.plot_harvests`, any sites and seasons.

    Returns
    -------
    DataFrame
        Rows with measured moisture that were not left out, with ``days_moved`` and
        ``moisture_then_pct``; without trials cut on days further apart whose site has no dry-down
        line.
    list of str
        Which trials were moved along the line and which left out, in sentences.
    """
    usable = frame[frame["moisture_from"].eq(MEASURED) & frame["left_out"].isna()]
    usable = usable.assign(days_moved=0, moisture_then_pct=usable["moisture_pct"])
    parts, words = [usable.iloc[:0]], []
    for (site, trial, season), rows in usable.groupby(["site", "trial", "growing_season"]):
        days = rows["harvested_on"]
        apart = (days.max() - days.min()).days
        if apart < LEAST_DAYS:
            parts.append(rows)
            continue
        try:
            line = fit_dry_down(frame[frame["site"].eq(site)])
            parts.append(moisture_on(rows, days.median().normalize(), line))
        except ValueError as error:
            words.append(
                f"Moistures of {trial} in {season} are not compared: it was cut on days up to "
                f"{apart} days apart. {str(error).rstrip('.')}."
            )
            continue
        words.append(
            f"Moistures of {trial} in {season}, cut on days up to {apart} days apart, were moved "
            "along the site's dry-down line to one day."
        )
    return pd.concat(parts, ignore_index=True), words


def check_moisture(moisture_pct):
    """Moisture as floats; refuses values outside 0 <= M < 100 %, leaves missing ones missing."""
    moisture = np.asarray(moisture_pct, float)
    if ((moisture < 0) | (moisture >= 100)).any():
        raise ValueError("moisture_pct must lie in 0 ≤ M < 100 (wet basis, percent)")
    return moisture


def net_calorific_value(moisture_pct, ncv_dry_mj_kg=NCV_DRY_MJ_KG):
    """Net calorific value as received [MJ/kg fresh mass].

    Parameters
    ----------
    moisture_pct : array_like
        Moisture, wet basis [%], 0 <= M < 100; missing stays missing.
    ncv_dry_mj_kg : float or array_like
        Net calorific value of the dry matter at constant pressure [MJ/kg], over 0.

    Returns
    -------
    ndarray

    Raises
    ------
    ValueError
        A value out of range.

    Notes
    -----
    ``q = q_dry (1 - M/100) - 0.02443 M``. The water's own evaporation is all that is taken off: ash
    and hydrogen are in ``q_dry``.

    References
    ----------
    ISO 18125:2017 and ISO 17225-1:2021, annex on the calculation for a required moisture (formula
    from memory).

    Examples
    --------
    >>> net_calorific_value([10, 30], 18.5).round(2)
    array([16.41, 12.22])
    """
    moisture, dry = check_moisture(moisture_pct), np.asarray(ncv_dry_mj_kg, float)
    if not (dry[~np.isnan(dry)] > 0).all():
        raise ValueError("ncv_dry_mj_kg must be over 0")
    return dry * (1 - moisture / 100) - EVAPORATION_MJ_KG * moisture / 100


def energy_yield(dry_yield_t_ha, moisture_pct, ncv_dry_mj_kg=NCV_DRY_MJ_KG):
    """Energy of a hectare's harvest as it was cut [GJ/ha].

    Parameters
    ----------
    dry_yield_t_ha : array_like
        Dry yield [t/ha], >= 0; missing stays missing.
    moisture_pct : array_like
        Moisture, wet basis [%], 0 <= M < 100, of the biomass as used.
    ncv_dry_mj_kg : float or array_like
        Net calorific value of the dry matter [MJ/kg].

    Returns
    -------
    ndarray
        Fresh yield times :func:`net_calorific_value`; 1 t/ha x 1 MJ/kg = 1 GJ/ha.

    Raises
    ------
    ValueError
        A value out of range.

    Examples
    --------
    >>> energy_yield(10, [15, 30, 40], 17).round(0)
    array([166., 160., 154.])
    """
    dry = np.asarray(dry_yield_t_ha, float)
    if (dry < 0).any():
        raise ValueError("dry_yield_t_ha must be at least 0")
    moisture = check_moisture(moisture_pct)
    return dry / (1 - moisture / 100) * net_calorific_value(moisture, ncv_dry_mj_kg)


def moisture_class(moisture_pct):
    """Moisture class by the next class limit at or above the value: M10, M15 ... M55, M55+.

    Parameters
    ----------
    moisture_pct : array_like
        Moisture, wet basis [%], 0 <= M < 100; missing gives a missing class.

    Returns
    -------
    ndarray of str or None

    Raises
    ------
    ValueError
        Moisture out of range.

    Notes
    -----
    The names follow ISO 17225-1 from memory: check them against the standard before a contract
    rests on them.

    Examples
    --------
    >>> moisture_class([9.0, 10.0, 10.1, 56.0]).tolist()
    ['M10', 'M10', 'M15', 'M55+']
    """
    moisture = np.atleast_1d(check_moisture(moisture_pct))
    limit = np.maximum(CLASS_STEP_PCT * np.ceil(moisture / CLASS_STEP_PCT), CLASS_FIRST_PCT)
    last = f"M{CLASS_LAST_PCT}+"
    names = [None if np.isnan(v) else f"M{v:.0f}" if v <= CLASS_LAST_PCT else last for v in limit]
    return np.array(names, dtype=object)
