"""Sheets as people type them: own headings, wide, other units, words and dates; the tables are the
same.
"""

import random
import tomllib
from datetime import date

import pandas as pd
import pytest

from culmbook.command import main
from culmbook.sheets.check import check
from culmbook.sheets.crosschecks import dry_yield
from culmbook.sheets.headings import AllHeadings, conversion, vocabulary
from culmbook.sheets.proposals import propose
from culmbook.sheets.read import read_network
from culmbook.sheets.values import date_order, read_date
from small_network import PLOTS, TODAY, Sheet, small_network, write_network


def one_site():
    return {name: sheet for name, sheet in small_network().items() if "S02" not in name}


def published():
    sheets = one_site()
    sheets["sites.csv"].rows.pop()
    return sheets, ""


def own_headings():
    """Headings in other words, constants, value words, metres and pounds."""
    sheets, _ = published()
    plots, stems = sheets["S01/plots.csv"], sheets["S01/stem_measures.csv"]
    for name in ("status", "planting_method", "status_reason", "status_cause", "site"):
        plots.drop(name)
    plots.put_all("film", "nein")
    heads = {"plot": "Parz.-Nr.", "hybrid": "Sorte", "planted_on": "gepflanzt am", "film": "Folie"}
    plots.header = [heads.get(name, name) for name in plots.header]
    stems.put_all("stem_height_cm", lambda cm: f"{float(cm) / 100:.6g}")
    stems.header[stems.place("stem_height_cm")] = "Höhe (m)"
    return (
        sheets,
        """
[plots]
"Parz.-Nr." = "plot"
Sorte = "hybrid"
"gepflanzt am" = "planted_on"
Folie = "film"
values.film = {ja = "film", nein = "none"}
constants = {status = "ok", planting_method = "machine"}

["S01/stem_measures.csv"]
"Höhe (m)" = {column = "stem_height_cm", unit = "m"}
""",
    )


def wide():
    """A column for each day of counting."""
    sheets, _ = published()
    long = sheets["S01/stand_counts.csv"]
    days = {}
    for row in long.rows:
        days.setdefault((row[2], row[3]), {})[row[1]] = row[4]
    rows = [["S01", plot, 0, "no", 0, "AB", *(days[day][plot] for day in days)] for plot in PLOTS]
    header = "site,plot,plants_replanted,emerged_late,replants_alive,observer,20.06.2024,05.10.2024,22.06.2025"
    sheets["S01/stand_counts.csv"] = Sheet(header, rows)
    said = zip(("20.06.2024", "05.10.2024", "22.06.2025"), days)
    row = '"{}" = {{column = "plants_alive", counted_on = {}, occasion = "{}"}}\n'
    return sheets, "[stand_counts]\n" + "".join(row.format(head, *day) for head, day in said)


def of_another_country():
    """Semicolons, decimal commas, day.month.year."""
    sheets, _ = published()
    for path, sheet in sheets.items():
        for row in sheet.rows:
            for i, cell in enumerate(row):
                row[i] = (
                    ".".join(cell.split("-")[::-1])
                    if cell[:2] == "20" and cell[4:5] == "-"
                    else cell
                )
                is_number = cell.replace(".", "", 1).isdigit() and "." in cell
                row[i] = cell.replace(".", ",") if is_number else row[i]
        sheets[path] = sheet.text(";")
    return sheets, ""


@pytest.fixture(scope="module")
def expected(tmp_path_factory):
    return tables_of(tmp_path_factory.mktemp("published"), *published())[1]


def tables_of(folder, sheets, said):
    files = sheets | ({"headings.toml": said} if said else {})
    network = read_network(write_network(folder, files), today=TODAY)
    assert (network.problems["severity"] == "note").all(), network.problems.to_string()
    where = ["source_file", "source_line"]
    return network, {name: frame.drop(columns=where) for name, frame in network.tables.items()}


@pytest.mark.parametrize("typed", [own_headings, wide, of_another_country])
def test_the_same_trial_typed_otherwise_gives_the_same_tables(typed, expected, tmp_path):
    network, found = tables_of(tmp_path, *typed())
    for name, frame in expected.items():
        pd.testing.assert_frame_equal(found[name], frame, check_exact=True, obj=name)
    if typed is own_headings:
        rules = " ".join(network.problems.query("code == 'N-HEADINGS'")["rule"])
        assert "converted from m to cm" in rules and "nein = none" in rules
        assert "in every row: the file has no such column" in rules


def test_a_correction_finds_its_row_in_a_wide_sheet(tmp_path):
    sheets, said = wide()
    keys = ["S01/003/2024-10-05,plants_alive,30,29", "S01/003/2024-10-05,observer,AB,CD"]
    rows = [f"stand_counts,{key},AB,2025-01-01,typo" for key in keys]
    sheets["corrections.csv"] = "\n".join(["table,key,column,old_value,new_value,by,on,why", *rows])
    _, found = tables_of(tmp_path, sheets, said)
    of_plot = found["stand_counts"].query("plot == '003'")
    assert of_plot["plants_alive"].tolist() == [33, 29, 28]
    assert of_plot["observer"].tolist() == ["AB", "CD", "AB"]


def test_yields_per_hectare_in_another_unit_give_the_same_dry_yields(expected, tmp_path):
    dry = dry_yield(expected["harvests"])[1]
    sheets, _ = published()
    harvests = sheets["S01/harvests.csv"]
    for name in ("fresh_mass_kg", "harvested_area_m2", "subsample_fresh_g", "subsample_dry_g"):
        harvests.drop(name)
    kept = expected["harvests"].assign(dry=10 * dry).set_index(["plot", "growing_season"])["dry"]
    harvests.header.append("Ertrag dt/ha")
    for row in harvests.rows:
        row.append(f"{kept[row[1], int(row[2])]:.17g}")
    said = '[harvests]\n"Ertrag dt/ha" = {column = "dry_yield_t_ha", unit = "dt/ha"}'
    _, found = tables_of(tmp_path / "typed", sheets, said)
    assert dry_yield(found["harvests"])[1].to_numpy() == pytest.approx(dry.to_numpy(), rel=1e-11)
    with pytest.raises(AssertionError):  # unless it says so
        tables_of(tmp_path / "unsaid", sheets, "")


# ---- stated in headings.toml, and wrong


def problems_of(folder, said, sheets=None):
    files = (sheets or one_site()) | {"headings.toml": said}
    return read_network(write_network(folder, files), today=TODAY).problems


@pytest.mark.parametrize(
    ("said", "line", "words"),
    [
        ('[plot]\nA = "plot"', 1, "did you mean plots?"),
        ('[plots]\nA = "plt"', 2, "did you mean plot?"),
        ("[plots]\nA = 3", 2, "no column is named"),
        ('[plots]\nA = {column = "plot", unit = "kg"}', 2, "kg cannot be turned into"),
        ('[harvests]\nA = {column = "fresh_mass_kg", unit = "t/ha"}', 2, "t/ha cannot be turned"),
        ('[plots]\n"Length (ft)" = "plot_length_m"', 2, 'unit = "ft"'),
        (
            '[plots]\n"L (ft)" = {column="plot_length_m", unit="cm"}',
            2,
            "names ft, but cm is stated",
        ),
        ('dates = "dym"', 1, '"dmy", "mdy" or "ymd"'),
        ('constants = {status = "ok", stat = "ok"}', 1, "no column of any table"),
        ('[plots]\nconstants = {stat = "ok"}', 2, "did you mean status?"),
        ('[plots]\nvalues.film = {ja = "foil"}', 2, "foil is no value of film"),
        ("[plots]\nvalues = 3", 2, "name = value pairs"),
        ('[plots]\nA = {column = "row", unit = ["x"]}', 2, "unit"),
        ("plots = 3", 1, "write [plots]"),
        ('[plots]\nA = {column = "row", unit = "m"}', 2, "m cannot be turned into row number"),
        (
            '[plots]\n"L (ft)" = {column="plot_length_m", unit="ft"}\nM = "plot_length_m"',
            3,
            "one unit",
        ),
        ('[plots]\n"Plot No." = "plot"\n"PLOT NO." = "row"', 3, "“Plot No.” reads the same"),
        ('[plots]\nvalues.film = {ja = "film", Ja = "none"}', 2, "two words of film read the same"),
        ("[plots", None, "cannot be read"),
    ],
)
def test_what_headings_toml_cannot_mean_is_refused_with_its_line(said, line, words, tmp_path):
    (tmp_path / "headings.toml").write_text(said)
    found = AllHeadings(tmp_path).problems
    assert [p.code for p in found] == ["E-HEADINGS"] and found[0].line == line
    assert words in f"{found[0].rule} {found[0].mend}"


def test_many_faults_of_headings_toml_are_all_told_and_break_nothing(tmp_path):
    found = problems_of(
        tmp_path,
        """constants = ""
[stem_measures]
stem_height_cm = {column = "stem_height_cm", unit = 3}
constants = {column = "plot", unit = 3}
values = {column = "plot"}
dates = {x = 1}
[stand_counts]
plot = {column = "", unit = "m"}
plants_alive = {column = "plants_alive", day = "x"}
""",
    )
    told = found.query("code == 'E-HEADINGS'")
    assert sorted(told["line"]) == [1, 3, 4, 4, 5, 5, 6, 9], told.to_string()


def test_a_unit_named_twice_otherwise_and_a_doubled_heading_are_refused(tmp_path):
    sheets = one_site()
    sheets["S01/plots.csv"].header[1] = "Plot no"
    sheets["S01/plots.csv"].header[9] = "Plot No"
    found = problems_of(tmp_path, '[plots]\n"Plot no" = "plot"', sheets)
    assert "E-DUPHEADER" in set(found["code"])
    assert "“Plot no” and “Plot No”" in " ".join(found["rule"])


def test_a_file_without_header_says_what_was_read(tmp_path):
    sheets = one_site() | {"S01/weather.csv": "Tag;Tmin;Tmax\n1.6.2025;4,5;20\n"}
    said = problems_of(tmp_path, "", sheets).query("code == 'E-HEADER'")
    assert len(said) == 1 and "line 1 reads “Tag | Tmin | Tmax”" in said["rule"].iat[0]
    assert said["line"].isna().all() and "culmbook headings" in said["mend"].iat[0]


def test_pounds_inches_and_fahrenheit_are_converted_by_their_definitions():
    # international pound and inch (1959); °F from the fixed points 32 and 212
    assert conversion("lb", "kg")[0] == pytest.approx(0.45359237, rel=1e-15)
    assert conversion("in", "mm")[0] == pytest.approx(25.4, rel=1e-15)
    factor, offset = conversion("°F", "°C")
    assert [round(f * factor + offset, 12) for f in (32, 212)] == [0, 100]
    assert conversion("dt/ha", "t/ha")[0] == 0.1 and conversion("kg", "t/ha") is None


# ---- dates


def ambiguous(said=""):
    sheets = one_site()
    for day, other in (("2024-06-20", "07/06/2024"), ("2024-10-05", "07/10/2024")):
        sheets["S01/stand_counts.csv"].put_all(
            "counted_on", lambda d, a=day, b=other: b if d == a else d
        )
    return sheets | ({"headings.toml": said} if said else {})


def test_an_ambiguous_column_is_one_cause_with_its_count_and_its_cure(tmp_path):
    report, _ = check(write_network(tmp_path, ambiguous()), today=TODAY, errors_only=True)
    told = [line for line in report.splitlines() if "E-DATE" in line]
    assert len(told) == 1 and "[23 more of this kind: lines 3, 5, 6" in told[0]
    assert 'dates = "dmy"' in told[0] and "plot 001 (H001)" in told[0]


@pytest.mark.parametrize(("order", "month"), [("dmy", 6), ("mdy", 7)])
def test_a_stated_order_settles_the_dates(order, month, tmp_path):
    sheets = ambiguous(f'[stand_counts]\ndates = "{order}"')
    sheets["S01/stand_counts.csv"].rows = sheets["S01/stand_counts.csv"].rows[:1]
    counts = read_network(write_network(tmp_path, sheets), today=TODAY).tables["stand_counts"]
    assert counts["counted_on"].dt.month.tolist() == [month]


def test_dates_with_dots_are_day_first_and_settle_nothing_else():
    assert read_date("05.06.2025", "ambiguous").value == date(2025, 6, 5)
    assert read_date("06.15.2025", "m/d/y").code == "E-DATE"
    assert date_order(["05/06/2025", "15.06.2025"]) == "ambiguous"


# ---- all at once


def test_faults_of_sites_hybrids_plots_and_rows_come_in_one_pass(tmp_path):
    sheets = one_site()
    sheets["sites.csv"].drop("latitude")
    sheets["hybrids.csv"].put(2, "role", "boss")
    sheets["S01/plots.csv"].drop("film").put(3, "hybrid", "H077").put(4, "plants_planted", "x")
    sheets["S01/stand_counts.csv"].put(5, "plants_alive", "99").put(9, "plot", "777")
    sheets["S01/harvests.csv"].put(2, "subsample_dry_g", "9000").put(4, "fresh_mass_kg", "a lot")
    report, status = check(write_network(tmp_path, sheets), today=TODAY, errors_only=True)
    for words in (
        "latitude",
        "boss",
        "film is missing",
        "H077",
        "“x”",
        "“99”",
        "777",
        "9000",
        "a lot",
    ):
        assert words in report, words
    assert status == 1 and "plots.csv is missing" not in report and "line 0" not in report
    assert "nan" not in report and report.splitlines()[-1].startswith("Next: ")


def test_a_missing_table_of_sites_hides_no_other_fault(tmp_path):
    sheets = one_site()
    del sheets["sites.csv"]
    sheets["S01/plots.csv"].put(4, "plants_planted", "x")
    report, _ = check(write_network(tmp_path, sheets), today=TODAY)
    assert "the table sites is missing" in report and "“x”" in report
    assert "the table plots is missing" not in report and "E-SITE" not in report


def test_a_good_network_is_told_what_comes_next(tmp_path):
    report, status = check(write_network(tmp_path, small_network()), today=TODAY)
    next_step = report.splitlines()[-1]
    assert status == 0 and next_step.startswith("All usable. Next: culmbook season")
    assert "--season 2025" in next_step


# ---- proposals


NAMED_BY_HAND = {
    "plot": "Plot no.",
    "hybrid": "Sorte",
    "planted_on": "Pflanzdatum",
    "film": "Mulch film",
    "counted_on": "Date of count",
    "plants_alive": "Living plants",
    "fresh_mass_kg": "Fresh weight (kg)",
    "harvested_on": "Erntedatum",
    "stem_height_cm": "Plant height [cm]",
    "replicate": "Wdh.",
    "growing_season": "Year",
    "latitude": "Lat.",
}


def spoilt(rng, heading, kind, column):
    """Return a heading translated, misspelt or left as it is."""
    if kind == "translated":
        words = vocabulary()["headings"].get(column, [column])
        return rng.choice(words).title()
    letters = list(heading)
    at = rng.randrange(len(letters) - 1)
    edit = rng.choice(("swap", "drop", "double", "change"))
    if edit == "swap":
        letters[at : at + 2] = letters[at + 1], letters[at]
    else:
        letters[at] = {"drop": "", "double": letters[at] * 2, "change": "x"}[edit]
    return "".join(letters)


def proposed(text):
    """Return the columns proposed by (section, heading), comments left out."""
    given = tomllib.loads(text)
    return {
        (section, heading): said if isinstance(said, str) else said["column"]
        for section, said in given.items()
        for heading, said in said.items()
        if heading not in ("values", "constants")
    }


def test_headings_that_people_write_are_proposed(tmp_path):
    sheets = one_site()
    for sheet in sheets.values():
        sheet.header = [NAMED_BY_HAND.get(name, name) for name in sheet.header]
    found = proposed(propose(write_network(tmp_path, sheets)))
    by_hand = {text: name for name, text in NAMED_BY_HAND.items()}
    assert set(found.values()) == set(NAMED_BY_HAND)
    assert all(by_hand[heading] == column for (_, heading), column in found.items())


@pytest.mark.parametrize("kind", ["translated", "misspelt", "doubled", "permuted"])
def test_no_spoilt_heading_is_proposed_for_another_column(kind, tmp_path):
    n_right = 0
    for seed in range(4):
        rng, sheets, truth = random.Random(f"{kind} {seed}"), one_site(), {}
        for path, sheet in sheets.items():
            table = path.split("/")[-1][:-4]
            order = list(range(len(sheet.header)))
            rng.shuffle(order)
            sheet.rows = [[row[i] for i in order] for row in sheet.rows]
            names = sheet.header = [sheet.header[i] for i in order]
            for i in rng.sample(range(len(names)), min(4, len(names))):
                new = names[rng.randrange(len(names))] if kind == "permuted" else None
                if kind == "doubled":
                    new = spoilt(rng, names[i], "misspelt", names[i])
                    sheet.header, sheet.rows = (
                        [*sheet.header, new],
                        [[*r, r[i]] for r in sheet.rows],
                    )
                else:
                    new = new or spoilt(rng, names[i], kind, names[i])
                    sheet.header = [*sheet.header[:i], new, *sheet.header[i + 1 :]]
                truth[table, new] = names[i] if (table, new) not in truth else "two"
        text = propose(write_network(tmp_path / str(seed), sheets))
        for (section, heading), column in proposed(text).items():
            table = section.split("/")[-1].split(".")[0]
            assert truth[table, heading] == column, (seed, table, heading, column)
            n_right += 1
    assert n_right > (10 if kind in ("translated", "misspelt") else -1)


def test_cells_that_do_not_fit_a_heading_stop_its_proposal(tmp_path):
    sheets = one_site()
    plots, stems = sheets["S01/plots.csv"], sheets["S01/stem_measures.csv"]
    plots.header[plots.place("plot")], plots.header[plots.place("hybrid")] = "Variety", "Plot no"
    stems.put_all("stem_height_cm", lambda cm: f"{float(cm) / 100:.6g}")
    stems.header[stems.place("stem_height_cm")] = "Height"
    text = propose(write_network(tmp_path, sheets))
    assert not proposed(text) and "no such hybrid" in text
    assert '# "Height": stem_height_cm?' in text and "outside the" in text


def test_a_wide_sheet_is_proposed_as_a_comment_to_complete(tmp_path):
    text = propose(write_network(tmp_path, wide()[0]))
    said = '"05.10.2024" = {column = "plants_alive", counted_on = "2024-10-05", occasion = "…"}'
    assert f"# {said}" in text and not proposed(text)


def test_a_section_of_no_file_is_told(tmp_path):
    found = problems_of(tmp_path, '["S07/plots.csv"]\nA = "plot"\n[weather]\nDay = "date"')
    assert found.query("column == 'S07/plots.csv'")["rule"].tolist() == [
        "no file of the network is meant"
    ]
    assert "no heading of this file" in found.query("value == 'Day'")["rule"].iat[0]


def test_the_command_writes_only_when_asked_and_never_over_a_file(tmp_path, capsys):
    sheets = one_site()
    sheets["S01/plots.csv"].header[sheets["S01/plots.csv"].place("plot")] = "Parzelle"
    folder = write_network(tmp_path, sheets)
    assert main(["headings", str(folder)]) == 0
    assert 'Parzelle" = "plot"' in capsys.readouterr().out
    assert not (folder / "headings.toml").exists()
    assert main(["headings", str(folder), "--write"]) == 0
    assert (read_network(folder, today=TODAY).problems["severity"] == "note").all()
    (folder / "headings.toml").write_text("[plots]\n")
    assert main(["headings", str(folder), "--write"]) == 1
    assert (folder / "headings.toml").read_text() == "[plots]\n"
    assert main(["headings", str(folder / "none")]) == 2
