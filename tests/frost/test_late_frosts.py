"""The last damaging frost of spring against emergence: censoring, chances, missing days."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from culmbook.frost import words
from culmbook.frost.late_frosts import (
    common_day,
    day_name,
    emergence_days,
    fit_latest,
    frost_after,
    jeffreys,
    latest_frosts,
    latest_levels,
    why_no_latest_level,
)
from culmbook.stats.extremes import fit_gev
from culmbook.text.refusal import Refusal


def springs(frosts, *, first=2001, site="S1"):
    """A mild record with one damaging night per year on the given month and day; None = no frost."""
    dates = pd.date_range(f"{first}-01-01", f"{first + len(frosts) - 1}-12-31")
    low = pd.Series(6.0, dates)
    for year, day in enumerate(frosts, first):
        if day:
            low[f"{year}-{day}"] = -3.0
    return pd.DataFrame({"site": site, "date": dates, "air_temperature_min_c": low.to_numpy()})


def emerged(days, hybrid="A", site="S1"):
    return pd.DataFrame(
        {
            "site": site,
            "hybrid": hybrid,
            "day": days,
            "earliest": np.subtract(days, 5),
            "latest": np.add(days, 5),
            "n_seasons": 2,
            "n_plots": 6,
        }
    )


def test_the_last_frost_of_each_spring_is_found():
    weather = springs(["04-10", None, "05-14"])
    weather.loc[weather["date"] == "2003-03-20", "air_temperature_min_c"] = -6.0
    table = latest_frosts(weather).set_index("year")
    assert table["latest_day"].tolist()[::2] == [100, 134] and np.isnan(
        table.loc[2002, "latest_day"]
    )
    assert (
        table.loc[2003, ["n_frosts", "minimum_c"]].tolist() == [2, -3.0] and table["is_known"].all()
    )


def test_threshold_is_strict_and_a_parameter():
    weather = springs(["05-01"])
    assert latest_frosts(weather, -3.0)["n_frosts"].iloc[0] == 0
    assert latest_frosts(weather, -2.9)["n_frosts"].iloc[0] == 1


def test_days_missing_after_the_last_frost_make_a_year_unknown_before_it_they_do_not():
    weather = springs(["05-10", "05-10", None])
    gone = weather["date"].isin(pd.to_datetime(["2001-04-01", "2002-05-20", "2003-04-01"]))
    table = latest_frosts(weather[~gone]).set_index("year")
    assert table["is_known"].to_dict() == {2001: True, 2002: False, 2003: False}
    told = words.springs(table.reset_index(), -2.0, 0.95)
    assert told[0] == "S1: 1 of 1 spring on record had a frost below −2 °C after 1 March."
    assert told[1].endswith("are missing: 2002 (1 day) and 2003 (1 day).")
    assert "return levels need 15" in told[2]


def test_the_same_date_is_the_same_day_in_leap_years():
    dates = pd.Series(pd.to_datetime(["2024-02-28", "2024-03-01", "2023-03-01", "2024-12-31"]))
    assert common_day(dates).tolist() == [59, 60, 60, 365]
    assert day_name(60) == "1 March"


def test_years_without_frost_count_as_safe():
    weather = springs(["05-20"] * 2 + [None] * 10 + ["04-01"] * 8)
    row = frost_after(latest_frosts(weather), emerged([120.0])).iloc[0]
    assert (row["n_years"], row["n_after"], row["chance"]) == (20, 2, 0.1)
    assert row["chance_earliest"] == row["chance_latest"] == 0.1


def test_a_frost_on_the_day_of_emergence_is_not_after_it():
    row = frost_after(latest_frosts(springs(["05-01"] * 4)), emerged([121.0])).iloc[0]
    assert row["n_after"] == 0 and row["chance_earliest"] == 1 and row["lower"] == 0


def test_jeffreys_matches_brown_2001():
    """Brown, Cai & DasGupta (2001), with closed ends; limits of 0 and 10 of 10 by R 4.2.2 qbeta."""
    low, high = jeffreys([0, 3, 10], 10)
    assert [low[0], high[0], low[2], high[2]] == pytest.approx(
        [0, 0.2171963, 0.7828037, 1], abs=1e-6
    )
    assert low[1] == pytest.approx(stats.beta(3.5, 7.5).ppf(0.025))


def test_a_censored_fit_is_that_of_the_likelihood_with_censoring():
    frosts = [
        "04-05",
        "04-28",
        "03-20",
        "05-02",
        "04-11",
        "03-29",
        "04-19",
        "04-02",
        "05-12",
        "03-12",
        "04-08",
        "04-22",
    ] + [None] * 4
    years = latest_frosts(springs(frosts))
    fit, day = fit_latest(years), years["latest_day"].dropna()
    assert (fit.n, fit.n_censored, fit.censored_at) == (12, 4, 60)
    law = stats.genextreme(-fit.shape, fit.location, fit.scale)
    assert fit.loglik == pytest.approx(law.logpdf(day).sum() + 4 * law.logcdf(60))
    dropped = fit_gev(day)
    assert fit.location < dropped.location  # dropping the safe years would make frost look later


def test_return_levels_before_the_window_are_not_given():
    frosts = ["04-05", "04-28", "03-20", "05-02", "04-11", "03-29", "04-19"] + [None] * 9
    table = latest_levels(latest_frosts(springs(frosts))).set_index("period")
    fit = fit_latest(latest_frosts(springs(frosts)))
    law = stats.genextreme(-fit.shape, fit.location, fit.scale)
    assert table.loc[[10, 20], "day"].tolist() == pytest.approx(law.isf([0.1, 0.05]).tolist())
    assert (
        np.isnan(table.loc[2, "lower"])
        and table.loc[20, "day"] > 110
        and table["n_without"].eq(9).all()
    )


def test_no_damaging_frost_at_all():
    years = latest_frosts(springs([None] * 20))
    assert (
        why_no_latest_level(years)
        == "No spring of 20 on record had a damaging frost: there is no distribution to fit."
    )
    row = frost_after(years, emerged([110.0])).iloc[0]
    assert (
        row["chance"] == 0
        and np.isnan(row["fitted"])
        and row["upper"] == pytest.approx(stats.beta(0.5, 20.5).ppf(0.975))
    )
    with pytest.raises(ValueError, match="No spring of 20"):
        latest_levels(years)


def test_fourteen_springs_have_chances_but_no_levels():
    years = latest_frosts(springs([f"04-{d:02d}" for d in range(1, 15)]))
    assert "return levels need 15" in why_no_latest_level(years)
    row = frost_after(years, emerged([100.0])).iloc[0]
    assert row["n_after"] == 4 and np.isnan(row["fitted"])


def test_emergence_is_averaged_over_seasons_not_plots():
    plots = pd.DataFrame({"site": "S1", "plot": ["1", "2", "3"], "hybrid": ["A", "A", "B"]})
    seen = pd.DataFrame(
        {
            "site": "S1",
            "plot": ["1", "2", "1", "3"],
            "growing_season": [2023, 2023, 2024, 2024],
            "emerged_on": pd.to_datetime(["2023-04-20", "2023-04-24", "2024-05-02", None]),
        }
    )
    table = emergence_days(seen, plots)
    assert table["hybrid"].tolist() == ["A"]
    assert (
        table[["day", "earliest", "latest"]].iloc[0].tolist() == [117, 112, 122]
        and table["n_plots"].iloc[0] == 3
    )


def test_no_emergence_dates_and_no_springs_are_refused_in_words():
    none = {"site": [], "plot": [], "growing_season": [], "emerged_on": pd.to_datetime([])}
    plots = pd.DataFrame({"site": [], "plot": [], "hybrid": []})
    years = latest_frosts(springs(["05-01"] * 3))
    with pytest.raises(Refusal, match="No date of emergence was noted"):
        emergence_days(pd.DataFrame(none), plots)
    with pytest.raises(Refusal, match="There is no weather record of a spring"):
        latest_frosts(springs(["05-01"]).iloc[:40])
    with pytest.raises(Refusal, match="No spring on record can be judged"):
        frost_after(years.iloc[:0], emerged([110.0]))


def test_words_for_one_spring_in_ten():
    row = pd.Series({"period": 10, "day": 124.4, "lower": np.nan, "upper": 142.0})
    assert words._one_in_ten(row) == (
        "In one spring in ten the last damaging frost is expected after 4 May "
        "(before the window to 22 May)."
    )


def chances_of(frosts, site="S1"):
    years = latest_frosts(springs(frosts, site=site))
    up = pd.concat([emerged([100.0], "EARLY", site), emerged([130.0], "LATE", site)])
    return years, frost_after(years, up)


def test_chances_are_said_of_the_control_and_the_range_or_of_every_site():
    _, one = chances_of(["05-01"] * 4 + ["04-01"] * 16)
    told = words.late_frost_chances(one, "LATE", -2.0)
    assert "came after emergence of the control LATE (up on 10 May) in 0 (0 %, 0 to 12 %)" in told
    assert told.endswith("EARLY (up on 10 April) in 4 (20 %, 7 to 41 %) of 20 springs.")
    none = words.late_frost_chances(chances_of([None] * 20)[1], "LATE", -2.0)
    assert none.startswith("In none of 20 springs did a frost below −2 °C come")
    both = pd.concat([one, chances_of(["05-20"] * 20, "S2")[1]])
    told = words.late_frost_chances(both, "LATE", -2.0)
    assert told.endswith("from the latest hybrid to the earliest: S2 100 % and S1 0 to 20 %.")


def test_a_date_given_twice_is_refused():
    with pytest.raises(ValueError, match="given twice"):
        latest_frosts(pd.concat([springs(["05-01"])] * 2))
