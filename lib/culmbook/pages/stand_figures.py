"""Figures of establishment, survival and stand."""

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from culmbook.show.figures import _name_rows, short_name
from culmbook.show.palette import (
    CANDIDATE,
    CONTROL,
    LINES,
    MARKERS,
    MUTED,
    SERIES,
    VERDICT_COLOURS,
    VERDICT_HATCHES,
    page_size,
)

ROW_IN = 0.13  # height of a hybrid's line: 7.5 pt names do not touch, and 26 fit in less than half a page
TALLEST_IN = 8.5
MOST_NAMES = int((TALLEST_IN - 0.9) / ROW_IN)  # names that fit the tallest figure
LONGEST_NAME = 24  # characters; a longer name would squeeze the axes


def _lines(ax, frame, centre, lower, upper, controls):
    """One horizontal interval per hybrid, first row on top; controls by colour and marker."""
    place = np.arange(len(frame))[::-1]
    for is_control, colour, marker in ((False, CANDIDATE, "o"), (True, CONTROL, "s")):
        mask = frame["hybrid"].isin(controls).to_numpy() == is_control
        ax.hlines(
            place[mask],
            frame[lower][mask],
            frame[upper][mask],
            color=colour,
            linewidth=1.4 if not is_control else 2.2,
        )
        ax.plot(
            frame[centre][mask], place[mask], marker, color=colour, linestyle="none", markersize=4
        )
    _name_rows(ax, place, list(frame["hybrid"]))
    ax.grid(axis="x")
    return ax


def plot_shares(frame: pd.DataFrame, controls: list[str], *, xlabel: str, ax: Axes) -> Axes:
    """Shares with intervals, one line per hybrid.

    Parameters
    ----------
    frame : DataFrame
        ``hybrid, share, lower, upper`` (0-1), in the order to draw from the top.
    controls : list of str
        Hybrids drawn as controls.
    xlabel : str
        Axis title; the axis is in percent.
    ax : Axes

    Returns
    -------
    Axes
    """
    shown = frame.assign(**{c: 100 * frame[c] for c in ("share", "lower", "upper")})
    _lines(ax, shown, "share", "lower", "upper", controls)
    low, high = 10 * np.floor(shown["lower"].min() / 10), 10 * np.ceil(shown["upper"].max() / 10)
    ax.set_xlim(max(min(low, high - 20), 0) - 0.5, max(high, low + 20) + 0.5)
    ax.set_xlabel(xlabel)
    return ax


def plot_differences(frame: pd.DataFrame, control: str, *, ax: Axes) -> Axes:
    """Differences from the control with simultaneous intervals.

    Parameters
    ----------
    frame : DataFrame
        From :func:`culmbook.stand.model.against_control`.
    control : str
        The control's code, for the axis.
    ax : Axes

    Returns
    -------
    Axes
    """
    shown = frame.assign(**{c: 100 * frame[c] for c in ("difference", "lower", "upper")})
    _lines(ax, shown, "difference", "lower", "upper", [])
    ax.axvline(0, color=CONTROL, linewidth=1.4, linestyle=LINES[1], zorder=1.5)
    ax.set_xlabel(f"Difference from {short_name(control)} [percentage points]")
    return ax


def plot_treatments(shares: pd.DataFrame, *, ax: Axes) -> Axes:
    """Share by planting treatment with intervals of the main-plot stratum.

    Parameters
    ----------
    shares : DataFrame
        ``treatment, share, lower, upper`` (0-1) from :func:`culmbook.stand.treatments.fit_treatments`.
    ax : Axes

    Returns
    -------
    Axes
    """
    place = np.arange(len(shares))[::-1]
    ax.hlines(place, 100 * shares["lower"], 100 * shares["upper"], color=CANDIDATE, linewidth=1.6)
    ax.plot(100 * shares["share"], place, "o", color=CANDIDATE, linestyle="none")
    ax.set_yticks(place, shares["treatment"])
    ax.set_ylim(-0.6, len(shares) - 0.4)
    ax.grid(axis="x")
    ax.set_xlabel("Established by autumn [%]")
    return ax


def plot_survival(table: pd.DataFrame, named: list[str], *, ax: Axes) -> Axes:
    """Share of the planted plants alive at each count, a line per hybrid.

    Parameters
    ----------
    table : DataFrame
        ``hybrid, interval, order, survival`` (0-1).
    named : list of str
        At most six hybrids to draw in colour and name in the legend; the others stay pale.
    ax : Axes

    Returns
    -------
    Axes
    """
    steps = table.drop_duplicates("order").sort_values("order")
    at, handles = {0: 0} | {order: i + 1 for i, order in enumerate(steps["order"])}, {}
    for hybrid, rows in table.sort_values("order").groupby("hybrid"):
        k = named.index(hybrid) if hybrid in named else None
        look = (
            {"color": MUTED, "linewidth": 0.6, "linestyle": "-", "alpha": 0.55, "zorder": 1}
            if k is None
            else {"color": SERIES[k], "linestyle": LINES[k], "marker": MARKERS[k], "zorder": 3}
        )
        line = ax.plot([0, *rows["order"].map(at)], [100, *(100 * rows["survival"])], **look)[0]
        if k is not None:
            handles[hybrid] = line
    ax.set_xticks(range(len(at)), ["planted", *steps["interval"]])
    ax.set_ylim(0, 103)
    ax.set_ylabel("Alive [% of planted]")
    ax.grid(axis="y")
    drawn = [hybrid for hybrid in named if hybrid in handles]
    # a name may start with an underscore, which a legend hides unless its text is set afterwards
    legend = ax.legend(
        [handles[h] for h in drawn],
        [str(i) for i in range(len(drawn))],
        loc="lower center",
        bbox_to_anchor=(0.5, 1.0),
        ncols=len(drawn) if max(map(len, drawn), default=0) < 9 else 2,
    )
    for text, hybrid in zip(legend.get_texts(), drawn, strict=True):
        text.set_text(short_name(hybrid))
    return ax


def plot_verdicts(frame: pd.DataFrame, *, ax: Axes) -> Axes:
    """Chances that a future plot is good, needs gaps filled, or must be replanted; one bar per hybrid.

    Parameters
    ----------
    frame : DataFrame
        ``hybrid, p_good, p_fill, p_replant`` (sum 1), in the order to draw from the top.
    ax : Axes

    Returns
    -------
    Axes
    """
    place, left = np.arange(len(frame))[::-1], np.zeros(len(frame))
    for column, verdict in (("p_good", "good"), ("p_fill", "fill gaps"), ("p_replant", "replant")):
        width = 100 * frame[column].to_numpy()
        ax.barh(
            place,
            width,
            left=left,
            height=0.72,
            color=VERDICT_COLOURS[verdict],
            hatch=VERDICT_HATCHES[verdict],
            edgecolor="white",
            linewidth=0.4,
            label=verdict,
        )
        left = left + width
    _name_rows(ax, place, list(frame["hybrid"]))
    ax.set_xlim(0, 100)
    ax.set_xlabel("Chance for a future plot [%]")
    ax.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=3)
    return ax


def new_figure(height_in: float, share: float = 1.0) -> tuple[Figure, Axes]:
    """A figure of printed size with one axes, constrained layout."""
    figure = Figure(figsize=page_size(height_in, share), layout="constrained")
    return figure, figure.subplots()
