"""Around the decisions: more data, the programme's funnel, last season's decisions, limits."""

from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from culmbook.consistency.reliability import estimates
from culmbook.pages.decision_page import short_reason
from culmbook.pages.selection_figures import plot_plans
from culmbook.pages.selection_page import NO_DECISION, Choice
from culmbook.selection.decide import DROP, HOLD, PROMOTE
from culmbook.selection.decisions import (
    ABOVE,
    compare_with_last,
    decision_rows,
    last_decisions,
    last_words,
    season_gains,
    write_decisions,
    written_words,
)
from culmbook.selection.funnel import COMMON, funnel_table, run_funnel, spread_before
from culmbook.selection.funnel_alternatives import alternatives, compare_funnels, comparison_words
from culmbook.selection.funnel_words import assumption_words, check_words, funnel_words
from culmbook.selection.more_data import plan_table, plan_words
from culmbook.show.headings import Column
from culmbook.show.page import figure, finding, say, table
from culmbook.show.palette import page_size
from culmbook.text.numbers import fmt_list, fmt_number
from culmbook.text.words import is_are, joined, n_of

_PROGRAMMES = 1_000


def show_plans(choice: Choice) -> tuple:
    """What one more season, site or replicate would change: figure and table, or why not.

    Parameters
    ----------
    choice : Choice

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    if choice.reason:
        return (say(NO_DECISION, kind="refusal"),)
    frame = plan_table(
        choice.part.fit,
        choice.part.drawn,
        choice.control,
        choice.eligible,
        among=list(choice.gains),
        **choice.rules,
    )
    known = frame[frame["expected_loss"].notna()]
    if len(known) < 2:
        return (say(plan_words(frame), kind="refusal"),)
    shown = (_plan_figure(known),) if known["expected_loss"].iloc[0] > 0 else ()
    return (
        say(plan_words(frame), "What the data cost is not taken off."),
        *shown,
        _plan_table(frame),
    )


def _plan_figure(known):
    fig = Figure(figsize=page_size(0.8 + 0.28 * len(known)), layout="constrained")
    plot_plans(known, ax=fig.subplots())
    now, best = known["expected_loss"].iloc[0], known["expected_loss"].min()
    return figure(
        fig,
        label="plans",
        data=known,
        alt=f"Expected loss over all candidates: {fmt_number(now, 2)} now, {fmt_number(best, 2)} after "
        "the plan "
        "that lowers it most.",
        caption="Expected loss over all candidates now and once each plan has been carried out; the bar "
        "is what "
        "the data are expected to save.",
    )


def _plan_table(frame):
    columns = {
        "plan": Column("Plan"),
        "plots": Column("Plots cut", kind="count", meaning="Plots × seasons cut in addition."),
        "expected_loss": Column(
            "Expected loss",
            digits=2,
            kind="number",
            meaning="Of the better of promoting and dropping, over all candidates.",
        ),
        "saving": Column("Saved", digits=2, kind="number"),
        "flips": Column(
            "Decisions turned",
            digits=1,
            kind="number",
            meaning="Expected number of candidates for which the better of promoting and dropping changes.",
        ),
    }
    return table(
        frame,
        label="plan-table",
        columns=columns,
        caption="What more data are expected to change, over all candidates, in the unit of the costs.",
        note="Each plan cuts the plots of last season again. New sites and replicates are taken as "
        "established.",
    )


# -- the funnel -----------------------------------------------------------------------------------


def show_funnel(choice: Choice, *, rank: int) -> tuple:
    """What a programme may gain from many crosses to a few: finding and tables, or why not.

    Parameters
    ----------
    choice : Choice
    rank : int

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    part = choice.part
    if part.reason:
        return (say(NO_DECISION, kind="refusal"),)
    sets = part.drawn.sets
    try:
        runs = run_funnel(COMMON, sets, programmes=_PROGRAMMES)
        compared = compare_funnels(alternatives(COMMON), sets, programmes=_PROGRAMMES)
        before = spread_before(COMMON, estimates(part.fit))
    except ValueError as error:
        return (say(f"What a programme may gain is not told: {error}.", kind="refusal"),)
    spread = float(np.sqrt(part.fit.fit.variances["hybrid"]))
    told = finding(funnel_words(runs, level=part.level), rank=rank, label="Funnel", see="funnel")
    return (
        told,
        say(comparison_words(compared)),
        say(assumption_words(runs, spread, before), check_words(runs, sets), kind="caution"),
        _funnel_table(runs, part),
    )


def _funnel_table(runs, part):
    columns = {
        "stage": Column("Stage"),
        "entering": Column("Enter", kind="count"),
        "kept": Column("Kept", kind="count"),
        "sites": Column("Sites", kind="count"),
        "seasons": Column("Seasons", kind="count"),
        "replicates": Column("Replicates", kind="count"),
        "plots": Column("Plots", kind="count"),
        "years": Column(
            "Years so far",
            kind="count",
            meaning="Two years of establishment before the seasons of each stage.",
        ),
        "spread": Column(
            "Spread",
            "log",
            digits=2,
            kind="number",
            meaning="Standard deviation of the true log yields of the hybrids that enter.",
        ),
        "gain": Column(
            "Gain", kind="share", meaning="Mean of the kept over the mean of all crosses."
        ),
        "interval": Column(
            f"{part.percent} % of programmes", kind="share_interval", ends=("lower", "upper")
        ),
        "p_best": Column(
            "Best kept",
            kind="share",
            meaning="Probability that the truly best cross is still there.",
        ),
    }
    return table(
        funnel_table(runs, level=part.level),
        label="funnel",
        columns=columns,
        caption="A usual programme played through with this network's own variances: expected gain over "
        "the mean "
        "of all crosses, after each stage.",
        note=f"{n_of(_PROGRAMMES, 'programme')} simulated. Spread: standard deviation of the true log "
        "yields "
        "of the hybrids that enter.",
    )


# -- last season's decisions ----------------------------------------------------------------------


def show_last(choice: Choice, decisions: pd.DataFrame, season: int, *, rank: int) -> tuple:
    """Last decisions against what came: finding and table, or why not.

    Parameters
    ----------
    choice : Choice
    decisions : DataFrame
        Table ``decisions``.
    season : int
        Growing season reported.
    rank : int

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    last = last_decisions(decisions, season)
    if last.empty:
        return (say(last_words(last, season, choice.control), kind="refusal"),)
    if choice.reason:
        return (say(NO_DECISION, kind="refusal"),)
    try:
        gains = season_gains(choice.part.records, season, choice.control, level=choice.part.level)
    except ValueError as error:
        return (say(f"Earlier decisions are not set against {season}: {error}.", kind="refusal"),)
    frame = compare_with_last(last, choice.decided, gains, margin=choice.delta)
    told = finding(
        last_words(frame, season, choice.control, margin=choice.delta),
        rank=rank,
        label="Looking back",
        see="last-decisions",
    )
    columns = {
        "hybrid": Column("Hybrid"),
        "decision": Column(f"After {int(frame['growing_season'].iloc[0])}"),
        "now": Column("Now"),
        "n_plots": Column("Plots", kind="count", meaning=f"Cut in {season}."),
        "gain": Column(
            f"Gain in {season}",
            kind="share",
            meaning=f"Over {choice.control}, by the cuts of {season} alone.",
        ),
        "interval": Column(
            f"{choice.part.percent} % interval", kind="share_interval", ends=("lower", "upper")
        ),
        "came": Column("Against the margin"),
        "verdict": Column("Verdict"),
    }
    is_side = frame["decision"].ne(HOLD)
    is_printed = is_side | frame["now"].eq(PROMOTE) | frame["came"].eq(ABOVE)
    is_printed |= not is_printed.any()
    left = int((~is_printed).sum())
    listed = table(
        frame.assign(is_side=is_side, is_printed=is_printed),
        label="last-decisions",
        columns=columns,
        strong="is_side",
        printed="is_printed",
        caption=f"Decisions after {int(frame['growing_season'].iloc[0])} against the cuts of {season}.",
        note=joined(
            "In bold: promoted or dropped then. Earlier seasons, by which hybrids were chosen, have no "
            "part in "
            "the gain.",
            f"{n_of(left, 'hybrid')} held then, not promoted now and not shown to beat the margin "
            f"{is_are(left)} in the workbook."
            if left
            else "",
        ),
    )
    return told, listed


# -- writing --------------------------------------------------------------------------------------


def show_written(choice: Choice, season: int, path: str, decided_on: str = "") -> tuple:
    """Write the decisions to a file of the table of decisions when a path is given, and say what was done.

    Parameters
    ----------
    choice : Choice
    season : int
    path : str
        A CSV file; blank = nothing is written.
    decided_on : str
        Day of the decision, as 2026-06-30; blank = today.

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    if not path:
        return ()
    if choice.reason:
        return (say(f"Nothing was written. {NO_DECISION}", kind="refusal"),)
    try:
        day = date.fromisoformat(decided_on) if decided_on else date.today()
        stages = choice.entries.drop_duplicates("hybrid").set_index("hybrid")["stage"]
        decided = choice.decided.assign(
            reason=[short_reason(row, choice) for _, row in choice.decided.iterrows()]
        )
        rows = decision_rows(decided, season, stages, day)
        written = write_decisions(rows, Path(path), hybrids=list(choice.entries["hybrid"]))
    except (ValueError, OSError) as error:
        return (
            say(f"The decisions were not written: {error}.".replace("..", "."), kind="refusal"),
        )
    return (say(written_words(written)),)


# -- limits and headline --------------------------------------------------------------------------


def show_limits(choice: Choice) -> tuple:
    """What may not be concluded, one paragraph each."""
    records = choice.part.records
    told = [
        "Not agronomic, legal or investment advice: local codes and qualified people decide. Fertile "
        "seed is under "
        "local plant-health and invasive-species rules; what may be grown where is not judged here."
    ]
    if len(records):
        ages = sorted({int(a) for a in records["crop_year"]})
        told.append(
            f"Results hold for the sites ({fmt_list(sorted(records['site'].astype(str).unique()), 12)}), "
            "seasons "
            f"({fmt_list(sorted(records['season'].unique()))}) and crop years "
            f"({fmt_list([str(a) for a in ages])}) tested. A winter or a drought that has not come yet "
            "is no part "
            "of them."
        )
    told.append(
        "Yields are those of full plots per area planted; plants of a spaced nursery yield otherwise "
        "and are "
        "another trait. Plots lost to an outside cause are missing; what winter or a poor stand took is the "
        "hybrid's own result, except that a plot that gave nothing at all has no logarithm. Records of "
        "hybrids "
        "dropped earlier stay in, as leaving out the poor ones would flatter the rest."
    )
    free = " Floors and yield are taken as independent in the decisions." if choice.floors else ""
    told.append(
        f"The control is fixed and must have been chosen beforehand.{free} Costs of errors are settings, "
        "not "
        "results: the probabilities stand whatever they are."
    )
    return tuple(say(text, kind="caution") for text in told)


def headline(choice: Choice) -> str:
    """Main results as a few coarse lines of plain text, equal on every machine."""
    if choice.reason:
        return "choosing: no decision"
    names = {d: fmt_list(sorted(choice.named(d)), 40) or "none" for d in (PROMOTE, HOLD)}
    best = choice.decided.sort_values("rank").iloc[0]
    return "\n".join(
        [
            f"promote: {names[PROMOTE]}",
            f"hold: {names[HOLD]}",
            f"drop: {len(choice.named(DROP))} of {len(choice.decided)}",
            f"highest predicted yield: {best['hybrid']} ({best['decision']})",
            f"cuts: {len(choice.part.records)}, provisional: "
            f"{'yes' if choice.decided['is_provisional'].any() else 'no'}",
        ]
    )
