"""Thousands of spoilt files: the reader never crashes, never changes a value in silence, never
loses a row.

Each file is checked against a second, simple reading of the same bytes written here: an accepted
cell equals what its text says to the letter, or a problem names its column; a row is kept, or a
problem names its line.
"""

import csv
import io
import random
import re
from datetime import date

import pandas as pd
import pytest

from culmbook.sheets.dictionary import tables
from culmbook.sheets.read import read_network
from small_network import TODAY, Sheet, small_network, write_network

FILES_PER_BATCH, BATCHES = 250, 20
TABLES = ("stand_counts", "harvests", "stem_measures", "weather", "phenology", "frost_scores")
ROWS = 9
NASTY = [
    "",
    " ",
    "NA",
    "n/a",
    "-",
    "?",
    "0",
    "-0",
    "1e9",
    "1,5",
    "1.5",
    "1,234",
    "1.234",
    "1 234",
    "+3",
    "\u22123",
    "30.0",
    "007",
    "1",
    "1.0",
    "999",
    "-99",
    "9" * 400,
    "1_0",
    "٣",
    "½",
    "0x1F",
    "nan",
    "inf",
    "TRUE",
    "yes",
    "YES",
    "no",
    "ok",
    "2025-06-15",
    "15/06/2025",
    "06/05/2025",
    "2025-6-5",
    "2025-02-30",
    "45823",
    "15/06/25",
    "today",
    "2025-06-15T10:00",
    "=1+1",
    "@x",
    "-2+3",
    "'",
    '"',
    '""',
    ";",
    ",",
    "\t",
    "\n",
    "\r",
    "\u00a0",
    "\u200b",
    "\u202e",
    "\x00",
    "\x1b[31m",
    "H001",
    "h001",
    "HO01",
    "001 ",
    "002",
    "autumn",
    "Autumn",
    "autum",
    "ligule",
    "../x",
    "CON",
    "\U0001f33e",
    "é",
    "ß",
    "İ",
    "ﬁ",
    "S01",
    "F000",
    "<<<<<<<",
    "pooled",
    "Infinity",
    "١٢",
    "1e-3",
    "1.",
    ".5",
    "--",
    "#REF!",
]


def cell(rng, sheet):
    """Put something nasty into a few cells, or spoil a few characters of them."""
    for _ in range(rng.randint(1, 3)):
        row = rng.choice(sheet.rows)
        i = rng.randrange(len(row))
        old = row[i]
        at = rng.randint(0, len(old))
        row[i] = rng.choice(
            [
                rng.choice(NASTY),
                old[:at] + rng.choice(NASTY) + old[at:],
                old[:at] + old[at + 1 :],
                old[::-1],
                old + old,
            ]
        )
    return sheet.text(rng.choice(",,,;\t"), rng.choice(["\n", "\r\n"])).encode(
        "utf-8", "surrogatepass"
    )


def column(rng, sheet):
    """Rewrite a whole column in another form."""
    i = rng.randrange(len(sheet.header))
    form = rng.choice(
        [
            lambda x: x.replace(".", ","),
            lambda x: x.lstrip("0"),
            lambda x: x + ".0",
            lambda x: "",
            lambda x: x.lower(),
            lambda x: "/".join(reversed(x.split("-"))),
            lambda x: x + "\u00a0",
            lambda x: x.replace("-", "/"),
            lambda x: rng.choice(NASTY),
            lambda x: f'"{x}',
            lambda x: f" {x} ",
        ]
    )
    for row in sheet.rows:
        row[i] = form(row[i])
    return sheet.text(rng.choice(",;")).encode("utf-8")


def header(rng, sheet):
    """Spoil the header."""
    i = rng.randrange(len(sheet.header))
    name = sheet.header[i]
    kind = rng.randrange(6)
    if kind == 0:
        sheet.header[i] = rng.choice(
            [
                name.upper(),
                name.replace("_", " "),
                name + " ",
                "\ufeff" + name,
                name[:-1],
                "",
                name + " (cm)",
            ]
        )
    elif kind == 1:
        sheet.header[i] = rng.choice(sheet.header)
    elif kind == 2:
        sheet.drop(name)
    elif kind == 3:
        order = rng.sample(range(len(sheet.header)), len(sheet.header))
        sheet.header, sheet.rows = (
            [sheet.header[j] for j in order],
            [[row[j] for j in order] for row in sheet.rows],
        )
    elif kind == 4:
        sheet.header.append("remarks")
        sheet.rows = [[*row, "x"] for row in sheet.rows]
    return (b"\n" * (kind == 5)) + sheet.text().encode("utf-8")


def structure(rng, sheet):
    """Repeat, cut, shift or mix rows."""
    rows = sheet.rows
    i = rng.randrange(len(rows))
    kind = rng.randrange(7)
    if kind == 0:
        rows.insert(rng.randrange(len(rows)), list(rows[i]))
    elif kind == 1:
        rows[i].insert(rng.randrange(len(rows[i])), "")
    elif kind == 2:
        del rows[i][rng.randrange(len(rows[i]))]
    elif kind == 3:
        rows.insert(i, [""] * len(sheet.header))
    elif kind == 4:
        rows.insert(i, list(sheet.header))
    elif kind == 5:
        rows[i], rows[i - 1] = rows[i][:3] + rows[i - 1][3:], rows[i - 1][:3] + rows[i][3:]
    text = sheet.text()
    return text[: rng.randrange(len(text))].encode() if kind == 6 else text.encode()


def raw_bytes(rng, sheet):
    """Spoil bytes, or encode the text in another way."""
    data = bytearray(
        sheet.text().encode(
            rng.choice(["utf-8", "utf-8", "utf-8-sig", "utf-16", "cp1252"]), "replace"
        )
    )
    for _ in range(rng.randint(1, 4)):
        at = rng.randrange(len(data))
        kind = rng.randrange(4)
        if kind == 0:
            data[at] = rng.randrange(256)
        elif kind == 1:
            data[at:at] = bytes([rng.choice(b'",;\n\r\t\0 \xe9\xff')])
        elif kind == 2:
            del data[at : at + rng.randint(1, 3)]
        else:
            data[at] ^= 1 << rng.randrange(8)
    return bytes(data)


MUTATIONS = (cell, cell, cell, column, header, structure, raw_bytes)


def spoilt_batch(seed):
    """Return the sheets of one network: one spoilt file in the folder of each site."""
    rng = random.Random(seed)
    good = small_network()
    sites = [f"F{i:03d}" for i in range(FILES_PER_BATCH)]
    sheets = {"hybrids.csv": good["hybrids.csv"]}
    sheets["sites.csv"] = Sheet(
        ",".join(good["sites.csv"].header),
        [[site, *good["sites.csv"].rows[0][1:]] for site in sites],
    )
    plots = good["S01/plots.csv"]
    sheets["plots.csv"] = Sheet(
        ",".join(plots.header), [[site, *row[1:]] for site in sites for row in plots.rows]
    )
    for site in sites:
        table = rng.choice(TABLES)
        sheet = good[f"S01/{table}.csv"]
        sheet = Sheet(",".join(sheet.header), [[site, *row[1:]] for row in sheet.rows[:ROWS]])
        sheets[f"{site}/{table}.csv"] = rng.choice(MUTATIONS)(rng, sheet)
    return sheets


def read_plainly(data, encoding, delimiter):
    """Return {first physical line: cells} of a text file, read without any judgement."""
    text = data.decode("utf-8-sig" if encoding == "utf-8" else encoding)
    if "\n" not in text:
        text = text.replace("\r", "\n")
    found, done = {}, 0
    reader = csv.reader(io.StringIO(text, newline="\n"), delimiter=delimiter)
    while True:
        try:
            row = next(reader)
        except StopIteration:
            return found
        except csv.Error:
            continue
        finally:
            first, done = done + 1, reader.line_num
        found[first] = row


def plain_name(text):
    return re.sub(
        "[ \u00a0\u202f\u2007-]",
        "_",
        text.strip().strip("\ufeff\u200b\u200c\u200d\u2060").strip().casefold(),
    )


def says_exactly(text, value, field):
    """Return whether a cell's text says its value to the letter."""
    text = text.strip(" \t\r\n")  # blanks around a value are no part of it
    if pd.isna(value):
        return text in ("", "NA") or text.isspace()
    if field.type == "string":
        return text == value.strip(" \t\r\n")
    if field.type == "date":
        return text == f"{value:%Y-%m-%d}"
    return re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)", text, re.ASCII) is not None and float(
        text
    ) == float(value)


def header_line(name, rows):
    return min(
        line
        for line, row in rows.items()
        if sum(plain_name(c) in tables()[name].columns for c in row) > 1
    )


def check_cells(name, frame, rows, problems, facts):
    """Check every accepted cell of one file against its own text."""
    named = set(problems["column"].dropna())
    names = [plain_name(text) for text in rows[header_line(name, rows)]]
    for record in frame.to_dict("records"):
        row = rows[record["source_line"]]
        for field in tables()[name].fields:
            text = row[names.index(field.name)] if field.name in names else ""
            if facts["decimal"] == "," and field.type in ("number", "integer"):
                text = text.replace(",", ".")
            assert says_exactly(text, record[field.name], field) or field.name in named, (
                facts["file"],
                record["source_line"],
                field.name,
                text,
                record[field.name],
            )


def check_no_row_is_lost(name, frame, rows, problems):
    """Check that every row that holds anything is kept or named."""
    told = set(problems["line"].dropna()) | set(frame["source_line"])
    for line in (line for line in rows if line > header_line(name, rows)):
        if any(text.strip(" \t\r\n\u00a0\ufeff\u200b") for text in rows[line]):
            assert line in told or (problems["code"] == "N-DUPLICATE").any(), (line, rows[line])


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(BATCHES))
def test_spoilt_files_end_in_exact_values_or_named_problems(seed, tmp_path):
    sheets = spoilt_batch(seed)
    network = read_network(write_network(tmp_path, sheets), today=TODAY)
    spoilt = [file for file in network.files.to_dict("records") if file["site"] == file["site"]]
    assert len(spoilt) == FILES_PER_BATCH
    by_file = dict(list(network.problems.groupby("file")))
    kept = {
        name: dict(list(frame.groupby("source_file"))) for name, frame in network.tables.items()
    }
    for facts in spoilt:
        name = facts["table"]
        problems = by_file.get(facts["file"], network.problems.iloc[:0])
        frame = kept[name].get(facts["file"], network.tables[name].iloc[:0])
        if (problems["severity"] == "error_file").any():
            assert frame.empty
            continue
        rows = read_plainly(sheets[facts["file"]], facts["encoding"], facts["delimiter"])
        check_cells(name, frame, rows, problems, facts)
        check_no_row_is_lost(name, frame, rows, problems)


def test_at_least_five_thousand_files_are_spoilt():
    assert FILES_PER_BATCH * BATCHES >= 5000


def test_second_reading_tells_a_changed_value():
    field = tables()["harvests"]["fresh_mass_kg"]
    assert says_exactly("1.5", 1.5, field) and not says_exactly("1.5", 1.6, field)
    assert not says_exactly("7", pd.NA, field) and says_exactly("", pd.NA, field)
    day = tables()["harvests"]["harvested_on"]
    assert not says_exactly("2025-06-15", pd.Timestamp(date(2025, 6, 16)), day)
