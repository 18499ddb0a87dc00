"""Figures of the field's unevenness: maps of yield, trend and rest beside each other, and variograms."""

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.colors import LinearSegmentedColormap, Normalize
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from culmbook.show.field_map import draw_borders
from culmbook.show.palette import (
    GRADIENT,
    HATCHES,
    INK,
    LINES,
    MARKERS,
    PAGE_WIDTH_IN,
    RULE,
    SERIES,
    page_size,
)
from culmbook.text.numbers import MINUS, fmt_number

AROUND_ZERO = LinearSegmentedColormap.from_list(
    "around zero", ["#8A4F0F", "#E3B661", "#F7F4EC", "#9CC3E6", "#1D3C6E"]
)
"""Brown below zero, blue above, which red- and green-blind readers tell apart; in grey, signs do."""
SIGN_PT = 7.0
PANELS = 3
FEW_PAIRS = 30
"""Distances with fewer pairs of plots get an open mark."""
_CELL_IN = (0.13, 0.24)  # least and largest height of a plot
_TALLEST_IN = 8.5
_ROOM_IN = 1.15  # titles, axis and colour bars
_SIGNED = 0.25  # share of the scale from which a plot gets its sign
_NARROWEST_IN = 0.11  # plots narrower than this have no room for a sign
_EMPTY = HATCHES[1]
_SHOWN = 0.95  # share of residuals within the scale
_FACTORS = (1.02, 1.05, 1.1, 1.25, 1.5, 2, 3, 5, 10)


def trend_maps(plots: pd.DataFrame) -> Figure:
    """Three maps of one trial: yield, trend over the field, what is left.

    Parameters
    ----------
    plots : DataFrame
        Every plot of the trial: ``row, column, replicate, block, main_plot, yield_t_ha, trend, residual``;
        the last three missing where a plot is not used. Trend and residual are relative differences (0.1 = 10
        % more), above -1.

    Returns
    -------
    Figure
        Trend and residual share one scale centred at 0. Plots without a value are hatched.

    Raises
    ------
    ValueError
        No plot has a value.
    """
    if plots["yield_t_ha"].notna().sum() == 0:
        raise ValueError("no plot has a value to draw")
    size = plots[["row", "column"]].max() - plots[["row", "column"]].min() + 1
    width = PAGE_WIDTH_IN / PANELS / size["column"]
    height = min(max(1.1 * width, _CELL_IN[0]), _CELL_IN[1]) * size["row"] + _ROOM_IN
    fig = Figure(figsize=page_size(min(height, _TALLEST_IN)), layout="constrained")
    axes = fig.subplots(1, PANELS, sharey=True)
    end = max(plots["trend"].abs().max(), plots["residual"].abs().quantile(_SHOWN), 0.01)
    yields, around = (
        Normalize(plots["yield_t_ha"].min(), plots["yield_t_ha"].max()),
        Normalize(-end, end),
    )
    has_signs = width >= _NARROWEST_IN
    for ax, (column, title, scale, colours) in zip(
        axes,
        [
            ("yield_t_ha", "Yield as harvested", yields, GRADIENT),
            ("trend", "Trend over the field", around, AROUND_ZERO),
            ("residual", "What is left", around, AROUND_ZERO),
        ],
        strict=True,
    ):
        _draw_map(plots, column, scale, colours, ax, has_signs and colours is AROUND_ZERO)
        ax.set_title(title)
    axes[0].set_ylabel("Row")
    _bar(fig, axes[0], yields, GRADIENT, "Dry yield [t/ha]")
    extend = "both" if plots["residual"].abs().max() > end else "neither"
    bar = _bar(fig, axes[1:], around, AROUND_ZERO, "Yield above or below [%]", extend)
    ticks = _even_factors(end)
    bar.set_ticks(ticks, labels=[fmt_number(100 * np.expm1(x), 0) for x in ticks])
    return fig


def _even_factors(end):
    """Log factors for ticks, as far up as down: the two largest round ones within the scale."""
    within = [f for f in _FACTORS if np.log(f) <= end][-2:] or [np.exp(end)]
    up = np.log(within)
    return [*-up[::-1], 0.0, *up]


def _draw_map(plots, column, scale, colours, ax, has_signs):
    for plot in plots.itertuples(index=False):
        value = getattr(plot, column)
        is_empty = pd.isna(value)
        ax.add_patch(
            Rectangle(
                (plot.column - 0.5, plot.row - 0.5),
                1,
                1,
                linewidth=0.3,
                edgecolor=INK if is_empty else RULE,
                facecolor="white" if is_empty else colours(scale(value)),
                hatch=_EMPTY if is_empty else "",
            )
        )
        if has_signs and not is_empty and abs(value) > _SIGNED * scale.vmax:
            ax.text(
                plot.column,
                plot.row,
                "+" if value > 0 else MINUS,
                ha="center",
                va="center_baseline",
                fontsize=SIGN_PT,
                color="white" if abs(value) > 0.6 * scale.vmax else INK,
            )
    draw_borders(plots, ax, thickness=0.5)
    for artist in (*ax.patches, *ax.collections, *ax.texts):
        artist.set_in_layout(False)  # all lie inside the axes: the layout need not measure them
    ends = {c: (plots[c].min(), plots[c].max()) for c in ("row", "column")}
    ax.set(
        xlim=(ends["column"][0] - 0.6, ends["column"][1] + 0.6),
        ylim=(ends["row"][1] + 0.6, ends["row"][0] - 0.6),
        xlabel="Column",
    )
    ax.set_xticks(_ticks(*ends["column"]))
    ax.set_yticks(_ticks(*ends["row"]))
    ax.tick_params(length=0)
    ax.spines[["left", "bottom"]].set_visible(False)


def _ticks(first, last, most=7):
    step = int(-(-(last - first + 1) // most))
    return np.arange(int(first), int(last) + 1, step)


def _bar(fig, axes, scale, colours, label, extend="neither"):
    bar = fig.colorbar(
        ScalarMappable(scale, colours),
        ax=axes,
        location="bottom",
        shrink=0.9 if isinstance(axes, Axes) else 0.6,
        aspect=22,
        pad=0.02,
        label=label,
        extend=extend,
    )
    bar.outline.set_linewidth(0.4)
    if extend == "neither":
        bar.ax.locator_params(axis="x", nbins=4)
    return bar


def variogram_figure(tables: dict[str, pd.DataFrame]) -> Figure:
    """Semivariance of residuals by distance, a panel for each direction and a line for each model.

    Parameters
    ----------
    tables : dict of str to DataFrame
        By model: ``direction, distance, semivariance, n_pairs`` from
        :func:`culmbook.spatial.neighbours.variogram`.

    Returns
    -------
    Figure
        Open marks are distances with fewer than 30 pairs.
    """
    directions = list(dict.fromkeys(d for table in tables.values() for d in table["direction"]))
    fig = Figure(figsize=page_size(2.3), layout="constrained")
    axes = fig.subplots(1, len(directions), sharey=True, squeeze=False)[0]
    for ax, direction in zip(axes, directions, strict=True):
        for k, (name, table) in enumerate(tables.items()):
            own = table[table["direction"].eq(direction)]
            ax.plot(
                own["distance"],
                own["semivariance"],
                color=SERIES[k],
                linestyle=LINES[k],
                label=name,
            )
            for many, face in ((True, SERIES[k]), (False, "white")):
                part = own[own["n_pairs"].ge(FEW_PAIRS) == many]
                ax.plot(
                    part["distance"],
                    part["semivariance"],
                    MARKERS[k],
                    color=SERIES[k],
                    markerfacecolor=face,
                    linestyle="none",
                )
        ax.set(title=direction.capitalize(), xlabel="Distance [plots]", ylim=(0, None))
        ax.xaxis.get_major_locator().set_params(integer=True)
        ax.grid(axis="y")
    axes[0].set(
        ylabel="Semivariance [log yield²]",
        ylim=(0, 1.15 * max(t["semivariance"].max() for t in tables.values())),
    )
    fig.legend(*axes[0].get_legend_handles_labels(), loc="outside upper right", ncols=len(tables))
    return fig
