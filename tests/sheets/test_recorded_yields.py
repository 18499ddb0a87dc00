"""A yield is read as it was recorded, one way a row, and gives the same dry yield in every way."""

import pandas as pd
import pytest

from component_frames import make_ground, make_harvests
from culmbook.sheets.read import read_network
from culmbook.trials.dry_yield import plot_harvests, remarks
from culmbook.yields import words
from small_network import TODAY, Sheet, small_network, write_network

CUTS = "S01/harvests.csv"
FRESH, SAMPLE = "fresh_mass_kg", ["subsample_fresh_g", "subsample_dry_g"]
OTHER = ["moisture_pct", "dry_mass_kg", "fresh_yield_t_ha", "dry_yield_t_ha"]
WAYS = (  # cells left blank, and cells of fresh mass [kg], area [m²] and dry share
    ([], lambda kg, m2, share: {}),
    (SAMPLE, lambda kg, m2, share: {"moisture_pct": 100 * (1 - share)}),
    ([FRESH, *SAMPLE], lambda kg, m2, share: {"dry_mass_kg": kg * share}),
    ([FRESH, "harvested_area_m2"], lambda kg, m2, share: {"fresh_yield_t_ha": 10 * kg / m2}),
    (
        [FRESH, "harvested_area_m2", *SAMPLE],
        lambda kg, m2, share: {"dry_yield_t_ha": 10 * kg * share / m2},
    ),
)


def recorded(way_of):
    """The sheet of cuts, each line in the way that `way_of` gives for its number."""
    cuts = small_network()[CUTS]
    sheet = Sheet(",".join([*cuts.header, *OTHER]), [[*row, *[""] * 4] for row in cuts.rows])
    for line in range(2, len(cuts.rows) + 2):
        names = (FRESH, "harvested_area_m2", *SAMPLE)
        kg, m2, fresh, dry = (float(cuts.get(line, name)) for name in names)
        blank, cells = WAYS[way_of(line)]
        for name, value in {**dict.fromkeys(blank, ""), **cells(kg, m2, dry / fresh)}.items():
            sheet.put(line, name, value if value == "" else repr(value))
    return sheet


def read(tmp_path, sheet):
    network = read_network(write_network(tmp_path, small_network() | {CUTS: sheet}), today=TODAY)
    return network.problems, plot_harvests(network.tables["harvests"], network.tables["plots"])


def test_every_way_gives_the_same_and_the_report_says_which_plot_came_in_which(tmp_path):
    _, usual = read(tmp_path / "usual", small_network()[CUTS])
    problems, cut = read(tmp_path / "other", recorded(lambda line: line % 5))
    assert problems.empty, problems.to_string()
    assert cut["dry_yield_t_ha"].to_numpy() == pytest.approx(usual["dry_yield_t_ha"], rel=1e-14)
    is_dry = cut["recorded_as"].str.startswith("dry")
    wet = cut.loc[~is_dry, "moisture_pct"].to_numpy()
    assert wet == pytest.approx(usual.loc[~is_dry, "moisture_pct"], rel=1e-13)
    assert cut.loc[is_dry, "moisture_pct"].isna().all() and cut["left_out"].isna().all()
    told = "Yields were recorded as dry mass in 5 plots, dry yield per hectare in 5 plots, fresh"
    assert any(said.startswith(told) for said in words.left_out(cut))
    told = remarks(cut)["remark"].value_counts()
    assert told["recorded as fresh yield per hectare"] == 5 and len(told) == 3


def test_a_season_recorded_dry_per_hectare_alone_needs_no_other_column(tmp_path):
    sheet = recorded(lambda line: 4)
    for name in [FRESH, "harvested_area_m2", *SAMPLE, *OTHER[:3]]:
        sheet.drop(name)
    problems, cut = read(tmp_path, sheet)
    assert problems.empty, problems.to_string()
    assert cut["dry_yield_t_ha"].gt(0).all() and cut["left_out"].isna().all()


def test_a_yield_in_two_ways_or_in_none_is_told(tmp_path):
    sheet = recorded(lambda line: 0)
    sheet.put(2, "dry_mass_kg", "3").put(3, FRESH, "").put(4, "harvested_area_m2", "")
    sheet.put(5, "moisture_pct", "30")
    problems, _ = read(tmp_path, sheet)
    said = problems.set_index("line")
    assert said["code"].tolist() == ["E-RULE", "E-NUMBER", "E-NUMBER", "E-RULE"]
    assert said["column"].tolist() == [FRESH, FRESH, "harvested_area_m2", "moisture_pct"]
    for line, words_ in {
        2: "more than one way",
        3: "blank",
        4: "a mass was cut",
        5: "30 %",
    }.items():
        assert words_ in said.at[line, "rule"]


def test_a_sheet_without_any_yield_is_refused_by_its_header(tmp_path):
    problems, _ = read(tmp_path, small_network()[CUTS].drop(FRESH))
    assert problems[["code", "column"]].values.tolist() == [["E-HEADER", FRESH]]


def test_a_lost_sample_is_filled_for_fresh_yields_alone():
    ground = make_ground()
    cuts = make_harvests(ground).assign(fresh_yield_t_ha=float("nan"), dry_yield_t_ha=float("nan"))
    for at, name in ((1, "fresh_yield_t_ha"), (2, "dry_yield_t_ha")):
        cuts.loc[at, [FRESH, *SAMPLE]] = float("nan")
        cuts.loc[at, name] = 8.0
    out = plot_harvests(cuts, ground)
    assert out.loc[1, "dry_yield_t_ha"] == pytest.approx(8.0 * 0.7)  # others hold 30 % water
    assert out.loc[2, "dry_yield_t_ha"] == 8.0 and pd.isna(out.loc[2, "moisture_from"])
