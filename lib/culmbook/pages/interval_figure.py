"""Estimates with their intervals, one line per hybrid."""

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from culmbook.show.figures import MOST_NAMES, short_name
from culmbook.show.palette import CANDIDATE, CONTROL, LINES


def plot_intervals(
    frame: pd.DataFrame,
    controls: list[str],
    *,
    centre: str,
    xlabel: str,
    ax: Axes,
    reference: float | None = None,
) -> Axes:
    """Draw estimates with intervals, first row on top.

    Parameters
    ----------
    frame : DataFrame
        ``hybrid``, the centre, ``lower, upper``, in the order to draw from the top.
    controls : list of str
        Hybrids drawn as controls, by colour and marker.
    centre : str
        Column with the estimate.
    xlabel : str
        With the unit.
    ax : Axes
    reference : float, optional
        Value to mark by a broken line.

    Returns
    -------
    Axes
    """
    place = np.arange(len(frame))[::-1]
    for is_control, colour, marker, width in (
        (False, CANDIDATE, "o", 1.4),
        (True, CONTROL, "s", 2.2),
    ):
        own = frame["hybrid"].isin(controls).to_numpy() == is_control
        ax.hlines(
            place[own], frame["lower"][own], frame["upper"][own], color=colour, linewidth=width
        )
        ax.plot(
            frame[centre][own], place[own], marker, color=colour, linestyle="none", markersize=4
        )
    if reference is not None:
        ax.axvline(reference, color=CONTROL, linewidth=1.4, linestyle=LINES[1], zorder=1.5)
    step = int(np.ceil(max(len(frame), 1) / MOST_NAMES))
    ax.set_yticks(place[::step], [short_name(str(name)) for name in frame["hybrid"][::step]])
    ax.tick_params(axis="y", length=0)
    ax.set(ylim=(-0.7, len(frame) - 0.3), xlabel=xlabel)
    ax.grid(axis="x")
    return ax
