import pandas as pd

from culmbook.season.received import (
    latest_stand,
    measuring_states,
    plots_by_status,
    plots_to_visit,
    progress,
    sheets_received,
)

PROBLEMS = ["code", "severity", "file", "line", "column", "value", "rule", "mend", "table", "site"]


def plots(n=6, site="A", trial="T25", planted="2025-05-06", **columns):
    frame = {
        "site": site,
        "plot": [f"{i:02d}" for i in range(1, n + 1)],
        "trial": trial,
        "replicate": "1",
        "row": [1 + i // 3 for i in range(n)],
        "column": [1 + i % 3 for i in range(n)],
        "hybrid": [f"H{i % 2}" for i in range(n)],
        "planting_method": "hand",
        "film": "none",
        "planted_on": pd.Timestamp(planted),
        "plants_planted": 40,
        "status": "ok",
        "status_reason": None,
        "status_cause": None,
    }
    frame = pd.DataFrame({**frame, **columns})
    whole = {"row": "Int64", "column": "Int64", "plants_planted": "Int64"}
    text = dict.fromkeys(["status", "status_reason", "status_cause", "plot"], "str")
    return frame.astype({**whole, **text})


def counts(alive, occasion="autumn", day="2025-10-07", season=2025, site="A", first=1):
    frame = pd.DataFrame(
        {
            "site": site,
            "plot": [f"{i:02d}" for i in range(first, first + len(alive))],
            "counted_on": pd.Timestamp(day),
            "occasion": occasion,
            "plants_alive": alive,
            "growing_season": season,
        }
    )
    text = dict.fromkeys(["site", "plot", "occasion"], "str")
    return frame.astype({"plants_alive": "Int64", "growing_season": "Int64", **text})


def empty(*columns, dates=()):
    frame = pd.DataFrame({name: pd.Series(dtype="str") for name in ("site", "plot", *columns)})
    days = {name: pd.Series(dtype="datetime64[us]") for name in dates}
    return frame.assign(growing_season=pd.Series(dtype="Int64"), **days)


def season_tables(**given):
    none = {
        "plots": plots(),
        "stand_counts": counts([]),
        "frost_scores": empty("damage_score", "leaf_killed_pct", dates=("frost_on", "scored_on")),
        "stem_measures": empty("stems", "stem_height_cm", "stem_diameter_mm", "stem_dry_mass_g"),
        "harvests": empty("fresh_mass_kg", "status"),
        "phenology": empty("emerged_on", "flowered", "senescence_score"),
    }
    return {**none, **given}


def problems(*rows):
    frame = pd.DataFrame(
        [dict(zip(("severity", "file", "line", "column"), row)) for row in rows], columns=PROBLEMS
    )
    return frame.assign(site="A", table="harvests", value="9", rule="r", mend="m").astype(
        {"line": "Int64"}
    )


def one(progressed, table, occasion=""):
    return progressed[(progressed["table"] == table) & (progressed["occasion"] == occasion)].iloc[0]


def test_plots_by_status_counts_a_blank_cause_as_external():
    frame = plots(
        status=["ok", "ok", "damaged", "damaged", "abandoned", "ok"],
        status_cause=[None, None, None, "plant", "plant", "plant"],
    )
    row = plots_by_status(frame).iloc[0]
    assert row[["n_plots", "n_ok", "n_damaged", "n_abandoned", "n_plant"]].tolist() == [
        6,
        3,
        2,
        1,
        2,
    ]
    assert row["lost_share"] == 0.5 and row["planted"] == 2025 and row["n_hybrids"] == 2


def test_latest_stand_takes_the_last_count_with_a_number():
    later = counts([None, 10], day="2026-06-24", occasion="summer")
    latest = latest_stand(plots(2), pd.concat([later, counts([30, 20])]))
    assert latest["plants_alive"].tolist() == [30, 10] and latest["n_missing"].tolist() == [10, 30]
    assert latest["missing_share"].tolist() == [0.25, 0.75]
    assert latest["occasion"].tolist() == ["autumn", "summer"]


def test_latest_stand_never_counts_fewer_than_no_missing_plants():
    assert latest_stand(plots(1), counts([45]))["n_missing"].tolist() == [0]


def test_latest_stand_of_uncounted_plots_is_missing():
    assert latest_stand(plots(2), counts([]))["missing_share"].isna().all()


def test_progress_of_a_count_under_way():
    rounds = progress(measuring_states(season_tables(stand_counts=counts([30, 31, 32])), 2025))
    autumn = one(rounds, "stand_counts", "autumn")
    assert autumn[["n_plots", "n_measured", "n_to_measure", "stage"]].tolist() == [
        6,
        3,
        3,
        "under way",
    ]
    assert one(rounds, "stand_counts", "summer")["stage"] == "not begun"


def test_progress_does_not_take_a_blank_count_for_a_measure():
    rounds = progress(measuring_states(season_tables(stand_counts=counts([30, None])), 2025))
    assert one(rounds, "stand_counts", "autumn")["n_measured"] == 1


def test_a_zero_count_is_measured_and_leaves_nothing_else_to_measure():
    tables = season_tables(
        plots=plots(planted="2024-05-01"), stand_counts=counts([0] + [30] * 5, "summer")
    )
    rounds = progress(measuring_states(tables, 2025))
    assert one(rounds, "stand_counts", "summer")["stage"] == "complete"
    assert one(rounds, "harvests")[["n_no_plants", "n_to_measure"]].tolist() == [1, 5]


def test_rounds_due_follow_the_crop_year():
    def due(planted):
        rounds = progress(measuring_states(season_tables(plots=plots(planted=planted)), 2025))
        return [tuple(x) for x in rounds[["table", "occasion"]].values]

    first = [("stand_counts", name) for name in ("after_planting", "autumn", "spring", "summer")]
    assert due("2025-05-06") == first
    assert due("2024-05-06") == [first[3], ("stem_measures", ""), ("harvests", "")]


def test_a_harvest_of_a_planting_year_counts_once_begun():
    cut = pd.DataFrame(
        {
            "site": "A",
            "plot": ["01"],
            "growing_season": 2025,
            "fresh_mass_kg": [3.0],
            "status": "ok",
        }
    )
    rounds = progress(measuring_states(season_tables(harvests=cut), 2025))
    assert one(rounds, "harvests")[["n_measured", "n_to_measure"]].tolist() == [1, 5]


def test_lost_plots_and_lost_harvests_are_set_aside():
    cut = pd.DataFrame(
        {
            "site": "A",
            "plot": ["01", "02"],
            "growing_season": 2025,
            "fresh_mass_kg": [3.0, None],
            "status": ["ok", "damaged"],
        }
    )
    frame = plots(status=["ok"] * 5 + ["abandoned"])
    row = one(
        progress(measuring_states(season_tables(plots=frame, harvests=cut), 2025)), "harvests"
    )
    assert row[["n_measured", "n_set_aside", "n_to_measure"]].tolist() == [1, 2, 3]


def test_measures_of_another_season_do_not_count():
    old = counts([30] * 6, season=2024, day="2024-10-07")
    rounds = progress(measuring_states(season_tables(stand_counts=old), 2025))
    assert one(rounds, "stand_counts", "autumn")["n_measured"] == 0


def test_frost_scores_are_due_for_the_trial_that_was_scored():
    scored = pd.DataFrame(
        {
            "site": "A",
            "plot": ["01", "01"],
            "frost_on": pd.Timestamp("2025-05-02"),
            "scored_on": pd.Timestamp("2025-05-07"),
            "damage_score": [2, 3],
            "observer": ["a", "b"],
            "leaf_killed_pct": [None, None],
            "growing_season": 2025,
        }
    )
    both = pd.concat([plots(), plots(site="B")], ignore_index=True)
    rounds = progress(measuring_states(season_tables(plots=both, frost_scores=scored), 2025))
    frost = rounds[rounds["table"] == "frost_scores"]
    assert frost[["site", "occasion", "n_measured"]].values.tolist() == [["A", "2025-05-02", 1]]


def test_plots_to_visit_go_along_the_rows():
    tables = season_tables(stand_counts=counts([30], first=5))
    assert plots_to_visit(measuring_states(tables, 2025))["plot"].tolist() == [
        "01",
        "02",
        "03",
        "04",
        "06",
    ]


def test_no_plots_leave_nothing_to_measure():
    states = measuring_states(season_tables(plots=plots().iloc[:0]), 2025)
    assert states.empty and progress(states).empty and plots_to_visit(states).empty


def test_sheets_received_counts_refused_rows_once():
    files = pd.DataFrame({"file": ["A/harvests.csv"], "table": ["harvests"], "rows_kept": [7]})
    found = problems(
        ("error_row", "A/harvests.csv", 3, "x"),
        ("error_row", "A/harvests.csv", 3, "y"),
        ("note", "A/harvests.csv", 4, "x"),
        ("error_file", "B/harvests.csv", None, None),
    )
    got = sheets_received(["plots", "harvests"], files, found).set_index("table")
    assert got.loc["harvests"].tolist() == [1, 7, 1, 1, 1] and got.loc["plots"].tolist() == [0] * 5


def test_sheets_received_knows_an_absent_table_from_a_refused_file():
    found = problems(("error_file", "plots.csv", None, None), ("error_file", "B", None, None))
    found = found.assign(code=["E-MISSING", "E-SITE"], table=["plots", None])
    files = pd.DataFrame({"file": [], "table": [], "rows_kept": []})
    got = sheets_received(["plots"], files, found).set_index("table")
    assert got["n_files_refused"].to_dict() == {"plots": 0, "other files": 1}
