"""What was read fits its Table Schema, by the word of an independent validator built from the same
files.
"""

import re

import pandera.pandas as pa
import pytest

import bad_files  # noqa: F401  registers the faults of bytes and workbooks
from bad_sheets import CASES
from culmbook.sheets.dictionary import tables
from culmbook.sheets.read import demo_folder, read_network
from small_network import TODAY, small_network, write_network

EVERY = 4  # of the bad sheets: the validator takes its time


def schema_of(table):
    """Return the pandera schema of one table of the dictionary."""
    columns = {field.name: column_of(field) for field in table.fields}
    # a run of the freezer may have several unfrozen controls, whose temperature is missing
    unique = list(table.key) if table.name != "freeze_tests" else None
    return pa.DataFrameSchema(columns, unique=unique)


def column_of(field):
    checks = []
    if field.enum:
        checks.append(pa.Check.isin(list(field.enum)))
    if field.minimum is not None:
        checks.append(pa.Check.ge(field.minimum))
    if field.exclusive_minimum is not None:
        checks.append(pa.Check.gt(field.exclusive_minimum))
    if field.maximum is not None:
        checks.append(pa.Check.le(field.maximum))
    if field.pattern:
        checks.append(pa.Check(lambda values: values.map(matching(field.pattern)).astype(bool)))
    nullable = not field.required or bool(field.na_means)
    return pa.Column(field.dtype, checks=checks, nullable=nullable)


def matching(pattern):
    """Return a function that tells whether a text matches as a whole; what is missing passes."""
    return lambda text: not isinstance(text, str) or re.fullmatch(pattern, text) is not None


SCHEMAS = {name: schema_of(table) for name, table in tables().items()}


def check_tables(network):
    for name, frame in network.tables.items():
        if len(frame):
            SCHEMAS[name].validate(frame, lazy=True)


def test_every_table_of_the_demo_fits_its_schema():
    check_tables(read_network(demo_folder()))


@pytest.mark.parametrize("case", CASES[::EVERY], ids=lambda case: f"{case.id}-{case.table}")
def test_what_is_left_of_a_bad_sheet_fits_its_schema(case, tmp_path):
    sheets = small_network()
    good = next(n for n in sheets if n.endswith(f"{case.table}.csv") and "S02" not in n)
    sheets[case.path] = case.content(sheets.pop(good))
    check_tables(read_network(write_network(tmp_path, sheets), today=TODAY))


@pytest.mark.parametrize(
    ("name", "spoil", "said"),
    [
        ("harvests", lambda f: f.assign(ash_pct=400.0), "ash_pct"),
        ("phenology", lambda f: f.iloc[[0, 0, 1]].reset_index(drop=True), "unique"),
        ("phenology", lambda f: f.astype({"growing_season": "float64"}), "growing_season"),
        ("plots", lambda f: f.assign(plot="a/b"), "plot"),
    ],
)
def test_the_validator_sees_what_does_not_fit(name, spoil, said):
    frame = read_network(demo_folder(), site="ISKEY").tables[name]
    with pytest.raises(pa.errors.SchemaErrors, match=said):
        SCHEMAS[name].validate(spoil(frame), lazy=True)
