"""How firm the decisions are: other floors, margins, places, costs and models, and worth in money."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from culmbook.consistency.draws import draw_seasons
from culmbook.pages.seasons_page import sentence
from culmbook.pages.selection_page import NO_DECISION, Choice
from culmbook.selection.decide import DECISIONS, decide
from culmbook.selection.floors import hold_untested, unknown_traits
from culmbook.selection.index import index_draws, index_gains, index_table, index_words
from culmbook.selection.joint_traits import JointTraits, joint_traits
from culmbook.selection.more_data import hold_table
from culmbook.selection.next_season import remembered_spreads
from culmbook.selection.sensitivity import (
    FLOORS,
    Scenario,
    cost_scenarios,
    flip_table,
    flip_words,
    floor_scenarios,
    margin_scenarios,
    model_scenarios,
    place_scenarios,
    sensitivity,
    weight_scenarios,
)
from culmbook.show.headings import Column
from culmbook.show.page import finding, say, table
from culmbook.text.numbers import fmt_list, fmt_share
from culmbook.text.words import joined, n_of

AS_SET = "as set"
BY_INDEX = "by the index instead of yield"
TOGETHER = "traits drawn together with yield"
RAW = "yields as they are instead of their logarithm"
TIE = 0.02
"""Saving, as a share of the lesser cost of a wrong decision, under which a change is not counted."""
_RAW_DRAWS, _RAW_VARIANCES = 400, 20


@dataclass(frozen=True)
class Worth:
    """Traits drawn together and the index.

    ``joint`` None where there is no decision; ``index`` draws of worth over the control, or why none.
    """

    joint: JointTraits | None
    index: pd.DataFrame | str


def worth_of(choice: Choice) -> Worth:
    """Draw yield and traits together, and the index by the weights set.

    Parameters
    ----------
    choice : Choice

    Returns
    -------
    Worth
    """
    if choice.reason:
        return Worth(None, NO_DECISION)
    try:
        joint = joint_traits(choice.traits, choice.entries)
    except ValueError as error:
        return Worth(None, sentence(error))
    if not any(choice.weights.values()):
        return Worth(
            joint,
            "No money weights are set (settings, selection.weights), so there is no index over traits.",
        )
    try:
        return Worth(joint, index_draws(joint.traits, choice.weights, choice.control))
    except ValueError as error:
        return Worth(joint, sentence(error))


def show_index(choice: Choice, worth: Worth, *, rank: int) -> tuple:
    """Worth by money weights beside yield alone: finding and table, or why not.

    Parameters
    ----------
    choice : Choice
    worth : Worth
    rank : int

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    if isinstance(worth.index, str):
        return (say(worth.index, kind="refusal"),)
    frame = index_table(worth.index, choice.gains, level=choice.part.level)
    if frame["index"].isna().all():
        return (
            say(
                "No candidate is known in all traits with a weight, so there is no index.",
                kind="refusal",
            ),
        )
    own = choice.decided.set_index("hybrid")["decision"]
    frame = frame.assign(decision=frame["hybrid"].map(own))
    told = finding(
        index_words(frame, choice.weights, choice.control),
        "The decisions go by yield and floors; the index is set beside them.",
        rank=rank,
        label="Worth",
        see="index",
    )
    columns = {
        "hybrid": Column("Hybrid"),
        "decision": Column("Decision"),
        "index": Column(
            "Index",
            "per ha and year",
            digits=0,
            kind="number",
            meaning=f"Money more than {choice.control}.",
        ),
        "interval": Column(
            f"{choice.part.percent} % interval",
            "per ha and year",
            digits=0,
            kind="interval",
            ends=("lower", "upper"),
        ),
        "p_above": Column(
            "Worth more",
            kind="share",
            meaning=f"Probability of being worth more than {choice.control}.",
        ),
        "rank": Column("Rank by index", kind="count"),
        "yield_rank": Column("Rank by yield", kind="count"),
    }
    listed = table(
        frame,
        label="index",
        columns=columns,
        caption=f"Worth of each candidate over {choice.control} by the weights set, in the money of the "
        "weights, and its "
        "rank by yield alone.",
        note=joined(
            choice.part.mark,
            "Medians of joint draws; what is not known of a trait widens the interval.",
        ),
    )
    return told, say(worth.joint.words), listed


# -- other ways of deciding -----------------------------------------------------------------------


def sensitivity_of(choice: Choice, worth: Worth, stages: dict) -> tuple[pd.DataFrame, list[str]]:
    """Decide under every other way, and say which could not be tried.

    Parameters
    ----------
    choice : Choice
    worth : Worth
    stages : dict
        From :func:`culmbook.pages.sites_page.two_stages_of`.

    Returns
    -------
    DataFrame
        From :func:`culmbook.selection.sensitivity.sensitivity`.
    list of str
    """
    base = Scenario(AS_SET, "", choice.gains, choice.eligible, choice.k, choice.delta, choice.costs)
    models, untried = _models(choice, worth, stages)
    scenarios = [
        *margin_scenarios(base),
        *[s for s in place_scenarios(base) if s.k <= len(choice.gains.columns)],
        *cost_scenarios(base),
        *floor_scenarios(base, choice.traits, choice.floors),
        *model_scenarios(base, models, choice.traits, choice.floors),
        *_joint(choice, worth, base),
        *_weights(choice, worth, base),
    ]
    missing = unknown_traits(choice.traits, choice.floors, choice.gains.columns)

    now = choice.decided.set_index("hybrid")["decision"]

    def decide_held(*args, **rules):
        return _without_ties(hold_untested(decide(*args, **rules), missing), now, rules["costs"])

    spread = remembered_spreads(choice.part.fit, choice.part.drawn)
    more = None if choice.more is None else lambda scenario: _more(choice, base, scenario, spread)
    return sensitivity(base, scenarios, decide_held, more), untried


def _without_ties(decided, now, costs):
    """Decisions of another way, as they are now where changing them would save next to nothing.

    What waiting is worth is simulated, so without this a hybrid between two decisions would turn by chance.
    """
    least = TIE * min(cost for cost in (costs.wrong_promote, costs.wrong_drop) if cost > 0)
    rows = [row for _, row in decided.iterrows()]
    stays = [
        not row["is_capped"]
        and row[f"loss_{now[row['hybrid']]}"] - row[f"loss_{row['decision']}"] < least
        for row in rows
    ]
    kept = [
        now[row["hybrid"]] if stay else row["decision"]
        for row, stay in zip(rows, stays, strict=True)
    ]
    return decided.assign(decision=kept)


def _more(choice, base, scenario, spread):
    if scenario is base:
        return choice.more
    other = None if scenario.gains is base.gains else scenario.gains
    return hold_table(
        choice.part.fit,
        choice.part.drawn,
        choice.control,
        scenario.eligible,
        among=list(choice.gains),
        gains=other,
        spread=spread,
        k=scenario.k,
        delta=scenario.delta,
        costs=scenario.costs,
    )


def _models(choice, worth, stages):
    """Draws of gains by other models of yield, and what could not be fitted."""
    made, untried = {}, []
    for name, two in stages.items():
        if isinstance(two, str):
            untried.append(f"{name[0].upper()}{name[1:]} could not be tried: {two}")
        else:
            made[name] = _stage_gains(two, choice)
    try:
        made[RAW] = _raw_gains(choice)
    except ValueError as error:
        untried.append(f"{RAW[0].upper()}{RAW[1:]} could not be tried: {sentence(error)}")
    return {
        name: gains
        for name, gains in made.items()
        if list(gains.columns) == list(choice.gains.columns)
    }, untried


def _stage_gains(two, choice):
    names = [choice.control, *choice.gains.columns]
    rng = np.random.default_rng(1)
    draws = rng.multivariate_normal(
        two.values[names], two.covariance.loc[names, names], len(choice.gains), method="eigh"
    )
    return pd.DataFrame(np.expm1(draws[:, 1:] - draws[:, :1]), columns=names[1:])


def _raw_gains(choice):
    """Gains from the model of yields that are not logarithms, over the control's mean."""
    from culmbook.consistency.model import fit_seasons

    records = choice.part.records.assign(
        response=choice.part.records["dry_yield_t_ha"].astype(float)
    )
    drawn = draw_seasons(
        fit_seasons(records, choice.part.controls, scale="raw"), _RAW_DRAWS, 1, _RAW_VARIANCES
    )
    level = np.nanmean(drawn.cells[:, drawn.hybrids.index(choice.control)], axis=(1, 2))
    return (
        drawn.lasting[list(choice.gains.columns)]
        .sub(drawn.lasting[choice.control], axis=0)
        .div(level, axis=0)
    )


def _joint(choice, worth, base):
    if worth.joint is None or not worth.joint.is_joint:
        return []
    traits = worth.joint.traits
    gains = index_gains(traits, {"yield_t_ha": 1.0}, choice.control)[list(base.gains.columns)]
    return model_scenarios(base, {TOGETHER: gains}, traits, choice.floors)


def _weights(choice, worth, base):
    """The index in place of yield, with the weights set and others."""
    if isinstance(worth.index, str) or choice.weights.get("yield_t_ha", 0) <= 0:
        return []
    gains = index_gains(worth.joint.traits, choice.weights, choice.control)[
        list(base.gains.columns)
    ]
    if gains.isna().any(axis=None):
        return []
    made = model_scenarios(base, {BY_INDEX: gains}, choice.traits, choice.floors)
    others = weight_scenarios(base, worth.joint.traits, choice.weights, choice.control)[1:]
    return [*made, *others]


def show_sensitivity(choice: Choice, worth: Worth, stages: dict, *, rank: int) -> tuple:
    """Whose decision another way of deciding changes: findings and table, or why not.

    Parameters
    ----------
    choice : Choice
    worth : Worth
    stages : dict
        From :func:`culmbook.pages.sites_page.two_stages_of`.
    rank : int
        Of the first of two findings.

    Returns
    -------
    tuple
        Objects for ``display``.
    """
    if choice.reason:
        return (say(NO_DECISION, kind="refusal"),)
    frame, untried = sensitivity_of(choice, worth, stages)
    firm = finding(
        flip_words(frame)[0], _firm_words(frame), rank=rank + 1, label="How firm", see="other-ways"
    )
    relaxed = floor_flip_words(frame)
    floors = (finding(*relaxed, rank=rank, label="Floors", see="other-ways"),) if relaxed else ()
    not_tried = (say(*untried, kind="refusal"),) if untried else ()
    return (*floors, firm, *not_tried, *_flip_tables(frame, choice))


def _counts(frame):
    """In how many of the other ways each hybrid gets which decision, by hybrid."""
    counts = pd.crosstab(frame["hybrid"], frame["decision"]).reindex(
        columns=list(DECISIONS), fill_value=0
    )
    first = frame.drop_duplicates("hybrid").set_index("hybrid")[["base_decision", "base_chance"]]
    return counts.join(first)


def _firm_words(frame):
    """In how many ways promoted hybrids stay so that do not in all, and who else would be."""
    n, counts = frame["scenario"].nunique(), _counts(frame)
    now = counts["base_decision"].eq("promote")
    stay = [
        f"{h} ({row['promote']})" for h, row in counts[now & counts["promote"].lt(n)].iterrows()
    ]
    others = counts[~now & counts["promote"].gt(0)].sort_values(
        "promote", ascending=False, kind="stable"
    )
    also = [f"{h} ({row['promote']})" for h, row in others.iterrows()]
    return joined(
        f"Still promoted in so many of the {n}: {fmt_list(stay)}." if stay else "",
        f"Not promoted now, but in some of the {n}: {fmt_list(also)}." if also else "",
    )


def floor_flip_words(frame: pd.DataFrame) -> list[str]:
    """What becomes of the decisions without each floor."""
    own = frame[frame["question"].eq(FLOORS) & frame["scenario"].str.startswith("no floor")]
    told = []
    for scenario, rows in own.groupby("scenario", sort=False):
        turned = rows[rows["flips"]]
        changes = [
            f"{fmt_list([_named(row) for row in group.itertuples()])} would be {DONE_AS[decision]}"
            for decision, group in turned.groupby("decision", sort=False)
        ]
        without = scenario.replace("no floor", "Without the floor")
        told.append(
            f"{without}, {'; '.join(changes)}." if changes else f"{without}, no decision changes."
        )
    return told


DONE_AS = {"promote": "promoted", "hold": "held", "drop": "dropped"}


def _named(row):
    return f"{row.hybrid} ({fmt_share(row.chance_worthy)}, {DONE_AS[row.base_decision]} now)"


def _flip_tables(frame, choice):
    wide = flip_table(frame)
    hybrids = [c for c in wide.columns if c not in ("question", "scenario", "n_flips")]
    if not hybrids:
        return ()
    counts = _counts(frame).loc[hybrids]
    counts["base_chance"] = choice.within(counts["base_chance"])
    place = {d: i for i, d in enumerate(DECISIONS)}
    hybrids.sort(key=lambda h: (place[counts.at[h, "base_decision"]], -counts.at[h, "base_chance"]))
    return _count_table(counts.loc[hybrids], len(wide)), _way_table(
        wide, hybrids, counts["base_decision"]
    )


def _count_table(counts, n):
    columns = {
        "hybrid": Column("Hybrid"),
        "base_decision": Column("As set"),
        "base_chance": Column("Worth it", kind="share", meaning="Probability, as set."),
        **{
            d: Column(d.capitalize(), kind="count", meaning=f"Of {n} other ways of deciding.")
            for d in DECISIONS
        },
    }
    return table(
        counts.rename_axis("hybrid").reset_index(),
        label="firmness",
        columns=columns,
        caption=f"Hybrids whose decision changes in any of {n_of(n, 'other way', 'other ways')} of "
        "deciding: in how "
        "many of them they are promoted, held and dropped.",
    )


def _way_table(wide, hybrids, now):
    who = [
        "; ".join(f"{h}: {now[h]} → {row[h]}" for h in hybrids if row[h])
        for _, row in wide.iterrows()
    ]
    columns = {"scenario": Column("Other way of deciding"), "who": Column("Whose decision changes")}
    return table(
        wide.assign(who=[text or "none" for text in who]),
        label="other-ways",
        columns=columns,
        caption="Other ways of deciding, one thing changed at a time, and whose decision changes.",
        note="First the decision as set, then that under the other way. Not counted are changes that "
        "would save less "
        f"than {fmt_share(TIE)} of the lesser cost of a wrong decision.",
    )
