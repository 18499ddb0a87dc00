"""Reading whole network folders: sites apart, rows kept, settings, corrections, hostile names."""

import subprocess
import sys
import time
from datetime import date

import pandas as pd
import pytest

from culmbook.sheets.check import check
from culmbook.sheets.dictionary import empty_table, tables
from culmbook.sheets.read import read_network, resolve_data
from small_network import PLOTS, TODAY, Sheet, small_network, write_network


def read(folder, sheets=None, **how):
    return read_network(write_network(folder, sheets or small_network()), today=TODAY, **how)


def codes(network, severity=None):
    problems = network.problems
    return list(
        problems["code"]
        if severity is None
        else problems.loc[problems["severity"] == severity, "code"]
    )


def test_good_network_reads_without_a_word(tmp_path):
    network = read(tmp_path)
    assert network.problems.empty
    assert set(network.tables) == set(tables())
    assert (network.files["rows"] == network.files["rows_kept"]).all()
    assert network.stopped("S01", "stand_counts", "weather") is None
    assert not network.is_incomplete("all")


def test_frames_have_the_dtypes_of_the_dictionary(tmp_path):
    network = read(tmp_path)
    for name, frame in network.tables.items():
        assert frame.dtypes.to_dict() == empty_table(name).dtypes.to_dict(), name


def test_values_are_those_of_the_sheet(tmp_path):
    row = read(tmp_path).tables["harvests"].iloc[0]
    assert (row["plot"], row["growing_season"], row["fresh_mass_kg"]) == ("001", 2024, 4.5)
    assert row["harvested_on"] == pd.Timestamp("2025-02-20") and row["source_line"] == 2


def test_unfrozen_control_is_a_value_and_blank_temperature_is_refused(tmp_path):
    sheets = small_network()
    sheets["freeze_tests.csv"].put(3, "temperature_c", "")
    network = read(tmp_path, sheets)
    assert network.tables["freeze_tests"]["temperature_c"].isna().sum() == 4
    assert codes(network) == ["E-NUMBER"] and network.problems["line"].iat[0] == 3


def test_refused_file_stops_only_its_site_and_tables(tmp_path):
    sheets = small_network()
    sheets["S02/weather.csv"] = small_network()["S01/weather.csv"].put_all("site", "S02")
    sheets["S01/weather.csv"].drop("date")
    network = read(tmp_path, sheets)
    assert "weather.csv was refused" in network.stopped("S01", "weather")
    assert network.stopped("S01", "stand_counts") is None
    assert network.stopped("S02", "weather") is None
    assert (
        network.is_incomplete("S01")
        and not network.is_incomplete("S02")
        and network.is_incomplete("all")
    )


def test_refused_layout_stops_what_needs_plots_without_refusing_every_row(tmp_path):
    sheets = small_network()
    sheets["S01/plots.csv"].drop("hybrid")
    network = read(tmp_path, sheets)
    assert codes(network, "error_row") == []
    assert network.stopped("S01", "stand_counts") and network.stopped("S02", "plots") is None


def test_refused_plot_row_names_its_line_in_the_rows_that_need_it(tmp_path):
    sheets = small_network()
    sheets["S01/plots.csv"].put(2, "film", "plastic")
    network = read(tmp_path, sheets)
    errors = network.problems[network.problems["table"] == "stand_counts"]
    assert set(errors["code"]) == {"E-LAYOUT"} and set(errors["line"]) == {2, 3, 4}
    assert errors["rule"].str.contains("S01/plots.csv, line 2").all()


def test_missing_table_stops_by_name(tmp_path):
    sheets = small_network()
    del sheets["hybrids.csv"]
    network = read(tmp_path, sheets)
    assert "E-MISSING" in codes(network)
    assert "hybrids" in network.stopped("S01", "plots")


def test_one_site_reads_its_own_files_only(tmp_path):
    sheets = small_network()
    sheets["S02/harvests.csv"] = b"\0"
    network = read(tmp_path, sheets, site="S01")
    assert network.problems.empty
    assert set(network.tables["plots"]["site"]) == {"S01"} and list(
        network.tables["sites"]["site"]
    ) == ["S01"]
    assert not network.files["file"].str.startswith("S02").any()


def test_one_site_gives_the_same_rows_as_all(tmp_path):
    whole, one = read(tmp_path), read_network(tmp_path, site="S01", today=TODAY)
    for name in ("plots", "stand_counts", "weather", "harvests"):
        frame = whole.tables[name]
        pd.testing.assert_frame_equal(
            frame[frame["site"] == "S01"].reset_index(drop=True), one.tables[name]
        )


def test_root_and_site_files_are_one_table(tmp_path):
    sheets = small_network()
    plots = sheets.pop("S02/plots.csv")
    sheets["plots.csv"] = plots
    network = read(tmp_path, sheets)
    assert len(network.tables["plots"]) == 24 and network.problems.empty


def test_one_table_twice_in_a_folder_is_refused(tmp_path):
    sheets = small_network()
    sheets["S01/Harvests.tsv"] = sheets["S01/harvests.csv"].text("\t")
    network = read(tmp_path, sheets)
    assert set(codes(network)) == {"E-SHEET"} and network.stopped("S01", "harvests")
    assert network.tables["harvests"].empty


def test_files_and_folders_of_no_table_are_named(tmp_path):
    sheets = small_network() | {
        "S01/standcounts.csv": "a,b\n1,2\n",
        "README.md": "x",
        "S01/notes.txt": "x",
        ".DS_Store": b"\0",
        "truth/plots.csv": "x",
        "photos/a.jpg": b"x",
        "S09/plots.csv": "x",
        "S01/~$harvests.xlsx": b"x",
        "S01/settings.toml": "k = 1",
    }
    network = read(tmp_path, sheets)
    said = dict(zip(network.problems["file"], network.problems["code"]))
    assert said == {
        "S01/standcounts.csv": "N-SKIPPED",
        "photos": "N-SKIPPED",
        "S09": "E-SITE",
        "S01/~$harvests.xlsx": "N-SKIPPED",
        "S01/settings.toml": "N-SKIPPED",
    }
    mends = dict(zip(network.problems["file"], network.problems["mend"]))
    assert mends["S01/standcounts.csv"] == "did you mean stand_counts?"


def test_unknown_site_and_folder_are_value_errors(tmp_path):
    with pytest.raises(ValueError, match="did you mean S01"):
        read(tmp_path, site="SO1")
    with pytest.raises(ValueError, match="no such folder"):
        resolve_data(tmp_path / "nothing")


HOSTILE = [
    "../x",
    "CON",
    "con",
    "A" * 300,
    "\U0001f33e",
    "a/b",
    "all",
    "Network",
    "..",
    "a.b",
    "lpt1",
    "S 1",
]


@pytest.mark.parametrize("site", HOSTILE)
def test_hostile_site_code_is_refused_and_kept_out(site, tmp_path):
    sheets = small_network()
    sheets["sites.csv"].rows.append([site, "x", "XC", "1", "1", "1", "", ""])
    network = read(tmp_path, sheets)
    assert set(network.problems["code"]) <= {"E-CODE", "E-LONG"} and len(network.problems) == 1
    assert network.problems["line"].iat[0] == 4
    assert list(network.tables["sites"]["site"]) == ["S01", "S02"]


def test_sites_that_differ_in_case_only_are_refused(tmp_path):
    sheets = small_network()
    sheets["sites.csv"].rows.append(["s01", "x", "XC", "1", "1", "1", "", ""])
    problems = read(tmp_path, sheets).problems
    assert problems.loc[problems["file"] == "sites.csv", "code"].tolist() == [
        "E-DUPLICATE",
        "E-DUPLICATE",
    ]


def test_hybrid_names_may_hold_any_printable_text(tmp_path):
    sheets = small_network()
    name = "#a_*<script>$\\@ü"
    for path in ("hybrids.csv", "S01/plots.csv", "S02/plots.csv", "freeze_tests.csv"):
        sheets[path].put_all("hybrid", lambda text: name if text == "H001" else text)
    network = read(tmp_path, sheets)
    assert network.problems.empty
    assert name in set(network.tables["plots"]["hybrid"])


CORRECTIONS = "table,key,column,old_value,new_value,by,on,why"


def corrected(tmp_path, *rows, **how):
    sheets = small_network() | {"corrections.csv": Sheet(CORRECTIONS, [list(row) for row in rows])}
    return read(tmp_path, sheets, **how)


def test_correction_applies_while_its_old_value_stands(tmp_path):
    network = corrected(
        tmp_path,
        ("harvests", "S01/001/2024", "fresh_mass_kg", "4.5", "5.25", "AB", "2025-03-01", "typo"),
    )
    assert network.tables["harvests"]["fresh_mass_kg"].iat[0] == 5.25
    assert network.corrections["applied"].tolist() == [True]
    assert "4.5," in (tmp_path / "S01/harvests.csv").read_text()


def test_correction_with_another_old_value_changes_nothing_and_says_so(tmp_path):
    network = corrected(
        tmp_path,
        ("harvests", "S01/001/2024", "fresh_mass_kg", "4.4", "5.25", "AB", "2025-03-01", "typo"),
        ("harvests", "S01/099/2024", "ash_pct", "1", "2", "AB", "2025-03-01", "typo"),
        ("harvest", "S01/001/2024", "ash_pct", "1", "2", "AB", "2025-03-01", "typo"),
    )
    assert network.tables["harvests"]["fresh_mass_kg"].iat[0] == 4.5
    assert network.corrections["outcome"].tolist() == [
        "not applied: “4.5” stands there, not “4.4”",
        "no such row",
        "harvest is no table",
    ]
    assert codes(network) == ["N-CORRECTION"] * 3


def test_correction_can_mend_a_refused_row_and_a_key(tmp_path):
    sheets = small_network() | {
        "corrections.csv": Sheet(
            CORRECTIONS,
            [
                [
                    "stand_counts",
                    "S01/001/2024-06-20",
                    "plants_alive",
                    "3O",
                    "35",
                    "AB",
                    "2025-03-01",
                    "letter O",
                ],
                [
                    "stand_counts",
                    "S01/02/2024-06-20",
                    "plot",
                    "02",
                    "002",
                    "AB",
                    "2025-03-01",
                    "zero lost",
                ],
            ],
        )
    }
    sheets["S01/stand_counts.csv"].put(2, "plants_alive", "3O").put(5, "plot", "02")
    network = read(tmp_path, sheets)
    assert network.corrections["applied"].all(), network.corrections.to_string()
    assert len(network.tables["stand_counts"]) == 36


def test_correction_that_makes_a_bad_value_is_refused_like_any_other(tmp_path):
    network = corrected(
        tmp_path,
        ("harvests", "S01/001/2024", "fresh_mass_kg", "4.5", "-1", "AB", "2025-03-01", "x"),
    )
    assert codes(network) == ["E-RANGE"]


def test_correction_of_another_site_is_left_aside(tmp_path):
    network = corrected(
        tmp_path,
        ("plots", "S02/001", "status_reason", "", "x", "AB", "2025-03-01", "x"),
        site="S01",
    )
    assert network.corrections.empty and network.problems.empty


def test_check_reports_and_exits_by_what_was_refused(tmp_path):
    good, bad = tmp_path / "good", tmp_path / "bad"
    assert check(write_network(good, small_network()), today=TODAY)[1] == 0
    sheets = small_network()
    sheets["S01/weather.csv"].put(7, "date", "2025-02-30").put(9, "air_temperature_max_c", "hot")
    report, status = check(write_network(bad, sheets), today=TODAY)
    assert status == 1
    for words in (
        "S01/weather.csv",
        "line 7, column date",
        "2025-02-30",
        "line 9",
        "“hot”",
        "2 refused rows",
        "Incomplete: S01.",
    ):
        assert words in report
    assert check(tmp_path / "none")[1] == 2


def test_demo_network_reads_whole_and_fast():
    started = time.process_time()
    network = read_network("data/demo", today=date(2026, 12, 31))
    assert (
        time.process_time() - started < 6
    )  # seconds of one core; a third of it on a quiet machine
    assert not network.is_incomplete("all"), network.problems[
        network.problems["severity"] != "note"
    ]
    assert network.corrections["applied"].all()


MILLION = """
import resource, sys, time
from datetime import date
from culmbook.sheets.read import read_network
started = time.monotonic()
network = read_network(sys.argv[1], today=date(2025, 12, 31))
memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024  # MB
print(len(network.tables["stem_measures"]), len(network.problems), time.monotonic() - started, memory)
"""


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="memory is asked of a POSIX system")
def test_a_million_rows_read_within_a_minute_and_two_gigabytes(tmp_path):
    sheets = {
        name: sheet
        for name, sheet in small_network().items()
        if name.split("/")[-1] in ("sites.csv", "hybrids.csv", "plots.csv", "stem_measures.csv")
    }
    stems = sheets["S01/stem_measures.csv"]
    rows = [
        f"S01,{plot},2025,2025-11-20,{plant},{20 + plant % 7},{150 + plant % 83 / 10:.1f},ligule,"
        f"{8 + plant % 9 / 10:.1f},{24 + plant % 11 / 10:.1f},0.{20 + plant % 5}"
        for plot in PLOTS[:10]
        for plant in range(1, 100_001)
    ]
    sheets["S01/stem_measures.csv"] = "\n".join([",".join(stems.header), *rows]) + "\n"
    del rows
    done = subprocess.run(
        [sys.executable, "-c", MILLION, write_network(tmp_path, sheets)],
        capture_output=True,
        text=True,
    )
    n, n_problems, seconds, memory = map(float, done.stdout.split())
    assert (n, n_problems) == (1_000_000, 0)
    assert seconds < 60 and memory < 2000


def test_stray_folder_stops_no_site_but_is_told(tmp_path):
    network = read(tmp_path, small_network() | {"S09/plots.csv": "x"})
    assert network.stopped("S01", "plots") is None and network.is_incomplete("all")


def test_site_without_layout_sets_its_rows_aside_with_one_refusal(tmp_path):
    sheets = small_network()
    sheets["S01/plots.csv"].drop("hybrid")
    network = read(tmp_path, sheets)
    problems = network.problems[network.problems["table"] == "stand_counts"]
    assert problems["code"].tolist() == ["E-LAYOUT"] and "36 rows of S01" in problems["rule"].iat[0]
    assert network.tables["stand_counts"].empty and len(network.tables["weather"]) == 36


def test_folder_in_other_case_is_named_also_when_one_site_is_read(tmp_path):
    sheets = {name.replace("S01/", "s01/"): sheet for name, sheet in small_network().items()}
    problems = read(tmp_path, sheets, site="S01").problems
    assert (
        problems["code"].tolist() == ["E-SITE", "E-MISSING"]
        and problems["mend"].iat[0] == "did you mean S01?"
    )


def test_crop_type_outside_the_settings_is_noted(tmp_path):
    problems = read(tmp_path, small_network() | {"settings.toml": 'crop_types = ["two"]'}).problems
    assert problems["code"].tolist() == ["N-CROPTYPE"] * 4


def test_check_names_the_cause_before_its_consequences(tmp_path):
    sheets = small_network()
    sheets["S01/plots.csv"].drop("hybrid")
    sheets["S01/weather.csv"].put(9, "air_temperature_max_c", "hot")
    report, _ = check(write_network(tmp_path, sheets), today=TODAY)
    of_site = report.split("Site S01\n")[1]
    files = [line.strip() for line in of_site.splitlines() if line.startswith("  S01/")]
    assert (
        "E-LAYOUT" in report
        and files[:2] == ["S01/plots.csv", "S01/weather.csv"]
        and len(files) > 3
    )


def test_check_can_keep_to_one_site_and_to_what_is_refused(tmp_path):
    sheets = small_network()
    sheets["S01/stand_counts.csv"].put(2, "plants_alive", "many").put(3, "plants_alive", "=1+1")
    sheets["S01/harvests.csv"].put_all("ash_pct", "")
    sheets["S02/plots.csv"].put(2, "status", "fine")
    folder = write_network(tmp_path, sheets)
    whole, _ = check(folder, today=TODAY)
    errors, status = check(folder, site="S01", errors_only=True, today=TODAY)
    assert "N-ALLMISSING" in whole and "S02/plots.csv" in whole
    assert status == 1 and "E-NUMBER" in errors and "[N-" not in errors and "S02" not in errors
    assert errors.count(" 1 note.") == 1 and check(folder, site="S09", today=TODAY)[1] == 2
