import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad

from culmbook.season.weather import (
    GROWING,
    SPRING,
    WINTER,
    YEAR,
    Thresholds,
    against_record,
    degree_days_sine,
    degree_days_triangle,
    growing_season_days,
    hours_between,
    season_indices,
)

# Daily minimum, maximum and base of days whose base lies within, below and above the range. No
# published
# result: the sine is integrated numerically, the triangle cut by hand. Formulas of Zalom et al.
# 1983.
DAYS = [(45, 72, 50), (5, 25, 10), (-3, 9, 5), (48, 84, 50), (15, 25, 10), (0, 8, 10)]


def day_curve(low, high):
    return lambda t: (low + high) / 2 + (high - low) / 2 * np.sin(2 * np.pi * t)


def integral_above(low, high, base, upper=np.inf):
    curve = day_curve(low, high)
    return quad(lambda t: np.clip(curve(t), base, upper) - base, 0, 1, limit=500)[0]


def made_up(first="2006-07-01", last="2026-06-30", site="A", **columns):
    date = pd.date_range(first, last)
    mean = 10 - 12 * np.cos(2 * np.pi * (date.day_of_year - 20) / 365.25)
    frame = {
        "site": site,
        "date": date,
        "air_temperature_min_c": mean - 4,
        "air_temperature_max_c": mean + 4,
        "precipitation_mm": 2.0,
        "soil_temperature_5cm_min_c": mean / 2,
        "snow_depth_cm": np.nan,
    }
    return pd.DataFrame({**frame, **columns})


def value(frame, index, season=2025):
    return frame[(frame["index"] == index) & (frame.get("season", season) == season)].iloc[0]


def test_sine_of_a_day_of_10_to_20_above_14():
    # 2.123487819316327: the sine integrated above the base; 2/12/6 is the same day shifted by 8
    # degrees
    assert degree_days_sine(10, 20, 14) == pytest.approx(2.123487819316327, abs=1e-6)
    assert degree_days_sine(2, 12, 6) == pytest.approx(degree_days_sine(10, 20, 14), abs=1e-12)


@pytest.mark.parametrize("low, high, base", DAYS)
def test_sine_equals_the_integral_of_the_curve(low, high, base):
    assert degree_days_sine(low, high, base) == pytest.approx(
        integral_above(low, high, base), abs=1e-4
    )


@pytest.mark.parametrize(
    "low, high, base, upper", [(5, 25, 10, 20), (5, 25, 10, 30), (12, 40, 10, 11), (0, 35, 10, 30)]
)
def test_sine_with_upper_threshold_equals_the_integral_of_the_capped_curve(low, high, base, upper):
    expected = integral_above(low, high, base, upper)
    assert degree_days_sine(low, high, base, upper) == pytest.approx(expected, abs=1e-4)


def test_triangle_is_the_area_of_its_tip():
    low, high, base = np.array(DAYS).T
    expected = [(72 - 50) ** 2 / (2 * 27), 15**2 / 40, 4**2 / 24, 34**2 / 72, 10, 0]
    assert degree_days_triangle(low[:4], high[:4], 0).tolist() == [58.5, 15, 3.375, 66]
    got = [degree_days_triangle(*day)[()] for day in DAYS]
    assert got == pytest.approx(expected, abs=1e-12)


def test_triangle_with_upper_threshold_cuts_the_tip_off():
    assert degree_days_triangle(5, 25, 10, 20) == pytest.approx(15**2 / 40 - 5**2 / 40)


def test_both_methods_agree_where_the_base_is_outside_the_day():
    for function in (degree_days_sine, degree_days_triangle):
        assert function([15, 0], [25, 8], 10).tolist() == pytest.approx([10, 0], abs=1e-12)


def test_a_day_without_range_counts_its_distance_from_the_base():
    for function in (degree_days_sine, degree_days_triangle):
        assert function([12, 10, 8], [12, 10, 8], 10).tolist() == pytest.approx(
            [2, 0, 0], abs=1e-12
        )


def test_a_missing_extreme_gives_a_missing_day():
    assert np.isnan(degree_days_sine([np.nan, 5], [20, np.nan], 10)).all()
    assert np.isnan(degree_days_triangle([np.nan, 5], [20, np.nan], 10)).all()
    assert np.isnan(hours_between([np.nan], [3], 0, 7)).all()


def test_minimum_above_maximum_is_refused():
    with pytest.raises(
        ValueError, match="minimum lies above its maximum on 1 days, first at position 1"
    ):
        degree_days_sine([1, 9], [5, 3], 10)


def test_thresholds_in_the_wrong_order_are_refused():
    with pytest.raises(ValueError, match="base_c = 10 must lie below upper_c = 8"):
        degree_days_sine(5, 25, 10, 8)
    with pytest.raises(ValueError, match="hard_frost_c = 1"):
        Thresholds(hard_frost_c=1)


@pytest.mark.parametrize("low, high", [(-5, 10), (1, 5), (6, 20), (-3, 1)])
def test_chilling_hours_equal_the_time_the_curve_spends_there(low, high):
    curve = day_curve(low, high)(np.linspace(0, 1, 400_001))
    expected = 24 * np.mean((curve >= 0) & (curve < 7.2))
    assert hours_between(low, high, 0, 7.2) == pytest.approx(expected, abs=1e-3)


def test_thermal_growing_season_of_a_hand_made_year():
    date = pd.date_range("2025-01-01", "2025-12-31")
    mean = pd.Series(0.0, date)
    mean["2025-03-01":"2025-03-05"] = 9  # five warm days are not six
    mean["2025-04-10":"2025-10-20"] = 9
    mean["2025-06-01":"2025-06-20"] = 0  # a cold spell before July does not end it
    assert (
        growing_season_days(mean, date)
        == (pd.Timestamp("2025-10-21") - pd.Timestamp("2025-04-10")).days
    )


def test_thermal_growing_season_that_never_begins_or_never_ends():
    date = pd.date_range("2025-01-01", "2025-12-31")
    assert growing_season_days(np.zeros(365), date) == 0
    assert growing_season_days(np.full(365, 9.0), date) == 365


def test_periods_of_a_season():
    assert (WINTER.first(2025), WINTER.last(2025)) == (
        pd.Timestamp("2025-10-01"),
        pd.Timestamp("2026-03-31"),
    )
    assert GROWING.first(2025) == pd.Timestamp("2025-04-01")
    assert GROWING.last(2025) == pd.Timestamp("2025-09-30")
    assert SPRING.last(2024) == pd.Timestamp("2024-06-30") and YEAR.last(2024) == pd.Timestamp(
        "2024-12-31"
    )


def test_frost_days_are_counted_below_not_at_the_threshold():
    mild = {"air_temperature_min_c": 5.0, "air_temperature_max_c": 9.0}
    weather = made_up("2025-10-01", "2026-03-31", **mild)
    weather.loc[weather.index[:4], "air_temperature_min_c"] = [0.0, -0.1, -4.0, -4.1]
    values = season_indices(weather, 2025)
    assert value(values, "frost_days")["value"] == 3
    assert value(values, "hard_frost_days")["value"] == 1
    assert value(values, "min_air_c")["value"] == -4.1


def test_sums_of_a_constant_year():
    weather = made_up(
        "2025-01-01", "2026-03-31", air_temperature_min_c=15.0, air_temperature_max_c=25.0
    )
    values = season_indices(weather, 2025)
    assert value(values, "degree_days_sine")["value"] == pytest.approx(10 * 183)
    assert value(values, "rain_mm")["value"] == pytest.approx(2 * 183)
    assert value(values, "winter_rain_mm")["value"] == pytest.approx(2 * 182)


def test_chilling_uses_its_own_limits():
    weather = made_up(
        "2025-10-01", "2026-03-31", air_temperature_min_c=3.0, air_temperature_max_c=3.0
    )
    assert value(season_indices(weather, 2025), "chill_hours")["value"] == 24 * 182
    assert (
        value(season_indices(weather, 2025, Thresholds(chill_low_c=4)), "chill_hours")["value"] == 0
    )


def test_missing_days_within_the_limit_are_counted():
    weather = made_up().drop(index=made_up().query("'2026-01-01' <= date <= '2026-01-07'").index)
    row = value(season_indices(weather, 2025), "winter_rain_mm")
    assert (row["n_missing"], row["value"]) == (7, 2.0 * 175)


def test_a_winter_with_too_many_missing_days_is_refused():
    weather = made_up()
    weather.loc[weather["date"].between("2026-01-01", "2026-01-08"), "air_temperature_min_c"] = (
        np.nan
    )
    values = season_indices(weather, 2025)
    assert np.isnan(value(values, "frost_days")["value"])
    assert value(values, "frost_days")["reason"] == "8 of 182 days missing"
    assert value(values, "winter_rain_mm")["value"] == 2 * 182


def test_a_variable_never_recorded_says_so():
    values = season_indices(made_up().drop(columns="soil_temperature_5cm_min_c"), 2025)
    assert (
        value(values, "snow_days")["reason"]
        == value(values, "min_soil_c")["reason"]
        == "not recorded"
    )


def test_a_season_after_the_record_says_so():
    assert value(season_indices(made_up(), 2027), "frost_days", 2027)["reason"] == "not recorded"


def test_an_unfinished_winter_is_compared_to_the_same_day_of_other_years():
    values = season_indices(made_up(last="2025-12-31"), 2025)
    rain = values[values["index"] == "winter_rain_mm"].set_index("season")["value"]
    assert rain[2025] == rain[2010] == 2 * 92
    assert not value(values, "winter_rain_mm")["is_over"]


def test_an_unfinished_year_has_no_thermal_growing_season():
    values = season_indices(made_up(last="2025-08-31"), 2025)
    assert value(values, "growing_season_days")["reason"] == "the year is not over in these data"


def test_a_record_ending_on_29_february_is_cut_on_the_28th():
    values = season_indices(made_up(last="2024-02-29"), 2023)
    assert set(values.query("index == 'frost_days'")["last_day"].dt.strftime("%m-%d")) == {"02-28"}


def test_rank_median_and_range_among_twenty_winters():
    rain = pd.Series(
        np.arange(1.0, 21.0), index=range(2006, 2026)
    )  # winter 2006/07 driest, 2025/26 wettest
    weather = made_up()
    winter = weather["date"].dt.year - (weather["date"].dt.month < 7)
    weather["precipitation_mm"] = winter.map(rain)
    row = value(against_record(season_indices(weather, 2025), 2025), "winter_rain_mm")
    days = [len(pd.date_range(f"{year}-10-01", f"{year + 1}-03-31")) for year in range(2006, 2025)]
    others = np.arange(1, 20) * days
    assert (row["rank_low"], row["rank_high"], row["n_years"]) == (20, 1, 20)
    assert (row["first_season"], row["last_season"]) == (2006, 2024)
    assert [row["median"], row["low"], row["high"]] == pytest.approx(
        [np.median(others), *np.quantile(others, [0.1, 0.9])]
    )


def test_range_needs_ten_other_years():
    row = value(against_record(season_indices(made_up("2018-07-01"), 2025), 2025), "winter_rain_mm")
    assert row["n_years"] == 8 and np.isnan(row["low"]) and row["median"] > 0


def test_a_single_winter_has_no_rank_to_speak_of():
    row = value(against_record(season_indices(made_up("2025-07-01"), 2025), 2025), "winter_rain_mm")
    assert row["n_years"] == 1 and np.isnan(row["median"]) and pd.isna(row["first_season"])


def test_a_refused_season_keeps_the_spread_of_the_others():
    weather = made_up(last="2026-06-30")
    weather.loc[weather["date"] > "2025-11-01", "air_temperature_min_c"] = np.nan
    row = value(against_record(season_indices(weather, 2025), 2025), "frost_days")
    assert pd.isna(row["rank_low"]) and row["n_years"] == 19 and row["median"] > 0


def test_row_order_and_other_sites_do_not_matter():
    one = season_indices(made_up(), 2025)
    both = pd.concat([made_up(site="B", precipitation_mm=9.0), made_up()]).sample(
        frac=1, random_state=1
    )
    again = season_indices(both, 2025).query("site == 'A'").reset_index(drop=True)
    pd.testing.assert_frame_equal(one, again)


def test_two_rows_for_a_date_are_refused():
    weather = pd.concat([made_up(), made_up().iloc[[5]]])
    with pytest.raises(ValueError, match="given twice, first A 2006-07-06"):
        season_indices(weather, 2025)


def test_no_weather_is_an_empty_table():
    empty = made_up().iloc[:0]
    assert against_record(season_indices(empty, 2025), 2025).empty
