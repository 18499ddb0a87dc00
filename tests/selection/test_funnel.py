"""A breeding programme's funnel: exact results, plot by plot simulation, words, edge inputs."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from culmbook.selection.funnel import (
    Funnel,
    Stage,
    compare_funnels,
    comparison_words,
    first_stage_gain,
    funnel_table,
    funnel_words,
    index_weights,
    run_funnel,
    spread_before,
)
from culmbook.stats.extremes import finite_intensity
from culmbook.text.refusal import Refusal
from two_stages import two_stage_gain

COMMON = Funnel(
    200,
    (
        Stage("nursery", sites=1, seasons=1, replicates=1, kept=50, likeness=0.7, residual=2.0),
        Stage("replicated", sites=4, seasons=3, replicates=3, kept=8),
        Stage("commercial", sites=5, seasons=3, replicates=3, kept=2),
    ),
)
OWN = {
    "hybrid": 0.03,
    "hybrid_site": 0.010,
    "hybrid_season": 0.004,
    "hybrid_site_season": 0.006,
    "plot_key": 0.008,
    "residual": 0.048,
}


def _error(values):
    return values.std(axis=0, ddof=1) / np.sqrt(len(values))


def test_first_stage_gains_what_order_statistics_of_a_finite_population_say():
    runs = run_funnel(COMMON, OWN, programmes=3000)
    found, error = runs.gains[:, 0].mean(), _error(runs.gains[:, 0])
    assert error < 0.002
    # i(50 of 200) = 1.258 (order statistics; 1.271 without end) times accuracy times spread
    r = 0.7 * np.sqrt(0.03 / (0.03 + 0.010 + 0.004 + 0.006 + 0.008 + 2 * 0.048))
    assert first_stage_gain(COMMON, OWN) == pytest.approx(
        finite_intensity(50, 200) * r * np.sqrt(0.03), rel=1e-9
    )
    assert found == pytest.approx(first_stage_gain(COMMON, OWN), abs=3.5 * error)
    assert runs.leads.mean() == pytest.approx(
        finite_intensity(1, 200) * np.sqrt(0.03), abs=3.5 * _error(runs.leads)
    )


def test_two_stages_gain_what_the_truncated_normal_says():
    # Cochran (1951): the criterion of the second stage is the best predictor from both, so the
    # criteria are
    # correlated by r1 / r2; many entries stand for a population without end
    first, second = Stage("one", 1, 2, 1, 1000), Stage("two", 4, 3, 3, 100)
    funnel, own = Funnel(4000, (first, second)), 0.03
    shared = 0.010 / 4
    v1 = own + 0.010 + 0.004 / 2 + 0.006 / 2 + 0.008 + 0.048 / 2
    v2 = own + 0.010 / 4 + 0.004 / 3 + 0.006 / 12 + 0.008 / 12 + 0.048 / 36
    covariance = np.array([[v1, own + shared], [own + shared, v2]])
    r1 = np.sqrt(own / v1)
    r2 = np.sqrt(own * np.ones(2) @ np.linalg.solve(covariance, np.ones(2)))
    runs = run_funnel(funnel, OWN, programmes=150)
    found, error = runs.gains[:, 1].mean() / np.sqrt(own), _error(runs.gains[:, 1]) / np.sqrt(own)
    assert error < 0.01
    assert found == pytest.approx(
        two_stage_gain(r1, r2, r1 / r2, 0.25, 0.1), abs=3.5 * error + 0.004
    )


def _plot_by_plot(funnel, own, rng):
    """One programme with every plot and cut written out; the criterion is the regression on all
    means.
    """
    sd = {term: np.sqrt(value) for term, value in own.items()}
    true = rng.normal(0, sd["hybrid"], funnel.entries)
    site = rng.normal(0, sd["hybrid_site"], (funnel.entries, max(s.sites for s in funnel.stages)))
    alive, seen, gains = np.arange(funnel.entries), [], []
    for j, stage in enumerate(funnel.stages):
        mean = np.zeros(funnel.entries)
        for h in alive:
            season = rng.normal(0, sd["hybrid_season"], stage.seasons)
            cuts = [
                true[h] + site[h, s] + plot + season[y] + both[y] + rng.normal(0, sd["residual"])
                for s in range(stage.sites)
                for both in [rng.normal(0, sd["hybrid_site_season"], stage.seasons)]
                for plot in rng.normal(0, sd["plot_key"], stage.replicates)
                for y in range(stage.seasons)
            ]
            mean[h] = np.mean(cuts)
        seen.append(mean)
        criterion = index_weights(funnel.stages[: j + 1], own) @ np.stack(seen)
        alive = alive[np.argsort(-criterion[alive])[: stage.kept]]
        gains.append(true[alive].mean())
    return [*gains, true.argmax() in alive]


def test_funnel_matches_programmes_with_every_plot_written_out(rng):
    funnel = Funnel(24, (Stage("one", 1, 2, 1, 8), Stage("two", 3, 2, 2, 2)))
    slow = np.array([_plot_by_plot(funnel, OWN, rng) for _ in range(600)], float)
    runs = run_funnel(funnel, OWN, programmes=6000)
    fast = np.column_stack([runs.gains, runs.has_best[:, -1]])
    error = np.sqrt(_error(slow) ** 2 + _error(fast) ** 2)
    assert fast.mean(axis=0) == pytest.approx(slow.mean(axis=0), abs=3.5 * error.max())


def test_index_weights_are_the_regression_on_simulated_means(rng):
    stages, n = COMMON.stages[:2], 200_000
    true = rng.normal(0, np.sqrt(0.03), n)
    site = rng.normal(0, np.sqrt(0.010), (n, 4))
    other = rng.normal(0, np.sqrt(0.03 * (1 - 0.49)), n)
    first = (
        0.7 * true
        + other
        + site[:, 0]
        + rng.normal(0, np.sqrt(0.004 + 0.006 + 0.008 + 2 * 0.048), n)
    )
    second = (
        true
        + site.mean(axis=1)
        + rng.normal(0, np.sqrt(0.004 / 3 + 0.0005 + 0.008 / 12 + 0.048 / 36), n)
    )
    slopes = np.linalg.lstsq(np.column_stack([first, second]), true, rcond=None)[0]
    assert index_weights(stages, OWN) == pytest.approx(slopes, abs=0.005)


@pytest.mark.parametrize("reliability", [0.2, 0.6])
def test_better_of_two_is_kept_with_sheppards_probability(reliability):
    # 1/2 + arcsin(r) / pi, Sheppard (1899) Phil. Trans. A 192:101-167
    own = {"hybrid": 1.0, "hybrid_site": 0.0, "hybrid_season": 0.0, "residual": 1 / reliability - 1}
    runs = run_funnel(Funnel(2, (Stage("only", 1, 1, 1, 1),)), own, programmes=20_000)
    wanted = 0.5 + np.arcsin(np.sqrt(reliability)) / np.pi
    assert runs.has_best.mean() == pytest.approx(wanted, abs=3.5 * np.sqrt(0.25 / 20_000))


@pytest.mark.parametrize("likeness", [0.3, 0.6])
def test_another_trait_keeps_the_better_of_two_by_its_correlation_alone(likeness):
    # Sheppard (1899) with r the correlation: nothing else is measured with error
    own = {"hybrid": 0.04, "hybrid_site": 0.0, "hybrid_season": 0.0}
    runs = run_funnel(Funnel(2, (Stage("only", 1, 1, 1, 1, likeness),)), own, programmes=40_000)
    wanted = 0.5 + np.arcsin(likeness) / np.pi
    assert runs.has_best.mean() == pytest.approx(wanted, abs=3.5 * np.sqrt(0.25 / 40_000))


def test_spread_of_a_few_crosses_is_that_of_all_but_for_chance():
    # s2 of 3 values has the mean sigma2 and the variance sigma4 (2 / (n - 1)): Kendall & Stuart
    # (1977) The Advanced Theory of Statistics 1, ch. 12; 1 % in the standard deviation is 4 errors
    runs = run_funnel(Funnel(3, (Stage("only", 1, 1, 1, 1),)), OWN, programmes=40_000)
    assert (runs.spread**2).mean() == pytest.approx(0.03, abs=3 * 0.03 / np.sqrt(40_000))
    # c4 = 0.8862 of 3 values: Kendall & Stuart (1977), ch. 10
    printed = funnel_table(runs)["spread"].iloc[0]
    assert printed == pytest.approx(0.8862 * np.sqrt(0.03), rel=0.008)


def test_trials_without_error_keep_the_best_every_time():
    own = {"hybrid": 0.04, "hybrid_site": 0.0, "hybrid_season": 0.0, "residual": 0.0}
    funnel = Funnel(50, (Stage("one", 1, 1, 1, 10), Stage("two", 1, 1, 1, 3)))
    runs = run_funnel(funnel, own, programmes=20_000)
    error = _error(runs.gains[:, 1])
    assert runs.has_best.all() and runs.first_spread == pytest.approx(0.2)
    assert error < 5e-4
    assert runs.gains[:, 1].mean() == pytest.approx(0.2 * finite_intensity(3, 50), abs=3.5 * error)


def test_spread_before_selection_leaves_the_spread_of_the_hybrids():
    before = spread_before(COMMON, OWN)
    assert before > np.sqrt(0.03)
    runs = run_funnel(COMMON, {**OWN, "hybrid": before**2}, programmes=3000)
    assert runs.spread[:, 0].mean() == pytest.approx(before, rel=0.01)
    # the theory is that of a population without end
    assert np.sqrt((runs.spread[:, 1] ** 2).mean()) == pytest.approx(np.sqrt(0.03), rel=0.01)
    # a truly best 1 of 10,000, found for certain: R 4.2.2, 1 - i (i - z) = 0.0520899 of the
    # variance is left
    sure = {"hybrid": 0.03, "hybrid_site": 0.0, "hybrid_season": 0.0}
    assert spread_before(Funnel(10_000, (Stage("one", 1, 1, 1, 1),)), sure) == pytest.approx(
        np.sqrt(0.03 / 0.0520899), rel=1e-5
    )


def test_uncertain_variances_widen_what_a_programme_may_gain(rng):
    sets = pd.DataFrame([{**OWN, "hybrid": 0.03 * f} for f in np.exp(rng.normal(0, 0.8, 40))])
    one, many = run_funnel(COMMON, OWN), run_funnel(COMMON, sets)
    widths = [
        t["upper"].iloc[-1] - t["lower"].iloc[-1] for t in (funnel_table(one), funnel_table(many))
    ]
    assert widths[1] > 1.3 * widths[0]
    assert len(np.unique(many.sets)) == 40 and len(many.gains) >= 2000
    again = run_funnel(COMMON, sets)
    assert np.array_equal(again.gains, many.gains)


def test_table_counts_plots_and_years_and_gives_shares_on_the_log_scale():
    runs = run_funnel(COMMON, OWN, programmes=500)
    table = funnel_table(runs)
    assert table["entering"].tolist() == [200, 50, 8] and table["kept"].tolist() == [50, 8, 2]
    assert table["plots"].tolist() == [200, 50 * 4 * 3, 8 * 5 * 3]
    assert table["years"].tolist() == [
        3,
        8,
        13,
    ]  # two years of establishment, then the stage's seasons
    assert table["gain"].to_numpy() == pytest.approx(np.expm1(runs.gains).mean(axis=0))
    assert table["gain"].is_monotonic_increasing and table["p_best"].is_monotonic_decreasing
    assert table["gain"].iloc[-1] < np.expm1(runs.leads).mean()


def test_larger_spread_gains_more():
    same, wide = (
        run_funnel(COMMON, {**OWN, "hybrid": h}).gains[:, 2].mean() for h in (0.03, 0.0625)
    )
    assert wide > same + 0.05


def test_funnels_are_compared_by_the_same_crosses():
    first, second, third = COMMON.stages
    other = Funnel(200, (replace(first, kept=25), replace(second, sites=8), third))
    found = {"as planned": COMMON, "fewer": other}
    compared = compare_funnels(found, OWN, programmes=400)
    assert compared["difference"].iloc[0] == 0 and compared["plots"].eq(920).all()
    direct = funnel_table(run_funnel(other, OWN, programmes=400)).iloc[-1]
    assert compared["gain"].iloc[1] == pytest.approx(direct["gain"])
    assert compared["p_best"].iloc[1] == pytest.approx(direct["p_best"])
    each = [np.expm1(run_funnel(f, OWN, programmes=400).gains[:, -1]) for f in found.values()]
    assert compared["difference_error"].iloc[1] == pytest.approx(_error(each[1] - each[0]))


def test_words_name_the_numbers_and_the_assumptions():
    runs = run_funnel(COMMON, OWN, programmes=500)
    table = funnel_table(runs)
    words = funnel_words(runs)
    assert words.startswith(
        "200 → 50 → 8 → 2 hybrids in 13 years and 920 plots: the 2 hybrids left are expected"
    )
    assert f"{100 * table['gain'].iloc[-1]:.0f} % more" in words
    single = Funnel(10, (Stage("only", 2, 2, 2, 1),))
    one = funnel_words(run_funnel(single, OWN, programmes=200))
    assert (
        "10 → 1 hybrids in 4 years and 40 plots: the hybrid left is expected" in one
        and "is the one with" in one
    )


def test_first_stage_gains_over_all_sets_what_each_gains():
    sets = pd.DataFrame([{**OWN, "hybrid": h} for h in (0.02, 0.04)])
    both = [first_stage_gain(COMMON, own) for own in sets.to_dict("records")]
    assert first_stage_gain(COMMON, sets) == pytest.approx(np.mean(both))
    found = run_funnel(COMMON, sets, programmes=4000).gains[:, 0].mean()
    assert found == pytest.approx(np.mean(both), abs=0.005)


def test_comparison_counts_only_differences_beyond_chance():
    rows = pd.DataFrame(
        {
            "funnel": ["as planned", "a", "b"],
            "gain": [0.5, 0.51, 0.56],
            "p_best": [0.6, 0.6, 0.7],
            "difference": [0, 0.01, 0.06],
            "difference_error": [0, 0.01, 0.01],
        }
    )
    assert "another layout (b) would gain 56 % instead of 50 %" in comparison_words(rows)
    assert comparison_words(rows.iloc[:2]).startswith(
        "The other layout with as many plots does not gain more"
    )
    assert comparison_words(rows.iloc[[0, 1, 1]]).startswith("None of 2 other layouts")
    assert "no other layout" in comparison_words(rows.iloc[:1])


def test_refusals_say_what_is_missing():
    without = [
        {k: v for k, v in OWN.items() if k not in gone}
        for gone in (("hybrid_season", "hybrid_site_season"), ("hybrid_site",))
    ]
    for own, words in zip(without, ("season to season", "site to site")):
        with pytest.raises(Refusal, match=words):
            run_funnel(COMMON, own)
    with pytest.raises(Refusal, match="nothing to choose"):
        run_funnel(COMMON, {**OWN, "hybrid": 0.0})
    with pytest.raises(ValueError, match="at least one is played"):
        run_funnel(COMMON, OWN, programmes=0)
    with pytest.raises(ValueError, match="no set"):
        run_funnel(COMMON, pd.DataFrame(columns=list(OWN)))
    for entries, stage, words in (
        (5, Stage("n", 1, 1, 1, 5), "1 to 4 can be kept"),
        (5, Stage("n", 0, 1, 1, 2), "at least 1 site"),
        (5, Stage("n", 1, 1, 1, 2, likeness=0.0), "likeness"),
        (5, Stage("n", 1, 1, 1, 2, residual=0.0), "residual"),
    ):
        with pytest.raises(ValueError, match=words):
            Funnel(entries, (stage,))
    with pytest.raises(ValueError, match="at least one stage"):
        Funnel(5, ())


def test_some_sets_without_spread_among_hybrids_still_run():
    sets = pd.DataFrame([{**OWN, "hybrid": h} for h in (0.0, 0.03)])
    table = funnel_table(run_funnel(COMMON, sets, programmes=100))
    assert table.notna().all().all()
