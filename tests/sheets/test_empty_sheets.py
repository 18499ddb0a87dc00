"""Empty sheets: what is on them, and that a filled one is read back."""

import shutil

import pytest
from openpyxl import load_workbook

from culmbook.sheets.dictionary import tables
from culmbook.sheets.empty_sheets import HEADER_ROW, HOW_TO_WALK, UNIT_ROW, write_sheets
from culmbook.sheets.raw import read_raw
from culmbook.sheets.read import demo_folder, read_network

COUNT = {
    "counted_on": "2025-10-07",
    "occasion": "autumn",
    "plants_alive": 20,
    "plants_replanted": 0,
    "emerged_late": "no",
    "observer": "007",
}


@pytest.fixture(scope="module")
def network():
    return read_network(demo_folder(), site="MELDO")


def _open(folder, table):
    sheet = load_workbook(folder / f"{table}.xlsx")[table]
    return sheet, {cell.value: cell.column for cell in sheet[HEADER_ROW] if cell.value}


def test_write_sheets_makes_one_workbook_per_table(tmp_path):
    written = write_sheets(tmp_path)
    assert sorted(path.stem for path in written) == sorted(tables())
    for name, table in tables().items():
        sheet, places = _open(tmp_path, name)
        assert list(places) == [f.name for f in table.fields if not f.instead_of]
        assert sheet.max_row == HEADER_ROW


def test_write_sheets_offers_the_allowed_words_of_every_choice(tmp_path):
    write_sheets(tmp_path)
    for name, table in tables().items():
        sheet, places = _open(tmp_path, name)
        rules = sheet.data_validations.dataValidation
        lists = {rule.formula1.strip('"') for rule in rules if rule.type == "list"}
        assert lists == {",".join(field.enum) for field in table.fields if field.enum}


def test_write_sheets_keeps_codes_and_dates_as_text(tmp_path):
    write_sheets(tmp_path, table="plots")
    sheet, places = _open(tmp_path, "plots")
    forms = {
        name: sheet.column_dimensions[sheet.cell(1, at).column_letter].number_format
        for name, at in places.items()
    }
    assert forms["plot"] == forms["planted_on"] == "@"
    assert forms["plants_planted"] == "General"


def test_write_sheets_fills_in_standing_plots_in_walking_order(tmp_path, network):
    write_sheets(tmp_path, network, table="stand_counts", season=2025)
    sheet, places = _open(tmp_path / "MELDO", "stand_counts")
    plots = [
        sheet.cell(row, places["plot"]).value for row in range(HEADER_ROW + 1, sheet.max_row + 1)
    ]
    assert len(plots) == len(set(plots)) == 156
    # up the first field row of thirteen plots, down the second
    assert plots[:14] == [f"01{i:02d}" for i in range(1, 14)] + ["0213"]


def test_write_sheets_leaves_out_abandoned_plots_and_later_plantings(tmp_path):
    kravo = read_network(demo_folder(), site="KRAVO")
    write_sheets(tmp_path / "a", kravo, table="stand_counts", season=2025)
    write_sheets(tmp_path / "b", kravo, table="stand_counts", season=2024)
    status = kravo.tables["plots"].groupby("trial")["status"].value_counts().unstack(fill_value=0)
    standing = 336 - status["abandoned"].sum()
    assert _open(tmp_path / "a" / "KRAVO", "stand_counts")[0].max_row - HEADER_ROW == standing
    assert _open(tmp_path / "b" / "KRAVO", "stand_counts")[0].max_row - HEADER_ROW == 168


def test_write_sheets_does_not_show_the_hybrid(tmp_path, network):
    for path in write_sheets(tmp_path, network, season=2025):
        hybrids = set(network.tables["hybrids"]["hybrid"])
        cells = {cell.value for row in load_workbook(path)[path.stem].iter_rows() for cell in row}
        assert not hybrids & cells


def test_write_sheets_prints_on_a4_with_repeated_heading(tmp_path, network):
    write_sheets(tmp_path, network, table="frost_scores")
    sheet, _ = _open(tmp_path / "MELDO", "frost_scores")
    assert sheet.page_setup.orientation == "landscape" and int(sheet.page_setup.paperSize) == 9
    assert sheet.print_title_rows == "$1:$3" and sheet.freeze_panes == "C4"
    assert len(sheet.row_breaks.brk) == 1


def test_filled_sheet_is_read_back(tmp_path, network):
    data = tmp_path / "data"
    (data / "MELDO").mkdir(parents=True)
    for file in ("sites.csv", "hybrids.csv", "MELDO/plots.csv"):
        shutil.copy(demo_folder() / file, data / file)
    (path,) = write_sheets(tmp_path / "sheets", network, table="stand_counts", season=2025)
    book = load_workbook(path)
    sheet, last = book["stand_counts"], book["stand_counts"].max_row
    places = {cell.value: cell.column for cell in sheet[HEADER_ROW]}
    for row in range(HEADER_ROW + 1, last + 1):
        for name, value in COUNT.items():
            sheet.cell(row, places[name]).value = value
    book.save(data / "MELDO" / "stand_counts.xlsx")
    back = read_network(data)
    counts = back.tables["stand_counts"]
    assert back.problems.empty
    assert list(counts["plot"]) == sorted(network.tables["plots"]["plot"])
    assert (counts["plants_alive"] == 20).all() and (counts["observer"] == "007").all()


def _typed_back(tmp_path, network, table, values, every=1, **told):
    """Type values into every so many rows of a sheet with plots, read it, and give the network."""
    data = tmp_path / "data"
    (data / "MELDO").mkdir(parents=True)
    for file in ("sites.csv", "hybrids.csv", "MELDO/plots.csv"):
        shutil.copy(demo_folder() / file, data / file)
    (path,) = write_sheets(tmp_path / "sheets", network, table=table, season=2025, **told)
    book = load_workbook(path)
    sheet = book[table]
    places = {cell.value: cell.column for cell in sheet[HEADER_ROW]}
    for row in range(HEADER_ROW + 1, sheet.max_row + 1, every):
        for name, value in values.items():
            sheet.cell(row, places[name]).value = value(row) if callable(value) else value
    book.save(data / "MELDO" / f"{table}.xlsx")
    return read_network(data)


FROST = {
    "frost_on": "2025-05-10",
    "scored_on": "2025-05-14",
    "damage_score": lambda row: row % 7,
    "leaf_killed_pct": lambda row: row % 7 * 10,
    "observer": "007",
}


def test_a_sheet_typed_back_whole_gives_no_note(tmp_path, network):
    count = {**COUNT, "plants_alive": lambda row: 10 + row % 9, "replants_alive": 0}
    back = _typed_back(tmp_path / "a", network, "stand_counts", count)
    assert back.problems.empty and len(back.tables["stand_counts"]) == 156
    assert _typed_back(tmp_path / "b", network, "frost_scores", FROST).problems.empty


@pytest.mark.parametrize(
    ("table", "values", "n"),
    [
        ("stand_counts", {**COUNT, "plants_alive": lambda row: 10 + row % 9}, 156),
        ("frost_scores", FROST, 156),
        ("phenology", {"flowered": "no", "senescence_score": lambda row: row % 9}, 156),
        ("stem_measures", {"measured_on": "2025-09-01", "stems": lambda row: 20 + row % 9}, 780),
    ],
)
def test_rows_of_plots_not_visited_are_set_aside_with_one_note(tmp_path, network, table, values, n):
    back = _typed_back(tmp_path, network, table, values, every=3)
    said = back.problems[back.problems["code"] == "N-UNVISITED"]
    assert set(back.problems["severity"]) == {"note"} and len(back.tables[table]) == n / 3
    assert said["line"].tolist() == [HEADER_ROW + 2] and f"{n * 2 // 3} rows" in said["rule"].iat[0]


def test_a_row_with_anything_observed_but_no_date_is_refused(tmp_path, network):
    dates = {**COUNT, "counted_on": lambda row: None if row == HEADER_ROW + 1 else "2025-10-07"}
    back = _typed_back(tmp_path, network, "stand_counts", dates)
    refused = back.problems[back.problems["severity"] != "note"]
    assert refused[["code", "line"]].values.tolist() == [["E-DATE", HEADER_ROW + 1]]


def test_empty_sheets_typed_into_are_read_without_a_note(tmp_path):
    write_sheets(tmp_path, table="sites")
    book = load_workbook(tmp_path / "sites.xlsx")
    book["sites"].cell(HEADER_ROW + 1, 1).value = "S01"
    book.save(tmp_path / "sites.xlsx")
    raw = read_raw(tmp_path / "sites.xlsx", tmp_path, tables()["sites"].columns)
    assert raw.lines == [HEADER_ROW + 1] and raw.problems == []


def test_other_sheets_and_titles_are_still_noted(tmp_path):
    write_sheets(tmp_path, table="sites")
    book = load_workbook(tmp_path / "sites.xlsx")
    book["sites"].cell(HEADER_ROW + 1, 1).value = "S01"
    book["sites"].insert_rows(1)
    book["sites"].cell(1, 1).value = "My title"
    book["read_me"]["A1"].value = "My own remarks"
    book.save(tmp_path / "sites.xlsx")
    raw = read_raw(tmp_path / "sites.xlsx", tmp_path, tables()["sites"].columns)
    assert sorted(p.code for p in raw.problems) == ["N-SHEET", "N-TITLE"]


def test_no_heading_is_clipped_or_turned_every_value_fits_instructions_on_one_page(
    tmp_path, network
):
    for path in [*write_sheets(tmp_path), *write_sheets(tmp_path / "f", network, season=2025)]:
        sheet, read_me = load_workbook(path).worksheets
        assert read_me.sheet_properties.pageSetUpPr.fitToPage
        pages = (read_me.page_setup.fitToWidth, read_me.page_setup.fitToHeight)
        assert pages == (None, None)  # left out they are 1 (ECMA-376, part 1, 18.3.1.63)
        assert sum(read_me.column_dimensions[c].width for c in "ABCDE") < 190  # not made tiny
        assert sheet.row_dimensions[HEADER_ROW].height >= 7 * 1.2
        for unit, name, *cells in sheet.iter_cols(min_row=UNIT_ROW):
            width = sheet.column_dimensions[name.column_letter].width
            assert not unit.alignment.textRotation and not name.alignment.textRotation
            assert unit.alignment.wrap_text and name.font.size == 7
            title, hint = unit.value.split("\n")
            shown = [(w, 11) for w in title.split()] + [(w, 8) for w in hint.split()]
            shown += [(name.value, 7), *((str(c.value), 11) for c in cells if c.value is not None)]
            assert max(len(text) * points / 11 for text, points in shown) + 1 < width
            lines = len(title) / width * 11 + len(hint) * 8 / 11 / width * 8
            assert sheet.row_dimensions[UNIT_ROW].height >= 1.2 * max(lines, 19)


def test_occasion_day_area_and_what_was_planted_are_there_with_the_last_count(tmp_path, network):
    told = {"season": 2025, "occasion": "autumn", "date": "2025-10-07"}
    write_sheets(tmp_path, network, **told)
    sheet, places = _open(tmp_path / "MELDO", "stand_counts")
    assert "autumn, 2025-10-07" in sheet["A1"].value
    row = {name: sheet.cell(HEADER_ROW + 1, at) for name, at in places.items()}
    plots = network.tables["plots"].set_index("plot")
    counts = network.tables["stand_counts"].query("plot == '0101' and counted_on < '2025-10-07'")
    last = counts.sort_values("counted_on").iloc[-1]
    assert row["occasion"].value == "autumn" and row["counted_on"].value == "2025-10-07"
    assert row["plants_planted"].value == plots.at["0101", "plants_planted"]
    assert row["last_count"].value == f"{last.plants_alive} on {last.counted_on:%Y-%m-%d}"
    assert row["last_count"].font.color.rgb == "FF777777"
    assert list(places)[places["plants_alive"] - 2] == "last_count"
    sheet, places = _open(tmp_path / "MELDO", "harvests")
    area = sheet.cell(HEADER_ROW + 1, places["harvested_area_m2"]).value
    assert area == plots.at["0101", "harvest_area_m2"]
    assert sheet.cell(HEADER_ROW + 1, places["harvested_on"]).value == "2025-10-07"


@pytest.mark.parametrize("table", ["stand_counts", "harvests"])
def test_a_row_with_nothing_but_what_was_filled_in_counts_as_not_visited(tmp_path, network, table):
    values = {"plants_alive": 20, "fresh_mass_kg": 8, "status": "ok"}
    own = {name: value for name, value in values.items() if name in tables()[table].columns}
    told = {"occasion": "autumn", "date": "2025-10-07"}
    back = _typed_back(tmp_path, network, table, own, every=3, **told)
    assert (back.problems["severity"] == "note").all(), back.problems.to_string()
    assert back.problems["code"].eq("N-UNVISITED").sum() == 1
    assert len(back.tables[table]) == 52


def test_read_me_speaks_of_the_walk_only_where_plots_are_walked(tmp_path):
    for path in write_sheets(tmp_path):
        said = {cell.value for cell in load_workbook(path)["read_me"]["A"]}
        assert bool(said & set(HOW_TO_WALK)) == (
            path.stem != "plots" and "plot" in tables()[path.stem].columns
        )


def test_write_sheets_never_replaces_a_file(tmp_path):
    write_sheets(tmp_path, table="sites")
    with pytest.raises(ValueError, match="already there"):
        write_sheets(tmp_path, table="sites")


@pytest.mark.parametrize(
    ("choice", "said"),
    [
        ({"table": "plot"}, "no table"),
        ({"season": 2025}, "--data"),
        ({"site": "MELDO"}, "--data"),
        ({"date": "2025-10-07"}, "--data"),
        ({"occasion": "autumm"}, "no occasion 'autumm'; there are after_planting, autumn"),
    ],
)
def test_write_sheets_refuses_what_it_cannot_do(tmp_path, choice, said):
    with pytest.raises(ValueError, match=said):
        write_sheets(tmp_path, **choice)


def test_write_sheets_refuses_unknown_site(tmp_path, network):
    with pytest.raises(ValueError, match="MELDO"):
        write_sheets(tmp_path, network, site="NOWHERE")
    assert not list(tmp_path.iterdir())


def test_write_sheets_gives_the_same_bytes_twice(tmp_path, network):
    first = write_sheets(tmp_path / "a", network, season=2025)
    second = write_sheets(tmp_path / "b", network, season=2025)
    assert [path.read_bytes() for path in first] == [path.read_bytes() for path in second]
