"""What the establishment notebook says of the stand: verdicts on plots and hybrids, older plantings, open questions."""

import pandas as pd

from culmbook.pages.stand_figures import new_figure, plot_verdicts
from culmbook.pages.stand_report import Answer
from culmbook.show.figures import height_for, named_words
from culmbook.show.headings import Column
from culmbook.show.page import figure, finding, say, table
from culmbook.stand.counts import VERDICTS, judge_hybrids
from culmbook.text.numbers import fmt_count, fmt_list, fmt_share
from culmbook.text.words import n_of, shown_of

TO_DO = {"good": "good", "fill gaps": "to fill", "replant": "to replant"}


def show_verdicts(judged: pd.DataFrame, answer: Answer, rules, *, rank: int) -> tuple:
    """Verdicts on plots (a census) and on hybrids (chances for future plots).

    Parameters
    ----------
    judged : DataFrame
        From :func:`culmbook.stand.counts.judge_plots`, plots of one planting.
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
    sentences = _plot_sentences(counted, rules)
    plots = (*_by_site(counted), *_weak_plots(counted, rules))
    if answer.reason:
        return (
            finding(*sentences, rank=rank, label="Stand verdict"),
            say(answer.reason, kind="refusal"),
            *plots,
        )
    plants = int(answer.cells["total"].median())
    hybrids = judge_hybrids(answer.fit, rules, plants)
    said = finding(
        *sentences,
        _future_sentence(hybrids, rules),
        rank=rank,
        label="Stand verdict",
        see="stand-verdicts",
    )
    fig, ax = new_figure(height_for(len(hybrids)) + 0.2)
    plot_verdicts(hybrids, ax=ax)
    good, fill = fmt_share(rules.good), fmt_share(rules.fill)
    drawn = figure(
        fig,
        label="stand-verdicts",
        data=hybrids,
        alt="One stacked bar per hybrid with the three chances.",
        caption=f"Chance that a future plot of {n_of(plants, 'plant')} stands at {good} or more (good), from {fill} to below {good} "
        f"(fill gaps), or below {fill} (replant).{named_words(len(hybrids))}",
    )
    columns = {
        "hybrid": Column("Hybrid"),
        "p_good": Column("Good", kind="share", digits=1),
        "p_fill": Column("Fill gaps", kind="share", digits=1),
        "p_replant": Column("Replant", kind="share", digits=1),
        "verdict": Column("Verdict"),
    }
    listed = table(
        hybrids,
        label="hybrid-verdicts",
        columns=columns,
        note=f"A verdict needs a chance of {fmt_share(rules.probability)}; that of 'fill gaps' is the chance of {fill} or more, good plots "
        "among them. Thresholds are common practice.",
        caption=f"Chances for a future plot of {n_of(plants, 'plant')} under this season's conditions, by hybrid.",
    )
    return said, drawn, listed, *plots


def _plot_sentences(counted, rules):
    numbers = counted["verdict"].value_counts()
    words = ", ".join(f"{fmt_count(numbers[v])} {TO_DO[v]}" for v in VERDICTS if v in numbers)
    low = int((~counted["is_ranked"]).sum())
    stands, their = ("stands", "its") if low == 1 else ("stand", "their")
    unranked = (
        f"{fmt_count(low)} of them {stands} below {fmt_share(rules.rank_floor)}: {their} yield is not ranked."
        if low
        else ""
    )
    return f"Of {n_of(len(counted), 'plot')} judged by the last count: {words}.", unranked


def _future_sentence(hybrids, rules):
    stands = {
        "good": f"at {fmt_share(rules.good)} or more",
        "fill gaps": f"at {fmt_share(rules.fill)} or more",
        "replant": f"below {fmt_share(rules.fill)}",
    }
    named = {v: list(hybrids.loc[hybrids["verdict"].eq(v), "hybrid"]) for v in VERDICTS}
    sure = [f"{stands[v]} for {fmt_list(names)}" for v, names in named.items() if names]
    if not sure:
        return f"For no hybrid is the stand of a future plot {fmt_share(rules.probability)} sure."
    return f"A future plot's stand is, with a chance of {fmt_share(rules.probability)} or more, {'; '.join(sure)}."


def _by_site(counted):
    if counted["site"].nunique() < 2:
        return ()
    frame = (
        counted.groupby("site")
        .agg(
            plots=("plot", "size"),
            median=("stand", "median"),
            good=("verdict", lambda v: int(v.eq("good").sum())),
            fill=("verdict", lambda v: int(v.eq("fill gaps").sum())),
            replant=("verdict", lambda v: int(v.eq("replant").sum())),
            unranked=("is_ranked", lambda r: int((~r).sum())),
        )
        .reset_index()
    )
    columns = {
        "site": Column("Site"),
        "plots": Column("Plots", kind="count"),
        "median": Column("Median stand", kind="share"),
        "good": Column("Good", "plots", kind="count"),
        "fill": Column("Fill gaps", "plots", kind="count"),
        "replant": Column("Replant", "plots", kind="count"),
        "unranked": Column("Yield not ranked", "plots", kind="count"),
    }
    return (
        table(
            frame,
            label="site-verdicts",
            columns=columns,
            caption="Verdicts on the plots of each site, by their last count.",
        ),
    )


def _weak_plots(counted, rules):
    weak = counted[counted["verdict"].eq("replant")].sort_values(["stand", "site", "plot"])
    if weak.empty:
        return (say("No plot has to be replanted."),)
    columns = {
        "site": Column("Site"),
        "plot": Column("Plot"),
        "hybrid": Column("Hybrid"),
        "latest_alive": Column("Alive", "plants", kind="count"),
        "plants_planted": Column("Planted", "plants", kind="count"),
        "stand": Column("Stand", kind="share"),
        "longest_run": Column("Longest gap", "plants", kind="count"),
    }
    if weak["longest_run"].isna().all():
        del columns["longest_run"]
    weak = weak.assign(
        is_printed=weak.groupby("site").cumcount() < (25 if counted["site"].nunique() == 1 else 5)
    )
    shown = weak[weak["is_printed"]]
    differ = (shown["latest_alive"] / shown["plants_planted"] - shown["stand"]).abs() > 1e-9
    replants = "Alive counts replants, Stand does not." if differ.any() else ""
    return (
        table(
            weak,
            label="plots-to-replant",
            columns=columns,
            order=["site", "stand", "plot"],
            printed="is_printed",
            caption=f"Weakest plots: stand below {fmt_share(rules.fill)} or a run of {rules.longest_gap} or more missing.",
            note=" ".join(
                filter(
                    None,
                    [
                        shown_of(len(shown), len(weak), "to replant, the weakest of each site"),
                        replants,
                    ],
                )
            ),
        ),
    )


def show_older(judged: pd.DataFrame) -> tuple:
    """Stand of older plantings at their last count of the season, by trial and hybrid.

    Parameters
    ----------
    judged : DataFrame
        From :func:`culmbook.stand.counts.judge_plots`, older plots.

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    counted = judged[judged["verdict"].notna()]
    if counted.empty:
        return (say("No older planting was counted in this season.", kind="refusal"),)
    frame = (
        counted.groupby(["site", "trial", "planting_season"])
        .agg(
            plots=("plot", "size"),
            median=("stand", "median"),
            low=("stand", "min"),
            high=("stand", "max"),
            replant=("verdict", lambda v: int(v.eq("replant").sum())),
            unranked=("is_ranked", lambda r: int((~r).sum())),
        )
        .reset_index()
    )
    columns = {
        "site": Column("Site"),
        "trial": Column("Trial"),
        "planting_season": Column("Planted"),
        "plots": Column("Plots", kind="count"),
        "median": Column("Median stand", kind="share"),
        "spread": Column("Range", kind="share_interval", ends=("low", "high")),
        "replant": Column("Replant", "plots", kind="count"),
        "unranked": Column("Yield not ranked", "plots", kind="count"),
    }
    return (
        table(
            frame,
            label="older-stand",
            columns=columns,
            caption="Stand of older plantings at the last count of this season, share of the plants planted.",
        ),
    )


def show_unknown(sentences: list[str]) -> tuple:
    """The limits of this season's counts, one paragraph each; provisional results are repeated on the first page."""
    if not sentences:
        return (
            say(
                "Nothing is left open by a missing count: all that these questions need were made."
            ),
        )
    return tuple(say(s, kind="provisional" if "provisional" in s else "caution") for s in sentences)
