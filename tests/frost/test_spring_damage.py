"""Spring frost damage: scores, proportional odds, chances and odds against the control."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from formulaic import model_matrix
from scipy import special, stats

from culmbook.frost.damage_scores import (
    damage_scores,
    leaf_killed,
    observers_alone,
    score_shares,
    used_scores,
)
from culmbook.frost.proportional_odds import nominal_test
from culmbook.frost.spring_damage import (
    PRIOR_SD,
    damage_against_control,
    damage_chances,
    fit_damage,
    other_effects,
    proportionality,
)
from culmbook.pages.damage_figures import plot_damage
from culmbook.pages.stand_figures import new_figure
from stand_frames import make_hybrids, make_plots

FROST = "2025-05-14"
PUBLISHED = Path(__file__).parents[1] / "published"


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
    """Plots scored once, proportional odds with the effects given, observers in turn within blocks."""
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


def test_shares_and_leaf_killed_count_every_plot_once():
    plots = make_plots("AB", 2, year=2022)
    scores = pd.concat(
        [
            make_scores(plots, [0, 1, 2, 3], killed=[0, 10, 20, 30]),
            make_scores(plots.iloc[[0]], 4, "BB", killed=40),
        ],
        ignore_index=True,
    )
    frame = frame_of(plots, scores)
    shares = score_shares(frame)
    assert shares.loc["A"].tolist() == [0.25, 0, 0.5, 0, 0.25, 0, 0]
    assert shares.loc["B"].tolist() == [0, 0.5, 0, 0.5, 0, 0, 0]
    assert leaf_killed(frame).set_index("hybrid")["median"].tolist() == pytest.approx([0.2, 0.2])


# -- proportional odds tested ----------------------------------------------------------------------


def _published(name):
    return pd.read_csv(PUBLISHED / f"{name}.csv", comment="#")


WINE = {"temp[T.warm]": (3.17497710, 3, 0.36543), "contact[T.yes]": (0.56674027, 3, 0.90400)}


@pytest.mark.parametrize("effect", WINE)
def test_nominal_effects_of_randall_1989(effect):
    # nominal_test(clm(rating ~ temp + contact)) of the wine data, computed with R 4.2.2, package ordinal 2022.11-16.
    wine = _published("randall_1989_wine")
    result = nominal_test(
        wine["rating"], model_matrix("temp + contact", wine).iloc[:, 1:], [effect]
    )
    chi2, df, p = WINE[effect]
    assert (result.chi2, result.df, result.p) == (
        pytest.approx(chi2, rel=1e-7),
        df,
        pytest.approx(p, abs=6e-6),
    )


def test_slopes_at_each_cut_of_randall_1989():
    # clm(rating ~ temp, nominal = ~ contact): minus alpha of contactyes, same versions. Likewise for temp, whose
    # slopes at two cuts run off there too.
    wine = _published("randall_1989_wine")
    design = model_matrix("temp + contact", wine).iloc[:, 1:]
    slopes = nominal_test(wine["rating"], design, ["contact[T.yes]"]).slopes["contact[T.yes]"]
    assert slopes.to_numpy() == pytest.approx([1.615059, 1.511567, 1.674756, 1.050623], rel=1e-5)
    warm = nominal_test(wine["rating"], design, ["temp[T.warm]"]).slopes["temp[T.warm]"]
    assert np.isinf(warm[["1|2", "4|5"]]).all()
    assert warm[["2|3", "3|4"]].to_numpy() == pytest.approx([2.153024, 2.873317], rel=1e-5)


HOUSING = {"influence": (1.106453012, 2), "type": (5.733737053, 3), "contact": (2.444552659, 1)}


@pytest.mark.parametrize("factor", HOUSING)
def test_weighted_nominal_effects_of_madsen_1976(factor):
    # Twice the difference of logLik of clm(Sat ~ ..., nominal = ~ factor) and the proportional fit, same versions.
    homes = _published("madsen_1976_housing")
    design = model_matrix("influence + type + contact", homes).iloc[:, 1:]
    tested = [c for c in design if c.startswith(factor)]
    result = nominal_test(homes["satisfaction"], design, tested, homes["frequency"])
    assert (result.chi2, result.df) == (
        pytest.approx(HOUSING[factor][0], rel=1e-7),
        HOUSING[factor][1],
    )


def test_one_effect_of_two_levels_is_the_saturated_model():
    """Own slopes for one binary effect reproduce the shares of both groups."""
    rows = pd.DataFrame(
        {"x": np.repeat([0.0, 1.0], 30), "y": np.repeat([0, 1, 2, 0, 1, 2], [12, 12, 6, 3, 9, 18])}
    )
    counts = rows.groupby(["x", "y"]).size().to_numpy().reshape(2, 3)
    slopes = nominal_test(rows["y"], rows[["x"]], ["x"]).slopes["x"]
    above = 1 - np.cumsum(counts, axis=1)[:, :2] / 30
    assert slopes.to_numpy() == pytest.approx(np.diff(special.logit(above), axis=0)[0], rel=1e-6)


def test_nominal_test_refuses_what_it_cannot_answer():
    x = pd.DataFrame({"x": [0.0, 1.0, 0.0, 1.0], "y": [0.0, 1.0, 0.0, 1.0]})
    with pytest.raises(ValueError, match="three different scores"):
        nominal_test([0, 1, 1, 0], x[["x"]], ["x"])
    with pytest.raises(ValueError, match="no effect z"):
        nominal_test([0, 1, 2, 0], x[["x"]], ["z"])
    with pytest.raises(ValueError, match="cannot tell"):
        nominal_test([0, 1, 2, 0], x, ["x"])


# -- the model -------------------------------------------------------------------------------------


def test_two_hybrids_one_cut_are_the_two_by_two_table(rng):
    """With two scores, no blocks and one observer the odds ratio is that of the table, but for the weak prior."""
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
    assert np.log(row["upper"] / row["lower"]) / 2 == pytest.approx(
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
    assert table["verdict"].to_dict() == {
        "D": "less damaged",
        "B": "not told apart",
        "C": "more damaged",
    }
    assert (table["all_lower"] < table["lower"]).all() and (
        table["all_upper"] > table["upper"]
    ).all()


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
    assert damage_against_control(fit, "A")["verdict"].eq("not told apart").all()


def test_an_observer_alone_in_blocks_is_refused_by_name(rng):
    plots, scores = invented(rng, replicates=4)
    scores["observer"] = np.where(plots["replicate"].eq("3"), "CC", scores["observer"])
    frame = frame_of(plots, scores)
    assert observers_alone(frame)["observer"].tolist() == ["CC"]
    with pytest.raises(ValueError, match="Observer CC scored block S1 R3 alone"):
        fit_damage(frame)
    assert "observer" not in fit_damage(frame, with_observers=False).factors


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
    assert damage_against_control(stood, "A")["verdict"].item() == "less damaged"
    row = damage_against_control(equal, "A").iloc[0]
    assert row["lower"] < 1 < row["upper"]
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
        "2 of 32 scores are of plots without a date of emergence: left out at equal emergence.",
        "8 of 32 scores are of plots not yet up at the frost: left out at equal emergence.",
        "No plot of D is left at equal emergence.",
    ]


def test_frosts_share_hybrids_and_plots(rng):
    plots, scores = invented(rng)
    second = make_scores(plots, scores["damage_score"], scores["observer"], frost="2025-05-28")
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
        fit_damage(frame_of(plots.head(4), scores.head(4)), with_observers=False)
    with pytest.raises(ValueError, match="one day"):
        fit_damage(frame.assign(days_up=3.0), at_equal_emergence=True)


def test_control_and_threshold_are_checked(rng):
    plots, scores = invented(rng)
    fit = fit_damage(frame_of(plots, scores))
    with pytest.raises(ValueError, match="the control 'STD' has no damage score"):
        damage_against_control(fit, "STD")
    with pytest.raises(ValueError, match="threshold = 7"):
        damage_chances(fit, threshold=7)
    with pytest.raises(ValueError, match="No plot was scored 5 or above"):
        damage_chances(fit, threshold=5)


def test_an_empty_table_of_scores_gives_an_empty_frame():
    plots = make_plots("AB", 2, year=2022)
    frame = frame_of(plots, make_scores(plots, 1), season=2024)
    assert (
        frame.empty
        and score_shares(frame).empty
        and leaf_killed(frame).empty
        and observers_alone(frame).empty
    )


def test_one_observer_differs_from_nobody(rng):
    plots, scores = invented(rng, observers=("AA",))
    fit = fit_damage(frame_of(plots, scores))
    assert "observer" not in fit.factors and other_effects(fit).empty
    assert proportionality(fit)["effect"].tolist() == ["hybrid"]


def test_effects_that_differ_between_scores_are_found(rng):
    """A hybrid half of whose plots are hit hard shifts the cuts by different odds; quantiles moved alike do not."""
    plots = make_plots("AB", 80, year=2022).assign(replicate="1", block="R1")
    shift = np.where(plots["hybrid"].eq("B"), np.where(rng.random(160) < 0.5, 4.0, -0.5), 0.0)
    score = np.searchsorted([-1.5, 0.0, 1.5], shift + rng.logistic(size=160))
    table = proportionality(fit_damage(frame_of(plots, make_scores(plots, score))))
    assert table["verdict"].tolist() == ["differs between scores"]
    quantiles = stats.logistic.ppf((np.arange(160) // 2 + 0.5) / 80)
    moved = np.searchsorted([-1.5, 0.0, 1.5], 1.5 * plots["hybrid"].eq("B") + quantiles)
    table = proportionality(fit_damage(frame_of(plots, make_scores(plots, moved))))
    assert table["verdict"].tolist() == ["no sign against one odds ratio"]


def test_chi_square_is_corrected_for_the_effects_fitted():
    """Two hybrids, one observer and block: the plain likelihood ratio times (n - 2)/n."""
    plots = make_plots("AB", 45, year=2022).assign(replicate="1", block="R1")
    score = np.where(plots["hybrid"].eq("A"), np.arange(90) % 6 % 3, np.arange(90) % 8 // 3)
    row = proportionality(fit_damage(frame_of(plots, make_scores(plots, score)))).iloc[0]
    plain = nominal_test(score, plots["hybrid"].eq("B").astype(float).to_frame(), ["hybrid"])
    assert row["chi2"] == pytest.approx(plain.chi2 * 88 / 90, rel=1e-6) and row["df"] == plain.df
    assert row["p_value"] == pytest.approx(stats.chi2.sf(row["chi2"], row["df"]))


def test_two_classes_left_cannot_be_tested():
    plots = make_plots("AB", 30, year=2022).assign(replicate="1", block="R1")
    score = np.where(np.arange(60) % 3, 0, 1)
    score[:2] = 3
    row = proportionality(fit_damage(frame_of(plots, make_scores(plots, score)))).iloc[0]
    assert (
        row["verdict"] == "not tested"
        and "three different scores" in row["reason"]
        and np.isnan(row["p_value"])
    )


# -- figure ----------------------------------------------------------------------------------------


def test_bars_fill_the_whole_and_the_control_stands_out():
    plots = make_plots("ABC", 4, year=2022)
    shares = score_shares(frame_of(plots, make_scores(plots, np.arange(12) % 5))).loc[
        ["C", "A", "B"]
    ]
    figure, ax = new_figure(2.0)
    plot_damage(shares, ["A"], ax=ax)
    widths = np.array([[bar.get_width() for bar in container] for container in ax.containers])
    assert widths.sum(axis=0) == pytest.approx(100)
    assert widths[:, 1] == pytest.approx(100 * shares.loc["A"].to_numpy())
    labels = ax.get_yticklabels()
    assert [t.get_text() for t in labels] == ["C", "A", "B"]
    assert [t.get_fontweight() for t in labels] == ["normal", "bold", "normal"]
    assert [t.get_text() for t in ax.get_legend().get_texts()] == list("0123456")
