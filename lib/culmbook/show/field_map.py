"""Trial maps: every plot in its place, what became of it, and how many of its plants are missing."""

import matplotlib.pyplot as plt
import pandas as pd
from matplotlib.cm import ScalarMappable
from matplotlib.collections import LineCollection
from matplotlib.colors import Normalize
from matplotlib.patches import Patch, Rectangle

from culmbook.show.palette import GRADIENT, INK, PAGE_WIDTH_IN, RULE, STATUS_HATCHES, page_size
from culmbook.text.numbers import fmt_list, fmt_share
from culmbook.text.refusal import Refusal
from culmbook.text.words import n_of

MAPS_ON_A_PAGE = 10
LABEL_PT = 7.0
CELL_IN = (0.2, 0.3)
"""Least and largest height of a plot on the page [in]."""
BORDERS = (("block", 0.6), ("main_plot", 1.3), ("replicate", 2.4))
"""Line widths [pt] around blocks, main plots and replicates."""
NOT_COUNTED = "not counted"
_FACE = {"damaged": "#FFFFFF", "abandoned": "#FFFFFF", NOT_COUNTED: "#FFFFFF"}
_HATCH = {**STATUS_HATCHES, NOT_COUNTED: "...."}
_DARK = 0.45  # missing share from which ink no longer reads on the gradient


def pages(latest):
    """Part plots into maps: a trial each, or ten small ones on a page where there are several
    sites.

    Parameters
    ----------
    latest : pandas.DataFrame
        One row per plot: site, trial, plot, row, column, replicate, block, main_plot (blank when
        there is none), planting_method, film, status {ok, damaged, abandoned}, n_missing [plants],
        missing_share (0–1); the last two missing where a plot was not counted.

    Returns
    -------
    list of pandas.DataFrame
        Plots with a place, sorted by site and trial.

    Raises
    ------
    Refusal
        No plot has a row and a column.
    """
    drawn = latest.dropna(subset=["row", "column"])
    if drawn.empty:
        raise Refusal("No plot has a row and a column: there is no map to draw.")
    trials = [plots for _, plots in drawn.groupby(["site", "trial"], sort=True)]
    each = MAPS_ON_A_PAGE if drawn["site"].nunique() > 1 else 1
    return [pd.concat(trials[i : i + each]) for i in range(0, len(trials), each)]


def draw(page):
    """Draw one page of maps, rows down the page and columns across it.

    Parameters
    ----------
    page : pandas.DataFrame
        One of :func:`pages`.

    Returns
    -------
    matplotlib.figure.Figure
        As wide as the text. The fill of a plot with status ok is its missing share, its number
        (where there is one trial) the missing plants; other plots are hatched. Thick lines part
        replicates, medium ones main plots, thin ones blocks.

    Raises
    ------
    ValueError
        Two plots share a place.
    """
    trials = list(page.groupby(["site", "trial"], sort=True))
    shape = [_check_places(plots) for _, plots in trials]
    if len(trials) == 1:
        (n_rows, n_columns), (_, trial) = shape[0], trials[0][0]
        cell_in = min(max(PAGE_WIDTH_IN / n_columns * 0.56, CELL_IN[0]), CELL_IN[1])
        fig, ax = plt.subplots(figsize=page_size(min(n_rows * cell_in + 0.95, 9)))
        plot_trial_map(page, ax, with_labels=PAGE_WIDTH_IN / n_columns >= 0.19)
        ax.set_title(trial)
        _legend(fig, page, ax)
        return fig
    rows = [max(n for n, _ in shape[i : i + 2]) for i in range(0, len(trials), 2)]
    line_in = [n * 0.13 + 0.45 for n in rows]
    size = page_size(min(sum(line_in) + 0.6, 9))
    look = {"figsize": size, "squeeze": False, "gridspec_kw": {"height_ratios": line_in}}
    fig, axes = plt.subplots(len(rows), 2, **look)
    for ax, ((site, trial), plots) in zip(axes.flat, trials):
        plot_trial_map(plots, ax, with_labels=False)
        ax.set_title(f"{site}: {trial}")
        ax.set(xlabel="", ylabel="")
    for ax in axes.flat[len(trials) :]:
        ax.set_visible(False)
    _legend(fig, page, axes)
    return fig


def caption(page):
    """What the signs of a page of maps mean, as far as they occur."""
    names = page["trial"].unique()
    start, signs = f"{n_of(len(names), 'trial')}.", "Shade"
    if len(names) == 1:
        start = f"Trial {names[0]}, {n_of(len(page), 'plot')}."
        signs = "Number in a plot: plants missing in its latest count; shade"
    levels = {"thick": "replicate", "medium": "main_plot", "thin": "block"}
    lines = [
        f"{width} lines part {level.replace('_', ' ')}s"
        for width, level in levels.items()
        if page[level].notna().any()
    ]
    left_out = (kind_of_plot(page) != "ok").any()
    hatched = " Hatched plots are left out or were not counted." if left_out else ""
    return (
        f"{start} {signs}: share of the plants planted that is missing in the latest count of each plot. "
        f"{', '.join(lines).capitalize()}.{hatched}"
    )


def in_words(page):
    """What a reader who cannot see the maps should know."""
    kinds, kept = kind_of_plot(page), page["status"] == "ok"
    share, lost = page.loc[kinds == "ok", "missing_share"], n_of((~kept).sum(), "plot")
    span = f"{fmt_share(share.min())} to {fmt_share(share.max())} of their plants missing"
    missing = (
        f", with {span} and {fmt_share(share.median())} in the median plot" if len(share) else ""
    )
    trials = fmt_list(list(page["trial"].unique()))
    return f"Map of {trials}: {n_of(len(share), 'plot')} counted{missing}; {lost} damaged or abandoned."


def plot_trial_map(latest, ax, with_labels=True):
    """Draw the plots of one trial into `ax`; columns and errors as for :func:`pages`.

    Parameters
    ----------
    latest : pandas.DataFrame
    ax : matplotlib.axes.Axes
    with_labels : bool
        Whether the number of missing plants is written into each plot.

    Returns
    -------
    matplotlib.axes.Axes
    """
    n_rows, n_columns = _check_places(latest)
    for plot in latest.itertuples(index=False):
        _draw_plot(ax, plot, with_labels)
    draw_borders(latest, ax)
    for artist in (*ax.patches, *ax.collections, *ax.texts):
        artist.set_in_layout(False)  # all lie inside the axes: the layout need not measure them
    if with_labels:
        _name_treatments(ax, latest)
    top, left = latest["row"].min(), latest["column"].min()
    ax.set(
        xlim=(left - 0.6, left + n_columns - 0.4),
        ylim=(top + n_rows - 0.4, top - 0.6),
        xlabel="Column",
        ylabel="Row",
    )
    ax.set_xticks(_ticks(left, n_columns), minor=False)
    ax.set_yticks(_ticks(top, n_rows), minor=False)
    ax.tick_params(length=0)
    ax.spines[["left", "bottom"]].set_visible(False)
    return ax


def draw_borders(latest, ax, thickness=1.0):
    """Draw lines between blocks, main plots and replicates; columns as for :func:`pages`."""
    lines = [(_borders(latest, level), width) for level, width in BORDERS]
    # a light edge on both sides keeps a line visible between two dark plots
    for colour, extra in (("white", 1.6), (INK, 0)):
        for ends, width in lines:
            ax.add_collection(
                LineCollection(
                    ends, colors=colour, linewidths=thickness * (width + extra), capstyle="butt"
                )
            )


def kind_of_plot(latest):
    """Name what the map shows of each plot: ``ok``, ``damaged``, ``abandoned`` or ``not counted``."""
    return latest["status"].where(
        (latest["status"] != "ok") | latest["missing_share"].notna(), NOT_COUNTED
    )


def _check_places(latest):
    """Refuse two plots in one place; return the number of rows and columns."""
    place = latest[["row", "column"]]
    if (clash := place.duplicated(keep=False)).any():
        row, column = place[clash].iloc[0]
        names = ", ".join(latest.loc[(latest["row"] == row) & (latest["column"] == column), "plot"])
        raise ValueError(
            f"plots {names} share row {row}, column {column}: draw one trial at a time or fix "
            "the plots table"
        )
    size = place.max() - place.min() + 1
    return int(size["row"]), int(size["column"])


def _draw_plot(ax, plot, with_labels):
    counted = plot.status == "ok" and not pd.isna(plot.missing_share)
    kind = plot.status if plot.status != "ok" or counted else NOT_COUNTED
    face = GRADIENT(plot.missing_share) if counted else _FACE[kind]
    corner = (plot.column - 0.5, plot.row - 0.5)
    ax.add_patch(
        Rectangle(
            corner,
            1,
            1,
            facecolor=face,
            edgecolor=RULE if counted else INK,
            hatch=_HATCH[kind],
            linewidth=0.3,
        )
    )
    if with_labels and counted:
        ax.text(
            plot.column,
            plot.row,
            f"{plot.n_missing:.0f}",
            ha="center",
            va="center",
            fontsize=LABEL_PT,
            color="white" if plot.missing_share > _DARK else INK,
        )


def _borders(latest, level):
    """Sides between neighbours that differ in `level`, and around the outside."""
    names = latest[level].astype("str").fillna("")
    if level != "replicate" and (names == "").all():
        return []
    places = zip(latest["row"], latest["column"])
    group = dict(zip(places, latest["replicate"].astype("str") + "\0" + names))
    return [
        _side(row, column, d_row, d_column)
        for (row, column), name in group.items()
        for d_row, d_column in ((0, 1), (1, 0), (0, -1), (-1, 0))
        if group.get((row + d_row, column + d_column)) != name
    ]


def _side(row, column, d_row, d_column):
    """Ends of the side of a plot that looks towards its neighbour."""
    x, y = column + d_column / 2, row + d_row / 2
    return [(x, y - 0.5), (x, y + 0.5)] if d_column else [(x - 0.5, y), (x + 0.5, y)]


def _name_treatments(ax, latest):
    """Write planting method and film beside the rows that have one treatment, if the trial has
    several.
    """
    treatment = latest["planting_method"] + ", " + latest["film"].replace("none", "no film")
    if treatment.nunique() < 2:
        return
    for row, names in treatment.groupby(latest["row"]):
        if names.nunique() == 1:
            ax.text(
                latest["column"].max() + 0.65, row, names.iloc[0], va="center", fontsize=LABEL_PT
            )


def _ticks(first, n, most=20):
    step = -(-n // most)
    return range(int(first), int(first) + n, step)


def _legend(fig, latest, ax):
    """Explain shades and hatches that occur on the map, in one row below it."""
    kinds = kind_of_plot(latest)
    shown = [kind for kind in ("damaged", "abandoned", NOT_COUNTED) if (kinds == kind).any()]
    patches = [
        Patch(facecolor=_FACE[kind], edgecolor=INK, hatch=_HATCH[kind], label=kind)
        for kind in shown
    ]
    look = {"ncols": 3, "handlelength": 2.2, "handleheight": 1.2, "columnspacing": 1.2}
    if (kinds == "ok").any():
        shades = ScalarMappable(Normalize(0, 100), GRADIENT)
        bar = fig.colorbar(
            shades,
            ax=ax,
            location="bottom",
            shrink=0.45,
            aspect=27,
            anchor=(0.02, 1.0),
            pad=0.02,
            label="Missing plants [% of those planted]",
        )
        bar.outline.set_linewidth(0.4)
        if shown:
            beside = bar.ax.legend(
                handles=patches, loc="center left", bbox_to_anchor=(1.04, 0.5), **look
            )
            beside.set_in_layout(False)
    elif shown:
        fig.legend(handles=patches, loc="outside lower center", **look)
