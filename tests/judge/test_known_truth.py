"""Coverage and error rates on simulated trials, a short version of ``tests/known_truth.py``.

The rule: within one point plus two Monte Carlo standard errors. The same check must go red when
every interval is made 15 % narrower.
"""

import pytest

from known_truth import film_set, gap_set, hybrid_set, passes, run

pytestmark = pytest.mark.long

SETS = 60


@pytest.fixture(scope="module")
def rates():
    return run(hybrid_set, SETS)


@pytest.mark.parametrize(
    "name",
    [
        "share, usual hybrids",
        "share, hybrid near 100 %",
        "share, hybrid near 0 %",
        "difference from control, single",
        "differences, simultaneous",
        "ratios, simultaneous",
    ],
)
def test_intervals_cover(rates, name):
    assert passes(rates, name, 0.95), rates


@pytest.mark.parametrize("name", ["share, usual hybrids", "difference from control, single"])
def test_coverage_check_goes_red_for_narrower_intervals(rates, name):
    assert not passes(rates, "narrowed " + name, 0.95), rates


def test_film_test_keeps_its_error_rate():
    table = run(film_set, 300)
    assert passes(table, "film rejected, no effect", 0.05), table


def test_gap_test_keeps_its_error_rate_and_finds_a_failed_row():
    table = run(gap_set, 120)
    assert passes(table, "gap test, gaps random", 0.05), table
    assert table.loc["gap test, machine row missing", "estimate"] > 0.8
