"""The Table Schema files: well formed, linked, and the one place where columns are defined."""

import json
import subprocess
import sys
from importlib.resources import files

import pytest

from culmbook.sheets.dictionary import column_dictionary, empty_table, markdown_page, tables

SCHEMAS = [
    json.loads(path.read_text(encoding="utf-8"))
    for path in files("culmbook.sheets").joinpath("schemas").iterdir()
]
# names that Table Schema itself defines (Frictionless Data, Table Schema v2, "Properties", "Field",
# "Constraints")
STANDARD_TYPES = {"string", "integer", "number", "date"}
STANDARD_CONSTRAINTS = {
    "required",
    "pattern",
    "enum",
    "minimum",
    "exclusiveMinimum",
    "maximum",
    "maxLength",
}


@pytest.mark.parametrize("schema", SCHEMAS, ids=lambda schema: schema["name"])
def test_schema_is_a_table_schema(schema):
    names = [field["name"] for field in schema["fields"]]
    assert len(set(names)) == len(names) and set(schema["primaryKey"]) <= set(names)
    for field in schema["fields"]:
        assert field["type"] in STANDARD_TYPES and field["title"] and field["description"]
        assert set(field.get("constraints", {})) <= STANDARD_CONSTRAINTS
    for link in schema["foreignKeys"]:
        parent = next(other for other in SCHEMAS if other["name"] == link["reference"]["resource"])
        assert set(link["reference"]["fields"]) <= {field["name"] for field in parent["fields"]}


UNITS = {
    "_cm": "cm",
    "_mm": "mm",
    "_kg": "kg",
    "_g": "g",
    "_m2": "m²",
    "_pct": "%",
    "_c": "°C",
    "_m": "m",
}


def test_unit_is_in_the_name_of_each_measure():
    for table in tables().values():
        for field in table.fields:
            ending = next((end for end in UNITS if field.name.endswith(end)), None)
            if ending and field.type == "number" and not field.name.endswith(("_m_s", "_mj_m2")):
                assert field.unit == UNITS[ending], field.name


def test_plausible_lies_within_possible():
    for table in tables().values():
        for field in table.fields:
            if field.plausible:
                low = field.minimum if field.exclusive_minimum is None else field.exclusive_minimum
                assert low <= field.plausible[0] < field.plausible[1] <= field.maximum, field.name


def test_parents_come_before_their_children():
    order = list(tables())
    for table in tables().values():
        assert all(order.index(link.table) < order.index(table.name) for link in table.foreign_keys)


def test_page_and_column_dictionary_name_every_column():
    page = markdown_page()
    for name, table in tables().items():
        assert all(f"| {column} |" in page for column in table.columns)
        assert column_dictionary(name)["column"].tolist() == table.columns


def test_empty_tables_have_every_column():
    assert all(list(empty_table(name))[:-2] == table.columns for name, table in tables().items())


def test_the_dictionary_prints_one_table_when_it_is_named():
    printed = [sys.executable, "-m", "culmbook.sheets.dictionary"]
    one, none = (
        subprocess.run([*printed, name], capture_output=True, text=True)
        for name in ("harvests", "harvest")
    )
    assert one.returncode == 0 and one.stdout == markdown_page("harvests") + "\n"
    assert one.stdout.startswith("## harvests") and "## plots" not in one.stdout
    assert none.returncode == 2 and "'harvests'" in none.stderr and not none.stdout
