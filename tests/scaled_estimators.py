"""Can the tests fail? Scale one estimator at a time by 1.01 and see whether some test turns red.

``python tests/scaled_estimators.py`` runs the tests of each estimator with its numbers multiplied and prints
which tests noticed. With ``-p scaled_estimators`` and SCALED=module:function it is the pytest plugin that does so.
"""

import dataclasses
import functools
import importlib
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd

FACTOR = 1.01
HERE = Path(__file__).parent

ESTIMATORS = {
    "proportions:share_interval": "test_proportions.py", "proportions:combine_limits": "test_proportions.py",
    "proportions:common_odds": "test_proportions.py", "proportions:fit_beta_binomial": "test_proportions.py",
    "mixed.gaussian:fit_gaussian": "test_reml.py", "mixed.kenward_roger:kenward_roger": "test_kenward_roger.py",
    "mixed.counts:fit_binomial": "test_mixed.py", "mixed.ordinal:fit_ordinal": "test_mixed_references.py",
    "mixed.draws:draws": "test_draws.py", "mixed.draws:bootstrap": "test_draws.py",
    "mixed.inference:mean_weights": "test_inference.py", "mixed.inference:mean_shares": "test_inference.py",
    "mixed.inference:compare_together": "test_inference.py", "mixed.inference:compare": "test_inference.py",
    "mixed_checks:check_published": "test_mixed_page.py",
    "mixed.inference:marginal_share": "test_stand_model.py",
    "stand_model:hybrid_shares": "test_stand_model.py", "stand_model:against_control": "test_stand_model.py",
    "mixed.inference:simultaneous_draws": "test_stand_model.py", "stand_model:chance_above": "test_stand_model.py",
    "stand_model:variance_table": "test_stand_model.py",
    "treatments:stratum_fit": "test_treatments.py", "treatments:fit_treatments": "test_treatments.py",
    "lifetable:life_table": "test_lifetable.py", "lifetable:median_survival": "test_lifetable.py",
    "lifetable:logrank": "test_lifetable.py", "lifetable:fit_hazards": "test_lifetable.py",
    "gaps:run_chance": "test_gaps.py", "gaps:clustering": "test_gaps.py", "gaps:longest_runs": "test_gaps.py",
    "degree_days:degree_days_sine": "test_weather.py", "degree_days:degree_days_triangle": "test_weather.py",
    "degree_days:hours_between": "test_weather.py", "weather:season_indices": "test_weather.py",
    "weather:against_record": "test_weather.py",
    "agreement:weighted_kappa": "test_agreement.py", "agreement:icc_agreement": "test_agreement.py",
    "agreement:icc_any_two": "test_agreement.py", "agreement:agreement": "test_agreement.py",
    "agreement:overall_agreement": "test_agreement.py", "agreement:observers_apart": "test_agreement.py",
    "season_data:latest_stand": "test_season_data.py", "season_data:plots_by_status": "test_season_data.py",
    "season_data:progress": "test_season_data.py", "look_first:stand_surprises": "test_look_first.py",
    "stem_height:plot_heights": "test_stem_height.py", "stem_height:height_differences": "test_stem_height.py",
    "establishment:plot_stand": "test_establishment.py", "establishment:judge_hybrids": "test_establishment.py",
    "gev:fit_gev": "test_return_levels.py", "gev:return_level": "test_return_levels.py",
    "gev:chance_above": "test_return_levels.py", "return_levels:cold_levels": "test_return_levels.py",
    "return_levels:chance_colder": "test_return_levels.py", "return_levels:trend": "test_return_levels.py",
    "return_levels:plotting_positions": "test_return_levels.py",
    "soil_damping:damping_depth_cm": "test_winter_minimum.py", "soil_damping:damped": "test_winter_minimum.py",
    "soil_damping:fit_damping": "test_winter_minimum.py", "soil_damping:formula_damping": "test_winter_minimum.py",
    "winter_minimum:winter_minima": "test_winter_minimum.py", "winter_minimum:winter_severity": "test_winter_minimum.py",
    "spring_frost:latest_frosts": "test_spring_frost.py", "spring_frost:emergence_days": "test_spring_frost.py",
    "spring_frost:frost_after": "test_spring_frost.py", "spring_frost:jeffreys": "test_spring_frost.py",
    "spring_frost:fit_latest": "test_spring_frost.py", "spring_frost:latest_levels": "test_spring_frost.py",
    "lethal_temperature:crossing": "test_lethal_temperature.py",
    "lethal_temperature:crossing_error": "test_lethal_temperature.py",
    "lethal_temperature:fieller_limits": "test_lethal_temperature.py",
    "freeze_tests:observed_survival": "test_freeze_tests.py", "freeze_tests:bracketing": "test_freeze_tests.py",
    "freeze_tests:same_natural_death": "test_freeze_tests.py", "freeze_model:fit_freeze": "test_freeze_curves.py",
    "freeze_model:firth_leverage": "test_freeze_curves.py",
    "freeze_curves:lethal_temperatures": "test_freeze_curves.py",
    "freeze_curves:against_control": "test_freeze_curves.py",
    "freeze_curves:survival_curves": "test_freeze_curves.py", "freeze_curves:curve_draws": "test_freeze_curves.py",
    "freeze_curves:unevenness": "test_freeze_curves.py",
    "leakage:injury_index": "test_leakage.py", "leakage:leakage_temperatures": "test_leakage.py",
    "leakage:leakage_against_control": "test_leakage.py",
    "sigmoid:fit_sigmoid": "test_leakage.py",
    "winter_survival:expected_survival": "test_winter_survival.py",
    "field_survival:winters_survived": "test_field_survival.py", "field_survival:fit_field": "test_field_survival.py",
    "field_survival:field_shares": "test_field_survival.py", "field_survival:field_draws": "test_field_survival.py",
    "field_survival:severity_line": "test_field_survival.py",
    "field_survival:observed_by_winter": "test_field_survival.py", "freeze_field:rank_agreement": "test_freeze_field.py",
    "damage_scores:leaf_killed": "test_spring_damage.py",
    "proportional_odds:nominal_test": "test_spring_damage.py", "spring_damage:damage_chances": "test_spring_damage.py",
    "spring_damage:damage_against_control": "test_spring_damage.py", "spring_damage:other_effects": "test_spring_damage.py",
    "energy:dry_basis": "test_energy.py", "energy:net_calorific_value": "test_energy.py",
    "energy:energy_yield": "test_energy.py", "harvest:plot_harvests": "test_harvest.py",
    "components:plot_components": "test_components.py", "components:component_means": "test_components.py",
    "components:log_components": "test_components.py", "covariances:fit_covariances": "test_contributions.py",
    "covariances:bend": "test_contributions.py", "covariances:site_records": "test_contributions.py",
    "covariances:draw_covariances": "test_contributions.py",
    "contributions:shares_of": "test_contributions.py",
    "contributions:contributions": "test_contributions.py",
    "yield_paths:path_coefficients": "test_yield_paths.py", "yield_paths:paths_of": "test_yield_paths.py",
    "yield_paths:path_intervals": "test_yield_paths.py", "yield_paths:compensation": "test_yield_paths.py",
    "straight_line:fit_line": "test_straight_line.py",
    "straight_line:errors_in_x_slope": "test_straight_line.py",
    "straight_line:partial_slope": "test_stand_adjustment.py", "moisture:fit_dry_down": "test_moisture.py",
    "moisture:moisture_on": "test_moisture.py", "moisture:fit_winter_loss": "test_moisture.py",
    "hybrid_means:hybrid_means": "test_hybrid_means.py",
    "hybrid_means:against_control": "test_hybrid_means.py",
    "yield_prediction:calibrate": "test_yield_prediction.py",
    "yield_prediction:predict": "test_yield_prediction.py",
    "yield_prediction:smearing_factor": "test_yield_prediction.py",
    "yield_prediction:cross_validate": "test_yield_prediction.py",
    "yield_prediction:prediction_error": "test_yield_prediction.py",
    "yield_prediction:ladder": "test_yield_prediction.py",
    "double_sampling:regression_estimate": "test_double_sampling.py",
    "double_sampling:stratified_mean": "test_double_sampling.py",
    "double_sampling:cluster_mean": "test_double_sampling.py",
    "double_sampling:cluster_total": "test_double_sampling.py",
    "double_sampling:calibrated_mean": "test_double_sampling.py",
    "sampling_plan:plant_spread": "test_sampling_plan.py",
    "sampling_plan:plan_plants": "test_sampling_plan.py",
    "sampling_plan:best_plants": "test_sampling_plan.py", "harvest_traits:lodging": "test_harvest_traits.py",
    "harvest_traits:flowering_shares": "test_harvest_traits.py",
    "harvest_traits:trait_means": "test_harvest_traits.py",
    "harvest_traits:phenology_days": "test_harvest_traits.py",
    "stand_adjustment:fit_stand_power": "test_stand_adjustment.py",
    "stand_adjustment:at_full_stand": "test_stand_adjustment.py",
    "stand_adjustment:with_stand": "test_stand_adjustment.py",
    "stability:stability_variances": "test_stability.py",
    "stability:environment_regression": "test_stability.py",
    "stability:superiority": "test_stability.py",
    "stability:cell_means": "test_stability.py",
    "rank_agreement:concordance": "test_rank_agreement.py",
    "rank_agreement:friedman": "test_rank_agreement.py",
    "rank_agreement:intraclass": "test_rank_agreement.py",
    "rank_agreement:cronbach_alpha": "test_rank_agreement.py",
    "growth_curves:fit_growth": "test_growth_curves.py",
    "reliability:repeatability": "test_reliability.py",
    "reliability:reliability": "test_reliability.py",
    "reliability:component_table": "test_consistency.py",
    "reliability:estimates": "test_consistency.py",
    "beating_the_control:beats_control": "test_beating_the_control.py",
    "beating_the_control:chance_erratic": "test_beating_the_control.py",
    "beating_the_control:worst_of": "test_beating_the_control.py",
    "season_statistics:season_statistics": "test_consistency.py",
    "season_statistics:season_yields": "test_consistency.py",
    "season_statistics:season_ranks": "test_consistency.py",
    "build_up:full_yield_test": "test_build_up.py",
    "build_up:crop_year_table": "test_build_up.py",
    "build_up:plateau_shares": "test_build_up.py",
    "old_stands:decline": "test_build_up.py",
    "selection_intensity:intensity": "test_selection_intensity.py",
    "selection_intensity:order_statistics": "test_selection_intensity.py",
    "selection_intensity:two_stage_gain": "test_selection_intensity.py",
    "correct_selection:chance_correct": "test_correct_selection.py",
    "correct_selection:distance_needed": "test_correct_selection.py",
    "correct_selection:plan_chance": "test_correct_selection.py",
    "reliability:error_variance": "test_correct_selection.py",
    "funnel:run_funnel": "test_funnel.py",
    "funnel:index_weights": "test_funnel.py",
    "funnel:first_stage_gain": "test_funnel.py",
    "funnel:spread_before": "test_funnel.py",
    "funnel:funnel_table": "test_funnel.py",
    "decisions:season_gains": "test_decisions.py",
    "traits:stand_trait": "test_traits.py",
    "traits:freeze_trait": "test_traits.py",
    "traits:moisture_trait": "test_traits.py",
    "traits:unshrunk_means": "test_traits.py",
    "untested:with_untested": "test_traits.py",
    "moisture:at_common_dates": "test_traits.py",
    "floors:floor_table": "test_floors.py",
    "selection_index:smith_hazel": "test_selection_index.py",
    "selection_index:desired_gains": "test_selection_index.py",
    "selection_index:implied_weights": "test_selection_index.py",
    "selection_index:expected_response": "test_selection_index.py",
    "selection_index:index_accuracy": "test_selection_index.py",
    "selection_index:index_draws": "test_selection_index.py",
    "selection_index:index_gains": "test_selection_index.py",
    "selection_index:index_table": "test_selection_index.py",
    "joint_traits:_drawn_trait": "test_selection_index.py",
    "sensitivity:sensitivity": "test_sensitivity.py",
    "selection:blup_table": "test_selection.py",
    "selection:heritability": "test_selection.py",
    "selection:lasting_covariance": "test_selection.py",
    "selection:lasting_values": "test_selection.py",
    "selection:candidate_gains": "test_selection.py",
    "selection:in_top": "test_selection.py",
    "selection:chance_in_top": "test_selection.py",
    "selection:chance_beats": "test_selection.py",
    "selection:chance_if_passing": "test_selection.py",
    "selection:worthy": "test_selection.py",
    "decision:decide": "test_decision.py",
    "decision:expected_loss": "test_decision.py",
    "more_data:after_data": "test_more_data.py",
    "more_data:future_means": "test_more_data.py",
    "more_data:preposterior": "test_more_data.py",
    "next_season:spreads": "test_more_data.py",
    "more_data:hold_table": "test_more_data.py",
    "more_data:plan_table": "test_more_data.py",
    "connected:common_entries": "test_connected.py",
    "first_stage:site_means": "test_two_stage.py",
    "first_stage:external_means": "test_two_stage.py",
    "two_stage:fit_two_stage": "test_two_stage.py",
    "two_stage:compare_stages": "test_two_stage.py",
    "site_correlation:shared_seasons": "test_site_correlation.py",
    "site_correlation:level_free": "test_site_correlation.py",
    "site_correlation:correlate_sites": "test_site_correlation.py",
    "site_groups:site_groups": "test_site_correlation.py",
    "choosing_elsewhere:choosing_elsewhere": "test_site_correlation.py",
    "site_agreement:fit_site_agreement": "test_site_agreement.py",
    "mixed.left_out:left_out": "test_field.py",
    "mixed.left_out:part_of": "test_field.py",
    "mixed.left_out:residuals": "test_field.py",
    "mixed.kenward_roger:kenward_roger_contrasts": "test_kenward_roger.py",
    "mixed.kenward_roger:enlarged_covariance": "test_kenward_roger.py",
    "field_choice:compare_fits": "test_field.py",
    "field_choice:contrasts": "test_field.py",
    "field_choice:mean_difference_variance": "test_field.py",
    "field_parts:plot_parts": "test_field.py",
    "field_parts:border_effects": "test_field.py",
    "autocorrelation:moran": "test_autocorrelation.py",
    "autocorrelation:moran_of_residuals": "test_autocorrelation.py",
    "autocorrelation:variogram": "test_autocorrelation.py",
}


def scaled(value):
    """The same value with every float in it multiplied."""
    if isinstance(value, (float, np.floating)):
        return value * FACTOR
    if isinstance(value, np.ndarray):
        return value * FACTOR if value.dtype.kind == "f" else value
    if isinstance(value, pd.Series):
        return value * FACTOR if value.dtype.kind in "fiu" else value
    if isinstance(value, pd.DataFrame):
        numeric = value.select_dtypes("float").columns
        whole = [] if len(numeric) else value.select_dtypes("int").columns
        return value.assign(**{str(c): value[c] * FACTOR for c in [*numeric, *whole]}) if value.columns.inferred_type == "string" else value
    if hasattr(value, "_fields"):
        return type(value)(*map(scaled, value))
    if isinstance(value, (tuple, list)):
        return type(value)(scaled(v) for v in value)
    if dataclasses.is_dataclass(value):
        floats = {f.name: scaled(getattr(value, f.name)) for f in dataclasses.fields(value)
                  if isinstance(getattr(value, f.name), (float, pd.Series, pd.DataFrame)) and f.name not in ("cells", "grid", "design")}
        return dataclasses.replace(value, **floats)
    return value


def pytest_configure(config):
    """Replace the estimator named by SCALED before any test module imports it."""
    module, function = os.environ["SCALED"].split(":")
    home = importlib.import_module(f"culmbook.{module}")
    original = getattr(home, function)

    @functools.wraps(original)
    def wrapper(*args, **kwargs):
        return scaled(original(*args, **kwargs))

    for name, loaded in list(sys.modules.items()):
        if name.startswith("culmbook") and getattr(loaded, function, None) is original:
            setattr(loaded, function, wrapper)


def main():
    missed = []
    for estimator, tests in ESTIMATORS.items():
        environment = dict(os.environ, SCALED=estimator, PYTHONPATH=str(HERE))
        command = [sys.executable, "-m", "pytest", "-q", "-x", "-p", "scaled_estimators", "--no-header", str(HERE / tests)]
        result = subprocess.run(command, env=environment, capture_output=True, text=True, cwd=HERE.parent)
        red = [line.split(" - ")[0].split("::")[-1] for line in result.stdout.splitlines() if line.startswith("FAILED")]
        print(f"{estimator:35s} {'red: ' + red[0] if red else 'NOT NOTICED'}", flush=True)
        if not red:
            missed.append(estimator)
    return f"{len(missed)} estimators can be wrong by 1 % unnoticed" if missed else 0


if __name__ == "__main__":
    sys.exit(main())
