"""Figures of sites: one site beside all others, and how alike sites rank the hybrids."""

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.patches import Polygon

from culmbook.show.figures import name_points, short_name
from culmbook.show.palette import CANDIDATE, CONTROL, LINES, MARKERS, MUTED, PAPER_TINT, SERIES
from culmbook.sites.agreement import SiteAgreement
from culmbook.sites.correlation import SiteCorrelation

MOST_NAMED_SITES = 7
"""With more sites than this the lines of a ladder carry no names, only the groups' markers."""
_LINE_IN, _FINE_IN = 0.15, 0.06
"""Height of one line of a ladder, with a name and without [in]."""


def plot_site_against_rest(
    found: SiteAgreement, controls: list[str], *, ax: Axes, scale: str = "log"
) -> int:
    """What a site saw of each hybrid against what all other sites predict, as lozenges of both limits.

    Parameters
    ----------
    found : SiteAgreement
    controls : list of str
        Hybrids drawn as controls, by colour and marker.
    ax : Axes
        Hybrids on the broken line do here what is expected of them; those that stand clearly apart are filled
        and named.
    scale : {'log', 'raw'}
        Of the means: percent from the mean, or t/ha.

    Returns
    -------
    int
        Names of hybrids apart that found no room; the table has them.
    """
    table = found.table
    ends = {
        c: _shown(table[c].to_numpy(), scale) for c in table.columns if c not in ("hybrid", "apart")
    }
    is_apart = table["apart"].ne("").to_numpy()
    is_control = table["hybrid"].isin(controls).to_numpy()
    for k in range(len(table)):
        _lozenge(
            ax,
            {c: v[k] for c, v in ends.items()},
            CONTROL if is_control[k] else CANDIDATE,
            is_apart[k],
        )
    for own, colour, marker in (
        (~is_control, CANDIDATE, MARKERS[0]),
        (is_control, CONTROL, MARKERS[1]),
    ):
        x, y = ends["rest"][own], ends["own"][own]
        ax.plot(x, y, marker, color=colour, markersize=3.5, linestyle="none", zorder=3)
    low = min(ends["rest_lower"].min(), ends["own_lower"].min())
    high = max(ends["rest_upper"].max(), ends["own_upper"].max())
    room = 0.04 * (high - low)
    ax.plot([low, high], [low, high], color=MUTED, linewidth=1.0, linestyle=LINES[1], zorder=1)
    unit = "% from the mean" if scale == "log" else "t/ha from the mean"
    there = found.others[0] if len(found.others) == 1 else "the other sites"
    ax.set(
        xlim=(ends["rest_lower"].min() - room, ends["rest_upper"].max() + room),
        ylim=(ends["own_lower"].min() - room, ends["own_upper"].max() + room),
        xlabel=f"Expected from {there} [{unit}]",
        ylabel=f"Seen at {found.site} [{unit}]",
    )
    names = [str(h) for h in table["hybrid"][is_apart]]
    return name_points(ax, ends["rest"][is_apart], ends["own"][is_apart], names) if names else 0


def _shown(values, scale):
    return 100 * np.expm1(values) if scale == "log" else values


def _lozenge(ax, row, colour, is_filled):
    corners = [
        (row["rest_lower"], row["own"]),
        (row["rest"], row["own_upper"]),
        (row["rest_upper"], row["own"]),
        (row["rest"], row["own_lower"]),
    ]
    ax.add_patch(
        Polygon(
            corners,
            closed=True,
            facecolor=colour,
            alpha=0.35 if is_filled else 0.05,
            edgecolor="none",
        )
    )
    ax.add_patch(
        Polygon(corners, closed=True, fill=False, edgecolor=colour, linewidth=0.5, alpha=0.4)
    )


def ladder_height(n_sites: int) -> float:
    """Height [in] that :func:`plot_site_ladder` needs for its lines."""
    line = _LINE_IN if n_sites <= MOST_NAMED_SITES else _FINE_IN
    return min(0.7 + n_sites * n_sites * line, 8.5)


def plot_site_ladder(found: SiteCorrelation, groups: pd.Series | None = None, *, ax: Axes) -> Axes:
    """Correlation of every site with every other: a rung per site, a line per neighbour, nearest on top.

    Parameters
    ----------
    found : SiteCorrelation
    groups : Series, optional
        Group by site, from :func:`culmbook.sites.groups.site_groups`; sites of a group lie together, and a
        neighbour has the colour and marker of its group.
    ax : Axes

    Returns
    -------
    Axes
        Limits are drawn where there are any; with many sites only the markers tell neighbours apart.

    Raises
    ------
    ValueError
        No correlation is known.
    """
    if found.pairs["correlation"].isna().all():
        raise ValueError("no correlation between sites is known: there is nothing to draw")
    own = pd.Series(1, found.correlation.index) if groups is None else groups
    order = sorted(own.index, key=lambda s: (own[s], s))
    lines, top, is_named = _both_ways(found.pairs), 0.0, len(order) <= MOST_NAMED_SITES
    ticks = []
    for k, site in enumerate(order):
        rung = lines[lines["site"] == site].sort_values(
            ["correlation", "other"], ascending=[False, True]
        )
        place = top + np.arange(len(rung))
        if k % 2 == 0:
            ax.axhspan(top - 0.8, top + len(rung) - 0.2, color=PAPER_TINT, linewidth=0, zorder=0)
        _draw_rung(ax, rung, place, own, is_named)
        ticks.append(place.mean())
        top += len(rung) + 0.6
    ax.set_yticks(ticks, [short_name(str(s)) for s in order])
    ax.tick_params(axis="y", length=0)
    low = float(np.nanmin(lines[["correlation", "lower"]].to_numpy()))
    ax.set(xlim=(min(0.0, low - 0.03), 1.02), ylim=(top - 0.6, -1.0))
    ax.set_xlabel("Correlation of the hybrids' true values")
    ax.grid(axis="x")
    return ax


def _both_ways(pairs):
    turned = pairs.rename(columns={"site": "other", "other": "site"})
    return pd.concat([pairs, turned], ignore_index=True).dropna(subset=["correlation"])


def _draw_rung(ax, rung, place, groups, is_named):
    for y, row in zip(place, rung.itertuples(), strict=True):
        style = (groups[row.other] - 1) % len(SERIES)
        ax.hlines(y, row.lower, row.upper, color=SERIES[style], linewidth=0.9)
        ax.plot(
            row.correlation,
            y,
            MARKERS[style],
            color=SERIES[style],
            markersize=3.2,
            linestyle="none",
        )
        if is_named:
            name = short_name(str(row.other))
            ax.annotate(
                name,
                (1.02, y),
                (3, 0),
                textcoords="offset points",
                va="center",
                fontsize=7,
                annotation_clip=False,
            )
