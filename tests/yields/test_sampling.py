from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from component_frames import make_ground, make_stems
from culmbook.text.refusal import Refusal
from culmbook.yields import words
from culmbook.yields.sampling import (
    Spread,
    joined_means,
    plan_each,
    plan_plants,
    plant_spread,
    plant_spreads,
    regression_estimate,
)

PUBLISHED = Path(__file__).parents[1] / "published"


def schools(name):
    return pd.read_csv(PUBLISHED / f"lumley_2010_{name}.csv", comment="#")


def measured(rng, plants=5, plot_sd=0.2, plant_sd=0.3):
    ground = make_ground(tuple("ABCDEFGH"), replicates=4)
    logs = (
        5
        + np.repeat(rng.normal(0, plot_sd, len(ground)), plants)
        + rng.normal(0, plant_sd, plants * len(ground))
    )
    return make_stems(ground, plants=plants, height=np.exp(logs)), ground


def test_spread_of_balanced_plots_is_that_of_the_nested_analysis_of_variance(rng):
    # Cochran (1977) section 10.2: between = (MS plots - MS plants)/n, plots of one hybrid and
    # replicate effects taken off
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
    with pytest.raises(ValueError, match="over 0"):
        plan_plants(Spread("stems", 0.01, 0.04, 60, 300), 0)


def test_spreads_name_the_measurements_without_single_plants(rng):
    stems, ground = measured(rng)
    spreads, told = plant_spreads(stems.assign(stem_diameter_mm=np.nan), ground)
    assert "Stem height" in set(spreads["label"]) and any(
        t.startswith("Stem diameter: fewer than 10") for t in told
    )
    with pytest.raises(Refusal, match="Stems per plant: fewer than 10 plots"):
        plant_spreads(stems.assign(plant="pooled"), ground)


def test_plan_says_the_errors_of_the_formula():
    spreads = pd.DataFrame(
        [Spread("stems", 0.04, 0.09, 60, 300)._asdict() | {"label": "Stems per plant"}]
    )
    now, more = (100 * np.sqrt((0.04 + 0.09 / n) / 4) for n in (3, 6))
    said = words.plan(plan_each(spreads, 4, (3, 6)))
    assert f"from {now:.1f} to {more:.1f} % for stems per plant" in said and "6 plants" in said


def test_two_phase_estimate_is_cochrans_formula():
    # every fourth of 200 schools as the second phase. No published number: Cochran (1977) section
    # 12.6, computed with
    # statsmodels. His variance takes the spread of x from the second phase alone, the other form
    # from all: 2-3 % apart here
    frame = schools("apisrs")
    cut = np.arange(200) % 4 == 0
    out = regression_estimate(frame["api99"], frame["api00"].where(cut), chosen_at_random=True)
    line = smf.ols("api00 ~ api99", frame[cut]).fit()
    assert out.mean == pytest.approx(
        line.predict(pd.DataFrame({"api99": [frame["api99"].mean()]}))[0], abs=1e-6
    )
    y, s2 = frame.loc[cut, "api00"], line.mse_resid
    assert out.se == pytest.approx(
        np.sqrt(s2 / 50 + line.params["api99"] ** 2 * frame["api99"].var() / 200), rel=0.003
    )
    assert out.se == pytest.approx(np.sqrt(s2 / 50 + (y.var() - s2) / 200), rel=0.03)
    assert out.n_cut == 50 and out.n_measured == 200


def test_measuring_every_plot_leaves_only_the_lines_error():
    frame = schools("apisrs")
    cut = np.arange(200) % 4 == 0
    out = regression_estimate(
        frame["api99"], frame["api00"].where(cut), chosen_at_random=True, n_population=200
    )
    line = smf.ols("api00 ~ api99", frame[cut]).fit()
    at = line.get_prediction(pd.DataFrame({"api99": [frame["api99"].mean()]})).se_mean[0]
    assert out.se == pytest.approx(
        np.sqrt(at**2 - line.mse_resid / 200)
    )  # Cochran (1977) section 7.4, finite part


def test_joining_covers_the_true_mean(rng):
    hits = []
    for _ in range(400):
        x = rng.normal(2, 0.4, 60)
        y = 3 * x + rng.normal(0, 0.6, 60)
        cut = np.isin(np.arange(60), rng.permutation(60)[:12])
        out = regression_estimate(
            x, np.where(cut, y, np.nan), chosen_at_random=True, n_population=60
        )
        hits.append(out.lower <= y.mean() <= out.upper)
    assert 0.93 <= np.mean(hits) <= 0.975  # standard error 0.011


@pytest.mark.parametrize("answer", [None, False])
def test_the_question_must_be_answered(answer):
    x, y = np.arange(10.0), np.r_[np.arange(6.0), [np.nan] * 4]
    with pytest.raises(Refusal, match="nobody says that they were chosen at random"):
        regression_estimate(x, y, chosen_at_random=answer)


def test_what_cannot_be_joined_is_refused():
    y = np.r_[np.arange(6.0), [np.nan] * 4]
    with pytest.raises(ValueError, match="at least 5"):
        regression_estimate(np.arange(10.0), np.r_[1.0, [np.nan] * 9], chosen_at_random=True)
    with pytest.raises(ValueError, match="the same in all cut plots"):
        regression_estimate(np.ones(10), y, chosen_at_random=True)
    with pytest.raises(ValueError, match="missing in some plots"):
        regression_estimate(np.r_[np.nan, np.arange(9.0)], y, chosen_at_random=True)
    with pytest.raises(ValueError, match="were measured"):
        regression_estimate(np.arange(10.0), y, chosen_at_random=True, n_population=5)


def test_joined_means_are_given_where_enough_plots_were_cut(rng):
    x = np.tile(rng.normal(8, 2, 12), 2)
    y = np.where(np.arange(24) % 2 + (np.arange(24) > 13), x + rng.normal(0, 0.2, 24), np.nan)
    y[12:18] = np.nan
    y[18:22] = np.nan
    frame = pd.DataFrame(
        {"site": np.repeat(["S1", "S2"], 12), "crop_type": "one", "predicted_t_ha": x}
    )
    frame = frame.assign(
        dry_yield_t_ha=y, refused=pd.Series([None] * 23 + ["too far"], dtype="str")
    )
    table, told = joined_means(frame, chosen_at_random=True)
    own = regression_estimate(x[:12], y[:12], chosen_at_random=True, n_population=12)
    assert table.loc[0, "mean"] == own.mean and table["site"].tolist() == ["S1"]
    assert told[0].startswith("S2, one: 1 cut plots")
    with pytest.raises(Refusal, match="nobody says that they were chosen at random"):
        joined_means(frame, chosen_at_random=False)
