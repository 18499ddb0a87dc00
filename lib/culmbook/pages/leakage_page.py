"""What the frost notebook says of electrolyte leakage: LT50 by injury, against the control."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from culmbook.frost.leakage import (
    LeakageFit,
    fit_leakage,
    injury_index,
    leakage_against_control,
    leakage_temperatures,
    why_no_leakage_curve,
)
from culmbook.frost.words import contrast_sentence, control_words
from culmbook.pages.freeze_figures import plot_lt50
from culmbook.pages.freeze_page import DIFFERENCE_COLUMNS
from culmbook.pages.stand_figures import new_figure
from culmbook.show.figures import height_for, named_words
from culmbook.show.headings import Column
from culmbook.show.page import figure, finding, say, table
from culmbook.text.numbers import fmt_list
from culmbook.text.words import n_of

NO_LEAKAGE = "No freeze test of these hybrids read electrolyte leakage."


@dataclass(frozen=True)
class LeakageAnswer:
    """Sigmoids of one protocol and tissue, or the ``reason`` why there are none."""

    name: str
    suffix: str
    level: float
    control: str
    reason: str = ""
    fit: LeakageFit | None = None
    temperatures: pd.DataFrame | None = None
    contrasts: pd.DataFrame | None = None
    no_contrast: str = ""


def leakage_answers(
    tests: pd.DataFrame, control: str, *, level: float = 0.95
) -> list[LeakageAnswer]:
    """Fit leakage of every protocol and tissue that was read.

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
    list of LeakageAnswer
    """
    read = tests[tests[["leakage_after", "leakage_total"]].notna().all(axis=1)]
    groups = list(read.groupby(["protocol", "tissue"], sort=True))
    return [
        _answer(", ".join(key), "" if i == 0 else f"-{i + 1}", rows, control, level)
        for i, (key, rows) in enumerate(groups)
    ]


def _answer(name, suffix, rows, control, level):
    given = {"name": name, "suffix": suffix, "level": level, "control": control}
    try:
        injury = injury_index(rows)
    except ValueError as error:
        text = str(error)
        return LeakageAnswer(**given, reason=f"{text[0].upper()}{text[1:].removesuffix('.')}.")
    if reason := why_no_leakage_curve(injury):
        return LeakageAnswer(**given, reason=reason)
    fit = fit_leakage(injury)
    found = {"fit": fit, "temperatures": leakage_temperatures(fit, level=level)}
    if control not in fit.answers:
        why = (
            f"The control {control} has no leakage here"
            if control
            else "The network names no control"
        )
        return LeakageAnswer(
            **given, **found, no_contrast=f"{why}, so hybrids are not compared with one."
        )
    contrasts = leakage_against_control(fit, control, level=level)
    if contrasts["difference_c"].isna().all():
        return LeakageAnswer(
            **given,
            **found,
            no_contrast=(
                "Nothing can be compared with the control by leakage: "
                f"{fit.answers[control] or 'no other hybrid of its runs has an LT50'}."
            ),
        )
    return LeakageAnswer(**given, **found, contrasts=contrasts)


def show_leakage(answers: list[LeakageAnswer], controls: list[str], *, rank: int) -> tuple:
    """Finding, figure and table of LT50 by leakage, one protocol and tissue after the other.

    Parameters
    ----------
    answers : list of LeakageAnswer
    controls : list of str
    rank : int

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    if not answers:
        return (say(NO_LEAKAGE, kind="refusal"),)
    told = [
        a for a in answers if a.temperatures is not None and a.temperatures["lt50_c"].notna().any()
    ]
    shown = []
    if told:
        sentences = [
            text if len(answers) == 1 else f"{a.name}: {text}"
            for a in told
            for text in leakage_sentences(a)
        ]
        shown.append(
            finding(
                *sentences,
                rank=rank,
                label="Frost hardiness by leakage",
                see=f"leakage-temperatures{told[0].suffix}",
            )
        )
    for answer in answers:
        if len(answers) > 1:
            shown.append(say(f"Protocol and tissue: {answer.name}."))
        shown += (
            [say(answer.reason, kind="refusal")] if answer.reason else _of_set(answer, controls)
        )
    return tuple(shown)


def leakage_sentences(answer: LeakageAnswer) -> list[str]:
    """What the first page says of one protocol and tissue."""
    known = answer.temperatures.dropna(subset=["lt50_c"])
    tissue = answer.name.rsplit(", ", 1)[-1]
    if answer.contrasts is not None:
        return [
            contrast_sentence(
                answer.contrasts,
                answer.control,
                answer.level,
                control_words(answer.temperatures, answer.control),
                f"by leakage of the {tissue}",
                together=False,
            )
        ]
    named = fmt_list(
        [f"{r.hybrid} ({control_words(known, r.hybrid)})" for r in known.head(3).itertuples()]
    )
    return [
        f"By leakage of the {tissue}, LT50 is known of {n_of(len(known), 'hybrid')}:"
        f" {'hardiest ' if len(known) > 3 else ''}{named}."
    ]


def _of_set(answer, controls):
    frame, percent = answer.temperatures, round(100 * answer.level)
    shown = [
        _caterpillar(answer)
        if answer.contrasts is not None
        else say(answer.no_contrast, kind="refusal")
    ]
    columns = {
        "hybrid": Column("Hybrid"),
        "units": Column("Frozen", "units", kind="count"),
        "runs": Column("Runs", kind="count"),
    }
    if answer.contrasts is not None:
        frame = frame.merge(answer.contrasts.drop(columns="answer"), on="hybrid", how="left")
        columns |= DIFFERENCE_COLUMNS
    columns |= {
        "lt50_c": Column(
            "LT50",
            "°C",
            digits=1,
            kind="number",
            meaning="Where the index is half its fitted upper limit.",
        ),
        "lt50": Column(
            "Interval", "°C", digits=1, kind="interval", ends=("lt50_lower_c", "lt50_upper_c")
        ),
        "upper_limit": Column(
            "Upper limit", kind="share", meaning="Index of injury that hard frost reaches, fitted."
        ),
        "half_c": Column(
            "Index 50 %",
            "°C",
            digits=1,
            kind="number",
            meaning="Temperature at an index of 0.5, where that differs.",
        ),
    }
    if frame["half_c"].isna().all():
        del columns["half_c"]
    if frame["answer"].ne("").any():
        columns["answer"] = Column("Remark")
    listed = table(
        frame.assign(is_control=frame["hybrid"].isin(controls)),
        label=f"leakage-temperatures{answer.suffix}",
        columns=columns,
        strong="is_control",
        caption=f"Temperature of half injury by electrolyte leakage, {answer.name}, hardiest first.",
        note=(
            f"Controls in bold. Intervals with {percent} % each: of LT50 for other runs, of differences"
            " within these runs. Leakage measures injury of membranes, not death: its LT50 is not compared"
            " with that of regrowth."
        ),
    )
    return [*shown, listed]


def _caterpillar(answer):
    frame, percent = answer.contrasts, round(100 * answer.level)
    fig, ax = new_figure(max(height_for(len(frame)), 1.4))
    plot_lt50(frame, answer.control, ax=ax)
    units = answer.temperatures["units"]
    each = (
        f"{int(np.min(units))} to {int(np.max(units))}"
        if units.nunique() > 1
        else f"{int(units.iloc[0])}"
    )
    return figure(
        fig,
        label=f"leakage-differences{answer.suffix}",
        data=frame,
        alt=" ".join(leakage_sentences(answer)),
        columns={"hybrid": Column("Hybrid"), **DIFFERENCE_COLUMNS, "answer": Column("Remark")},
        caption=(
            f"LT50 by leakage less that of the control {answer.control}, {answer.name}: points with {percent}"
            f" % intervals, each with its own confidence; {each} frozen units per"
            f" hybrid.{named_words(len(frame))}"
        ),
    )
