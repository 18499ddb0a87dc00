"""Which season rows belong to: the rule of the data dictionary, example by example."""

import pandas as pd

from culmbook.sheets.read import read_network
from culmbook.trials.seasons import count_season, of_season
from small_network import TODAY, Sheet, small_network, write_network


def network_with_gaps(tmp_path):
    sheets = small_network()
    sheets["S01/plant_gaps.csv"] = Sheet(
        "site,plot,counted_on,position_row,position,alive",
        [
            ["S01", "001", day, 1, 1, "yes"]
            for day in ("2024-10-05", "2025-06-22", "2025-03-01", "2025-09-01", "2024-06-01")
        ],
    )
    sheets["hybrids.csv"] = sheets["hybrids.csv"]
    sheets["decisions.csv"] = Sheet(
        "hybrid,growing_season,decision,stage,decided_on,reason",
        [
            ["H001", 2024, "hold", "replicated", "2025-07-01", "x"],
            ["H001", 2025, "drop", "replicated", "2025-12-30", "x"],
        ],
    )
    return read_network(write_network(tmp_path, sheets), today=TODAY)


def test_counts_of_spring_and_summer_judge_the_winter_before():
    counts = pd.DataFrame(
        {
            "counted_on": pd.to_datetime(["2025-05-20", "2025-10-05", "2026-04-20", "2026-06-24"]),
            "occasion": ["after_planting", "autumn", "spring", "summer"],
        }
    )
    assert count_season(counts).tolist() == [2025, 2025, 2025, 2025]


def test_season_keeps_the_past_and_drops_what_came_after(tmp_path):
    network = network_with_gaps(tmp_path)
    assert not network.is_incomplete("all"), network.problems.to_string()
    before = of_season(network, 2024)
    assert before.tables["harvests"]["growing_season"].unique().tolist() == [2024]
    assert (
        len(before.tables["stand_counts"]) == 36
    )  # the summer count of 2025 still belongs to 2024
    assert before.tables["stem_measures"].empty and before.tables["phenology"].empty
    assert before.tables["frost_scores"].empty  # a frost of spring 2025 belongs to 2025
    assert before.tables["weather"]["date"].max() == pd.Timestamp("2025-06-30")
    assert before.tables["decisions"]["growing_season"].tolist() == [2024]
    assert len(before.tables["freeze_tests"]) == 12
    after = of_season(network, 2025)
    assert (
        len(after.tables["frost_scores"]) == 12
        and (after.tables["frost_scores"]["growing_season"] == 2025).all()
    )
    assert len(after.tables["weather"]) == 36
    assert (
        len(network.tables["weather"]) == 36
        and "growing_season" not in network.tables["stand_counts"]
    )


def test_gaps_go_with_the_count_of_their_day_else_with_the_time_of_year(tmp_path):
    gaps = (
        of_season(network_with_gaps(tmp_path), 2025)
        .tables["plant_gaps"]
        .set_index("counted_on")["growing_season"]
    )
    assert {f"{day:%Y-%m-%d}": season for day, season in gaps.items()} == {
        "2024-10-05": 2024,
        "2025-06-22": 2024,
        "2025-03-01": 2024,
        "2025-09-01": 2025,
        "2024-06-01": 2024,
    }


def test_season_before_planting_has_no_plots(tmp_path):
    network = network_with_gaps(tmp_path)
    assert (
        of_season(network, 2023).tables["plots"].empty
        and len(of_season(network, 2024).tables["plots"]) == 24
    )
