"""Index coefficients against a printed example and dense algebra, indices of hybrids, joint traits."""

import numpy as np
import pandas as pd
import pytest

from culmbook.selection.index import (
    desired_gains,
    expected_response,
    implied_weights,
    index_accuracy,
    index_draws,
    index_gains,
    index_table,
    index_words,
    smith_hazel,
)
from culmbook.selection.joint_traits import joint_traits
from culmbook.selection.traits import make_trait, unknown_trait

CALVES = ["ADG", "LP"]


def square(values, names=CALVES):
    return pd.DataFrame(values, names, names, dtype=float)


# Mrode (2014) Linear Models for the Prediction of Animal Breeding Values, 3rd ed., section 1.7: daily gain
# (sd 80, heritability 0.43) and lean per cent (7.2, 0.30) of calves, genetic correlation 0.30, phenotypic
# -0.10
P = square([[6400.0, -57.6], [-57.6, 51.84]])
G = square([[2752.0, 62.064], [62.064, 15.552]])


def test_coefficients_match_mrode_2014():
    # printed there: 0.445 and 1.692 for daily gain alone, 0.0125 and 0.314 for lean per cent alone, 0.674 and
    # 2.695 for weights 1.5 and 0.5
    one = [smith_hazel(P, G[[trait]], pd.Series({trait: 1.0})).to_numpy() for trait in CALVES]
    assert one[0] == pytest.approx([0.445, 1.692], abs=5e-4)
    assert one[1] == pytest.approx([0.0125, 0.314], abs=5e-4)
    both = smith_hazel(P, G, pd.Series({"LP": 0.5, "ADG": 1.5}))
    assert both[CALVES].to_numpy() == pytest.approx([0.674, 2.695], abs=5e-4)


def test_no_other_index_goes_better_with_worth(rng):
    weights = pd.Series({"ADG": 1.5, "LP": 0.5})
    best = smith_hazel(P, G, weights)
    accuracy = index_accuracy(best, P, G, weights)
    others = [index_accuracy(best * (1 + rng.normal(0, 0.3, 2)), P, G, weights) for _ in range(200)]
    assert max(others) < accuracy < 1
    # of the best index the variance is its covariance with worth: the response in worth is i sqrt(b'Pb)
    response = expected_response(best, P, G, 1.755)
    assert response @ weights[CALVES] == pytest.approx(1.755 * np.sqrt(best @ P @ best))


def test_response_and_accuracy_are_those_of_a_simulated_population(rng):
    # a million hybrids: choose the best 5 % by the index and look at their true values
    g = rng.multivariate_normal([0, 0], G, 1_000_000, method="cholesky")
    x = g + rng.multivariate_normal([0, 0], P - G, 1_000_000, method="cholesky")
    weights = pd.Series({"ADG": 1.0, "LP": 40.0})
    b = smith_hazel(P, G, weights)
    index = x @ b[CALVES].to_numpy()
    chosen = g[index >= np.quantile(index, 0.95)]
    # i for 5 %: 2.063, Falconer & Mackay (1996) Appendix A
    assert expected_response(b, P, G, 2.063).to_numpy() == pytest.approx(
        chosen.mean(axis=0), rel=0.02
    )
    worth = g @ weights[CALVES].to_numpy()
    assert index_accuracy(b, P, G, weights) == pytest.approx(
        np.corrcoef(index, worth)[0, 1], abs=0.005
    )


def test_desired_gains_come_in_the_proportions_wanted():
    # Pesek & Baker (1969): the response is proportional to what is desired, for any phenotypic covariance
    wanted = pd.Series({"ADG": 20.0, "LP": -1.0})
    b = desired_gains(G, wanted)
    assert (G @ b).to_numpy() == pytest.approx(wanted.to_numpy())
    response = expected_response(b, P, G, 1.0)
    assert (response / wanted).to_numpy() == pytest.approx(np.full(2, response["ADG"] / 20))
    again = smith_hazel(P, G, implied_weights(b, P, G))
    assert again.to_numpy() == pytest.approx(b.to_numpy())


def test_index_is_best_linear_prediction_of_several_traits_in_a_balanced_layout(rng):
    # Henderson (1963): with every hybrid seen alike, a'u by dense algebra (all records at once, the mean by
    # generalised least squares) is the index of the hybrid's deviations from the means
    h, weights = 7, pd.Series({"ADG": 1.5, "LP": 0.5})
    y = rng.multivariate_normal([900, 20], P, h)
    v = np.kron(np.eye(h), P.to_numpy())
    x = np.kron(np.ones((h, 1)), np.eye(2))
    mean = np.linalg.solve(x.T @ np.linalg.solve(v, x), x.T @ np.linalg.solve(v, y.ravel()))
    u = np.kron(np.eye(h), G.to_numpy()) @ np.linalg.solve(v, y.ravel() - x @ mean)
    index = (y - y.mean(axis=0)) @ smith_hazel(P, G, weights)[CALVES].to_numpy()
    assert index == pytest.approx(u.reshape(h, 2) @ weights[CALVES].to_numpy())


def test_coefficients_refuse_what_cannot_be():
    with pytest.raises(ValueError, match="not positive definite"):
        desired_gains(square([[1, 1], [1, 1]]), pd.Series({"ADG": 1, "LP": 1}))
    with pytest.raises(ValueError, match="do not match: ADG and LP against ADG"):
        smith_hazel(P, G, pd.Series({"ADG": 1.0}))


# -- hybrids --------------------------------------------------------------------------------------


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
        ({}, "no trait has a weight"),
        ({"stand": 3.0}, "not looked at"),
        ({"height": 3.0}, "height is no trait"),
    ]:
        with pytest.raises(ValueError, match=says):
            index_draws(traits, weights, "STD")
    with pytest.raises(ValueError, match="needs a weight over 0"):
        index_gains(traits, {"moisture_pct": -1.0}, "STD")
    traits["stand"] = unknown_trait("stand", ["A", "STD"], 2, "No plant was counted.")
    with pytest.raises(ValueError, match="not known of any hybrid: No plant was counted"):
        index_draws(traits, {"stand": 100.0}, "STD")
    with pytest.raises(ValueError, match="the control X is not known in moisture_pct"):
        index_draws(traits, {"moisture_pct": -1.0}, "X")


# -- traits together ------------------------------------------------------------------------------


def simulated(rng, h=160, n=600, correlation=0.8, error=(0.6, 1.0)):
    """Two traits with known covariance; draws scatter around estimates as these do around the truth."""
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
    # 160 hybrids leave the covariance nearly known: a hybrid's mean is mean + G (G + R)^-1 (y - mean)
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
