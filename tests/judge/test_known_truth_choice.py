"""Gains and chances on networks that grow by other rules than the model's, a short version of
``tests/judge/known_truth_choice.py``. The check of limits must go red at half their width.
"""

import numpy as np
import pytest

from known_truth_choice import DELTA, FATES, run_choice

NETWORKS = 10


@pytest.fixture(scope="module")
def claims():
    found = run_choice(NETWORKS, hybrids=16, sites=4)[0]
    return found[found["by"].eq(FATES[1])]


def coverage(claims, width=1.0):
    """Share of true gains within the limits, and its standard error over networks."""
    low, high = (
        claims["estimate"] + width * (claims[end] - claims["estimate"])
        for end in ("lower", "upper")
    )
    rates = claims["true"].between(low, high).groupby(claims["network"]).mean()
    return rates.mean(), rates.sem()


def test_true_gains_lie_within_their_limits(claims):
    rate, error = coverage(claims)
    assert rate >= 0.94 - 2 * error
    rate, error = coverage(claims, 0.5)
    assert rate < 0.94 - 2 * error


def test_chances_over_the_margin_come_true(claims):
    # all claims of a network share the control's error, so a network counts once
    came = claims["true"].gt(np.log1p(DELTA))
    apart = (claims["chance"] - came).groupby(claims["network"]).mean()
    assert abs(apart.mean()) <= 0.03 + 2 * apart.sem(), apart
