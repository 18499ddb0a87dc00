"""Decisions under other settings: against enumeration by hand, and whose decision flips is named."""

import numpy as np
import pandas as pd
import pytest

from culmbook.selection.decide import Costs, decide
from culmbook.selection.floors import hold_untested, passing, unknown_traits
from culmbook.selection.sensitivity import (
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
from culmbook.selection.traits import make_trait

N = 10
WEIGHTS = {"yield_t_ha": 100.0, "moisture_pct": -10.0}
FLOORS = {"moisture_pct": 30.0}


def trait(name, **draws):
    frame = pd.DataFrame({h: np.broadcast_to(np.asarray(v, float), N) for h, v in draws.items()})
    return make_trait(name, frame, frame.notna().all() * 6)


@pytest.fixture
def traits():
    # A gives most and is wet, B surely gives 15 % more, C 30 % more in six draws of ten, D nothing more
    return {
        "yield_t_ha": trait("yield_t_ha", STD=10, A=14, B=11.5, C=[13.0] * 6 + [9.0] * 4, D=10.0),
        "moisture_pct": trait("moisture_pct", STD=25, A=31, B=25, C=25, D=20),
    }


@pytest.fixture
def base(traits):
    gains = traits["yield_t_ha"].draws[list("ABCD")] / 10 - 1
    eligible = passing(traits, FLOORS, gains.columns, N)
    return Scenario("as set", "", gains, eligible, 2, 0.10, Costs(1, 1, 0.05))


def decided(table, scenario):
    return table[table["scenario"].eq(scenario)].set_index("hybrid")["decision"].to_dict()


def test_base_is_what_enumeration_says(base):
    # two places: B always passes and beats 10 %, C in 6 of 10 draws, A fails the floor, D the margin
    table = decide(base.gains, base.eligible, k=2, delta=0.1, costs=base.costs).set_index("hybrid")
    assert table["chance_worthy"].to_dict() == pytest.approx({"A": 0, "B": 1, "C": 0.6, "D": 0})
    assert table["decision"].to_dict() == {"A": "drop", "B": "promote", "C": "promote", "D": "drop"}


def test_margin_places_and_costs_flip_as_enumeration_says(base):
    scenarios = margin_scenarios(base) + place_scenarios(base) + cost_scenarios(base)
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
    table = sensitivity(base, scenarios, decide)
    # 20 %: B is never worth it; 1 place: C has it in 6 draws, B in 4; D's gain of 0 is not over a margin of 0
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
    scenarios = floor_scenarios(base, traits, FLOORS)
    assert [s.name for s in scenarios] == [
        "no floor on moisture at harvest",
        "moisture at harvest at most 28.0 %",
        "moisture at harvest at most 32.0 %",
    ]
    table = sensitivity(base, scenarios, decide)
    # without the floor, or with 32 %, A is in and takes one of two places: C keeps 6 draws, B the other 4
    for name in ("no floor on moisture at harvest", "moisture at harvest at most 32.0 %"):
        assert decided(table, name) == {"A": "promote", "B": "drop", "C": "promote", "D": "drop"}
    assert not table.loc[table["scenario"].str.contains("28"), "flips"].any()
    wide = flip_table(table)
    assert list(wide.columns) == ["question", "scenario", "n_flips", "A", "B"]
    assert wide["n_flips"].tolist() == [2, 0, 2] and wide["A"].tolist() == [
        "promote",
        "",
        "promote",
    ]


def test_hybrid_that_is_not_known_is_held_and_not_dropped(base, traits):
    traits["stand"] = trait("stand", A=0.9, B=0.9, C=np.nan, D=0.9)
    missing = unknown_traits(traits, {"stand": 0.5}, "ABCD")
    scenarios = floor_scenarios(base, traits, {"stand": 0.5})
    table = sensitivity(
        base, scenarios, lambda *own, **rules: hold_untested(decide(*own, **rules), missing)
    )
    assert decided(table, "stand at least 55 %")["C"] == "hold"


def test_floor_stays_among_values_that_can_be(base, traits):
    traits["stand"] = trait("stand", A=0.9, B=0.9, C=0.9, D=0.99)
    names = [s.name for s in floor_scenarios(base, traits, {"stand": 0.98})]
    assert names == ["no floor on stand", "stand at least 93 %"]


def test_other_weights_use_the_index(base, traits):
    scenarios = {s.name: s for s in weight_scenarios(base, traits, WEIGHTS, "STD")}
    assert list(scenarios) == [
        "yield alone",
        "twice the weight of moisture at harvest",
        "half the weight of moisture at harvest",
    ]
    # A: 4 t/ha more at 100, 6 points wetter at 20 = 280 of the control's 1000
    assert scenarios["twice the weight of moisture at harvest"].gains["A"].iloc[0] == pytest.approx(
        0.28
    )
    assert scenarios["yield alone"].gains["A"].iloc[0] == pytest.approx(0.40)
    assert weight_scenarios(base, traits, {"yield_t_ha": 100.0}, "STD") == []


def test_other_models_may_have_fewer_draws_and_hybrids(base, traits):
    other = pd.DataFrame({"D": [0.5] * 4, "B": [0.0] * 4})
    (scenario,) = model_scenarios(base, {"other model": other}, traits, FLOORS)
    table = sensitivity(base, [scenario], decide)
    assert decided(table, "other model") == {"B": "drop", "D": "promote"}
    assert table["flips"].all() and table["question"].eq("model").all()


def test_more_data_are_asked_for_each_scenario(base):
    asked = []

    def more(scenario):
        asked.append(scenario.name)
        return pd.DataFrame({"loss_after": 0.0, "chance_flips": 0.5}, index=scenario.gains.columns)

    table = sensitivity(base, margin_scenarios(base, [0.2]), decide, more)
    assert asked == ["as set", "margin 20 %"]
    assert table.set_index("hybrid").loc["C", ["base_decision", "decision"]].tolist() == [
        "hold",
        "hold",
    ]


def test_words_name_whose_decision_flips(base):
    table = sensitivity(base, margin_scenarios(base) + cost_scenarios(base), decide)
    assert flip_words(table) == [
        "Of 9 other ways of deciding, 3 change a decision; no promotion stands with all of them.",
        "C, promoted as set: dropped with twice the cost of a wrong promotion and half the cost of a wrong "
        "drop.",
        "B, promoted as set: dropped with margin 20 %.",
    ]
    firm = sensitivity(base, margin_scenarios(base, [0.0, 0.05]), decide)
    assert flip_words(firm) == ["No decision changes with any of 2 other ways of deciding."]
    one = sensitivity(base, place_scenarios(base, [1]), decide)
    assert flip_words(one)[0] == (
        "Of 1 other way of deciding, 1 changes a decision; promoted with all of them: C."
    )
    assert flip_words(sensitivity(base, [], decide)) == ["No other way of deciding was tried."]
    with pytest.raises(ValueError, match="several scenarios are called margin 20 %"):
        sensitivity(base, margin_scenarios(base, [0.2]) * 2, decide)
