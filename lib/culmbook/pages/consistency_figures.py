"""Figures of year-on-year consistency: seasons, build-up, mean and spread, reliability, ranks."""

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.patches import Polygon
from matplotlib.ticker import MaxNLocator

from culmbook.pages.interval_figure import plot_intervals
from culmbook.show.figures import name_points, short_name
from culmbook.show.palette import CANDIDATE, CONTROL, GRADIENT, INK, LINES, MARKERS, MUTED, SERIES
from culmbook.stats.curves import GrowthCurve
from culmbook.text.numbers import fmt_number

LEVELS = (0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9)


def plot_season_yields(
    frame: pd.DataFrame, controls: list[str], control: str, *, axes
) -> list[Axes]:
    """Yield of every hybrid in every season, one panel per season, the control's interval as a band.

    Parameters
    ----------
    frame : DataFrame
        From :func:`culmbook.consistency.statistics.season_yields`, all hybrids in all seasons.
    controls : list of str
        Hybrids drawn as controls.
    control : str
        Whose interval is drawn behind the others.
    axes : sequence of Axes
        One per season, side by side; the order of hybrids is that of their mean over seasons.

    Returns
    -------
    list of Axes

    Raises
    ------
    ValueError
        Not as many axes as seasons.
    """
    seasons = sorted(frame["season"].unique())
    if len(axes) != len(seasons):
        raise ValueError(f"{len(seasons)} seasons need as many axes, not {len(axes)}")
    order = frame.groupby("hybrid")["yield_t_ha"].mean().sort_values(ascending=False).index
    for k, (season, ax) in enumerate(zip(seasons, axes, strict=True)):
        own = frame[frame["season"] == season].set_index("hybrid").loc[order].reset_index()
        plot_intervals(own, controls, centre="yield_t_ha", xlabel="Yield [t/ha]", ax=ax)
        band = own[own["hybrid"] == control]
        for row in band.itertuples():
            ax.axvspan(row.lower, row.upper, color=CONTROL, alpha=0.18, linewidth=0, zorder=0)
        ax.set_title(str(season))
        ax.set_xlim(0, 1.05 * frame["upper"].max())
        ax.tick_params(axis="y", labelleft=k == 0)
    return list(axes)


def plot_build_up(
    table: pd.DataFrame,
    curve: GrowthCurve | None,
    reference: pd.DataFrame | None,
    *,
    ax: Axes,
    title: str,
    top: float | None = None,
) -> Axes:
    """Yield of one hybrid by crop year with its curve, and the control's broken line: one of many panels.

    Parameters
    ----------
    table, reference : DataFrame
        Rows of one hybrid, and of the control, from :func:`culmbook.consistency.build_up.crop_year_table`.
    curve : GrowthCurve or None
    ax : Axes
    title : str
        The hybrid's name.
    top : float, optional
        Upper end of the axis [t/ha], the same for all panels.

    Returns
    -------
    Axes
        A short line on the curve marks where it reaches 95 % of its plateau.
    """
    if reference is not None:
        ax.plot(
            reference["crop_year"],
            reference["yield_t_ha"],
            color=CONTROL,
            linewidth=0.9,
            linestyle=LINES[1],
            zorder=1,
        )
    ax.vlines(
        table["crop_year"], table["lower"], table["upper"], color=CANDIDATE, linewidth=1.0, zorder=2
    )
    ax.plot(
        table["crop_year"],
        table["yield_t_ha"],
        MARKERS[0],
        color=CANDIDATE,
        markersize=3,
        linestyle="none",
        zorder=3,
    )
    last = float(table["crop_year"].max())
    if curve is not None:
        x = np.linspace(float(table["crop_year"].min()), last, 80)
        ax.plot(x, curve.height(x), color=CANDIDATE, linestyle="-", linewidth=1.1, zorder=2.5)
        full = curve.time_to(0.95)
        if x[0] <= full <= last:
            height = float(curve.height(full))
            ax.vlines(full, 0.9 * height, 1.1 * height, color=INK, linewidth=1.2, zorder=4)
    ax.set_title(short_name(title), fontsize=7.5)
    ax.set_ylim(0, top)
    ax.set_xlim(float(table["crop_year"].min()) - 0.4, last + 0.4)
    ax.xaxis.set_major_locator(MaxNLocator(integer=True, nbins=5))
    return ax


def plot_mean_and_spread(statistics: pd.DataFrame, controls: list[str], *, ax: Axes) -> int:
    """Mean yield against year-to-year spread: every hybrid a lozenge that both its intervals span.

    Parameters
    ----------
    statistics : DataFrame
        From :func:`culmbook.consistency.statistics.season_statistics`, two seasons or more.
    controls : list of str
    ax : Axes
        Large lozenges are hybrids of which little is known; high and to the right is high and even.

    Returns
    -------
    int
        Names that found no room; the table has them.

    Raises
    ------
    ValueError
        One season: there is no spread.
    """
    if statistics["cv"].isna().any():
        raise ValueError("one season shows no spread from year to year")
    fill = min(0.06, 0.6 / len(statistics))  # many lozenges on top of each other stay light
    for row in statistics.itertuples():
        colour = CONTROL if row.hybrid in controls else CANDIDATE
        corners = [
            (row.mean_t_ha_lower, 100 * row.cv),
            (row.mean_t_ha, 100 * row.cv_upper),
            (row.mean_t_ha_upper, 100 * row.cv),
            (row.mean_t_ha, 100 * row.cv_lower),
        ]
        ax.add_patch(Polygon(corners, closed=True, facecolor=colour, alpha=fill, edgecolor="none"))
        ax.add_patch(
            Polygon(corners, closed=True, fill=False, edgecolor=colour, linewidth=0.5, alpha=0.35)
        )
    for is_control, colour, marker in ((False, CANDIDATE, "o"), (True, CONTROL, "s")):
        own = statistics[statistics["hybrid"].isin(controls) == is_control]
        ax.plot(
            own["mean_t_ha"],
            100 * own["cv"],
            marker,
            color=colour,
            markersize=3.5,
            linestyle="none",
            zorder=3,
        )
    low, high = statistics["mean_t_ha_lower"].min(), statistics["mean_t_ha_upper"].max()
    room = 0.04 * (high - low)
    ax.set(
        xlim=(low - room, high + room),
        ylim=(1.05 * 100 * statistics["cv_upper"].max(), 0),
        xlabel="Mean yield [t/ha]",
        ylabel="Standard deviation over seasons [% of mean]",
    )
    return name_points(
        ax,
        statistics["mean_t_ha"].to_numpy(),
        100 * statistics["cv"].to_numpy(),
        [str(h) for h in statistics["hybrid"]],
    )


def plot_reliability(
    grid: pd.DataFrame,
    enough: float,
    *,
    ax: Axes,
    here: tuple[int, int] | None = None,
    ylabel: str = "Sites",
) -> Axes:
    """Reliability of a hybrid's mean by seasons and sites, as contours.

    Parameters
    ----------
    grid : DataFrame
        From :func:`culmbook.consistency.reliability.reliability_grid`.
    enough : float
        Reliability whose contour is drawn heavy.
    ax : Axes
    here : tuple of int, optional
        Sites and seasons of the data at hand, marked.
    ylabel : str
        What the rows of the grid count.

    Returns
    -------
    Axes
    """
    seasons, sites = grid.columns.to_numpy(float), grid.index.to_numpy(float)
    ax.contourf(
        seasons,
        sites,
        grid,
        levels=np.linspace(0, 1, 21),
        cmap=GRADIENT,
        vmin=0.1,
        vmax=1.15,
        alpha=0.55,
    )
    inside = [v for v in LEVELS if _is_long(grid, v) and abs(v - enough) > 1e-9]
    if inside:
        lines = ax.contour(seasons, sites, grid, levels=inside, colors=INK, linewidths=0.7)
        ax.clabel(lines, fmt=lambda v: fmt_number(v, 1), fontsize=7, colors=INK)
    if grid.min(axis=None) < enough < grid.max(axis=None):
        heavy = ax.contour(seasons, sites, grid, levels=[enough], colors=INK, linewidths=2.0)
        ax.clabel(heavy, fmt=lambda v: fmt_number(v, 2), fontsize=7.5, colors=INK)
    if here is not None:
        ax.plot(
            here[1],
            here[0],
            MARKERS[1],
            color=CONTROL,
            markersize=7,
            markeredgecolor="white",
            zorder=4,
            clip_on=False,
        )
    ax.set(xlabel="Seasons after establishment", ylabel=ylabel)
    ax.set_xlim(seasons.min(), seasons.max())
    ax.set_ylim(sites.min(), sites.max())
    for axis in (ax.xaxis, ax.yaxis):
        axis.set_major_locator(MaxNLocator(integer=True))
    return ax


def _is_long(grid, level, least=0.05):
    """Does a contour leave enough of the grid on both sides to be drawn and labelled?"""
    below = float((grid.to_numpy() < level).mean())
    return least <= below <= 1 - least


def plot_rank_ribbons(ranks: pd.DataFrame, named: list[str], *, ax: Axes) -> Axes:
    """Rank of hybrids over seasons as ribbons as wide as their ranks are uncertain.

    Parameters
    ----------
    ranks : DataFrame
        From :func:`culmbook.consistency.statistics.season_ranks`.
    named : list of str
        Hybrids drawn in colour, at most six; the others are thin grey lines.
    ax : Axes

    Returns
    -------
    Axes
        First rank on top.

    Raises
    ------
    ValueError
        More than six names, or one season.
    """
    if len(named) > len(SERIES):
        raise ValueError(f"{len(named)} ribbons cannot be told apart; name {len(SERIES)} at most")
    seasons = sorted(ranks["season"].unique())
    if len(seasons) < 2:
        raise ValueError("one season has one order: there is no change of rank")
    place, last = np.arange(len(seasons)), []
    for hybrid, own in ranks.groupby("hybrid"):
        own = own.set_index("season").loc[seasons]
        if hybrid not in named:
            ax.plot(
                place, own["rank"], color=MUTED, alpha=0.5, linewidth=0.7, linestyle="-", zorder=1
            )
            continue
        k = named.index(hybrid)
        ends = own["lower"] - 0.3, own["upper"] + 0.3
        ax.fill_between(place, *ends, color=SERIES[k], alpha=0.1, linewidth=0)
        for end in ends:
            ax.plot(
                place, end, color=SERIES[k], linestyle=LINES[k], linewidth=0.6, alpha=0.6, zorder=2
            )
        ax.plot(
            place,
            own["rank"],
            MARKERS[k],
            color=SERIES[k],
            linestyle=LINES[k],
            markersize=4,
            zorder=3,
        )
        last.append((own["rank"].iloc[-1], k, hybrid))
    last.sort()
    heights = _apart([rank for rank, *_ in last], _line_height(ax, ranks))
    for height, (_, k, hybrid) in zip(heights, last, strict=True):
        ax.annotate(
            short_name(str(hybrid)),
            (place[-1], height),
            (6, 0),
            textcoords="offset points",
            va="center",
            fontsize=7,
            color=SERIES[k],
            annotation_clip=False,
        )
    ax.set_xticks(place, [str(s) for s in seasons])
    ax.set(
        xlim=(-0.1, place[-1] + 0.1),
        ylim=(ranks["hybrid"].nunique() + 0.6, 0.4),
        ylabel="Rank by yield",
    )
    ax.set_yticks([1, *range(5, ranks["hybrid"].nunique() + 1, 5)])
    return ax


def _line_height(ax, ranks):
    """Height of a line of text, in ranks."""
    points = ax.figure.get_figheight() * 72 * 0.8
    return 8.5 * (ranks["hybrid"].nunique() + 0.2) / points


def _apart(heights, least):
    """Sorted heights pushed down until neighbours are at least so far apart."""
    out = []
    for height in heights:
        out.append(max(height, out[-1] + least) if out else height)
    return out
