"""What the notebook on consistency says of build-up: shares of full yield, curves, old stands, weather."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from culmbook.consistency.age_or_weather import aliasing_words
from culmbook.consistency.build_up import (
    ALPHA,
    ASSUMED,
    BuildUpFit,
    crop_year_table,
    fit_build_up,
    full_yield_test,
    plateau_shares,
)
from culmbook.consistency.decline import decline
from culmbook.consistency.model import ESTABLISHED
from culmbook.pages.consistency_figures import plot_build_up
from culmbook.pages.interval_figure import plot_intervals
from culmbook.pages.seasons_page import NOTHING, Seasons, plain, sentence
from culmbook.pages.stand_figures import new_figure
from culmbook.show.figures import height_for, named_words
from culmbook.show.headings import Column
from culmbook.show.page import figure, finding, say, table
from culmbook.show.palette import page_size
from culmbook.stats.curves import GrowthCurve, best_growth
from culmbook.text.numbers import fmt_interval, fmt_list, fmt_number, fmt_p, fmt_share
from culmbook.text.words import joined, marked, n_of

POWER = 0.8  # under it a test says little when it shows nothing (common practice)
THINNING = "A hybrid whose stand thins later has a high share too: read it beside its yields."
ACROSS = 6  # panels beside each other
MOST_PANELS = 36
_ENDS = ["relative_lower", "relative_upper"]  # missing for the reference, which is 1 by definition
_STARTS = 6  # searches per curve, from the best of a grid


@dataclass(frozen=True)
class BuildUp:
    """Models of an early crop year against the plateau, or the ``reason`` why there are none."""

    reason: str
    fit: BuildUpFit | None
    margin: float

    @property
    def bound(self) -> float:
        return 1 - self.margin


def build_up_of(part: Seasons, *, early_year: int, margin: float) -> BuildUp:
    """Fit the early crop year against the plateau.

    Parameters
    ----------
    part : Seasons
    early_year : int
        1 or 2.
    margin : float
        Largest shortfall that still counts as full yield, a share.

    Returns
    -------
    BuildUp
    """
    if part.records.empty:
        return BuildUp(NOTHING, None, margin)
    if not part.control:
        return BuildUp(
            "The network names no control, so no build-up is set against one.", None, margin
        )
    try:
        return BuildUp("", fit_build_up(part.harvests, part.control, early_year=early_year), margin)
    except ValueError as error:
        return BuildUp(f"No share of full yield: {plain(error)}.", None, margin)


# -- shares ---------------------------------------------------------------------------------------


def show_shares(
    part: Seasons, built: BuildUp, *, draws: int = 800, variances: int = 40, rank: int
) -> tuple:
    """Share of full yield reached early, relative to the control first: finding, figure, table, or why not.

    Parameters
    ----------
    part : Seasons
    built : BuildUp
    draws, variances : int
        As in :func:`culmbook.mixed.draws`.
    rank : int

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    if built.reason:
        return (say(built.reason, kind="refusal"),)
    try:
        frame, why = _shares(built.fit, {"level": part.level, "n": draws, "variances": variances})
    except ValueError as error:
        return (say(f"No share of full yield: {plain(error)}.", kind="refusal"),)
    control, others = built.fit.control, frame[frame["hybrid"] != built.fit.control]
    words = _share_sentence(others, control, built.fit.early_year, part.percent)
    fig, ax = new_figure(height_for(len(others)))
    ends = {"centre": "relative", "lower": "relative_lower", "upper": "relative_upper"}
    drawn = others.assign(**{name: 100 * others[column] for name, column in ends.items()})
    plot_intervals(
        drawn,
        part.controls,
        centre="centre",
        xlabel=f"Share of full yield in crop year {built.fit.early_year}, {control} = 100 [%]",
        ax=ax,
        reference=100,
    )
    shown = figure(
        fig,
        label="build-up-shares",
        data=frame,
        alt=f"One line per hybrid with its share relative to the control's. {words}",
        caption=f"Share of full yield (crop year {ESTABLISHED} and later) given in crop year "
        f"{built.fit.early_year}, relative to the share of {control}, with {part.percent} % intervals; right "
        f"of the broken line a hybrid builds up faster than {control}."
        f"{marked(others['hybrid'], part.controls)}{named_words(len(others))} {part.mark}".strip(),
    )
    told = [finding(words, part.mark, rank=rank, label="Build-up", see="build-up-shares")]
    if why:
        told.append(
            say(
                f"The share itself, not relative to {control}, is not given: {why}.", kind="refusal"
            )
        )
    return *told, shown, _share_table(part, built, frame)


def _shares(fit, choices):
    """Shares, and why there are none but relative ones; also where the weather's variance stays open."""
    if fit.absolute is not None:
        try:
            return plateau_shares(fit, **choices), ""
        except ValueError as error:
            fit = replace(fit, absolute=None, why_no_absolute=plain(error))
    return plateau_shares(fit, **choices), fit.why_no_absolute


def _share_sentence(others, control, year, percent):
    fast, slow = (
        others[others["relative_lower"] > 1]["hybrid"],
        others[others["relative_upper"] < 1]["hybrid"],
    )
    if not len(fast) and not len(slow):
        wide = (others["relative_upper"] - others["relative_lower"]).median() / 2
        return (
            f"No hybrid is shown to build up faster or slower than {control} by crop year {year}: every "
            f"{percent} % interval of its share of full yield includes the control's (half width about "
            f"{fmt_share(wide)})."
        )
    said = [
        f"{fmt_list(list(names))} built up {word} than {control}"
        for names, word in ((fast, "faster"), (slow, "slower"))
        if len(names)
    ]
    return f"By crop year {year}, {'; '.join(said)} (each {percent} % interval by itself)."


def _share_table(part, built, frame):
    interval = f"{part.percent} % interval"
    columns = {
        "hybrid": Column("Hybrid"),
        "relative": Column(f"Relative to {built.fit.control}", kind="share"),
        "relative_interval": Column(interval, kind="share_interval", ends=tuple(_ENDS)),
    }
    if frame["share"].notna().any():
        columns |= {
            "share": Column("Share itself", kind="share"),
            "interval": Column(interval, kind="share_interval", ends=("lower", "upper")),
        }
    both, is_reference = "share" in columns, frame["hybrid"].eq(built.fit.control)
    return table(
        frame.assign(
            is_control=frame["hybrid"].isin(part.controls),
            **{c: frame[c].mask(is_reference) for c in _ENDS},
        ),
        label="build-up-table",
        columns=columns,
        strong="is_control",
        caption=f"Share of full yield given in crop year {built.fit.early_year}, by hybrid.",
        note=joined(
            part.mark,
            "Controls in bold. No curve is forced through the years. Candidates are drawn together as far as "
            "the data do not tell them apart.",
            THINNING,
            "The share itself includes the weather of the seasons compared, hence its width."
            if both
            else "",
        ),
    )


# -- full yield early: non-inferiority ------------------------------------------------------------


def show_full_yield(part: Seasons, built: BuildUp) -> tuple:
    """Is early yield not inferior to full yield? Test with its power, or why not.

    Parameters
    ----------
    part : Seasons
    built : BuildUp

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    if built.reason:
        return (say(built.reason, kind="refusal"),)
    assumed = max(ASSUMED, built.bound + (1 - built.bound) / 2)
    try:
        frame = full_yield_test(built.fit, margin=built.margin, assumed=assumed)
    except ValueError as error:
        return (say(sentence(error), kind="refusal"),)
    shown, control = list(frame.loc[frame["is_shown"], "hybrid"]), built.fit.control
    named = f"It is shown for {fmt_list(shown)}." if shown else "It is shown for none."
    low, high = frame["power"].min(), frame["power"].max()
    power = fmt_share(low) if fmt_share(low) == fmt_share(high) else fmt_interval(low, high)
    weak = " only: not shown does not mean not so" if high < POWER else ""
    words = (
        f"Full yield by crop year {built.fit.early_year}, set against the build-up of {control}, means a "
        f"share of more than {fmt_share(built.bound)} of the control's. {named} The test finds a true share "
        f"of {fmt_share(assumed)} with a probability of {power}{weak}."
    )
    columns = {
        "hybrid": Column("Hybrid"),
        "relative": Column(f"Relative to {control}", kind="share", meaning="Not shrunk."),
        "lower": Column("Lower limit", kind="share", meaning=f"One-sided, confidence {1 - ALPHA}."),
        "df": Column("Degrees of freedom", digits=0, kind="number"),
        "p": Column(
            "p", kind="p", meaning=f"One-sided, of a share of {fmt_share(built.bound)} or less."
        ),
        "power": Column(
            "Power", kind="share", meaning=f"If the true share is {fmt_share(assumed)}."
        ),
        "answer": Column("Full yield"),
    }
    listed = table(
        frame.assign(
            answer=frame["is_shown"].map({True: "shown", False: "not shown"}),
            is_control=frame["hybrid"].isin(part.controls),
        ),
        label="full-yield",
        columns=columns,
        strong="is_control",
        caption=f"Is the yield of crop year {built.fit.early_year} not inferior to full yield? Margin "
        f"{fmt_share(built.margin)}, one-sided error rate {fmt_share(ALPHA, 1)} for each hybrid.",
        note=joined(
            part.mark,
            "Shares are not shrunk here, so they lie further apart than those above. Each hybrid has an "
            f"error rate of its own: of {len(frame)} that fall short by the margin, about "
            f"{fmt_number(ALPHA * len(frame), 1)} would be shown by chance.",
            THINNING,
        ),
    )
    return say(words), listed


# -- curves ---------------------------------------------------------------------------------------


def show_curves(part: Seasons) -> tuple:
    """Build-up of every hybrid, drawn, with the year in which its curve reaches 95 %, or why not.

    Parameters
    ----------
    part : Seasons

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    if part.harvests.empty:
        return (say(NOTHING, kind="refusal"),)
    try:
        frame = crop_year_table(part.harvests)
    except ValueError as error:
        return (say(f"No build-up is drawn: {plain(error)}.", kind="refusal"),)
    if frame["crop_year"].nunique() < 2:
        return (
            say("Stands of one age only were cut: there is no build-up to draw.", kind="refusal"),
        )
    curves = {h: _curve(own) for h, own in frame.groupby("hybrid")}
    top = frame.groupby("hybrid")["yield_t_ha"].max().sort_values(ascending=False, kind="stable")
    first = [part.control] if part.control in top.index else []
    order = [*first, *[h for h in top.index if h not in first]]
    panels, listed = _panels(part, frame, curves, order), _curve_table(part, frame, curves, order)
    return *_curve_words(curves, frame), panels, listed


def _curve(own) -> GrowthCurve | None:
    """The curve that fits best, or None where the points do not determine one."""
    try:
        return best_growth(
            own["crop_year"].to_numpy(float), own["yield_t_ha"].to_numpy(float), most_starts=_STARTS
        )
    except ValueError:
        return None


def _curve_words(curves, frame):
    ages = sorted(frame["crop_year"].unique())
    none = [h for h, curve in curves.items() if curve is None]
    words = []
    if len(ages) <= 3:
        words.append(
            f"The {len(ages)} crop years cut are as many as a curve has parameters, so curves can pass "
            "through the points and prove nothing."
            if len(ages) == 3
            else f"{len(ages)} crop years do not determine a curve, so none is drawn."
        )
    elif none:
        words.append(f"No curve that rises to a plateau fits {fmt_list(none)}.")
    words.append(
        "Weather is part of what is drawn: a good or poor season bends a curve. The shares above are the "
        "result; curves draw the build-up and date it."
    )
    return (say(*words, kind="caution"),)


def _panels(part, frame, curves, order):
    drawn = order[:MOST_PANELS]
    rows = -(-len(drawn) // ACROSS)
    fig = Figure(figsize=page_size(min(0.55 + 1.15 * rows, 7.6)), layout="constrained")
    axes = fig.subplots(rows, ACROSS, sharex=True, sharey=True, squeeze=False).ravel()
    own = dict(frame.groupby("hybrid"))
    top = 1.05 * frame.loc[frame["hybrid"].isin(drawn), "upper"].max()
    for ax, hybrid in zip(axes, drawn):
        reference = own[part.control] if part.control in own and hybrid != part.control else None
        plot_build_up(own[hybrid], curves[hybrid], reference, ax=ax, title=hybrid, top=top)
    for ax in axes[len(drawn) :]:
        ax.set_axis_off()
    fig.supxlabel("Crop year")
    fig.supylabel("Yield [t/ha]")
    broken = f" Broken line: {part.control}." if part.control in own else ""
    is_cut = len(drawn) < len(order)
    left = f" The first {len(drawn)} of {len(order)} hybrids; the table has all." if is_cut else ""
    return figure(
        fig,
        label="build-up-curves",
        data=frame,
        alt=f"Small panels of yield by crop year for {n_of(len(drawn), 'hybrid')} with curves.",
        caption=f"Yield by crop year in t/ha of dry matter, means with {part.percent} % intervals and the "
        f"curve that fits best; a short upright line marks where the curve reaches 95 % of its plateau."
        f"{broken}{left} {part.mark}".strip(),
    )


def _curve_table(part, frame, curves, order):
    wide = frame.pivot(index="hybrid", columns="crop_year", values="yield_t_ha")
    rows = pd.DataFrame({"hybrid": order})
    columns = {"hybrid": Column("Hybrid")}
    for year in wide.columns:
        rows[f"year_{year}"] = wide.loc[order, year].to_numpy()
        columns[f"year_{year}"] = Column(f"Crop year {year}", "t/ha", digits=1, kind="number")
    last = frame.groupby("hybrid")["crop_year"].max()
    full = {h: (c.time_to(0.95) if c else np.nan) for h, c in curves.items()}
    rows["full"] = [full[h] if full[h] <= last[h] else np.nan for h in order]
    rows["shape"] = [curves[h].shape if curves[h] else None for h in order]
    columns |= {
        "full": Column(
            "95 % reached", "crop years", digits=1, kind="number", meaning="On the fitted curve."
        ),
        "shape": Column("Curve"),
    }
    return table(
        rows.assign(is_control=rows["hybrid"].isin(part.controls)),
        label="build-up-years",
        columns=columns,
        strong="is_control",
        caption="Yield by crop year, and when the curve reaches 95 % of its plateau.",
        note=joined(
            part.mark,
            "The year has no interval: a few crop years do not give one. An en dash stands where no curve "
            "fits, or where it would reach 95 % only after the last cut.",
        ),
    )


# -- old stands, age and weather ------------------------------------------------------------------


def show_decline(part: Seasons) -> tuple:
    """Does yield fall in old stands? The yearly change, or why it cannot be told.

    Parameters
    ----------
    part : Seasons

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    if part.records.empty:
        return (say(NOTHING, kind="refusal"),)
    try:
        row = decline(part.harvests)
    except ValueError as error:
        return (
            say(
                f"Whether yield falls in old stands cannot be told: {plain(error)}.", kind="refusal"
            ),
        )
    change, low, high = row["change"], row["lower"], row["upper"]
    verdict = "falls" if high < 0 else "rises" if low > 0 else "is not shown to change"
    words = (
        f"In old stands yield {verdict}: {fmt_share(change)} per year past crop year 5 (95 % interval "
        f"{fmt_interval(low, high)}, {fmt_p(row['p'])}; {n_of(int(row['n_seasons']), 'season')})."
    )
    return (say(words, part.mark),)


def show_untold(part: Seasons, built: BuildUp) -> tuple:
    """What age and weather leave untold, and what is known in spite of it, from the data at hand.

    Parameters
    ----------
    part : Seasons
    built : BuildUp

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    if part.records.empty:
        return (say(NOTHING, kind="refusal"),)
    told = [_established_words(part.records)]
    if built.fit is not None:
        told.insert(0, aliasing_words(built.fit.records, built.fit.early_year))
    return tuple(say(t, kind="caution") for t in told)


def _established_words(records):
    """Can hybrid × age be told from hybrid × season among established stands?"""
    ages = records.groupby("season")["crop_year"].nunique()
    seasons = fmt_list(sorted(records["season"].unique()))
    if ages.max() == 1 and len(ages) > 1:
        by_age = fmt_list([str(int(a)) for a in sorted(records["crop_year"].unique())])
        return (
            f"After establishment every stand was of the same age in each season ({seasons} are crop years "
            f"{by_age}): a hybrid that changes with age and one that answers to the season look the same."
        )
    if ages.max() == 1:
        return (
            f"One season ({seasons}) was cut after establishment: neither weather nor age can be told from "
            "what the hybrids are."
        )
    return (
        "Established stands of different ages stood in the same season "
        f"({fmt_list(list(ages[ages > 1].index))}), so what a hybrid does with age can in part "
        "be told from what it does in a season."
    )
