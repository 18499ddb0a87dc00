"""Parts of figures that every question draws: intervals by hybrid, names beside points, sizes that
fit the page.
"""

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.axis import Axis

from culmbook.show.palette import CANDIDATE, CONTROL, LINES, page_size

# height of a hybrid's line: 7.5 pt names do not touch, and 26 fit in less than half a page
ROW_IN = 0.13
TALLEST_IN = 8.5
MOST_NAMES = int((TALLEST_IN - 0.9) / ROW_IN)  # names that fit the tallest figure
LONGEST_NAME = 24  # characters; a longer name would squeeze the axes
GAP_PT = 4  # from a point to its name
SIDES = [(1, 0), (-1, 0), (0, 1), (0, -1), (1, 1), (-1, 1), (1, -1), (-1, -1)]


def size(rows: int | None = None, height: float = 3.1, share: float = 1.0) -> tuple[float, float]:
    """Give a figure size [in]: for a list of so many hybrids, or of a height.

    Parameters
    ----------
    rows : int, optional
        Hybrids, one line each.
    height : float
        Height [in], where no rows are given.
    share : float
        Share of the text width, over 0 and at most 1.
    """
    return page_size(height if rows is None else height_for(rows), share)


def intervals(
    ax: Axes,
    frame: pd.DataFrame,
    *,
    x: str = "estimate",
    y: str = "hybrid",
    controls=(),
    reference: float | None = None,
) -> Axes:
    """Draw estimates with their intervals, first row on top.

    Rows lie where seaborn puts the categories of `y` in the same order, so that points drawn by
    ``sns.stripplot(..., y="hybrid", order=frame["hybrid"])`` share their lines.

    Parameters
    ----------
    ax : Axes
    frame : DataFrame
        `y`, the estimate `x`, ``lower, upper``, in the order to draw from the top.
    x, y : str
        Columns with the estimate and with the names.
    controls : list of str
        Names drawn as controls, by colour and marker.
    reference : float, optional
        Value marked by a broken line: the control's, or 0.

    Returns
    -------
    Axes
    """
    place = np.arange(len(frame))
    for is_control, colour, marker, width in (
        (False, CANDIDATE, "o", 1.4),
        (True, CONTROL, "s", 2.2),
    ):
        own = frame[y].isin(list(controls)).to_numpy() == is_control
        ax.hlines(place[own], frame["lower"][own], frame["upper"][own], color=colour, lw=width)
        ax.plot(frame[x][own], place[own], marker, color=colour, linestyle="none", markersize=4)
    if reference is not None:
        ax.axvline(reference, color=CONTROL, linewidth=1.4, linestyle=LINES[1], zorder=1.5)
    ax.grid(axis="x")
    return name_rows(ax, frame[y])


def name_rows(ax: Axes, names) -> Axes:
    """Name the rows of a list drawn from the top, as many as find room."""
    names, step = [short_name(str(name)) for name in names], _step(max(len(names), 1))
    ax.set_yticks(range(0, len(names), step), names[::step])
    ax.tick_params(axis="y", length=0)
    ax.set(ylim=(len(names) - 0.3, -0.7), ylabel="")
    return ax


def percent_ticks(*axes: Axis, symbol: str = "") -> None:
    """Label the ticks of an axis of shares in per cent, with no more digits than they need.

    Parameters
    ----------
    *axes : matplotlib.axis.Axis
        ``ax.xaxis`` or ``ax.yaxis``, of shares (1 = 100 %).
    symbol : str
        Written after every number, as ``" %"`` where the axis does not name its unit.
    """
    for axis in axes:
        axis.set_major_formatter(lambda share, _: f"{round(100 * share, 6) + 0:g}{symbol}")


def height_for(rows: int) -> float:
    """Figure height [in] for a list of hybrids, one line each, with room for the axis."""
    return min(0.9 + ROW_IN * rows, TALLEST_IN)


def named_words(rows: int) -> str:
    """Sentence for the caption where a list is too long to name every hybrid; blank where it is
    not.
    """
    step = _step(rows)
    ordinal = {2: "2nd", 3: "3rd"}.get(step, f"{step}th")
    return f" Every {ordinal} hybrid is named here; the table names all." if step > 1 else ""


def short_name(name: str) -> str:
    """A name that fits a figure: the middle of a very long one is left out.

    Examples
    --------
    >>> short_name("H07"), short_name("a-very-long-name-of-a-hybrid-indeed-7")
    ('H07', 'a-very-long-name…ndeed-7')
    """
    return name if len(name) <= LONGEST_NAME else name[: LONGEST_NAME - 8] + "…" + name[-7:]


def _step(rows):
    return int(np.ceil(rows / MOST_NAMES))


def name_points(ax: Axes, x, y, names: list[str], avoid: tuple = ()) -> int:
    """Write names beside points where they cover neither a point nor another name.

    Parameters
    ----------
    ax : Axes
        With its limits set.
    x, y : array_like
        Points in data units.
    names : list of str
    avoid : sequence of matplotlib.text.Text
        Texts that names must not cover either.

    Returns
    -------
    int
        How many names found no room.
    """
    ax.figure.draw_without_rendering()  # the layout decides where the points lie
    point = ax.figure.dpi / 72
    spots = ax.transData.transform(np.column_stack([x, y]))
    taken = [np.concatenate([s - 3 * point, s + 3 * point]) for s in spots]
    taken += [text.get_window_extent().extents for text in avoid]
    box = ax.get_window_extent()
    left_out = 0
    for k, (spot, name) in enumerate(zip(spots, names, strict=True)):
        text = short_name(name)
        others = [t for i, t in enumerate(taken) if i != k]
        for side in SIDES:
            room = _room(spot, text, side, point)
            if (
                box.x0 <= room[0]
                and room[2] <= box.x1
                and box.y0 <= room[1]
                and room[3] <= box.y1
                and not any(_overlap(room, other) for other in others)
            ):
                taken.append(room)
                ax.annotate(
                    text,
                    (x[k], y[k]),
                    (GAP_PT * side[0], GAP_PT * side[1]),
                    textcoords="offset points",
                    ha=("right", "center", "left")[side[0] + 1],
                    va=("top", "center", "bottom")[side[1] + 1],
                    fontsize=7,
                )
                break
        else:
            left_out += 1
    return left_out


def _room(spot, text, side, point):
    """Rectangle that a name takes on one side of its point, in pixels."""
    size = np.array([0.62 * 7 * len(text) + 1, 8.5]) * point
    side = np.array(side)
    corner = spot + side * GAP_PT * point - size * (1 - side) / 2
    return np.concatenate([corner, corner + size])


def _overlap(a, b):
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]
