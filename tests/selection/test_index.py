"""Indices of hybrids by money weights; traits drawn together against dense algebra and known
truth.
"""

import numpy as np
import pandas as pd
import pytest

from culmbook.selection.index import (
    index_draws,
    index_gains,
    index_table,
    index_words,
    joint_traits,
)
from culmbook.selection.traits import make_trait, unknown_trait
from culmbook.text.refusal import Refusal


def trait(name, n_behind=6, **draws):
    frame = pd.DataFrame(draws, dtype=float)
    return make_trait(name, frame, frame.notna().all() * n_behind)


@pytest.fixture
def traits():
    return {
        "yield_t_ha": trait("yield_t_ha", STD=[8, 10], A=[10, 11], B=[9, 9]),
        "moisture_pct": trait("moisture_pct", STD=[25, 25], A=[35, 37], B=[20, 20], C=[20, 20]),
    }


def test_index_is_worth_over_the_control_draw_by_draw(traits):
    index = index_draws(traits, {"yield_t_ha": 60.0, "moisture_pct": -8.0}, "STD")
    assert index["A"].tolist() == [60 * 2 - 8 * 10, 60 * 1 - 8 * 12]
    assert index["B"].tolist() == [60 + 40, -60 + 40] and index["C"].isna().all()


def test_index_with_a_weight_on_yield_alone_is_the_gain_in_yield(traits):
    gains = index_gains(traits, {"yield_t_ha": 75.0, "moisture_pct": 0.0}, "STD")
    assert gains["A"].tolist() == pytest.approx([0.25, 0.10])
    share = index_gains(traits, {"yield_t_ha": 60.0, "moisture_pct": -8.0}, "STD")
    assert share["B"].tolist() == pytest.approx([100 / 480, -20 / 600])


def test_table_ranks_by_index_and_by_yield_side_by_side(traits):
    traits["moisture_pct"] = trait("moisture_pct", STD=[25, 25], A=[35, 35], B=[20, 20])
    weights = {"yield_t_ha": 60.0, "moisture_pct": -16.0}
    gains = index_gains(traits, {"yield_t_ha": 1.0}, "STD").assign(X=0.01)
    table = index_table(index_draws(traits, weights, "STD"), gains)
    assert table["hybrid"].tolist() == ["B", "A", "X"] and table["rank"].tolist()[:2] == [1, 2]
    assert table.set_index("hybrid").loc["A", "yield_rank"] == 1 and pd.isna(table["index"].iloc[2])
    words = index_words(table, weights, "STD")
    assert words.startswith(
        "By the weights stated (60.0 per t/ha of dry yield and −16.0 per % of moisture"
    )
    assert "B is worth 80 more per hectare and year than STD" in words
    assert words.endswith("A, first by yield alone, is number 2 by the index.")


def test_index_refuses_in_words(traits):
    for weights, says in [
        ({}, "No money weights are set"),
        ({"stand": 3.0}, "not looked at"),
        ({"height": 3.0}, "height is no trait"),
    ]:
        with pytest.raises(ValueError, match=says):
            index_draws(traits, weights, "STD")
    none = index_draws(traits, {"moisture_pct": -1.0}, "STD")[["B"]]
    with pytest.raises(Refusal, match="No candidate is known in all traits"):
        index_table(none, pd.DataFrame({"X": [0.1, 0.2]}))
    with pytest.raises(ValueError, match="needs a weight over 0"):
        index_gains(traits, {"moisture_pct": -1.0}, "STD")
    traits["stand"] = unknown_trait("stand", ["A", "STD"], 2, "No plant was counted.")
    with pytest.raises(ValueError, match="not known of any hybrid: No plant was counted"):
        index_draws(traits, {"stand": 100.0}, "STD")
    with pytest.raises(ValueError, match="The control X is not known in moisture at harvest"):
        index_draws(traits, {"moisture_pct": -1.0}, "X")


# -- traits together ------------------------------------------------------------------------------


def simulated(rng, h=160, n=600, correlation=0.8, error=(0.6, 1.0)):
    """Two traits with known covariance; draws scatter around estimates as these do around the
    truth.
    """
    names = [f"H{i:03d}" for i in range(h)]
    sd = np.array([1.0, 2.0])
    g = np.array([[1, correlation], [correlation, 1]]) * np.outer(sd, sd)
    true = rng.multivariate_normal([-4.0, 30.0], g, h)
    seen = true + rng.normal(size=(h, 2)) * error
    kinds = ("lt50_c", "moisture_pct")
    draws = [
        pd.DataFrame(seen[:, k] + error[k] * rng.normal(size=(n, h)), columns=names) for k in (0, 1)
    ]
    traits = {kind: make_trait(kind, own, pd.Series(9, names)) for kind, own in zip(kinds, draws)}
    entries = pd.DataFrame({"hybrid": names, "role": "candidate"})
    return traits, entries, true, seen, g, np.diag(np.square(error))


def test_joint_draws_have_the_mean_of_best_linear_prediction(rng):
    # 160 hybrids leave the covariance nearly known: a hybrid's mean is mean + G (G + R)^-1 (y -
    # mean)
    traits, entries, true, seen, g, r = simulated(rng)
    joint = joint_traits(traits, entries)
    assert joint.is_joint and "160 candidates" in joint.words
    assert joint.correlations.loc["lt50_c", "moisture_pct"] == pytest.approx(0.8, abs=0.1)
    expected = seen.mean(axis=0) + (seen - seen.mean(axis=0)) @ np.linalg.solve(g + r, g)
    for k, kind in enumerate(traits):
        drawn = joint.traits[kind].draws
        assert np.sqrt(np.mean((drawn.mean() - expected[:, k]) ** 2)) < 0.12 * np.sqrt(g[k, k])
        # nearer to the truth than traits by themselves, and as uncertain as it is wrong
        wrong = np.sqrt(np.mean((drawn.mean() - true[:, k]) ** 2))
        assert wrong < np.sqrt(np.mean((seen[:, k] - true[:, k]) ** 2))
        assert drawn.std().mean() == pytest.approx(wrong, rel=0.2)


def test_what_all_hybrids_share_stays_in_the_draws(rng):
    # a freezer that was off by the same amount for all hybrids: in no difference, but in every LT50
    traits, entries, *_ = simulated(rng, h=40)
    shift = rng.normal(0, 1.5, 600)
    shifted = traits["lt50_c"].draws.add(shift, axis=0)
    traits["lt50_c"] = make_trait("lt50_c", shifted, pd.Series(9, entries["hybrid"]))
    drawn = joint_traits(traits, entries).traits["lt50_c"].draws
    assert drawn.mean(axis=1).std() == pytest.approx(1.5, rel=0.1)
    assert drawn.sub(drawn.mean(axis=1), axis=0).std().max() < 0.8


def test_hybrid_not_tested_is_predicted_from_its_other_trait(rng):
    traits, entries, *_ = simulated(rng, h=60, correlation=0.95, error=(0.2, 0.4))
    wet = traits["moisture_pct"].draws.mean().idxmax()
    draws = traits["lt50_c"].draws.copy()
    own = draws[wet].mean()
    draws[wet] = rng.normal(draws.mean().mean(), 1.0, 600)
    traits["lt50_c"] = make_trait("lt50_c", draws, pd.Series(9, entries["hybrid"]).drop(wet))
    joint = joint_traits(traits, entries).traits["lt50_c"]
    assert abs(joint.draws[wet].mean() - own) < 0.8 and joint.draws[wet].std() < 0.6
    assert joint.table.set_index("hybrid").loc[wet, "remark"] == "not tested"


def test_hybrid_beyond_the_test_keeps_its_own_draws(rng):
    traits, entries, *_ = simulated(rng, h=40)
    draws = traits["lt50_c"].draws.assign(H000=-9.0)
    answers = {"H000": ("below −6 °C", np.nan, -6.0)}
    traits["lt50_c"] = make_trait("lt50_c", draws, pd.Series(9, entries["hybrid"]), answers=answers)
    joint = joint_traits(traits, entries).traits["lt50_c"]
    assert joint.draws["H000"].eq(-9).all()
    assert joint.table.set_index("hybrid").loc["H000", "remark"] == "below −6 °C"


def test_few_hybrids_stay_independent_and_say_so(rng):
    traits, entries, *_ = simulated(rng, h=14)
    joint = joint_traits(traits, entries)
    assert not joint.is_joint and joint.traits == traits
    assert joint.words == (
        "Traits are drawn independently of each other, because only 14 candidates were "
        "seen in two traits or more, and their covariance takes 15: what one trait says "
        "of another is not used."
    )
    traits["lt50_c"] = unknown_trait("lt50_c", entries["hybrid"], 600, "No freeze test came in.")
    assert "fewer than two traits are known" in joint_traits(traits, entries).words
