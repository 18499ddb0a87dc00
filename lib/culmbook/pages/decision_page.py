"""The decision on every candidate on one page, why it was taken, and what would change it."""

import numpy as np
import pandas as pd

from culmbook.consistency.model import LEAST_SEASONS
from culmbook.pages.selection_figures import LEAST_NAMED
from culmbook.pages.selection_page import (
    NO_DECISION,
    SHORT,
    Choice,
    clear_words,
    hardly_worthy,
    no_floor_words,
    rule_words,
)
from culmbook.selection.decide import (
    DROP,
    HOLD,
    LIKELY,
    PROMOTE,
    conditions,
    reason_words,
    settle_words,
)
from culmbook.selection.more_data import flip_words
from culmbook.sheets.trait_kinds import KINDS
from culmbook.show.headings import Column
from culmbook.show.page import finding, say, table
from culmbook.text.numbers import fmt_interval, fmt_list, fmt_number, fmt_share
from culmbook.text.words import is_are, joined, n_of

MOST_NAMED = 6
NOTHING = "Nothing alone."
UNLIKELY = 0.2
LIKELY_TURN = 0.1
"""Probability of a turn by next season's data from which on a hybrid is named."""
CHANCES = ["chance_worthy", "p_top", "p_beats", "p_floors"]


def show_decisions(choice: Choice, *, rank: int) -> tuple:
    """What is decided: finding, rules and the table of all candidates, or why nothing is.

    Parameters
    ----------
    choice : Choice
    rank : int

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    if choice.reason:
        return (
            say(f"No hybrid is promoted, held or dropped here. {choice.reason}", kind="refusal"),
        )
    numbers = {
        "Control": choice.control,
        "Places": f"{choice.k}",
        "Margin": fmt_share(choice.delta),
        "Seasons after establishment": f"{len(choice.part.seasons)} ({fmt_list(choice.part.seasons)})",
    }
    told = finding(
        decided_words(choice),
        provisional_short(choice),
        rank=rank,
        label="Decision",
        see="decisions",
        numbers=numbers,
    )
    return told, say(rule_words(choice), no_floor_words(choice)), _decision_table(choice)


def decided_words(choice: Choice) -> str:
    """Say who is promoted, held and dropped, each with its probability of being worth promoting."""
    own = choice.decided.set_index("hybrid")["chance_worthy"]
    promoted, held, dropped = (choice.named(d) for d in (PROMOTE, HOLD, DROP))
    parts = [f"Promote: {_with_chance(promoted, own)}; hold: {_with_chance(held, own)}"]
    near = [h for h in dropped if own[h] >= LEAST_NAMED][:3]
    if len(dropped) > 2 * len(near):
        first = f", the nearest of them {_with_chance(near, own)}" if near else ""
        parts.append(f"drop: {len(dropped)}{first}")
    else:
        parts.append(f"drop: {_with_chance(dropped, own)}")
    return f"{'; '.join(parts)}. In brackets: probability of being worth promoting, that is {_worth_words(choice)}."


def _worth_words(choice):
    """What a hybrid must do to be worth promoting, in one line."""
    must = ["passing the floors"] if choice.floors else []
    must.append(f"giving more than {fmt_share(choice.delta)} above {choice.control}")
    return fmt_list(
        [*must, f"being {'the best' if choice.k == 1 else f'among the best {choice.k}'}"]
    )


def _with_chance(hybrids, chances):
    named = [f"{h} ({fmt_chance(chances[h])})" for h in hybrids]
    return fmt_list(named, MOST_NAMED) if named else "none"


def fmt_chance(p: float) -> str:
    """A probability from draws: none or all of the draws do not make it 0 or 1.

    Examples
    --------
    >>> fmt_chance(0.0), fmt_chance(0.57), fmt_chance(1.0)
    ('<1 %', '57 %', '>99 %')
    """
    return fmt_share(min(max(p, 0.001), 0.999))


def provisional_short(choice: Choice) -> str:
    """Say that decisions are provisional and why; blank where they are not."""
    few = choice.decided["is_provisional"]
    if not few.any():
        return ""
    who = "All of it is" if few.all() else f"For {n_of(int(few.sum()), 'candidate')} this is"
    had = choice.part.records.groupby("hybrid")["season"].nunique()
    least = int(had.reindex(choice.decided.loc[few, "hybrid"]).min())
    return (
        f"{who} provisional: {n_of(least, 'season')} after establishment {is_are(least)} in, and it takes "
        f"{LEAST_SEASONS}."
    )


# -- the table ------------------------------------------------------------------------------------


def _decision_table(choice):
    k, part = choice.k, choice.part
    frame = choice.decided.assign(
        reason=[short_reason(row, choice) for _, row in choice.decided.iterrows()],
        change=[short_change(row, choice) for _, row in choice.decided.iterrows()],
        **{name: choice.within(choice.decided[name]) for name in CHANCES},
        shown=choice.decided["hybrid"] + np.where(choice.decided["is_provisional"], "*", ""),
        is_promoted=choice.decided["decision"].eq(PROMOTE),
    )
    columns = {
        "shown": Column("Hybrid", meaning="A star marks a provisional decision."),
        "decision": Column("Decision"),
        "chance_worthy": Column(
            "Worth it", kind="share", meaning="Probability that all conditions hold."
        ),
        "gain": Column("Gain", kind="share", meaning=f"Median lasting gain over {choice.control}."),
        "interval": Column(
            f"{part.percent} % interval", kind="share_interval", ends=("lower", "upper")
        ),
        "p_top": Column(
            "Best" if k == 1 else f"Best {k}",
            kind="share",
            meaning=f"Probability of being {choice.best}.",
        ),
        "p_beats": Column(
            f"Over {fmt_number(100 * choice.delta, 0)} %",
            kind="share",
            meaning=f"Probability of more than {fmt_share(choice.delta)} above {choice.control}.",
        ),
        "p_floors": Column("Floors", kind="share", meaning="Probability of passing all floors."),
        "reason": Column("Reason"),
        "change": Column("What would change it"),
    }
    if not choice.floors:
        del columns["p_floors"]
    return table(
        frame,
        label="decisions",
        columns=columns,
        strong="is_promoted",
        whole=True,
        caption=f"Decision on each of {n_of(len(frame), 'candidate')}; gains in dry yield over "
        f"{choice.control}, "
        "probabilities in %.",
        note=_table_note(choice, frame["change"].eq(NOTHING).any()),
    )


def _table_note(choice, is_hopeless):
    best = "Best" if choice.k == 1 else f"Best {choice.k}"
    return joined(
        f"* Provisional: fewer than {LEAST_SEASONS} seasons after establishment."
        if choice.decided["is_provisional"].any()
        else "",
        _control_words(choice),
        f"{best}: passes the floors and is among them, of those that pass; reasons take it as past the floors."
        if choice.floors
        else "",
        f"{NOTHING[:-1]}: no single condition, were it sure, would make it worth promoting."
        if is_hopeless
        else "",
    )


def _control_words(choice):
    others = [c for c in choice.part.fit.controls if c != choice.control]
    controls = f"Not decided on: the control {choice.control}"
    return (
        f"{controls}."
        if not others
        else f"{controls} and {n_of(len(others), 'other control')} ({fmt_list(others)})."
    )


def _condition_words(name, row, choice):
    if name == "floors":
        weak = _weakest_floor(row, choice)
        return f"{SHORT[weak]} floor" if weak else "floors"
    best = "being the best" if choice.k == 1 else f"a place in the best {choice.k}"
    return {"margin": f"{fmt_share(choice.delta)} over {choice.control}", "place": best}[name]


def _weakest_floor(row, choice):
    """Name of the floor that a hybrid passes least likely; blank where it is known on none."""
    chances = choice.floor_chances(row["hybrid"])
    return min(chances, key=chances.get) if chances else ""


def short_reason(row, choice: Choice) -> str:
    """Why a hybrid is promoted, held or dropped, in a few words for the table."""
    chances = conditions(row)
    weakest = min(chances, key=chances.get)
    named = _condition_words(weakest, row, choice)
    if row["decision"] == PROMOTE:
        likely = row["chance_worthy"] >= LIKELY
        return "Likely meets all conditions." if likely else "Safer than dropping it."
    if row.get("untested", ""):
        return f"Not tested: {row['untested']}."
    if row["is_capped"]:
        return "Worth it, but the places are taken."
    if row["decision"] == HOLD:
        return f"Open: {named}."
    if chances[weakest] >= LIKELY:
        return "Each condition is likely, all together are not."
    best = "the best" if choice.k == 1 else f"among the best {choice.k}"
    text = {"floors": f"fails the {named}", "margin": f"not {named}", "place": f"not {best}"}[
        weakest
    ]
    return f"Likely {text}." if chances[weakest] >= UNLIKELY else f"{text[0].upper()}{text[1:]}."


def short_change(row, choice: Choice) -> str:
    """What would change a decision, in a few words for the table."""
    chances, turn = conditions(row), choice.costs.threshold
    if row.get("untested", ""):
        return f"A test of {row['untested']}."
    if row["is_capped"]:
        return "A place that gets free."
    weakest = _condition_words(min(chances, key=chances.get), row, choice)
    if row["decision"] == PROMOTE:
        return f"Doubt on {weakest}."
    if row["decision"] == HOLD:
        return f"What settles {weakest}."
    sure = {name: row["chance_worthy"] / max(p, 1e-9) for name, p in chances.items()}
    enough = [name for name, p in (sure | {"floors": row["chance_if_passing"]}).items() if p > turn]
    if not enough:
        return NOTHING
    lacks = min(enough, key=chances.get)
    if lacks != "floors":
        return f"Proof of {_condition_words(lacks, row, choice)}."
    weak = [p for p in choice.floor_chances(row["hybrid"]).values() if p < LIKELY]
    named = "floors" if len(weak) > 1 else _condition_words("floors", row, choice)
    return f"{named[0].upper()}{named[1:]} passed or eased."


# -- in full --------------------------------------------------------------------------------------


def show_reasons(choice: Choice, *, rank: int) -> tuple:
    """Why the best yielders are or are not promoted, what next season must settle, and all reasons in full.

    Parameters
    ----------
    choice : Choice
    rank : int
        Of the first of two findings.

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    if choice.reason:
        return (say(NO_DECISION, kind="refusal"),)
    why = finding(*top_words(choice), rank=rank, label="Why", see="reasons")
    return why, *_next_season(choice, rank + 1), _reason_table(choice)


def top_words(choice: Choice) -> list[str]:
    """What becomes of the candidates with the highest predicted yields, and why."""
    by_gain = choice.decided.sort_values(["rank", "hybrid"])
    first = by_gain.iloc[0]
    told = [f"{_gain_words(first, choice)}: {_fate(first, choice)}."]
    is_other = (
        by_gain["decision"].ne(PROMOTE)
        & by_gain["rank"].le(choice.k)
        & by_gain["rank"].gt(first["rank"])
    )
    told += [
        f"{row['hybrid']}, number {row['rank']} by yield ({fmt_share(row['gain'])}), is "
        f"{_fate(row, choice)}."
        for _, row in by_gain[is_other].head(2).iterrows()
    ]
    turn = f"Promoting loses less than dropping from a probability of {fmt_share(choice.costs.threshold)} on."
    waiting = (
        f"A held one loses less still by waiting, at {fmt_number(choice.costs.hold, 2)} a season."
    )
    is_waiting = by_gain["decision"].eq(HOLD) & ~by_gain["is_capped"] & by_gain["loss_hold"].notna()
    return [*told, _dropped_words(choice), turn, *([waiting] if is_waiting.any() else [])]


def _dropped_words(choice):
    """How many are dropped for want of which condition; blank where none is."""
    dropped = choice.decided[choice.decided["decision"].eq(DROP)]
    if dropped.empty:
        return ""
    lacks = [_lacking(row, choice) for _, row in dropped.iterrows()]
    counts = [f"{text} ({n})" for text, n in pd.Series(lacks).value_counts().items()]
    past = ", its place taken as past the floors" if choice.floors else ""
    return f"Dropped, by what each is least likely to reach{past}: {fmt_list(counts)}."


def _lacking(row, choice):
    chances = conditions(row)
    return _condition_words(min(chances, key=chances.get), row, choice)


def _gain_words(row, choice):
    way = "above" if row["gain"] >= 0 else "below"
    return (
        f"{row['hybrid']} has the highest predicted yield, {fmt_share(abs(row['gain']))} {way} "
        f"{choice.control} "
        f"({choice.part.percent} % interval {fmt_interval(row['lower'], row['upper'])})"
    )


DONE = {PROMOTE: "promoted", HOLD: "held", DROP: "dropped"}


def _fate(row, choice):
    done = DONE[row["decision"]]
    if row["decision"] == PROMOTE:
        return f"{done}, worth it with a probability of {fmt_chance(row['chance_worthy'])}"
    if row.get("untested", ""):
        return f"{done}, as it was not tested for {row['untested']}"
    if row["is_capped"]:
        return f"{done}, as the places are taken by hybrids that save more"
    chances = conditions(row)
    weakest = min(chances, key=chances.get)
    low = _weakest_floor(row, choice)
    if weakest == "floors" and low:
        p = choice.floor_chances(row["hybrid"])[low]
        return f"{done}, as it passes the floor on {KINDS[low].word} with a probability of {fmt_chance(p)}"
    if weakest == "margin":
        return (
            f"{done}, as it gives more than {fmt_share(choice.delta)} above {choice.control} with a "
            "probability "
            f"of {fmt_chance(chances[weakest])}"
        )
    best = "the best" if choice.k == 1 else f"among the best {choice.k}"
    return f"{done}, as it is {best} with a probability of {fmt_chance(row['p_top'])}"


def _next_season(choice, rank):
    """What next season must settle."""
    if choice.more is None:
        return (
            say(
                "What next season would settle is not told: "
                f"{choice.no_more[0].lower()}{choice.no_more[1:]}",
                kind="refusal",
            ),
        )
    kept = choice.decided.loc[choice.decided["decision"].ne(DROP), "hybrid"]
    if kept.empty:
        return (
            say("No hybrid is promoted or held, so next season has nothing to settle of these."),
        )
    own = choice.more.loc[list(kept)]
    told = [flip_words(own, least=LIKELY_TURN)]
    turning = own["chance_flips"].sort_values(ascending=False, kind="stable")
    rows = choice.decided.set_index("hybrid", drop=False)
    told += [_open_words(rows.loc[h], choice) for h in turning[turning >= LIKELY_TURN].index[:2]]
    told.append(
        f"One more season of the {n_of(len(own), 'hybrid')} promoted or held is expected to take "
        f"{fmt_number(own['saving'].sum(), 2)} off the {fmt_number(own['loss_now'].sum(), 2)} that "
        "deciding on "
        f"them now would lose; holding one costs {fmt_number(choice.costs.hold, 2)}."
    )
    return (finding(*told, rank=rank, label="Next season", see="plans"),)


def _open_words(row, choice):
    """The conditions of a hybrid that are not settled, the least settled first."""
    chances = conditions(row)
    names = sorted(chances, key=lambda n: (abs(chances[n] - 0.5), n))
    still = [n for n in names if UNLIKELY < chances[n] < 1 - UNLIKELY] or names[:1]
    named = [
        f"{_condition_words(n, row, choice)} (probability {fmt_chance(chances[n])})" for n in still
    ]
    return f"Open for {row['hybrid']}: {fmt_list(named)}."


def _reason_table(choice):
    words = {"k": choice.k, "delta": choice.delta, "control": choice.control}
    rows = [row for _, row in choice.decided.iterrows()]
    frame = choice.decided.assign(
        reason=[_full_reason(row, choice, words) for row in rows],
        change=[
            settle_words(row, **words, costs=choice.costs, floors=_worded_floors(row, choice))
            for row in rows
        ],
        is_printed=~hardly_worthy(choice.decided),
    )
    columns = {
        "hybrid": Column("Hybrid"),
        "decision": Column("Decision"),
        "reason": Column("Why"),
        "change": Column("What would change it"),
    }
    return table(
        frame,
        label="reasons",
        columns=columns,
        printed="is_printed",
        caption="Reasons in full, and what would change each decision.",
        note=joined(choice.part.mark, clear_words(int((~frame["is_printed"]).sum()))),
    )


def _worded_floors(row, choice: Choice) -> dict:
    """Probability of passing each floor by the trait's word in a sentence."""
    return {KINDS[name].word: p for name, p in choice.floor_chances(row["hybrid"]).items()}


def _full_reason(row, choice, words):
    if row.get("untested", ""):
        return f"Not tested for {row['untested']}, without which it is not promoted."
    text = reason_words(row, **words, floors=_worded_floors(row, choice))
    return text.replace("; provisional, as it has too few seasons after establishment", "")
