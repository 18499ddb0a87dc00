"""Trial maps: every plot in its place, what became of it, and how many of its plants are missing."""

import matplotlib.pyplot as plt
import pandas as pd
from matplotlib.cm import ScalarMappable
from matplotlib.collections import LineCollection
from matplotlib.colors import Normalize
from matplotlib.patches import Patch, Rectangle

from culmbook.show.palette import GRADIENT, INK, PAGE_WIDTH_IN, RULE, STATUS_HATCHES, page_size

LABEL_PT = 7.0
CELL_IN = (0.2, 0.3)
"""Least and largest height of a plot on the page [in]."""
BORDERS = (("block", 0.6), ("main_plot", 1.3), ("replicate", 2.4))
"""Line widths [pt] around blocks, main plots and replicates."""
NOT_COUNTED = "not counted"
_FACE = {"damaged": "#FFFFFF", "abandoned": "#FFFFFF", NOT_COUNTED: "#FFFFFF"}
_HATCH = {**STATUS_HATCHES, NOT_COUNTED: "...."}
_DARK = 0.45  # missing share from which ink no longer reads on the gradient


def map_figure(latest, trial=None):
    """Draw one trial's plots, rows down the page and columns across it.

    Parameters
    ----------
    latest : pandas.DataFrame
        One row per plot of one trial: plot, row, column, replicate, block, main_plot (blank when there is
        none), planting_method, film, status {ok, damaged, abandoned}, n_missing [plants], missing_share
        (0–1); the last two missing where a plot was not counted.
    trial : str, optional
        Title of the map.

    Returns
    -------
    matplotlib.figure.Figure
        As wide as the text. The fill of a plot with status ok is its missing share, its number the missing
        plants; other plots are hatched. Thick lines part replicates, medium ones main plots, thin ones
        blocks.

    Raises
    ------
    ValueError
        When the frame is empty or two plots share a place.
    """
    n_rows, n_columns = _check_places(latest)
    cell_in = min(max(PAGE_WIDTH_IN / n_columns * 0.56, CELL_IN[0]), CELL_IN[1])
    fig, ax = plt.subplots(figsize=page_size(min(n_rows * cell_in + 0.95, 9)))
    plot_trial_map(latest, ax, with_labels=PAGE_WIDTH_IN / n_columns >= 0.19)
    if trial:
        ax.set_title(trial)
    _legend(fig, latest, ax)
    return fig


def maps_figure(latest, columns_of_maps=2):
    """Draw the maps of several trials small, side by side, without numbers in the plots.

    Parameters
    ----------
    latest : pandas.DataFrame
        As for :func:`map_figure`, with site and trial.
    columns_of_maps : int
        Maps beside each other.

    Returns
    -------
    matplotlib.figure.Figure
    """
    trials = list(latest.groupby(["site", "trial"], sort=True))
    n_lines = -(-len(trials) // columns_of_maps)
    shape = [_check_places(plots) for _, plots in trials]
    line_in = [
        max(n_rows for n_rows, _ in shape[i * columns_of_maps : (i + 1) * columns_of_maps]) * 0.13
        + 0.45
        for i in range(n_lines)
    ]
    height = min(sum(line_in) + 0.6, 9)
    fig, axes = plt.subplots(
        n_lines,
        columns_of_maps,
        figsize=page_size(height),
        squeeze=False,
        gridspec_kw={"height_ratios": line_in},
    )
    for ax, ((site, trial), plots) in zip(axes.flat, trials):
        plot_trial_map(plots, ax, with_labels=False)
        ax.set_title(f"{site}: {trial}")
        ax.set(xlabel="", ylabel="")
    for ax in axes.flat[len(trials) :]:
        ax.set_visible(False)
    _legend(fig, latest, axes)
    return fig


def plot_trial_map(latest, ax, with_labels=True):
    """Draw the plots of one trial into `ax`; columns and errors as for :func:`map_figure`.

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
    """Draw lines between blocks, main plots and replicates; columns as for :func:`map_figure`."""
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
    """Refuse an empty map or two plots in one place; return the number of rows and columns."""
    if latest.empty:
        raise ValueError("no plots to draw: give the plots of one trial")
    place = latest[["row", "column"]]
    if (clash := place.duplicated(keep=False)).any():
        row, column = place[clash].iloc[0]
        names = ", ".join(latest.loc[(latest["row"] == row) & (latest["column"] == column), "plot"])
        raise ValueError(
            f"plots {names} share row {row}, column {column}: draw one trial at a time or mend "
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
    """Write planting method and film beside the rows that have one treatment, if the trial has several."""
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
