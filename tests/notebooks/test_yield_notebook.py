"""What the notebook on yields and their components shows of small and of odd data."""

import pytest

from notebook_runs import bundles, figures, run_cells, sentences, tables
from small_network import small_network, write_network

NAME = "40_yield_components.ipynb"


def run(tmp_path, sheets, **parameters):
    return run_cells(
        NAME, data=str(write_network(tmp_path / "net", sheets)), site="S01", **parameters
    )


def labels(shown):
    return {*tables(shown), *figures(shown)}


def test_a_whole_small_network_shows_harvest_and_components(tmp_path):
    ran = run(tmp_path, small_network())
    assert {"harvest-trials", "yields", "components", "plan"} <= labels(ran.shown)
    assert "culmbook: finished" in ran.printed


def test_without_a_control_yields_are_shown_and_not_compared(tmp_path):
    sheets = small_network()
    sheets["hybrids.csv"].rows = [
        ["candidate" if cell == "control" else cell for cell in row]
        for row in sheets["hybrids.csv"].rows
    ]
    ran = run(tmp_path, sheets)
    assert "yields" in labels(ran.shown) and "yield-against-control" not in labels(ran.shown)
    assert any("names no control" in s for s in sentences(ran.shown, "refusal"))


def test_all_samples_lost_leave_no_yield_and_say_so(tmp_path):
    sheets = small_network()
    sheets["S01/harvests.csv"].put_all("subsample_dry_g", "").put_all("subsample_fresh_g", "")
    ran = run(tmp_path, sheets)
    assert any("All moisture samples were lost at S01 in 2025" in s for s in sentences(ran.shown))
    assert not {"yields", "yield-against-control", "moisture"} & labels(ran.shown)
    assert {"harvest-trials", "components"} <= labels(ran.shown)


def test_hostile_names_stand_unchanged_and_are_escaped_on_the_screen(tmp_path):
    name = "$x$ <script>*b*_u {0} %d"
    sheets = small_network()
    for sheet in sheets.values():
        sheet.rows = [[name if cell == "H001" else cell for cell in row] for row in sheet.rows]
    ran = run(tmp_path, sheets)
    assert any(name in row for row in tables(ran.shown)["yields"]["rows"])
    assert not any("<script>" in shown.html() for shown in ran.shown if shown.bundle())


def test_young_stands_are_provisional_and_shown():
    ran = run_cells(NAME, site="DRYSA", planting=2025)
    assert any("crop year 1" in s for s in sentences(ran.shown, "provisional"))
    assert "yields" in labels(ran.shown)


def test_one_season_carries_no_prediction():
    ran = run_cells(NAME, site="KRAVO", season=2022)
    assert any("carry no prediction" in s for s in sentences(ran.shown, "refusal"))
    assert "prediction-errors" not in tables(ran.shown) and "culmbook: finished" in ran.printed


def test_cut_and_uncut_plots_are_joined_only_where_chance_chose():
    ran = run_cells(NAME, site="MELDO", cut_chosen_at_random=True)
    joined = tables(ran.shown)["joined-means"]
    assert len(joined["rows"]) == 2
    assert any("none is left to predict" in s for s in sentences(ran.shown))


@pytest.mark.parametrize("level", [0.8])
def test_intervals_are_headed_with_their_level(level, tmp_path):
    ran = run(tmp_path, small_network(), level=level)
    heads = [c["heading"] for b in bundles(ran.shown) if "rows" in b for c in b["columns"]]
    assert any("80 % interval" in h for h in heads) and not any("95 % interval" in h for h in heads)
