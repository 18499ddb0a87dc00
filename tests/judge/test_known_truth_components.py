"""Bias and coverage of the component methods, a short version of
``known_truth_components.py``.

The rule: within one point plus two Monte Carlo standard errors. The same check must go red when
every interval is made 15 % narrower.
"""

import pytest

from known_truth_components import demo_set, passes, path_set, prediction_set, run, share_set

pytestmark = pytest.mark.long

PARTS = ["plants_per_m2", "stems_per_plant", "stem_mass_g", "rest"]


@pytest.fixture(scope="module")
def shares():
    return run(share_set, 200)


@pytest.fixture(scope="module")
def predictions():
    return run(prediction_set, 30)


@pytest.mark.parametrize("among", ["hybrids", "plots"])
def test_intervals_of_shares_cover(shares, among):
    assert passes(shares, f"shares among {among}", 0.95), shares


@pytest.mark.parametrize("among", ["hybrids", "plots"])
def test_coverage_check_goes_red_for_narrower_intervals(shares, among):
    assert not passes(shares, f"narrowed shares among {among}", 0.95), shares


@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize("among", ["hybrids", "plots"])
def test_shares_are_not_biased(shares, among, part):
    row = shares.loc[f"bias, {among}, {part}"]
    assert abs(row["estimate"]) < 0.03 + 2 * row["se"], shares


def test_shares_of_the_demo_generators_sheets_are_not_biased_and_covered():
    table = run(demo_set, 8)
    for part in PARTS:
        row = table.loc[f"bias, hybrids, {part}"]
        assert abs(row["estimate"]) < 0.03 + 2 * row["se"], table
    assert (
        table.loc["shares among hybrids", "estimate"]
        > 0.92 - 2 * table.loc["shares among hybrids", "se"]
    ), table


def test_paths_of_true_means_are_nearer_to_the_truth_than_those_of_means_as_they_are():
    table = run(path_set, 120)
    gain = table.loc["gain"]
    assert gain["estimate"] > 2 * gain["se"], table
    assert abs(table.loc["size of bias, genotypic", "estimate"]) < abs(
        table.loc["size of bias, means", "estimate"]
    )


@pytest.mark.parametrize("place", ["new site-year", "known site-year"])
def test_intervals_for_uncut_plots_hold(predictions, place):
    assert passes(predictions, f"uncut plots, {place}", 0.95), predictions
    assert not passes(predictions, f"narrowed uncut plots, {place}", 0.95), predictions


@pytest.mark.parametrize("unit", ["t/ha", "log"])
def test_stated_error_is_the_true_one_of_new_site_years(predictions, unit):
    stated, true = (
        predictions.loc[f"{kind} error, {unit}", "estimate"] for kind in ("stated", "true")
    )
    assert abs(stated / true - 1) < 0.10, predictions
