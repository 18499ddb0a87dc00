"""What the establishment notebook says of shares and differences: answers, or in words why there is none."""

from dataclasses import dataclass

import pandas as pd

from culmbook.mixed import CONVERGED
from culmbook.pages.stand_figures import new_figure, plot_differences, plot_shares
from culmbook.show.figures import height_for, named_words
from culmbook.show.headings import Column
from culmbook.show.page import figure, finding, say, table
from culmbook.stand.counts import EVENTS, model_cells
from culmbook.stand.model import StandFit, against_control, fit_stand, hybrid_shares, variance_table
from culmbook.stats.shares import fit_beta_binomial
from culmbook.text.numbers import fmt_count, fmt_list, fmt_share
from culmbook.text.words import n_of
from culmbook.trials.entries import control_of, is_used

TITLES = {
    "establishment": "Established by autumn",
    "overwinter": "Survived the winter",
    "stand": "Stand at the last count",
}
AGAINST = {"establishment": "Established", "overwinter": "Survived", "stand": "Stand"}
NOTHING = "There are no shares to compare, for the reason given above."
SHARE_COLUMNS = {
    "hybrid": Column("Hybrid"),
    "plots": Column("Plots", kind="count", meaning="Plots counted and used."),
    "alive": Column("Alive", "plants", kind="count", meaning="Plants alive over these plots."),
    "total": Column("Of", "plants", kind="count", meaning="Plants at risk over these plots."),
    "share": Column(
        "Share",
        kind="share",
        digits=1,
        meaning="Marginal share of the hybrid's mean plot, from the model.",
    ),
}
CONTRAST_COLUMNS = {
    "hybrid": Column("Hybrid"),
    "share": Column("Share", kind="share", digits=1, meaning="Marginal share from the model."),
    "difference": Column(
        "Difference",
        "points",
        digits=1,
        kind="number",
        meaning="Share less the control's, percentage points.",
    ),
    "interval": Column(
        "Simultaneous interval",
        "points",
        digits=1,
        kind="interval",
        ends=("lower", "upper"),
        meaning="All intervals of the column hold together at the chosen confidence.",
    ),
    "ratio": Column("Ratio", digits=2, kind="number", meaning="Share divided by the control's."),
    "ratio_interval": Column(
        "Simultaneous interval",
        digits=2,
        kind="interval",
        ends=("ratio_lower", "ratio_upper"),
        meaning="All intervals of the column hold together at the chosen confidence.",
    ),
}


@dataclass(frozen=True)
class Answer:
    """Everything the stand model says of one event, or the ``reason`` why it says nothing."""

    event: str
    control: str
    level: float
    cells: pd.DataFrame
    reason: str = ""
    fit: StandFit | None = None
    shares: pd.DataFrame | None = None
    contrasts: pd.DataFrame | None = None
    no_contrast: str = ""


def planting_of(stand: pd.DataFrame, planting: int, season: int) -> pd.DataFrame:
    """Plots of the planting looked at: the one named, else the season's own, else the newest.

    Parameters
    ----------
    stand : DataFrame
        From :func:`culmbook.stand.counts.plot_stand`.
    planting : int
        Planting season; 0 = the season's own, or the newest where nothing was planted in it.
    season : int

    Returns
    -------
    DataFrame

    Raises
    ------
    ValueError
        No plot of the named planting season; the seasons that there are, are listed.
    """
    seasons = sorted(stand["planting_season"].unique())
    wanted = planting or (season if season in seasons or not seasons else seasons[-1])
    if planting and planting not in seasons:
        there = (
            f"there are plantings of {fmt_list(seasons)}"
            if seasons
            else "there are no plots at all"
        )
        raise ValueError(f"planting={planting}: no plot was planted then; {there}")
    return stand[stand["planting_season"].eq(wanted)].reset_index(drop=True)


def answer(stand: pd.DataFrame, network, event: str, *, level: float = 0.95) -> Answer:
    """Fit the stand model of one event and compare with the control.

    Parameters
    ----------
    stand : DataFrame
        Plots of one planting, from :func:`culmbook.stand.counts.plot_stand`.
    network : Network
    event : {'establishment', 'overwinter', 'stand'}
    level : float
        Confidence, 0-1.

    Returns
    -------
    Answer
        With ``reason`` filled instead of a fit where the data carry none.
    """
    cells, control = model_cells(stand, network.tables["hybrids"], event), control_of(network)
    given = {"event": event, "control": control, "level": level, "cells": cells}
    if cells.empty:
        return Answer(
            **given,
            reason=f"No plot has the counts of this season for this ({EVENTS[event]}), so nothing is estimated.",
        )
    if cells["alive"].sum() in (0, cells["total"].sum()):
        return Answer(**given, reason=_all_alike(cells))
    try:
        fit = fit_stand(cells)
    except ValueError as error:
        return Answer(**given, reason=f"Not estimable: {error}.")
    if fit.fit.verdict != CONVERGED:
        return Answer(**given, reason=f"Not estimable: the model did {fit.fit.verdict}.")
    shares = hybrid_shares(fit, level=level)
    if control not in fit.hybrids:
        why = (
            f"The control {control} has no counted plot here"
            if control
            else "The network names no control"
        )
        return Answer(
            **given,
            fit=fit,
            shares=shares,
            no_contrast=f"{why}, so hybrids are not compared with one.",
        )
    return Answer(
        **given, fit=fit, shares=shares, contrasts=against_control(fit, control, level=level)
    )


def _all_alike(cells):
    fate = "alive" if cells["alive"].sum() else "dead"
    return (
        f"Of {n_of(cells['total'].sum(), 'plant')} in {n_of(len(cells), 'plot')} all were {fate}: "
        "there are no differences to estimate."
    )


def _range_words(shares):
    top, low = shares.iloc[0], shares.iloc[-1]
    return f"hybrids ranged from {fmt_share(low['share'])} ({low['hybrid']}) to {fmt_share(top['share'])} ({top['hybrid']})"


def show_shares(answer: Answer, controls: list[str], *, what: str, rank: int) -> tuple:
    """Finding, figure and table of the hybrids' shares.

    Parameters
    ----------
    answer : Answer
    controls : list of str
        Hybrids drawn as controls.
    what : str
        Start of the finding's sentence, such as 'By autumn 2025'.
    rank : int
        The finding's place on the first page.

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    if answer.reason:
        return (say(answer.reason, kind="refusal"),)
    shares, title, percent = answer.shares, TITLES[answer.event], round(100 * answer.level)
    fig, ax = new_figure(height_for(len(shares)))
    plot_shares(shares, controls, xlabel=f"{title} [%]", ax=ax)
    caption = (
        f"{title}: {EVENTS[answer.event]}. Points are the shares of each hybrid's mean plot, lines {percent} % intervals; "
        f"{_plots_each(shares)}{_at_sites(answer.cells)}.{_marked(shares, controls)}{named_words(len(shares))}"
    )
    drawn = figure(
        fig,
        label=f"{answer.event}-shares",
        caption=caption,
        data=shares,
        alt=f"One line per hybrid with its share and interval; {_range_words(shares)}.",
    )
    columns = SHARE_COLUMNS | {
        "interval": Column(
            f"{percent} % interval",
            kind="share_interval",
            digits=1,
            ends=("lower", "upper"),
            meaning="Interval of the share at the chosen confidence.",
        )
    }
    adjusted = (
        "sites and treatments, each site with equal weight"
        if _sites(answer.cells) > 1
        else "replicates and treatments"
    )
    listed = table(
        shares.assign(is_control=shares["hybrid"].isin(controls)),
        label=f"{answer.event}-hybrids",
        caption=f"{title}, by hybrid: {EVENTS[answer.event]}.",
        columns=columns,
        strong="is_control",
        note=f"Controls in bold. Alive and Of are plain totals; Share is the model's, adjusted for {adjusted}.",
    )
    return _share_finding(answer, what, rank), drawn, listed, *_by_site(answer)


def _share_finding(answer, what, rank):
    cells, by_site = answer.cells, _site_totals(answer.cells)
    alive, total = cells["alive"].sum(), cells["total"].sum()
    whose = "plants alive in autumn" if answer.event == "overwinter" else "plants planted"
    sentence = (
        f"{what}, {fmt_share(alive / total)} of the {whose} lived ({fmt_count(alive)} of {fmt_count(total)} "
        f"in {n_of(len(cells), 'plot')}{_at_sites(cells)}); {_range_words(answer.shares)}"
        f"{', each site weighted alike' if len(by_site) > 1 else ''}."
    )
    low, high = by_site.loc[by_site["share"].idxmin()], by_site.loc[by_site["share"].idxmax()]
    sites = (
        f"Sites ranged from {fmt_share(low['share'])} ({low['site']}) to {fmt_share(high['share'])} ({high['site']})."
        if len(by_site) > 1
        else ""
    )
    return finding(
        sentence, sites, rank=rank, label=TITLES[answer.event], see=f"{answer.event}-shares"
    )


def _site_totals(cells):
    totals = cells.groupby("site").agg(
        plots=("alive", "size"),
        hybrids=("hybrid", "nunique"),
        alive=("alive", "sum"),
        total=("total", "sum"),
    )
    return totals.assign(share=totals["alive"] / totals["total"]).reset_index()


def _by_site(answer):
    totals, title = _site_totals(answer.cells), TITLES[answer.event]
    if len(totals) < 2:
        return ()
    columns = {
        "site": Column("Site"),
        "plots": Column("Plots", kind="count"),
        "hybrids": Column("Hybrids", kind="count"),
        **{name: SHARE_COLUMNS[name] for name in ("alive", "total")},
        "share": Column(
            "Share",
            kind="share",
            digits=1,
            meaning="Plants alive divided by plants at risk, over all plots of the site.",
        ),
    }
    return (
        table(
            totals,
            label=f"{answer.event}-sites",
            columns=columns,
            caption=f"{title}, by site: {EVENTS[answer.event]}.",
            note="Plain totals over all plots of a site: sites differ in hybrids, planting treatments and season.",
        ),
    )


def _sites(cells):
    return cells["site"].nunique()


def _at_sites(cells):
    return f" at {_sites(cells)} sites" if _sites(cells) > 1 else ""


def _marked(shares, controls):
    return " Controls are squares." if shares["hybrid"].isin(controls).any() else ""


def _plots_each(shares):
    low, high = shares["plots"].min(), shares["plots"].max()
    return f"{n_of(low, 'plot')} per hybrid" if low == high else f"{low} to {high} plots per hybrid"


def show_contrasts(answer: Answer, *, rank: int) -> tuple:
    """Finding, figure and table of the differences from the control.

    Parameters
    ----------
    answer : Answer
    rank : int
        The finding's place on the first page.

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    if answer.reason or answer.contrasts is None:
        return (say(answer.no_contrast or NOTHING, kind="refusal"),)
    frame, control, percent = answer.contrasts, answer.control, round(100 * answer.level)
    sentence = _contrast_sentence(answer)
    said = finding(
        sentence,
        rank=rank,
        label=f"{AGAINST[answer.event]} against {control}",
        see=f"{answer.event}-contrasts",
    )
    fig, ax = new_figure(height_for(len(frame)))
    plot_differences(frame, control, ax=ax)
    caption = (
        f"{TITLES[answer.event]}: difference from the control {control}; lines are simultaneous {percent} % intervals, so "
        f"a line clear of the dashed one is a difference, however many hybrids are compared.{named_words(len(frame))}"
    )
    points = frame.assign(**{c: 100 * frame[c] for c in ("difference", "lower", "upper")})
    drawn = figure(
        fig,
        label=f"{answer.event}-contrasts",
        caption=caption,
        data=points,
        columns=CONTRAST_COLUMNS,
        alt=sentence,
    )
    listed = table(
        points,
        label=f"{answer.event}-against-control",
        columns=CONTRAST_COLUMNS,
        caption=f"{TITLES[answer.event]} against the control {control}.",
        note=f"The intervals of a column hold together with {percent} % confidence.",
    )
    return said, drawn, listed


def _contrast_sentence(answer):
    frame, percent = answer.contrasts, round(100 * answer.level)
    share = fmt_share(answer.shares.set_index("hybrid").loc[answer.control, "share"])
    better, worse = frame[frame["lower"] > 0]["hybrid"], frame[frame["upper"] < 0][::-1]["hybrid"]
    if not len(better) and not len(worse):
        return f"No hybrid differs clearly from the control {answer.control} ({share}), all {percent} % intervals taken together."
    verb = {"establishment": "established", "overwinter": "survived", "stand": "stood"}[
        answer.event
    ]
    found = [
        f"{fmt_list(list(names))} {verb} {word}"
        for names, word in ((better, "better"), (worse, "worse"))
        if len(names)
    ]
    found[0] += f" than the control {answer.control} ({share})"
    return (
        "; ".join(found)
        + f"; {_others(len(frame) - len(better) - len(worse))}, all {percent} % intervals taken together."
    )


def _others(rest):
    if rest == 0:
        return "none is left that does not differ"
    return (
        "1 other does not differ clearly" if rest == 1 else f"{rest} others do not differ clearly"
    )


def show_variances(answer: Answer) -> tuple:
    """Table of where the unevenness lies, with the correlation of plants in a plot beside it."""
    if answer.reason:
        return (say(NOTHING, kind="refusal"),)
    frame = variance_table(answer.fit).assign(
        at_zero=lambda t: t["at_zero"].map({True: "at zero", False: ""})
    )
    columns = {
        "source": Column("Source"),
        "levels": Column("Levels", kind="count", meaning="Number of blocks, main plots, plots …"),
        "sd_logit": Column(
            "sd", "logit", digits=2, kind="number", meaning="Standard deviation on the logit scale."
        ),
        "at_zero": Column("Remark"),
    }
    if frame["at_zero"].eq("").all():
        del columns["at_zero"]
    return (
        table(
            frame,
            label=f"{answer.event}-variances",
            columns=columns,
            note=_correlation_note(answer.cells),
            caption=f"{TITLES[answer.event]}: unevenness among plots that the hybrids do not explain.",
        ),
    )


def _correlation_note(cells):
    rho = fit_beta_binomial(
        cells["alive"], cells["total"], pd.get_dummies(cells["hybrid"], dtype=float)
    ).correlation
    plants = cells["total"].mean()
    worth = fmt_count(max(round(plants / (1 + (plants - 1) * rho)), 1))
    return (
        "Check from another model (beta-binomial with hybrids only, so that sites, replicates and treatments count as unevenness): "
        f"plants of one plot share their fate with correlation {rho:.2f}; the {fmt_count(round(plants))} plants of a mean plot say as much "
        f"as {worth} independent one{'' if worth == '1' else 's'}."
    )


def show_counted(planted: pd.DataFrame, stand: pd.DataFrame, season: int) -> tuple:
    """What was counted, site by site: plots, plots set aside with reasons, counts of each occasion.

    Parameters
    ----------
    planted : DataFrame
        Plots of the planting looked at, from :func:`planting_of`.
    stand : DataFrame
        All plots.
    season : int

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    if planted.empty:
        return (say("There are no plots for this season.", kind="refusal"),)
    year = int(planted["planting_season"].iloc[0])
    counted = {o: f"alive_{o}" for o in ("after_planting", "autumn", "spring", "summer")}
    frame = (
        planted.groupby("site")
        .agg(
            plots=("plot", "size"),
            set_aside=("status", lambda s: int((~is_used(planted.loc[s.index])).sum())),
            bounded=("is_bounded", "sum"),
            **{o: (c, "count") for o, c in counted.items()},
        )
        .reset_index()
    )
    columns = {
        "site": Column("Site"),
        "plots": Column("Plots", kind="count"),
        "set_aside": Column(
            "Set aside", kind="count", meaning="Damaged or abandoned through an outside cause."
        ),
        **{
            o: Column(
                "Counted " + o.replace("_", " ").replace("summer", "early summer"), kind="count"
            )
            for o in counted
        },
        "bounded": Column(
            "Hidden replants", kind="count", meaning="Replants not told apart from original plants."
        ),
    }
    words = f"Planting {year}: {n_of(len(planted), 'plot')}{_at_sites(planted)}"
    others = len(stand) - len(planted)
    tail = (
        f"; {n_of(others, 'plot')} of other plantings {'is' if others == 1 else 'are'} judged by stand only."
        if others
        else "."
    )
    return (
        say(words + tail),
        table(
            frame,
            label="counted",
            columns=columns,
            caption=f"Plots of the planting {year} and their counts of season {season}.",
        ),
        *_set_aside(planted),
        *_hidden(planted),
    )


def _set_aside(planted):
    rows = planted[~is_used(planted)]
    if rows.empty:
        return ()
    columns = {
        "site": Column("Site"),
        "plot": Column("Plot"),
        "hybrid": Column("Hybrid"),
        "status": Column("Status"),
        "status_reason": Column("Reason"),
    }
    return (
        table(
            rows,
            label="set-aside",
            columns=columns,
            caption="Plots set aside: they keep their rows and are left out of the estimates.",
        ),
    )


def _hidden(planted):
    rows = planted[planted["is_bounded"]]
    if rows.empty:
        return ()
    columns = {
        "site": Column("Site"),
        "plot": Column("Plot"),
        "hybrid": Column("Hybrid"),
        "plants_planted": Column("Planted", "plants", kind="count"),
        "replanted": Column("Replanted", "plants", kind="count"),
        "latest_alive": Column("Alive, replants among them", "plants", kind="count"),
        "bounds": Column(
            "Stand of original plants",
            kind="share_interval",
            ends=("stand_lower", "stand_upper"),
            meaning="Lowest: every replant lives. Highest: none of them does.",
        ),
    }
    return (
        table(
            rows,
            label="hidden-replants",
            columns=columns,
            caption="Plots whose replants were not told apart: the original plants' stand lies between these bounds.",
            note="These plots are left out of every comparison.",
        ),
    )


def headline(established: Answer, survived: Answer, standing: Answer, judged: pd.DataFrame) -> str:
    """Main results as a few coarse lines of plain text, equal on every machine."""
    lines = []
    for part in (established, survived, standing):
        name = TITLES[part.event].lower()
        if part.reason:
            lines.append(f"{name}: no answer")
            continue
        best, total = part.shares.iloc[0], part.cells["alive"].sum() / part.cells["total"].sum()
        lines.append(
            f"{name}: {total:.3f} of plants; highest {best['hybrid']} {best['share']:.2f} ({best['lower']:.2f} to {best['upper']:.2f})"
        )
    verdicts = judged["verdict"].value_counts()
    lines.append(
        "plots: " + ", ".join(f"{verdicts.get(v, 0)} {v}" for v in ("good", "fill gaps", "replant"))
    )
    return "\n".join(lines)
