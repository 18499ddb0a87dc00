from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from culmbook.text.refusal import Refusal
from culmbook.yields.prediction import (
    calibrate,
    cross_validate,
    joined_means,
    ladder,
    predict,
    prediction_error,
    prediction_frame,
    regression_estimate,
    smearing_factor,
)

PUBLISHED = Path(__file__).parents[1] / "published"
BOTH = ("stems_per_m2", "stem_height_cm")


def cut_plots(rng, site_years=8, plots=12, *, site_sd=0.1, plot_sd=0.2):
    """Plots of one crop type whose log yield follows 0.8 log stems + 1.2 log height."""
    place = np.repeat([f"S{i} 2025" for i in range(site_years)], plots)
    n = len(place)
    frame = pd.DataFrame(
        {
            "site_year": place,
            "hybrid": np.tile([f"H{i % 6}" for i in range(plots)], site_years),
            "crop_type": "tall",
            "stems_per_m2": np.exp(rng.normal(3.5, 0.3, n)),
            "stem_height_cm": np.exp(rng.normal(5.2, 0.15, n)),
        }
    )
    log = -7 + 0.8 * np.log(frame["stems_per_m2"]) + 1.2 * np.log(frame["stem_height_cm"])
    log += np.repeat(rng.normal(0, site_sd, site_years), plots) + rng.normal(0, plot_sd, n)
    return frame.assign(dry_yield_t_ha=np.exp(log))


def test_allometry_matches_ryan_1976():
    # log volume of 31 trees on log girth and log height; coefficients, standard errors and s as
    # printed by R (also in many
    # textbooks). Arbitrary groups between which nothing differs leave plain least squares
    trees = pd.read_csv(PUBLISHED / "ryan_1976_trees.csv", comment="#")
    frame = trees.rename(columns={"Volume": "dry_yield_t_ha"}).assign(
        crop_type="cherry", hybrid="C", site_year=[str(i % 4) for i in range(31)]
    )
    model = calibrate(frame, ("Girth", "Height"), "cherry")
    assert model.fit.variances["site_year"] == 0
    assert model.fit.coefficients.to_numpy() == pytest.approx(
        [-6.63162, 1.98265, 1.11712], abs=5e-6
    )
    assert np.sqrt(np.diag(model.fit.covariance)) == pytest.approx(
        [0.79979, 0.07501, 0.20444], abs=5e-6
    )
    assert np.sqrt(model.fit.variances["residual"]) == pytest.approx(0.08139, abs=5e-6)


def test_smearing_matches_wooldridge():
    # Wooldridge, Introductory Econometrics, example 6.7: factor 1.136; 1110.98 without and 1262.08
    # with it (thousand
    # dollars, from rounded coefficients)
    data = pd.read_csv(PUBLISHED / "wooldridge_2013_ceosal2.csv", comment="#")
    fit = smf.ols("np.log(salary) ~ np.log(sales) + np.log(mktval) + ceoten", data).fit()
    factor = smearing_factor(fit.resid, np.zeros(len(data)))  # one group: the plain mean
    naive = np.exp(
        fit.predict(pd.DataFrame({"sales": [5000.0], "mktval": [10000.0], "ceoten": [10.0]}))
    )[0]
    assert factor == pytest.approx(1.136, abs=5e-4)
    assert naive == pytest.approx(1110.98, rel=1.5e-3) and naive * factor == pytest.approx(
        1262.08, rel=1.5e-3
    )


def test_groups_weigh_alike_in_the_smearing_factor():
    assert smearing_factor(np.log([2.0, 2.0, 2.0, 1.0]), ["a", "a", "a", "b"]) == pytest.approx(1.5)
    assert smearing_factor(np.log([2.0, 2.0, 2.0, 1.0]), list("aaaa")) == pytest.approx(1.75)


def test_the_line_is_found_and_a_new_site_year_has_the_wider_interval(rng):
    frame = cut_plots(rng, site_years=20, plots=20)
    model = calibrate(frame, BOTH, "tall")
    assert model.fit.coefficients.to_numpy() == pytest.approx([-7, 0.8, 1.2], abs=0.6)
    same = frame.iloc[[0, 0]].assign(site_year=["S0 2025", "elsewhere"])
    out = predict(model, same)
    width = np.log(out["upper_t_ha"] / out["lower_t_ha"])
    assert width.iloc[1] > 1.05 * width.iloc[0]


def test_interval_of_a_new_site_year_is_reckoned_from_its_parts(rng):
    frame = cut_plots(rng, site_years=40, plots=30)  # so many that t is nearly normal
    model = calibrate(frame, BOTH, "tall")
    out = predict(model, frame.iloc[[3]].assign(site_year="elsewhere")).iloc[0]
    x = np.array(
        [1.0, np.log(frame.loc[3, "stems_per_m2"]), np.log(frame.loc[3, "stem_height_cm"])]
    )
    line = x @ model.fit.coefficients.to_numpy()
    variance = model.fit.variances.sum() + x @ model.fit.covariance.to_numpy() @ x
    assert np.log(out["upper_t_ha"]) == pytest.approx(line + 1.96 * np.sqrt(variance), abs=0.005)
    assert out["predicted_t_ha"] == pytest.approx(np.exp(line) * model.smearing)


def test_a_known_site_year_is_predicted_as_by_statsmodels(rng):
    frame = cut_plots(rng, site_sd=0.2)
    logs = frame.assign(
        y=np.log(frame["dry_yield_t_ha"]),
        s=np.log(frame["stems_per_m2"]),
        h=np.log(frame["stem_height_cm"]),
    )
    other = smf.mixedlm("y ~ s + h", logs, groups="site_year").fit()
    line = other.predict(logs) + logs["site_year"].map(
        {k: v.iloc[0] for k, v in other.random_effects.items()}
    )
    out = predict(calibrate(frame, BOTH, "tall"), frame)
    assert np.log(out["lower_t_ha"] * out["upper_t_ha"]).to_numpy() / 2 == pytest.approx(
        line.to_numpy(), abs=1e-3
    )


def test_means_are_put_back_to_tonnes_as_statsmodels_variances_say(rng):
    # Duan (1983) with site-years weighed alike; in a known site-year the mean of a lognormal with
    # the variance that is left of its effect and that of plots
    frame = cut_plots(rng, site_sd=0.35, plot_sd=0.3)
    is_small = frame["site_year"].isin(["S0 2025", "S1 2025", "S2 2025"])
    frame = frame[~is_small | frame.groupby("site_year").cumcount().lt(3)].reset_index(drop=True)
    logs = frame.assign(
        y=np.log(frame["dry_yield_t_ha"]),
        s=np.log(frame["stems_per_m2"]),
        h=np.log(frame["stem_height_cm"]),
    )
    other = smf.mixedlm("y ~ s + h", logs, groups="site_year").fit()
    model, line = calibrate(frame, BOTH, "tall"), other.predict(logs)
    ratio = np.exp(logs["y"] - line).groupby(frame["site_year"]).mean()
    assert model.smearing == pytest.approx(ratio.mean(), rel=1e-3)
    out = predict(model, frame)
    between, within = float(other.cov_re.iloc[0, 0]), other.scale
    n = frame.groupby("site_year")["site_year"].transform("size")
    left = 1 / (1 / between + n / within)
    middle = np.sqrt(out["lower_t_ha"] * out["upper_t_ha"])
    expected = np.exp((left + within) / 2)
    assert (out["predicted_t_ha"] / middle).to_numpy() == pytest.approx(expected, rel=2e-3)


def test_plots_outside_the_calibration_are_refused_with_a_reason(rng):
    frame = cut_plots(rng)
    model = calibrate(frame, BOTH, "tall")
    low, high = (frame["stems_per_m2"].agg(f) for f in ("min", "max"))
    odd = pd.DataFrame(
        {
            "site_year": "new",
            "crop_type": ["tall", "tall", "fine", "tall"],
            "hybrid": "H1",
            "stems_per_m2": [10 * high, np.nan, 30.0, low],
            "stem_height_cm": [180.0, 180.0, 180.0, frame["stem_height_cm"].max()],
        }
    )
    out = predict(model, odd)
    assert out["predicted_t_ha"].isna().all()
    reasons = out["refused"].tolist()
    assert (
        reasons[0].startswith("stems per m² outside the calibrated")
        and reasons[1] == "stems per m² not observed"
    )
    assert (
        reasons[2] == "not of crop type tall"
        and reasons[3] == "predictors together lie outside the calibrated plots"
    )
    assert predict(model, frame)["refused"].isna().all()


def test_one_season_or_few_plots_carry_no_prediction(rng):
    with pytest.raises(ValueError, match="40 cut plots in 1 site-years"):
        calibrate(cut_plots(rng, site_years=1, plots=40), BOTH, "tall")
    with pytest.raises(ValueError, match="24 cut plots in 3 site-years"):
        calibrate(cut_plots(rng, site_years=3, plots=8), BOTH, "tall")
    with pytest.raises(ValueError, match="0 cut plots"):
        calibrate(cut_plots(rng), BOTH, "fine")
    with pytest.raises(ValueError, match="Not observed in any plot: stem diameter"):
        calibrate(cut_plots(rng).assign(stem_diameter_mm=np.nan), ("stem_diameter_mm",), "tall")
    with pytest.raises(ValueError, match="too few site-years to leave one out"):
        cross_validate(cut_plots(rng, site_years=3), BOTH, "tall")


def test_leaving_out_a_site_year_is_fitting_without_it(rng):
    frame = cut_plots(rng)
    table = cross_validate(frame, BOTH, "tall")
    own = table[table["site_year"] == "S2 2025"]
    model = calibrate(frame[frame["site_year"] != "S2 2025"], BOTH, "tall")
    rows = frame[frame["site_year"] == "S2 2025"]
    inside = ~own["is_outside"].to_numpy()
    assert own["predicted_t_ha"].to_numpy()[inside] == pytest.approx(
        predict(model, rows)["predicted_t_ha"].to_numpy()[inside]
    )
    line = (
        np.column_stack([np.ones(12), np.log(rows[list(BOTH)])]) @ model.fit.coefficients.to_numpy()
    )
    assert own["log_error"].to_numpy() == pytest.approx(
        np.log(rows["dry_yield_t_ha"]).to_numpy() - line
    )


def test_error_weighs_site_years_alike():
    table = pd.DataFrame(
        {
            "site_year": ["a", "a", "a", "b"],
            "dry_yield_t_ha": [5.0, 5, 5, 5],
            "predicted_t_ha": [6.0, 6, 6, 8],
            "lower_t_ha": 4.0,
            "upper_t_ha": [9.0, 9, 4.5, 9],
            "log_error": [0.1, 0.1, 0.1, 0.3],
            "is_outside": False,
        }
    )
    out = prediction_error(table)
    assert out["rmse_t_ha"] == pytest.approx(np.sqrt((1 + 9) / 2)) and out[
        "rmse_log"
    ] == pytest.approx(np.sqrt((0.01 + 0.09) / 2))
    assert out["held"] == pytest.approx((2 / 3 + 1) / 2)


def test_ladder_finds_that_both_measurements_beat_one(rng):
    frame = cut_plots(rng, site_years=10, plots=15)
    table = ladder(frame, "tall", (("stem_height_cm",), ("stems_per_m2",), BOTH)).set_index(
        "predictors"
    )
    error = table["rmse_log"]
    assert error.iloc[2] == pytest.approx(
        prediction_error(cross_validate(frame, BOTH, "tall"))["rmse_log"]
    )
    assert (
        error["stems_per_m2 + stem_height_cm"]
        < error["stems_per_m2"]
        < table["rmse_none_log"].iloc[0]
    )
    assert table["n_site_years"].eq(10).all()


def test_an_unobserved_predictor_drops_its_rung_only(rng):
    table = ladder(cut_plots(rng), "tall")
    assert table["predictors"].tolist() == [
        "stem_height_cm",
        "stems_per_m2",
        "stems_per_m2 + stem_height_cm",
    ]
    with pytest.raises(ValueError, match="None of the predictors"):
        ladder(cut_plots(rng), "tall", (("stem_diameter_mm",),))


def test_frame_joins_crop_types_and_stems_per_area():
    frame = pd.DataFrame(
        {
            "site": ["A"],
            "plot": "1",
            "growing_season": 2025,
            "hybrid": "H",
            "plants_per_m2": 1.5,
            "stems_per_plant": 20.0,
        }
    )
    out = prediction_frame(frame, pd.DataFrame({"hybrid": ["H"], "crop_type": ["tall"]})).iloc[0]
    assert (out["site_year"], out["stems_per_m2"], out["crop_type"]) == ("A 2025", 30.0, "tall")


def schools(name):
    return pd.read_csv(PUBLISHED / f"lumley_2010_{name}.csv", comment="#")


def test_measuring_every_plot_leaves_only_the_lines_error():
    frame = schools("apisrs")
    cut = np.arange(200) % 4 == 0
    out = regression_estimate(frame["api99"], frame["api00"].where(cut), chosen_at_random=True)
    line = smf.ols("api00 ~ api99", frame[cut]).fit()
    there = line.get_prediction(pd.DataFrame({"api99": [frame["api99"].mean()]}))
    at = there.se_mean[0]
    assert out.mean == pytest.approx(there.predicted_mean[0], abs=1e-6)
    assert out.n_cut == 50 and out.n_measured == 200
    assert out.se == pytest.approx(
        np.sqrt(at**2 - line.mse_resid / 200)
    )  # Cochran (1977) section 7.4, finite part


def test_joining_covers_the_true_mean(rng):
    hits = []
    for _ in range(400):
        x = rng.normal(2, 0.4, 60)
        y = 3 * x + rng.normal(0, 0.6, 60)
        cut = np.isin(np.arange(60), rng.permutation(60)[:12])
        out = regression_estimate(x, np.where(cut, y, np.nan), chosen_at_random=True)
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
    own = regression_estimate(x[:12], y[:12], chosen_at_random=True)
    assert table.loc[0, "mean"] == own.mean and table["site"].tolist() == ["S1"]
    assert told[0].startswith("S2, one: 1 cut plots")
    with pytest.raises(Refusal, match="nobody says that they were chosen at random"):
        joined_means(frame, chosen_at_random=False)
