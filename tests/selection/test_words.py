"""What is said of decisions: reasons, what would change them, and what next season must settle."""

import numpy as np
import pandas as pd

from culmbook.selection.decide import Costs, decide
from culmbook.selection.words import (
    NO_CHANGE,
    decision_words,
    fmt_chance,
    loss_words,
    next_season_words,
    rule_words,
    top_words,
    with_reasons,
)

COSTS = Costs(wrong_promote=1.0, wrong_drop=1.0, hold=0.1)


def draws(**shares):
    """Twenty draws in which a hybrid is far over the control in the given share, else under it."""
    return pd.DataFrame({h: np.where(np.arange(20) < 20 * p, 0.5, -0.5) for h, p in shares.items()})


def after(**losses):
    return pd.DataFrame({"loss_after": losses, "chance_flips": dict.fromkeys(losses, 0.25)})


def told(gains, passes=None, chances=None, costs=COSTS, k=1, **more):
    """Reasons by hybrid; ``chances`` of passing each floor are those of every hybrid."""
    rule = {"k": k, "delta": 0.1, "costs": costs}
    decided = decide(gains, passes, **rule, **more)
    passed = decided[["hybrid"]].assign(**{f"p_{n}": p for n, p in (chances or {}).items()})
    return with_reasons(decided, rule, "C1", passed).set_index("hybrid", drop=False).rename_axis(
        None
    ), rule


def texts(rows, hybrid):
    return rows.loc[hybrid, ["reason", "change", "why"]].tolist()


def test_reasons_name_what_is_lacking():
    gains = pd.DataFrame(
        {"A": [0.9] * 10, "B": [0.5] * 10, "C": [0.4] * 10, "D": [-0.2] * 9 + [0.3]}
    )
    passes = pd.DataFrame(True, gains.index, gains.columns).assign(A=[True] + [False] * 9)
    rows, rule = told(gains, passes, {"stand": 0.1, "lt50_c": 0.95})
    assert texts(rows, "A") == [
        "Fails the stand floor.",
        "Passing the stand floor would promote it.",
        "it passes the floor on stand with a probability of 10 %",
    ]
    assert texts(rows, "B") == [
        "Likely meets all conditions.",
        "Doubt on being the best.",
        "it is worth it with a probability of 90 % (stand floor with 10 %, 10 % over C1 with >99 % and being the "
        "best with 90 %)",
    ]
    assert texts(rows, "C") == [
        "Not the best.",
        NO_CHANGE,
        "it is the best with a probability of <1 %",
    ]
    assert rows.loc["D", "why"] == "it is the best with a probability of <1 %"
    said = top_words(rows, rule, "C1")
    assert said[0].startswith("A has the highest predicted yield, 90 % above C1 (95 % interval")
    assert said[0].endswith("dropped, as it passes the floor on stand with a probability of 10 %.")
    assert said[-1] == "With your costs, promote from a 50 % chance upward."


def test_conditions_that_are_likely_one_by_one_only():
    gains = pd.DataFrame({"A": np.tile([0.5, 0.5, 0.5, 0.5, 0.0], 4)})
    passes = pd.DataFrame({"A": np.repeat([True, True, True, False, False], 4)})
    rows, _ = told(gains, passes, {"stand": 0.6}, Costs(1.5, 1.0))
    assert texts(rows, "A") == [
        "Each condition is likely, all together are not.",
        "Passing the stand floor would promote it.",
        "all conditions together hold with a probability of 50 % only (stand floor with 60 %, 10 % over C1 with "
        "80 % and being the best with 60 %)",
    ]


def test_what_settles_a_hybrid_on_hold():
    rows, rule = told(draws(A=0.45), more=after(A=0.1))
    assert texts(rows, "A") == [
        "Open: 10 % over C1.",
        "Knowing whether it gives more than 10 % above C1.",
        "it gives more than 10 % above C1 with a probability of 45 %",
    ]
    assert rows.loc["A", "next"] == (
        "One more season is expected to lower the loss, in the unit of the costs, from 0.45 to 0.10, and turns the choice between promoting "
        "and dropping with a probability of 25 %."
    )
    assert "A hybrid on hold is expected to lose less still by waiting, at 0.10 a season." in (
        top_words(rows, rule, "C1")
    )


def test_what_would_promote_a_dropped_hybrid():
    near, _ = told(draws(A=0.45))
    assert near.loc["A", "change"] == "A sure 10 % gain over C1 would promote it."
    none, _ = told(draws(A=0.0), more=after(A=0.0))
    assert none.loc["A", "next"] == "One more season would hardly lower the expected loss."
    gains = pd.DataFrame({"A": [0.2] * 10, "B": [0.5] * 10})
    passes = pd.DataFrame({"A": [False] * 10, "B": [True] * 10})
    assert told(gains, passes, {"stand": 0.0})[0].loc["A", "change"] == NO_CHANGE
    both, _ = told(gains.assign(A=0.9), passes, {"stand": 0.1, "lt50_c": 0.2})
    assert both.loc["A", "change"] == "Passing the floors would promote it."
    second = pd.DataFrame({"A": [0.3] * 6 + [0.6] * 4, "B": [0.5] * 10})
    assert told(second)[0].loc["A", "change"] == "A sure place would promote it."


def test_taken_places_and_traits_not_tested():
    gains = pd.DataFrame({"A": [0.9, 0.9, 0.1], "B": [0.2, 0.2, 0.9]})
    rows, _ = told(gains, costs=Costs(1.0, 9.0))
    assert texts(rows, "B") == [
        "Worth it, but the places are taken.",
        "A place that gets free.",
        "the places are taken by hybrids that save more",
    ]
    rows, _ = told(draws(A=1.0), untested={"A": ["lt50_c"]})
    assert texts(rows, "A") == [
        "Not tested: LT50.",
        "A test of LT50.",
        "it was not tested for LT50",
    ]


def test_all_conditions_that_are_open_are_named_the_least_settled_first():
    # 45 % over the margin, 60 % past the floors, second place in all draws
    gains = pd.DataFrame({"A": np.where(np.arange(20) < 9, 0.5, 0.0), "B": [0.9] * 20})
    passes = pd.DataFrame({"A": np.arange(20) % 5 < 3, "B": [True] * 20})
    rows, _ = told(gains, passes, {"stand": 0.6}, k=2)
    assert rows.loc["A", "open"] == (
        "10 % over C1 (probability 45 %) and stand floor (probability 60 %)"
    )
    assert rows.loc["B", "open"].count("probability") == 1


def test_words_name_the_decisions_with_their_probability_and_the_rule():
    more = after(A=0.1, B=0.25, C=0.3, D=0.0)
    rows, rule = told(draws(A=0.9, B=0.6, C=0.3, D=0.0), more=more, k=4)
    assert decision_words(rows, rule, "C1") == (
        "Promote: A (90 %); hold: B (60 %); drop: C (30 %) and D (<1 %). In brackets: probability of being "
        "worth promoting, that is giving more than 10 % above C1 and being among the best 4."
    )
    said = rule_words(rule, "C1", {"stand": 0.6})
    for words in (
        "passes the floors (stand at least 60 %), gives more than 10 % above C1 and is among the true best 4",
        "wrongly costs 1.00",
        "one more season of a hybrid 0.10",
        "at most 4 hybrids are promoted",
    ):
        assert words in said
    single = rule_words(rule | {"k": 1}, "C1", {}, is_waiting=False)
    assert "is the true best." in single and "at most one hybrid is promoted" in single
    assert "one more season" not in single and fmt_chance(0.0) == "<1 %"


def test_next_season_names_who_may_turn_and_what_is_open():
    more = after(A=0.1, B=0.4).assign(saving=[0.3, 0.0], loss_now=[0.4, 0.4], note="")
    rows, rule = told(draws(A=0.6, B=0.1), more=more, k=2)
    assert rows["decision"].to_dict() == {"A": "hold", "B": "drop"}
    assert next_season_words(rows, more, rule) == [
        "After one more season the choice between promoting and dropping may come out the other way for A "
        "(probability 25 %).",
        "Open for A: 10 % over C1 (probability 60 %).",
        "Another season for A costs 0.10 and is expected to take 0.30 off the 0.40 that deciding now would lose.",
    ]
    rows, _ = told(draws(A=0.1), more=more)
    assert "nothing to settle" in next_season_words(rows, more, rule)[0]


def test_what_it_is_too_early_for_is_named_with_what_a_season_more_makes_possible():
    unknown = after(A=np.nan, B=np.nan, C=np.nan).assign(loss_now=0.4, note="one season was cut")
    gains = draws(A=1.0, B=0.6, C=0.0)
    rows, rule = told(gains, more=unknown, k=2)
    assert rows["decision"].to_dict() == {"A": "promote", "B": "too early", "C": "drop"}
    assert texts(rows, "B") == [
        "Too early: one more season tells.",
        "A season more.",
        "its interval (−50 to 50 %) includes the margin and what another season would bring is not known",
    ]
    assert "hold: none; not decided yet, too early: B (60 %); drop:" in decision_words(
        rows, rule, "C1"
    )
    assert top_words(rows, rule, "C1")[-1] == (
        "With your costs, promote from a 50 % chance upward, once another season can be valued."
    )
    assert next_season_words(rows, unknown, rule) == [
        "What another season would bring cannot be valued yet: one season was cut.",
        "Once the same plots have been cut in a second season, it can, and the 1 hybrid that is not decided yet can "
        "be promoted, held or dropped.",
    ]
    assert loss_words(rows, unknown) == [
        "Over the 2 of 3 candidates decided on the expected loss is 0.00.",
        "Holding is not weighed: one season was cut.",
    ]
    assert "too early to decide on a hybrid whose interval includes the margin" in (
        rule_words(rule, "C1", {}, is_waiting=False)
    )


def test_saving_and_cost_of_waiting_are_of_the_same_hybrids():
    # A is promoted, B held because waiting pays, C for want of a test
    more = after(A=0.0, B=0.2, C=0.1).assign(
        saving=[0.05, 0.2, 0.0], loss_now=[0.05, 0.4, 0.1], note=""
    )
    rows, rule = told(draws(A=0.95, B=0.6, C=0.9), more=more, k=3, untested={"C": ["lt50_c"]})
    assert rows["decision"].to_dict() == {"A": "promote", "B": "hold", "C": "hold"}
    said = next_season_words(rows, more, rule)[-1]
    assert said == (
        "Another season for B costs 0.10 and is expected to take 0.20 off the 0.40 that deciding now would lose."
    )
    assert loss_words(rows, more) == [
        "Over all 3 candidates the expected loss is 0.55.",
        "Were none held, it would be 0.55.",
    ]


def test_reason_of_a_hybrid_dropped_is_the_floor_it_fails_and_not_a_test_it_lacks():
    gains = pd.DataFrame({"A": [0.2] * 100, "B": [0.5] * 100})
    passes = pd.DataFrame({"A": [True] + [False] * 99, "B": [True] * 100})
    rows, _ = told(gains, passes, {"stand": 0.01}, untested={"A": ["lt50_c"]})
    assert (
        rows.loc["A", "decision"] == "drop" and rows.loc["A", "reason"] == "Fails the stand floor."
    )
