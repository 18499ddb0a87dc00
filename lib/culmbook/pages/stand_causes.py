"""What the establishment notebook says of causes: planting treatments, when plants are lost, where they are missing."""

import numpy as np
import pandas as pd

from culmbook.pages.stand_figures import new_figure, plot_survival, plot_treatments
from culmbook.pages.stand_report import NOTHING, Answer
from culmbook.show.headings import Column
from culmbook.show.page import figure, finding, say, table
from culmbook.stand.gaps import clustering
from culmbook.stand.losses import fit_hazards, life_table, logrank, plot_intervals
from culmbook.stand.treatments import fit_treatments, why_not_separable
from culmbook.stats.shares import common_odds
from culmbook.text.numbers import (
    fmt_count,
    fmt_date,
    fmt_interval,
    fmt_list,
    fmt_number,
    fmt_p,
    fmt_share,
)
from culmbook.text.words import n_of, shown_of

FEW_LOST = 10  # an interval with fewer plants lost over all hybrids says nothing on any one


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
    sentences = [_effect_sentence(e, percent) for e in contrasts.itertuples()]
    at = _sites_words(answer.cells, result.units)
    said = finding(
        *sentences, at and f"Judged at {at}.", rank=rank, label="Planting", see="treatment-shares"
    )
    fig, ax = new_figure(0.8 + 0.28 * len(result.shares))
    plot_treatments(result.shares, ax=ax)
    drawn = figure(
        fig,
        label="treatment-shares",
        data=result.shares,
        caption=f"Share established by planting treatment{at and f', at {at}'}; lines are {percent} % intervals from the "
        f"scatter of main plots ({result.df} degrees of freedom), {_main_plots_each(result.shares)}.",
        alt="One line per planting treatment with its share and interval. " + " ".join(sentences),
    )
    shown = effects.assign(
        **{c: 100 * effects[c] for c in ("difference", "lower", "upper")},
        contrast=np.where(
            effects["first"] != "",
            effects["first"] + " less " + effects["second"],
            effects["effect"],
        ),
    )
    columns = {
        "contrast": Column("Effect"),
        "difference": Column(
            "Difference",
            "points",
            digits=1,
            kind="number",
            meaning="First less second, percentage points.",
        ),
        "interval": Column(
            f"{percent} % interval", "points", digits=1, kind="interval", ends=("lower", "upper")
        ),
        "odds_ratio": Column("Odds ratio", digits=2, kind="number"),
        "odds": Column(
            f"{percent} % interval", digits=2, kind="interval", ends=("odds_lower", "odds_upper")
        ),
        "t": Column("t", digits=2, kind="number"),
        "df": Column("df", kind="count", meaning="Degrees of freedom of main plots."),
        "p_value": Column("p", kind="p"),
    }
    listed = table(
        shown,
        label="treatment-effects",
        columns=columns,
        note=_odds_note(answer.cells, contrasts),
        caption="Planting method and film, tested against the main plots they were given to.",
    )
    return said, drawn, listed


def _sites_words(cells, units):
    """The sites that the treatments were compared at, where the cells hold others too."""
    sites = sorted(units["site"].unique())
    return fmt_list(sites) if cells["site"].nunique() > 1 else ""


def _main_plots_each(shares):
    low, high = shares["main_plots"].min(), shares["main_plots"].max()
    return f"{n_of(low, 'main plot')} each" if low == high else f"{low} to {high} main plots each"


def _effect_sentence(effect, percent):
    size = abs(100 * effect.difference)
    way = "higher" if effect.difference > 0 else "lower"
    words = {
        "film": "with film than without",
        "planting method": "after machine than after hand planting",
    }[effect.effect]
    interval = fmt_interval(100 * effect.lower, 100 * effect.upper, 1, share=False)
    tail = f"({percent} % interval {interval}; {effect.df} df, {fmt_p(effect.p_value)})"
    told = f"{fmt_number(size, 1)} points {way} {words} {tail}."
    clear = effect.p_value < 1 - percent / 100
    return (
        f"The share established was {told}"
        if clear
        else f"No clear effect of {effect.effect}: the share established was {told}"
    )


def _odds_note(cells, contrasts):
    """Plant-level odds ratio over replicates, to show how far it agrees and that its interval is too narrow."""
    notes = []
    for effect in contrasts.itertuples():
        column = effect.effect.replace(" ", "_")
        first = cells[column].eq({"film": "film", "planting method": "machine"}[effect.effect])
        dead = cells["total"] - cells["alive"]
        tables = [
            [
                [cells["alive"][m & first].sum(), dead[m & first].sum()],
                [cells["alive"][m & ~first].sum(), dead[m & ~first].sum()],
            ]
            for m in (
                cells["site"].eq(s) & cells["replicate"].eq(r)
                for s, r in cells[["site", "replicate"]].drop_duplicates().values
            )
        ]
        try:
            pooled = common_odds(tables)
        except ValueError:
            continue
        notes.append(
            f"{effect.effect} {pooled.odds_ratio:.2f} ({pooled.lower:.2f} to {pooled.upper:.2f})"
        )
    return (
        (
            "Mantel-Haenszel odds ratios over replicates, as if plants were independent, for comparison only: "
            + "; ".join(notes)
            + "."
        )
        if notes
        else ""
    )


def show_losses(history: pd.DataFrame, controls: list[str], *, level: float, rank: int) -> tuple:
    """When plants are lost: finding, survival figure, life table and hazards by hybrid.

    Parameters
    ----------
    history : DataFrame
        From :func:`culmbook.stand.counts.stand_history`.
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
        return (
            say(
                "No plot has a count of this season to compare with planting, so losses cannot be dated.",
                kind="refusal",
            ),
        )
    names = intervals.drop_duplicates("order").set_index("order")["interval"]
    timed = intervals.assign(interval=intervals["order"])
    pooled = life_table(timed).assign(step=lambda t: t["interval"].map(names))
    sentence = _loss_sentence(pooled)
    said = finding(sentence, rank=rank, label="When plants are lost", see="survival")
    by_hybrid = (
        life_table(timed, ["hybrid"])
        .rename(columns={"interval": "order"})
        .assign(interval=lambda t: t["order"].map(names))
    )
    last = (
        by_hybrid.sort_values("order")
        .drop_duplicates("hybrid", keep="last")
        .sort_values("survival")
    )
    shown = [c for c in controls if c in set(last["hybrid"])][:4]
    named = list(dict.fromkeys([*shown, last["hybrid"].iloc[-1], last["hybrid"].iloc[0]]))
    fig, ax = new_figure(3.0)
    plot_survival(by_hybrid, named, ax=ax)
    drawn = figure(
        fig,
        label="survival",
        data=by_hybrid[["hybrid", "interval", "at_risk", "lost", "survival"]],
        caption=f"Original plants alive at each count, a line per hybrid (plots pooled). Named: {'the controls, and ' if shown else ''}"
        "the hybrids with most and fewest alive at the end.",
        alt=sentence,
    )
    columns = {
        "step": Column("Up to"),
        "at_risk": Column("At risk", "plants", kind="count"),
        "lost": Column("Lost", "plants", kind="count"),
        "hazard": Column("Lost of those at risk", kind="share", digits=1),
        "survival": Column(
            "Alive of planted", kind="share", digits=1, meaning="Product of the shares kept so far."
        ),
    }
    listed = table(
        pooled,
        label="life-table",
        columns=columns,
        caption="Life table of the planting, all plots together.",
        note=_inflation_note(intervals),
    )
    return said, drawn, listed, *_hazard_table(intervals, level)


def _loss_sentence(pooled):
    lost, worst = int(pooled["lost"].sum()), pooled.loc[pooled["lost"].idxmax()]
    if not lost:
        return "No plant was lost between the counts."
    step, most = worst["step"].removesuffix(" count"), int(worst["lost"])
    if len(pooled) == 1:
        return f"{n_of(lost, 'plant')} went missing between planting and the {step} count."
    if most == lost:
        which = "all of them" if lost > 1 else "and that"
    else:
        which = f"{'most' if most > lost / 2 else 'the largest part'} of them ({fmt_share(most / lost)})"
    return (
        f"{n_of(lost, 'plant')} went missing between planting and the last count, {which} in the interval that ended with "
        f"the {step} count."
    )


def _hazard_table(intervals, level):
    """Hybrid by interval; an interval that lost next to nothing is named in the note instead of filling columns."""
    hazards = fit_hazards(intervals, level=level)
    lost = hazards.groupby(["order", "interval"])["lost"].sum().reset_index()
    telling = lost[lost["lost"] >= FEW_LOST]
    if telling.empty:
        return ()
    wide, columns = (
        pd.DataFrame({"hybrid": sorted(hazards["hybrid"].unique())}),
        {"hybrid": Column("Hybrid")},
    )
    for step in telling.itertuples():
        own = hazards[hazards["order"].eq(step.order)].set_index("hybrid")
        for name in ("hazard", "lower", "upper"):
            wide[f"{name}_{step.order}"] = wide["hybrid"].map(own[name])
        columns |= {
            f"hazard_{step.order}": Column(
                f"By {step.interval}",
                kind="share",
                digits=1,
                meaning="Chance that a plant alive at the count before is lost by this one.",
            ),
            f"limits_{step.order}": Column(
                f"{round(100 * level)} % interval",
                kind="share_interval",
                digits=1,
                ends=(f"lower_{step.order}", f"upper_{step.order}"),
            ),
        }
    note = "Marginal shares from the stand model of each interval."
    if hazards[hazards["order"].isin(telling["order"])]["lower"].isna().any():
        note += " Without limits: as counted, where the model cannot be fitted."
    for step in lost[lost["lost"] < FEW_LOST].itertuples():
        note += f" By {step.interval}: {n_of(step.lost, 'plant') if step.lost else 'no plant'} lost, not shown."
    return (
        table(
            wide,
            label="hazards",
            columns=columns,
            note=note,
            caption="Chance of being lost since the count before, by hybrid.",
        ),
    )


def _inflation_note(intervals):
    """Are hybrids lost alike over all intervals: a log-rank test, deflated for plants sharing a plot."""
    plots = intervals.groupby(["order", "hybrid"])
    expected = (
        intervals["at_risk"] * plots["lost"].transform("sum") / plots["at_risk"].transform("sum")
    )
    spread = expected * (1 - expected / intervals["at_risk"])
    telling = spread > 0
    df = int(telling.sum()) - intervals[telling].groupby(["order", "hybrid"]).ngroups
    if df < 1 or intervals["hybrid"].nunique() < 2:
        return ""
    inflation = max(
        1.0,
        float(((intervals["lost"] - expected) ** 2 / spread.where(telling))[telling].sum()) / df,
    )
    chi2, groups, p = logrank(
        intervals.assign(interval=intervals["order"]), "hybrid", inflation=inflation
    )
    return (
        f"Do hybrids differ over all intervals: log-rank chi-squared {chi2:.1f} on {groups} df, {fmt_p(p)}, after division by "
        f"{inflation:.1f}, the variance inflation from plants sharing a plot."
    )


def gaps_looked_at(gaps: pd.DataFrame, stand: pd.DataFrame, season: int) -> pd.DataFrame:
    """The first gap record of each plot of a planting in the season: gaps before the winter's if there is one."""
    mine = gaps[gaps["growing_season"].eq(season)].merge(
        stand[["site", "plot"]], on=["site", "plot"]
    )
    first = mine.groupby(["site", "plot"])["counted_on"].transform("min")
    return mine[mine["counted_on"].eq(first)].reset_index(drop=True)


def show_gaps(gaps: pd.DataFrame, runs: pd.DataFrame, *, permutations: int, rank: int) -> tuple:
    """Do missing plants lie together: finding and table of the longest runs, or why it is not known.

    Parameters
    ----------
    gaps : DataFrame
        From :func:`gaps_looked_at`.
    runs : DataFrame
        From :func:`culmbook.stand.gaps.longest_runs` of the same records.
    permutations : int
    rank : int

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    if gaps.empty:
        return (
            say(
                "No gap records for this planting: whether missing plants lie together is not known.",
                kind="refusal",
            ),
        )
    tests = {site: _gap_test(rows, permutations) for site, rows in gaps.groupby("site")}
    told = [
        (_gap_sentence(test, len(tests) > 1), site)
        for site, test in tests.items()
        if not isinstance(test, str)
    ]
    refused = [
        f"{site + ': clustering' if len(tests) > 1 else 'Clustering'} is not tested, {test}."
        for site, test in tests.items()
        if isinstance(test, str)
    ]
    sentences = [
        f"{site}: {text}" if len(tests) > 1 else text[0].upper() + text[1:] for text, site in told
    ]
    said = [finding(*sentences, rank=rank, label="Gaps")] if sentences else []
    return (*said, *[say(text, kind="refusal") for text in refused], _run_table(gaps, runs))


def _gap_test(gaps, permutations):
    """The test of one site's gaps, or why there is none."""
    try:
        return clustering(gaps, permutations=permutations)
    except ValueError as error:
        return str(error)


def _gap_sentence(test, brief):
    words = (
        "lie together more than chance would have it, so look for a fault of field or machine"
        if test.p_value < 0.05
        else "lie together no more than chance would have it"
    )
    if brief:
        return f"missing plants {words} ({fmt_p(test.p_value)}; {n_of(test.plots, 'plot')} tested)."
    return (
        f"missing plants {words} ({fmt_p(test.p_value)}; {fmt_count(test.missing)} missing in {n_of(test.plots, 'plot')} tested, "
        f"{n_of(test.joins, 'neighbouring pair')} against {fmt_number(test.joins_expected, 0)} expected, "
        f"longest run {test.longest_run})."
    )


def _run_table(gaps, runs):
    long = runs[runs["runs_of_three"] > 0].sort_values(
        ["longest_run", "missing", "site", "plot"], ascending=[False, False, True, True]
    )
    if long.empty:
        return say("No plot has three or more neighbouring plants missing.")
    columns = {
        "site": Column("Site"),
        "plot": Column("Plot"),
        "positions": Column("Positions", kind="count"),
        "missing": Column("Missing", "plants", kind="count"),
        "longest_run": Column("Longest run", "plants", kind="count"),
        "position_row": Column("In planted row", kind="count"),
        "runs_of_three": Column("Runs of 3 or more", kind="count"),
    }
    long = long.assign(
        is_printed=long.groupby("site").cumcount() < (20 if long["site"].nunique() == 1 else 8)
    )
    dates = [fmt_date(day) for day in sorted(gaps["counted_on"].unique())]
    return table(
        long,
        label="gap-runs",
        columns=columns,
        printed="is_printed",
        note=shown_of(int(long["is_printed"].sum()), len(long), "with a run of at least three"),
        caption=f"Plots with the longest runs of missing plants, recorded {fmt_list(dates)}.",
    )
