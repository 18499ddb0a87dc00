"""Faults of field sheets, made again on our own tables; ``bad_sheets.csv`` says what must become
of each.

A fault is a function that spoils a good sheet of the small network. It is made on one table or on
several; ``{number}``, ``{date}``, ``{text}`` in its places stand for that table's columns. Places
are line:column.
"""

import csv
from dataclasses import dataclass
from pathlib import Path

STAND, CUT, STEMS, WEATHER = "stand_counts", "harvests", "stem_measures", "weather"
COLUMNS = {
    STAND: {
        "number": "plants_alive",
        "whole": "plants_alive",
        "date": "counted_on",
        "text": "observer",
    },
    CUT: {
        "number": "fresh_mass_kg",
        "whole": "growing_season",
        "date": "harvested_on",
        "text": "status_reason",
    },
    STEMS: {"number": "stem_height_cm", "whole": "stems", "date": "measured_on"},
    WEATHER: {"number": "air_temperature_max_c", "date": "date"},
    "plots": {
        "number": "plot_length_m",
        "whole": "plants_planted",
        "date": "planted_on",
        "text": "status_reason",
    },
    "freeze_tests": {},
    "frost_scores": {"text": "observer"},
    "phenology": {"date": "emerged_on"},
}
CANNOT_OCCUR = {
    "c07": "no table has a unit column: the unit is part of the column's name",
    "c10": "no table has a unit column: the unit is part of the column's name",
}


@dataclass(frozen=True)
class Case:
    """One fault on one table and what must come of it."""

    id: str
    table: str
    # function of the good Sheet (and of the table's column names, if it takes two arguments)
    make: object
    where: tuple = ()
    says: str = ""
    file: str = ""  # name of the spoilt file when it is not <table>.csv
    folder: str = "S01"
    beside: tuple = ()  # other tables that are needed to see the fault

    @property
    def path(self):
        """Path of the spoilt file in the network folder."""
        return "/".join(part for part in (self.folder, self.file or f"{self.table}.csv") if part)

    def content(self, sheet):
        """Return the spoilt file: a sheet, text or bytes."""
        made = (
            self.make(sheet, COLUMNS[self.table])
            if self.make.__code__.co_argcount > 1
            else self.make(sheet)
        )
        return sheet if made is None else made


CASES = []


def fault(id, *tables, where="", says="", file="", folder="S01", beside=()):
    """Register a function that spoils a sheet as fault `id` of each of `tables`."""

    def register(make):
        for table in tables:
            places = where[table] if isinstance(where, dict) else where
            places = tuple(places.format(**COLUMNS[table]).split())
            CASES.append(
                Case(id, table, make, places, says.format(**COLUMNS[table]), file, folder, beside)
            )
        return make

    return register


def expectations():
    """Return id → (outcome, code) of every listed fault."""
    with open(Path(__file__).with_name("bad_sheets.csv"), newline="") as lines:
        return {row["id"]: (row["outcome"], row["code"]) for row in csv.DictReader(lines)}


def lines(first, last, column):
    """Return places first:column … last:column."""
    return " ".join(f"{line}:{column}" for line in range(first, last + 1))


# ---- headers


@fault("b01", STAND, CUT, WEATHER, says="{date}")
def other_case_and_spaces(sheet):
    sheet.header = [name.replace("_", " ").title() for name in sheet.header]


@fault("b02", STAND, STEMS, WEATHER, says="no-break")
def no_break_spaces_after_headers(sheet):
    sheet.header = [name + "\u00a0" for name in sheet.header]


@fault("b03", STAND, CUT, STEMS, WEATHER, where="1:{number}", says="{number}")
def needed_column_absent(sheet, names):
    sheet.drop(names["number"])


@fault("b04", STAND, says="observer")
def observer_absent(sheet):
    sheet.drop("observer")


@fault("b04", WEATHER, says="snow_depth_cm")
def snow_absent(sheet):
    sheet.drop("snow_depth_cm")


@fault("b06", STAND, CUT, STEMS, where="1:{number}", says="{number}")
def one_name_twice(sheet, names):
    sheet.header.append(names["number"])
    sheet.rows = [[*row, "7"] for row in sheet.rows]


@fault("b07", STAND, where="1:observr", says="did you mean observer?")
def optional_header_misspelt(sheet):
    sheet.header[sheet.place("observer")] = "observr"


@fault("b07", "plots", where="1:hybird", says="did you mean hybrid?")
def hybrid_misspelt(sheet):
    sheet.header[sheet.place("hybrid")] = "hybird"


@fault("b07", STEMS, where="1:stem_heigth_cm", says="did you mean stem_height_cm?")
def height_misspelt(sheet):
    sheet.header[sheet.place("stem_height_cm")] = "stem_heigth_cm"


@fault("b08", STAND, CUT, STEMS, WEATHER)
def other_order(sheet):
    sheet.header, sheet.rows = sheet.header[::-1], [row[::-1] for row in sheet.rows]


@fault("b09", STAND, CUT, WEATHER, says="{number} (cm)")
def unit_behind_header(sheet, names):
    sheet.header[sheet.place(names["number"])] += " (cm)"


@fault("b13", STAND, STEMS, says="U+0430")
def letter_of_another_script(sheet):
    name = "plants_alive" if "plants_alive" in sheet.header else "leaf_fraction"
    sheet.header[sheet.place(name)] = name.replace("a", "\u0430", 1)


@fault("b14", STAND, CUT, STEMS, says="{number}")
def header_blank(sheet, names):
    sheet.header[sheet.place(names["number"])] = ""


# ---- numbers

NO_NUMBERS = [
    "12 cm",
    "<5",
    ">200",
    "~150",
    "150?",
    "1.2.3",
    "12..5",
    "O12",
    "l50",
    "½",
    "1_000",
    "0x1F",
    "１７２",
    "٣٤",
    "TRUE",
    "dead",
    "170-180",
    "150/160",
    "1 7 2",
    "150*",
    "#VALUE!",
    "#REF!",
    "45%",
    "1e2",
]


@fault("c01", STAND, STEMS, WEATHER, where=lines(2, 25, "{number}"), says="write the number only")
def no_numbers(sheet, names):
    for line, text in enumerate(NO_NUMBERS, 2):
        sheet.put(line, names["number"], text)


MISSING = ["", "NA", ".", "*", "n/a", "N/A", "missing", "nan", "NaN", "null", "none"]
UNSURE = ["-", "--", "x", "?"]


@fault("c02", STAND, STEMS, WEATHER, where=lines(13, 16, "{number}"), says="could mean zero")
def spellings_of_missing(sheet, names):
    for line, text in enumerate([*MISSING, *UNSURE, " ", "\t"], 2):
        sheet.put(line, names["number"], text)


@fault(
    "c04",
    STEMS,
    where="3:{number} 6:{number} 9:{number} 12:{number}",
    says="is 999 a missing code? leave blank",
)
@fault(
    "c04",
    WEATHER,
    where="3:{number} 6:{number} 9:{number} 12:{number}",
    says="is 999 a missing code? leave blank",
)
@fault(
    "c04",
    "plots",
    where="3:{number} 6:{number} 9:{number} 12:{number}",
    says="is 999 a missing code? leave blank",
)
def codes_for_missing(sheet, names):
    for line, text in zip((3, 6, 9, 12), ("1000000000", "999", "9999", "-99")):
        sheet.put(line, names["number"], text)


@fault("c05", STAND, CUT, STEMS, where="3:{number} 6:{number}", says="-150")
def negative(sheet, names):
    for line in (3, 6):
        sheet.put(line, names["number"], "-150")


@fault("c12", STAND, STEMS, CUT, where="2:{whole}", says="whole number")
def fraction_in_count(sheet, names):
    sheet.put(2, names["whole"], "12.5")


@fault("c13", STAND, STEMS, "plots", says=".0")
def counts_with_decimal_zero(sheet, names):
    sheet.put_all(names["whole"], lambda text: text + ".0")


@fault("c15", STEMS, CUT, "plots", where="3:{number}", says="1234 or 1.234")
def comma_thousands(sheet, names):
    sheet.put(3, names["number"], "1,234")


@fault("c16", STEMS, CUT, STAND, where="3:{number} 6:{number} 9:{number}", says="1234 or 1.234")
def space_thousands(sheet, names):
    for line, blank in zip((3, 6, 9), (" ", "\u00a0", "\u202f")):
        sheet.put(line, names["number"], f"1{blank}234")


def decimal_commas(sheet):
    """Write a comma for every decimal point that is in a number."""
    for row in sheet.rows:
        row[:] = [
            cell.replace(".", ",") if cell.replace(".", "").isdigit() else cell for cell in row
        ]


@fault("c17", STEMS, CUT, where="3:{number} 6:{number}", says="1234 or 1.234")
def point_thousands(sheet, names):
    decimal_commas(sheet)
    sheet.put(3, names["number"], "1.234,5").put(6, names["number"], "1.234")
    return sheet.text(";")


@fault("c18", STEMS, CUT, WEATHER, where="3:{number}", says="15.5")
def one_point_among_commas(sheet, names):
    decimal_commas(sheet)
    sheet.put(3, names["number"], "15.5")
    return sheet.text(";")


@fault("c19", STEMS, CUT, where="3:{number} 6:{number}", says="-150.5")
def typographic_minus(sheet, names):
    sheet.put(3, names["number"], "\u2212150.5").put(6, names["number"], "\u2013150.5")


@fault("c21", STEMS, CUT, WEATHER)
def plus_and_blanks(sheet, names):
    sheet.put(3, names["number"], "+" + sheet.get(3, names["number"]))
    sheet.put(6, names["number"], f" {sheet.get(6, names['number'])} ")


@fault("c22", STAND, STEMS, WEATHER, where="2:{number}", says="400-digit")
def hundreds_of_digits(sheet, names):
    sheet.put(2, names["number"], "9" * 400)


# ---- codes


@fault("c31", "plots", says="h002")
def hybrid_in_lower_case(sheet):
    sheet.put(3, "hybrid", "h002")


@fault("c31", STAND, says="Autumn")
def choice_in_other_case(sheet):
    sheet.put(3, "occasion", "Autumn")


@fault("c31", WEATHER, says="s01")
def site_in_lower_case(sheet):
    sheet.put_all("site", "s01")


@fault("c32", "plots", where="2:hybrid", says="did you mean H001?")
@fault("c32", "freeze_tests", where="2:hybrid", says="did you mean H001?", folder="")
def letter_o(sheet):
    sheet.put(2, "hybrid", "HO01")


@fault("c33", "plots", where="2:hybrid", says="H999")
@fault("c33", "freeze_tests", where="2:hybrid", says="H999", folder="")
def unknown_hybrid(sheet):
    sheet.put(2, "hybrid", "H999")


@fault("c34", STAND, CUT, WEATHER, where="2:site", says="S99", folder="")
def unknown_site(sheet):
    sheet.put(2, "site", "S99")


@fault("c35", STAND, CUT, WEATHER, where="2:site 3:site", says="move to the file of S02")
def rows_of_another_site(sheet):
    sheet.put(2, "site", "S02").put(3, "site", "S02")


@fault("c36", STAND, where="3:occasion", says="did you mean autumn?")
def choice_misspelt(sheet):
    sheet.put(3, "occasion", "autum")


@fault("c36", STEMS, where="3:height_method", says="did you mean ligule?")
def method_misspelt(sheet):
    sheet.put(3, "height_method", "ligul")


@fault("c39", STAND, CUT, STEMS, where="2:plot", says="099")
def plot_not_in_layout(sheet):
    sheet.put(2, "plot", "099")


@fault("c42", STAND, CUT, STEMS, says="1 read as 001")
def zeros_lost(sheet):
    sheet.put_all("plot", lambda text: text.lstrip("0"))


@fault("c43", STAND, CUT, STEMS, where="2:plot", says="001")
def zeros_lost_in_one_row(sheet):
    sheet.put(2, "plot", "1")


@fault("c44", STAND, CUT, STEMS, where="2:plot 5:plot 8:plot", says="Excel")
def codes_became_dates(sheet):
    sheet.put(2, "plot", "01-Mar").put(5, "plot", "Jan-02").put(8, "plot", "1.00E+05")


@fault("c45", STAND, STEMS, where=lines(2, 37, "plot"), says="format the column as text")
@fault("c45", CUT, where=lines(2, 25, "plot"), says="format the column as text")
def codes_became_decimals(sheet):
    sheet.put_all("plot", lambda text: text.lstrip("0") + ".0")


POISON = ["NA", "NO", "007", "1E5", "TRUE", "INF", "NULL", "MAR1"]


@fault("c46", "plots")
def poison_codes(sheet):
    for line, text in enumerate(POISON, 2):
        sheet.put(line, "block", text).put(line, "main_plot", text)


@fault("c47", "plots", where="2:hybrid", says="blank")
@fault("c47", "freeze_tests", where="2:hybrid", says="blank", folder="")
def hybrid_blank(sheet):
    sheet.put(2, "hybrid", "")


@fault("c47", STAND, STEMS, where="2:plot", says="blank")
def plot_blank(sheet):
    sheet.put(2, "plot", " ")


@fault("c50", "plots", where="2:trial", says="not a valid code")
def code_that_climbs(sheet):
    sheet.put(2, "trial", "../T24A")


FORMULAS = ["=CMD()", "+1+1", "-2", "@SUM(A1)", '=HYPERLINK("http://example.invalid")']
MARKUP = [
    "---",
    "<script>alert(1)</script>",
    "[x](javascript:alert(1))",
    '#read("x")',
    "$ x $",
    "\\input{x}",
    "{{7*7}}",
    "| a | b |",
    "*bold*",
    "`code`",
]


@fault("c51", STAND, CUT, "frost_scores", says="=CMD()")
def formulas_in_text(sheet, names):
    for line, text in enumerate(FORMULAS, 2):
        sheet.put(line, names["text"], text)


@fault("c53", STAND, CUT, "frost_scores", says="---")
def markup_in_text(sheet, names):
    for line, text in enumerate(MARKUP, 2):
        sheet.put(line, names["text"], text)


# ---- dates


def turned(text, pattern):
    year, month, day = text.split("-")
    return pattern.format(year=year, month=month, day=day)


@fault("d01", STAND, CUT, WEATHER, STEMS, says="d/m/y")
def day_first(sheet, names):
    sheet.put_all(names["date"], lambda text: turned(text, "{day}/{month}/{year}"))


@fault("d02", STEMS, where=lines(2, 37, "{date}"), says="6 November or 11 June")
def unclear_order(sheet, names):
    sheet.put_all(names["date"], "06/11/2025")


@fault("d02", "phenology", where=lines(2, 13, "flowered_on"), says="9 June or 6 September")
def unclear_flowering(sheet):
    sheet.put_all("flowered_on", "09/06/2025")


@fault("d03", STAND, CUT, WEATHER, STEMS, says="m/d/y")
def month_first(sheet, names):
    sheet.put_all(names["date"], lambda text: turned(text, "{month}/{day}/{year}"))


@fault("d05", STAND, STEMS, CUT, where="2:{date} 3:{date}", says="2025-06-15")
def serial_numbers(sheet, names):
    sheet.put(2, names["date"], "45823").put(3, names["date"], "45823.5")


@fault("d06", STAND, STEMS, CUT, where="2:{date}", says="15/06/25")
def two_digit_year(sheet, names):
    sheet.put(2, names["date"], "15/06/25")


@fault("d07", STAND, STEMS, WEATHER, says="time dropped")
def time_and_zone(sheet, names):
    sheet.put(2, names["date"], sheet.get(2, names["date"]) + "T10:30:00+02:00")
    sheet.put(5, names["date"], sheet.get(5, names["date"]) + "T23:30:00Z")


@fault("d09", STAND, STEMS, WEATHER, where="2:{date}", says="future")
def day_to_come(sheet, names):
    sheet.put(2, names["date"], "2026-06-15")


@fault("d10", STAND, where="2:{date}", says="planted 2024-05-10")
def before_planting(sheet, names):
    sheet.put(2, names["date"], "2023-06-20")


@fault("d10", STEMS, CUT, where="2:{date}", says="planted 2024-05-10")
def season_before_planting(sheet, names):
    sheet.put(2, "growing_season", "2024").put(2, names["date"], "2024-05-01")


@fault("d11", STAND, STEMS, WEATHER, where=lines(2, 6, "{date}"), says="2025-02-30")
def days_of_no_calendar(sheet, names):
    for line, text in enumerate(
        ("2025-02-30", "2025-13-01", "2025-00-10", "0000-00-00", "1900-01-00"), 2
    ):
        sheet.put(line, names["date"], text)


@fault("d14", STAND, STEMS, WEATHER, says="2025/")
def slashes(sheet, names):
    sheet.put_all(
        names["date"], lambda text: text.replace("-", "/") if text.startswith("2025") else text
    )


@fault("d16", STAND, STEMS, WEATHER, CUT, where="2:{date}", says="blank")
def date_blank(sheet, names):
    sheet.put(2, names["date"], "")


@fault("d17", STAND, STEMS, WEATHER, where="2:{date}", says="2O25")
def letter_o_in_date(sheet, names):
    sheet.put(2, names["date"], "2O25-06-15").put(
        3, names["date"], sheet.get(3, names["date"]).replace("-0", "-")
    )


@fault("d18", STAND, WEATHER, says="-6-")
def month_of_one_digit(sheet, names):
    sheet.put_all(names["date"], lambda text: text.replace("-06-", "-6-"))


# ---- rows


@fault("e01", STAND, STEMS, says="2 and 38")
@fault("e01", CUT, says="2 and 26")
def row_twice(sheet):
    sheet.rows.append(list(sheet.rows[0]))


@fault("e02", STAND, STEMS, where="2:{number} 38:{number}", says="30 and 12")
@fault("e02", CUT, where="2:{number} 26:{number}", says="30 and 12")
def two_rows_of_one_key(sheet, names):
    sheet.rows.append(list(sheet.put(2, names["number"], "30").rows[0]))
    sheet.put(len(sheet.rows) + 1, names["number"], "12")


@fault("e05", STAND, STEMS, WEATHER, where="39:site 40:site", says="Note")
@fault("e05", CUT, where="27:site 28:site", says="Note")
def remarks_below(sheet):
    blanks = "," * (len(sheet.header) - 1)
    return sheet.text() + f"\nNote: plot 3 flooded in May{blanks}\n* dead{blanks}\n"


@fault("e06", STAND, STEMS, WEATHER, where="39: 40:", says="second table")
@fault("e06", CUT, where="27: 28:", says="second table")
def table_below(sheet):
    return sheet.text() + f"\n{sheet.header[0]},{sheet.header[1]},remark\nS01,001,flooded\n"


@fault("e09", STEMS, WEATHER, says="no value")
def no_value(sheet, names):
    sheet.put_all(names["number"], "")


@fault("e10", STEMS, WEATHER, says="same value")
def copied_down(sheet, names):
    sheet.put_all(names["number"], "31.5")


@fault("e11", STAND)
def nothing_alive(sheet):
    sheet.put_all("plants_alive", "0")


@fault("e12", STAND, says="plot 001 has this height, yet 0 plants alive", beside=(STEMS,))
def height_of_dead(sheet):
    sheet.put(4, "plants_alive", "0").put(4, "counted_on", "2025-11-20").put(
        4, "occasion", "autumn"
    )


@fault("e14", STAND, CUT, STEMS, where="5:", says="fields, header has")
def row_shifted(sheet):
    sheet.rows[3].insert(3, "")
