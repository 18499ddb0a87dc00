import numpy as np
import pytest

from component_frames import make_ground, make_stems
from culmbook.yields.sampling import Spread, best_plants, plan_plants, plant_spread


def measured(rng, plants=5, plot_sd=0.2, plant_sd=0.3):
    ground = make_ground(tuple("ABCDEFGH"), replicates=4)
    logs = (
        5
        + np.repeat(rng.normal(0, plot_sd, len(ground)), plants)
        + rng.normal(0, plant_sd, plants * len(ground))
    )
    return make_stems(ground, plants=plants, height=np.exp(logs)), ground


def test_spread_of_balanced_plots_is_that_of_the_nested_analysis_of_variance(rng):
    # Cochran (1977) section 10.2: between = (MS plots - MS plants)/n, plots of one hybrid and replicate effects taken off
    stems, ground = measured(rng)
    out = plant_spread(stems, ground, "stem_height_cm")
    frame = stems.merge(ground[["plot", "hybrid", "replicate"]], on="plot").assign(
        y=lambda f: np.log(f["stem_height_cm"])
    )
    plots = frame.groupby(["hybrid", "replicate"])["y"].mean().unstack()
    within = frame.groupby("plot")["y"].var().mean()
    rest = plots.sub(plots.mean(axis=1), axis=0).sub(plots.mean() - plots.to_numpy().mean(), axis=1)
    blocks = 8 * plots.mean().var()
    error = (rest**2).to_numpy().sum() / 21
    if blocks < error:  # then REML puts the replicates' variance at 0 and pools their mean square
        error = ((rest**2).to_numpy().sum() + 3 * blocks) / 24
    assert out.between_plants == pytest.approx(within, rel=1e-6)
    assert out.between_plots == pytest.approx(error - within / 5, rel=1e-4)
    assert (out.n_plots, out.n_plants) == (32, 160)


def test_pooled_samples_blanks_and_single_plants_say_nothing(rng):
    stems, ground = measured(rng)
    stems.loc[0:4, "plant"] = "pooled"
    stems.loc[5:8, "stem_height_cm"] = np.nan
    assert plant_spread(stems, ground, "stem_height_cm").n_plots == 30
    with pytest.raises(ValueError, match="fewer than 10 plots"):
        plant_spread(stems.iloc[:40], ground, "stem_height_cm")


def test_plan_is_cochrans_variance():
    # by hand: (0.04 + 0.09/3)/3 = 0.02333, of which 0.01/0.02333 from plants
    row = plan_plants(Spread("stems", 0.04, 0.09, 60, 300), 3, (3,)).iloc[0]
    assert row["se_hybrid"] == pytest.approx(0.15275, abs=1e-5) and row[
        "from_plants"
    ] == pytest.approx(3 / 7)
    assert (
        not row["is_enough"]
        and plan_plants(Spread("stems", 0.04, 0.09, 60, 300), 3, (9,))["is_enough"].all()
    )


def test_best_number_weighs_costs():
    assert best_plants(Spread("stems", 0.01, 0.04, 60, 300), 9, 1) == pytest.approx(6.0)
    assert best_plants(Spread("stems", 0.0, 0.04, 60, 300), 9, 1) == np.inf
    with pytest.raises(ValueError, match="costs"):
        best_plants(Spread("stems", 0.01, 0.04, 60, 300), 0, 1)
    with pytest.raises(ValueError, match="over 0"):
        plan_plants(Spread("stems", 0.01, 0.04, 60, 300), 0)
