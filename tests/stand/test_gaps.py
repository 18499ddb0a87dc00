"""Runs and clustering of missing plants."""

from itertools import combinations

import numpy as np
import pandas as pd
import pytest

from culmbook.stand.losses import clustering, longest_runs, run_chance


def _plot(rows, plot="1"):
    """Gap records from strings such as '..xx.': x missing."""
    return pd.DataFrame(
        [
            {
                "site": "S",
                "plot": plot,
                "counted_on": pd.Timestamp("2025-09-30"),
                "position_row": i,
                "position": j,
                "alive": "no" if cell == "x" else "yes",
            }
            for i, row in enumerate(rows, 1)
            for j, cell in enumerate(row, 1)
            if cell != " "
        ]
    )


def test_longest_runs_counts_along_the_row_only():
    table = longest_runs(_plot(["xx.xx", "x....", "xxx..", "....x"])).iloc[0]
    assert (
        table["missing"],
        table["longest_run"],
        table["runs_of_three"],
        table["position_row"],
    ) == (9, 3, 1, 3)


def test_position_not_looked_at_breaks_a_run():
    assert longest_runs(_plot(["xx xx"]))["longest_run"].tolist() == [2]


def test_plot_without_gap_has_no_run():
    assert longest_runs(_plot(["....."]))["longest_run"].tolist() == [0]


@pytest.mark.parametrize(
    ("segments", "missing", "run"),
    [((3, 3, 3), 4, 3), ((4, 4), 3, 2), ((5,), 3, 3), ((2, 3), 2, 3)],
)
def test_run_chance_matches_counting_every_arrangement(segments, missing, run):
    ends = np.cumsum(segments)
    starts = set(ends - np.array(segments))
    hits = total = 0
    for chosen in combinations(range(ends[-1]), missing):
        length = longest = 0
        for i in range(ends[-1]):
            length = (0 if i in starts else length) + 1 if i in chosen else 0
            longest = max(longest, length)
        hits, total = hits + (longest >= run), total + 1
    assert run_chance(segments, missing, run) == pytest.approx(hits / total)


def test_clustering_expects_the_joins_of_random_arrangements():
    """m missing of n positions with k neighbouring pairs: k m (m - 1) / (n (n - 1)) joins expected
    (Moran 1948).
    """
    test = clustering(_plot(["x.x.x.x.x."] * 10), permutations=4000).iloc[0]
    assert (test.joins, test.longest_run) == (0, 1)
    assert test.joins_expected == pytest.approx(90 * (50 * 49) / (100 * 99), abs=0.15)


def test_p_of_joins_is_uniform_over_all_arrangements_however_few_are_drawn():
    """Two missing of four: over the six arrangements p is uniform, so its mean is one half, and
    with one arrangement drawn each chance counts (Edgington & Onghena 2007, ch. 3).
    """
    rows = [
        "".join("x" if i in gone else "." for i in range(4)) for gone in combinations(range(4), 2)
    ]
    p = [
        clustering(_plot([row]), permutations=1, seed=seed)["p_joins"].iloc[0]
        for row in rows
        for seed in range(60)
    ]
    assert np.mean(p) == pytest.approx(0.5, abs=4 * np.sqrt(1 / 12 / len(p)))
    assert np.mean(np.array(p) < 0.25) == pytest.approx(0.25, abs=4 * np.sqrt(0.1875 / len(p)))


def test_clustering_finds_a_failed_row_through_plots():
    gaps = pd.concat(
        [_plot(["......", "xxxxxx", ".x....", "......"], plot=str(k)) for k in range(3)]
    )
    assert clustering(gaps)["p_value"].iloc[0] < 0.001


def test_clustering_refuses_two_dates_and_plots_without_choice():
    twice = pd.concat(
        [_plot(["x.x."]), _plot(["x.x."]).assign(counted_on=pd.Timestamp("2026-06-20"))]
    )
    with pytest.raises(ValueError, match="two dates"):
        clustering(twice)
    with pytest.raises(ValueError, match="nothing to arrange"):
        clustering(_plot(["x..."]))
