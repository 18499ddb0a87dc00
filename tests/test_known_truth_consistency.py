"""Bias, coverage and calibration of the consistency methods, a short version of ``tests/known_truth_consistency.py``.

The rule: within one point plus two Monte Carlo standard errors. The same check must go red when every interval is made 15 %
narrower, which takes the many data sets of the slow test.
"""

import numpy as np
import pytest
from known_truth_consistency import RESIDUAL, SD, claims_of, consistency_set, passes, run, share_set

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def networks():
    return run(consistency_set, 40)


@pytest.mark.parametrize("term", [t for t in SD if t not in ("block_key", "replicate_season")])
def test_components_with_many_levels_are_not_biased(networks, term):
    row = networks.loc[f"ratio, {term}"]
    assert abs(row["estimate"] - 1) < 0.10 + 2 * row["se"], networks
    if term == RESIDUAL:
        assert abs(row["estimate"] - 1) < 0.03 + 2 * row["se"], networks


def test_repeatability_intervals_cover(networks):
    row = networks.loc["repeatability"]
    assert row["estimate"] > 0.90 - 2 * row["se"], networks


def test_chances_against_the_control_are_calibrated_and_beat_shrinkage_alone(networks):
    claims = claims_of(networks)
    assert claims["claims"].sum() == 40 * 23
    apart = claims["true less stated"].abs()
    assert (apart <= 0.02 + 3 * claims["se"]).all(), claims
    slope = np.polyfit(claims["stated"], claims["stated"] + claims["true less stated"], 1, w=np.sqrt(claims["claims"]))[0]
    assert slope == pytest.approx(1, abs=0.2), claims
    assert networks.loc["Brier", "estimate"] < networks.loc["Brier, shrinkage only", "estimate"], networks


def test_early_shares_are_not_covered_too_seldom_and_the_boundary_seldom_called_full():
    n = 16
    table = run(share_set, n)
    # all shares of a set share the control's error, so a set counts once
    assert table.loc["relative share", "estimate"] >= 0.94 - 2 * np.sqrt(0.05 * 0.95 / n), table
    assert table.loc["shown on the boundary, 0.025", "estimate"] <= 0.035 + 2 * np.sqrt(0.025 * 0.975 / n), table


def test_early_shares_cover_and_narrower_intervals_go_red():
    table = run(share_set, 300)
    assert passes(table, "relative share", 0.95) and not passes(table, "narrowed relative share", 0.95), table
    assert passes(table, "shown on the boundary, 0.025", 0.025), table
