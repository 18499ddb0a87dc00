"""Winter minima: measured, damped, approximated from the air, and left out."""

import numpy as np
import pandas as pd
import pytest

from culmbook.frost.soil import (
    BORROWED,
    FORMULA,
    OWN,
    WinterRules,
    damped,
    damping_depth_cm,
    fit_damping,
    site_damping,
)
from culmbook.frost.winter_minimum import (
    DAMPED,
    MEASURED,
    minima_words,
    winter_minima,
    winter_severity,
)

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
    words = minima_words(table.reset_index())
    assert (
        words[0] == "5 winters on record can be used."
        and "winter 2011/12 (10 of 213 days missing)" in words[1]
    )


def test_the_rule_on_missing_days_is_a_parameter_and_summer_does_not_matter():
    weather = record()
    gone = weather["date"].isin(pd.to_datetime(["2012-02-01", "2012-08-01", "2012-08-02"]))
    assert (
        winter_minima(weather[~gone], rules=WinterRules(max_missing_days=1))["reason"].isna().all()
    )


def test_damping_is_found_again(rng):
    fit = fit_damping(record(years=10))
    assert fit.window_days == 15 and fit.kind == OWN and fit.n_winters == 10
    assert fit.spell == pytest.approx(0.4, abs=4 * fit.spell_se + 0.01)
    assert fit.day == pytest.approx(0.3, abs=4 * fit.day_se + 0.01)


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
    assert "too cold by an unknown amount" in " ".join(minima_words(table, site_damping(weather)))


def test_a_borrowed_damping_is_named():
    lent = fit_damping(pd.concat([record(), record(site="S2", seed=5)]))
    table = winter_minima(record(site="S3", seed=6, soil=False), borrowed=lent)
    assert set(table["kind"]) == {BORROWED}
    assert "soil readings of other sites" in " ".join(minima_words(table, lent))


def test_formula_by_hand():
    """A constant mean with one cold day: running mean, less the spell's and the night's damped shares."""
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
    table = winter_minima(record().iloc[:0])
    assert table.empty and minima_words(table) == [
        "There is no weather record, so nothing is said about winters at rhizome depth."
    ]


def test_faulty_input_is_refused():
    with pytest.raises(ValueError, match="given twice"):
        winter_minima(pd.concat([record(), record().iloc[:1]]))
    with pytest.raises(ValueError, match="0 to 50 cm"):
        winter_minima(record(), 60)
    with pytest.raises(ValueError, match="first_month"):
        WinterRules(first_month=3)
