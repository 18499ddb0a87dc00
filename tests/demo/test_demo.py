"""The committed demo network: whole, repeatable, readable, and with the faults it promises."""

import shutil

import numpy as np
import pandas as pd
import pytest

from culmbook.sheets.read import demo_folder, read_network
from culmbook.sheets.settings import KINDS, Settings
from culmbook.stand.losses import clustering
from make_demo import DEMO_SEED, truth
from make_demo.__main__ import main
from make_demo.faults import BLOCKED_UNIT
from make_demo.network import make_tables
from make_demo.scenario import SITES, part_rng
from make_demo.slips import LABEL_SWAP


@pytest.fixture(scope="module")
def network():
    return read_network(demo_folder())


@pytest.fixture(scope="module")
def tables():
    return make_tables(DEMO_SEED)


def _files(folder):
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }


def test_demo_is_made_again_byte_for_byte(tmp_path):
    main([str(tmp_path)])
    assert _files(tmp_path) == _files(demo_folder())


def test_demo_of_another_seed_differs_in_what_was_drawn(tmp_path):
    main([str(tmp_path), "--seed", "7"])
    mine, other = _files(demo_folder()), _files(tmp_path)
    same = {name for name in mine if mine[name] == other.get(name)}
    assert same == {"sites.csv", "hybrids.csv", "settings.toml", "README.txt"}


def test_demo_is_small_enough_for_git_and_says_it_is_invented():
    files = _files(demo_folder())
    assert sum(map(len, files.values())) < 6_000_000
    assert b"invented" in files["README.txt"]
    assert files["sites.csv"].count(b"(invented)") == len(SITES)


def test_demo_reads_without_an_error(network):
    assert set(network.problems["severity"]) <= {"note"}
    assert all(len(frame) for frame in network.tables.values())
    assert network.settings.reference_control == "STD"


def test_demo_needs_its_one_correction(network, tmp_path):
    assert list(network.corrections["applied"]) == [True]
    shutil.copytree(demo_folder(), tmp_path / "demo")
    (tmp_path / "demo" / "corrections.csv").unlink()
    problems = read_network(tmp_path / "demo").problems
    errors = problems[problems["severity"] != "note"]
    assert list(errors["site"]) == ["DRYSA"] and list(errors["value"]) == ["666"]


def test_demo_holds_a_decimal_comma_file_and_a_workbook(network):
    files = network.files.set_index("file")
    assert files.loc["DRYSA/harvests.csv", ["decimal", "delimiter"]].tolist() == [",", ";"]
    assert "UPLEN/phenology.xlsx" in files.index


def test_parts_draw_from_streams_of_their_own():
    one, other = part_rng(1, "stand"), part_rng(1, "stems")
    assert one.random() != other.random()
    assert part_rng(1, "stand").random() == part_rng(1, "stand").random()


def test_every_trial_is_resolvable(tables):
    plots = tables["plots"]
    swapped = plots["trial"] == LABEL_SWAP["trial"]
    units = plots.groupby(["trial", "replicate", "main_plot"])["hybrid"]
    assert (units.nunique() == units.size()).all() and set(units.size()) == {26, 14}
    assert not plots.duplicated(["site", "trial", "row", "column"]).any()
    assert plots[swapped].groupby("replicate").size().tolist() == [26, 26, 26]
    assert plots.groupby(["trial", "block"]).size().between(6, 7).all()


def test_planting_method_and_film_are_crossed_within_replicates_at_two_sites(tables):
    plots = tables["plots"]
    treated = plots.groupby(["site", "trial", "replicate"])[["planting_method", "film"]]
    n = treated.apply(lambda rows: len(rows.drop_duplicates())).groupby("site").agg(["min", "max"])
    assert n[n["max"] == 4].index.tolist() == n[n["min"] == 4].index.tolist() == ["KRAVO", "UPLEN"]
    assert (n.drop(index=["KRAVO", "UPLEN"]) == 1).all(axis=None)


def test_each_candidate_stands_at_four_sites_or_more(tables):
    plots = tables["plots"][tables["plots"]["planted_on"].dt.year == 2025]
    assert plots.groupby("hybrid")["site"].nunique().agg(["min", "max"]).tolist() == [4, 5]


def test_damaged_and_abandoned_plots_have_reasons(network):
    plots = network.tables["plots"]
    bad = plots[plots["status"] != "ok"]
    assert bad["status_reason"].notna().all()
    assert 0.01 < (plots["status"] == "damaged").mean() < 0.03
    assert set(bad.loc[bad["status"] == "abandoned", "status_cause"]) == {"plant", "external"}
    latest = plots[plots["planted_on"].dt.year == 2025]
    assert (latest.groupby("site")["status"].apply(lambda s: (s == "damaged").sum()) >= 1).all()


def test_blocked_planter_unit_leaves_whole_rows_empty(network):
    gaps = network.tables["plant_gaps"]
    gaps = gaps[(gaps["site"] == BLOCKED_UNIT["site"]) & gaps["plot"].isin(BLOCKED_UNIT["plots"])]
    row = gaps[gaps["position_row"] == BLOCKED_UNIT["position_row"]]
    assert set(row["alive"]) == {"no"} and row["plot"].nunique() == 6
    assert "yes" in set(gaps.loc[gaps["position_row"] != BLOCKED_UNIT["position_row"], "alive"])


def test_plant_positions_add_up_to_the_counts(network):
    key = ["site", "plot", "counted_on"]
    mapped = (
        network.tables["plant_gaps"]
        .assign(yes=lambda d: d["alive"] == "yes")
        .groupby(key)["yes"]
        .sum()
    )
    counted = network.tables["stand_counts"].set_index(key)["plants_alive"].reindex(mapped.index)
    assert len(mapped) > 300 and (mapped == counted).all()


def test_one_replant_is_told_apart_and_one_is_not(network):
    counts = network.tables["stand_counts"]
    replanted = counts[counts["plants_replanted"] > 0].set_index("plot")["replants_alive"]
    assert len(replanted) == 2 and replanted.notna().sum() == 1


def test_late_emergers_raise_later_counts_only_when_said(network):
    counts = network.tables["stand_counts"].sort_values(["site", "plot", "counted_on"])
    counts = counts[counts["plants_alive"].notna()]
    risen = counts.groupby(["site", "plot"])["plants_alive"].diff() > counts["plants_replanted"]
    assert risen.sum() > 50
    assert (counts.loc[risen, "emerged_late"] == "yes").all()


def test_samples_get_lost_and_plots_go_uncut(network):
    harvests = network.tables["harvests"]
    cut = harvests[harvests["status"] == "ok"]
    assert 0.01 < cut["subsample_dry_g"].isna().mean() < 0.03
    assert 0.01 < (harvests["status"] != "ok").mean() < 0.05
    assert harvests.loc[harvests["status"] != "ok", "status_reason"].notna().all()


def test_unit_slip_and_fallen_height_stand_out(network):
    harvests, stems = network.tables["harvests"], network.tables["stem_measures"]
    site = harvests[(harvests["site"] == "ISKEY") & (harvests["growing_season"] == 2024)]
    ratio = (site["fresh_mass_kg"] / site["fresh_mass_kg"].median()).dropna()
    assert ratio.max() > 8 and ratio.nlargest(2).iloc[1] < 5
    heights = stems.dropna(subset=["stem_height_cm"]).sort_values("measured_on")
    plants = heights.groupby(["site", "plot", "growing_season", "plant"])["stem_height_cm"]
    fall = plants.agg(["first", "last"])
    assert ((fall["first"] - fall["last"]) > 20).sum() == 1


def test_swapped_labels_grow_like_each_other(network):
    known = truth(DEMO_SEED).hybrids
    plots = network.tables["plots"]
    pair = plots[
        (plots["trial"] == LABEL_SWAP["trial"])
        & (plots["replicate"] == LABEL_SWAP["replicate"])
        & plots["hybrid"].isin(LABEL_SWAP["hybrids"])
    ].set_index("plot")
    flowered = network.tables["phenology"].merge(pair.reset_index()[["site", "plot", "hybrid"]])
    day = flowered["flowered_on"].dt.day_of_year.groupby(flowered["hybrid"]).mean()
    late, early = LABEL_SWAP["hybrids"]
    assert known.loc[late, "flowering"] > known.loc[early, "flowering"] + 10
    assert day[late] < day[early] - 5


def test_one_observer_scores_high_and_plots_are_double_scored(network):
    scores = network.tables["frost_scores"]
    event = scores.groupby(["site", "frost_on"])
    twice = event.apply(lambda rows: rows["plot"].duplicated().sum() / rows["plot"].nunique())
    assert (twice >= 0.10).all()
    means = scores.groupby(["site", "frost_on", "observer"])["damage_score"].mean().unstack()
    assert (means["CC"] > means[["AA", "BB"]].max(axis=1) + 0.4).all()
    assert (scores["scored_on"].max().year, scores["frost_on"].dt.year.max()) == (2025, 2025)


def test_weather_has_its_holes_and_twenty_winters(network):
    weather = network.tables["weather"]
    days = weather.groupby("site")["date"].agg(["min", "max", "size"])
    whole = len(pd.date_range("2006-07-01", "2026-06-30"))
    assert (days["min"] == "2006-07-01").all() and (days["max"] == "2026-06-30").all()
    assert days["size"].sub(whole).to_dict() == {
        "DRYSA": 0,
        "ISKEY": 0,
        "KRAVO": 0,
        "MELDO": -9,
        "UPLEN": 0,
    }
    soil = weather.groupby("site")["soil_temperature_5cm_min_c"].apply(lambda s: s.isna().mean())
    assert (
        soil["UPLEN"] == 1
        and 0 < soil["KRAVO"] < 0.001
        and soil[["MELDO", "DRYSA", "ISKEY"]].max() == 0
    )


def test_freeze_tests_carry_unfrozen_controls_and_units_of_leakage(network):
    tests = network.tables["freeze_tests"]
    regrowth = tests[tests["tissue"] == "rhizome"]
    control = regrowth[regrowth["temperature_c"].isna()]
    assert set(control["run"]) == set(regrowth["run"]) and len(set(control["run"])) == 6
    assert (control["units_alive"] / control["units_tested"]).mean() > 0.9
    leakage = tests[tests["tissue"] == "leaf"]
    assert (leakage["leakage_initial"] < leakage["leakage_total"]).all()
    assert (leakage["leakage_after"] <= leakage["leakage_total"]).all() and leakage[
        "unit"
    ].notna().all()


def test_truth_covers_every_plot_that_stands(tables):
    known = truth(DEMO_SEED)
    keys = ["hybrid", "site", "trial", "planting_method", "film"]
    plots = tables["plots"].merge(known.establishment, on=keys, how="left")
    assert plots["share"].between(0, 1).all() and not known.establishment.duplicated(keys).any()
    assert np.isin(tables["plots"]["trial"].unique(), known.overwinter["trial"]).all()


def test_gap_clustering_is_found_where_the_planter_was_blocked_and_only_there(network):
    gaps = network.tables["plant_gaps"]
    p = {
        (site, day.year): clustering(rows)["p_value"].iloc[0]
        for (site, day), rows in gaps.groupby(["site", "counted_on"])
    }
    assert p["MELDO", 2025] < 0.05 and p["MELDO", 2026] < 0.05
    assert p["KRAVO", 2026] > 0.05


def test_highest_yielding_candidate_is_too_wet_for_the_floor_and_the_next_is_not(network):
    # so that the demo's decisions have to weigh more than yield; yields by the truth, moisture by
    # the samples
    yields = truth().yields.query("crop_year >= 3 and film == 'none'")
    place = [yields[c] for c in ("site", "trial", "growing_season", "planting_method")]
    logs = np.log(yields["dry_yield_t_ha"])
    best = (
        (logs - logs.groupby(place).transform("mean"))
        .groupby(yields["hybrid"])
        .mean()
        .nlargest(2)
        .index
    )
    plots = network.tables["plots"][["site", "plot", "hybrid"]]
    cut = network.tables["harvests"].merge(plots, on=["site", "plot"])
    cut["moisture_pct"] = 100 * (1 - cut["subsample_dry_g"] / cut["subsample_fresh_g"])
    mean = cut.groupby("hybrid")["moisture_pct"].mean()
    floor = network.settings.selection.floors["moisture_pct"]
    assert mean[best[0]] > floor > mean[best[1]]


def test_settings_of_the_demo_state_how_to_choose(network):
    chosen, default = network.settings.selection, Settings().selection
    assert set(chosen.floors) == {"stand", "lt50_c", "moisture_pct"} and set(chosen.weights) < set(
        KINDS
    )
    assert chosen.k != default.k and chosen.delta != default.delta and chosen.costs != default.costs


def test_every_candidate_has_a_decision_after_each_of_the_last_seasons(network):
    table, hybrids = network.tables["decisions"], network.tables["hybrids"]
    candidates = set(hybrids.loc[hybrids["role"].eq("candidate"), "hybrid"])
    assert sorted(table["growing_season"].unique()) == [2023, 2024]
    for _, rows in table.groupby("growing_season"):
        assert set(rows["hybrid"]) == candidates and not rows["hybrid"].duplicated().any()
    assert set(table.loc[table["growing_season"].eq(2024), "decision"]) == {
        "promote",
        "hold",
        "drop",
    }
