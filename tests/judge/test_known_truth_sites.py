"""Coverage of what is said of one site beside the others, a short version of
``tests/known_truth_sites.py``.

The rule: within one point plus two Monte Carlo standard errors. The same check must go red when
every interval is made 15 % narrower.
"""

import pytest

from known_truth import run
from known_truth_sites import apart_set, pair_set, passes

pytestmark = pytest.mark.long


@pytest.fixture(scope="module")
def apart():
    return run(apart_set, 50)


def test_limits_of_all_differences_cover_at_once(apart):
    assert passes(apart, "all differences at once", 0.95), apart


def test_coverage_check_goes_red_for_narrower_limits(apart):
    assert not passes(apart, "narrowed all differences at once", 0.95), apart


@pytest.fixture(scope="module")
def pairs():
    return run(pair_set, 24)


def test_limits_of_a_pair_of_sites_cover_that_pair(pairs):
    assert passes(pairs, "limits of a pair", 0.95), pairs


def test_coverage_of_pairs_goes_red_for_narrower_limits(pairs):
    # 70 % held where limits were those of the one covariance chosen
    assert not passes(pairs, "narrowed limits of a pair", 0.95), pairs
