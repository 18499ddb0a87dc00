"""Limits and probabilities of traits on simulated data, a short version of
``tests/known_truth_traits.py``.

The rule: within one point plus two Monte Carlo standard errors; red when every interval is made 15
% narrower. Calibration slopes of 0.9 to 1.1 are asked for.
"""

from functools import partial

import pytest

from known_truth import passes, run
from known_truth_traits import NAMES, alone_set, excess, joint_set, slope

pytestmark = pytest.mark.long


@pytest.fixture(scope="module")
def alone():
    return run(alone_set, 20)


@pytest.fixture(scope="module")
def jointly():
    return run(partial(joint_set, hybrids=60), 20)


def test_stand_draws_cover_and_their_chance_of_passing_is_calibrated(alone):
    assert passes(alone, "stand", 0.95) and not passes(alone, "stand, narrowed", 0.95), alone
    assert 0.9 < slope(alone, "stand") < 1.1 and abs(excess(alone, "stand")) < 0.03


def test_lt50_draws_of_three_runs_cover_at_least(alone):
    """With three runs the runs' part has a t of two degrees of freedom: limits err on the wide
    side.
    """
    assert alone.loc["lt50_c", "estimate"] > 0.94, alone
    assert 0.9 < slope(alone, "lt50_c") < 1.1 and abs(excess(alone, "lt50_c")) < 0.03


def test_joint_draws_cover_and_their_chance_of_passing_all_floors_is_calibrated(jointly):
    assert jointly.loc["joint", "estimate"] == 1
    covering = [f"{name}, jointly" for name in NAMES] + ["index over a hybrid"]
    assert all(passes(jointly, name, 0.95) for name in covering), jointly
    mean = jointly.loc[[f"{name}, jointly, narrowed" for name in NAMES], "estimate"].mean()
    assert mean < 0.92, jointly
    assert 0.9 < slope(jointly, "all floors, jointly") < 1.1
    assert abs(excess(jointly, "all floors, jointly")) < 0.03
