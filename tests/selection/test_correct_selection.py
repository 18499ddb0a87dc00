"""Probability of correct selection: printed tables, an independent integral, simulated trials, edge inputs."""

import numpy as np
import pytest

from culmbook.consistency.reliability import error_variance, reliability
from culmbook.selection.correct_selection import (
    chance_correct,
    distance_needed,
    plan_chance,
    replicates_needed,
)


@pytest.mark.parametrize(
    ("chance", "published"),
    [
        (0.95, [2.3262, 2.7101, 2.9162, 3.0552, 3.4182]),
        (0.90, [1.8124, 2.2302, 2.4516, 2.5997, 2.9829]),
    ],
)
def test_distances_match_bechhofer_1954_table_1(chance, published):
    # values from memory, recomputed with R 4.2.2: uniroot() on the integral over the best of the others
    assert [distance_needed(k, chance) for k in (2, 3, 4, 5, 10)] == pytest.approx(
        published, abs=1e-4
    )


@pytest.mark.parametrize(
    ("entries", "best", "distance", "reference"),
    [(4, 2, 3.0, 0.94286569), (200, 5, 5.0, 0.915094118), (50, 8, 2.0, 0.0110731492)],
)
def test_chance_of_the_best_few_matches_the_other_form_of_the_integral(
    entries, best, distance, reference
):
    # computed with R 4.2.2: (k-t) integral phi(y) Phi(y)^(k-t-1) (1 - Phi(y - d))^t dy, over the best of the
    # others where culmbook integrates over the least of the best
    assert chance_correct(entries, distance, best) == pytest.approx(reference, rel=1e-7)


def test_plan_picks_the_best_as_often_in_simulated_trials(rng):
    variances = {"hybrid_site": 0.01, "hybrid_season": 0.004, "plot_key": 0.008, "residual": 0.05}
    s, y, r, entries, best, gap = 3, 2, 3, 8, 2, np.log1p(0.25)
    n = 20_000
    true = np.where(np.arange(entries) < best, gap, 0.0)
    means = true + np.sqrt(variances["hybrid_season"] / y) * rng.normal(size=(n, entries))
    means += np.sqrt(variances["hybrid_site"] / s) * rng.normal(size=(n, entries))
    plots = np.sqrt(variances["plot_key"]) * rng.normal(size=(n, entries, s * r))
    cuts = np.sqrt(variances["residual"] / y) * rng.normal(size=(n, entries, s * r))
    means += (plots + cuts).mean(axis=2)
    right = (means[:, :best].min(axis=1) > means[:, best:].max(axis=1)).mean()
    error = np.sqrt(right * (1 - right) / n)
    assert plan_chance(variances, entries, gap, s, y, r, best=best) == pytest.approx(
        right, abs=3.5 * error
    )


def test_others_nearer_or_farther_never_lower_the_chance_below_the_least(rng):
    # Bechhofer's least favourable case: every other set of true values at least this far apart does better
    n, entries, distance = 20_000, 6, 1.5
    true = np.array([0, -1.5, -1.5, -2.0, -3.0, -4.0])
    right = ((true + rng.normal(size=(n, entries))).argmax(axis=1) == 0).mean()
    assert right > chance_correct(entries, distance) + 0.02


def test_replicates_follow_bechhofer_1954():
    # n = (d sigma / gap)^2 with the printed d = 2.9162 for 4 entries: 8.50, so 9; gap half as large: 34.02, so 35
    assert replicates_needed({"residual": 1.0}, 4, 1.0, 1, 1) == 9
    assert replicates_needed({"residual": 1.0}, 4, 0.5, 1, 1) == 35
    assert replicates_needed({"residual": 100.0}, 4, 10.0, 1, 1) == 9


def test_needed_replicates_are_the_fewest_that_reach_the_chance():
    variances = {"hybrid_site": 0.01, "hybrid_season": 0.002, "residual": 0.05}
    needed = replicates_needed(variances, 10, 0.25, 4, 3, chance=0.9, best=2)
    chances = [plan_chance(variances, 10, 0.25, 4, 3, r, best=2) for r in (needed - 1, needed)]
    assert chances[0] < 0.9 <= chances[1]


def test_replicates_do_nothing_about_interactions():
    assert replicates_needed({"hybrid_site": 1.0, "residual": 0.1}, 5, 0.3, 2, 2) is None


def test_error_variance_is_that_behind_the_reliability():
    variances = {
        "hybrid": 0.03,
        "hybrid_site": 0.01,
        "hybrid_season": 0.004,
        "plot_key": 0.008,
        "residual": 0.05,
    }
    error = error_variance(variances, 3, 3, 4)
    assert 0.03 / (0.03 + error) == pytest.approx(reliability(variances, 3, 3, 4))
    # by hand: 0.01/3 + 0.004/3 + 0.008/12 + 0.05/36
    assert error == pytest.approx(0.0067222, abs=1e-7)


def test_edges():
    assert chance_correct(2, 0.0) == pytest.approx(0.5)
    assert chance_correct(10, 0.0, 3) == pytest.approx(1 / 120)
    assert chance_correct(10, 50.0) == 1
    assert plan_chance({}, 5, 0.1, 1, 1, 1) == 1 and plan_chance(
        {}, 5, 0.0, 1, 1, 1
    ) == pytest.approx(0.2)
    for entries, best in ((1, 1), (5, 0), (5, 5)):
        with pytest.raises(ValueError, match="at least 1"):
            chance_correct(entries, 1.0, best)
    for distance in (-0.1, np.nan):
        with pytest.raises(ValueError, match="at least 0"):
            chance_correct(3, distance)
    for chance in (0.2, 1.0):
        with pytest.raises(ValueError, match="drawing lots"):
            distance_needed(5, chance)
    with pytest.raises(ValueError, match="above the rest"):
        replicates_needed({"residual": 1.0}, 4, 0.0, 1, 1)
    with pytest.raises(ValueError, match="at least 1 site"):
        plan_chance({"residual": 1.0}, 4, 0.1, 0, 1, 1)
