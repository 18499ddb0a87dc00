import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from component_frames import make_ground, make_harvests
from culmbook.yields.harvest import plot_harvests
from culmbook.yields.moisture import (
    fit_dry_down,
    fit_winter_loss,
    moisture_on,
    standing_loss,
    trend_words,
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
    assert "20" not in trend_words(line).split(",")[0] and "2 days" in trend_words(line)


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
    with pytest.raises(ValueError, match="12 of 24 plots were not cut on"):
        moisture_on(frame, "2026-02-14", None)


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
    assert "% of the dry matter per day" in trend_words(loss, is_loss=True)


def test_one_date_shows_neither():
    ground = make_ground()
    frame = plot_harvests(make_harvests(ground), ground)
    with pytest.raises(ValueError, match="no dry-down line: no trial was cut on two days"):
        fit_dry_down(frame)
    with pytest.raises(ValueError, match="no estimate of the winter loss"):
        fit_winter_loss(frame)
    assert moisture_on(frame, "2026-02-14", None)["moisture_then_pct"].to_numpy() == pytest.approx(
        30.0
    )


def test_days_that_share_no_hybrid_show_no_drying():
    ground = make_ground(tuple("ABCDEF"), replicates=3)
    cut = make_harvests(ground)
    late = ground["hybrid"].isin(list("DEF")).to_numpy()
    cut["harvested_on"] = cut["harvested_on"] + pd.to_timedelta(20 * late, unit="D")
    with pytest.raises(ValueError, match="share too few hybrids"):
        fit_dry_down(plot_harvests(cut, ground, early_days=30))


def test_standing_loss_is_a_ratio_of_totals_with_students_limits():
    # Cochran (1977) eq. 2.39 by hand: 27 of 30 t; residuals -1, 0, 1; standard error sqrt(2/2/3)/10; t(2, .975) = 4.3027
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
    assert standing_loss(frame.iloc[:2]).empty
