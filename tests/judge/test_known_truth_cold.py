"""Coverage of the site's cold on simulated records, a short version of
``tests/known_truth_cold.py``.

The rule: within one point plus two Monte Carlo standard errors; red when every interval is made 15
% narrower.
"""

from functools import partial

import pytest

from known_truth import passes, run
from known_truth_cold import late_frost_set, level_set, rank_set, severity_set

pytestmark = pytest.mark.long


@pytest.fixture(scope="module")
def levels():
    return run(partial(level_set, periods=(10,)), 500)


def test_return_levels_of_twenty_winters_cover(levels):
    assert passes(levels, "1 in 10", 0.95), levels


def test_coverage_check_goes_red_for_narrower_levels(levels):
    assert not passes(levels, "1 in 10, narrowed", 0.95), levels


def test_return_levels_lean_little(levels):
    """Bounds are ours: a fifth of a winter's sd."""
    assert abs(levels.loc["1 in 10, bias in sd of a winter", "estimate"]) < 0.2


def test_late_frost_chances_cover_with_censored_springs():
    table = run(late_frost_set, 250)
    assert passes(table, "late frost, fitted chance", 0.95), table


def test_severity_keeps_its_error_rate_with_few_winters():
    table = run(severity_set, 40)
    assert passes(table, "severity rejected, no effect", 0.05), table
    assert passes(table, "severity slope", 0.95), table


def test_rank_correlations_cover():
    table = run(rank_set, 400)
    assert passes(table, "rank correlation, Spearman", 0.95) and passes(
        table, "rank correlation, Kendall", 0.95
    ), table
