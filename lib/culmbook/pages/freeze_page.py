"""What the frost notebook says of freeze tests: what was tested, what kills half, how hybrids differ.

Every protocol, tissue and connected set of runs is a subject of its own, with its own figures and
sentences. A set that carries no answer says why and has none of them.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from culmbook.frost.freeze_curves import (
    against_control,
    lethal_temperatures,
    survival_curves,
    unevenness,
)
from culmbook.frost.freeze_model import FreezeFit, fit_freeze
from culmbook.frost.freeze_tests import (
    cautions,
    degrees,
    observed_survival,
    survival_sets,
    why_no_curve,
)
from culmbook.frost.words import contrast_sentence, control_words, lethal_sentences, slope_words
from culmbook.mixed import CONVERGED
from culmbook.pages.freeze_figures import MOST_CURVES, plot_curves, plot_lt50
from culmbook.pages.stand_figures import new_figure
from culmbook.show.figures import height_for, named_words
from culmbook.show.headings import Column
from culmbook.show.page import figure, finding, say, table
from culmbook.text.numbers import fmt_count
from culmbook.text.words import n_of

NO_TESTS = "No freeze test of these hybrids came in, so nothing is said about the temperature that kills them."
NO_COUNTS = "No freeze test of these hybrids counted units alive after regrowth, so there is no survival curve."
DIFFERENCE_COLUMNS = {
    "difference_c": Column(
        "Less control",
        "°C",
        digits=1,
        kind="number",
        meaning="LT50 less the control's; below 0: hardier.",
    ),
    "difference": Column(
        "Interval",
        "°C",
        digits=1,
        kind="interval",
        ends=("lower_c", "upper_c"),
        meaning="Interval of the difference from the control.",
    ),
}


@dataclass(frozen=True)
class FreezeAnswer:
    """Curves of one protocol, tissue and connected set of runs, or the ``reason`` why there are none.

    ``no_contrast`` says why hybrids are not compared with the control; ``suffix`` sets labels of several
    sets apart.
    """

    name: str
    tissue: str
    suffix: str
    cells: pd.DataFrame
    level: float
    control: str
    reason: str = ""
    fit: FreezeFit | None = None
    temperatures: pd.DataFrame | None = None
    contrasts: pd.DataFrame | None = None
    no_contrast: str = ""


def freeze_answers(tests: pd.DataFrame, control: str, *, level: float = 0.95) -> list[FreezeAnswer]:
    """Fit every set of freeze tests that carries a curve.

    Parameters
    ----------
    tests : DataFrame
        Table ``freeze_tests`` of the hybrids wanted; may be empty.
    control : str
        Hybrid to compare with; blank where there is none.
    level : float
        Confidence, 0-1.

    Returns
    -------
    list of FreezeAnswer
        One for each protocol, tissue and part, in that order; empty without counts of units alive.
    """
    sets = survival_sets(tests)
    parts = pd.Series([key[:2] for key in sets]).value_counts()
    return [
        _answer(key, parts[key[:2]] > 1, "" if i == 0 else f"-{i + 1}", cells, control, level)
        for i, (key, cells) in enumerate(sets.items())
    ]


def _answer(key, in_parts, suffix, cells, control, level):
    protocol, tissue, part = key
    name = f"{protocol}, {tissue}" + (f", part {part}" if in_parts else "")
    given = {
        "name": name,
        "tissue": tissue,
        "suffix": suffix,
        "cells": cells,
        "level": level,
        "control": control,
    }
    if reason := why_no_curve(cells):
        return FreezeAnswer(**given, reason=reason)
    fit = fit_freeze(cells)
    if fit.verdict != CONVERGED:
        return FreezeAnswer(
            **given, reason=f"Not estimable: the model of the curves did {fit.verdict}."
        )
    found = {"fit": fit, "temperatures": lethal_temperatures(fit, level=level)}
    if control not in fit.hybrids:
        why = (
            f"The control {control} was not in these runs"
            if control
            else "The network names no control"
        )
        return FreezeAnswer(
            **given, **found, no_contrast=f"{why}, so hybrids are not compared with one."
        )
    if len(fit.hybrids) < 2:
        return FreezeAnswer(
            **given,
            **found,
            no_contrast="Only the control was tested, so there is nothing to compare with it.",
        )
    contrasts = against_control(fit, control, level=level)
    if contrasts["difference_c"].isna().all():
        own = found["temperatures"].set_index("hybrid").loc[control, "answer"]
        why = f"The control {control} has no LT50 ({own})" if own else "No other hybrid has an LT50"
        return FreezeAnswer(
            **given, **found, no_contrast=f"{why}, so there are no differences from the control."
        )
    return FreezeAnswer(**given, **found, contrasts=contrasts)


def main_set(answers: list[FreezeAnswer], tissue: str = "rhizome") -> FreezeAnswer | None:
    """The set that winters and the field are set beside: of the tissue, with LT50, of most hybrids."""
    usable = [
        a
        for a in answers
        if a.fit is not None and a.tissue == tissue and a.temperatures["lt50_c"].notna().any()
    ]
    return max(usable, key=lambda a: len(a.fit.hybrids), default=None)


# -- what was tested ------------------------------------------------------------------------------


def show_tested(tests: pd.DataFrame, answers: list[FreezeAnswer], where: str) -> tuple:
    """Sets of freeze tests: runs, temperatures, units, natural death; cautions, and refusals.

    Parameters
    ----------
    tests : DataFrame
    answers : list of FreezeAnswer
    where : str
        Site, or 'all'.

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    if tests.empty:
        return (say(NO_TESTS, kind="refusal"),)
    shown = [say(_tested_words(tests, where))]
    if not answers:
        return (*shown, say(NO_COUNTS, kind="refusal"))
    columns = {
        "name": Column("Protocol and tissue"),
        "hybrids": Column("Hybrids", kind="count"),
        "runs": Column("Runs", kind="count"),
        "from_to": Column("Temperatures", "°C"),
        "n_temperatures": Column("Levels", kind="count"),
        "frozen": Column("Frozen", "units", kind="count"),
        "unfrozen": Column("Unfrozen", "units", kind="count"),
        "death": Column(
            "Natural death",
            kind="share",
            digits=1,
            meaning="Share of unfrozen units that died, from the model.",
        ),
        "interval": Column(
            "95 % interval", kind="share_interval", digits=1, ends=("death_lower", "death_upper")
        ),
    }
    shown.append(
        table(
            pd.DataFrame([_set_row(a) for a in answers]),
            label="freeze-sets",
            columns=columns,
            caption="Freeze tests with units counted alive, by protocol and tissue.",
            note=(
                "Sets are never pooled: a slower freezer or another tissue has another LT50. Natural death is"
                " taken out of every kill; without unfrozen units it is not known."
            ),
        )
    )
    for answer in answers:
        shown += [
            say(f"{_named(answer, answers)}{text}", kind="caution")
            for text in cautions(answer.cells)
        ]
    return tuple(shown)


def _tested_words(tests, where):
    runs, hybrids = tests["run"].nunique(), tests["hybrid"].nunique()
    days = tests["tested_on"].dropna()
    when = f", tested from {days.min():%Y-%m-%d} to {days.max():%Y-%m-%d}" if len(days) else ""
    words = f"{n_of(hybrids, 'hybrid')} in {n_of(runs, 'freezer run')}{when}."
    if where == "all":
        return words
    return (
        f"{words} Freezers belong to the network: shown are the tests of hybrids grown at {where}, fitted"
        " without the others, so numbers may differ a little from those of the network report."
    )


def _set_row(answer):
    cells = answer.cells
    unfrozen = cells["temperature_c"].isna()
    levels = np.sort(cells.loc[~unfrozen, "temperature_c"].unique())[::-1]
    fit = answer.fit
    return {
        "name": answer.name,
        "hybrids": cells["hybrid"].nunique(),
        "runs": cells["run"].nunique(),
        "n_temperatures": len(levels),
        "from_to": (
            f"{degrees(levels[0])} to {degrees(levels[-1])}".replace(" °C", "")
            if len(levels)
            else None
        ),
        "frozen": cells.loc[~unfrozen, "tested"].sum(),
        "unfrozen": cells.loc[unfrozen, "tested"].sum(),
        "death": fit.natural_death if fit and unfrozen.any() else np.nan,
        "death_lower": fit.natural_death_lower if fit else np.nan,
        "death_upper": fit.natural_death_upper if fit else np.nan,
    }


def _named(answer, answers):
    """The set's name as the start of a sentence, where there are several sets."""
    return f"{answer.name}: " if len(answers) > 1 else ""


# -- how cold kills half --------------------------------------------------------------------------


def show_lethal(answers: list[FreezeAnswer], controls: list[str], *, rank: int) -> tuple:
    """LT50 against the control, its table and the curves, one set after the other.

    Parameters
    ----------
    answers : list of FreezeAnswer
    controls : list of str
        Hybrids marked as controls.
    rank : int
        The finding's place on the first page.

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    if not answers:
        return (say(NO_COUNTS, kind="refusal"),)
    told = [a for a in answers if a.fit is not None]
    shown = []
    if told:
        sentences = [f"{_named(a, answers)}{text}" for a in told for text in _sentences(a)]
        shown.append(
            finding(
                *sentences,
                rank=rank,
                label="Frost hardiness in the freezer",
                see=f"lethal-temperatures{told[0].suffix}",
            )
        )
    for answer in answers:
        if len(answers) > 1:
            shown.append(say(f"Protocol and tissue: {answer.name}."))
        shown += (
            [say(answer.reason, kind="refusal")] if answer.reason else _of_set(answer, controls)
        )
    return tuple(shown)


def _sentences(answer):
    return lethal_sentences(answer.temperatures, answer.contrasts, answer.control, answer.level)


def _of_set(answer, controls):
    shown = [
        _caterpillar(answer)
        if answer.contrasts is not None
        else say(answer.no_contrast, kind="refusal")
    ]
    if words := slope_words(answer.fit):
        shown.append(say(words))
    return [
        *shown,
        *_curve_figures(answer, controls),
        _lethal_table(answer, controls),
        _uneven_table(answer),
    ]


def _caterpillar(answer):
    frame, percent = answer.contrasts, round(100 * answer.level)
    fig, ax = new_figure(height_for(len(frame)))
    plot_lt50(frame, answer.control, ax=ax)
    units = answer.temperatures["tested"]
    caption = (
        f"LT50 less that of the control {answer.control}, {answer.name}: points with simultaneous {percent} %"
        " intervals, so a line clear of the dashed one is a difference, however many hybrids are compared;"
        f" {_each(units)} frozen units per hybrid in"
        f" {n_of(len(answer.fit.runs), 'run')}.{named_words(len(frame))}"
    )
    return figure(
        fig,
        label=f"lt50-differences{answer.suffix}",
        caption=caption,
        data=frame,
        columns={"hybrid": Column("Hybrid"), **DIFFERENCE_COLUMNS, "answer": Column("Remark")},
        alt=contrast_sentence(
            frame,
            answer.control,
            answer.level,
            control_words(answer.temperatures, answer.control),
            "in the freeze test",
        ),
    )


def _each(numbers):
    low, high = int(numbers.min()), int(numbers.max())
    return fmt_count(low) if low == high else f"{fmt_count(low)} to {fmt_count(high)}"


def _lethal_table(answer, controls):
    frame, percent = answer.temperatures, round(100 * answer.level)
    columns = {"hybrid": Column("Hybrid"), "tested": Column("Frozen", "units", kind="count")}
    if answer.contrasts is not None:
        frame = frame.merge(answer.contrasts.drop(columns="answer"), on="hybrid", how="left")
        columns |= DIFFERENCE_COLUMNS
    for q in (50, 10, 90):
        columns |= {
            f"lt{q}_c": Column(
                f"LT{q}",
                "°C",
                digits=1,
                kind="number",
                meaning=f"Temperature that kills {q} %, natural death apart.",
            ),
            f"lt{q}": Column(
                "Interval",
                "°C",
                digits=1,
                kind="interval",
                ends=(f"lt{q}_lower_c", f"lt{q}_upper_c"),
            ),
        }
    if len(answer.fit.runs) < 2:
        columns = {
            name: column for name, column in columns.items() if name not in ("lt50", "lt10", "lt90")
        }
    if frame["answer"].ne("").any():
        columns["answer"] = Column("Remark")
    note = f"Controls in bold. Intervals of LT hold for other runs, each with {percent} %."
    if answer.contrasts is not None:
        note += (
            f" Those of the differences hold together with {percent} %; a run that froze too hard drops out"
            " of them."
        )
    return table(
        frame.assign(is_control=frame["hybrid"].isin(controls)),
        label=f"lethal-temperatures{answer.suffix}",
        columns=columns,
        strong="is_control",
        note=note,
        caption=f"Temperatures that kill 50, 10 and 90 % of each hybrid, {answer.name}, hardiest first.",
    )


def _curve_figures(answer, controls):
    frozen = answer.cells["temperature_c"].dropna()
    curves = survival_curves(
        answer.fit, np.linspace(frozen.min(), frozen.max(), 60), level=answer.level
    )
    points = observed_survival(answer.cells)
    rows, percent = answer.temperatures, round(100 * answer.level)
    parts = [rows.iloc[i : i + MOST_CURVES] for i in range(0, len(rows), MOST_CURVES)]
    shown = []
    for k, part in enumerate(parts, 1):
        here = points[points["hybrid"].isin(part["hybrid"])]
        caption = (
            f"Units alive by temperature, {answer.name}, hardiest first: points with 95 % intervals of the"
            f" units alone, curve with its {percent} % band for these runs; the bar at the foot is LT50 with"
            f" its interval. {_each(here.dropna(subset=['temperature_c'])['tested'])} frozen units behind a"
            " point; controls in orange."
        )
        shown.append(
            figure(
                plot_curves(curves, points, part, controls),
                caption=caption,
                data=here,
                label=f"freeze-curves{answer.suffix}{f'-part{k}' if len(parts) > 1 else ''}",
                alt=(
                    "One small panel per hybrid with units alive falling from mild to hard frost."
                    f" {' '.join(_sentences(answer))}"
                ),
            )
        )
    return shown


def _uneven_table(answer):
    columns = {
        "source": Column("Source"),
        "levels": Column("Levels", kind="count"),
        "sd_logit": Column(
            "sd", "logit", digits=2, kind="number", meaning="Standard deviation on the logit scale."
        ),
        "sd_c": Column(
            "As temperature",
            "°C",
            digits=2,
            kind="number",
            meaning="Standard deviation divided by the mean slope.",
        ),
    }
    return table(
        unevenness(answer.fit),
        label=f"freeze-unevenness{answer.suffix}",
        columns=columns,
        caption=f"Where survival varied beyond chance, {answer.name}.",
        note=(
            "A run shifts all its hybrids alike and drops out of differences; loads and cells do not, and are"
            " the error that they are judged by. With one run its part is not known."
        ),
    )


def headline_words(answers: list[FreezeAnswer]) -> str:
    """The freeze tests in one coarse line, equal on every machine."""
    answer = main_set(answers)
    if answer is None:
        return "freeze tests: no answer"
    top = answer.temperatures.dropna(subset=["lt50_c"]).iloc[0]
    against = ""
    if answer.contrasts is not None:
        known = answer.contrasts
        against = (
            f"; hardier than {answer.control} {(known['upper_c'] < 0).sum()}, tenderer"
            f" {(known['lower_c'] > 0).sum()}"
        )
    return f"freeze tests: hardiest {top['hybrid']} LT50 {top['lt50_c']:.1f} °C{against}"
