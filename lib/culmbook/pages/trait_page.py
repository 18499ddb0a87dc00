"""What the notebook on yield components says of lodging, ash, leaves, flowering and senescence."""

import pandas as pd
from matplotlib.figure import Figure

from culmbook.pages.harvest_page import Harvest
from culmbook.pages.interval_figure import plot_intervals
from culmbook.show.figures import height_for, named_words
from culmbook.show.headings import Column
from culmbook.show.page import figure, finding, say, table
from culmbook.show.palette import page_size
from culmbook.text.numbers import fmt_list, fmt_number, fmt_share
from culmbook.text.words import at_sites, marked, n_of
from culmbook.trials.seasons import planting_year
from culmbook.yields.traits import TRAITS, flowering_shares, lodging, phenology_days, trait_means

SHOWN = ("leaf_fraction", "ash_pct", "flowering_day", "senescence_score")


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


def order_of(frame: pd.DataFrame, measure: str) -> list[str]:
    """Hybrids with the highest mean of a measure first; those without it last, by name."""
    own = frame[frame["measure"].eq(measure)].sort_values(
        ["mean", "hybrid"], ascending=[False, True]
    )["hybrid"]
    return [*own, *sorted(set(frame["hybrid"]) - set(own))]


def show_lodging(harvest: Harvest, *, rank: int) -> tuple:
    """How many plots of each hybrid lodged: finding and table, or why it is not known."""
    rows = harvest.used
    if harvest.reason or rows["lodged_pct"].notna().sum() == 0:
        return (
            say(
                "Lodging was not recorded at this harvest, so nothing is said of it.",
                kind="refusal",
            ),
        )
    frame = lodging(rows, level=harvest.level)
    n, lodged = int(frame["n_plots"].sum()), int(frame["n_lodged"].sum())
    if not lodged:
        return (say(f"None of {n_of(n, 'plot')} looked at for lodging had lodged."),)
    top = frame[frame["share"].eq(frame["share"].max())]["hybrid"]
    sentence = (
        f"{lodged} of {n_of(n, 'plot')}{at_sites(rows)} had lodged at the cut, most often those "
        f"of {fmt_list(list(top))} ({fmt_share(frame['share'].max())} of "
        f"{'their' if len(top) > 1 else 'its'} plots)."
    )
    columns = {
        "hybrid": Column("Hybrid"),
        "n_plots": Column("Plots", kind="count"),
        "n_lodged": Column("Lodged", "plots", kind="count"),
        "share": Column("Share of plots", kind="share"),
        "interval": Column(
            f"{harvest.percent} % interval", kind="share_interval", ends=("lower", "upper")
        ),
        "lodged_pct": Column(
            "Of a lodged plot",
            "%",
            digits=0,
            kind="number",
            meaning="Mean of the plots that lodged.",
        ),
    }
    none = frame[frame["n_lodged"].eq(0)]["hybrid"]
    frame = frame.assign(
        is_control=frame["hybrid"].isin(harvest.controls), is_printed=frame["n_lodged"].gt(0)
    )
    note = (
        f"Controls in bold. Hybrids without a lodged plot are in the workbook only: "
        f"{n_of(len(none), 'hybrid')}."
        if len(none)
        else "Controls in bold."
    )
    listed = table(
        frame,
        label="lodging",
        columns=columns,
        strong="is_control",
        printed="is_printed",
        note=note,
        caption="Plots that lodged, and how much of such a plot lay, by hybrid.",
    )
    return finding(sentence, rank=rank, label="Lodging", see="lodging"), listed


def show_traits(harvest: Harvest, components: pd.DataFrame, network, site: str) -> tuple:
    """Leaf share, ash, flowering, senescence by hybrid: a figure of those recorded, and what is not known.

    Parameters
    ----------
    harvest : Harvest
    components : DataFrame
        From :func:`culmbook.yields.components.plot_components`, the season and plantings looked at; may be empty.
    network : Network
    site : str

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    seen = (
        phenology_days(network.tables["phenology"], harvest.plots)
        if not network.stopped(site, "phenology")
        else pd.DataFrame()
    )
    seen = _looked_at(seen, harvest)
    sources = {
        "leaf_fraction": components,
        "ash_pct": harvest.used,
        "flowering_day": seen,
        "senescence_score": seen,
    }
    means = {t: _means(sources[t], t, harvest.level) for t in SHOWN}
    known = [t for t in SHOWN if not isinstance(means[t], str)]
    refused = [TRAITS[t][0].lower() for t in SHOWN if isinstance(means[t], str)]
    told = (
        [
            say(
                f"Not recorded in enough plots for means by hybrid: {fmt_list(refused)}.",
                kind="refusal",
            )
        ]
        if refused
        else []
    )
    shown = [*told, *_flowering(seen, harvest)]
    return (*shown, _trait_figure(means, known, harvest)) if known else tuple(shown)


def _looked_at(seen, harvest):
    if seen.empty:
        return seen
    plots = harvest.plots[["site", "plot"]].assign(
        planting_season=planting_year(harvest.plots).astype("float64")
    )
    mine = plots.merge(
        harvest.plantings.astype({"planting_season": "float64"}), on=["site", "planting_season"]
    )
    return seen[seen["growing_season"].eq(harvest.season)].merge(
        mine[["site", "plot"]], on=["site", "plot"]
    )


def _means(frame, trait, level):
    if trait not in frame or frame[trait].isna().all():
        return "not recorded"
    try:
        return trait_means(frame, trait, level=level)
    except ValueError as error:
        return str(error)


def _flowering(seen, harvest):
    if seen.empty:
        return ()
    shares = flowering_shares(seen, level=harvest.level)
    if shares.empty:
        return ()
    n, flowered = int(shares["n_plots"].sum()), int(shares["n_flowered"].sum())
    never = shares[shares["n_flowered"].eq(0)]["hybrid"]
    rest = f" No plot of {fmt_list(list(never))} did." if len(never) else ""
    return (
        say(
            f"{flowered} of {n_of(n, 'plot')} with an answer flowered "
            f"({fmt_share(flowered / n)}).{rest}"
        ),
    )


def _trait_figure(means, known, harvest):
    frame = pd.concat(
        [means[t].assign(measure=t, label=TRAITS[t][0], unit=TRAITS[t][1]) for t in known],
        ignore_index=True,
    )
    labels = {t: f"{TRAITS[t][0]}\n[{TRAITS[t][1]}]" for t in known}
    names = order_of(frame, known[0])
    fig = plot_side_by_side(frame, known, labels, harvest.controls, names)
    spans = [
        f"{TRAITS[t][0].lower()} {fmt_number(m['mean'].min(), _digits(t))} ({m['hybrid'].iloc[-1]}) to "
        f"{fmt_number(m['mean'].max(), _digits(t))} ({m['hybrid'].iloc[0]})"
        for t, m in ((t, means[t]) for t in known)
    ]
    plots = [
        f"{TRAITS[t][0].lower()} {fmt_number(int(means[t]['n_plots'].sum()), 0)}" for t in known
    ]
    return figure(
        fig,
        label="traits",
        data=frame,
        alt=f"One line per hybrid and panel. From lowest to highest: {'; '.join(spans)}.",
        caption=f"{fmt_list([TRAITS[t][0] for t in known])} of each hybrid with {harvest.percent} % "
        f"intervals; plots: {', '.join(plots)}. "
        f"Hybrids in the order of the first panel.{marked(names, harvest.controls)}{named_words(len(names))}",
    )


def _digits(trait):
    return {"leaf_fraction": 2, "ash_pct": 1, "senescence_score": 1}.get(trait, 0)
