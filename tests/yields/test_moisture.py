import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from component_frames import make_ground, make_harvests
from culmbook.text.refusal import Refusal
from culmbook.trials.dry_yield import plot_harvests
from culmbook.yields.moisture import (
    by_site,
    energy_yield,
    fit_dry_down,
    fit_winter_loss,
    moisture_class,
    moisture_on,
    net_calorific_value,
    samples_of_one_day,
    standing_loss,
)


def cut_on_two_days(rng, slope=-0.3, loss=-0.004, days=20):
    """Half of every hybrid's plots cut later; moisture and yield follow straight lines."""
    ground = make_ground(tuple("ABCDEF"), replicates=4)
    late = ground["replicate"].isin(["3", "4"]).to_numpy()
    moisture = (
        40
        + 2 * ground["hybrid"].map(dict(zip("ABCDEF", range(6))))
        + slope * days * late
        + rng.normal(0, 1, len(ground))
    )
    fresh = (
        12
        * np.exp(loss * days * late + rng.normal(0, 0.02, len(ground)))
        * 0.6
        / (1 - moisture / 100)
    )
    cut = make_harvests(ground, fresh_kg=fresh.to_numpy(), moisture_pct=moisture.to_numpy())
    cut["harvested_on"] = cut["harvested_on"] + pd.to_timedelta(days * late, unit="D")
    return plot_harvests(cut, ground, early_days=30)


def test_dry_down_is_the_slope_within_hybrids_as_statsmodels_finds_it(rng):
    frame = cut_on_two_days(rng)
    line = fit_dry_down(frame)
    other = smf.ols(
        "moisture_pct ~ C(hybrid) + day", frame.assign(day=frame["harvested_on"].dt.day_of_year)
    ).fit()
    assert (line.slope, line.se, line.df) == pytest.approx(
        (other.params["day"], other.bse["day"], other.df_resid)
    )
    assert (line.lower, line.upper) == pytest.approx(tuple(other.conf_int().loc["day"]))
    assert line.lower < -0.3 < line.upper
    assert (line.n_plots, line.n_days) == (24, 2)


def test_moistures_are_moved_to_one_day(rng):
    frame = cut_on_two_days(rng)
    line = fit_dry_down(frame)
    then = moisture_on(frame, "2026-02-24", line)
    first = then[then["replicate"] == "1"]
    assert (first["days_moved"] == 10).all()
    assert first["moisture_then_pct"].to_numpy() == pytest.approx(
        first["moisture_pct"].to_numpy() + 10 * line.slope
    )
    with pytest.raises(ValueError, match="outside the days"):
        moisture_on(frame, "2026-04-24", line)


def test_filled_moistures_stay_out_of_the_comparison(rng):
    frame = cut_on_two_days(rng)
    frame.loc[3, "moisture_from"] = "hybrid at the site"
    assert len(moisture_on(frame, "2026-02-24", fit_dry_down(frame))) == 23


def test_winter_loss_is_found_where_two_dates_exist(rng):
    frame = cut_on_two_days(rng)
    loss = fit_winter_loss(frame)
    logs = frame.assign(y=np.log(frame["dry_yield_t_ha"]), day=frame["harvested_on"].dt.day_of_year)
    assert loss.slope == pytest.approx(smf.ols("y ~ C(hybrid) + day", logs).fit().params["day"])
    assert loss.lower < -0.004 < loss.upper and loss.upper < 0


def test_one_date_shows_neither():
    ground = make_ground()
    frame = plot_harvests(make_harvests(ground), ground)
    with pytest.raises(ValueError, match="no dry-down line: no trial was cut on two days"):
        fit_dry_down(frame)
    with pytest.raises(ValueError, match="no estimate of the winter loss"):
        fit_winter_loss(frame)


def test_days_that_share_no_hybrid_show_no_drying():
    ground = make_ground(tuple("ABCDEF"), replicates=3)
    cut = make_harvests(ground)
    late = ground["hybrid"].isin(list("DEF")).to_numpy()
    cut["harvested_on"] = cut["harvested_on"] + pd.to_timedelta(20 * late, unit="D")
    with pytest.raises(ValueError, match="share too few hybrids"):
        fit_dry_down(plot_harvests(cut, ground, early_days=30))


def test_standing_loss_is_a_ratio_of_totals_with_students_limits():
    # Cochran (1977) eq. 2.39 by hand: 27 of 30 t; residuals -1, 0, 1; standard error
    # sqrt(2/2/3)/10; t(2, .975) = 4.3027
    frame = pd.DataFrame(
        {
            "site": "S1",
            "growing_season": 2025,
            "product_t_ha": 10.0,
            "dry_yield_t_ha": [8.0, 9.0, 10.0],
        }
    )
    row = standing_loss(frame).iloc[0]
    assert row["loss"] == pytest.approx(0.1) and row["n_plots"] == 3
    assert row["upper"] - row["loss"] == pytest.approx(4.3027 * np.sqrt(1 / 3) / 10, abs=1e-5)
    with pytest.raises(Refusal, match="Too few plots"):
        standing_loss(frame.iloc[:2])


def test_lines_are_given_for_the_sites_that_have_one(rng):
    frame = cut_on_two_days(rng)
    other = frame.assign(site="S2", harvested_on=pd.Timestamp("2026-02-14"))
    table = by_site(fit_dry_down, pd.concat([frame, other]))
    assert table["site"].tolist() == ["S1"]
    assert table.loc[0, "slope"] == fit_dry_down(frame).slope
    with pytest.raises(Refusal, match="two days.*a week or more earlier would show it"):
        by_site(fit_dry_down, other)


def test_moistures_of_far_days_are_not_compared(rng):
    with pytest.raises(Refusal, match="8 days apart"):
        samples_of_one_day(cut_on_two_days(rng, days=8))
    frame = cut_on_two_days(rng, days=6)
    frame.loc[3, "moisture_from"] = "hybrid at the site"
    assert len(samples_of_one_day(frame)) == 23


def test_net_calorific_value_matches_wood_fuels_handbook():
    # Wood Fuels Handbook (AIEL 2008), net calorific value by moisture for 18.5 MJ/kg dry; values
    # from memory.
    # The handbook rounds the constant to 0.0244, ISO 17225-1 and ISO 18125 give 0.02443: within
    # 0.01
    printed = [16.41, 14.31, 12.22, 10.12, 8.03, 5.94]
    assert net_calorific_value([10, 20, 30, 40, 50, 60], 18.5) == pytest.approx(printed, abs=0.01)


def test_energy_of_ten_tonnes_falls_little_with_moisture():
    # 10 t dry at 17 MJ/kg: per kg of dry matter 17 - 0.02443 M / (1 - M/100), reckoned by hand
    assert energy_yield(10, [15, 30, 40]) == pytest.approx([165.69, 159.53, 153.71], abs=0.005)


def test_moisture_class_is_the_next_limit_at_or_above():
    # class names M10, M15 … M55, M55+ of ISO 17225-1, from memory
    assert moisture_class([3, 10, 10.01, 15, 35, 52, 55, 55.1]).tolist() == [
        "M10",
        "M10",
        "M15",
        "M15",
        "M35",
        "M55",
        "M55",
        "M55+",
    ]
    assert moisture_class(np.nan).tolist() == [None]


@pytest.mark.parametrize("moisture", [-1, 100, 120])
def test_impossible_moisture_is_refused(moisture):
    for function in (net_calorific_value, moisture_class):
        with pytest.raises(ValueError, match="0 ≤ M < 100"):
            function([20, moisture])


def test_impossible_yield_or_heat_is_refused():
    with pytest.raises(ValueError, match="at least 0"):
        energy_yield(-1, 20)
    with pytest.raises(ValueError, match="over 0"):
        net_calorific_value(20, 0)


def test_missing_moisture_stays_missing():
    assert np.isnan(energy_yield([10, 10], [20, np.nan])).tolist() == [False, True]
