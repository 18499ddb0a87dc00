"""Extreme value fits against published and reference values, refusals, signs."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from culmbook.frost.return_levels import (
    chance_colder,
    cold_levels,
    plotting_positions,
    trend,
    why_no_levels,
)
from culmbook.stats.extremes import chance_above, fit_gev, return_level

PUBLISHED = Path(__file__).parents[1] / "published"


@pytest.fixture(scope="module")
def sea_level():
    return pd.read_csv(PUBLISHED / "tawn_1993_portpirie.csv", comment="#")["level_m"].to_numpy()


@pytest.fixture(scope="module")
def reference():
    table = pd.read_csv(PUBLISHED / "gev_references.csv", comment="#")
    return table.pivot(index="model", columns="quantity", values="value")


def test_fit_matches_tawn_1993(sea_level):
    """Coles (2001) section 3.4.1; value from memory, recomputed with evd 2.3.6.1."""
    fit = fit_gev(sea_level, shape_prior=None)
    assert fit.location == pytest.approx(3.87, abs=0.005)
    assert fit.scale == pytest.approx(0.198, abs=0.0005)
    assert fit.shape == pytest.approx(-0.050, abs=0.0005)
    assert fit.loglik == pytest.approx(4.34, abs=0.005)
    assert return_level(fit, 10)[0] == pytest.approx(4.30, abs=0.005)
    assert return_level(fit, 100)[0] == pytest.approx(4.69, abs=0.005)


@pytest.mark.parametrize(
    ("model", "given"),
    [
        ("plain", {"shape_prior": None}),
        ("penalised", {"shape_prior": (-0.15, 0.15)}),
        ("censored", {"shape_prior": None, "censored_at": 3.8}),
        ("censored penalised", {"shape_prior": (-0.15, 0.15), "censored_at": 3.8}),
    ],
)
def test_fits_match_optim_with_evd(sea_level, reference, model, given):
    limit = given.get("censored_at", -np.inf)
    fit = fit_gev(sea_level[sea_level >= limit], n_censored=int((sea_level < limit).sum()), **given)
    expected = reference.loc[model]
    assert [fit.location, fit.scale, fit.shape] == pytest.approx(
        expected[["location", "scale", "shape"]].tolist(), abs=2e-5
    )
    assert fit.criterion == pytest.approx(expected["criterion"], abs=1e-6)


def test_profile_limits_match_optim_with_evd(sea_level, reference):
    plain, short = (
        fit_gev(sea_level, shape_prior=None),
        fit_gev(sea_level[:20], shape_prior=(-0.15, 0.15)),
    )
    names = ["estimate", "lower", "upper"]
    assert return_level(plain, 10) == pytest.approx(
        reference.loc["level 10", names].tolist(), abs=1e-4
    )
    assert return_level(plain, 100) == pytest.approx(
        reference.loc["level 100", names].tolist(), abs=2e-4
    )
    assert return_level(short, 10) == pytest.approx(
        reference.loc["level 10 of 20 years", names].tolist(), abs=1e-4
    )
    assert chance_above(plain, 4.3) == pytest.approx(
        reference.loc["chance above 4.3", names].tolist(), abs=1e-4
    )


def test_shape_has_the_opposite_sign_of_scipy(sea_level):
    fit = fit_gev(sea_level, shape_prior=None)
    assert fit.loglik == pytest.approx(
        stats.genextreme.logpdf(sea_level, -fit.shape, fit.location, fit.scale).sum()
    )
    assert return_level(fit, 50)[0] == pytest.approx(
        stats.genextreme.isf(1 / 50, -fit.shape, fit.location, fit.scale)
    )


def test_level_and_chance_are_inverse(sea_level):
    fit = fit_gev(sea_level)
    assert chance_above(fit, return_level(fit, 20)[0])[0] == pytest.approx(1 / 20)


def test_cold_levels_are_negated_levels_of_negated_minima(sea_level):
    table = cold_levels(-sea_level, periods=(10,))
    level, low, high = return_level(fit_gev(sea_level), 10)
    assert table[["minimum_c", "lower_c", "upper_c"]].iloc[0].tolist() == pytest.approx(
        [-level, -high, -low]
    )


def test_chance_of_a_colder_winter_is_the_chance_above_of_the_negated(sea_level):
    table = cold_levels(-sea_level, periods=(10,))
    assert chance_colder(-sea_level, table["minimum_c"].iloc[0])[0] == pytest.approx(0.1)
    with pytest.raises(ValueError, match="return levels need 15"):
        chance_colder(-sea_level[:14], -4.0)


def test_shift_and_scale_of_the_data_carry_over(rng):
    minima = rng.gumbel(-3, 1, 20)
    plain, moved = cold_levels(minima), cold_levels(9 * minima / 5 + 32)  # degrees Fahrenheit
    for name in ("minimum_c", "lower_c", "upper_c"):
        assert moved[name].tolist() == pytest.approx((9 * plain[name] / 5 + 32).tolist(), abs=1e-3)


def test_a_strong_prior_fixes_the_shape(rng):
    assert fit_gev(rng.gumbel(0, 1, 20), shape_prior=(-0.2, 1e-4)).shape == pytest.approx(
        -0.2, abs=1e-3
    )


def test_fourteen_winters_are_refused_in_words(rng):
    with pytest.raises(
        ValueError, match="There are 14 complete winters, and return levels need 15"
    ):
        cold_levels(rng.normal(-3, 1, 14))
    assert (
        why_no_levels([], what="spring")
        == "There are no complete springs, and return levels need 15: none is given."
    )
    assert why_no_levels(rng.normal(-3, 1, 15)) is None


def test_equal_minima_are_refused_in_words():
    with pytest.raises(ValueError, match="All winters have the same value"):
        cold_levels([-2.0] * 20)
    with pytest.raises(ValueError, match="not all alike"):
        fit_gev([1.0] * 20)


def test_a_missing_year_or_an_uncensored_value_below_the_limit_is_refused():
    with pytest.raises(ValueError, match="leave such years out"):
        fit_gev([1, 2, 3, 4, 5, np.nan])
    with pytest.raises(ValueError, match="no value may lie below"):
        fit_gev([1, 2, 3, 4, 5, 6], n_censored=2, censored_at=3)
    with pytest.raises(ValueError, match="longer than 1 year"):
        return_level(fit_gev([1, 2, 3, 4, 5, 6]), 1)


def test_too_few_values_among_many_censored_years_are_refused():
    assert why_no_levels([130.0, 125.0], n_censored=18, what="spring").startswith(
        "Only 2 of 20 springs have a value"
    )


def test_a_period_beyond_the_record_is_marked(rng):
    assert cold_levels(rng.normal(-3, 1, 20), periods=(10, 50))["beyond"].tolist() == [False, True]


def test_a_value_above_the_bound_has_chance_zero():
    fit = fit_gev([1.0, 1.9, 2.5, 2.8, 3.0, 3.05, 3.1], shape_prior=(-0.5, 0.01))
    assert chance_above(fit, 30)[:2] == (0.0, 0.0)


def test_plotting_positions_of_three_years():
    """Gringorten's formula by hand: (3 + .12)/(1 - .44) = 5.571 for the largest."""
    assert plotting_positions([1.0, 3.0, 2.0]) == pytest.approx(
        [3.12 / 2.56, 3.12 / 0.56, 3.12 / 1.56]
    )


def test_trend_of_a_straight_line():
    change, low, high, p_value = trend(2 + 0.05 * np.arange(20), np.arange(20))
    assert (change, low, high) == pytest.approx((0.5, 0.5, 0.5)) and p_value < 1e-6
