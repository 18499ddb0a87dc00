"""What the notebook on yield components says of components: means, contributions, paths and compensation."""

from dataclasses import dataclass

import pandas as pd

from culmbook.pages.component_figures import LABELS, label_of, plot_contributions
from culmbook.pages.harvest_page import Harvest
from culmbook.pages.stand_figures import new_figure
from culmbook.pages.trait_page import order_of, plot_side_by_side
from culmbook.show.figures import named_words
from culmbook.show.headings import Column
from culmbook.show.page import figure, finding, say, table
from culmbook.text.numbers import fmt_interval, fmt_list, fmt_number, fmt_share
from culmbook.text.words import at_sites, marked, n_of
from culmbook.yields.components import (
    COMPONENTS,
    MEASURES,
    component_means,
    component_words,
    log_components,
    log_words,
    plot_components,
    with_yield,
)
from culmbook.yields.contributions import HYBRIDS, PLOTS, contributions
from culmbook.yields.covariances import Covariances, fit_covariances, site_records
from culmbook.yields.moisture import standing_loss

PARTS = [*COMPONENTS]
OUTCOME = "dry_yield_t_ha"
PANELS = ["plants_per_m2", "stems_per_plant", "stem_height_cm", "stem_mass_g"]
SITE_BY_SITE = "hybrids, site by site"
STANDING = (
    "Winter loss, stubble and fallen leaves make the cut less; whatever stems, counts or scales are "
    "off by is in the difference too."
)
NO_COMPONENTS = "Nothing can be said of this without components, for the reason given above."


@dataclass(frozen=True)
class Components:
    """Components of the plots looked at.

    ``reason`` why there are none, blank where there are; ``plots`` one row per plot of the season and
    plantings looked at, with its cut yield; ``every`` the same for all seasons and plantings; ``stems`` the
    season's measured plants.
    """

    harvest: Harvest
    reason: str
    plots: pd.DataFrame
    every: pd.DataFrame
    stems: pd.DataFrame

    @property
    def is_wide(self) -> bool:
        """Whether there are several sites, so that sites and not plots are the witnesses of a hybrid."""
        return self.plots["site"].nunique() > 1


def components_of(network, site: str, harvest: Harvest) -> Components:
    """Gather the components of the season's plots.

    Parameters
    ----------
    network : Network
    site : str
        A site, or 'all'.
    harvest : Harvest
        From :func:`culmbook.pages.harvest_page.harvest_of`.

    Returns
    -------
    Components
    """
    tables = network.tables
    frame = plot_components(
        tables["stem_measures"], tables["stand_counts"], harvest.plots, network.problems
    )
    every = with_yield(frame, harvest.yields)
    mine = every[every["growing_season"].eq(harvest.season)].astype({"planting_season": "float64"})
    plots = mine.merge(
        harvest.plantings.astype({"planting_season": "float64"}), on=["site", "planting_season"]
    )
    stems = tables["stem_measures"].merge(
        plots[["site", "plot", "growing_season"]], on=["site", "plot", "growing_season"]
    )
    reason = network.stopped(site, "stem_measures") or ""
    if not reason and plots.empty:
        reason = f"No stems of the planting looked at were measured in season {harvest.season}."
    return Components(harvest, reason, plots, every, stems)


def in_words(text: str) -> str:
    """A library's reason with what the columns are called instead of their names."""
    for name in sorted(LABELS, key=len, reverse=True):
        text = text.replace(name, LABELS[name].lower())
    return text


# -- means ----------------------------------------------------------------------------------------


def show_components(part: Components, *, rank: int) -> tuple:
    """Finding, figure and table of the hybrids' components, with units."""
    if part.reason:
        return (say(f"{part.reason} So how the yield comes about is not known.", kind="refusal"),)
    harvest = part.harvest
    means, refused = component_means(part.plots, level=harvest.level)
    told = [
        say(in_words(s), kind="caution")
        for s in (*component_words(part.stems, part.plots), *refused)
    ]
    if means.empty:
        return (*told, say("No component has means by hybrid.", kind="refusal"))
    panels = [m for m in PANELS if m in set(means["measure"])] or list(means["measure"].unique())[
        :4
    ]
    names = order_of(means, panels[0])
    fig = plot_side_by_side(means, panels, {m: _axis(m) for m in panels}, harvest.controls, names)
    said = _component_sentence(means)
    drawn = figure(
        fig,
        label="components",
        data=means,
        alt=f"One line per hybrid and panel. {said or 'Means with intervals.'}",
        caption=f"Components of yield by hybrid with {harvest.percent} % intervals, season "
        f"{harvest.season}, {n_of(len(part.plots), 'plot')}"
        f"{at_sites(part.plots)}; hybrids in the order of the first "
        f"panel.{marked(names, harvest.controls)}{named_words(len(names))}",
    )
    shown = [finding(said, rank=rank, label="Stems and height", see="components")] if said else []
    return (*shown, *told, drawn, _component_table(means, names, part), *_standing(part))


def _axis(measure):
    label, unit = MEASURES[measure]
    return f"{label}\n[{unit}]" if unit != "1" else label


def _component_sentence(means):
    parts = []
    for measure, what, digits in (
        ("stems_per_plant", "stems per plant", 0),
        ("stem_height_cm", "cm of stem height", 0),
    ):
        own = means[means["measure"].eq(measure)]
        if len(own):
            top, low = own.loc[own["mean"].idxmax()], own.loc[own["mean"].idxmin()]
            parts.append(
                f"from {fmt_number(low['mean'], digits)} ({low['hybrid']}) to "
                f"{fmt_number(top['mean'], digits)} ({top['hybrid']}) {what}"
            )
    return f"Hybrids had {fmt_list(parts)}." if parts else ""


def _component_table(means, names, part):
    wide = (
        means.pivot(index="hybrid", columns="measure", values="mean").reindex(names).reset_index()
    )
    plots = part.plots.groupby("hybrid").size()
    measures = [m for m in MEASURES if m in wide]
    digits = {
        "plants_per_m2": 2,
        "stems_per_plant": 1,
        "stem_mass_g": 1,
        "stem_height_cm": 0,
        "stem_diameter_mm": 1,
        "leaf_fraction": 2,
    }
    columns = {"hybrid": Column("Hybrid"), "plots": Column("Plots", kind="count")} | {
        m: Column(
            MEASURES[m][0],
            MEASURES[m][1].removeprefix("1") if MEASURES[m][1] == "1" else MEASURES[m][1],
            digits=digits.get(m, 1),
            kind="number",
            meaning="Mean of the model.",
        )
        for m in measures
    }
    frame = wide.assign(
        plots=wide["hybrid"].map(plots), is_control=wide["hybrid"].isin(part.harvest.controls)
    )
    return table(
        frame,
        label="component-means",
        columns=columns,
        strong="is_control",
        caption="Components of yield, means by hybrid.",
        note="Controls in bold. Intervals are in the workbook, at the figure. The product is the mean of "
        "the plots' products.",
    )


def _standing(part):
    """Cut against what the components say stood: a sentence for one site, a table for several."""
    loss, percent = standing_loss(part.plots, level=part.harvest.level), part.harvest.percent
    if loss.empty:
        return ()
    if len(loss) == 1:
        row = loss.iloc[0]
        way = "less" if row["loss"] >= 0 else "more"
        low, high = (
            sorted([row["lower"], row["upper"]])
            if row["loss"] >= 0
            else sorted([-row["upper"], -row["lower"]])
        )
        return (
            say(
                f"{fmt_share(abs(row['loss']))} {way} was cut than the components say stood ({percent} % "
                f"interval {fmt_interval(low, high)} {way}; {n_of(row['n_plots'], 'plot')}). "
                f"{STANDING}"
            ),
        )
    columns = {
        "site": Column("Site"),
        "n_plots": Column("Plots", kind="count"),
        "loss": Column(
            "Cut less than stood",
            kind="share",
            meaning="1 less cut yield over the product of components.",
        ),
        "interval": Column(f"{percent} % interval", kind="share_interval", ends=("lower", "upper")),
    }
    return (
        table(
            loss,
            label="cut-and-stood",
            columns=columns,
            note=f"Below 0: more was cut. {STANDING}",
            caption="How much less was cut than the components say stood, by site.",
        ),
    )


# -- contributions --------------------------------------------------------------------------------


def covariances_of(part: Components, names: list[str]) -> Covariances | str:
    """Covariances of log components and log cut yield, or why there are none.

    Parameters
    ----------
    part : Components
    names : list of str
        Components.

    Returns
    -------
    Covariances or str
        Over several sites, from one record per hybrid and site.
    """
    if part.reason or part.harvest.reason:
        return (
            NO_COMPONENTS
            if part.reason
            else "Without a cut yield nothing is set against the components."
        )
    try:
        logs = with_units(log_components(part.plots, tuple(names), outcome=OUTCOME))
        traits = [*names, "rest", OUTCOME]
        return fit_covariances(site_records(logs, traits) if part.is_wide else logs, traits)
    except ValueError as error:
        return f"Not estimable: {in_words(str(error))}."


def with_units(logs: pd.DataFrame) -> pd.DataFrame:
    """Plots with ``unit``: those of one replicate and planting treatment share a level."""
    keys = ["site", "trial", "replicate", "main_plot", "planting_method", "film"]
    return logs.assign(unit=logs[keys].astype("str").fillna("").agg(":".join, axis=1))


def contribution_shares(part: Components) -> pd.DataFrame | str:
    """Contributions of the components to the differences in yield, or why they are not known.

    Parameters
    ----------
    part : Components

    Returns
    -------
    DataFrame or str
        As :func:`culmbook.yields.contributions.contributions`.
    """
    cov = covariances_of(part, PARTS)
    if isinstance(cov, str):
        return cov
    try:
        shares = contributions(cov, [*PARTS, "rest"], OUTCOME, level=part.harvest.level)
    except ValueError as error:
        return f"Not shared out: {in_words(str(error))}."
    return shares.replace({"among": {PLOTS: SITE_BY_SITE}}) if part.is_wide else shares


def show_contributions(part: Components, shares: pd.DataFrame | str, *, rank: int) -> tuple:
    """Which component the differences in yield come from: finding, figure and table, or why it is not known.

    Parameters
    ----------
    part : Components
    shares : DataFrame or str
        From :func:`contribution_shares`.
    rank : int

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    if isinstance(shares, str):
        return (say(shares, kind="refusal"),)
    harvest, used = part.harvest, log_components(part.plots, tuple(PARTS), outcome=OUTCOME)
    hybrids = used["hybrid"].nunique()
    sentence = _contribution_sentence(shares, hybrids, harvest.percent)
    fig, ax = new_figure(3.1)
    plot_contributions(shares, ax=ax)
    drawn = figure(
        fig,
        label="contributions",
        data=shares,
        alt=f"Stacked bars. {sentence}",
        caption=f"What the differences in log yield come from, season {harvest.season}: {hybrids} hybrids "
        f"in {n_of(len(used), 'plot')}"
        f"{at_sites(used)}. Lines are {harvest.percent} % intervals, drawn from where each segment starts, "
        f"for these hybrids.",
    )
    columns = {
        "among": Column("Among"),
        "label": Column("Component"),
        "share": Column(
            "Share", kind="share", meaning="cov(log component, log yield) / var(log yield)."
        ),
        "interval": Column(
            f"{harvest.percent} % interval", kind="share_interval", ends=("lower", "upper")
        ),
    }
    listed = table(
        shares.assign(label=shares["component"].map(label_of)),
        label="contribution-shares",
        columns=columns,
        caption="Contributions of the components to differences in cut yield.",
        note=_contribution_note(part, used),
    )
    return (
        finding(sentence, rank=rank, label="What makes the yield", see="contributions"),
        drawn,
        listed,
    )


def _contribution_sentence(shares, n, percent):
    own = shares[shares["among"].eq(HYBRIDS)]
    known = own[own["component"].ne("rest")].sort_values("share", ascending=False)
    words = [
        f"{label_of(r.component).lower()} {fmt_share(r.share)} ({fmt_interval(r.lower, r.upper)})"
        for r in known.itertuples()
    ]
    against = " A negative share works against the others." if (known["share"] < 0).any() else ""
    return (
        f"Differences in yield among these {n} hybrids, shared out: {fmt_list(words)}, together "
        f"{fmt_share(known['share'].sum())} ({percent} % intervals).{against}"
    )


def _contribution_note(part, used):
    kind = (
        "Among hybrids: their true means over sites, from one record per hybrid and site."
        if part.is_wide
        else "Among hybrids: their true means, what plots differ by taken off; among plots: with that."
    )
    rest = (
        "What the components leave of 100 % is not explained by them. A share below 0 is compensation: "
        "the component is lower where the yield is higher."
    )
    return " ".join(filter(None, [kind, rest, log_words(part.plots, used)]))
