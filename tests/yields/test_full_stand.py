import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from component_frames import make_ground, make_harvests
from culmbook.yields.full_stand import at_full_stand, fit_stand_power, with_stand
from culmbook.yields.harvest import plot_harvests


def harvested(rng, power=0.65, sd=0.03, uneven=0.25):
    ground = make_ground(tuple("ABCDEF"), replicates=4)
    share = np.clip(0.85 * np.exp(rng.normal(0, uneven, len(ground))), 0.3, 1)
    level = ground["hybrid"].map(dict(zip("ABCDEF", np.linspace(8, 14, 6))))
    fresh = level * share**power * np.exp(rng.normal(0, sd, len(ground)))
    stand = ground[["site", "plot", "plants_planted"]].assign(latest_alive=share * 36)
    return with_stand(
        plot_harvests(make_harvests(ground, fresh_kg=fresh.to_numpy()), ground), stand
    )


def test_power_is_the_slope_that_statsmodels_finds(rng):
    frame = harvested(rng)
    power = fit_stand_power(frame)
    logs = frame.assign(y=np.log(frame["dry_yield_t_ha"]), x=np.log(frame["stand"]))
    other = smf.ols("y ~ x + C(hybrid) + C(replicate)", logs).fit()
    assert (power.slope, power.se, power.df) == pytest.approx(
        (other.params["x"], other.bse["x"], other.df_resid)
    )
    assert (power.lower, power.upper) == pytest.approx(tuple(other.conf_int().loc["x"]))
    assert power.lower < 0.65 < power.upper


def test_adjusting_takes_the_gaps_off_and_leaves_full_plots_alone(rng):
    frame = harvested(rng, sd=0.0)
    out = at_full_stand(frame, 0.65, rank_floor=0.3)
    spread = (
        out.groupby("hybrid")["full_stand_t_ha"].std()
        / out.groupby("hybrid")["full_stand_t_ha"].mean()
    )
    assert spread.max() < 1e-9
    full = out["stand"].eq(1)
    assert (
        full.any() and (out.loc[full, "full_stand_t_ha"] == out.loc[full, "dry_yield_t_ha"]).all()
    )


def test_a_poor_stand_is_not_ranked_nor_adjusted(rng):
    out = at_full_stand(harvested(rng), 0.65)
    poor = out["stand"] < 0.6
    assert (
        poor.any()
        and out.loc[poor, "full_stand_t_ha"].isna().all()
        and not out.loc[poor, "is_ranked"].any()
    )


def test_even_stands_carry_no_adjustment(rng):
    with pytest.raises(ValueError, match="too alike"):
        fit_stand_power(harvested(rng, uneven=0.01))
    with pytest.raises(ValueError, match="between 0 and 1"):
        at_full_stand(harvested(rng), 1.4)


def test_uncounted_plots_have_no_stand(rng):
    frame = harvested(rng).drop(columns="stand")
    out = with_stand(
        frame,
        pd.DataFrame(
            {"site": ["S1"], "plot": ["001"], "latest_alive": [18.0], "plants_planted": [36]}
        ),
    )
    assert out["stand"].notna().sum() == 1 and out.loc[0, "stand"] == 0.5
