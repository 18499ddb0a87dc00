"""Figures of choosing: gains beside chances, expected losses, sites that rank alike, what more data "
"bring."""

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import FuncFormatter

from culmbook.selection.decide import DECISIONS, DROP, HOLD, PROMOTE, Costs
from culmbook.show.figures import MOST_NAMES, name_points, short_name
from culmbook.show.palette import CONTROL, INK, LINES, MUTED, SERIES
from culmbook.text.numbers import fmt_number

LOOKS = {PROMOTE: (SERIES[2], "^"), HOLD: (SERIES[1], "D"), DROP: (MUTED, "v")}
"""Colour and marker of each decision."""
LEAST_NAMED = 0.05


def _percent(ax_axis):
    ax_axis.set_major_formatter(FuncFormatter(lambda v, _: fmt_number(100 * v, 0)))


def plot_gains(frame: pd.DataFrame, *, delta: float, k: int, axes) -> list[Axes]:
    """Gains with intervals on the left, the probability of being among the best k on the right.

    Parameters
    ----------
    frame : DataFrame
        ``hybrid, decision, gain, lower, upper, p_top``, in the order to draw from the top; shares.
    delta : float
        Margin over the control, drawn as a dotted line.
    k : int
    axes : sequence of two Axes
        With a common vertical axis.

    Returns
    -------
    list of Axes
    """
    left, right = axes
    place = np.arange(len(frame))[::-1]
    for decision in DECISIONS:
        colour, marker = LOOKS[decision]
        own = frame["decision"].eq(decision).to_numpy()
        if not own.any():
            continue
        left.hlines(
            place[own], frame["lower"][own], frame["upper"][own], color=colour, linewidth=1.4
        )
        left.plot(
            frame["gain"][own],
            place[own],
            marker,
            color=colour,
            linestyle="none",
            markersize=4.5,
            label=decision,
        )
        right.hlines(place[own], 0, frame["p_top"][own], color=colour, linewidth=1.0)
        right.plot(
            frame["p_top"][own], place[own], marker, color=colour, linestyle="none", markersize=4.5
        )
    left.axvline(0, color=CONTROL, linewidth=1.2, linestyle=LINES[1], zorder=1)
    left.axvline(delta, color=INK, linewidth=1.0, linestyle=LINES[2], zorder=1)
    step = int(np.ceil(max(len(frame), 1) / MOST_NAMES))
    left.set_yticks(place[::step], [short_name(str(h)) for h in frame["hybrid"][::step]])
    left.set(ylim=(-0.7, len(frame) - 0.3), xlabel="Gain over the control [%]")
    right.set(
        xlim=(-0.05, 1.04), xlabel=f"{'Best' if k == 1 else f'Among the best {k}'} [% probability]"
    )
    for ax in (left, right):
        ax.tick_params(axis="y", length=0)
        ax.grid(axis="x")
        _percent(ax.xaxis)
    left.figure.legend(*left.get_legend_handles_labels(), loc="outside upper left", ncols=3)
    return [left, right]


def plot_losses(decided: pd.DataFrame, costs: Costs, *, ax: Axes) -> int:
    """Expected loss against the probability of being worth it, a point for the decision on each hybrid.

    Parameters
    ----------
    decided : DataFrame
        From :func:`culmbook.selection.decide.decide`.
    costs : Costs
    ax : Axes

    Returns
    -------
    int
        Names that found no room.
    """
    chance = np.array([0.0, 1.0])
    ax.plot(
        chance,
        costs.wrong_promote * (1 - chance),
        color=LOOKS[PROMOTE][0],
        linestyle=LINES[1],
        linewidth=1.1,
    )
    ax.plot(chance, costs.wrong_drop * chance, color=INK, linestyle=LINES[2], linewidth=1.1)
    shown = decided["loss_hold"].notna() & decided["chance_worthy"].ge(LEAST_NAMED)
    ax.plot(
        decided["chance_worthy"][shown],
        decided["loss_hold"][shown],
        "x",
        color=SERIES[1],
        markersize=4,
        linestyle="none",
        label="hold, not taken",
    )
    for decision in DECISIONS:
        own = decided[decided["decision"].eq(decision)]
        colour, marker = LOOKS[decision]
        if len(own):
            ax.plot(
                own["chance_worthy"],
                own["loss"],
                marker,
                color=colour,
                linestyle="none",
                markersize=5,
                label=decision,
            )
    losses = decided[["loss_hold", "loss"]].max(axis=None)
    top = 1.1 * max(costs.wrong_promote, losses)
    ax.set(
        xlim=(-0.02, 1.02),
        ylim=(0, top),
        xlabel="Probability of being worth promoting [%]",
        ylabel="Expected loss [unit of the costs]",
    )
    _name_line(ax, 0.0, costs.wrong_promote + 0.02 * top, "if promoted", LOOKS[PROMOTE][0], "left")
    at = min(1.0, 0.96 * top / max(costs.wrong_drop, 1e-9))
    _name_line(ax, at - 0.01, costs.wrong_drop * at, "if dropped", INK, "right")
    _percent(ax.xaxis)
    ax.grid(axis="y")
    ax.figure.legend(*ax.get_legend_handles_labels(), loc="outside upper left", ncols=4)
    named = decided[decided["chance_worthy"].ge(LEAST_NAMED)]
    return name_points(
        ax,
        named["chance_worthy"].to_numpy(),
        named["loss"].to_numpy(),
        [str(h) for h in named["hybrid"]],
    )


def _name_line(ax, x, y, text, colour, side):
    ground = {
        "facecolor": ax.get_facecolor(),
        "edgecolor": "none",
        "pad": 0.6,
    }  # else the grid strikes it through
    va = "bottom" if side == "left" else "center"
    ax.text(x, y, text, color=colour, fontsize=7.5, ha=side, va=va, bbox=ground)


def plot_plans(table: pd.DataFrame, *, ax: Axes) -> Axes:
    """Expected loss over all candidates now and after each plan, a line per plan.

    Parameters
    ----------
    table : DataFrame
        From :func:`culmbook.selection.more_data.plan_table`, plans that can be told, now first.
    ax : Axes

    Returns
    -------
    Axes
    """
    place = np.arange(len(table))[::-1]
    now = float(table["expected_loss"].iloc[0])
    ax.hlines(place, table["expected_loss"], now, color=SERIES[2], linewidth=5, alpha=0.5)
    ax.plot(table["expected_loss"], place, "o", color=SERIES[0], linestyle="none", markersize=5)
    ax.axvline(now, color=MUTED, linewidth=1.0, linestyle=LINES[1], zorder=1)
    ax.set_yticks(place, list(table["plan"]))
    ax.set(
        ylim=(-0.6, len(table) - 0.4),
        xlim=(0, 1.05 * max(now, 1e-9)),
        xlabel="Expected loss over all candidates [unit of the costs]",
    )
    ax.tick_params(axis="y", length=0)
    ax.grid(axis="x")
    return ax
