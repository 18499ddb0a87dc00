"""Can the tests fail? Scale one estimator at a time by 1.01 and see whether some test turns red.

``python tests/scaled_estimators.py`` runs the tests of each estimator with its numbers multiplied
and prints which tests noticed. With ``-p scaled_estimators`` and SCALED=module:function it is the
pytest plugin that does so.
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
HERE = Path(__file__).parents[1]

ESTIMATORS = {
    "stats.shares:combine_limits": "stats/test_shares.py",
    "stats.shares:fit_beta_binomial": "stats/test_shares.py",
    "mixed.gaussian:fit_gaussian": "mixed/test_reml.py",
    "mixed.inference:kenward_roger": "mixed/test_kenward_roger.py",
    "mixed.counts:fit_binomial": "mixed/test_mixed.py",
    "mixed.counts:fit_ordinal": "mixed/test_mixed_references.py",
    "mixed.draws:draws": "mixed/test_draws.py",
    "mixed.inference:mean_weights": "mixed/test_inference.py",
    "mixed.inference:compare_together": "mixed/test_inference.py",
    "mixed.inference:compare": "mixed/test_inference.py",
    "published_checks:check_published": "mixed/test_published.py",
    "mixed.inference:marginal_share": "stand/test_model.py",
    "stand.model:hybrid_shares": "stand/test_model.py",
    "stand.model:against_control": "stand/test_model.py",
    "mixed.inference:simultaneous_draws": "stand/test_model.py",
    "stand.model:chance_of_stand": "stand/test_model.py",
    "stand.model:variance_table": "stand/test_model.py",
    "stand.treatments:fit_treatments": "stand/test_treatments.py",
    "stand.losses:life_table": "stand/test_losses.py",
    "stand.losses:logrank": "stand/test_losses.py",
    "stand.losses:fit_hazards": "stand/test_losses.py",
    "stand.losses:run_chance": "stand/test_gaps.py",
    "stand.losses:clustering": "stand/test_gaps.py",
    "stand.losses:longest_runs": "stand/test_gaps.py",
    "season.weather:degree_days_sine": "season/test_weather.py",
    "season.weather:degree_days_triangle": "season/test_weather.py",
    "season.weather:hours_between": "season/test_weather.py",
    "season.weather:season_indices": "season/test_weather.py",
    "season.weather:against_record": "season/test_weather.py",
    "season.observers:weighted_kappa": "season/test_observers.py",
    "season.observers:icc_agreement": "season/test_observers.py",
    "season.observers:icc_any_two": "season/test_observers.py",
    "season.observers:agreement": "season/test_observers.py",
    "season.observers:overall_agreement": "season/test_observers.py",
    "season.observers:observers_apart": "season/test_observers.py",
    "season.received:latest_stand": "season/test_received.py",
    "season.received:plots_by_status": "season/test_received.py",
    "season.received:progress": "season/test_received.py",
    "season.received:stand_surprises": "season/test_rows_to_look_at.py",
    "pages.stem_height:plot_heights": "pages/test_stem_height.py",
    "pages.stem_height:height_differences": "pages/test_stem_height.py",
    "stand.counts:plot_stand": "stand/test_counts.py",
    "stand.counts:judge_hybrids": "stand/test_counts.py",
    "stats.extremes:fit_gev": "frost/test_winters.py",
    "stats.extremes:return_level": "frost/test_winters.py",
    "stats.extremes:chance_above": "frost/test_winters.py",
    "frost.winters:cold_levels": "frost/test_winters.py",
    "frost.winters:chance_colder": "frost/test_winters.py",
    "frost.winters:trend": "frost/test_winters.py",
    "frost.winters:plotting_positions": "frost/test_winters.py",
    "frost.winters:damping_depth_cm": "frost/test_winters.py",
    "frost.winters:damped": "frost/test_winters.py",
    "frost.winters:fit_damping": "frost/test_winters.py",
    "frost.winters:winter_minima": "frost/test_winters.py",
    "frost.winters:winter_severity": "frost/test_winters.py",
    "frost.late_frosts:latest_frosts": "frost/test_late_frosts.py",
    "frost.late_frosts:emergence_days": "frost/test_late_frosts.py",
    "frost.late_frosts:frost_after": "frost/test_late_frosts.py",
    "frost.late_frosts:jeffreys": "frost/test_late_frosts.py",
    "frost.late_frosts:fit_latest": "frost/test_late_frosts.py",
    "frost.late_frosts:latest_levels": "frost/test_late_frosts.py",
    "stats.curves:crossing": "stats/test_line.py",
    "stats.curves:fieller_limits": "stats/test_line.py",
    "frost.freeze_tests:observed_survival": "frost/test_freeze_tests.py",
    "frost.freeze_tests:bracketing": "frost/test_freeze_tests.py",
    "frost.freeze_tests:same_natural_death": "frost/test_freeze_tests.py",
    "frost.freeze_curves:fit_freeze": "frost/test_freeze_curves.py",
    "frost.freeze_curves:firth_leverage": "frost/test_freeze_curves.py",
    "frost.freeze_curves:lethal_temperatures": "frost/test_freeze_curves.py",
    "frost.freeze_curves:against_control": "frost/test_freeze_curves.py",
    "frost.freeze_curves:survival_curves": "frost/test_freeze_curves.py",
    "frost.freeze_curves:curve_draws": "frost/test_freeze_curves.py",
    "frost.freeze_curves:unevenness": "frost/test_freeze_curves.py",
    "frost.leakage:injury_index": "frost/test_leakage.py",
    "frost.leakage:leakage_temperatures": "frost/test_leakage.py",
    "frost.leakage:leakage_against_control": "frost/test_leakage.py",
    "stats.curves:fit_sigmoid": "frost/test_leakage.py",
    "frost.winter_survival:expected_survival": "frost/test_winter_survival.py",
    "frost.winter_survival:winters_survived": "frost/test_winter_survival.py",
    "frost.winter_survival:fit_winters": "frost/test_winter_survival.py",
    "frost.winter_survival:winter_shares": "frost/test_winter_survival.py",
    "frost.winter_survival:severity_line": "frost/test_winter_survival.py",
    "frost.winter_survival:observed_by_winter": "frost/test_winter_survival.py",
    "frost.winter_survival:rank_agreement": "frost/test_winter_survival.py",
    "frost.spring_damage:damage_chances": "frost/test_spring_damage.py",
    "frost.spring_damage:damage_against_control": "frost/test_spring_damage.py",
    "frost.spring_damage:other_effects": "frost/test_spring_damage.py",
    "yields.moisture:net_calorific_value": "yields/test_moisture.py",
    "yields.moisture:energy_yield": "yields/test_moisture.py",
    "trials.dry_yield:plot_harvests": "trials/test_dry_yield.py",
    "yields.components:plot_components": "yields/test_components.py",
    "yields.components:log_components": "yields/test_components.py",
    "yields.paths:fit_covariances": "yields/test_paths.py",
    "yields.paths:bend": "yields/test_paths.py",
    "yields.paths:site_records": "yields/test_paths.py",
    "yields.paths:draw_covariances": "yields/test_paths.py",
    "yields.paths:shares_of": "yields/test_paths.py",
    "yields.paths:contributions": "yields/test_paths.py",
    "yields.paths:path_coefficients": "yields/test_paths.py",
    "yields.paths:paths_of": "yields/test_paths.py",
    "yields.paths:path_effects": "yields/test_paths.py",
    "yields.paths:compensation": "yields/test_paths.py",
    "stats.curves:partial_slope": "yields/test_components.py",
    "yields.moisture:fit_dry_down": "yields/test_moisture.py",
    "yields.moisture:moisture_on": "yields/test_moisture.py",
    "yields.moisture:fit_winter_loss": "yields/test_moisture.py",
    "yields.means:hybrid_means": "yields/test_means.py",
    "yields.means:against_control": "yields/test_means.py",
    "yields.prediction:calibrate": "yields/test_prediction.py",
    "yields.prediction:predict": "yields/test_prediction.py",
    "yields.prediction:smearing_factor": "yields/test_prediction.py",
    "yields.prediction:cross_validate": "yields/test_prediction.py",
    "yields.prediction:prediction_error": "yields/test_prediction.py",
    "yields.prediction:ladder": "yields/test_prediction.py",
    "yields.prediction:regression_estimate": "yields/test_prediction.py",
    "yields.components:plant_spread": "yields/test_components.py",
    "yields.components:plan_plants": "yields/test_components.py",
    "yields.means:means_of": "yields/test_components.py",
    "yields.components:fit_stand_power": "yields/test_components.py",
    "yields.components:at_full_stand": "yields/test_components.py",
    "consistency.stability:stability_variances": "consistency/test_stability.py",
    "consistency.stability:environment_regression": "consistency/test_stability.py",
    "consistency.stability:superiority": "consistency/test_stability.py",
    "consistency.stability:cell_means": "consistency/test_stability.py",
    "stats.curves:fit_growth": "stats/test_curves.py",
    "consistency.reliability:repeatability": "consistency/test_reliability.py",
    "consistency.reliability:reliability": "consistency/test_reliability.py",
    "consistency.reliability:component_table": "consistency/test_model.py",
    "consistency.reliability:estimates": "consistency/test_model.py",
    "consistency.chances:beats_control": "consistency/test_chances.py",
    "consistency.chances:chance_erratic": "consistency/test_chances.py",
    "consistency.chances:worst_of": "consistency/test_chances.py",
    "consistency.statistics:season_statistics": "consistency/test_model.py",
    "consistency.statistics:season_yields": "consistency/test_model.py",
    "consistency.statistics:season_ranks": "consistency/test_model.py",
    "consistency.build_up:full_yield_test": "consistency/test_build_up.py",
    "consistency.build_up:crop_year_table": "consistency/test_build_up.py",
    "consistency.build_up:plateau_shares": "consistency/test_build_up.py",
    "consistency.decline:decline": "consistency/test_build_up.py",
    "stats.extremes:intensity": "stats/test_order.py",
    "consistency.reliability:error_variance": "selection/test_funnel.py",
    "selection.funnel:run_funnel": "selection/test_funnel.py",
    "selection.funnel:index_weights": "selection/test_funnel.py",
    "selection.funnel:first_stage_gain": "selection/test_funnel.py",
    "selection.funnel:spread_before": "selection/test_funnel.py",
    "selection.funnel:funnel_table": "selection/test_funnel.py",
    "selection.decisions:season_gains": "selection/test_decisions.py",
    "selection.traits:stand_trait": "selection/test_traits.py",
    "selection.traits:freeze_trait": "selection/test_traits.py",
    "selection.traits:moisture_trait": "selection/test_traits.py",
    "selection.traits:unshrunk_means": "selection/test_traits.py",
    "selection.traits:with_untested": "selection/test_traits.py",
    "yields.moisture:at_common_dates": "selection/test_traits.py",
    "selection.index:floor_table": "selection/test_floors.py",
    "selection.index:index_draws": "selection/test_index.py",
    "selection.index:index_gains": "selection/test_index.py",
    "selection.index:index_table": "selection/test_index.py",
    "selection.index:_drawn_trait": "selection/test_index.py",
    "selection.sensitivity:sensitivity": "selection/test_sensitivity.py",
    "selection.decide:blup_table": "selection/test_gains.py",
    "selection.decide:heritability": "selection/test_gains.py",
    "selection.decide:covariance_at": "selection/test_gains.py",
    "selection.decide:lasting_values": "selection/test_gains.py",
    "selection.decide:candidate_gains": "selection/test_gains.py",
    "selection.decide:in_top": "selection/test_gains.py",
    "selection.decide:chance_in_top": "selection/test_gains.py",
    "selection.decide:chance_beats": "selection/test_gains.py",
    "selection.decide:chance_if_passing": "selection/test_gains.py",
    "selection.decide:worthy": "selection/test_gains.py",
    "selection.decide:decide": "selection/test_decide.py",
    "selection.sensitivity:future_means": "selection/test_more_data.py",
    "selection.sensitivity:preposterior": "selection/test_more_data.py",
    "selection.sensitivity:spreads": "selection/test_more_data.py",
    "selection.sensitivity:hold_table": "selection/test_more_data.py",
    "selection.sensitivity:plan_table": "selection/test_more_data.py",
    "trials.entries:common_entries": "trials/test_entries.py",
    "sites.two_stage:site_means": "sites/test_two_stage.py",
    "sites.two_stage:fit_two_stage": "sites/test_two_stage.py",
    "sites.correlation:shared_seasons": "sites/test_correlation.py",
    "sites.correlation:level_free": "sites/test_correlation.py",
    "sites.correlation:correlate_sites": "sites/test_correlation.py",
    "sites.correlation:site_groups": "sites/test_correlation.py",
    "sites.correlation:choosing_elsewhere": "sites/test_correlation.py",
    "sites.agreement:fit_site_agreement": "sites/test_agreement.py",
    "mixed.inference:left_out": "spatial/test_trend.py",
    "mixed.inference:part_of": "spatial/test_trend.py",
    "mixed.inference:residuals": "spatial/test_trend.py",
    "mixed.inference:kenward_roger_contrasts": "mixed/test_kenward_roger.py",
    "mixed.inference:enlarged_covariance": "mixed/test_kenward_roger.py",
    "spatial.trend:compare_fits": "spatial/test_trend.py",
    "spatial.trend:contrasts": "spatial/test_trend.py",
    "spatial.trend:mean_difference_variance": "spatial/test_trend.py",
    "spatial.neighbours:plot_parts": "spatial/test_trend.py",
    "spatial.neighbours:border_effects": "spatial/test_trend.py",
    "spatial.neighbours:moran": "spatial/test_neighbours.py",
    "spatial.neighbours:moran_of_residuals": "spatial/test_neighbours.py",
    "spatial.neighbours:variogram": "spatial/test_neighbours.py",
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
        return (
            value.assign(**{str(c): value[c] * FACTOR for c in [*numeric, *whole]})
            if value.columns.inferred_type == "string"
            else value
        )
    if hasattr(value, "_fields"):
        return type(value)(*map(scaled, value))
    if isinstance(value, (tuple, list)):
        return type(value)(scaled(v) for v in value)
    if dataclasses.is_dataclass(value):
        floats = {
            f.name: scaled(getattr(value, f.name))
            for f in dataclasses.fields(value)
            if isinstance(getattr(value, f.name), (float, pd.Series, pd.DataFrame))
            and f.name not in ("cells", "grid", "design")
        }
        return dataclasses.replace(value, **floats)
    return value


def pytest_configure(config):
    """Replace the estimator named by SCALED before any test module imports it."""
    module, function = os.environ["SCALED"].split(":")
    home = importlib.import_module(module if module == "published_checks" else f"culmbook.{module}")
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
        environment = dict(os.environ, SCALED=estimator, PYTHONPATH=str(HERE / "judge"))
        command = [
            sys.executable,
            "-m",
            "pytest",
            "-q",
            "-x",
            "-p",
            "scaled_estimators",
            "--no-header",
            str(HERE / tests),
        ]
        result = subprocess.run(
            command, env=environment, capture_output=True, text=True, cwd=HERE.parent
        )
        red = [
            line.split(" - ")[0].split("::")[-1]
            for line in result.stdout.splitlines()
            if line.startswith("FAILED")
        ]
        print(f"{estimator:35s} {'red: ' + red[0] if red else 'NOT NOTICED'}", flush=True)
        if not red:
            missed.append(estimator)
    return f"{len(missed)} estimators can be wrong by 1 % unnoticed" if missed else 0


if __name__ == "__main__":
    sys.exit(main())
