"""Would another setting have led to another decision? Decisions under other weights, floors and
models.

A decision rests on choices that are not data: the margin over the control, the places in the next
stage, what errors cost, floors, weights, and which model of yield is believed. Each is changed by
itself, everything else as it was set, and hybrids whose decision changes are named.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from culmbook.selection.decide import PROMOTE, decide
from culmbook.selection.floors import passing, value_words
from culmbook.selection.index import index_gains
from culmbook.selection.more_data import hold_table, remembered_spreads
from culmbook.selection.words import DONE, fmt_chance
from culmbook.sheets.trait_kinds import KINDS
from culmbook.text.numbers import fmt_list, fmt_share
from culmbook.text.refusal import Refusal
from culmbook.text.words import is_are, joined, n_of

# By how much a floor is made stricter and looser, in the trait's unit (a choice, no source).
STEPS = {"yield_t_ha": 1.0, "stand": 0.05, "lt50_c": 0.5, "moisture_pct": 2.0}
# Saving, as a share of the lesser cost of a wrong decision, under which a change is not counted.
TIE = 0.02


@dataclass(frozen=True)
class Way:
    """One way of deciding.

    ``name`` says what is changed; ``gains`` and ``eligible`` are draws × candidates and ``rule`` is
    ``k, delta, costs``, as :func:`culmbook.selection.decide.decide` takes them.
    """

    name: str
    gains: pd.DataFrame = field(repr=False)
    eligible: pd.DataFrame | None = field(repr=False)
    rule: dict


def other_rules(base: Way, factor: float = 2.0) -> list[Way]:
    """Other margins (none, half and double), places (half and double) and costs (each changed by a
    factor).

    Parameters
    ----------
    base : Way
    factor : float
        Over 1. A cost of 0 stays.
    """
    k, delta, costs = (base.rule[name] for name in ("k", "delta", "costs"))
    rules = {}
    for margin in dict.fromkeys((0.0, delta / 2, 2 * delta)):
        digits = 0 if abs(100 * margin - round(100 * margin)) < 1e-9 else 1
        rules[f"margin {fmt_share(margin, digits)}"] = {"delta": margin}
    for places in (max(k // 2, 1), 2 * k):
        rules[n_of(places, "place")] = {"k": places}
    kinds = {
        "wrong_promote": "a wrong promotion",
        "wrong_drop": "a wrong drop",
        "hold": "one more season",
    }
    for key, label in kinds.items():
        for times, value in _times(getattr(costs, key), factor):
            changed = replace(costs, **{key: value}) if value > 0 else costs
            rules[f"{times} the cost of {label}"] = {"costs": changed}
    made = {name: base.rule | rule for name, rule in rules.items()}
    most = len(base.gains.columns)
    return [
        replace(base, name=name, rule=rule)
        for name, rule in made.items()
        if rule != base.rule and rule["k"] <= most
    ]


def _times(value, factor):
    """A value multiplied and divided by a factor, and how that is called."""
    twice, half = ("twice", "half") if factor == 2 else (f"{factor:g} times", f"1/{factor:g} of")
    return (twice, value * factor), (half, value / factor)


def other_floors(base: Way, traits: dict, floors: dict) -> list[Way]:
    """Each floor taken off, and made stricter and looser by a step of :data:`STEPS`.

    Parameters
    ----------
    base : Way
    traits : dict of str to Trait
    floors : dict of str to float
        Those of the base, from :func:`culmbook.selection.floors.applied_floors`.

    Returns
    -------
    list of Way
        Hybrids that are not known in a trait pass its floor here, as in the base.
    """
    made = []
    for name, value in floors.items():
        kind, others = KINDS[name], {other: floors[other] for other in floors if other != name}
        stricter = STEPS[name] if kind.better == "higher" else -STEPS[name]
        tried = {f"no floor on {kind.word}": others}
        for moved in (value + stricter, value - stricter):
            if kind.low <= moved <= kind.high:
                words = f"{kind.word} {kind.bound} {value_words(name, moved)}"
                tried[words] = others | {name: moved}
        for words, own in tried.items():
            passes = passing(traits, own, base.gains.columns, len(base.gains), unknown=True)
            made.append(replace(base, name=words, eligible=passes))
    return made


def other_gains(base: Way, gains: dict, traits: dict, floors: dict) -> list[Way]:
    """Other models of yield, or an index in its place.

    Parameters
    ----------
    base : Way
    gains : dict of str to DataFrame
        By what it is called in a sentence: draws × candidates, those of the base among them.
    traits, floors
        As in :func:`other_floors`.
    """
    made = []
    for name, own in gains.items():
        own = own[list(base.gains.columns)]
        passes = passing(traits, floors, own.columns, len(own), unknown=True)
        made.append(replace(base, name=name, gains=own, eligible=passes))
    return made


def other_traits(base: Way, joint, floors: dict, control: str) -> list[Way]:
    """Yield and the traits with a floor drawn together; nothing where they were not.

    Parameters
    ----------
    base : Way
    joint : JointTraits
        From :func:`culmbook.selection.index.joint_traits`.
    floors : dict of str to float
    control : str
    """
    if not joint.is_joint:
        return []
    gains = index_gains(joint.traits, {"yield_t_ha": 1.0}, control)
    return other_gains(base, {"traits drawn together with yield": gains}, joint.traits, floors)


def other_weights(base: Way, traits: dict, weights: dict, control: str) -> list[Way]:
    """The index by the weights in the place of yield, and each weight but that of yield doubled
    and halved.

    Parameters
    ----------
    base : Way
    traits : dict of str to Trait
        As they go into the index.
    weights : dict of str to float
    control : str

    Returns
    -------
    list of Way
        None without a weight on yield, or where a candidate is not known in a trait with a weight.
    """
    if weights.get("yield_t_ha", 0) <= 0:
        return []
    tried = {"by the index instead of yield": weights}
    for name, a in weights.items():
        for times, value in _times(a, 2.0) if name != "yield_t_ha" and a != 0 else ():
            tried[f"{times} the weight of {KINDS[name].word}"] = weights | {name: value}
    hybrids = list(base.gains.columns)
    gains = {name: index_gains(traits, own, control)[hybrids] for name, own in tried.items()}
    if next(iter(gains.values())).isna().any(axis=None):
        return []
    return [replace(base, name=name, gains=own) for name, own in gains.items()]


def stage_gains(two, gains: pd.DataFrame, control: str) -> pd.DataFrame:
    """Gains over the control by means of sites put together in a second stage, drawn as the gains
    given.

    Parameters
    ----------
    two : TwoStageFit
        From :func:`culmbook.sites.two_stage.fit_two_stage`.
    gains : DataFrame
        Draws × candidates.
    control : str
    """
    names = [control, *gains.columns]
    rng, covariance = np.random.default_rng(1), two.covariance.loc[names, names]
    draws = rng.multivariate_normal(two.values[names], covariance, len(gains), method="eigh")
    return pd.DataFrame(np.expm1(draws[:, 1:] - draws[:, :1]), columns=names[1:])


def decider(seasons, drawn, control: str, base: Way, decided: pd.DataFrame, **more) -> Callable:
    """How every way is decided: with what one more season would bring, near ties left as they are.

    What waiting is worth is simulated, so a hybrid between two decisions would otherwise turn by
    chance: a change that would save less than :data:`TIE` of the lesser cost of a wrong decision is
    not made.

    Parameters
    ----------
    seasons, drawn : SeasonsFit, SeasonDraws
    control : str
    base : Way
        As it was decided.
    decided : DataFrame
        From :func:`culmbook.selection.decide.decide` for the base.
    **more
        Further ones of :func:`culmbook.selection.decide.decide`: ``untested``.

    Returns
    -------
    callable
        Of a way, for :func:`sensitivity`.
    """
    spread, now = remembered_spreads(seasons, drawn), decided.set_index("hybrid")["decision"]
    among = list(base.gains.columns)

    def decide_again(way):
        own = None if way.gains is base.gains else way.gains
        known = {"gains": own, "among": among, "spread": spread, **way.rule}
        told = hold_table(seasons, drawn, control, way.eligible, **known)
        table = decide(way.gains, way.eligible, **way.rule, more=told, **more)
        costs = [way.rule["costs"].wrong_promote, way.rule["costs"].wrong_drop]
        least = TIE * min(cost for cost in costs if cost > 0)
        for i, row in table.iterrows():
            losses = [row.get(f"loss_{d}", np.nan) for d in (now[row["hybrid"]], row["decision"])]
            stays = losses[0] - losses[1] < least
            if stays and not row["is_capped"]:
                table.loc[i, "decision"] = now[row["hybrid"]]
        return table

    return decide_again


def sensitivity(base: Way, ways, decide: Callable) -> pd.DataFrame:
    """Decide in every way and compare with the decisions as set.

    Parameters
    ----------
    base : Way
    ways : sequence of Way
    decide : callable
        Of a way: its decisions, as :func:`culmbook.selection.decide.decide` gives them; from
        :func:`decider`.

    Returns
    -------
    DataFrame
        ``scenario, hybrid, decision, chance_worthy, base_decision, base_chance, flips`` (is the
        decision another one?); one row per way and hybrid, ways in their order.

    Raises
    ------
    ValueError
        Two ways of one name, or as ``decide``.
    """
    names = [way.name for way in ways]
    if twice := sorted({name for name in names if names.count(name) > 1}):
        raise ValueError(f"several ways of deciding are called {fmt_list(twice)}")
    columns = ["scenario", "hybrid", "decision", "chance_worthy", "base_decision", "base_chance"]
    wanted = ["hybrid", "decision", "chance_worthy"]
    first = decide(base)[wanted].set_index("hybrid").add_prefix("base_")
    first = first.rename(columns={"base_chance_worthy": "base_chance"})
    parts = [decide(way)[wanted].assign(scenario=way.name).join(first, on="hybrid") for way in ways]
    table = pd.concat(parts, ignore_index=True)[columns] if parts else pd.DataFrame(columns=columns)
    return table.assign(flips=table["decision"].ne(table["base_decision"]))


def sensitivity_words(table: pd.DataFrame) -> str:
    """Say how many ways change a decision, which promotions stand, and who else would be promoted.

    Parameters
    ----------
    table : DataFrame
        From :func:`sensitivity`.
    """
    n, changing = table["scenario"].nunique(), table[table["flips"]]
    if n == 0:
        return "No other way of deciding was tried."
    if changing.empty:
        ways = "the one other way" if n == 1 else f"any of {n} other ways"
        return f"No decision changes with {ways} of deciding."
    promoted = table.assign(is_promoted=table["decision"].eq(PROMOTE)).groupby("hybrid")
    promoted = promoted.agg(base=("base_decision", "first"), times=("is_promoted", "sum"))
    now, often = promoted["base"].eq(PROMOTE), promoted["times"]
    often = often.sort_values(ascending=False, kind="stable")
    firm = promoted.index[now & promoted["times"].eq(n)]
    stands = "no promotion stands with all of them" if now.any() else "no hybrid is promoted as set"
    if len(firm):
        stands = f"promoted with all of them: {fmt_list(list(firm))}"

    def named(hybrids):
        return fmt_list([f"{h} ({promoted.at[h, 'times']})" for h in hybrids])

    stay = named(promoted.index[now & promoted["times"].lt(n)])
    also = named([h for h in often.index if not now[h] and often[h] > 0])
    k = changing["scenario"].nunique()
    return joined(
        f"Of {n_of(n, 'other way', 'other ways')} of deciding, {k} {is_are(k, 'changes', 'change')} a "
        f"decision; {stands}.",
        f"Still promoted in so many of the {n}: {stay}." if stay else "",
        f"Not promoted now, but in some of the {n}: {also}." if also else "",
    )


def floor_turn_words(table: pd.DataFrame) -> list[str]:
    """What becomes of the decisions without each floor.

    Raises
    ------
    Refusal
        No floor is applied.
    """
    told, own = [], table[table["scenario"].str.startswith("no floor")]
    if own.empty:
        raise Refusal("No floor is applied, so none can be taken off.")
    for way, rows in own.groupby("scenario", sort=False):
        changes = []
        for decision, own in rows[rows["flips"]].groupby("decision", sort=False):
            named = [
                f"{row.hybrid} ({fmt_chance(row.chance_worthy)}, {DONE[row.base_decision]} now)"
                for row in own.itertuples()
            ]
            changes.append(f"{fmt_list(named)} would be {DONE[decision]}")
        without = way.replace("no floor", "Without the floor")
        told.append(f"{without}, {'; '.join(changes) or 'no decision changes'}.")
    return told
