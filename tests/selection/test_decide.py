"""Decisions by least expected loss: arithmetic by hand, the places, edge cases, and what is said of each hybrid."""

import numpy as np
import pandas as pd
import pytest

from culmbook.selection.decide import Costs, decide, expected_loss, reason_words, settle_words

COSTS = Costs(wrong_promote=1.0, wrong_drop=1.0, hold=0.1)


def draws(**shares):
    """Twenty draws in which a hybrid is far over the control in the given share, else under it."""
    return pd.DataFrame({h: np.where(np.arange(20) < 20 * p, 0.5, -0.5) for h, p in shares.items()})


def after(**losses):
    return pd.DataFrame({"loss_after": losses, "chance_flips": dict.fromkeys(losses, 0.25)})


def decided(table):
    return table.set_index("hybrid")["decision"].to_dict()


def test_losses_are_cost_times_probability_of_being_wrong():
    table = decide(draws(A=0.9, B=0.2), k=2, delta=0.1, costs=Costs(2.0, 3.0, 0.1)).set_index(
        "hybrid"
    )
    assert table.loc["A", ["loss_promote", "loss_drop"]].to_list() == pytest.approx([0.2, 2.7])
    assert table.loc["B", ["loss_promote", "loss_drop"]].to_list() == pytest.approx([1.6, 0.6])
    assert (
        table["decision"].to_dict() == {"A": "promote", "B": "drop"}
        and table["loss_hold"].isna().all()
    )
    assert expected_loss(table) == pytest.approx(0.2 + 0.6)


@pytest.mark.parametrize(
    "costs, least", [(Costs(1, 1), 0.5), (Costs(1, 4), 0.2), (Costs(3, 1), 0.75)]
)
def test_promotion_pays_from_the_ratio_of_costs_on(costs, least):
    # least probability c1 / (c1 + c2): DeGroot (1970) Optimal Statistical Decisions, ch. 8
    for share, decision in ((least - 0.05, "drop"), (least, "drop"), (least + 0.05, "promote")):
        assert decided(decide(draws(A=share), k=1, delta=0.1, costs=costs)) == {"A": decision}
    assert costs.threshold == pytest.approx(least)


def test_waiting_must_save_more_than_it_costs():
    open_case = draws(A=0.5, B=0.95)
    for after_a, decision in ((0.39, "hold"), (0.40, "drop"), (0.45, "drop")):
        table = decide(open_case, k=2, delta=0.1, costs=COSTS, more=after(A=after_a, B=0.0))
        assert decided(table) == {"A": decision, "B": "promote"}
    free = decide(draws(A=0.0), k=1, delta=0.1, costs=Costs(1, 1, 0.0), more=after(A=0.0))
    assert decided(free) == {"A": "drop"}  # nothing is gained by waiting


def test_no_more_than_k_are_promoted_and_the_others_hold():
    gains = pd.DataFrame(
        {
            "A": [0.9, 0.9, 0.1, 0.1, 0.1],
            "B": [0.1, 0.1, 0.9, 0.9, 0.1],
            "C": [0.2, 0.1, 0.1, 0.2, 0.9],
        }
    )
    table = decide(gains, k=1, delta=0.05, costs=Costs(1.0, 9.0)).set_index("hybrid")
    assert table["decision"].to_dict() == {"A": "promote", "B": "hold", "C": "hold"}
    assert table["is_capped"].to_dict() == {"A": False, "B": True, "C": True}
    assert np.isnan(expected_loss(table))
    known = decide(
        gains, k=1, delta=0.05, costs=Costs(1.0, 9.0), more=after(A=0.65, B=0.65, C=0.65)
    )
    assert expected_loss(known) == pytest.approx(0.6 + 2 * 0.70)


def test_floors_go_before_yield():
    gains = draws(A=1.0, B=0.9)
    passes = pd.DataFrame({"B": [True] * 20, "A": [False] * 20})
    table = decide(gains, passes, k=1, delta=0.1, costs=COSTS)
    assert decided(table) == {"B": "promote", "A": "drop"}
    assert table.set_index("hybrid").loc["A", ["p_floors", "p_top", "p_beats"]].to_list() == [
        0,
        0,
        1,
    ]


def test_nobody_passes_the_floors():
    passes = pd.DataFrame(False, range(20), ["A", "B"])
    table = decide(draws(A=1.0, B=0.9), passes, k=2, delta=0.1, costs=COSTS)
    assert decided(table) == {"A": "drop", "B": "drop"} and expected_loss(table) == 0
    assert "Passes all floors with probability <1 % (stand)" in reason_words(
        table.iloc[0], k=2, delta=0.1, control="C1", floors={"stand": 0.0}
    )


def test_edges():
    one = decide(draws(A=0.9), k=5, delta=0.1, costs=COSTS)
    assert decided(one) == {"A": "promote"} and one["p_top"].iloc[0] == 1
    same = decide(
        pd.DataFrame(np.full((6, 4), 0.3), columns=list("ABCD")), k=1, delta=0.1, costs=COSTS
    )
    assert (
        set(same["decision"]) == {"drop"}
        and np.allclose(same["chance_worthy"], 0.25)
        and (same["rank"] == 1).all()
    )
    assert list(same["hybrid"]) == list("ABCD")
    exactly = decide(pd.DataFrame({"A": [0.1, 0.1]}), k=1, delta=0.1, costs=COSTS)
    assert exactly["p_beats"].iloc[0] == 0  # the margin itself is not over the margin


def test_refusals():
    with pytest.raises(ValueError, match="wrong_drop is -1"):
        Costs(1.0, -1.0)
    with pytest.raises(ValueError, match="hold is nan"):
        Costs(1.0, 1.0, np.nan)
    with pytest.raises(ValueError, match="nothing to decide"):
        Costs(0.0, 0.0)
    with pytest.raises(ValueError, match="delta"):
        decide(draws(A=1.0), k=1, delta=-0.1, costs=COSTS)
    with pytest.raises(ValueError, match="would bring for B"):
        decide(draws(A=1.0, B=1.0), k=1, delta=0.1, costs=COSTS, more=after(A=0.1))


def reason(table, hybrid, floors=None, k=1):
    return reason_words(
        table.set_index("hybrid", drop=False).loc[hybrid],
        k=k,
        delta=0.1,
        control="C1",
        floors=floors,
    )


def settles(table, hybrid, costs, floors=None, k=1):
    return settle_words(
        table.set_index("hybrid", drop=False).loc[hybrid],
        k=k,
        delta=0.1,
        control="C1",
        costs=costs,
        floors=floors,
    )


def test_reasons_name_what_is_lacking():
    gains = pd.DataFrame(
        {"A": [0.9] * 10, "B": [0.5] * 10, "C": [0.4] * 10, "D": [-0.2] * 9 + [0.3]}
    )
    passes = pd.DataFrame(
        {"A": [True] + [False] * 9, "B": [True] * 10, "C": [True] * 10, "D": [True] * 10}
    )
    table = decide(
        gains,
        passes,
        k=1,
        delta=0.1,
        costs=COSTS,
        provisional=pd.Series({"A": False, "B": True, "C": False, "D": False}),
    )
    assert reason(table, "A", {"stand": 0.1, "LT50": 0.95}) == (
        "Passes all floors with probability 10 % (stand: 10 %), although its predicted yield is the highest."
    )
    assert reason(table, "B") == (
        "Worth promoting with probability 90 %: the best with 90 %, more than 10 % above C1 with >99 % and past all floors with >99 %; "
        "provisional, as it has too few seasons after establishment."
    )
    assert (
        reason(table, "C")
        == "The best with probability <1 %, although more than 10 % above C1 with >99 %."
    )
    assert reason(decide(gains[["D"]], k=1, delta=0.1, costs=COSTS), "D") == (
        "More than 10 % above C1 with probability 10 %, although its predicted yield is the highest."
    )


def test_reason_of_conditions_that_are_likely_one_by_one_only():
    gains = pd.DataFrame({"A": np.tile([0.5, 0.5, 0.5, 0.5, 0.0], 4)})
    passes = pd.DataFrame({"A": np.repeat([True, True, True, False, False], 4)})
    table = decide(gains, passes, k=1, delta=0.1, costs=Costs(1.5, 1.0))
    assert reason(table, "A") == (
        "Worth promoting with probability 50 %, as all of this must hold: the best with 60 %, more than 10 % above C1 with 80 % and "
        "past all floors with 60 %, although its predicted yield is the highest."
    )


def test_reason_of_waiting_and_of_taken_places():
    held = decide(draws(A=0.45), k=1, delta=0.1, costs=COSTS, more=after(A=0.1))
    assert reason(held, "A").endswith(
        "; one more season is expected to lose less than deciding now."
    )
    gains = pd.DataFrame({"A": [0.9, 0.9, 0.1], "B": [0.2, 0.2, 0.9]})
    capped = decide(gains, k=1, delta=0.05, costs=Costs(1.0, 9.0))
    assert reason(capped, "B") == (
        "Worth promoting with probability 33 %, but the place is taken by hybrids whose promotion is expected to save more."
    )


def test_what_would_settle_it():
    gains = pd.DataFrame({"A": [0.9] * 10, "B": [0.5] * 10})
    passes = pd.DataFrame({"A": [True] * 3 + [False] * 7, "B": [True] * 10})
    table = decide(gains, passes, k=1, delta=0.1, costs=COSTS)
    assert settles(table, "A", COSTS, {"stand": 0.3, "LT50": 0.9}) == (
        "Were it sure to pass all floors (now probability 30 %; stand: 30 %), promoting would lose less than dropping; its own counts and "
        "tests tell that, not yields."
    )
    assert (
        settles(table, "B", COSTS)
        == "Least sure is whether it is the best once past the floors (probability 70 %)."
    )
    held = decide(draws(A=0.45), k=1, delta=0.1, costs=COSTS, more=after(A=0.1))
    assert settles(held, "A", COSTS) == (
        "Were it sure to give more than 10 % above C1 (now probability 45 %), promoting would lose less than dropping. One more season is "
        "expected to lower the loss from 0.45 to 0.10, and changes whether promoting or dropping loses less with probability 25 %."
    )
    sure = decide(draws(A=0.0), k=1, delta=0.1, costs=COSTS, more=after(A=0.0))
    assert settles(sure, "A", COSTS) == (
        "No single condition, were it sure, would carry it over 50 %. One more season would hardly lower the expected loss."
    )


def test_a_hybrid_that_passes_in_no_draw_lacks_just_that():
    gains = pd.DataFrame({"A": [0.9] * 9 + [0.3], "B": [0.5] * 10})
    passes = pd.DataFrame({"A": [False] * 10, "B": [True] * 10})
    table = decide(gains, passes, k=1, delta=0.1, costs=COSTS)
    assert table.set_index("hybrid")["chance_if_passing"].to_dict() == {"B": 1.0, "A": 0.9}
    assert settles(table, "A", COSTS, {"stand": 0.0}) == (
        "Were it sure to pass all floors (now probability <1 %; stand), promoting would lose less than dropping; its own counts and tests "
        "tell that, not yields."
    )
    beaten = decide(gains.assign(A=0.2), passes, k=1, delta=0.1, costs=COSTS)
    assert (
        settles(beaten, "A", COSTS, {"stand": 0.0})
        == "No single condition, were it sure, would carry it over 50 %."
    )
