"""Figure of one site beside all others."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Polygon

from culmbook.show.figures import name_points
from culmbook.show.palette import CANDIDATE, CONTROL, LINES, MARKERS, MUTED
from culmbook.sites.agreement import SiteAgreement


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
