"""Coverage and calibration of the methods of year-on-year consistency, a short version of
``tests/known_truth_consistency.py``.

The rule: within one point plus two Monte Carlo standard errors. The same check must go red when
every interval is made 15 % narrower, and for chances that leave new seasons and sites out.
"""

from functools import partial

import pytest

from known_truth_consistency import (
    boundary_set,
    component_set,
    consistency_set,
    each_set,
    is_calibrated,
    passes,
    run,
    share_set,
    slope_of,
    summary,
)

pytestmark = pytest.mark.long

LESS = {"size": (3, 2), "hybrids": 12, "replicates": 2}


@pytest.fixture(scope="module")
def networks():
    return each_set(partial(consistency_set, n=250), 80)


@pytest.mark.parametrize("what", ["lasting gain", "repeatability"])
def test_intervals_of_gains_and_repeatability_cover(networks, what):
    table = summary(networks)
    assert passes(table, what, 0.95), table.loc[what]


def test_coverage_check_goes_red_for_narrower_intervals(networks):
    table = summary(networks)
    assert not passes(table, "narrowed lasting gain", 0.95), table.loc["narrowed lasting gain"]


def test_chances_against_the_control_are_calibrated_and_those_of_means_alone_are_not(networks):
    assert is_calibrated(slope_of(networks)), slope_of(networks)
    assert not is_calibrated(slope_of(networks, "baseline ")), slope_of(networks, "baseline ")


def test_intervals_of_early_shares_cover():
    table = run(partial(share_set, n=250, **LESS), 60)
    assert passes(table, "relative share", 0.95), table


@pytest.mark.parametrize("alpha", [0.025, 0.05])
def test_full_yield_is_seldom_shown_on_the_boundary(boundary, alpha):
    assert passes(boundary, f"shown on the boundary, {alpha}", alpha), boundary


@pytest.fixture(scope="module")
def boundary():
    return run(partial(boundary_set, **LESS), 80)


@pytest.mark.parametrize(
    "term", ["hybrid", "hybrid_site", "hybrid_season", "hybrid_site_season", "plot_key", "residual"]
)
def test_components_are_not_biased(components, term):
    row = components.loc[f"ratio, {term}"]
    assert abs(row["estimate"] - 1) < 0.10 + 2 * row["se"], components


@pytest.fixture(scope="module")
def components():
    return run(component_set, 60)
