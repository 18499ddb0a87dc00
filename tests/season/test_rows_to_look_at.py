import pandas as pd
import pytest

from culmbook.season.received import (
    REPAIRED,
    SEVERAL,
    UNLIKE,
    WHY_FIRST,
    problems_of_season,
    rows_to_look_at,
    stand_surprises,
)

PROBLEMS = ["code", "severity", "file", "line", "column", "value", "rule", "mend", "table", "site"]
CORRECTIONS = [
    "table",
    "key",
    "column",
    "old_value",
    "new_value",
    "by",
    "on",
    "why",
    "applied",
    "outcome",
]


def latest(shares, **columns):
    """Plots of one hybrid with their share alive."""
    names = [f"{i:02d}" for i in range(1, len(shares) + 1)]
    frame = {
        "site": "A",
        "trial": "T",
        "plot": names,
        "hybrid": "H1",
        "planting_method": "hand",
        "film": "none",
        "occasion": "autumn",
        "status": "ok",
        "counted_on": pd.Timestamp("2025-10-07"),
        "missing_share": [1 - s for s in shares],
    }
    return pd.DataFrame({**frame, **columns})


def problems(*rows):
    names = ("code", "severity", "file", "line", "column")
    frame = pd.DataFrame([dict(zip(names, row)) for row in rows], columns=PROBLEMS)
    frame = frame.assign(
        site="A", table="harvests", value="9", mend="m", rule="rule " + frame["code"]
    )
    text = dict.fromkeys(set(PROBLEMS) - {"line"}, "str")
    return frame.astype({"line": "Int64", **text})


def corrections(*outcomes):
    rows = [
        ["harvests", "A, 01", "x", "1", "2", "me", "d", "w", applied, text]
        for applied, text in outcomes
    ]
    return pd.DataFrame(rows, columns=CORRECTIONS)


NO_SURPRISE = stand_surprises(latest([1.0]))


def test_a_plot_outside_its_hybrids_range_is_found():
    found = stand_surprises(latest([0.9, 0.8, 0.9, 0.75, 0.82, 0.1]))
    assert found["plot"].tolist() == ["06"] and found["n_others"].tolist() == [5]
    assert found.loc[0, ["share", "others_low", "others_high"]].tolist() == pytest.approx(
        [0.1, 0.75, 0.9]
    )


def test_the_middle_one_of_three_is_spared():
    assert stand_surprises(latest([0.9, 0.5, 0.1]))["plot"].tolist() == ["01", "03"]


def test_the_difference_is_measured_from_the_nearest_other_plot():
    assert len(stand_surprises(latest([0.50, 0.55, 0.84]), 0.3)) == 0
    assert len(stand_surprises(latest([0.50, 0.55, 0.86]), 0.3)) == 1


def test_two_plots_cannot_say_which_is_odd():
    assert stand_surprises(latest([0.9, 0.1])).empty


def test_other_treatments_dates_and_lost_plots_are_no_yardstick():
    for name, values in (
        ("film", ["none", "none", "film"]),
        ("occasion", ["autumn", "autumn", "summer"]),
        ("status", ["ok", "ok", "damaged"]),
        ("hybrid", ["H1", "H1", "H2"]),
    ):
        assert stand_surprises(latest([0.9, 0.9, 0.1], **{name: values})).empty


def test_an_uncounted_plot_is_not_judged():
    assert stand_surprises(latest([0.9, 0.9, 0.1], missing_share=[0.1, 0.1, None])).empty


def test_a_difference_that_is_no_share_is_refused():
    with pytest.raises(ValueError, match="difference = 30"):
        stand_surprises(latest([1, 1, 1]), 30)


def test_the_order_is_the_stated_one():
    found = problems(
        ("N-CASE", "note", "f", 1, "x"),
        ("N-OBSERVER", "note", "f", 2, "x"),
        ("N-PRODUCT", "note", "f", 3, "x"),
        ("N-RANGE", "note", "f", 4, "x"),
        ("N-OCCASION", "note", "f", 5, "x"),
        ("N-FALL", "note", "f", 6, "x"),
        ("N-SLIP", "note", "f", 7, "x"),
        ("N-LABEL", "note", "f", 8, "x"),
        ("N-RANGE", "note", "f", 9, "x"),
        ("N-SLIP", "note", "f", 9, "y"),
        ("E-RANGE", "error_row", "f", 10, "x"),
        ("E-SHEET", "error_file", "g", None, None),
        ("E-MISSING", "error_file", "h", None, None),
    )
    odd = stand_surprises(latest([0.9, 0.8, 0.1]))
    listed = rows_to_look_at(found, corrections((False, "old value not there")), odd)
    assert listed["why"].tolist() == list(WHY_FIRST)


def test_one_row_is_one_entry_with_all_its_faults():
    found = problems(
        ("N-RANGE", "note", "f", 9, "x"),
        ("N-SLIP", "note", "f", 9, "y"),
        ("E-A", "error_row", "f", 7, "x"),
        ("N-B", "note", "f", 7, "y"),
    )
    listed = rows_to_look_at(found, corrections(), NO_SURPRISE)
    assert listed["why"].tolist() == ["row refused", SEVERAL]
    assert listed["where"].tolist() == ["f, line 7, x, y", "f, line 9, x, y"]
    assert listed["rule"].tolist() == ["rule E-A; rule N-B", "rule N-RANGE; rule N-SLIP"]


def test_rows_refused_alike_are_one_entry_with_their_count():
    rows = [("E-DATE", "error_row", "f", line, "x") for line in range(4, 76)]
    found = problems(*rows, ("E-DATE", "error_row", "f", 9, "y"), ("N-SLIP", "note", "f", 5, "y"))
    found["rule"] = [f"{line} March or 3 May?" for line in found["line"]]
    listed = rows_to_look_at(found, corrections(), NO_SURPRISE)
    assert listed["where"].tolist() == ["f, line 4, x", "f, line 5, y"]
    assert "[72 more of this kind: lines 5, 6, 7" in listed["rule"].iat[0]


def test_notes_about_a_whole_file_are_left_out():
    found = problems(("N-ENCODING", "note", "f", None, None), ("N-HEADER", "note", "f", 1, None))
    assert rows_to_look_at(found, corrections(), NO_SURPRISE).empty


def test_an_unknown_kind_of_note_comes_last():
    listed = rows_to_look_at(problems(("N-NEW", "note", "f", 1, "x")), corrections(), NO_SURPRISE)
    assert listed["why"].tolist() == [REPAIRED]


def test_a_correction_that_applied_needs_no_look():
    listed = rows_to_look_at(
        problems(), corrections((True, "applied"), (False, "gone")), NO_SURPRISE
    )
    assert listed["rule"].tolist() == ["gone"] and listed["value"].tolist() == ["from “1” to “2”"]


def test_a_surprise_names_plot_share_and_the_others():
    row = rows_to_look_at(problems(), corrections(), stand_surprises(latest([0.8, 0.8, 0.1]))).iloc[
        0
    ]
    assert (row["why"], row["where"], row["value"]) == (UNLIKE, "plot 03", "10 % alive")
    assert row["rule"] == "the hybrid’s other 2 plots of that treatment have 80 %"


def test_clean_data_need_no_look():
    assert rows_to_look_at(problems(), corrections(), NO_SURPRISE).empty


def test_notes_on_other_seasons_are_left_to_their_reports():
    found = problems(
        ("N-RANGE", "note", "f", 2, "x"),
        ("N-RANGE", "note", "f", 3, "x"),
        ("E-RANGE", "error_row", "f", 4, "x"),
        ("N-HEADER", "note", "f", None, None),
    )
    rows = pd.DataFrame({"source_file": "f", "source_line": [2, 3], "growing_season": [2024, 2025]})
    kept = problems_of_season(found, {"harvests": rows}, 2025)
    assert kept["line"].tolist()[:2] == [3, 4] and len(kept) == 3
