"""What the establishment notebook says and shows: answers, or in words why there is none."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from culmbook.columns import Column
from culmbook.establishment import EVENTS, is_used, judge_hybrids, model_cells
from culmbook.formats import fmt_count, fmt_interval, fmt_list, fmt_number, fmt_p, fmt_share
from culmbook.gaps import clustering
from culmbook.lifetable import fit_hazards, life_table, logrank, plot_intervals
from culmbook.mixed import CONVERGED
from culmbook.present import figure, finding, say, table
from culmbook.proportions import common_odds, fit_beta_binomial
from culmbook.stand_figures import (height_for, new_figure, plot_differences, plot_shares, plot_survival, plot_treatments,
                                    plot_verdicts)
from culmbook.stand_model import StandFit, against_control, fit_stand, hybrid_shares, variance_table
from culmbook.treatments import fit_treatments, why_not_separable

TITLES = {"establishment": "Established by autumn", "overwinter": "Survived the winter", "stand": "Stand at the last count"}
NOTHING = "There are no shares to compare, for the reason given above."
SHARE_COLUMNS = {
    "hybrid": Column("Hybrid"),
    "plots": Column("Plots", kind="count", meaning="Plots counted and used."),
    "alive": Column("Alive", "plants", kind="count", meaning="Plants alive over these plots."),
    "total": Column("Of", "plants", kind="count", meaning="Plants at risk over these plots."),
    "share": Column("Share", kind="share", digits=1, meaning="Marginal share of the hybrid's mean plot, from the model."),
    "interval": Column("95 % interval", kind="share_interval", digits=1, ends=("lower", "upper"),
                       meaning="Interval of the share at the chosen confidence."),
}
CONTRAST_COLUMNS = {
    "hybrid": Column("Hybrid"),
    "share": Column("Share", kind="share", digits=1, meaning="Marginal share from the model."),
    "difference": Column("Difference", "points", digits=1, kind="number", meaning="Share less the control's, percentage points."),
    "interval": Column("Simultaneous interval", "points", digits=1, kind="interval", ends=("lower", "upper"),
                       meaning="All intervals of the column hold together at the chosen confidence."),
    "ratio": Column("Ratio", digits=2, kind="number", meaning="Share divided by the control's."),
    "ratio_interval": Column("Simultaneous interval", digits=2, kind="interval", ends=("ratio_lower", "ratio_upper"),
                             meaning="All intervals of the column hold together at the chosen confidence."),
    "p_value": Column("p, adjusted", kind="p", meaning="Adjusted for the number of hybrids (single step)."),
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


def control_of(network) -> str:
    """The reference control: the one settings name, else the first hybrid with the role control; '' if none."""
    controls = controls_of(network)
    return network.settings.reference_control or (controls[0] if controls else "")


def controls_of(network) -> list[str]:
    """All controls of the network, the settings' own list first."""
    named = list(network.settings.controls)
    hybrids = network.tables["hybrids"]
    return named or list(hybrids.loc[hybrids["role"].eq("control"), "hybrid"])


def planting_of(stand: pd.DataFrame, planting: int, season: int) -> pd.DataFrame:
    """Plots of the planting looked at: the one named, else the season's own, else the newest.

    Parameters
    ----------
    stand : DataFrame
        From :func:`culmbook.establishment.plot_stand`.
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
        raise ValueError(f"planting={planting}: no plot was planted then; there are plantings of {fmt_list(seasons)}")
    return stand[stand["planting_season"].eq(wanted)].reset_index(drop=True)


def answer(stand: pd.DataFrame, network, event: str, *, level: float = 0.95) -> Answer:
    """Fit the stand model of one event and compare with the control.

    Parameters
    ----------
    stand : DataFrame
        Plots of one planting, from :func:`culmbook.establishment.plot_stand`.
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
        return Answer(**given, reason=f"No plot has the counts for this ({EVENTS[event]}), so nothing is estimated.")
    if cells["alive"].sum() in (0, cells["total"].sum()):
        fate = "alive" if cells["alive"].sum() else "dead"
        return Answer(**given, reason=f"All {fmt_count(cells['total'].sum())} plants counted are {fate}: there are no differences to estimate.")
    try:
        fit = fit_stand(cells)
    except ValueError as error:
        return Answer(**given, reason=f"Not estimable: {error}.")
    if fit.fit.verdict != CONVERGED:
        return Answer(**given, reason=f"Not estimable: the model did {fit.fit.verdict}.")
    shares = hybrid_shares(fit, level=level)
    if control not in fit.hybrids:
        why = f"The control {control} has no counted plot here" if control else "The network names no control"
        return Answer(**given, fit=fit, shares=shares, no_contrast=f"{why}, so hybrids are not compared with one.")
    return Answer(**given, fit=fit, shares=shares, contrasts=against_control(fit, control, level=level))


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
    cells, shares, title = answer.cells, answer.shares, TITLES[answer.event]
    alive, total = cells["alive"].sum(), cells["total"].sum()
    sentence = (f"{what}, {fmt_share(alive / total)} of the plants lived ({fmt_count(alive)} of {fmt_count(total)} "
                f"in {fmt_count(len(cells))} plots); {_range_words(shares)}.")
    said = finding(sentence, rank=rank, label=title, see=f"{answer.event}-shares",
                   numbers={"Plots": fmt_count(len(cells)), "Plants alive": f"{fmt_count(alive)} of {fmt_count(total)}",
                            "Hybrids": fmt_count(len(shares))})
    fig, ax = new_figure(height_for(len(shares)))
    plot_shares(shares, controls, xlabel=f"{title} [%]", ax=ax)
    percent = round(100 * answer.level)
    caption = (f"{title}: {EVENTS[answer.event]}. Points are marginal shares of the mean plot, lines {percent} % intervals; "
               f"{_plots_each(shares)}. Controls are squares.")
    drawn = figure(fig, label=f"{answer.event}-shares", caption=caption, data=shares,
                   alt=f"One line per hybrid with its share and interval; {_range_words(shares)}.")
    columns = dict(SHARE_COLUMNS, interval=_at_level(SHARE_COLUMNS["interval"], f"{percent} % interval"))
    listed = table(shares.assign(is_control=shares["hybrid"].isin(controls)), label=f"{answer.event}-hybrids",
                   caption=f"{title}, by hybrid: {EVENTS[answer.event]}.", columns=columns, strong="is_control",
                   note="Controls in bold. Alive and Of are plain totals; Share is the model's, adjusted for replicates and treatments.")
    return said, drawn, listed


def _at_level(column, heading):
    return Column(heading, column.unit, column.digits, column.kind, column.meaning, column.ends)


def _plots_each(shares):
    low, high = shares["plots"].min(), shares["plots"].max()
    return f"{low} plots per hybrid" if low == high else f"{low} to {high} plots per hybrid"


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
    better, worse = frame[frame["lower"] > 0]["hybrid"], frame[frame["upper"] < 0][::-1]["hybrid"]
    share = fmt_share(answer.shares.set_index("hybrid").loc[control, "share"])
    verb = {"establishment": "established", "overwinter": "survived", "stand": "stand"}[answer.event]
    found = [f"{fmt_list(list(names))} {verb} {word} than the control {control} ({share})"
             for names, word in ((better, "better"), (worse, "worse")) if len(names)]
    rest = len(frame) - len(better) - len(worse)
    sentence = ("; ".join(found) + f", all {percent} % intervals together; {_others(rest)}." if found else
                f"No hybrid differs from the control {control} ({share}) when all {percent} % intervals are taken together.")
    said = finding(sentence, rank=rank, label=f"{TITLES[answer.event]}, against {control}", see=f"{answer.event}-contrasts")
    fig, ax = new_figure(height_for(len(frame)))
    plot_differences(frame, control, ax=ax)
    caption = (f"{TITLES[answer.event]}: difference from the control {control}; lines are simultaneous {percent} % intervals, so "
               "a line that stays clear of the dashed one is a difference however many hybrids are compared.")
    drawn = figure(fig, label=f"{answer.event}-contrasts", caption=caption, data=frame, alt=sentence)
    points = frame.assign(**{c: 100 * frame[c] for c in ("difference", "lower", "upper")})
    listed = table(points, label=f"{answer.event}-against-control", columns=CONTRAST_COLUMNS,
                   caption=f"{TITLES[answer.event]} against the control {control}.",
                   note=f"The intervals of a column hold together with {percent} % confidence.")
    return said, drawn, listed


def _others(rest):
    if rest == 0:
        return "every hybrid differs from it"
    return "1 other does not differ clearly" if rest == 1 else f"{rest} others do not differ clearly"


def show_variances(answer: Answer) -> tuple:
    """Table of where the unevenness lies, with the correlation of plants in a plot beside it."""
    if answer.reason:
        return (say(NOTHING, kind="refusal"),)
    frame = variance_table(answer.fit).assign(at_zero=lambda t: t["at_zero"].map({True: "at zero", False: ""}))
    columns = {"source": Column("Source"), "levels": Column("Levels", kind="count", meaning="Number of blocks, main plots, plots …"),
               "sd_logit": Column("sd", "logit", digits=2, kind="number", meaning="Standard deviation on the logit scale."),
               "at_zero": Column("Remark")}
    cells = answer.cells
    design = pd.get_dummies(cells["hybrid"], dtype=float)
    rho = fit_beta_binomial(cells["alive"], cells["total"], design).correlation
    note = ("Check from another model (beta-binomial, hybrids only): two plants of one plot share their fate with "
            f"correlation {rho:.2f}, so {fmt_count(round(cells['total'].mean()))} plants of a plot say as much as "
            f"{cells['total'].mean() / (1 + (cells['total'].mean() - 1) * rho):.0f} independent ones.")
    return (table(frame, label=f"{answer.event}-variances", columns=columns, note=note,
                  caption=f"{TITLES[answer.event]}: unevenness among plots that the hybrids do not explain."),)


# -- planting treatments --------------------------------------------------------------------------


def show_treatments(answer: Answer, *, rank: int) -> tuple:
    """Finding, figure and tables of planting method and film, or the sentence why they are not judged."""
    reason = NOTHING if answer.reason else why_not_separable(answer.cells)
    if reason:
        return (say(reason, kind="refusal"),)
    try:
        result = fit_treatments(answer.cells, level=answer.level)
    except ValueError as error:
        return (say(f"Not estimable: {error}.", kind="refusal"),)
    effects, percent = result.effects, round(100 * answer.level)
    contrasts = effects[effects["first"] != ""]
    said = finding(*[_effect_sentence(e, percent) for e in contrasts.itertuples()], rank=rank, label="Planting", see="treatment-shares")
    fig, ax = new_figure(0.8 + 0.28 * len(result.shares))
    plot_treatments(result.shares, ax=ax)
    drawn = figure(fig, label="treatment-shares", data=result.shares,
                   caption=f"Share established by planting treatment; lines are {percent} % intervals from the scatter of main plots "
                           f"({result.df} degrees of freedom), {result.shares['main_plots'].iloc[0]} main plots each.",
                   alt="One line per planting treatment with its share and interval.")
    shown = effects.assign(**{c: 100 * effects[c] for c in ("difference", "lower", "upper")},
                           contrast=np.where(effects["first"] != "", effects["first"] + " less " + effects["second"], effects["effect"]))
    columns = {"contrast": Column("Effect"),
               "difference": Column("Difference", "points", digits=1, kind="number", meaning="First less second, percentage points."),
               "interval": Column(f"{percent} % interval", "points", digits=1, kind="interval", ends=("lower", "upper")),
               "odds_ratio": Column("Odds ratio", digits=2, kind="number"),
               "odds": Column(f"{percent} % interval", digits=2, kind="interval", ends=("odds_lower", "odds_upper")),
               "t": Column("t", digits=2, kind="number"), "df": Column("df", kind="count", meaning="Degrees of freedom of main plots."),
               "p_value": Column("p", kind="p")}
    listed = table(shown, label="treatment-effects", columns=columns, note=_odds_note(answer.cells, contrasts),
                   caption="Planting method and film, tested against the main plots they were given to.")
    return said, drawn, listed


def _effect_sentence(effect, percent):
    clear = effect.p_value < 1 - percent / 100
    verb = "more" if effect.difference > 0 else "fewer"
    size = f"{fmt_number(abs(100 * effect.difference), 0)} points {verb} plants established with {effect.first} than with {effect.second}"
    if effect.effect == "planting method":
        size = size.replace(f"with {effect.first} than with {effect.second}", f"after {effect.first} than after {effect.second} planting")
    interval = fmt_interval(100 * effect.lower, 100 * effect.upper, 0, share=False, unit="points")
    tail = f"({interval} as {effect.first} less {effect.second}, t on {effect.df} df of main plots, {fmt_p(effect.p_value)})"
    return f"{size} {tail}." if clear else f"No clear effect of {effect.effect}: {size} {tail}."


def _odds_note(cells, contrasts):
    """Plant-level odds ratio over replicates, to show how far it agrees and that its interval is too narrow."""
    notes = []
    for effect in contrasts.itertuples():
        column = effect.effect.replace(" ", "_")
        first = cells[column].eq({"film": "film", "planting method": "machine"}[effect.effect])
        dead = cells["total"] - cells["alive"]
        tables = [[[cells["alive"][m & first].sum(), dead[m & first].sum()], [cells["alive"][m & ~first].sum(), dead[m & ~first].sum()]]
                  for m in (cells["site"].eq(s) & cells["replicate"].eq(r) for s, r in cells[["site", "replicate"]].drop_duplicates().values)]
        try:
            pooled = common_odds(tables)
        except ValueError:
            continue
        notes.append(f"{effect.effect} {pooled.odds_ratio:.2f} ({pooled.lower:.2f} to {pooled.upper:.2f})")
    return ("Mantel-Haenszel odds ratios over replicates, as if plants were independent, for comparison only: " + "; ".join(notes)
            + ".") if notes else ""


# -- losses over time -----------------------------------------------------------------------------


def show_losses(history: pd.DataFrame, controls: list[str], *, level: float, rank: int) -> tuple:
    """When plants are lost: finding, survival figure, life table and hazards by hybrid.

    Parameters
    ----------
    history : DataFrame
        From :func:`culmbook.establishment.stand_history`.
    controls : list of str
    level : float
    rank : int

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    intervals = plot_intervals(history)
    if intervals.empty:
        return (say("Plots have no second count in this season, so losses cannot be dated.", kind="refusal"),)
    names = intervals.drop_duplicates("order").set_index("order")["interval"]
    timed = intervals.assign(interval=intervals["order"])
    pooled = life_table(timed).assign(step=lambda t: t["interval"].map(names))
    sentence = _loss_sentence(pooled)
    said = finding(sentence, rank=rank, label="When plants are lost", see="survival")
    by_hybrid = life_table(timed, ["hybrid"]).rename(columns={"interval": "order"}).assign(interval=lambda t: t["order"].map(names))
    last = by_hybrid.sort_values("order").drop_duplicates("hybrid", keep="last").sort_values("survival")
    named = list(dict.fromkeys([*[c for c in controls if c in set(last["hybrid"])], last["hybrid"].iloc[-1], last["hybrid"].iloc[0]]))[:6]
    fig, ax = new_figure(3.0)
    plot_survival(by_hybrid, named, ax=ax)
    drawn = figure(fig, label="survival", data=by_hybrid[["hybrid", "interval", "at_risk", "lost", "survival"]],
                   caption="Original plants alive at each count, a line per hybrid (plots pooled). Named: the controls, and the hybrids "
                           "with most and fewest alive at the end.", alt=sentence)
    columns = {"step": Column("Up to"), "at_risk": Column("At risk", "plants", kind="count"), "lost": Column("Lost", "plants", kind="count"),
               "hazard": Column("Lost of those at risk", kind="share", digits=1),
               "survival": Column("Alive of planted", kind="share", digits=1, meaning="Product over the intervals so far.")}
    listed = table(pooled, label="life-table", columns=columns, caption="Life table of the planting, all plots together.",
                   note=_inflation_note(intervals))
    return said, drawn, listed, _hazard_table(intervals, level)


def _loss_sentence(pooled):
    lost, worst = int(pooled["lost"].sum()), pooled.loc[pooled["lost"].idxmax()]
    if not lost:
        return "No plant was lost between the counts."
    most = int(worst["lost"])
    which = "all of them" if most == lost else f"{fmt_share(most / lost)} of them" if most > lost / 2 else f"the largest part, {fmt_share(most / lost)},"
    return f"{_count(lost, 'plant')} went missing between planting and the last count, {which} by the {worst['step'].removesuffix(' count')} count."


def _hazard_table(intervals, level):
    hazards = fit_hazards(intervals, level=level)
    columns = {"interval": Column("Up to"), "hybrid": Column("Hybrid"), "plots": Column("Plots", kind="count"),
               "lost": Column("Lost", "plants", kind="count"), "at_risk": Column("Of", "plants", kind="count"),
               "hazard": Column("Hazard", kind="share", digits=1, meaning="Chance that a plant alive at the start is lost in the interval."),
               "limits": Column(f"{round(100 * level)} % interval", kind="share_interval", digits=1, ends=("lower", "upper"))}
    return table(hazards, label="hazards", columns=columns, caption="Chance of being lost in each interval, by hybrid.",
                 note="Marginal shares from the stand model of each interval.")


def _inflation_note(intervals):
    """Are hybrids lost alike over all intervals: a log-rank test, deflated for plants sharing a plot."""
    plots = intervals.groupby(["order", "hybrid"])
    expected = intervals["at_risk"] * plots["lost"].transform("sum") / plots["at_risk"].transform("sum")
    spread = expected * (1 - expected / intervals["at_risk"])
    telling = spread > 0
    df = int(telling.sum()) - intervals[telling].groupby(["order", "hybrid"]).ngroups
    if df < 1 or intervals["hybrid"].nunique() < 2:
        return ""
    inflation = max(1.0, float(((intervals["lost"] - expected) ** 2 / spread.where(telling))[telling].sum()) / df)
    chi2, groups, p = logrank(intervals.assign(interval=intervals["order"]), "hybrid", inflation=inflation)
    return (f"Hybrids over all intervals: log-rank chi-squared {chi2:.1f} on {groups} df, {fmt_p(p)}, divided by the variance "
            f"inflation {inflation:.1f} that plants sharing a plot cause.")


# -- gaps and verdicts ----------------------------------------------------------------------------


def gaps_looked_at(gaps: pd.DataFrame, stand: pd.DataFrame, season: int) -> pd.DataFrame:
    """The first gap record of each plot of a planting in the season: gaps before the winter's if there is one."""
    mine = gaps[gaps["growing_season"].eq(season)].merge(stand[["site", "plot"]], on=["site", "plot"])
    first = mine.groupby(["site", "plot"])["counted_on"].transform("min")
    return mine[mine["counted_on"].eq(first)].reset_index(drop=True)


def show_gaps(gaps: pd.DataFrame, runs: pd.DataFrame, *, permutations: int, rank: int) -> tuple:
    """Do missing plants lie together: finding and table of the longest runs, or why it is not known.

    Parameters
    ----------
    gaps : DataFrame
        From :func:`gaps_looked_at`.
    runs : DataFrame
        From :func:`culmbook.gaps.longest_runs` of the same records.
    permutations : int
    rank : int

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    if gaps.empty:
        return (say("No gap records for this planting: whether missing plants lie together is not known.", kind="refusal"),)
    try:
        test = clustering(gaps, permutations=permutations)
    except ValueError as error:
        return (say(f"Clustering is not tested: {error}.", kind="refusal"),)
    dates = gaps["counted_on"].drop_duplicates().dt.strftime("%Y-%m-%d").sort_values()
    words = ("lie together more than chance would have it: look for a fault of field or machine"
             if test.p_value < 0.05 else "show no more clustering than chance would have")
    said = finding(f"Missing plants {words} ({fmt_p(test.p_value)}; {fmt_count(test.missing)} missing in {fmt_count(test.plots)} plots, "
                   f"{fmt_count(test.joins)} neighbouring pairs against {fmt_number(test.joins_expected, 0)} expected, longest run {test.longest_run}).",
                   rank=rank, label="Gaps")
    long = runs[runs["runs_of_three"] > 0].sort_values(["longest_run", "missing"], ascending=False).head(20)
    if long.empty:
        return said, say("No plot has three or more neighbouring plants missing.")
    columns = {"site": Column("Site"), "plot": Column("Plot"), "positions": Column("Positions", kind="count"),
               "missing": Column("Missing", "plants", kind="count"), "longest_run": Column("Longest run", "plants", kind="count"),
               "position_row": Column("In planted row", kind="count"), "runs_of_three": Column("Runs of 3 or more", kind="count")}
    listed = table(long, label="gap-runs", columns=columns,
                   caption=f"Plots with the longest runs of missing plants, recorded {fmt_list(list(dates))}.",
                   note=f"The {len(long)} longest of {fmt_count((runs['runs_of_three'] > 0).sum())} plots with a run of at least three.")
    return said, listed


def show_verdicts(judged: pd.DataFrame, answer: Answer, rules, *, rank: int) -> tuple:
    """Verdicts on plots (a census) and on hybrids (chances for future plots).

    Parameters
    ----------
    judged : DataFrame
        From :func:`culmbook.establishment.judge_plots`, plots of one planting.
    answer : Answer
        The stand model of the event 'stand'.
    rules : StandSettings
    rank : int

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    counted = judged[judged["verdict"].notna()]
    if counted.empty:
        return (say("No plot has a count from which its stand could be judged.", kind="refusal"),)
    numbers = counted["verdict"].value_counts()
    words = fmt_list([f"{fmt_count(numbers[v])} {v}" for v in ("good", "fill gaps", "replant") if v in numbers])
    rank_out = int((~counted["is_ranked"]).sum())
    sentence = f"Of {fmt_count(len(counted))} plots judged by their last count: {words}."
    note = f"{fmt_count(rank_out)} of them stand below {fmt_share(rules.rank_floor)}: their yield is not ranked." if rank_out else ""
    if answer.reason:
        return finding(sentence, note, rank=rank, label="Stand verdict"), say(answer.reason, kind="refusal")
    plants = int(answer.cells["total"].median())
    hybrids = judge_hybrids(answer.fit, rules, plants)
    sure = [f"{fmt_list(list(hybrids[hybrids['verdict'].eq(v)]['hybrid']))}: {v}" for v in ("good", "fill gaps", "replant") if hybrids["verdict"].eq(v).any()]
    future = ("For future plots the verdict is at least " + fmt_share(rules.probability) + " sure for " + "; ".join(sure) + "."
              if sure else f"No hybrid's future plots can be judged with {fmt_share(rules.probability)} certainty.")
    said = finding(sentence, note, future, rank=rank, label="Stand verdict", see="stand-verdicts")
    fig, ax = new_figure(height_for(len(hybrids)) + 0.2)
    plot_verdicts(hybrids, ax=ax)
    drawn = figure(fig, label="stand-verdicts", data=hybrids, alt="One stacked bar per hybrid with the three chances.",
                   caption=f"Chance that a future plot of {plants} plants stands at {fmt_share(rules.good)} or more (good), "
                           f"at {fmt_share(rules.fill)} or more (fill gaps), or below (replant).")
    columns = {"hybrid": Column("Hybrid"), "p_good": Column("Good", kind="share"), "p_fill": Column("Fill gaps", kind="share"),
               "p_replant": Column("Replant", kind="share"), "verdict": Column("Verdict")}
    listed = table(hybrids, label="hybrid-verdicts", columns=columns, note=f"A verdict needs {fmt_share(rules.probability)}; thresholds are common practice.",
                   caption=f"Chances for a future plot of {plants} plants under this season's conditions, by hybrid.")
    return said, drawn, listed, *_weak_plots(counted, rules)


def _weak_plots(counted, rules):
    weak = counted[counted["verdict"].eq("replant")].sort_values(["stand", "site", "plot"])
    if weak.empty:
        return (say("No plot has to be replanted."),)
    columns = {"site": Column("Site"), "plot": Column("Plot"), "hybrid": Column("Hybrid"), "latest_alive": Column("Alive", "plants", kind="count"),
               "plants_planted": Column("Planted", "plants", kind="count"), "stand": Column("Stand", kind="share"),
               "longest_run": Column("Longest gap", "plants", kind="count")}
    return (table(weak.head(25), label="plots-to-replant", columns=columns,
                  caption=f"Weakest plots: stand below {fmt_share(rules.fill)} or a run of {rules.longest_gap} or more missing.",
                  note=f"The {len(weak.head(25))} weakest of {fmt_count(len(weak))}."),)


def show_unknown(sentences: list[str]) -> tuple:
    """The limits of this season's counts, one paragraph each; provisional results are repeated on the first page."""
    if not sentences:
        return (say("All counts that these questions need were made."),)
    return tuple(say(s, kind="provisional" if "provisional" in s else "caution") for s in sentences)


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
    frame = planted.groupby("site").agg(
        plots=("plot", "size"), set_aside=("status", lambda s: int((~is_used(planted.loc[s.index])).sum())),
        bounded=("is_bounded", "sum"), **{o: (c, "count") for o, c in counted.items()}).reset_index()
    columns = {"site": Column("Site"), "plots": Column("Plots", kind="count"),
               "set_aside": Column("Set aside", kind="count", meaning="Damaged or abandoned through an outside cause."),
               **{o: Column("Counted " + o.replace("_", " ").replace("summer", "early summer"), kind="count") for o in counted},
               "bounded": Column("Hidden replants", kind="count", meaning="Replants not told apart from original plants.")}
    words = f"Planting {year}: {_count(len(planted), 'plot')}"
    others = len(stand) - len(planted)
    tail = f"; {_count(others, 'plot')} of other plantings are judged by stand only." if others else "."
    return (say(words + tail), table(frame, label="counted", columns=columns, caption=f"Plots of the planting {year} and their counts of season {season}."),
            *_set_aside(planted))


def _set_aside(planted):
    rows = planted[~is_used(planted)]
    if rows.empty:
        return ()
    columns = {"site": Column("Site"), "plot": Column("Plot"), "hybrid": Column("Hybrid"), "status": Column("Status"), "status_reason": Column("Reason")}
    return (table(rows, label="set-aside", columns=columns, caption="Plots set aside: they keep their rows and are left out of the estimates."),)


def _count(n, noun):
    return f"{fmt_count(n)} {noun}" + ("" if n == 1 else "s")


def show_older(judged: pd.DataFrame) -> tuple:
    """Stand of older plantings at their last count of the season, by trial and hybrid.

    Parameters
    ----------
    judged : DataFrame
        From :func:`culmbook.establishment.judge_plots`, older plots.

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    counted = judged[judged["verdict"].notna()]
    if counted.empty:
        return (say("No older planting was counted in this season.", kind="refusal"),)
    frame = counted.groupby(["site", "trial", "planting_season"]).agg(
        plots=("plot", "size"), median=("stand", "median"), low=("stand", "min"), high=("stand", "max"),
        replant=("verdict", lambda v: int(v.eq("replant").sum())), unranked=("is_ranked", lambda r: int((~r).sum()))).reset_index()
    columns = {"site": Column("Site"), "trial": Column("Trial"), "planting_season": Column("Planted"),
               "plots": Column("Plots", kind="count"), "median": Column("Median stand", kind="share"),
               "spread": Column("Range", kind="share_interval", ends=("low", "high")),
               "replant": Column("Replant", "plots", kind="count"), "unranked": Column("Yield not ranked", "plots", kind="count")}
    return (table(frame, label="older-stand", columns=columns, caption="Stand of older plantings at the last count of this season, share of the plants planted."),)


def headline(established: Answer, survived: Answer, standing: Answer, judged: pd.DataFrame) -> str:
    """Main results as a few coarse lines of plain text, equal on every machine."""
    lines = []
    for part in (established, survived, standing):
        name = TITLES[part.event].lower()
        if part.reason:
            lines.append(f"{name}: no answer")
            continue
        best, total = part.shares.iloc[0], part.cells["alive"].sum() / part.cells["total"].sum()
        lines.append(f"{name}: {total:.3f} of plants; highest {best['hybrid']} {best['share']:.2f} ({best['lower']:.2f} to {best['upper']:.2f})")
    verdicts = judged["verdict"].value_counts()
    lines.append("plots: " + ", ".join(f"{verdicts.get(v, 0)} {v}" for v in ("good", "fill gaps", "replant")))
    return "\n".join(lines)
