"""One cell at a time: read exactly, or refused with both readings named (common practice, no
source).
"""

from datetime import date

import pytest

from culmbook.sheets.dictionary import tables
from culmbook.sheets.values import (
    both_orders,
    check_range,
    date_order,
    decimal_mark,
    did_you_mean,
    odd_spaces,
    read_choice,
    read_code,
    read_date,
    read_number,
    read_text,
    read_whole,
)


@pytest.mark.parametrize(
    "text, value",
    [
        ("1.5", 1.5),
        ("+1.5", 1.5),
        (" 1.5 ", 1.5),
        ("-0.25", -0.25),
        (".5", 0.5),
        ("007", 7.0),
        ("0", 0.0),
        ("-0", 0.0),
        ("1.2340", 1.234),
    ],
)
def test_plain_number_is_read_without_a_word(text, value):
    reading = read_number(text, ".")
    assert (reading.value, reading.code) == (value, "")


@pytest.mark.parametrize(
    "text",
    [
        "1e2",
        "1_0",
        "0x1F",
        "١٢",
        "１",
        "½",
        "inf",
        "nan%",
        "5.",
        ".",
        "1.2.3",
        "--1",
        "1-",
        "+",
        "1 2",
        "TRUE",
        "1,2,3",
    ],
)
def test_text_that_a_program_would_guess_is_no_number(text):
    reading = read_number(text, ".")
    assert reading.value is None and reading.code in ("E-NUMBER", "N-MISSING")


def test_mark_of_the_other_kind_is_refused_with_its_mend():
    assert read_number("1,5", ".").mend == "write 1.5"
    assert read_number("150.5", ",").mend == "write 150,5"
    assert "1234 or 1.234" in read_number("1,234", ".").rule
    assert read_number("1.234,5", ",").mend == "write 1234,5"
    assert read_number("1,234,567", ".").mend == "write 1234567"


def test_unsettled_file_reads_no_marked_number():
    assert read_number("1.5", None).code == "E-NUMBER" and read_number("15", None).value == 15


def test_whole_number():
    assert read_whole("30", ".").value == 30
    assert read_whole("30.0", ".").code == "N-NUMBER" and read_whole("30.0", ".").value == 30
    assert read_whole("30.5", ".").code == "E-NUMBER"


@pytest.mark.parametrize(
    "texts, mark",
    [
        (["1.5", "2"], "."),
        (["1,5", "2"], ","),
        (["0,345"], ","),
        (["1,234"], None),
        (["1,5", "1.5"], None),
        (["1,5", "2,5", "1.5"], ","),
        ([], "."),
        (["12,3456"], ","),
        (["1.234"], "."),
    ],
)
def test_decimal_mark_is_the_files(texts, mark):
    assert decimal_mark(texts) == mark


def test_thousands_points_of_a_semicolon_file_stay_open():
    assert decimal_mark(["1.234", "12.345"], ";") is None and decimal_mark(["0.234"], ";") == "."


@pytest.mark.parametrize(
    "texts, order",
    [
        (["15/06/2025"], "d/m/y"),
        (["06/15/2025"], "m/d/y"),
        (["05/05/2025"], "d/m/y"),
        (["05/06/2025"], "ambiguous"),
        (["15/06/2025", "06/15/2025"], "contradictory"),
        (["99/99/2025", "15.06.2025"], "d/m/y"),
    ],
)
def test_order_of_dates_is_the_files(texts, order):
    assert date_order(texts) == order


def test_both_orders_of_a_date():
    assert both_orders("05/06/2025") == (date(2025, 6, 5), date(2025, 5, 6))
    assert both_orders("2025-06-05") is None


def test_unclear_date_names_both_days():
    reading = read_date("05/06/2025", "ambiguous")
    assert reading.value is None and "5 June or 6 May" in reading.rule


@pytest.mark.parametrize(
    "text",
    [
        "2025-02-30",
        "0000-00-00",
        "1900-01-00",
        "1025-06-15",
        "2O25-06-15",
        "25-06-15",
        "45823",
        "June 2025",
        "2025-06",
        "2025-06-15T25:00",
        "2025-06/15",
    ],
)
def test_no_day_is_refused(text):
    assert read_date(text, "d/m/y").code == "E-DATE"


def test_leap_day_and_time():
    assert read_date("2024-02-29", "d/m/y").value == date(2024, 2, 29)
    stamped = read_date("2025-06-15T23:30:00Z", "d/m/y")
    assert stamped.value == date(2025, 6, 15) and "time dropped" in stamped.rule


def test_choice_wins_over_missing_spelling():
    assert read_choice("none", ("none", "film")).value == "none"
    assert read_choice("none", ("yes", "no")).code == "N-MISSING"
    assert read_choice("plastic", ("none", "film")).code == "E-CODE"


def test_codes_are_text():
    assert [read_code(text).value for text in ("007", "NO", "NA", "1E5", "TRUE")] == [
        "007",
        "NO",
        "NA",
        "1E5",
        "TRUE",
    ]


def test_free_text_is_kept_to_the_letter():
    assert read_text("  a  ").value == "  a  " and read_text(" ").value is None
    assert read_text("=1+1").code == "N-FORMULA" and read_text("=1+1").value == "=1+1"


@pytest.mark.parametrize(
    "value, code",
    [
        (150, ""),
        (19, "N-RANGE"),
        (451, "N-RANGE"),
        (0, "E-RANGE"),
        (-99, "E-RANGE"),
        (999, "E-RANGE"),
        (9999, "E-RANGE"),
        (99, ""),
        (1e9, "E-RANGE"),
    ],
)
def test_ranges_of_a_height(value, code):
    assert check_range(value, tables()["stem_measures"]["stem_height_cm"]).code == code


def test_zero_and_missing_codes_of_a_count():
    field = tables()["stand_counts"]["plants_alive"]
    assert (
        check_range(0, field).code == ""
        and check_range(999, field).code == ""
        and check_range(-9, field).code == "E-RANGE"
    )


def test_did_you_mean_reads_eyes_and_hands():
    assert did_you_mean("HO01", ["H001", "H117"]) == "did you mean H001?"
    assert did_you_mean("heigth", ["height", "stems"]) == "did you mean height?"
    assert did_you_mean("zzz", ["a", "b"]) == "known: a, b"


def test_odd_spaces_are_named():
    assert odd_spaces("a\u00a0") == "no-break space (U+00A0)" and odd_spaces("0\u200b1") == "U+200B"


def test_a_guess_that_may_be_wrong_is_not_made():
    plots = [f"{replicate}{number:02d}" for replicate in (1, 2, 3) for number in range(1, 9)]
    plots.remove("102")
    assert "did you mean" not in did_you_mean("102", plots)  # 101, 103, 302 … are all as like
    assert "did you mean" not in did_you_mean("Plants", ["planted_on", "plants_planted"])
    assert did_you_mean("plants_planed", ["planted_on", "plants_planted"]).startswith(
        "did you mean"
    )
