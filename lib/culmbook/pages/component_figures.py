"""Figures of yield components: contributions, the plane of stems and height, paths, and predictions."""

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.patches import FancyArrowPatch
from matplotlib.ticker import FixedLocator, MaxNLocator, NullLocator

from culmbook.show.figures import name_points
from culmbook.show.palette import (
    CANDIDATE,
    CONTROL,
    GRADIENT,
    HATCHES,
    INK,
    MUTED,
    PAPER_TINT,
    SERIES,
)
from culmbook.text.numbers import fmt_number
from culmbook.yields.components import MEASURES
from culmbook.yields.paths import Paths
from culmbook.yields.prediction import YieldModel, predict

LABELS = {name: label for name, (label, _) in MEASURES.items()} | {
    "rest": "Not explained",
    "dry_yield_t_ha": "Yield",
    "stems_per_m2": "Stems per m²",
}
TEXT_PT = 7.5
GRID = 60
TICKS_T_HA = (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50)


def label_of(component: str) -> str:
    """How a component is called in a figure."""
    return LABELS.get(component, component)


def plot_contributions(table: pd.DataFrame, *, ax: Axes) -> Axes:
    """Stacked shares of the components, a bar for each level, with the interval of every share.

    Parameters
    ----------
    table : DataFrame
        From :func:`culmbook.yields.contributions.contributions`.
    ax : Axes

    Returns
    -------
    Axes
        Negative shares stack to the left of 0. An interval is drawn from where its segment starts, so it
        shows where the segment could end.
    """
    components = list(dict.fromkeys(table["component"]))
    levels = list(dict.fromkeys(table["among"]))[::-1]
    for y, among in enumerate(levels):
        own = table[table["among"].eq(among)].set_index("component").loc[components]
        start = _starts(own["share"].to_numpy())
        for k, (name, row) in enumerate(own.iterrows()):
            ax.barh(
                y,
                row["share"],
                left=start[k],
                height=0.42,
                color=SERIES[k],
                hatch=HATCHES[k],
                edgecolor="white",
                linewidth=0.4,
                label=label_of(name) if y == len(levels) - 1 else None,
            )
            at = y - 0.29 - 0.1 * k
            ax.hlines(
                at, start[k] + row["lower"], start[k] + row["upper"], color=SERIES[k], linewidth=1.6
            )
            ax.plot(start[k] + row["share"], at, "o", color=SERIES[k], markersize=3)
    ax.axvline(0, color=INK, linewidth=0.7)
    ax.set_yticks(range(len(levels)), [f"among {a}" for a in levels])
    ax.set_ylim(-0.35 - 0.1 * len(components), len(levels) - 0.7)
    ax.set_xlabel("Share of the differences in log yield [%]")
    ax.xaxis.set_major_formatter(lambda x, _: fmt_number(100 * x, 0))
    ax.tick_params(axis="y", length=0)
    ax.grid(axis="x")
    ax.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=min(len(components), 4))
    return ax


def _starts(shares):
    """Where each segment of a stack begins; positive ones to the right of 0, negative ones to the left."""
    starts, right, left = [], 0.0, 0.0
    for share in shares:
        starts.append(right if share >= 0 else left)
        right, left = (right + share, left) if share >= 0 else (right, left + share)
    return np.array(starts)


def plot_plane(frame: pd.DataFrame, model: YieldModel, controls: list[str], *, ax: Axes) -> Axes:
    """Hybrids by stem number and height, with lines of equal predicted yield.

    Parameters
    ----------
    frame : DataFrame
        ``hybrid, stems_per_m2, stem_height_cm``, one row per hybrid.
    model : YieldModel
        With just these two predictors; lines end where the calibrated plots do.
    controls : list of str
    ax : Axes

    Returns
    -------
    Axes

    Raises
    ------
    ValueError
        A model with other predictors.
    """
    names = ("stems_per_m2", "stem_height_cm")
    if set(model.predictors) != set(names):
        raise ValueError(
            f"the plane needs a model of {' and '.join(names)}, not of "
            f"{', '.join(model.predictors)}"
        )
    axes = [_span(frame[name], model.ranges.loc[name]) for name in names]
    x, y = np.meshgrid(*[np.linspace(*span, GRID) for span in axes])
    grid = pd.DataFrame(
        {names[0]: x.ravel(), names[1]: y.ravel(), "crop_type": model.crop_type, "site_year": ""}
    )
    height = predict(model, grid)["predicted_t_ha"].to_numpy().reshape(x.shape)
    lines = ax.contour(
        x, y, height, levels=6, cmap=GRADIENT, vmin=-np.nanmax(height) / 3, linewidths=1.1, zorder=1
    )
    texts = ax.clabel(
        lines,
        fmt=lambda v: f"{fmt_number(v, 0 if v == round(v) else 1)} t/ha",
        fontsize=7,
        colors=INK,
    )
    is_control = frame["hybrid"].isin(controls).to_numpy()
    for own, colour, marker in ((~is_control, CANDIDATE, "o"), (is_control, CONTROL, "s")):
        ax.plot(
            frame[names[0]][own],
            frame[names[1]][own],
            marker,
            color=colour,
            linestyle="none",
            markersize=4,
            zorder=3,
        )
    ax.set(xlim=axes[0], ylim=axes[1], xlabel="Stems per m²", ylabel="Stem height [cm]")
    name_points(
        ax,
        frame[names[0]].to_numpy(float),
        frame[names[1]].to_numpy(float),
        [str(h) for h in frame["hybrid"]],
        texts,
    )
    return ax


def _span(values, limits):
    low, high = values.min(), values.max()
    room = 0.12 * max(high - low, 0.05 * high)
    return max(low - room, min(limits["min"], low)), min(high + room, max(limits["max"], high))


def plot_paths(paths: Paths, outcome: str, *, ax: Axes) -> Axes:
    """Path diagram: arrows with direct effects, bows with the correlations of the components.

    Parameters
    ----------
    paths : Paths
    outcome : str
        What the arrows point at.
    ax : Axes

    Returns
    -------
    Axes
        Arrows are as thick as their effect is large; broken ones are negative.
    """
    names = list(paths.direct.index)
    place = {
        name: (0.30, y) for name, y in zip(names, np.linspace(0.86, 0.14, len(names)), strict=True)
    }
    goal = (0.86, 0.5)
    for name, effect in paths.direct.items():
        start = (place[name][0] + 0.10, place[name][1])
        _arrow(ax, start, (goal[0] - 0.07, 0.5 + 0.1 * (place[name][1] - 0.5)), effect)
        at = np.array(start) + 0.42 * (np.array(goal) - start)
        _note(ax, at, fmt_number(effect, 2), INK)
    for i, first in enumerate(names):
        for second in names[i + 1 :]:
            _bow(
                ax,
                place[first],
                place[second],
                paths.effects.loc[first, second] / paths.direct[second],
            )
    rest = np.sqrt(max(1 - paths.explained, 0.0))
    _arrow(ax, (goal[0], 0.16), (goal[0], 0.5 - 0.06), rest, colour=MUTED)
    _note(ax, (goal[0], 0.12), f"rest {fmt_number(rest, 2)}", MUTED)
    for name in names:
        _box(ax, place[name], label_of(name))
    _box(ax, goal, label_of(outcome))
    ax.set(xlim=(0, 1), ylim=(0, 1))
    ax.set_axis_off()
    return ax


def _arrow(ax, start, end, effect, colour=CANDIDATE):
    ax.add_patch(
        FancyArrowPatch(
            start,
            end,
            arrowstyle="-|>",
            mutation_scale=9,
            linewidth=0.6 + 2.4 * min(abs(effect), 1.5),
            linestyle="-" if effect >= 0 else (0, (4, 2)),
            color=colour,
            shrinkA=0,
            shrinkB=0,
            zorder=1,
        )
    )


def _bow(ax, first, second, correlation):
    """A bow on the left of two components, further out the further they lie apart."""
    reach = abs(first[1] - second[1])
    start, end = ((p[0] - 0.10, p[1]) for p in (first, second))
    ax.add_patch(
        FancyArrowPatch(
            start,
            end,
            connectionstyle=f"arc3,rad={0.35 + 0.25 * reach}",
            arrowstyle="<|-|>",
            mutation_scale=6,
            linewidth=0.9,
            color=MUTED,
            shrinkA=0,
            shrinkB=0,
            zorder=1,
        )
    )
    bend = reach * (0.35 + 0.25 * reach) / 2
    _note(ax, (start[0] - bend * 0.45, (start[1] + end[1]) / 2), fmt_number(correlation, 2), MUTED)


def _note(ax, at, text, colour):
    ax.text(
        *at,
        text,
        ha="center",
        va="center",
        fontsize=TEXT_PT,
        color=colour,
        zorder=4,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0},
    )


def _box(ax, at, text):
    ax.text(
        *at,
        text,
        ha="center",
        va="center",
        fontsize=8,
        color=INK,
        zorder=5,
        bbox={
            "facecolor": PAPER_TINT,
            "edgecolor": MUTED,
            "linewidth": 0.7,
            "boxstyle": "round,pad=0.45",
        },
    )


def plot_predicted(table: pd.DataFrame, *, ax: Axes, most: int = 30) -> Axes:
    """Cut yield against the prediction from other site-years.

    Parameters
    ----------
    table : DataFrame
        From :func:`culmbook.yields.prediction.cross_validate`; plots outside the others' range are not drawn.
    ax : Axes
    most : int
        Intervals drawn at most, evenly over the axis: more would hide each other.

    Returns
    -------
    Axes
    """
    inside = table[~table["is_outside"]].sort_values("predicted_t_ha", kind="stable")
    steps = np.geomspace(inside["predicted_t_ha"].min(), inside["predicted_t_ha"].max(), most)
    some = inside.iloc[
        np.unique(inside["predicted_t_ha"].searchsorted(steps).clip(0, len(inside) - 1))
    ]
    ax.plot(
        inside["predicted_t_ha"],
        inside["dry_yield_t_ha"],
        "o",
        color=CANDIDATE,
        markersize=2,
        alpha=0.5,
        linestyle="none",
        label="plot",
        zorder=2,
    )
    ax.vlines(
        some["predicted_t_ha"],
        some["lower_t_ha"],
        some["upper_t_ha"],
        color=SERIES[1],
        linewidth=0.9,
        zorder=2.5,
        label="95 % interval",
    )
    span = inside[["predicted_t_ha", "dry_yield_t_ha"]]
    ends = [0.9 * span.min().min(), 1.1 * span.max().max()]
    ax.plot(ends, ends, color=INK, linewidth=0.8, linestyle="-", zorder=3, label="cut = predicted")
    ax.set(
        xscale="log",
        yscale="log",
        xlim=ends,
        ylim=ends,
        xlabel="Predicted from other site-years [t/ha]",
        ylabel="Cut [t/ha]",
    )
    for axis in (ax.xaxis, ax.yaxis):
        axis.set_major_locator(FixedLocator([t for t in TICKS_T_HA if ends[0] <= t <= ends[1]]))
        axis.set_major_formatter(lambda v, _: f"{v:g}")
        axis.set_minor_locator(NullLocator())
    ax.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=3)
    return ax


def plot_plan(plans: dict, *, ax: Axes) -> Axes:
    """Error of a hybrid's mean against the plants measured in each plot.

    Parameters
    ----------
    plans : dict of str to DataFrame
        Label of a measurement and its plan from :func:`culmbook.yields.sampling.plan_plants`.
    ax : Axes

    Returns
    -------
    Axes
    """
    for k, (label, plan) in enumerate(plans.items()):
        line = ax.plot(
            plan["plants"],
            100 * plan["se_hybrid"],
            color=SERIES[k],
            marker="o",
            markersize=3,
            label=label,
        )[0]
        enough = plan[plan["is_enough"]]
        if len(enough):
            first = enough.iloc[0]
            ax.plot(
                first["plants"],
                100 * first["se_hybrid"],
                "o",
                markersize=8,
                markerfacecolor="none",
                color=line.get_color(),
            )
    ax.set(xlabel="Plants measured in each plot", ylabel="Standard error of a hybrid's mean [%]")
    ax.set_ylim(bottom=0)
    ax.xaxis.set_major_locator(MaxNLocator(integer=True))
    ax.grid(axis="y")
    ax.legend(loc="upper right")
    return ax
