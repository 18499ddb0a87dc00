"""Figures of the harvest: yields of the hybrids, their differences from the control, and drying."""

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.dates import AutoDateLocator, ConciseDateFormatter, date2num

from culmbook.pages.interval_figure import plot_intervals
from culmbook.show.figures import short_name
from culmbook.show.palette import CANDIDATE, CONTROL, INK, MUTED
from culmbook.yields.moisture import Trend


def plot_yields(
    means: pd.DataFrame, controls: list[str], *, ax: Axes, xlabel: str = "Dry yield [t/ha]"
) -> Axes:
    """Mean yield of each hybrid with its interval.

    Parameters
    ----------
    means : DataFrame
        From :func:`culmbook.yields.means.hybrid_means`.
    controls : list of str
    ax : Axes
    xlabel : str
        With the unit.

    Returns
    -------
    Axes
    """
    return plot_intervals(means, controls, centre="mean", xlabel=xlabel, ax=ax)


def plot_yield_differences(
    differences: pd.DataFrame, control: str, *, ax: Axes, unit: str = "t/ha"
) -> Axes:
    """Differences from the control with their intervals.

    Parameters
    ----------
    differences : DataFrame
        From :func:`culmbook.yields.means.against_control`.
    control : str
    ax : Axes
    unit : str

    Returns
    -------
    Axes
    """
    xlabel = f"Difference from {short_name(control)} [{unit}]"
    return plot_intervals(differences, [], centre="difference", xlabel=xlabel, ax=ax, reference=0.0)


def plot_dry_down(
    frame: pd.DataFrame, trend: Trend | None, controls: list[str], *, ax: Axes
) -> Axes:
    """Measured moisture of every plot on its day of cutting, with the dry-down line where there is one.

    Parameters
    ----------
    frame : DataFrame
        From :func:`culmbook.yields.harvest.plot_harvests`, one site and season.
    trend : Trend or None
        From :func:`culmbook.yields.moisture.fit_dry_down`; drawn through the mean of the plots.
    controls : list of str
    ax : Axes

    Returns
    -------
    Axes
    """
    rows = frame[frame["moisture_from"].eq("measured")]
    day = date2num(rows["harvested_on"].to_numpy())
    is_control = rows["hybrid"].isin(controls).to_numpy()
    # plots cut on one day would hide each other: set apart by less than a day
    shift = (np.arange(len(rows)) * 0.618034) % 1 * 0.7 - 0.35
    for own, colour, marker, label in (
        (~is_control, CANDIDATE, "o", "hybrids"),
        (is_control, CONTROL, "s", "control"),
    ):
        if own.any():
            ax.plot(
                (day + shift)[own],
                rows["moisture_pct"].to_numpy()[own],
                marker,
                color=colour,
                linestyle="none",
                markersize=3.2,
                alpha=0.8,
                label=label,
            )
    if trend is not None and len(rows):
        ends = np.array([day.min(), day.max()])
        line = rows["moisture_pct"].mean() + trend.slope * (ends - day.mean())
        ax.plot(ends, line, color=INK, linewidth=1.4, linestyle="-", label="dry-down line")
    if len(rows):
        ax.set_xlim(day.min() - 2, day.max() + 2)
    locator = AutoDateLocator(minticks=2, maxticks=8)
    ax.xaxis.set_major_locator(locator)
    ax.xaxis.set_major_formatter(ConciseDateFormatter(locator))
    ax.set(ylabel="Moisture [% of fresh mass]", xlabel="Day of cutting")
    ax.grid(axis="y", color=MUTED, alpha=0.3)
    ax.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=3)
    return ax
