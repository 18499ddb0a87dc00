"""Means of several measures by hybrid, side by side."""

import pandas as pd
from matplotlib.figure import Figure

from culmbook.pages.interval_figure import plot_intervals
from culmbook.show.figures import height_for
from culmbook.show.palette import page_size


def plot_side_by_side(
    frame: pd.DataFrame, measures: list[str], labels: dict, controls: list[str], names: list[str]
) -> Figure:
    """A panel of means with intervals for each measure, hybrids on the same lines throughout.

    Parameters
    ----------
    frame : DataFrame
        ``measure, hybrid, mean, lower, upper``.
    measures : list of str
        In the order of the panels.
    labels : dict of str to str
        Axis label of each measure, with its unit.
    controls : list of str
    names : list of str
        Hybrids from the top.

    Returns
    -------
    Figure
    """
    fig = Figure(figsize=page_size(height_for(len(names))), layout="constrained")
    axes = fig.subplots(1, len(measures), squeeze=False)[0]
    for ax, measure in zip(axes, measures, strict=True):
        own = frame[frame["measure"].eq(measure)].set_index("hybrid").reindex(names).reset_index()
        plot_intervals(own, controls, centre="mean", xlabel=labels[measure], ax=ax)
        ax.locator_params(axis="x", nbins=4)
        if ax is not axes[0]:
            ax.set_yticklabels([])
    return fig
