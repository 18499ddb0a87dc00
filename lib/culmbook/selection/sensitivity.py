"""Would another setting have led to another decision? Decisions under other weights, floors and models.

A decision rests on choices that are not data: the margin over the control, the places in the next stage, what
errors cost, floors, weights, and which model of yield is believed. Each is changed by itself, everything else
as it was set, and hybrids whose decision changes are named.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import pandas as pd

from culmbook.selection.floors import passing, value_words
from culmbook.selection.index import index_gains
from culmbook.sheets.trait_kinds import KINDS
from culmbook.text.numbers import fmt_list, fmt_share
from culmbook.text.words import is_are, n_of

STEPS = {"yield_t_ha": 1.0, "stand": 0.05, "lt50_c": 0.5, "moisture_pct": 2.0}
"""By how much a floor is made stricter and looser, in the trait's unit (a choice, no source)."""
MARGIN, PLACES, COSTS, FLOORS, WEIGHTS, MODEL = (
    "margin",
    "places",
    "costs",
    "floors",
    "weights",
    "model",
)


@dataclass(frozen=True)
class Scenario:
    """One way of deciding.

    ``name`` says what is changed, ``question`` which kind of choice that is; ``gains`` and ``eligible`` are
    draws × candidates as :func:`culmbook.selection.decide.decide` takes them, ``k, delta, costs`` its settings.
    """

    name: str
    question: str
    gains: pd.DataFrame = field(repr=False)
    eligible: pd.DataFrame | None = field(repr=False)
    k: int
    delta: float
    costs: object


def margin_scenarios(base: Scenario, deltas=None) -> list[Scenario]:
    """Other margins over the control: none, half and double, or those given (shares)."""
    deltas = (0.0, base.delta / 2, 2 * base.delta) if deltas is None else deltas
    return [
        replace(
            base, name=f"margin {fmt_share(delta, _digits(delta))}", question=MARGIN, delta=delta
        )
        for delta in dict.fromkeys(deltas)
        if delta != base.delta
    ]


def _digits(share):
    return 0 if abs(100 * share - round(100 * share)) < 1e-9 else 1


def place_scenarios(base: Scenario, places=None) -> list[Scenario]:
    """Other numbers of places: half and double, or those given."""
    places = (max(base.k // 2, 1), 2 * base.k) if places is None else places
    return [
        replace(base, name=n_of(k, "place"), question=PLACES, k=k)
        for k in dict.fromkeys(places)
        if k != base.k
    ]


def cost_scenarios(base: Scenario, factor: float = 2.0) -> list[Scenario]:
    """Each cost multiplied and divided by a factor over 1; a cost of 0 stays."""
    words = {
        "wrong_promote": "a wrong promotion",
        "wrong_drop": "a wrong drop",
        "hold": "one more season",
    }
    made = []
    for key, label in words.items():
        own = getattr(base.costs, key)
        for times, value in zip(_times(factor), (own * factor, own / factor)):
            if own > 0:
                costs = replace(base.costs, **{key: value})
                made.append(
                    replace(base, name=f"{times} the cost of {label}", question=COSTS, costs=costs)
                )
    return made


def _times(factor):
    """How many times, and what part of it, in words."""
    return ("twice", "half") if factor == 2 else (f"{factor:g} times", f"1/{factor:g} of")


def floor_scenarios(base: Scenario, traits: dict, floors: dict, steps=None) -> list[Scenario]:
    """Each floor taken off, and made stricter and looser by a step.

    Parameters
    ----------
    base : Scenario
    traits : dict of str to Trait
    floors : dict of str to float
        Those of the base, from :func:`culmbook.selection.floors.applied_floors`.
    steps : dict of str to float, optional
        By trait, over 0; :data:`STEPS` by default.

    Returns
    -------
    list of Scenario
        Hybrids that are not known in a trait pass its floor here: what is decided of them has to go through
        :func:`culmbook.selection.floors.hold_untested`.
    """
    steps, made = STEPS | (steps or {}), []
    for name, value in floors.items():
        kind, others = KINDS[name], {other: floors[other] for other in floors if other != name}
        stricter = steps[name] if kind.better == "higher" else -steps[name]
        made.append(_with_floors(base, f"no floor on {kind.word}", traits, others))
        for moved in (value + stricter, value - stricter):
            if kind.low <= moved <= kind.high:
                words = f"{kind.word} {kind.bound} {value_words(name, moved)}"
                made.append(_with_floors(base, words, traits, others | {name: moved}))
    return made


def _with_floors(base, name, traits, floors):
    return replace(base, name=name, question=FLOORS, eligible=_eligible(traits, floors, base.gains))


def _eligible(traits, floors, gains):
    return passing(traits, floors, gains.columns, len(gains), unknown=True) if floors else None


def weight_scenarios(
    base: Scenario, traits: dict, weights: dict, control: str, factor: float = 2.0
) -> list[Scenario]:
    """Yield alone, and each other weight multiplied and divided by a factor.

    Parameters
    ----------
    base : Scenario
        Its gains are :func:`culmbook.selection.index.index_gains` by the weights.
    traits : dict of str to Trait
    weights : dict of str to float
    control : str
    factor : float
        Over 1.

    Returns
    -------
    list of Scenario
        None without a weight beside that of yield.
    """
    others = {name: a for name, a in weights.items() if name != "yield_t_ha" and a != 0}
    if not others:
        return []
    tried = {"yield alone": {"yield_t_ha": weights["yield_t_ha"]}}
    for name, a in others.items():
        for times, value in zip(_times(factor), (a * factor, a / factor)):
            tried[f"{times} the weight of {KINDS[name].word}"] = weights | {name: value}
    return [
        replace(
            base,
            name=words,
            question=WEIGHTS,
            gains=index_gains(traits, own, control)[list(base.gains.columns)],
        )
        for words, own in tried.items()
    ]


def model_scenarios(base: Scenario, gains: dict, traits: dict, floors: dict) -> list[Scenario]:
    """Other models of yield.

    Parameters
    ----------
    base : Scenario
    gains : dict of str to DataFrame
        By what the model is called in a sentence: draws × candidates.
    traits, floors
        As in :func:`floor_scenarios`.

    Returns
    -------
    list of Scenario
        Of the candidates that the base and the model both have; unknown traits as in :func:`floor_scenarios`.
    """
    made = []
    for words, own in gains.items():
        own = own[[h for h in base.gains.columns if h in own]]
        eligible = _eligible(traits, floors, own)
        made.append(replace(base, name=words, question=MODEL, gains=own, eligible=eligible))
    return made


def sensitivity(
    base: Scenario, scenarios, decide: Callable, more: Callable | None = None
) -> pd.DataFrame:
    """Decide under every scenario and compare with the decisions as set.

    Parameters
    ----------
    base : Scenario
    scenarios : sequence of Scenario
    decide : callable
        :func:`culmbook.selection.decide.decide`.
    more : callable, optional
        Of a scenario: what one more season would bring, as ``decide`` takes it. Without it holding is not
        weighed in any scenario, the base included.

    Returns
    -------
    DataFrame
        ``question, scenario, hybrid, decision, chance_worthy, base_decision, base_chance, flips`` (is the
        decision another one?); one row per scenario and hybrid, scenarios in their order.

    Raises
    ------
    ValueError
        Two scenarios of one name, or as ``decide``.
    """
    names = [scenario.name for scenario in scenarios]
    if twice := sorted({name for name in names if names.count(name) > 1}):
        raise ValueError(f"several scenarios are called {fmt_list(twice)}")
    first = _decided(base, decide, more)
    parts = []
    for scenario in scenarios:
        own = _decided(scenario, decide, more)
        own = own.assign(
            question=scenario.question,
            scenario=scenario.name,
            base_decision=first["decision"].reindex(own.index),
            base_chance=first["chance_worthy"].reindex(own.index),
        )
        parts.append(own.rename_axis("hybrid").reset_index())
    columns = [
        "question",
        "scenario",
        "hybrid",
        "decision",
        "chance_worthy",
        "base_decision",
        "base_chance",
    ]
    table = pd.concat(parts, ignore_index=True)[columns] if parts else pd.DataFrame(columns=columns)
    return table.assign(flips=table["decision"].ne(table["base_decision"]))


def _decided(scenario, decide, more):
    settings = {"k": scenario.k, "delta": scenario.delta, "costs": scenario.costs}
    told = None if more is None else more(scenario)
    table = decide(scenario.gains, scenario.eligible, **settings, more=told)
    return table.set_index("hybrid")[["decision", "chance_worthy"]]


def flip_table(table: pd.DataFrame) -> pd.DataFrame:
    """Decisions that change, scenarios in rows.

    Parameters
    ----------
    table : DataFrame
        From :func:`sensitivity`.

    Returns
    -------
    DataFrame
        ``question, scenario, n_flips`` and one column per hybrid that changes in any scenario, with its
        decision there; blank where it is as set.
    """
    order = table.drop_duplicates("scenario")[["question", "scenario"]]
    counts = table.groupby("scenario")["flips"].sum()
    out = order.assign(n_flips=order["scenario"].map(counts).astype(int))
    changing = table.loc[table["flips"], "hybrid"]
    for hybrid in sorted(changing.unique()):
        own = table[table["hybrid"].eq(hybrid) & table["flips"]].set_index("scenario")["decision"]
        out[hybrid] = out["scenario"].map(own).fillna("")
    return out.reset_index(drop=True)


def flip_words(table: pd.DataFrame, *, most: int = 6) -> list[str]:
    """Say how many scenarios change a decision, and which hybrids' under what.

    Parameters
    ----------
    table : DataFrame
        From :func:`sensitivity`.
    most : int
        Hybrids that get a sentence of their own, those changing in most scenarios first.

    Returns
    -------
    list of str
    """
    n = table["scenario"].nunique()
    changing = table[table["flips"]]
    if n == 0:
        return ["No other way of deciding was tried."]
    if changing.empty:
        ways = "the one other way" if n == 1 else f"any of {n} other ways"
        return [f"No decision changes with {ways} of deciding."]
    n_changing = changing["scenario"].nunique()
    told = [
        f"Of {n_of(n, 'other way', 'other ways')} of deciding, {n_changing} "
        f"{is_are(n_changing, 'changes', 'change')} a decision; {_firm_words(table)}."
    ]
    often = changing.groupby("hybrid").size().sort_values(ascending=False, kind="stable")
    for hybrid in often.index[:most]:
        own = changing[changing["hybrid"].eq(hybrid)]
        turns = [
            f"{_PAST[decision]} with {fmt_list(list(rows['scenario']), 12)}"
            for decision, rows in own.groupby("decision", sort=False)
        ]
        told.append(f"{hybrid}, {_PAST[own['base_decision'].iloc[0]]} as set: {'; '.join(turns)}.")
    if len(often) > most:
        rest = len(often) - most
        told.append(
            f"{n_of(rest, 'further hybrid')} {is_are(rest, 'changes', 'change')} too: "
            f"{fmt_list(list(often.index[most:]), 12)}."
        )
    return told


_PAST = {"promote": "promoted", "hold": "held", "drop": "dropped"}


def _firm_words(table):
    """Which promotions stand under every scenario."""
    promoted = table[table["base_decision"].eq("promote")]
    if promoted.empty:
        return "no hybrid is promoted as set"
    firm = promoted.groupby("hybrid")["flips"].any()
    names = list(firm.index[~firm])
    if not names:
        return "no promotion stands with all of them"
    return f"promoted with all of them: {fmt_list(names)}"
