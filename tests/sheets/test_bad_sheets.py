"""Every listed fault of field sheets, made again on our own tables, has the outcome that is listed
for it.

The outcomes are common practice for data entry (refuse what has two readings, state every repair),
no source.
"""

import pytest

import bad_files  # noqa: F401  registers the faults of bytes and workbooks
from bad_sheets import CANNOT_OCCUR, CASES, expectations
from culmbook.sheets.read import read_network
from small_network import TODAY, small_network, write_network

EXPECTED = expectations()
MADE_ELSEWHERE = {
    "link": "test_rawtable",
    "folder": "test_rawtable",
    "pipe": "test_rawtable",
    "locked": "test_rawtable",
    "growing": "test_rawtable",
    "big": "test_csvtext",
    "lock": "test_network",
    "litter": "test_network",
}


def read_with(case, folder):
    """Read the small network with one sheet spoilt; tables that do not matter are left out."""
    needed = {"sites", "hybrids", "plots", case.table, *case.beside}
    sheets = {
        name: sheet for name, sheet in small_network().items() if name.split("/")[-1][:-4] in needed
    }
    good = sheets.pop(
        next(name for name in sheets if name.endswith(f"{case.table}.csv") and "S02" not in name)
    )
    sheets[case.path] = case.content(good)
    return read_network(write_network(folder, sheets), today=TODAY)


def words(problem):
    return " ".join(str(problem[name]) for name in ("value", "rule", "mend"))


def places(problems):
    return {
        f"{row.line}:{'' if row.column != row.column else row.column}"
        for row in problems.itertuples()
    }


def check_accept(case, network, of_file, code):
    assert of_file.empty, of_file.to_string()
    assert not network.is_incomplete("all")


def check_note(case, network, of_file, code):
    found = network.problems[network.problems["code"] == code]
    assert any(case.says in words(row) for _, row in found.iterrows()), network.problems.to_string()
    assert (network.problems["severity"] == "note").all(), network.problems.to_string()
    facts = network.files.set_index("file").loc[case.path]
    assert facts["rows"] - facts["rows_kept"] == (1 if code == "N-DUPLICATE" else 0)


def check_rows(case, network, of_file, code):
    errors = of_file[of_file["severity"] != "note"]
    assert set(errors["code"]) == {code} and set(errors["severity"]) == {"error_row"}, (
        errors.to_string()
    )
    assert places(errors) == set(case.where), errors.to_string()
    assert case.says in words(errors.iloc[0]) or any(
        case.says in words(row) for _, row in errors.iterrows()
    )
    refused = set(errors["line"])
    table = network.tables[case.table]
    assert refused.isdisjoint(table.loc[table["source_file"] == case.path, "source_line"])
    facts = network.files.set_index("file").loc[case.path]
    assert facts["rows_kept"] == facts["rows"] - len(refused)
    assert network.is_incomplete("S01")


def check_file(case, network, of_file, code):
    errors = of_file[of_file["severity"] == "error_file"]
    assert code in set(errors["code"]), of_file.to_string()
    assert any(case.says in words(row) for _, row in errors.iterrows()), errors.to_string()
    assert set(case.where) <= places(errors), errors.to_string()
    assert case.path not in set(network.tables[case.table]["source_file"])
    assert network.stopped("S01", case.table) and network.is_incomplete("S01")
    assert case.folder == "" or network.stopped("S02", "plots") is None


CHECKS = {"accept": check_accept, "note": check_note, "rows": check_rows, "file": check_file}


@pytest.mark.parametrize(
    "case", CASES, ids=lambda case: f"{case.id}-{case.table}-{case.make.__name__}"
)
def test_fault_has_its_outcome(case, tmp_path):
    outcome, code = EXPECTED[case.id]
    network = read_with(case, tmp_path)
    CHECKS[outcome](case, network, network.problems[network.problems["file"] == case.path], code)


def test_every_listed_fault_is_made_or_cannot_occur():
    made = {case.id for case in CASES} | set(MADE_ELSEWHERE)
    assert made | set(CANNOT_OCCUR) == set(EXPECTED)
    assert not made & set(CANNOT_OCCUR)


COMMON = [
    "b01",
    "b03",
    "c01",
    "c02",
    "c12",
    "c22",
    "c39",
    "c42",
    "c44",
    "d01",
    "d06",
    "d09",
    "d11",
    "d16",
    "e01",
    "e02",
]


@pytest.mark.parametrize("id", COMMON)
def test_common_faults_are_made_on_three_tables(id):
    assert len({case.table for case in CASES if case.id == id}) >= 3
