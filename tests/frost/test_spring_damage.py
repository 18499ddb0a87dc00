"""Spring frost damage: scores, proportional odds, chances and odds against the control."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from culmbook.frost import words
from culmbook.frost.spring_damage import (
    PRIOR_SD,
    damage_against_control,
    damage_by_hybrid,
    damage_chances,
    damage_scores,
    fit_damage,
    observers_alone,
    other_effects,
    score_shares,
    spread_by_chance,
    used_scores,
)
from culmbook.text.refusal import Refusal
from stand_frames import make_hybrids, make_plots

FROST = "2025-05-14"


def make_scores(plots, score, observer="AA", frost=FROST, killed=np.nan):
    """One score of every plot; score and observer one for all or one for each."""
    return pd.DataFrame(
        {
            "site": plots["site"].to_numpy(),
            "plot": plots["plot"].to_numpy(),
            "frost_on": pd.Timestamp(frost),
            "scored_on": pd.Timestamp(frost) + pd.Timedelta(days=5),
            "damage_score": pd.array(
                list(score) if np.ndim(score) else [score] * len(plots), dtype="Int64"
            ),
            "leaf_killed_pct": killed,
            "observer": pd.array(
                list(observer) if np.ndim(observer) else [observer] * len(plots), dtype="str"
            ),
            "growing_season": pd.array([int(frost[:4])] * len(plots), dtype="Int64"),
        }
    )


def make_phenology(plots, emerged_on):
    return pd.DataFrame(
        {
            "site": plots["site"],
            "plot": plots["plot"],
            "emerged_on": pd.to_datetime(emerged_on),
            "growing_season": pd.array([2025] * len(plots), dtype="Int64"),
        }
    )


NO_PHENOLOGY = make_phenology(make_plots().iloc[:0], [])


def frame_of(plots, scores, phenology=NO_PHENOLOGY, hybrids=None, season=2025):
    codes = "".join(sorted(plots["hybrid"].unique()))
    return damage_scores(
        plots, scores, phenology, make_hybrids(codes) if hybrids is None else hybrids, season
    )


def invented(rng, hybrids="ABCD", replicates=8, observers=("AA", "BB"), block_sd=0.0, effects=None):
    """Plots scored once, proportional odds with the effects given, observers in turn within
    blocks.
    """
    plots = make_plots(hybrids, replicates, year=2022)
    effect = plots["hybrid"].map(effects or dict.fromkeys(hybrids, 0.0))
    block = plots["replicate"].map(
        pd.Series(rng.normal(0, block_sd, replicates), plots["replicate"].unique())
    )
    latent = effect + block + rng.logistic(size=len(plots))
    observer = np.array(observers)[
        (np.arange(len(plots)) + plots["replicate"].astype(int)) % len(observers)
    ]
    return plots, make_scores(plots, np.searchsorted([-1.5, 0.0, 1.5], latent), observer)


# -- scores ---------------------------------------------------------------------------------------


def test_every_score_is_kept_and_says_why_it_is_not_used():
    plots = make_plots("ABG", 2, year=2022)
    plots.loc[plots["plot"].eq(plots["plot"][1]), "status"] = "damaged"
    again = make_scores(plots.iloc[[0]], 2).assign(scored_on=pd.Timestamp("2025-05-25"))
    unknown = make_scores(plots.iloc[[0]].assign(plot="9999"), 1)
    scores = pd.concat(
        [make_scores(plots, [1, 2, 3, pd.NA, 4, 5]), again, unknown], ignore_index=True
    )
    frame = frame_of(plots, scores, hybrids=make_hybrids("ABG", guards="G"))
    assert len(frame) == len(scores)
    assert frame["why_left_out"].dropna().value_counts().to_dict() == {
        "guard plot": 2,
        "plot set aside by its status": 1,
        "no score": 1,
        "scored again by the same observer": 1,
        "its plot is not in the table of plots": 1,
    }
    assert used_scores(frame)["damage_score"].tolist() == [1, 4]


def test_days_up_run_from_emergence_to_the_frost():
    plots = make_plots("AB", 2, year=2022)
    emerged = ["2025-05-04", "2025-05-14", "2025-05-20", None]
    frame = frame_of(plots, make_scores(plots, 1), make_phenology(plots, emerged))
    assert frame["days_up"].tolist()[:3] == [10, 0, -6] and np.isnan(frame["days_up"].iloc[3])


def test_other_seasons_do_not_count():
    plots = make_plots("AB", 2, year=2022)
    both = pd.concat(
        [make_scores(plots, 1), make_scores(plots, 2, frost="2024-05-10")], ignore_index=True
    )
    assert frame_of(plots, both, season=2024)["damage_score"].eq(2).all()


def test_shares_count_every_plot_once():
    plots = make_plots("AB", 2, year=2022)
    scores = [make_scores(plots, [0, 1, 2, 3]), make_scores(plots.iloc[[0]], 4, "BB")]
    shares = score_shares(frame_of(plots, pd.concat(scores, ignore_index=True)))
    assert shares.loc["A"].tolist() == [0.25, 0, 0.5, 0, 0.25, 0, 0]
    assert shares.loc["B"].tolist() == [0, 0.5, 0, 0.5, 0, 0, 0]


# -- the model -------------------------------------------------------------------------------------


def test_two_hybrids_one_cut_are_the_two_by_two_table(rng):
    """With two scores, no blocks and one observer the odds ratio is that of the table, but for the
    weak prior.
    """
    plots = make_plots("AB", 60, year=2022).assign(replicate="1", block="R1")
    place = np.arange(120) % 6
    scores = make_scores(plots, np.where(plots["hybrid"].eq("A"), place < 2, place < 3).astype(int))
    frame = frame_of(plots, scores)
    fit = fit_damage(frame)
    counts = pd.crosstab(frame["hybrid"], frame["damage_score"].astype(int)).to_numpy()
    table = np.log(counts[1, 1] * counts[0, 0] / counts[1, 0] / counts[0, 1])
    row = damage_against_control(fit, "A").iloc[0]
    half = np.sqrt((1 / counts).sum()) * stats.t.ppf(0.975, 118)
    shrink = (
        1 + (1 / counts).sum() / 2 / PRIOR_SD**2
    )  # of a normal log odds ratio of prior variance 2 sd^2
    assert np.log(row["odds_ratio"]) == pytest.approx(table / shrink, rel=2e-3)
    assert np.log(row["all_upper"] / row["all_lower"]) / 2 == pytest.approx(
        half / np.sqrt(shrink), rel=5e-3
    )
    chances = damage_chances(fit, threshold=1).set_index("hybrid")
    assert chances["chance"].to_numpy() == pytest.approx(
        counts[:, 1] / counts.sum(axis=1), abs=4e-3
    )


def test_labels_and_order_of_rows_do_not_matter(rng):
    plots, scores = invented(rng, effects={"A": 0, "B": 1, "C": 2, "D": -1}, block_sd=0.5)
    one = damage_against_control(fit_damage(frame_of(plots, scores)), "A")
    other = damage_against_control(
        fit_damage(frame_of(plots, scores.sample(frac=1, random_state=3))), "A"
    )
    pd.testing.assert_frame_equal(one, other, rtol=1e-4)
    swapped = plots.assign(hybrid=plots["hybrid"].map({"A": "Z", "B": "B", "C": "C", "D": "D"}))
    turned = damage_against_control(fit_damage(frame_of(swapped, scores)), "Z")
    assert turned["odds_ratio"].to_numpy() == pytest.approx(one["odds_ratio"].to_numpy(), rel=1e-3)


def test_more_damage_means_odds_above_one(rng):
    plots, scores = invented(rng, replicates=20, effects={"A": 0, "B": 0, "C": 3, "D": -3})
    table = damage_against_control(fit_damage(frame_of(plots, scores)), "A").set_index("hybrid")
    assert table.loc["D", "all_upper"] < 1 < table.loc["C", "all_lower"]
    assert table.loc["B", "all_lower"] < 1 < table.loc["B", "all_upper"]


def test_chances_fall_with_the_threshold_and_stay_inside(rng):
    plots, scores = invented(rng, effects={"A": 0, "B": 1, "C": 2, "D": -1})
    fit = fit_damage(frame_of(plots, scores))
    by_threshold = [
        damage_chances(fit, threshold=t).set_index("hybrid").sort_index() for t in (1, 2, 3)
    ]
    assert all(
        (a["chance"] > b["chance"]).all()
        for a, b in zip(by_threshold, by_threshold[1:], strict=False)
    )
    for table in by_threshold:
        assert (table["lower"] < table["chance"]).all() and (table["chance"] < table["upper"]).all()
        assert table[["lower", "upper"]].stack().between(0, 1).all()


def test_a_hybrid_without_damage_has_a_finite_answer(rng):
    plots, scores = invented(rng, effects={"A": 0, "B": 1, "C": 1, "D": 0})
    scores["damage_score"] = scores["damage_score"].where(plots["hybrid"].ne("D").to_numpy(), 0)
    fit = fit_damage(frame_of(plots, scores))
    row = damage_against_control(fit, "A").set_index("hybrid").loc["D"]
    assert (
        fit.fit.verdict == "converged"
        and 0 < row["odds_ratio"] < 0.1
        and np.isfinite(row["all_upper"])
    )
    assert damage_chances(fit, threshold=2).set_index("hybrid").loc["D", "chance"] < 0.05


# -- observers, emergence, frosts ------------------------------------------------------------------


def test_observers_apart_are_taken_out(rng):
    """An observer who scores a good class higher is named by the odds, and the hybrids stay alike."""
    plots, scores = invented(rng, replicates=15)
    higher = scores["observer"].eq("BB")
    scores["damage_score"] = scores["damage_score"] + 2 * higher.astype(int)
    fit = fit_damage(frame_of(plots, scores))
    observers = other_effects(fit).set_index("name")
    assert observers.loc["BB", "lower"] > 1 > observers.loc["AA", "upper"]
    assert observers["odds_ratio"].prod() == pytest.approx(1)
    table = damage_against_control(fit, "A")
    assert table["all_lower"].lt(1).all() and table["all_upper"].gt(1).all()


def test_an_observer_alone_in_blocks_is_refused_by_name(rng):
    plots, scores = invented(rng, replicates=4)
    scores["observer"] = np.where(plots["replicate"].eq("3"), "CC", scores["observer"])
    frame = frame_of(plots, scores)
    assert observers_alone(frame)["observer"].tolist() == ["CC"]
    with pytest.raises(ValueError, match="Observer CC scored block S1 R3 alone"):
        fit_damage(frame)


def test_an_observer_alone_at_a_site_is_refused_by_name(rng):
    here, there = (invented(rng, replicates=3)[0].assign(site=s, trial=s) for s in ("S1", "S2"))
    plots = pd.concat([here, there], ignore_index=True)
    observer = np.where(
        plots["site"].eq("S2"), "CC", np.where(np.arange(len(plots)) % 2, "AA", "BB")
    )
    frame = frame_of(plots, make_scores(plots, rng.integers(0, 4, len(plots)), observer))
    with pytest.raises(ValueError, match="Observer CC scored site S2 alone"):
        fit_damage(frame)


def test_one_shared_block_is_enough(rng):
    plots, scores = invented(rng, replicates=4)
    scores["observer"] = np.where(plots["replicate"].isin(["3", "4"]), "CC", "AA")
    scores.loc[
        plots["replicate"].eq("4").to_numpy() & plots["hybrid"].eq("A").to_numpy(), "observer"
    ] = "AA"
    assert observers_alone(frame_of(plots, scores)).empty


def test_equal_emergence_takes_the_escape_out(rng):
    """Damage follows from the days up alone: late emergers look hardy, but not at equal emergence."""
    plots = make_plots("AB", 60, year=2022).assign(replicate="1", block="R1")
    late = plots["hybrid"].eq("B").to_numpy()
    days = rng.integers(5, 15, len(plots)) - 4 * late
    score = np.searchsorted([-1.5, 0.0, 1.5], 0.6 * (days - 8) + rng.logistic(size=len(plots)))
    emerged = pd.Timestamp(FROST) - pd.to_timedelta(days, unit="D")
    observer = np.where(np.arange(120) % 4 < 2, "AA", "BB")
    frame = frame_of(plots, make_scores(plots, score, observer), make_phenology(plots, emerged))
    stood, equal = fit_damage(frame), fit_damage(frame, at_equal_emergence=True)
    assert damage_against_control(stood, "A")["all_upper"].item() < 1
    row = damage_against_control(equal, "A").iloc[0]
    assert row["all_lower"] < 1 < row["all_upper"]
    week = other_effects(equal).set_index("name").loc["a week earlier up"]
    assert week["lower"] < np.exp(7 * 0.6) < week["upper"]


def test_plots_not_up_are_left_out_and_counted(rng):
    plots, scores = invented(rng)
    days = np.where(plots["hybrid"].eq("D"), -3, rng.integers(1, 12, len(plots))).astype(float)
    days[:2] = np.nan
    emerged = pd.Timestamp(FROST) - pd.to_timedelta(days, unit="D")
    fit = fit_damage(
        frame_of(plots, scores, make_phenology(plots, emerged)), at_equal_emergence=True
    )
    assert len(fit.scores) == 22 and "D" not in set(fit.scores["hybrid"])
    assert fit.left_out == [
        "2 of 32 scores, of plots whose emergence was not dated, are left out at equal emergence.",
        "8 of 32 scores, of plots whose emergence was not before the frost, are left out at equal emergence.",
        "No plot of D is left at equal emergence.",
    ]


def test_frosts_share_hybrids_and_plots(rng):
    plots, scores = invented(rng)
    with pytest.raises(Refusal, match="variance of plot_key runs off to infinity"):
        again = make_scores(plots, scores["damage_score"], scores["observer"], frost="2025-05-28")
        fit_damage(frame_of(plots, pd.concat([scores, again], ignore_index=True)))
    worse = np.clip(scores["damage_score"] + rng.integers(-1, 2, len(plots)), 0, 3)
    second = make_scores(plots, worse, scores["observer"], frost="2025-05-28")
    both = frame_of(plots, pd.concat([scores, second], ignore_index=True))
    fit = fit_damage(both)
    assert "event" in fit.factors and "plot_key" in fit.terms and both["event"].nunique() == 2
    other_hybrids = invented(rng, "EFGH")[0].assign(plot=lambda t: "9" + t["plot"])
    apart = make_scores(
        other_hybrids, 2, np.where(np.arange(32) % 2, "AA", "BB"), frost="2025-05-28"
    )
    with pytest.raises(ValueError, match="No hybrid links the frosts"):
        fit_damage(
            frame_of(
                pd.concat([plots, other_hybrids]), pd.concat([scores, apart], ignore_index=True)
            )
        )


# -- refusals --------------------------------------------------------------------------------------


def test_what_cannot_be_answered_is_said(rng):
    plots, scores = invented(rng)
    frame = frame_of(plots, scores)
    with pytest.raises(ValueError, match="no damage score"):
        fit_damage(frame.iloc[:0])
    with pytest.raises(ValueError, match="One hybrid only"):
        fit_damage(frame[frame["hybrid"].eq("A")])
    with pytest.raises(ValueError, match="Every score is 0"):
        fit_damage(frame.assign(damage_score=0))
    with pytest.raises(ValueError, match="No date of emergence"):
        fit_damage(frame, at_equal_emergence=True)
    with pytest.raises(ValueError, match="too few to compare"):
        fit_damage(frame_of(plots.head(4), scores.head(4).assign(observer="AA")))
    with pytest.raises(ValueError, match="one day"):
        fit_damage(frame.assign(days_up=3.0), at_equal_emergence=True)


def test_control_and_threshold_are_checked(rng):
    plots, scores = invented(rng)
    fit = fit_damage(frame_of(plots, scores))
    with pytest.raises(ValueError, match="The control STD has no damage score"):
        damage_against_control(fit, "STD")
    with pytest.raises(ValueError, match="threshold = 7"):
        damage_chances(fit, threshold=7)
    with pytest.raises(ValueError, match="No plot was scored 5 or above"):
        damage_chances(fit, threshold=5)


def test_a_season_without_scores_is_refused():
    plots = make_plots("AB", 2, year=2022)
    with pytest.raises(Refusal, match="No score of spring frost damage came in"):
        frame_of(plots, make_scores(plots, 1), season=2024)


def test_one_observer_differs_from_nobody(rng):
    plots, scores = invented(rng, observers=("AA",))
    fit = fit_damage(frame_of(plots, scores))
    assert "observer" not in fit.factors and other_effects(fit).empty


# -- by hybrid, and in words -----------------------------------------------------------------------


def test_by_hybrid_keeps_what_can_be_said(rng):
    plots, scores = invented(rng, effects={"A": 0, "B": 1, "C": 2, "D": -1})
    damage = fit_damage(frame_of(plots, scores))
    found = damage_by_hybrid(damage, "A")
    chances = damage_chances(damage).set_index("hybrid")["chance"]
    assert found.set_index("hybrid")["chance"].to_dict() == chances.to_dict()
    assert found.set_index("hybrid")["odds_ratio"].isna().to_dict()["A"]
    told = words.damage(found, "A", 0.95, words.frosts(damage.scores))
    assert told[0].startswith("After the frost of 2025-05-14, the chance that a plot was scored 3")
    assert "for the control A" in told[0] and "the control A" in told[1]
    alone = words.damage(damage_by_hybrid(damage, ""), "", 0.95, "the frost")
    assert len(alone) == 1
    mild = fit_damage(
        frame_of(plots, scores.assign(damage_score=scores["damage_score"].clip(0, 2)))
    )
    assert damage_by_hybrid(mild, "A")["chance"].isna().all()
    assert len(words.damage(damage_by_hybrid(mild, "A"), "A", 0.95, "the frost")) == 1


def test_odds_are_said_against_the_control():
    gaps = pd.DataFrame({"hybrid": ["B", "C", "D"], "odds_ratio": [0.1, 1.0, 20.0]})
    gaps = gaps.assign(all_lower=gaps["odds_ratio"] / 3, all_upper=gaps["odds_ratio"] * 3)
    told = words.odds_sentence(gaps, "A", 0.95)
    assert told.startswith("D suffered more than the control A; B suffered less; 1 other hybrid")
    assert words.odds_between(gaps)[2] == "6.7\u00a0to\u00a060"


def test_what_was_scored_and_left_out_is_said():
    plots = make_plots("AB", 2, year=2022)
    again = make_scores(plots.iloc[[0]], 2, "BB")
    scores = pd.concat([make_scores(plots, [1, 2, 3, pd.NA]), again], ignore_index=True)
    told = words.scored(frame_of(plots, scores))
    assert told[0] == (
        "4 scores of 3 plots by 2 observers, after the frost of 2025-05-14; 1 plot had more than one score."
    )
    assert told[1] == "1 score left out: no score."
    assert words.scored(frame_of(plots, scores.iloc[[3]]))[0] == "No score can be used."
    undated = frame_of(plots, make_scores(plots, 1).assign(frost_on=pd.NaT))
    assert words.frosts(undated) == "the frost of undated, scored 2025-05-19"


def test_spread_of_hybrids_all_alike_is_chance_and_of_hybrids_far_apart_is_not(rng):
    """Log odds of −3, −1, 1, 3 have sum of squares 20; with 24 plots each, errors of about 0.4² a
    hybrid (information of a proportional-odds score: near n/4 to n/3) make 3 · 0.16/20, 2 to 4 %.
    """
    far = dict(zip("ABCD", (-3.0, -1.0, 1.0, 3.0)))
    apart, alike = (
        spread_by_chance(fit_damage(frame_of(*invented(rng, replicates=24, effects=e))))
        for e in (far, None)
    )
    assert 0.01 < apart < 0.05 < 0.3 < alike <= 1
    assert "would show 3 % of the variance" in words.unshrunk(0.03)
