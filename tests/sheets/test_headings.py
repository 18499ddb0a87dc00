"""Sheets as people type them: own headings, wide, other units, words and dates; the tables are the
same.
"""

import pandas as pd
import pytest

from culmbook.sheets.headings import conversion
from culmbook.sheets.read import check, read_network
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
    header = "site,plot,plants_replanted,emerged_late,replants_alive,observer,20.6.,5.10.,22.6.25"
    sheets["S01/stand_counts.csv"] = Sheet(header, rows)
    said = zip(("20.6.", "5.10.", "22.6.25"), days)
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


def tables_of(folder, sheets, said):
    files = sheets | ({"headings.toml": said} if said else {})
    network = read_network(write_network(folder, files), today=TODAY)
    assert (network.problems["severity"] == "note").all(), network.problems.to_string()
    where = ["source_file", "source_line"]
    return network, {name: frame.drop(columns=where) for name, frame in network.tables.items()}


@pytest.mark.parametrize("typed", [own_headings, wide, of_another_country])
def test_the_same_trial_typed_otherwise_gives_the_same_tables(typed, tmp_path):
    _, expected = tables_of(tmp_path / "published", *published())
    network, found = tables_of(tmp_path / "typed", *typed())
    for name, frame in expected.items():
        pd.testing.assert_frame_equal(found[name], frame, check_exact=True, obj=name)
    if typed is own_headings:
        rules = " ".join(network.problems.query("code == 'N-HEADINGS'")["rule"])
        assert "converted from m to cm" in rules and "nein = none" in rules
        assert "in every row: the file has no such column" in rules
