"""How wet is each hybrid on one and the same day, and what does standing through winter cost?

Cuts on different days are compared along the site's dry-down line, which needs hybrids of one trial cut on
at least two days.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from culmbook.stats.line import partial_slope
from culmbook.text.numbers import fmt_date, fmt_number
from culmbook.yields.harvest import MEASURED

LEAST_DAYS = 7


@dataclass(frozen=True)
class Trend:
    """Change per day of one quantity, hybrids and trials held apart.

    ``slope`` with ``se, df, lower, upper``; ``sites, first_on, last_on, n_plots, n_days`` what it rests on.
    """

    slope: float
    se: float
    df: int
    lower: float
    upper: float
    sites: tuple
    first_on: pd.Timestamp
    last_on: pd.Timestamp
    n_plots: int
    n_days: int


def fit_dry_down(
    frame: pd.DataFrame, *, least_days: int = LEAST_DAYS, level: float = 0.95
) -> Trend:
    """Points of moisture lost or gained per day at a site.

    Parameters
    ----------
    frame : DataFrame
        From :func:`culmbook.yields.harvest.plot_harvests`, one site; early cuts are welcome here.
    least_days : int
        Days that must lie between the first and last cut of a trial and season for it to tell, over 0.
    level : float
        Confidence of the interval, 0-1.

    Returns
    -------
    Trend
        In points of moisture per day (negative while drying).

    Raises
    ------
    ValueError
        Where no trial was cut on two days far enough apart, with hybrids on both: the sentence says so.

    Notes
    -----
    Least squares of measured moisture on the day of cutting, with hybrids and trial x season fixed: cuts of
    different seasons or trials say nothing about drying. Straight between the first and the last cut only.
    """
    rows = frame[frame["moisture_from"].eq(MEASURED) & frame["status"].eq("ok")]
    return _trend(rows, "moisture_pct", least_days, level, "dry-down line")


def _trend(rows, column, least_days, level, what):
    day = (rows["harvested_on"] - pd.Timestamp(2000, 1, 1)).dt.days.astype(float)
    place = [rows["site"], rows["trial"], rows["growing_season"]]
    far = day.groupby(place).transform(np.ptp) >= least_days
    rows, day = rows[far], day[far]
    if rows.empty:
        raise ValueError(
            f"There is no {what}: no trial was cut on two days at least {least_days} days apart"
        )
    place = (
        rows["site"].astype(str)
        + ":"
        + rows["trial"].astype(str)
        + ":"
        + rows["growing_season"].astype(str)
    )
    try:
        line = partial_slope(day, rows[column], [place, rows["hybrid"]], level)
    except ValueError:
        raise ValueError(
            f"There is no {what}: the cuts of different days share too few hybrids"
        ) from None
    return Trend(
        line.slope,
        line.se,
        line.df,
        line.lower,
        line.upper,
        tuple(sorted(set(rows["site"]))),
        rows["harvested_on"].min(),
        rows["harvested_on"].max(),
        len(rows),
        int(rows["harvested_on"].nunique()),
    )


def moisture_on(frame: pd.DataFrame, day, trend: Trend | None) -> pd.DataFrame:
    """Measured moisture of every plot, moved along the dry-down line to one day.

    Parameters
    ----------
    frame : DataFrame
        From :func:`culmbook.yields.harvest.plot_harvests`, one site and season. Filled moistures are not used.
    day : date-like
        The common day.
    trend : Trend or None
        From :func:`fit_dry_down`; None if all were cut on that day.

    Returns
    -------
    DataFrame
        Rows with measured moisture that were not left out, with ``days_moved`` and ``moisture_then_pct``.

    Raises
    ------
    ValueError
        Plots cut on other days without a line, or a day outside those the line was fitted on.
    """
    day = pd.Timestamp(day)
    rows = frame[frame["moisture_from"].eq(MEASURED) & frame["left_out"].isna()]
    moved = (day - rows["harvested_on"]).dt.days
    if trend is None and moved.any():
        raise ValueError(
            f"{int((moved != 0).sum())} of {len(rows)} plots were not cut on {fmt_date(day)}, "
            "and without a dry-down line their moistures are not comparable"
        )
    slope = 0.0 if trend is None else trend.slope
    if trend is not None and not _same_season(trend, day):
        raise ValueError(f"{fmt_date(day)} lies outside the days the dry-down line rests on")
    return rows.assign(days_moved=moved, moisture_then_pct=rows["moisture_pct"] + slope * moved)


def _same_season(trend, day):
    """Whether a day of the year lies between the first and the last cut that the line rests on."""
    of_year = [
        (d - pd.Timestamp(d.year - (d.month < 7), 7, 1)).days
        for d in (trend.first_on, day, trend.last_on)
    ]
    return min(of_year[0], of_year[2]) <= of_year[1] <= max(of_year[0], of_year[2])


def fit_winter_loss(
    frame: pd.DataFrame, *, least_days: int = LEAST_DAYS, level: float = 0.95
) -> Trend:
    """Dry matter lost per day of standing, on the log scale.

    Parameters
    ----------
    frame : DataFrame
        From :func:`culmbook.yields.harvest.plot_harvests`; plots with a yield over 0 that are not set aside and no
        suspected slip, early cuts included.
    least_days : int
        As for :func:`fit_dry_down`.
    level : float
        Confidence of the interval, 0-1.

    Returns
    -------
    Trend
        Change of log dry yield per day: -0.004 is 0.4 % lost a day.

    Raises
    ------
    ValueError
        Where no trial was cut on two days far enough apart: one date shows no loss.

    Notes
    -----
    A plot is cut once, so the loss is read between plots: it is sound only where chance decided which plots
    were cut early.
    """
    keep = (
        frame["dry_yield_t_ha"].gt(0)
        & frame["status"].eq("ok")
        & ~frame["is_slip"]
        & frame["plot_status"].eq("ok")
    )
    rows = frame[keep & frame["moisture_from"].eq(MEASURED)]
    logs = rows.assign(log_yield=np.log(rows["dry_yield_t_ha"]))
    return _trend(logs, "log_yield", least_days, level, "estimate of the winter loss")


def trend_words(trend: Trend, *, is_loss: bool = False) -> str:
    """Say what a line shows and rests on.

    Parameters
    ----------
    trend : Trend
    is_loss : bool
        Whether it is that of :func:`fit_winter_loss`.
    """
    factor, unit = (100, " % of the dry matter") if is_loss else (1, " points of moisture")
    low, high = sorted((factor * trend.lower, factor * trend.upper))
    return (
        f"{fmt_number(factor * trend.slope, 2)}{unit} per day ({fmt_number(low, 2)} to "
        f"{fmt_number(high, 2)}), from {trend.n_plots} plots cut on {trend.n_days} days between "
        f"{fmt_date(trend.first_on)} and {fmt_date(trend.last_on)}."
    )


def standing_loss(frame: pd.DataFrame, *, level: float = 0.95) -> pd.DataFrame:
    """What was cut less than what stood when the stems were measured, by site and season.

    Parameters
    ----------
    frame : DataFrame
        From :func:`culmbook.yields.components.with_yield`; plots without both a product of components and a cut are
        not used.
    level : float
        Confidence of each interval, 0-1.

    Returns
    -------
    DataFrame
        ``site, growing_season, n_plots, loss, lower, upper``: shares 0-1 of the standing mass, below 0 where
        more was cut than the components gave. Sites and seasons with fewer than three plots are not in it.

    Notes
    -----
    One less the ratio of all that was cut to all that stood, with the ratio estimator's standard error and
    Student's t over plots. It holds winter losses, stubble, fallen leaves and whatever either measurement is
    off by: a difference between seasons or sites says more than the figure itself.

    References
    ----------
    Cochran (1977) Sampling Techniques, 3rd ed., section 2.11.
    """
    whole = frame[frame["product_t_ha"].gt(0) & frame["dry_yield_t_ha"].gt(0)]
    place = [whole["site"], whole["growing_season"]]
    totals = whole.groupby(place)[["dry_yield_t_ha", "product_t_ha"]].transform("sum")
    rest = (
        whole["dry_yield_t_ha"]
        - totals["dry_yield_t_ha"] / totals["product_t_ha"] * whole["product_t_ha"]
    )
    table = (
        whole.assign(square=rest**2)
        .groupby(["site", "growing_season"], as_index=False)
        .agg(
            n_plots=("square", "size"),
            cut=("dry_yield_t_ha", "sum"),
            stood=("product_t_ha", "sum"),
            square=("square", "sum"),
        )
    )
    table = table[table["n_plots"] >= 3].reset_index(drop=True)
    n, loss = table["n_plots"], 1 - table["cut"] / table["stood"]
    half = (
        stats.t.ppf(0.5 + level / 2, n - 1)
        * np.sqrt(n * table["square"] / (n - 1))
        / table["stood"]
    )
    return table[["site", "growing_season", "n_plots"]].assign(
        loss=loss, lower=loss - half, upper=loss + half
    )


def at_common_dates(
    frame: pd.DataFrame, *, least_days: int = LEAST_DAYS
) -> tuple[pd.DataFrame, list[str]]:
    """Moistures of every trial and season at its middle day of cutting.

    Parameters
    ----------
    frame : DataFrame
        From :func:`culmbook.yields.harvest.plot_harvests`, any sites and seasons.
    least_days : int
        Cuts of a trial that lie fewer days apart than this count as cut on one day.

    Returns
    -------
    DataFrame
        Rows with measured moisture that were not left out, with ``days_moved`` and ``moisture_then_pct``;
        without trials cut on days further apart whose site has no dry-down line.
    list of str
        Which trials were moved along the line and which left out, in sentences.
    """
    usable = frame[frame["moisture_from"].eq(MEASURED) & frame["left_out"].isna()]
    parts, words = (
        [usable.assign(days_moved=0, moisture_then_pct=usable["moisture_pct"]).iloc[:0]],
        [],
    )
    for (site, trial, season), rows in usable.groupby(["site", "trial", "growing_season"]):
        days = rows["harvested_on"]
        apart = (days.max() - days.min()).days
        if apart < least_days:
            parts.append(rows.assign(days_moved=0, moisture_then_pct=rows["moisture_pct"]))
            continue
        try:
            moved = moisture_on(
                rows, days.median().normalize(), fit_dry_down(frame[frame["site"].eq(site)])
            )
        except ValueError as error:
            words.append(
                f"Moistures of {trial} in {season} are not compared: it was cut on days up to "
                f"{apart} days apart. {str(error).rstrip('.')}."
            )
            continue
        parts.append(moved)
        words.append(
            f"Moistures of {trial} in {season}, cut on days up to {apart} days apart, were moved "
            "along the site's dry-down line to one day."
        )
    return pd.concat(parts, ignore_index=True), words
