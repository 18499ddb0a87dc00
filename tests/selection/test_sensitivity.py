"""Decisions under other settings: against enumeration by hand, and whose decision flips is named."""

import numpy as np
import pandas as pd
import pytest

from culmbook.selection.decide import Costs, decide
from culmbook.selection.index import JointTraits, passing, unknown_traits
from culmbook.selection.sensitivity import (
    Way,
    decider,
    floor_turn_words,
    other_floors,
    other_gains,
    other_rules,
    other_traits,
    other_weights,
    sensitivity,
    sensitivity_words,
)
from culmbook.selection.traits import make_trait
from culmbook.text.refusal import Refusal

N = 10
WEIGHTS = {"yield_t_ha": 100.0, "moisture_pct": -10.0}
FLOORS = {"moisture_pct": 30.0}


def trait(name, **draws):
    frame = pd.DataFrame({h: np.broadcast_to(np.asarray(v, float), N) for h, v in draws.items()})
    return make_trait(name, frame, frame.notna().all() * 6)


@pytest.fixture
def traits():
    # A gives most and is wet, B surely gives 15 % more, C 30 % more in six draws of ten, D nothing
    # more
    return {
        "yield_t_ha": trait("yield_t_ha", STD=10, A=14, B=11.5, C=[13.0] * 6 + [9.0] * 4, D=10.0),
        "moisture_pct": trait("moisture_pct", STD=25, A=31, B=25, C=25, D=20),
    }


@pytest.fixture
def base(traits):
    gains = traits["yield_t_ha"].draws[list("ABCD")] / 10 - 1
    eligible = passing(traits, FLOORS, gains.columns, N)
    return Way("as set", gains, eligible, {"k": 2, "delta": 0.10, "costs": Costs(1, 1, 0.05)})


def once(way):
    return decide(way.gains, way.eligible, **way.rule)


def decided(table, scenario):
    return table[table["scenario"].eq(scenario)].set_index("hybrid")["decision"].to_dict()


def test_base_is_what_enumeration_says(base):
    # two places: B always passes and beats 10 %, C in 6 of 10 draws, A fails the floor, D the
    # margin
    table = once(base).set_index("hybrid")
    assert table["chance_worthy"].to_dict() == pytest.approx({"A": 0, "B": 1, "C": 0.6, "D": 0})
    assert table["decision"].to_dict() == {"A": "drop", "B": "promote", "C": "promote", "D": "drop"}


def test_margin_places_and_costs_flip_as_enumeration_says(base):
    scenarios = other_rules(base)
    assert [s.name for s in scenarios] == [
        "margin 0 %",
        "margin 5 %",
        "margin 20 %",
        "1 place",
        "4 places",
        "twice the cost of a wrong promotion",
        "half the cost of a wrong promotion",
        "twice the cost of a wrong drop",
        "half the cost of a wrong drop",
        "twice the cost of one more season",
        "half the cost of one more season",
    ]
    table = sensitivity(base, scenarios, once)
    # 20 %: B is never worth it; 1 place: C has it in 6 draws, B in 4; D's gain of 0 is not over a
    # margin of 0
    assert decided(table, "margin 20 %") == {"A": "drop", "B": "drop", "C": "promote", "D": "drop"}
    assert decided(table, "1 place") == {"A": "drop", "B": "drop", "C": "promote", "D": "drop"}
    assert decided(table, "margin 0 %") == {
        "A": "drop",
        "B": "promote",
        "C": "promote",
        "D": "drop",
    }
    one_place = table[table["scenario"].eq("1 place")].set_index("hybrid")
    assert one_place.loc[["B", "C"], "chance_worthy"].tolist() == pytest.approx([0.4, 0.6])
    assert one_place.loc[["B", "C"], "base_chance"].tolist() == pytest.approx([1.0, 0.6])
    # C is promoted while wrong_promote 0.4 < wrong_drop 0.6: not with a ratio of two against it
    assert decided(table, "twice the cost of a wrong promotion")["C"] == "drop"
    assert decided(table, "half the cost of a wrong drop")["C"] == "drop"
    flips = table[table["flips"]].groupby("scenario")["hybrid"].agg("".join).to_dict()
    assert flips == {
        "margin 20 %": "B",
        "1 place": "B",
        "twice the cost of a wrong promotion": "C",
        "half the cost of a wrong drop": "C",
    }


def test_each_floor_is_taken_off_made_stricter_and_looser(base, traits):
    scenarios = other_floors(base, traits, FLOORS)
    assert [s.name for s in scenarios] == [
        "no floor on moisture at harvest",
        "moisture at harvest at most 28.0 %",
        "moisture at harvest at most 32.0 %",
    ]
    table = sensitivity(base, scenarios, once)
    # without the floor, or with 32 %, A is in and takes one of two places: C keeps 6 draws, B the
    # other 4
    for name in ("no floor on moisture at harvest", "moisture at harvest at most 32.0 %"):
        assert decided(table, name) == {"A": "promote", "B": "drop", "C": "promote", "D": "drop"}
    assert not table.loc[table["scenario"].str.contains("28"), "flips"].any()
    assert floor_turn_words(table) == [
        "Without the floor on moisture at harvest, A (>99 %, dropped now) would be promoted; B (40 %, promoted "
        "now) would be dropped."
    ]
    with pytest.raises(Refusal, match="No floor is applied"):
        floor_turn_words(sensitivity(base, other_rules(base), once))


def test_hybrid_that_is_not_known_is_held_and_not_dropped(base, traits):
    traits["stand"] = trait("stand", A=0.9, B=0.9, C=np.nan, D=0.9)
    missing = unknown_traits(traits, {"stand": 0.5}, "ABCD")
    scenarios = other_floors(base, traits, {"stand": 0.5})
    table = sensitivity(
        base, scenarios, lambda w: decide(w.gains, w.eligible, **w.rule, untested=missing)
    )
    assert decided(table, "stand at least 55 %")["C"] == "hold"


def test_floor_stays_among_values_that_can_be(base, traits):
    traits["stand"] = trait("stand", A=0.9, B=0.9, C=0.9, D=0.99)
    names = [s.name for s in other_floors(base, traits, {"stand": 0.98})]
    assert names == ["no floor on stand", "stand at least 93 %"]


def test_other_weights_use_the_index(base, traits):
    ways = {s.name: s for s in other_weights(base, traits, WEIGHTS, "STD")}
    assert list(ways) == [
        "by the index instead of yield",
        "twice the weight of moisture at harvest",
        "half the weight of moisture at harvest",
    ]
    # A: 4 t/ha more at 100, 6 points wetter at 20 = 280 of the control's 1000
    twice = ways["twice the weight of moisture at harvest"].gains["A"].iloc[0]
    assert twice == pytest.approx(0.28)
    (alone,) = other_weights(base, traits, {"yield_t_ha": 100.0}, "STD")
    assert alone.gains["A"].iloc[0] == pytest.approx(0.40)
    assert other_weights(base, traits, {"moisture_pct": -10.0}, "STD") == []
    gone = traits | {"moisture_pct": trait("moisture_pct", STD=25, A=31)}
    assert other_weights(base, gone, WEIGHTS, "STD") == []


def test_other_models_may_have_fewer_draws(base, traits):
    other = pd.DataFrame({"A": [0.0] * 4, "D": [0.5] * 4, "B": [0.0] * 4, "C": [0.0] * 4})
    ways = other_gains(base, {"other model": other}, traits, FLOORS)
    table = sensitivity(base, ways, once)
    assert decided(table, "other model") == {"A": "drop", "B": "drop", "C": "drop", "D": "promote"}


def test_traits_drawn_together_are_one_more_way(base, traits):
    joint = JointTraits(traits, True, pd.DataFrame(), "")
    (way,) = other_traits(base, joint, FLOORS, "STD")
    pd.testing.assert_frame_equal(way.gains, base.gains)
    assert other_traits(base, JointTraits(traits, False, pd.DataFrame(), ""), FLOORS, "STD") == []


def test_near_ties_stay_as_they_are_and_every_way_is_told_what_more_data_bring(base, monkeypatch):
    asked = []

    def more(seasons, drawn, control, eligible, *, gains, among, spread, **rule):
        asked.append((gains is None, rule["delta"]))
        table = pd.DataFrame({"loss_after": 0.0, "chance_flips": 0.5}, index=list("ABCD"))
        return table.assign(loss_after=[0.0, 0.0, 0.345, 0.0])

    monkeypatch.setattr("culmbook.selection.sensitivity.hold_table", more)
    now = once(base)
    again = decider(None, None, "STD", base, now)
    # holding C would lose 0.395 instead of 0.40: less than 2 % of a wrong decision
    table = sensitivity(base, other_rules(base)[:3], again)
    assert decided(table, "margin 0 %")["C"] == "promote"
    assert asked == [(True, 0.1), (True, 0.0), (True, 0.05), (True, 0.2)]


def test_words_name_which_promotions_stand(base):
    table = sensitivity(base, other_rules(base), once)
    assert sensitivity_words(table) == (
        "Of 11 other ways of deciding, 4 change a decision; no promotion stands with all of them. Still "
        "promoted in so many of the 11: B (9) and C (9)."
    )
    firm = sensitivity(base, other_rules(base)[:2], once)
    assert sensitivity_words(firm) == "No decision changes with any of 2 other ways of deciding."
    one = [way for way in other_rules(base) if way.name == "1 place"]
    assert sensitivity_words(sensitivity(base, one, once)).startswith(
        "Of 1 other way of deciding, 1 changes a decision; promoted with all of them: C."
    )
    assert sensitivity_words(sensitivity(base, [], once)) == "No other way of deciding was tried."
    with pytest.raises(ValueError, match="several ways of deciding are called 1 place"):
        sensitivity(base, one * 2, once)
