"""Figures of freeze tests: curves one by one, and LT50 against the control."""

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from culmbook.show.figures import MOST_NAMES, short_name
from culmbook.show.palette import CANDIDATE, CONTROL, INK, LINES, MUTED, RULE, page_size

COLUMNS = 6
ROW_IN = 0.95
MOST_ROWS = 8
MOST_CURVES = COLUMNS * MOST_ROWS
_EDGE = 0.02  # of the axis: room for arrows and words


def panels_height(curves: int) -> float:
    """Height [in] of :func:`plot_curves` for a number of hybrids."""
    return 0.5 + ROW_IN * min(int(np.ceil(curves / COLUMNS)), MOST_ROWS)


def plot_curves(
    curves: pd.DataFrame, points: pd.DataFrame, table: pd.DataFrame, controls: list[str]
) -> Figure:
    """One small panel per hybrid: units alive, the fitted curve and its band, LT50 with its interval.

    Parameters
    ----------
    curves : DataFrame
        ``hybrid, temperature_c, alive, lower, upper`` (0-1), of
        :func:`culmbook.frost.freeze_curves.survival_curves`.
    points : DataFrame
        Of :func:`culmbook.frost.freeze_tests.observed_survival`.
    table : DataFrame
        Of :func:`culmbook.frost.freeze_curves.lethal_temperatures`; its order is that of the panels. Hybrids with
        an answer in words show it and no curve.
    controls : list of str

    Returns
    -------
    Figure

    Raises
    ------
    ValueError
        More hybrids than fit a page (48).
    """
    if len(table) > MOST_CURVES:
        raise ValueError(
            f"{len(table)} hybrids do not fit one page of {MOST_CURVES} panels: draw them in parts"
        )
    rows = int(np.ceil(len(table) / COLUMNS))
    figure = Figure(figsize=page_size(panels_height(len(table))), layout="constrained")
    grid = figure.subplots(rows, min(COLUMNS, len(table)), sharex=True, sharey=True, squeeze=False)
    for ax, row in zip(grid.flat, table.itertuples(), strict=False):
        colour = CONTROL if row.hybrid in controls else CANDIDATE
        of_curve, of_points = (frame[frame["hybrid"].eq(row.hybrid)] for frame in (curves, points))
        _panel(ax, row, of_curve, of_points, colour)
    for ax in grid.flat[len(table) :]:
        ax.set_visible(False)
    for j, ax in enumerate(grid[-1]):
        if not ax.get_visible():
            grid[-2, j].tick_params(labelbottom=True)
    grid[0, 0].set_ylim(-4, 104)
    grid[0, 0].set_yticks([0, 50, 100])
    figure.supxlabel("Temperature [°C]")
    figure.supylabel("Alive [%]")
    return figure


def _panel(ax, row, curve, points, colour):
    ax.axhline(50, color=RULE, linewidth=0.5)
    frozen = points[points["temperature_c"].notna()]
    at = frozen["temperature_c"]
    ax.vlines(at, 100 * frozen["lower"], 100 * frozen["upper"], color=MUTED, linewidth=0.7)
    ax.plot(at, 100 * frozen["share"], "o", color=colour, markersize=2.4, linestyle="none")
    if row.answer:
        high = (
            points["kill"].max() > 1 - points["kill"].min()
        )  # most units dead: the words stand above them
        ax.text(
            0.98,
            0.95 if high else 0.05,
            _in_lines(row.answer.split(", test")[0]),
            fontsize=7,
            color=INK,
            transform=ax.transAxes,
            ha="right",
            va="top" if high else "bottom",
        )
    else:
        ax.fill_between(
            curve["temperature_c"],
            100 * curve["lower"],
            100 * curve["upper"],
            color=colour,
            alpha=0.2,
            linewidth=0,
        )
        ax.plot(curve["temperature_c"], 100 * curve["alive"], color=colour, linewidth=1.1)
        ax.hlines(4, row.lt50_lower_c, row.lt50_upper_c, color=INK, linewidth=1.6)
        ax.plot(row.lt50_c, 4, "|", color=INK, markersize=5)
    ax.set_title(short_name(str(row.hybrid)), fontsize=7.5)


def _in_lines(answer, width=15):
    """An answer broken into short lines."""
    lines = [""]
    for word in answer.split():
        if len(lines[-1]) + len(word) + 1 > width and lines[-1]:
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}".strip()
    return "\n".join(lines)


def plot_lt50(table: pd.DataFrame, control: str, *, ax: Axes) -> Axes:
    """Differences of LT50 from the control with intervals, one line per hybrid, hardiest on top.

    Parameters
    ----------
    table : DataFrame
        ``hybrid, difference_c, lower_c, upper_c`` [°C], ``answer``; of
        :func:`culmbook.frost.freeze_curves.against_control` or :func:`culmbook.frost.leakage.leakage_against_control`. A
        hybrid without a number shows its answer.
    control : str
    ax : Axes

    Returns
    -------
    Axes
    """
    place = np.arange(len(table))[::-1]
    known = table["difference_c"].notna().to_numpy()
    left, right = _range(table[known])
    lower, upper = (np.clip(table[c][known], left, right) for c in ("lower_c", "upper_c"))
    ax.axvline(0, color=CONTROL, linewidth=1.4, linestyle=LINES[1], zorder=1.5)
    ax.hlines(place[known], lower, upper, color=CANDIDATE, linewidth=1.4)
    ax.plot(
        table["difference_c"][known],
        place[known],
        "o",
        color=CANDIDATE,
        linestyle="none",
        markersize=4,
    )
    for at, answer in zip(place[~known], table["answer"][~known], strict=True):
        ax.text(left, at, answer, fontsize=7, color=MUTED, va="center")
    step = int(
        np.ceil(len(table) / MOST_NAMES)
    )  # a list longer than the page names every second or third
    ax.set_yticks(place[::step], [short_name(str(name)) for name in table["hybrid"][::step]])
    ax.set_ylim(-0.7, len(table) - 0.3)
    ax.tick_params(axis="y", length=0)
    ax.set_xlim(left - _EDGE * (right - left), right + _EDGE * (right - left))
    ax.grid(axis="x")
    ax.set_xlabel(f"LT50 less that of {short_name(control)} [°C]; hardier to the left")
    return ax


def _range(known):
    """Limits of the axis: all differences, and of their intervals what is not far beyond them."""
    if known.empty:
        return -1.0, 1.0
    low, high = min(known["difference_c"].min(), 0.0), max(known["difference_c"].max(), 0.0)
    reach = max(high - low, 1.0)
    left, right = min(known["lower_c"].min(), low), max(known["upper_c"].max(), high)
    return max(low - reach, left), min(high + reach, right)
