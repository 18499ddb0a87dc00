"""Probabilities and decisions of a selection on simulated networks, a short version of
``tests/known_truth_selection.py``.

The networks are smaller than those of the script, so that there can be more of them. The same
checks must go red when the draws are only half as wide.
"""

import pytest

from known_truth_selection import SMALL, calibration, loss_table, run_selection

pytestmark = pytest.mark.long

SETS = 40


@pytest.fixture(scope="module")
def results():
    return run_selection(SETS, SMALL)


@pytest.fixture(scope="module")
def calibrated(results):
    return calibration(results[0])


def is_calibrated(row):
    return (
        abs(row["slope"] - 1) <= 0.1 + 2 * row["slope se"]
        and abs(row["error ratio"] - 1) <= 0.05 + 2 * row["ratio se"]
    )


@pytest.mark.parametrize("claim", ["top", "beats", "worthy"])
def test_stated_probabilities_come_true(calibrated, claim):
    assert is_calibrated(calibrated.loc[claim]), calibrated


def test_check_goes_red_for_draws_that_are_too_sure(calibrated):
    assert not is_calibrated(calibrated.loc["halved top"]), calibrated


def test_decisions_lose_less_than_cutting_a_ranking(results):
    table = loss_table(results[1])
    for other in ("BLUP, best k", "raw means, best k"):
        assert table.loc[other, "less from"] > 0, table


def test_waiting_brings_what_was_stated(results):
    told = results[1][["loss stated after", "loss after"]].dropna()
    apart = told["loss after"] - told["loss stated after"]
    assert len(told) > 5 and abs(apart.mean()) <= 0.02 + 2 * apart.sem(), told


def test_heritability_is_hardly_biased(results):
    own = results[1]["heritability, bias"]
    assert abs(own.mean()) <= 0.05 + 2 * own.sem()


def test_fits_are_not_refused(results):
    assert len(results[2]) <= SETS // 20, results[2]
