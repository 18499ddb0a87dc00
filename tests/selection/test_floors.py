"""Floors: which way they hold, what passes how probably, and that nothing unknown passes in
silence.
"""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from culmbook.selection.index import (
    applied_floors,
    floor_table,
    floor_words,
    passed_words,
    passing,
    unknown_traits,
)
from culmbook.selection.traits import make_trait, unknown_trait

N = 4_000


def trait(name, **draws):
    frame = pd.DataFrame({h: np.broadcast_to(v, N) for h, v in draws.items()})
    return make_trait(name, frame, frame.notna().all().astype(int) * 12)


@pytest.fixture
def traits():
    spread = stats.norm.ppf((np.arange(N) + 0.5) / N)
    return {
        "stand": trait("stand", A=0.8 + 0.05 * spread, B=0.5, C=np.nan),
        "lt50_c": trait("lt50_c", A=-4.0, B=-2.0 + 0.5 * spread[::-1], C=-5.0),
        "moisture_pct": trait("moisture_pct", A=30.0, B=20.0, C=40.0),
    }


def test_probability_of_passing_is_that_of_the_normal_distribution(traits):
    # the draws are the quantiles of normal distributions, whose tail the table must give
    table = floor_table(traits, {"stand": 0.75, "lt50_c": -2.5}, "ABC", N).set_index("hybrid")
    assert table.loc["A", "p_stand"] == pytest.approx(stats.norm.cdf(1), abs=1 / N)
    assert table.loc["B", "p_lt50_c"] == pytest.approx(stats.norm.cdf(-1), abs=1 / N)
    assert table.loc["A", "p_all"] == table.loc["A", "p_stand"] and table.loc["B", "p_all"] == 0
    assert table["fails_on"].tolist() == ["", "stand", ""]


def test_each_floor_holds_its_own_way(traits):
    # stand at least, LT50 and moisture at most: at the value itself a hybrid passes
    met = [
        passing(traits, {name: value}, ["A"], N)["A"].all()
        for name, value in [
            ("lt50_c", -4),
            ("lt50_c", -3.9),
            ("lt50_c", -4.1),
            ("moisture_pct", 30),
            ("moisture_pct", 29),
        ]
    ]
    assert met == [True, True, False, True, False]
    assert passing(traits, {"stand": 0.5}, ["B"], N)["B"].all()
    assert passing(traits, {}, ["A", "B"], 7) is None


def test_floors_are_joint_over_traits_not_products(traits):
    # B's stand and LT50 are made to be good in opposite draws: both are passed less often than the
    # product
    spread = stats.norm.ppf((np.arange(N) + 0.5) / N)
    traits["stand"] = trait("stand", B=0.5 + 0.1 * spread)
    both = passing(traits, {"stand": 0.5, "lt50_c": -2.0}, ["B"], N).mean()["B"]
    assert both == pytest.approx(0.5, abs=2 / N)
    traits["stand"] = trait("stand", B=0.5 - 0.1 * spread)
    neither = passing(traits, {"stand": 0.5, "lt50_c": -2.0}, ["B"], N).mean()["B"]
    assert neither == pytest.approx(0, abs=2 / N)


def test_unknown_hybrid_is_never_passed_in_silence(traits):
    floors = {"stand": 0.6, "lt50_c": -2.5}
    assert unknown_traits(traits, floors, "ABC") == {"C": ["stand"]}
    assert not passing(traits, floors, "ABC", N)["C"].any()
    assert passing(traits, floors, "ABC", N, unknown=True)["C"].all()
    row = floor_table(traits, floors, "ABC", N).set_index("hybrid").loc["C"]
    assert np.isnan(row["p_stand"]) and np.isnan(row["p_all"]) and row["p_lt50_c"] == 1
    # a hybrid that surely fails another floor is out, whatever the unknown trait
    table = floor_table(traits, floors | {"moisture_pct": 30}, "ABC", N).set_index("hybrid")
    assert table.loc["C", "p_all"] == 0


def test_words_name_who_fails_on_what(traits):
    floors = {"stand": 0.75, "lt50_c": -2.5}
    assert passed_words(floor_table(traits, floors, "AB", N), floors) == (
        "Floors: stand at least 75 % and LT50 at most −2.5 °C. 1 of 2 candidates are more likely to fail than to "
        "pass, least sure on stand (B)."
    )
    low = {"stand": 0.1}
    assert "None of 2 candidates" in passed_words(floor_table(traits, low, "AB", N), low)
    assert passed_words(floor_table(traits, {}, "AB", N), {}).startswith("No floor on another")


def test_floor_on_a_trait_nobody_was_tested_for_is_set_aside_in_words(traits):
    traits["lt50_c"] = unknown_trait("lt50_c", "ABC", N, "No freeze test came in.")
    judged, words = applied_floors(traits, {"stand": 0.6, "lt50_c": -2.5})
    assert judged == {"stand": 0.6}
    assert words == [
        "The floor on LT50 (at most −2.5 °C) could not be applied to any hybrid: "
        "No freeze test came in."
    ]
    with pytest.raises(ValueError, match="cannot be judged"):
        passing(traits, {"lt50_c": -2.5}, "ABC", N)


def test_unknown_trait_is_refused_with_what_is_known(traits):
    assert floor_words({"lt50_c": -3.0}) == "LT50 at most −3.0 °C"
    with pytest.raises(ValueError, match="did you mean lt50_c.*|stand, lt50_c") as found:
        applied_floors(traits, {"lt50": -3})
    assert "yield_t_ha, stand, lt50_c and moisture_pct" in str(found.value)


def test_fewer_draws_of_a_trait_are_used_again(traits):
    short = make_trait("stand", pd.DataFrame({"A": [0.9, 0.1]}), pd.Series({"A": 3}))
    met = passing({"stand": short}, {"stand": 0.5}, ["A"], 5)["A"]
    assert met.tolist() == [True, False, True, False, True]
