"""The generator against the truth it claims, and against the figures it is built on."""

from datetime import date

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad
from scipy.special import expit
from scipy.stats import norm

from make_demo import draw_truth, truth
from make_demo.frost import (
    CELL_SD_LOGIT,
    CONTROL_DEATH,
    LOAD_SHIFT_SD_C,
    OBSERVER_SHIFT,
    RUN_SHIFT_SD_C,
    simulate_freeze_runs,
    simulate_frost_scores,
    simulate_leakage,
)
from make_demo.growth import season_stand, simulate_growth
from make_demo.layout import simulate_plots
from make_demo.scenario import part_rng, site_named
from make_demo.stand import (
    simulate_establishment,
    simulate_gaps,
    simulate_stand_counts,
    simulate_winter,
)
from make_demo.stems_harvest import simulate_harvests, simulate_phenology, simulate_stems
from make_demo.truth import (
    CROP_YEAR_LOG,
    FILM_LOG_YIELD,
    PLATEAU,
    STEM_K,
    mean_share,
    survival_logit,
    winter_minima,
)
from make_demo.weather_series import radiation_above, simulate_weather, soil_minimum, winter_minimum

SEED = 11


@pytest.fixture(scope="module")
def known():
    return truth(SEED)


def _many_plots(known, code, year, copies):
    """The same trial many times over, each copy a trial of its own blocks."""
    site = site_named(code)
    plots = simulate_plots(site, year, known, part_rng(SEED, "layout"))
    main = plots["main_plot"]
    again = [
        plots.assign(
            block=plots["block"] + f"x{i}",
            plot=plots["plot"] + f"x{i}",
            main_plot=main.where(main == "", main + f"x{i}"),
        )
        for i in range(copies)
    ]
    return pd.concat(again, ignore_index=True)


def test_mean_share_matches_numerical_integration():
    for eta, sd in [(0.0, 0.5), (2.4, 0.45), (-3.0, 1.5), (4.0, 0.1)]:
        exact, _ = quad(lambda z: expit(eta + sd * z) * norm.pdf(z), -12, 12)
        assert mean_share(eta, sd) == pytest.approx(exact, abs=1e-7)


@pytest.mark.parametrize(("code", "year"), [("MELDO", 2025), ("KRAVO", 2025)])
def test_simulated_establishment_averages_to_the_true_share(known, code, year):
    plots = _many_plots(known, code, year, 60)
    seen = (
        simulate_establishment(plots, known, np.random.default_rng(1))["alive"]
        / plots["plants_planted"]
    )
    keys = ["hybrid", "site", "trial", "planting_method", "film"]
    means = seen.groupby([plots[k] for k in keys]).agg(["mean", "sem"]).reset_index()
    both = means.merge(known.establishment, on=keys)
    z = (both["mean"] - both["share"]) / both["sem"]
    assert len(both) == len(means) and z.abs().max() < 4.5
    assert 0.7 < z.std() < 1.5


def test_simulated_plots_vary_as_the_stated_sds_say(known):
    plots = _many_plots(known, "KRAVO", 2025, 60)
    eta = simulate_establishment(plots, known, np.random.default_rng(2))["logit"]
    keys = ["hybrid", "planting_method", "film"]
    expected = plots.merge(known.establishment, on=[*keys, "site", "trial"], how="left")["logit"]
    noise = eta - expected
    main = noise.groupby(plots["main_plot"]).mean()
    block = noise.groupby(plots["block"]).mean()
    inside = noise - noise.groupby(plots["block"]).transform("mean")
    plot_sd = np.sqrt((inside**2).sum() / (len(plots) - plots["block"].nunique()))
    block_var = (
        block.groupby(plots.groupby("block")["main_plot"].first()).var().mean() - plot_sd**2 / 7
    )
    assert plot_sd == pytest.approx(known.sds.plot, rel=0.03)
    assert np.sqrt(block_var) == pytest.approx(known.sds.block, rel=0.12)
    sds = known.sds
    assert main.var() == pytest.approx(
        sds.main_plot**2 + sds.block**2 / 2 + sds.plot**2 / 14, rel=0.15
    )


def test_simulated_winter_averages_to_the_true_share(known):
    plots = _many_plots(known, "KRAVO", 2022, 40)
    kept = (
        simulate_winter(plots, np.full(len(plots), 100), 2024, known, np.random.default_rng(3))
        / 100
    )
    means = pd.Series(kept).groupby(plots["hybrid"]).agg(["mean", "sem"])
    true = known.overwinter[
        (known.overwinter["trial"] == "KRAVO22") & (known.overwinter["winter"] == 2024)
    ]
    z = (means["mean"] - true.set_index("hybrid")["share"]) / means["sem"]
    assert z.abs().max() < 4.5


def test_counts_never_exceed_what_was_planted_and_end_in_june(known):
    plots = simulate_plots(site_named("UPLEN"), 2022, known, np.random.default_rng(4))
    counts = simulate_stand_counts(plots, known, np.random.default_rng(5))
    joined = counts.merge(plots[["plot", "plants_planted"]], on="plot")
    assert (joined["plants_alive"] <= joined["plants_planted"]).all()
    assert counts["counted_on"].max() == pd.Timestamp(2026, 6, 24)
    assert counts.groupby("plot")["occasion"].apply(list).iloc[0] == [
        "after_planting",
        "autumn",
        "spring",
        "summer",
        "summer",
        "summer",
        "summer",
    ]


def test_film_and_base_shares_are_the_published_and_assumed_ones():
    # 92 and 80 % of plugs with and without film, 75 % of rhizomes: common practice, no source
    split = truth(SEED).establishment.query("site == 'KRAVO'")
    wide = split.pivot(index=["hybrid", "trial", "planting_method"], columns="film", values="logit")
    assert np.allclose(wide["film"] - wide["none"], np.log(0.92 / 0.08) - np.log(0.80 / 0.20))
    # yield under film +68, +49, +36 and +24 % at harvests 1 to 4: plastic-mulch field trial,
    # Northern
    # Ireland, 2017 (figures of its abstract; the logs are rounded to two places)
    gain = [100 * (np.exp(FILM_LOG_YIELD[y]) - 1) for y in (1, 2, 3, 4)]
    assert gain == pytest.approx([68, 49, 36, 24], abs=1)


def test_crop_year_multipliers_are_those_of_the_staggered_trial(known):
    # 21 % of the plateau in crop year 1 and 77-80 % in year 2: doi 10.1002/agg2.70039, from its
    # plot data
    assert np.exp(CROP_YEAR_LOG[1]) == pytest.approx(0.21)
    assert 0.77 <= np.exp(CROP_YEAR_LOG[2]) <= 0.80
    bare = known.yields[(known.yields["film"] == "none") & (known.yields["site"] == "KRAVO")]
    by_age = np.log(bare["dry_yield_t_ha"]).groupby(bare["crop_year"]).mean()
    assert by_age[1] < by_age[2] < by_age[3]


def test_plateau_stem_mass_and_yield_match_their_components():
    # 26 stems of 230 cm and 9.2 mm, k = 0.13: 25 g a stem, 9.9 t/ha; 50 of 165 cm and 6.0 mm: 7.7
    # g,
    # 11.6 t/ha (assumed plateau values; the products are arithmetic)
    for crop_type, density, grams, tonnes in [
        ("sac x sin", 1.5, 25, 9.9),
        ("sin x sin", 3.0, 7.7, 11.6),
    ]:
        stems, height, diameter = PLATEAU[crop_type]
        mass = STEM_K * (diameter / 10) ** 2 * height
        assert mass == pytest.approx(grams, abs=0.5)
        assert density * stems * mass / 100 == pytest.approx(tonnes, abs=0.1)


@pytest.mark.parametrize(
    ("code", "mean", "sd", "share", "within"),
    [("MELDO", -0.5, 0.8, 0.95, 0.03), ("KRAVO", -3.0, 1.5, 0.59, 0.07)],
)
def test_winter_minima_match_their_climate(code, mean, sd, share, within):
    # winter minimum of the soil -0.5 (sd 0.8) maritime and -3 (1.5) continental: common practice,
    # no
    # source; the mean survival at LT50 -3.5 °C and slope 2 per °C follows from them
    climate = site_named(code).climate
    series = simulate_weather(
        climate, 53, np.random.default_rng(6), date(1700, 7, 1), date(2020, 6, 30)
    )
    cold = winter_minimum(series).loc[1700:2019]
    assert cold.mean() == pytest.approx(mean, abs=0.45)
    assert cold.std() == pytest.approx(sd, abs=0.25)
    assert expit(survival_logit(-3.5, cold, True)).mean() == pytest.approx(share, abs=within)


def test_soil_is_milder_than_air_and_snow_shelters_it():
    climate = site_named("KRAVO").climate
    days = simulate_weather(
        climate, 53, np.random.default_rng(8), date(1900, 7, 1), date(1980, 6, 30)
    )
    cold = days[days["air_temperature_max_c"] < -6]
    assert (cold["soil_temperature_5cm_min_c"] - cold["air_temperature_min_c"]).mean() > 5
    mean = ((days["air_temperature_min_c"] + days["air_temperature_max_c"]) / 2).to_numpy()
    spread = (days["air_temperature_max_c"] - days["air_temperature_min_c"]).to_numpy()
    bare, covered = (
        soil_minimum(climate, mean, spread, np.full(len(days), depth)).min()
        for depth in (0.0, 10.0)
    )
    # a cover raises the minimum of the upper soil by 2.5 to 6 °C: soil-temperature model for crop
    # residue, US Midwest, 2013; snow is taken to do as much (no source)
    assert 2.5 <= covered - bare <= 7


def test_weather_is_consistent_day_by_day():
    days = simulate_weather(site_named("UPLEN").climate, 54, np.random.default_rng(9))
    assert (days["air_temperature_min_c"] < days["air_temperature_max_c"]).all()
    assert (days["precipitation_mm"] >= 0).all() and days["relative_humidity_pct"].between(
        0, 100
    ).all()
    mean = (days["air_temperature_min_c"] + days["air_temperature_max_c"]) / 2
    by_month = mean.groupby(days["date"].dt.month).mean()
    assert by_month.idxmin() in (1, 2) and by_month.idxmax() in (7, 8)
    wet = days["precipitation_mm"] > 0
    assert wet[1:][wet.shift(fill_value=False)[1:]].mean() > wet.mean() + 0.1


def test_radiation_above_matches_fao56_example_8():
    # Allen et al. 1998, FAO Irrigation and Drainage Paper 56, Example 8: 3 September, 20° S, 32.2
    # MJ/m²
    # and day (value from memory)
    assert radiation_above(246, -20) == pytest.approx(32.2, abs=0.05)


def test_gaps_are_scattered_and_only_open_positions_stay_alive(known):
    plots = simulate_plots(site_named("MELDO"), 2025, known, np.random.default_rng(1))
    alive = plots.set_index("plot")["plants_planted"] // 2
    rng = np.random.default_rng(2)
    first = simulate_gaps(plots, alive, pd.Timestamp(2025, 10, 7), rng)
    second = simulate_gaps(plots, alive // 2, pd.Timestamp(2026, 6, 24), rng, within=first)
    assert ((second["alive"] == "no") | (first["alive"] == "yes")).all()
    living = (second["alive"] == "yes").groupby(second["plot"]).sum()
    assert (living == (alive // 2)[living.index]).all()
    by_row = (first["alive"] == "yes").groupby(first["position_row"]).mean()
    assert (by_row - 0.5).abs().max() < 0.06


def test_freezer_runs_follow_the_survival_curve(known):
    runs = [(f"F26{i}", "2026-01-20") for i in range(300)]
    tests = simulate_freeze_runs(["STD", "H15"], known, np.random.default_rng(3), runs=runs)
    seen = (
        (tests["units_alive"] / tests["units_tested"])
        .groupby([tests["hybrid"], tests["temperature_c"].fillna(9)])
        .agg(["mean", "sem"])
    )
    sd = np.sqrt(4 * (RUN_SHIFT_SD_C**2 + LOAD_SHIFT_SD_C**2) + CELL_SD_LOGIT**2)
    for (hybrid, temperature), row in seen.iterrows():
        eta = 2 * (temperature - known.hybrids.loc[hybrid, "lt50"])
        curve = 1.0 if temperature == 9 else mean_share(eta, sd)
        assert abs(row["mean"] - (1 - CONTROL_DEATH) * curve) < 4.5 * max(row["sem"], 0.002)


def test_leakage_rises_with_cold(known):
    tests = simulate_leakage(known, np.random.default_rng(4))
    share = tests["leakage_after"] / tests["leakage_total"]
    by_temperature = share.groupby(tests["temperature_c"]).mean()
    assert by_temperature.is_monotonic_decreasing
    assert share[tests["temperature_c"].isna()].mean() == pytest.approx(0.15, abs=0.02)


def test_tender_hybrids_and_high_observers_raise_scores(known):
    plots = _many_plots(known, "MELDO", 2022, 30)
    emerged = pd.Series(pd.Timestamp(2024, 4, 20), plots.index)
    night, rng = pd.Timestamp(2024, 5, 13), np.random.default_rng(5)
    scores = simulate_frost_scores(plots, emerged, night, -2.0, known, rng)
    by_observer = scores.groupby("observer")["damage_score"].mean()
    assert list(by_observer.sort_values().index) == sorted(OBSERVER_SHIFT, key=OBSERVER_SHIFT.get)
    by_hybrid = scores.merge(plots[["plot", "hybrid"]]).groupby("hybrid")["damage_score"].mean()
    assert np.corrcoef(by_hybrid, known.hybrids.loc[by_hybrid.index, "tenderness"])[0, 1] > 0.95


def test_growth_harvest_stems_and_phenology_recover_the_truth(known):
    growth = _full_stand_growth(known, copies=25)
    true = known.yields[
        (known.yields["trial"] == "MELDO22") & (known.yields["growing_season"] == 2024)
    ]
    true = true.set_index("hybrid")
    log = np.log(growth[["stems", "stem_height_cm", "stem_diameter_mm", "stem_dry_mass_g"]])
    gap = log.groupby(growth["hybrid"]).mean() - np.log(true[log.columns])
    assert gap.abs().max().max() < 0.05 and gap.abs().mean().max() < 0.015


def test_stems_recover_growth(known):
    growth = _full_stand_growth(known, copies=25)
    names = ["stems", "stem_height_cm", "stem_diameter_mm", "stem_dry_mass_g"]
    stems = simulate_stems(growth, np.random.default_rng(7))
    november = stems[stems["measured_on"].dt.month == 11].groupby("plot")[names].mean()
    ratio = (november.astype(float) / growth.set_index("plot")[names]).mean()
    assert np.allclose(ratio, 1, atol=0.03)


def test_harvest_recovers_yield_and_moisture(known):
    growth = _full_stand_growth(known, copies=25)
    cut = simulate_harvests(growth, known, np.random.default_rng(8))
    moisture = 100 * (1 - cut["subsample_dry_g"] / cut["subsample_fresh_g"])
    dry = 10 * cut["fresh_mass_kg"] * (1 - moisture / 100) / cut["harvested_area_m2"]
    days = (cut["harvested_on"] - pd.Timestamp(2025, 2, 15)).dt.days
    assert (dry / growth["dry_yield_t_ha"] * np.exp(0.0036 * days)).median() == pytest.approx(
        1.06, abs=0.02
    )
    wet = moisture > 15.5  # below, the floor has cut it off
    expected = 63 - 0.28 * (cut["harvested_on"] - pd.Timestamp(2024, 10, 15)).dt.days
    expected += known.sites.loc["MELDO", "moisture"] + growth["hybrid"].map(
        known.hybrids["moisture"]
    )
    well_above = expected > 24
    assert wet[well_above].all()
    assert (moisture - expected)[well_above].mean() == pytest.approx(0, abs=0.5)


def test_flowering_follows_the_hybrid(known):
    growth = _full_stand_growth(known, copies=25)
    phenology = simulate_phenology(growth, known, np.random.default_rng(9))
    day = phenology["flowered_on"].dt.day_of_year.groupby(growth["hybrid"]).mean()
    assert np.corrcoef(day, known.hybrids.loc[day.index, "flowering"])[0, 1] > 0.95


def _full_stand_growth(known, copies):
    """Growth of a trial's third season with every plant alive, drawn many times over."""
    plots = simulate_plots(site_named("MELDO"), 2022, known, np.random.default_rng(5))
    stand = plots[["site", "plot"]].assign(
        growing_season=2024, crop_year=3, alive=plots["plants_planted"]
    )
    rng = np.random.default_rng(6)
    drawn = [simulate_growth(plots, stand, known, rng) for _ in range(copies)]
    drawn = [frame.assign(plot=frame["plot"] + f"x{i}") for i, frame in enumerate(drawn)]
    return pd.concat(drawn, ignore_index=True)


def test_season_stand_takes_autumn_first_and_summer_later(known):
    plots = simulate_plots(site_named("ISKEY"), 2023, known, np.random.default_rng(1))
    counts = simulate_stand_counts(plots, known, np.random.default_rng(2))
    stand = season_stand(plots, counts)
    one = stand[stand["plot"] == "0101"].set_index("growing_season")["alive"]
    raw = counts[counts["plot"] == "0101"].set_index(["counted_on", "occasion"])["plants_alive"]
    assert one[2023] == raw[pd.Timestamp(2023, 10, 7), "autumn"]
    assert one[2025] == raw[pd.Timestamp(2025, 6, 24), "summer"]


def test_draw_truth_changes_with_the_seed_and_nothing_else():
    winters = winter_minima(SEED)
    first, again, other = draw_truth(1, winters), draw_truth(1, winters), draw_truth(2, winters)
    pd.testing.assert_frame_equal(first.establishment, again.establishment)
    assert not np.allclose(first.establishment["share"], other.establishment["share"])
    assert first.hybrids["role"].value_counts().to_dict() == {"candidate": 24, "control": 2}


def test_site_named_refuses_unknown_site():
    with pytest.raises(ValueError, match="MELDO"):
        site_named("NOWHERE")
