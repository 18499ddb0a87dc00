"""What the notebook on choosing says of floors: what each hybrid is in other traits, and what it passes."""

import pandas as pd

from culmbook.pages.selection_page import NO_DECISION, SHORT, Choice
from culmbook.selection.floors import floor_words, value_words
from culmbook.sheets.trait_kinds import KINDS
from culmbook.show.headings import Column
from culmbook.show.page import say, table
from culmbook.text.numbers import fmt_list
from culmbook.text.words import n_of

TRAITS = ("stand", "lt50_c", "moisture_pct")


def show_floors(choice: Choice) -> tuple:
    """Probability of passing each floor, and what each trait is: table, or why not.

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
    open_words = [say(text, kind="refusal") for text in choice.unjudged]
    if not choice.floors:
        told = (
            ""
            if choice.unjudged
            else "No floor is set, so no hybrid is left out for a trait beside its yield."
        )
        return (*open_words, *([say(told)] if told else []), *_known_traits(choice))
    told = f"Floors: {floor_words(choice.floors)}. {_failing_words(choice)}"
    free = (
        "In the decisions traits are drawn independently of yield; drawing them together is among the other "
        "ways of deciding further down."
    )
    return (*open_words, say(told, *choice.told, free), _trait_table(choice, list(choice.floors)))


def _failing_words(choice):
    """Who more likely fails the floors than passes, by the floor it passes least likely."""
    fails = choice.passed[choice.passed["fails_on"].ne("")]
    n = n_of(len(choice.passed), "candidate")
    if fails.empty:
        return f"None of {n} is more likely to fail them than to pass."
    by = [
        f"{KINDS[name].word} ({fmt_list(list(own['hybrid']), 30)})"
        for name, own in fails.groupby("fails_on", sort=False)
    ]
    return (
        f"{len(fails)} of {n} are more likely to fail than to pass, least sure on {fmt_list(by)}."
    )


def _known_traits(choice):
    """The traits by themselves where there is no floor on them."""
    names = [n for n in TRAITS if not choice.traits[n].why_not]
    return (_trait_table(choice, names),) if names else ()


def _trait_table(choice, names):
    frame, columns = (
        pd.DataFrame({"hybrid": list(choice.decided["hybrid"])}),
        {"hybrid": Column("Hybrid")},
    )
    for name in names:
        frame, more = _trait_columns(choice.traits[name], name, frame)
        columns |= more
    if choice.passed is not None:
        chances = [f"p_{n}" for n in choice.floors] + ["p_all"]
        passed = choice.passed.assign(**{c: choice.within(choice.passed[c]) for c in chances})
        frame = frame.merge(passed, on="hybrid")
        columns |= {
            f"p_{n}": Column(
                f"Passes on {SHORT[n]}",
                kind="share",
                meaning=f"Probability of {KINDS[n].bound} {value_words(n, choice.floors[n])}.",
            )
            for n in choice.floors
        }
        columns["p_all"] = Column("Passes all", kind="share")
    if "remark" in frame and frame["remark"].ne("").any():
        columns["remark"] = Column("Remark")
    return table(
        frame,
        label="floors" if choice.floors else "traits",
        columns=columns,
        caption="Traits of the "
        f"candidates{' and the probability of passing each floor' if choice.floors else ''}.",
        note="Medians with 95 % intervals. In the order of the decisions.",
    )


def _trait_columns(trait, name, frame):
    own = trait.table.set_index("hybrid").reindex(frame["hybrid"])
    kind = "share" if trait.unit == "share" else "number"
    unit = "" if kind == "share" else trait.unit
    ends = (f"low_{name}", f"high_{name}")
    made = frame.assign(
        **{
            name: own["estimate"].to_numpy(),
            ends[0]: own["lower"].to_numpy(),
            ends[1]: own["upper"].to_numpy(),
        }
    )
    digits = None if kind == "share" else 1
    interval = "share_interval" if kind == "share" else "interval"
    return made, {
        name: Column(trait.label, unit, digits=digits, kind=kind),
        f"interval_{name}": Column("95 % interval", unit, digits=digits, kind=interval, ends=ends),
    }
