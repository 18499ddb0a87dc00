import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
import statsmodels.formula.api as smf

from component_frames import make_counts, make_ground, make_harvests, make_stems
from culmbook.sheets.crosschecks import component_product
from culmbook.text.refusal import Refusal
from culmbook.trials.dry_yield import plot_harvests
from culmbook.yields import words
from culmbook.yields.components import (
    COMPONENTS,
    MEASURED,
    Spread,
    at_full_stand,
    fit_stand_power,
    log_components,
    plan_plants,
    plant_spread,
    plant_spreads,
    plot_components,
    plot_traits,
    with_yield,
)
from culmbook.yields.means import fit_means, means_of


def components(ground, stems, alive=24, slips=None):
    return plot_components(stems, make_counts(ground, alive), ground, slips).set_index("plot")


def test_product_of_components_is_the_yield_of_a_plot_reckoned_by_hand():
    # 24 plants on 24 m², 30 stems of 20 g each: 600 g per m² = 6 t/ha
    ground = make_ground()
    row = components(ground, make_stems(ground)).iloc[0]
    assert row[[*COMPONENTS, "product_t_ha"]].tolist() == [1.0, 30.0, 20.0, 6.0]
    assert row["crop_year"] == 4 and row["n_plants"] == 3


def test_mass_per_stem_weighs_plants_by_their_stems():
    # 10 stems of 30 g and 30 stems of 10 g: 600 g in 40 stems
    ground = make_ground(replicates=1)
    stems = make_stems(ground, plants=2, stems=np.tile([10, 30], 3), mass=np.tile([30.0, 10.0], 3))
    row = components(ground, stems).iloc[0]
    assert row["stem_mass_g"] == 15.0 and row["product_t_ha"] == pytest.approx(1 * 300 * 10 / 1000)


def test_components_agree_with_the_products_that_reading_checks():
    ground = make_ground()
    tables = {
        "stem_measures": make_stems(ground),
        "stand_counts": make_counts(ground),
        "plots": ground,
    }
    assert component_product(tables)["product"].to_numpy() == pytest.approx(
        components(ground, make_stems(ground))["product_t_ha"]
    )


def test_a_later_round_with_heights_only_does_not_hide_the_stems():
    ground = make_ground()
    late = make_stems(ground, day="2025-12-12", height=150.0).assign(
        stems=pd.NA, stem_dry_mass_g=np.nan
    )
    row = components(ground, pd.concat([make_stems(ground), late])).iloc[0]
    assert row["measured_on"] == pd.Timestamp("2025-11-12") and row["product_t_ha"] == 6.0


def test_an_absent_component_leaves_the_product_missing_and_is_named():
    ground = make_ground()
    stems = make_stems(ground).assign(stem_dry_mass_g=np.nan)
    frame = components(ground, stems).reset_index()
    assert frame["product_t_ha"].isna().all() and frame["stems_per_plant"].notna().all()
    assert words.components(stems, frame) == ["Not observed in any plot: mass per stem."]
    with pytest.raises(ValueError, match="mass per stem"):
        log_components(frame)


def test_heights_by_two_methods_are_kept_apart_with_a_message():
    ground = make_ground()
    stems = make_stems(ground)
    panicle = stems["plot"].isin(["001", "002"])
    stems = stems.assign(
        height_method=np.where(panicle, "panicle", "ligule"),
        stem_height_cm=np.where(panicle, 260.0, 200.0),
    )
    frame = components(ground, stems)
    assert frame["stem_height_cm"].isna().tolist() == [True, True, *[False] * 7]
    assert frame["stem_height_cm"].dropna().eq(200).all() and set(
        frame["height_method"].dropna()
    ) == {"ligule"}
    (told,) = words.components(stems, frame.reset_index())
    assert "two methods (ligule and panicle)" in told and "only those by ligule are used" in told


def test_a_plant_with_a_unit_slip_is_not_averaged_and_counted():
    ground = make_ground()
    stems = make_stems(ground)
    stems.loc[1, "stem_dry_mass_g"] = 20000.0
    slips = pd.DataFrame(
        {"code": ["N-SLIP"], "file": ["S1/stem_measures.csv"], "line": pd.array([3], dtype="Int64")}
    )
    frame = components(ground, stems, slips=slips)
    assert frame.loc["001", ["n_plants", "n_slips", "stem_mass_g"]].tolist() == [2, 1, 20.0]
    assert (
        "1 measured plant with a suspected unit slip"
        in words.components(stems, frame.reset_index())[0]
    )


def test_damaged_plots_have_no_components():
    ground = make_ground().assign(status=["damaged", *["ok"] * 8])
    assert "001" not in components(ground, make_stems(ground)).index


def test_density_is_that_of_the_last_count_before_measuring():
    ground = make_ground()
    counts = pd.concat(
        [
            make_counts(ground, 12, "2024-06-24"),
            make_counts(ground, 24, "2025-06-24"),
            make_counts(ground, 6, "2026-06-24"),
        ]
    )
    assert plot_components(make_stems(ground), counts, ground)["plants_per_m2"].eq(1.0).all()


def test_logs_keep_plots_with_everything_and_their_rest():
    ground = make_ground()
    cut = make_harvests(ground, fresh_kg=np.r_[0.0, [12.0] * 8])
    frame = with_yield(
        plot_components(make_stems(ground), make_counts(ground), ground), plot_harvests(cut, ground)
    )
    logs = log_components(frame, outcome="dry_yield_t_ha")
    assert len(logs) == 8  # the plot without yield has no log
    assert logs["rest"].to_numpy() == pytest.approx(np.log(7 / 600))
    assert (
        words.without_logs(frame, logs)
        == "Left out without every component and a yield: 1 of 9 plots, 1 because nothing grew or was cut."
    )
    assert words.without_logs(logs, logs) == ""


def test_means_by_hybrid_carry_units_and_leave_out_what_was_not_observed(rng):
    ground = make_ground(("H1", "H2", "STD"), replicates=4)
    stems = make_stems(
        ground, stems=rng.integers(20, 40, 36), mass=20 + rng.normal(size=36)
    ).assign(stem_diameter_mm=np.nan)
    frame = components(ground, stems).reset_index()
    table, told = means_of(frame, MEASURED)
    assert set(table["measure"]) == {"stems_per_plant", "stem_mass_g", "product_t_ha"}
    assert (
        len(told) == 4
        and told[2]
        == "Stem diameter was observed in fewer than two hybrids: there is nothing to compare."
    )
    own = table[table["measure"] == "stem_mass_g"].set_index("hybrid")
    assert own["unit"].eq("g").all() and own["n_plots"].eq(4).all()
    # statsmodels: the regression with a log link whose variance goes with the same power of the mean
    log = sm.families.links.Log()
    family = {0: sm.families.Gaussian(log), 1: sm.families.Poisson(), 2: sm.families.Gamma(log)}
    family = family[fit_means(frame, "stem_mass_g").power]
    there = smf.glm("stem_mass_g ~ hybrid + replicate", frame, family=family).fit(tol=1e-12)
    expected = there.fittedvalues.groupby(frame["hybrid"]).mean()
    assert own["mean"].sort_index().to_numpy() == pytest.approx(expected.to_numpy(), rel=1e-6)


def test_a_hybrid_in_one_plot_has_a_mean_with_a_wide_interval(rng):
    ground = make_ground(("H1", "H2", "STD"), replicates=4).drop(index=[0, 3, 6])
    frame = components(ground, make_stems(ground, mass=20 + rng.normal(size=27))).reset_index()
    own = means_of(frame, ["stem_mass_g"])[0].set_index("hybrid")
    width = own["upper"] - own["lower"]
    assert own.loc["H1", "n_plots"] == 1 and width["H1"] > 1.5 * width["H2"]


def harvested(rng, power=0.65, sd=0.03, uneven=0.25):
    ground = make_ground(tuple("ABCDEF"), replicates=4)
    share = np.clip(0.85 * np.exp(rng.normal(0, uneven, len(ground))), 0.3, 1)
    level = ground["hybrid"].map(dict(zip("ABCDEF", np.linspace(8, 14, 6))))
    fresh = level * share**power * np.exp(rng.normal(0, sd, len(ground)))
    frame = plot_harvests(make_harvests(ground, fresh_kg=fresh.to_numpy()), ground)
    return frame.assign(stand=share)


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


def phenology(ground, **columns):
    blank = pd.Series(pd.NaT, index=range(len(ground)))
    frame = pd.DataFrame(
        {
            "site": ground["site"],
            "plot": ground["plot"],
            "growing_season": 2025,
            "emerged_on": blank,
            "flowered": "yes",
            "flowered_on": pd.Timestamp("2025-09-01"),
            "senescence_score": 5,
        }
    )
    return frame.assign(**columns)


def traits_of(ground, seen):
    parts = plot_components(make_stems(ground), make_counts(ground), ground)
    return plot_traits(ground, parts, plot_harvests(make_harvests(ground), ground), seen, 2025)


def test_days_of_the_year_count_from_new_year():
    frame = traits_of(make_ground(), phenology(make_ground()))
    assert frame["flowering_day"].eq(244).all()  # 31+28+31+30+31+30+31+31+1


def test_traits_of_plots_come_from_their_own_tables():
    ground = make_ground()
    frame = traits_of(ground.drop(index=8), phenology(ground).drop(index=[0, 1]))
    assert (
        len(frame) == 8 and frame["leaf_fraction"].notna().all() and frame["ash_pct"].isna().all()
    )
    assert frame["senescence_score"].isna().tolist() == [True, True, *[False] * 6]


def test_means_of_scores_and_shares_stay_in_their_range(rng):
    ground = make_ground(tuple("ABCD"), replicates=3)
    score = np.where(ground["hybrid"] == "A", 9, rng.integers(3, 9, 12))
    frame = traits_of(ground, phenology(ground, senescence_score=score))
    table = means_of(frame, ["senescence_score"])[0].set_index("hybrid")
    assert table.loc["A", "mean"] == pytest.approx(9.0) and table["upper"].max() == 9.0
    frame = frame.assign(flowering_day=240 + rng.normal(size=12))
    days, _ = means_of(frame, ["flowering_day"])
    assert days["mean"].between(237, 243).all() and (days["lower"] < days["mean"]).all()


def test_traits_that_nobody_recorded_are_refused():
    ground = make_ground()
    frame = traits_of(ground, phenology(ground, flowered=None))
    with pytest.raises(Refusal, match="Nobody noted"):
        words.flowering(frame)
    with pytest.raises(Refusal, match="Ash was observed in fewer than two hybrids"):
        means_of(frame, ["ash_pct"])


def test_a_plot_that_never_flowered_counts_and_one_not_looked_at_does_not():
    ground = make_ground(("A", "B"), replicates=3)  # plots A B A B A B
    seen = phenology(ground, flowered=["yes", "no", "yes", "no", None, "no"])
    said = "2 of 5 plots with an answer flowered (40 %). No plot of B did."
    assert words.flowering(traits_of(ground, seen)) == said


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
    spreads = pd.DataFrame([Spread("stems", 0.04, 0.09, 60, 300)]).assign(label="Stems per plant")
    few, enough = plan_plants(spreads, 3, (3, 9)).itertuples()
    assert few.se_hybrid == pytest.approx(0.15275, abs=1e-5)
    assert few.from_plants == pytest.approx(3 / 7)
    assert enough.is_enough and not few.is_enough


def test_spreads_name_the_measurements_without_single_plants(rng):
    stems, ground = measured(rng)
    spreads, told = plant_spreads(stems.assign(stem_diameter_mm=np.nan), ground)
    assert "Stem height" in set(spreads["label"]) and any(
        t.startswith("Stem diameter: fewer than 10") for t in told
    )
    with pytest.raises(Refusal, match="Stems per plant: fewer than 10 plots"):
        plant_spreads(stems.assign(plant="pooled"), ground)


def test_plan_says_the_errors_of_the_formula():
    spreads = pd.DataFrame([Spread("stems", 0.04, 0.09, 60, 300)]).assign(label="Stems per plant")
    now, more = (100 * np.sqrt((0.04 + 0.09 / n) / 4) for n in (3, 6))
    said = words.plan(plan_plants(spreads, 4, (3, 6)))
    assert f"from {now:.1f} to {more:.1f} % for stems per plant" in said and "6 plants" in said
