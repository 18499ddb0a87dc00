"""Winters of a site: minima measured, damped, taken from the air and left out; return levels,
refusals, signs.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import optimize, stats

from culmbook.frost import words
from culmbook.frost.winters import (
    BORROWED,
    DAMPED,
    FORMULA,
    MEASURED,
    OWN,
    chance_colder,
    cold_levels,
    damped,
    damping_depth_cm,
    fit_damping,
    known_minima,
    lent_damping,
    level_curve,
    plotting_positions,
    site_damping,
    site_levels,
    site_winters,
    trend,
    why_no_levels,
    winter_minima,
    winter_severity,
)
from culmbook.stats.extremes import chance_above, fit_gev, return_level
from culmbook.text.refusal import Refusal

PUBLISHED = Path(__file__).parents[1] / "published"

SOIL = "soil_temperature_5cm_min_c"


def record(years=6, *, site="S1", seed=4, soil=True, spell=0.4, day=0.3, noise=0.2):
    """Days from 1 July 2010 whose soil follows the 15-day mean of the air, with a known damping."""
    rng = np.random.default_rng(seed)
    dates = pd.date_range("2010-07-01", f"{2010 + years}-06-30")
    season = 9 - 10 * np.cos(2 * np.pi * (dates.day_of_year - 20) / 365.25)
    weather = np.convolve(rng.normal(0, 6, len(dates) + 4), np.ones(5) / 5, "valid")
    mean, half = season + weather, rng.uniform(2, 6, len(dates))
    running = pd.Series(mean).rolling(15, min_periods=12).mean().to_numpy()
    value = running + spell * (mean - running) - day * half + rng.normal(0, noise, len(dates))
    return pd.DataFrame(
        {
            "site": site,
            "date": dates,
            "air_temperature_min_c": mean - half,
            "air_temperature_max_c": mean + half,
            SOIL: value if soil else np.nan,
        }
    )


def test_a_frost_after_april_is_the_minimum_of_its_winter():
    """The soil at −9 °C on 6 May: colder than any day from October to April, which must be whole."""
    weather = record(3)
    late = weather["date"].eq("2012-05-06")
    weather.loc[late, SOIL] = -9.0
    row = winter_minima(weather).set_index("winter").loc[2011]
    assert (row["minimum_c"], row["on"]) == (-9.0, pd.Timestamp("2012-05-06"))
    weather.loc[weather["date"].eq("2012-06-01"), [SOIL, "air_temperature_min_c"]] = np.nan
    assert winter_minima(weather).set_index("winter").loc[2011, "minimum_c"] == -9.0


def test_damping_depths_of_day_and_year():
    """By hand: sqrt(2·0.5·86400/(2π)) = 117.3 mm for the day, sqrt(365) times that for the year."""
    assert damping_depth_cm(1) == pytest.approx(np.sqrt(43200 / np.pi) / 10)
    assert damping_depth_cm(365) / damping_depth_cm(1) == pytest.approx(np.sqrt(365))
    assert damped(2 * damping_depth_cm(10), 10) == pytest.approx(np.exp(-2))


def test_a_measured_winter_is_its_lowest_reading():
    weather = record().assign(**{SOIL: 5.0})
    weather.loc[weather["date"] == "2012-01-15", SOIL] = -4.5
    row = winter_minima(weather).set_index("winter").loc[2011]
    assert (
        row["minimum_c"] == -4.5
        and row["on"] == pd.Timestamp("2012-01-15")
        and row["kind"] == MEASURED
    )
    assert row["label"] == "winter 2011/12"


def test_missing_days_leave_a_winter_out_and_say_how_many():
    weather = record()
    gone = weather["date"].between("2012-02-01", "2012-02-10")
    table = winter_minima(weather[~gone]).set_index("winter")
    assert table["reason"].dropna().to_dict() == {2011: "10 of 213 days missing"}
    assert np.isnan(table.loc[2011, "minimum_c"])
    (told,) = words.minima(table.reset_index(), weather)
    assert told.startswith("S1: 5 winters on record can be used.")
    assert "winter 2011/12 (10 of 213 days missing)" in told


def test_days_missing_in_summer_do_not_matter():
    weather = record()
    gone = weather["date"].isin(pd.to_datetime(["2012-08-01", "2012-08-02"]))
    assert winter_minima(weather[~gone])["reason"].isna().all()


def test_damping_is_found_again(rng):
    fit = fit_damping(record(years=10))
    assert fit.window_days == 15 and fit.kind == OWN and fit.n_winters == 10
    assert fit.spell == pytest.approx(0.4, abs=0.01)
    assert fit.day == pytest.approx(0.3, abs=0.01)


def test_damping_without_noise_is_exact():
    fit = fit_damping(record(noise=0.0))
    assert [fit.spell, fit.day, fit.shift_c] == pytest.approx([0.4, 0.3, 0.0], abs=1e-9)
    assert fit.error_c == pytest.approx(0, abs=1e-9) and fit.stretch == pytest.approx(1)


def test_a_site_without_frost_days_has_no_damping_to_fit():
    weather = record(years=5)
    weather[["air_temperature_min_c", "air_temperature_max_c", SOIL]] += 40
    assert fit_damping(weather) is None and site_damping(weather).kind == FORMULA


def test_blank_soil_days_are_taken_from_the_air_within_the_stated_error():
    weather = record(years=12)
    truth = winter_minima(weather).set_index("winter")["minimum_c"]
    weather.loc[weather["date"].between("2015-01-01", "2015-01-03"), SOIL] = np.nan
    row = winter_minima(weather).set_index("winter").loc[2014]
    assert row["kind"] == OWN and row["n_missing_soil"] == 3
    assert abs(row["minimum_c"] - truth[2014]) < 4 * fit_damping(weather).error_c


def test_stated_error_is_that_of_new_winters():
    """The error from winters left out agrees with that of 30 winters the fit never saw."""
    weather = record(years=42, noise=0.5)
    seen, new = weather[weather["date"] < "2022-07-01"], weather[weather["date"] >= "2022-07-01"]
    fit = fit_damping(seen)
    blind = winter_minima(new.assign(**{SOIL: np.nan}), borrowed=fit).set_index("winter")[
        "minimum_c"
    ]
    error = np.sqrt(((blind - winter_minima(new).set_index("winter")["minimum_c"]) ** 2).mean())
    assert fit.error_c == pytest.approx(error, rel=0.4)


def test_air_alone_is_an_approximation_and_says_so():
    weather = record(soil=False)
    table = winter_minima(weather)
    assert set(table["kind"]) == {FORMULA} and table["minimum_c"].notna().all()
    assert "too cold by an unknown amount" in words.minima(table, weather)[0]
    with pytest.raises(Refusal, match="At S1 the soil was never read"):
        known_minima(table)


def test_a_site_without_soil_borrows_from_the_others_and_says_so():
    weather = pd.concat(
        [record(), record(site="S2", seed=5), record(site="S3", seed=6, soil=False)]
    )
    table = site_winters(weather, 5.0, 2014)
    of_site = table.groupby("site")["kind"].agg(set)
    assert of_site.to_dict() == {"S1": {MEASURED}, "S2": {MEASURED}, "S3": {BORROWED}}
    assert table["winter"].max() == 2014
    lent = fit_damping(weather)
    assert lent_damping(weather).spell == lent.spell and lent.kind == BORROWED
    assert "fitted to other sites' readings" in words.minima(table, weather)[2]
    assert lent_damping(weather[weather["site"] == "S1"]) is None


def test_formula_by_hand():
    """A constant mean with one cold day: running mean, less the spell's and the night's damped
    shares.
    """
    dates = pd.date_range("2010-07-01", "2011-06-30")
    mean = np.where(dates == pd.Timestamp("2011-01-10"), -8.0, 2.0)
    weather = pd.DataFrame(
        {
            "site": "S1",
            "date": dates,
            "air_temperature_min_c": mean - 3,
            "air_temperature_max_c": mean + 3,
            SOIL: np.nan,
        }
    )
    running = 2 - 10 / 31
    expected = (
        running
        + np.exp(-5 / damping_depth_cm(10)) * (-8 - running)
        - np.exp(-5 / damping_depth_cm(1)) * 3
    )
    assert winter_minima(weather)["minimum_c"].iloc[0] == pytest.approx(expected)


def test_deeper_is_milder_and_marked():
    shallow, deep = winter_minima(record()), winter_minima(record(), 15)
    assert (deep["minimum_c"] > shallow["minimum_c"]).all() and set(deep["kind"]) == {DAMPED}


def test_other_sites_and_row_order_do_not_matter():
    one = winter_minima(record())
    both = winter_minima(
        pd.concat([record(), record(site="S0", seed=9)]).sample(frac=1, random_state=1)
    )
    pd.testing.assert_frame_equal(both[both["site"] == "S1"].reset_index(drop=True), one)


def test_severity_counts_stand_beside_the_minimum():
    weather = record(years=3).assign(
        air_temperature_min_c=3.0,
        air_temperature_max_c=9.0,
        snow_depth_cm=0.0,
        precipitation_mm=0.0,
    )
    weather.loc[weather["date"].between("2011-01-01", "2011-01-07"), "air_temperature_min_c"] = -5.0
    weather.loc[weather["date"].between("2011-01-03", "2011-01-06"), "snow_depth_cm"] = 4.0
    table = winter_severity(winter_minima(weather), weather, 2011).set_index("winter")
    columns = ["min_air_c", "frost_days", "hard_frost_days", "snow_days"]
    assert table.loc[2010, columns].tolist() == [-5, 7, 7, 4] and table.index.tolist() == [
        2010,
        2011,
    ]


def test_no_weather_is_an_empty_table():
    nothing = record().iloc[:0]
    table = site_winters(nothing, 5.0, 2014)
    assert table.empty and winter_severity(table, nothing, 2014).empty
    with pytest.raises(Refusal, match="no winter on record"):
        known_minima(table)


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
    with pytest.raises(Refusal, match="There are 14 complete winters, and return levels need 15"):
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


def test_sites_without_enough_winters_are_left_out_and_refused_where_there_is_no_other(rng):
    minima = pd.DataFrame({"site": "S1", "minimum_c": rng.normal(-3, 1, 20), "kind": MEASURED})
    both = pd.concat([minima, minima.head(3).assign(site="S2")])
    table = site_levels(both)
    assert set(table["site"]) == {"S1"} and set(table["how"]) == {"read"}
    assert table["coldest_c"].iloc[0] == minima["minimum_c"].min()
    with pytest.raises(Refusal, match="There are 3 complete winters"):
        site_levels(both[both["site"] == "S2"])
    with pytest.raises(Refusal, match="No winter of S1 has a complete record"):
        site_levels(minima.assign(minimum_c=np.nan))


def test_the_curve_to_draw_runs_through_the_levels(rng):
    minima = rng.normal(-3, 1, 20)
    curve = level_curve(minima)
    assert np.isfinite(curve[["lower_c", "upper_c"]]).all(axis=None)
    assert curve["minimum_c"].is_monotonic_decreasing
    level = cold_levels(minima, periods=(curve["period"].iloc[5],))["minimum_c"].iloc[0]
    assert level == pytest.approx(curve["minimum_c"].iloc[5])


@pytest.mark.parametrize(
    ("slope", "start"),
    [(0.0, "No clear drift of the minima"), (0.3, "The minima changed over the record")],
)
def test_a_drift_of_the_minima_is_said(slope, start, rng):
    known = pd.DataFrame({"winter": np.arange(2000, 2020), "minimum_c": rng.normal(-4, 0.5, 20)})
    known["minimum_c"] += slope * (known["winter"] - 2000)
    assert words._drift(known).startswith(start)


def test_limit_of_a_chance_that_is_zero_lies_where_the_profile_has_risen():
    # minima of eighteen winters, invented; profile by scipy's genextreme and a search from a grid
    minima = [-0.1, -1.4, -0.1, -1.3, 0.2, -1.5, -0.3, 1.7, -0.4]
    minima = pd.Series([*minima, -0.3, -0.9, -1.3, -0.6, 0.0, -0.9, -0.5, -1.1, -1.6])
    share, low, high = chance_colder(minima, -3.4)
    assert share == low == 0 and 0 < high < 0.05

    def profile(chance):
        def cost(theta):
            scale, shape = np.exp(theta[0]), theta[1]
            at = 3.4 - scale * stats.genextreme.isf(chance, -shape)
            log = stats.genextreme.logpdf(-minima, -shape, at, scale).sum()
            return ((shape + 0.15) / 0.15) ** 2 - 2 * log if np.isfinite(log) else 1e10

        starts = [(a, b) for a in (-0.5, 0.0, 0.5, 1.0) for b in (-0.5, -0.3, -0.1, 0.1)]
        return min(optimize.minimize(cost, s, method="Nelder-Mead").fun for s in starts)

    free = fit_gev(-minima.to_numpy()).criterion
    assert profile(high) - free == pytest.approx(stats.chi2.ppf(0.95, 1), abs=0.01)


def test_faulty_input_is_refused():
    with pytest.raises(ValueError, match="given twice"):
        winter_minima(pd.concat([record(), record().iloc[:1]]))
    with pytest.raises(ValueError, match="0 to 50 cm"):
        winter_minima(record(), 60)
