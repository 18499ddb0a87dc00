"""Rows that cannot be true beside their plot or the table's other rows are refused, the rest kept.

The rules follow from what the columns mean; no source.
"""

import pytest

from culmbook.sheets.read import read_network
from small_network import TODAY, small_network, write_network

PLOTS, COUNTS, CUTS = "S01/plots.csv", "S01/stand_counts.csv", "S01/harvests.csv"
STEMS, WEATHER, PHENOLOGY = "S01/stem_measures.csv", "S01/weather.csv", "S01/phenology.csv"
FROST, FREEZE = "S01/frost_scores.csv", "freeze_tests.csv"

# file, cells as line:column=value, code, place of the refusal, words of it
REFUSED = [
    (COUNTS, "2:plants_alive=37", "E-RANGE", "2:plants_alive", "0 to 36"),
    (
        COUNTS,
        "4:plants_alive=34",
        "E-RULE",
        "4:plants_alive",
        "34 alive, but 32 on 2024-10-05 (line 3)",
    ),
    (
        COUNTS,
        "4:plants_alive=35 4:plants_replanted=2",
        "E-RULE",
        "4:plants_alive",
        "2 replanted since",
    ),
    (COUNTS, "4:replants_alive=1", "E-RANGE", "4:replants_alive", "replanted (0)"),
    (PLOTS, "2:harvest_area_m2=24.5", "E-RANGE", "2:harvest_area_m2", "6 × 4 m = 24 m²"),
    (PLOTS, "2:status=damaged", "E-RULE", "2:status_reason", "status is damaged"),
    (PLOTS, "2:planted_on=", "E-DATE", "2:planted_on", "status is ok"),
    (PLOTS, "2:plants_planted=", "E-NUMBER", "2:plants_planted", "status is ok"),
    (PLOTS, "2:column=2", "E-DUPLICATE", "2:column 3:column", "site, trial, row, column"),
    (CUTS, "2:harvested_area_m2=24.5", "E-RANGE", "2:harvested_area_m2", "24 m²"),
    (
        CUTS,
        "2:subsample_dry_g=500.5",
        "E-RANGE",
        "2:subsample_dry_g",
        "not less than 500.5 g fresh",
    ),
    (CUTS, "2:status=abandoned", "E-RULE", "2:status_reason", "abandoned"),
    (CUTS, "2:harvested_on=", "E-DATE", "2:harvested_on", "status is ok"),
    (
        CUTS,
        "2:growing_season=2022 2:harvested_on=2023-01-10",
        "E-DATE",
        "2:harvested_on",
        "planted 2024-05-10",
    ),
    (STEMS, "2:measured_on=2024-11-20", "E-DATE", "2:measured_on", "growing season 2025"),
    (PHENOLOGY, "2:flowered=no", "E-RULE", "2:flowered_on", "flowered is no"),
    (
        PHENOLOGY,
        "2:emerged_on=2025-10-01",
        "E-DATE",
        "2:emerged_on",
        "after flowered_on 2025-09-01",
    ),
    (
        WEATHER,
        "2:air_temperature_min_c=20",
        "E-RANGE",
        "2:air_temperature_min_c",
        "above the maximum 19.5",
    ),
    (FROST, "2:scored_on=2025-05-03", "E-DATE", "2:scored_on", "frost of 2025-05-04"),
    (FREEZE, "3:units_alive=11", "E-RANGE", "3:units_alive", "10 units tested"),
    (FREEZE, "3:lifted_on=2025-01-21", "E-DATE", "3:lifted_on", "after the test"),
]


def read_with(tmp_path, file, cells):
    needed = {"sites.csv", "hybrids.csv", PLOTS, COUNTS, file}  # the others' checks take their time
    sheets = {name: sheet for name, sheet in small_network().items() if name in needed}
    for cell in cells.split():
        place, value = cell.split("=")
        line, column = place.split(":")
        sheets[file].put(int(line), column, value.replace("~", " "))
    return read_network(write_network(tmp_path, sheets), today=TODAY)


@pytest.mark.parametrize(
    "file, cells, code, where, says", REFUSED, ids=[f"{x[0]}-{x[1]}" for x in REFUSED]
)
def test_impossible_row_is_refused(file, cells, code, where, says, tmp_path):
    problems = read_with(tmp_path, file, cells).problems
    errors = problems[(problems["file"] == file) & (problems["severity"] == "error_row")]
    assert set(errors["line"].astype(str) + ":" + errors["column"]) == set(where.split()), (
        errors.to_string()
    )
    assert code in set(errors["code"]) and errors["rule"].str.contains(says, regex=False).any(), (
        errors.to_string()
    )


ACCEPTED = [
    (COUNTS, "4:plants_alive=35 4:emerged_late=yes"),
    (COUNTS, "4:plants_alive=35 4:plants_replanted=3 4:replants_alive=3"),
    (COUNTS, "2:plants_alive=38 2:plants_replanted=2 2:replants_alive=2"),
    (COUNTS, "3:plants_alive="),
    (COUNTS, "2:observer= 3:emerged_late= 4:plants_replanted="),
    (PLOTS, "2:harvest_area_m2=24"),
    (PLOTS, "2:row= 2:column= 3:row= 3:column= 2:block="),
    (CUTS, "2:subsample_fresh_g= 2:subsample_dry_g="),
    (
        CUTS,
        "2:status=abandoned 2:status_reason=deer 2:harvested_on= 2:harvested_area_m2= 2:fresh_mass_kg=",
    ),
    (PHENOLOGY, "2:flowered=no 2:flowered_on="),
    (PHENOLOGY, "2:flowered= 2:flowered_on= 2:emerged_on="),
    (WEATHER, "2:air_temperature_min_c=19.5"),
    (FROST, "2:frost_on="),
    (FREEZE, "3:units_alive=10"),
]


@pytest.mark.parametrize("file, cells", ACCEPTED, ids=[f"{x[0]}-{x[1]}" for x in ACCEPTED])
def test_possible_row_is_kept_without_a_word(file, cells, tmp_path):
    network = read_with(tmp_path, file, cells)
    assert network.problems.empty, network.problems.to_string()


def test_replants_entered_a_round_early_are_named_with_both_readings(tmp_path):
    cells = "2:plants_alive=26 2:plants_replanted=9"
    problems = read_with(tmp_path, COUNTS, cells).problems
    (refused,) = problems[problems["line"] == 3].itertuples()
    assert refused.code == "E-RULE" and "32 alive, but 26 on 2024-06-20 (line 2)" in refused.rule
    assert "the 9 replanted in line 2 count as set before that count" in refused.rule
    assert refused.mend.startswith("if they were set after it, enter them in this line instead")
    mended = read_with(tmp_path / "b", COUNTS, "2:plants_alive=26 3:plants_replanted=9")
    assert mended.problems.empty


def test_a_rise_beyond_the_earlier_replants_is_a_wrong_count(tmp_path):
    problems = read_with(tmp_path, COUNTS, "2:plants_alive=20 2:plants_replanted=9").problems
    assert problems["mend"].iat[0].startswith("correct a count")


def test_plot_that_is_not_ok_keeps_its_row_with_blanks(tmp_path):
    network = read_with(
        tmp_path,
        PLOTS,
        "2:status=abandoned 2:status_reason=flooded 2:planted_on= 2:plants_planted=",
    )
    assert network.tables["plots"]["status"].tolist()[0] == "abandoned"
    assert not network.is_incomplete("all")


def test_plot_codes_of_two_trials_clash_with_the_mend(tmp_path):
    sheets = small_network()
    sheets[PLOTS].rows.append([*sheets[PLOTS].rows[0]])
    sheets[PLOTS].put(14, "trial", "T25B").put(14, "row", "9")
    problems = read_network(write_network(tmp_path, sheets), today=TODAY).problems
    clash = problems[problems["file"] == PLOTS]
    assert set(clash["code"]) == {"E-DUPLICATE"} and set(clash["line"]) == {2, 14}
    assert clash["mend"].str.contains("prefix the plot codes with the trial").all()


UNLIKELY = [
    (STEMS, "2:stem_height_cm=451"),
    (STEMS, "2:stem_diameter_mm=1.9"),
    (STEMS, "2:leaf_fraction=0.61"),
    (STEMS, "2:stems=201"),
    (CUTS, "2:ash_pct=11.5"),
    (CUTS, "2:subsample_dry_g=170.0"),
    (PHENOLOGY, "2:emerged_on=2025-03-20"),
    (PHENOLOGY, "2:flowered_on=2025-11-27"),
    (WEATHER, "2:air_temperature_max_c=46"),
    (WEATHER, "2:soil_temperature_5cm_min_c=-26"),
]


@pytest.mark.parametrize("file, cells", UNLIKELY, ids=[x[1] for x in UNLIKELY])
def test_unlikely_value_is_kept_and_noted(file, cells, tmp_path):
    network = read_with(tmp_path, file, cells)
    assert "N-RANGE" in set(network.problems["code"]) and not network.is_incomplete("all")
    note = network.problems[network.problems["code"] == "N-RANGE"].iloc[0]
    assert note["line"] == 2 and note["file"] == file


IMPOSSIBLE = [
    (STEMS, "2:stem_height_cm=0"),
    (STEMS, "2:stem_diameter_mm=0"),
    (STEMS, "2:leaf_fraction=1.01"),
    (STEMS, "2:stems=-1"),
    (STEMS, "2:stems=1.5"),
    (CUTS, "2:ash_pct=100.5"),
    (CUTS, "2:fresh_mass_kg=-1"),
    (FROST, "2:damage_score=7"),
    (PHENOLOGY, "2:senescence_score=10"),
    (WEATHER, "2:relative_humidity_pct=101"),
]


@pytest.mark.parametrize("file, cells", IMPOSSIBLE, ids=[x[1] for x in IMPOSSIBLE])
def test_impossible_value_is_refused(file, cells, tmp_path):
    network = read_with(tmp_path, file, cells)
    assert network.problems["severity"].tolist() == ["error_row"]
    assert network.problems["code"].iat[0] in ("E-RANGE", "E-NUMBER")


def test_row_pasted_many_times_is_listed_briefly(tmp_path):
    sheets = small_network()
    sheets[WEATHER].rows += [list(sheets[WEATHER].rows[0]) for _ in range(50)]
    network = read_network(write_network(tmp_path, sheets), today=TODAY)
    assert len(network.tables["weather"]) == 36 and len(network.problems) == 50
    assert (
        network.problems["rule"]
        .iat[0]
        .endswith("lines 2 and 38 and 39 and 40 and 41 and 42 and 45 more")
    )
