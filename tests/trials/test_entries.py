import pytest

from component_frames import make_ground
from culmbook.trials.entries import trial_of


def test_a_trial_is_the_one_asked_for_or_the_first():
    plots = make_ground(trial="T2")
    assert trial_of(plots, "T2") == trial_of(plots) == "T2"


def test_a_mistyped_trial_is_refused_with_those_there_are():
    with pytest.raises(ValueError, match="trial = 'T9'.*trials there are: T1"):
        trial_of(make_ground(), "T9")
