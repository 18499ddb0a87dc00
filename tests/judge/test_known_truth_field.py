"""Gain, cost and coverage of trends over a field, a short version of
``tests/known_truth_field.py``.

The rule for coverage is that of ``known_truth.py``; the same check must go red when every interval
is made 15 % narrower.
"""

import pandas as pd
import pytest

from known_truth_field import COSTS_LESS, LINES, NONE, SMOOTH, passes, ratio, run, summarise

pytestmark = pytest.mark.long

SETS = 35


@pytest.fixture(scope="module")
def trials():
    return {scenario: run(scenario, SETS) for scenario in (NONE, SMOOTH, LINES)}


@pytest.fixture(scope="module")
def together(trials):
    return summarise(pd.concat(trials.values(), ignore_index=True))


def test_taking_out_a_trend_that_is_not_there_costs_little(trials):
    value, se = ratio(trials[NONE])
    assert value < COSTS_LESS + 2 * se
    assert trials[NONE]["chosen blocks"].mean() > 0.8


@pytest.mark.parametrize("scenario", [SMOOTH, LINES])
def test_taking_out_a_trend_lowers_the_error_of_the_means(trials, scenario):
    value, se = ratio(trials[scenario])
    assert value + se < 1


@pytest.mark.parametrize("model", ["blocks", "chosen"])
def test_intervals_of_differences_cover(together, model):
    assert passes(together, f"differences, {model}", 0.95), together


def test_coverage_check_goes_red_for_narrower_intervals(together):
    assert not passes(together, "narrowed differences, chosen", 0.95), together


def test_variance_that_the_chosen_model_states_is_the_true_one(together):
    row = together.loc["variance stated over true"]
    assert abs(row["estimate"] - 1) < 0.05 + 2 * row["se"], together
