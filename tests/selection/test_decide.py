"""Decisions by least expected loss: arithmetic by hand, the places, edge cases."""

import numpy as np
import pandas as pd
import pytest

from culmbook.selection.decide import Costs, conditions, decide

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
    assert table["loss"].sum() == pytest.approx(0.2 + 0.6)


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
    assert np.isnan(table["loss"].sum(skipna=False))
    known = decide(
        gains, k=1, delta=0.05, costs=Costs(1.0, 9.0), more=after(A=0.65, B=0.65, C=0.65)
    )
    assert known["loss"].sum() == pytest.approx(0.6 + 2 * 0.70)


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
    assert decided(table) == {"A": "drop", "B": "drop"} and table["loss"].sum() == 0


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


def test_promotion_waits_for_a_test():
    gains = draws(A=1.0, B=0.9, C=0.1)
    missing = {"A": ["stand", "lt50_c"], "C": ["stand"]}
    more = after(A=0.2, B=0.3, C=0.4)
    table = decide(gains, k=3, delta=0.1, costs=COSTS, more=more, untested=missing)
    table = table.set_index("hybrid")
    assert table["decision"].to_dict() == {"A": "hold", "B": "promote", "C": "drop"}
    assert table["untested"].to_dict() == {"A": "stand and LT50", "B": "", "C": "stand"}
    assert table.loc["A", "loss"] == table.loc["A", "loss_hold"] == pytest.approx(0.3)


def around(**middles):
    """Forty draws from 0.19 under to 0.20 over a middle gain."""
    return pd.DataFrame({h: m + np.arange(-19, 21) / 100 for h, m in middles.items()})


def test_nothing_open_is_decided_where_waiting_cannot_be_valued():
    # what is not known is neither free nor infinitely dear: DeGroot (1970), ch. 12, weighs waiting
    # only by what it would tell
    gains = around(A=0.5, B=0.2, C=-0.05, D=-0.4, E=0.45, F=0.1)
    passes = pd.DataFrame(True, gains.index, gains.columns).assign(F=False)
    unknown = after(**dict.fromkeys(gains, np.nan))
    rule = {"k": 1, "delta": 0.1, "costs": COSTS}
    table = decide(gains, passes, **rule, more=unknown).set_index("hybrid")
    assert table["decision"].to_dict() == {
        "A": "promote",  # wholly over the margin
        "E": "too early",  # too, and would be dropped for the place alone
        "B": "too early",
        "C": "too early",
        "D": "drop",  # wholly under it
        "F": "drop",  # fails a floor, whatever its yield
    }
    assert table["loss"].isna().to_dict() == {h: h in "EBC" for h in "AEBCDF"}
    at_once = decide(gains, passes, **rule)  # waiting is no choice
    assert set(at_once["decision"]) == {"promote", "drop"}


def test_too_early_needs_a_test_and_a_place_no_more_than_it_needs_a_season():
    gains, unknown = around(A=0.2, B=0.19), after(A=np.nan, B=np.nan)
    table = decide(
        gains, k=1, delta=0.1, costs=Costs(1.0, 9.0), more=unknown, untested={"A": ["stand"]}
    )
    assert set(table["decision"]) == {"too early"} and not table["is_capped"].any()


def test_conditions_are_those_past_the_floors():
    gains = pd.DataFrame({"A": [0.9] * 10, "B": [0.5] * 10})
    passes = pd.DataFrame({"A": [True] * 3 + [False] * 7, "B": [True] * 10})
    table = conditions(decide(gains, passes, k=1, delta=0.1, costs=COSTS))
    assert table.loc["A"].to_dict() == pytest.approx({"floors": 0.3, "margin": 1.0, "place": 1.0})
    assert table.loc["B"].to_dict() == pytest.approx({"floors": 1.0, "margin": 1.0, "place": 0.7})
    free = conditions(decide(gains, k=1, delta=0.1, costs=COSTS))
    assert free["floors"].eq(1).all() and free.loc["B", "place"] == 0


def test_a_hybrid_that_passes_in_no_draw_is_judged_as_if_it_did():
    gains = pd.DataFrame({"A": [0.9] * 9 + [0.3], "B": [0.5] * 10})
    passes = pd.DataFrame({"A": [False] * 10, "B": [True] * 10})
    table = decide(gains, passes, k=1, delta=0.1, costs=COSTS)
    assert table.set_index("hybrid")["chance_if_passing"].to_dict() == {"B": 1.0, "A": 0.9}
