"""Two estimates of every hybrid against each other, and the columns of tables with one block per
season.
"""

import pandas as pd
from matplotlib.axes import Axes

from culmbook.show import Column
from culmbook.show.palette import CANDIDATE, CONTROL, MARKERS


def plot_diamonds(
    ax: Axes, frame: pd.DataFrame, *, x: str, y: str, controls=(), filled: str = ""
) -> Axes:
    """Draw every hybrid as a diamond that reaches as far as the intervals of both its estimates.

    Parameters
    ----------
    ax : Axes
    frame : DataFrame
        ``hybrid``, the estimates `x` and `y`, and each with ``_lower`` and ``_upper``.
    x, y : str
        Columns with the estimates.
    controls : list of str
        Hybrids drawn as controls, by colour and marker.
    filled : str
        Yes/no column of the hybrids whose diamond is filled darker.

    Returns
    -------
    Axes
    """
    is_control = frame["hybrid"].isin(list(controls))
    light = min(0.06, 0.6 / max(len(frame), 1))  # many diamonds on top of each other stay light
    for row in frame.assign(is_control=is_control).to_dict("records"):
        across = row[f"{x}_lower"], row[x], row[f"{x}_upper"], row[x], row[f"{x}_lower"]
        up = row[y], row[f"{y}_upper"], row[y], row[f"{y}_lower"], row[y]
        colour = CONTROL if row["is_control"] else CANDIDATE
        alpha = 0.35 if row.get(filled) else light
        ax.fill(across, up, facecolor=colour, alpha=alpha, edgecolor="none")
        ax.plot(across, up, color=colour, linestyle="-", linewidth=0.5, alpha=0.4)
    for own, colour, marker in (
        (~is_control, CANDIDATE, MARKERS[0]),
        (is_control, CONTROL, MARKERS[1]),
    ):
        ax.plot(
            frame[x][own], frame[y][own], marker, color=colour, markersize=3.5, linestyle="none"
        )
    return ax


def season_columns(
    seasons: list[str], name: str, heading: str, unit: str = "", *, digits: int, level: float
) -> dict[str, Column]:
    """Columns ``name_2025`` and ``interval_2025`` of every season, as :func:`by_season` names them.

    Parameters
    ----------
    seasons : list of str
    name, heading, unit : str
        Column of the estimate, and how it is headed.
    digits : int
    level : float
        Confidence of the intervals.
    """
    columns = {}
    for season in seasons:
        ends, own = (f"lower_{season}", f"upper_{season}"), f"{round(100 * level)} % interval"
        columns[f"{name}_{season}"] = Column(f"{heading} {season}", unit, digits, "number")
        columns[f"interval_{season}"] = Column(own, unit, digits, "interval", ends=ends)
    return columns


def by_season(frame: pd.DataFrame) -> pd.DataFrame:
    """One row per hybrid, a block of columns per season: ``yield_t_ha_2024, lower_2024, …``."""
    wide = frame.pivot(index="hybrid", columns="season")
    wide.columns = [f"{name}_{season}" for name, season in wide.columns]
    return wide.reset_index()
