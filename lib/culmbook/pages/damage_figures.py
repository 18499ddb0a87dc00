"""Figures of spring frost damage: how the scores of each hybrid are spread."""

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.patches import Rectangle

from culmbook.frost.damage_scores import HIGHEST
from culmbook.show.figures import MOST_NAMES, short_name
from culmbook.show.palette import CONTROL, GRADIENT, RULE


def score_colours() -> list:
    """Fill of each score, 0 first: light to dark, so that the order survives a grey print."""
    return [GRADIENT(at) for at in np.linspace(0, 1, HIGHEST + 1)]


def plot_damage(shares: pd.DataFrame, controls: list[str], *, ax: Axes) -> Axes:
    """Stacked shares of the damage scores, one bar per hybrid, first row on top; controls framed, in bold.

    Parameters
    ----------
    shares : DataFrame
        From :func:`culmbook.frost.damage_scores.score_shares`, in the order to draw: by the odds of
        :func:`culmbook.frost.spring_damage.damage_chances`, least damaged first.
    controls : list of str
    ax : Axes

    Returns
    -------
    Axes
    """
    place, left = np.arange(len(shares))[::-1], np.zeros(len(shares))
    for score, colour in enumerate(score_colours()):
        width = 100 * shares[score].to_numpy()
        ax.barh(
            place,
            width,
            left=left,
            height=0.78,
            color=colour,
            edgecolor=RULE,
            linewidth=0.4,
            label=str(score),
        )
        left = left + width
    is_control = shares.index.isin(controls)
    for at in place[is_control]:
        frame = Rectangle(
            (0, at - 0.45), 100, 0.9, fill=False, edgecolor=CONTROL, linewidth=1.6, zorder=3
        )
        ax.add_patch(frame)
    step = int(np.ceil(max(len(shares), 1) / MOST_NAMES))
    ax.set_yticks(place[::step], [short_name(str(name)) for name in shares.index[::step]])
    for label, marked in zip(ax.get_yticklabels(), is_control[::step], strict=True):
        label.set_fontweight("bold" if marked else "normal")
    ax.tick_params(axis="y", length=0)
    ax.set(xlim=(0, 100.5), ylim=(-0.7, len(shares) - 0.3), xlabel="Share of plots [%]")
    ax.legend(
        loc="lower center",
        bbox_to_anchor=(0.5, 1.0),
        ncols=HIGHEST + 1,
        handlelength=1.2,
        columnspacing=1.2,
        title="Damage score: 0 none … 6 all leaf killed",
    )
    return ax
