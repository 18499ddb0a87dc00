"""The season's weather drawn among the site's other years."""

import textwrap

import matplotlib.pyplot as plt
from matplotlib.ticker import MaxNLocator

from culmbook.show.palette import ACCENT, INK, MUTED, RULE, page_size

SITE_PANELS = (
    "min_soil_c",
    "hard_frost_days",
    "winter_rain_mm",
    "degree_days_sine",
    "rain_mm",
    "growing_season_days",
)
NETWORK_PANELS = ("min_soil_c", "degree_days_sine", "rain_mm")
TITLE_WIDTH = 26  # characters that fit over a panel
INSTEAD = {"min_soil_c": "min_air_c"}
"""What is drawn where the first was not recorded."""


def record_figure(values, place, season, wanted=None):
    """Draw chosen indices of every year, this season marked, in small panels.

    Parameters
    ----------
    values : pandas.DataFrame
        From :func:`culmbook.season.weather.season_indices`.
    place : pandas.DataFrame
        From :func:`culmbook.season.weather.against_record`, of the same season.
    season : int
    wanted : sequence of str, optional
        Names of the indices; six for one site, three for a network when left out. One without any value is
        left out, the lowest soil temperature is replaced by the lowest air temperature.

    Returns
    -------
    matplotlib.figure.Figure

    Raises
    ------
    ValueError
        When there is nothing to draw.
    """
    sites = list(dict.fromkeys(values["site"]))
    wanted = wanted or (SITE_PANELS if len(sites) == 1 else NETWORK_PANELS)
    panels = [
        (site, name)
        for site in sites
        for name in _with_values(values[values["site"] == site], wanted)
    ]
    if not panels:
        raise ValueError("no weather index has a value: nothing to draw")
    n_lines = -(-len(panels) // 3)
    fig, axes = plt.subplots(
        n_lines, 3, figsize=page_size(min(1.62 * n_lines + 0.35, 9)), squeeze=False
    )
    for ax, (site, name) in zip(axes.flat, panels):
        plot_record(_of(values, site, name), _of(place, site, name), season, ax)
        label = _of(values, site, name)["label"].iloc[0]
        title = label if len(sites) == 1 else f"{site}: {label}"
        ax.set_title(
            "\n".join(textwrap.wrap(title, TITLE_WIDTH)), fontsize=7.5, fontweight="normal"
        )
    for ax in axes.flat[len(panels) :]:
        ax.set_visible(False)
    fig.supxlabel("Growing season; a winter stands at the year it began in", fontsize=7.5)
    return fig


def plot_record(values, place, season, ax):
    """Draw one index of one site: all years as dots, the median and 10–90 % range of the others, this season.

    Parameters
    ----------
    values, place : pandas.DataFrame
        Rows of one site and index.
    season : int
    ax : matplotlib.axes.Axes

    Returns
    -------
    matplotlib.axes.Axes
    """
    others = values[values["season"] != season]
    for row in place.itertuples(index=False):
        if row.low == row.low:
            ax.axhspan(row.low, row.high, color=RULE, alpha=0.5, linewidth=0)
        if row.median == row.median:
            ax.axhline(row.median, color=MUTED, linewidth=0.8, linestyle="--")
    ax.plot(others["season"], others["value"], linestyle="", marker="o", markersize=3, color=MUTED)
    now = values[values["season"] == season]
    ax.plot(
        now["season"],
        now["value"],
        linestyle="",
        marker="D",
        markersize=6,
        color=ACCENT,
        markeredgecolor=INK,
    )
    ax.set_ylabel(values["unit"].iloc[0])
    ax.xaxis.set_major_locator(MaxNLocator(nbins=4, integer=True))
    ax.yaxis.set_major_locator(MaxNLocator(nbins=5))
    ax.margins(x=0.06, y=0.12)
    return ax


def _of(frame, site, name):
    return frame[(frame["site"] == site) & (frame["index"] == name)]


def _with_values(values, wanted):
    """The wanted indices that have a value, each once, with what stands in for a missing one."""
    known = set(values.loc[values["value"].notna(), "index"])
    names = [name if name in known else INSTEAD.get(name, name) for name in wanted]
    return [name for name in dict.fromkeys(names) if name in known]
