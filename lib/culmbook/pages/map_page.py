"""The trial maps of a report, with their captions and what they say to a reader who cannot see them."""

import pandas as pd

from culmbook.show.field_map import kind_of_plot, map_figure, maps_figure
from culmbook.show.page import Column, figure, say
from culmbook.text.numbers import fmt_share
from culmbook.text.words import is_are, n_of

MAPS_ON_A_PAGE = 10
COLUMNS = {
    "site": Column("Site"),
    "trial": Column("Trial"),
    "plot": Column("Plot"),
    "row": Column("Row", kind="count"),
    "column": Column("Column", kind="count"),
    "hybrid": Column("Entry"),
    "status": Column("Status"),
    "counted_on": Column("Counted on", kind="date"),
    "n_missing": Column("Missing plants", "plants", kind="count", meaning="Planted less alive"),
    "missing_share": Column("Missing share", "%", kind="share", digits=0),
}


def map_section(latest, why=None):
    """Draw the trial maps: one per trial for a site, small ones side by side for several sites.

    Parameters
    ----------
    latest : pandas.DataFrame
        From :func:`culmbook.season.received.latest_stand`.
    why : str or None
        Why there can be no map.

    Returns
    -------
    list
        Figures, with a sentence on plots that have no place.
    """
    drawn = latest.dropna(subset=["row", "column"])
    if why or drawn.empty:
        return [
            say(why or "No plot has a row and a column: there is no map to draw.", kind="refusal")
        ]
    left = len(latest) - len(drawn)
    parts = (
        [say(f"{n_of(left, 'plot')} without row or column {is_are(left)} not drawn.")]
        if left
        else []
    )
    trials = [plots for _, plots in drawn.groupby(["site", "trial"], sort=True)]
    if drawn["site"].nunique() > 1:
        pages = [trials[i : i + MAPS_ON_A_PAGE] for i in range(0, len(trials), MAPS_ON_A_PAGE)]
        return [
            *parts,
            *(_small_maps(pd.concat(page), number) for number, page in enumerate(pages, 1)),
        ]
    return [*parts, *(_one_map(plots, number, trials[0]) for number, plots in enumerate(trials, 1))]


def _one_map(plots, number, first):
    """One trial's map; what its signs mean is said again only where they differ from the first map's."""
    trial, signs = plots["trial"].iloc[0], f"{_lines(plots)}{_hatches(plots)}"
    if number > 1 and signs == f"{_lines(first)}{_hatches(first)}":
        meaning = "Signs as in the first map."
    else:
        meaning = (
            "Number in a plot: plants missing in its latest count; shade: their share of the plants "
            f"planted. {signs}"
        )
    caption = f"Trial {trial}, {n_of(len(plots), 'plot')}. {meaning}"
    return figure(
        map_figure(plots, trial),
        label=f"map-{number}",
        caption=caption,
        alt=f"Map of trial {trial}: {_in_words(plots)}",
        data=plots,
        columns=COLUMNS,
    )


def _small_maps(plots, number):
    n = plots.groupby(["site", "trial"]).ngroups
    caption = (
        f"{n_of(n, 'trial')}. Shade: share of the plants planted that is missing in the latest count "
        f"of each plot. {_lines(plots)}{_hatches(plots)}"
    )
    return figure(
        maps_figure(plots),
        label=f"maps-{number}",
        caption=caption,
        alt=f"Small maps of {n_of(n, 'trial')}: {_in_words(plots)}",
        data=plots,
        columns=COLUMNS,
    )


def _lines(plots):
    """Say what the lines part, as far as the trial has it."""
    levels = [("thick", "replicates"), ("medium", "main plots"), ("thin", "blocks")]
    has = [True, plots["main_plot"].notna().any(), plots["block"].notna().any()]
    named = [f"{width} lines part {level}" for (width, level), there in zip(levels, has) if there]
    text = ", ".join(named)
    return f"{text[0].upper()}{text[1:]}."


def _hatches(plots):
    kinds = kind_of_plot(plots)
    return "" if (kinds == "ok").all() else " Hatched plots are left out or were not counted."


def _in_words(plots):
    kept, counted = plots[plots["status"] == "ok"], plots[kind_of_plot(plots) == "ok"]
    lost = len(plots) - len(kept)
    share = counted["missing_share"]
    missing = (
        ""
        if counted.empty
        else (
            f", with {fmt_share(share.min())} to {fmt_share(share.max())} of their plants missing and "
            f"{fmt_share(share.median())} in the median plot"
        )
    )
    return (
        f"{n_of(len(counted), 'plot')} counted{missing}; {n_of(lost, 'plot')} damaged or abandoned."
    )
