"""Parameters cells as they come, and values that must not get through. Rules: common practice, no
source.
"""

import ast
import json
import subprocess
import sys
from pathlib import Path

import pytest
from papermill.inspection import inspect_notebook

from culmbook.batch.parameters import (
    Parameter,
    check_given,
    mismatch,
    parse_assignment,
    read_parameters,
)

NOTEBOOKS = sorted((Path(__file__).parents[2] / "notebooks").glob("*.ipynb"))


def notebook(text, tag="parameters", kind="code"):
    return {"cells": [{"cell_type": kind, "metadata": {"tags": [tag]}, "source": text}]}


def test_read_parameters_gives_type_unit_and_meaning():
    found = read_parameters(
        notebook("site: str = 'S1'  # site code\ndepth_cm: float = 5  # how deep # [cm]\n")
    )
    assert list(found) == ["site", "depth_cm"]
    assert found["site"] == Parameter("site", "str", "S1", "site code", "")
    assert (found["depth_cm"].meaning, found["depth_cm"].unit) == ("how deep #", "cm")


def test_read_parameters_accepts_a_source_in_lines_and_a_value_over_lines():
    lines = ["floors: dict[str, float] = {\n", "    'yield': 0.5,  # t\n", "}  # least values\n"]
    assert read_parameters(notebook(lines))["floors"].default == {"yield": 0.5}
    assert read_parameters(notebook(lines))["floors"].meaning == "least values"


@pytest.mark.parametrize(
    "text",
    [
        "season = 2025",
        "season: int",
        "a: int = 1\nb: int = a",
        "d: str = str(5)",
        "import os",
        "a: int = 1 + 1",
        "x: str = f'{1}'",
        "a: int = 1\na: int = 2",
        "a.b: int = 1",
        "a: int = 1.0",
        "a: bool = 1",
        "a: int = True",
        "a: str = None",
        "a: float = 1e999",
        "a: tuple = (1, 2)",
        "a: bytes = b'x'",
        "a: int = (",
        "a: set = {1}",
        "a: complex = 1j",
        "a: list[int] = ['x']",
        "for i in 'ab': pass",
        "a: list = [(1, 2)]",
    ],
)
def test_read_parameters_refuses_everything_but_annotated_literals(text):
    with pytest.raises(ValueError, match="notebook"):
        read_parameters(notebook(text))


def test_read_parameters_needs_exactly_one_tagged_code_cell():
    for wrong in (
        notebook("a: int = 1", tag="Parameters"),
        notebook("a: int = 1", kind="markdown"),
        {"cells": notebook("a: int = 1")["cells"] * 2},
    ):
        with pytest.raises(ValueError, match="exactly one code cell"):
            read_parameters(wrong, "20_x.ipynb")


@pytest.mark.parametrize(
    "value, annotation",
    [
        (-3, "int"),
        (3, "float"),
        (True, "bool"),
        (None, "int | None"),
        ([], "list[str]"),
        ({"a": 1}, "dict[str, int]"),
        ([1, "a"], "list"),
        ("", "str"),
        ([1.5, None], "list[float | None]"),
        (None, "Optional[float]"),
        (2, "Optional[float]"),
    ],
)
def test_mismatch_accepts_suitable_values(value, annotation):
    assert mismatch(value, annotation) is None


@pytest.mark.parametrize(
    "value, annotation",
    [
        ("7", "int"),
        (7, "str"),
        (True, "int"),
        (False, "float"),
        (0, "bool"),
        (None, "str"),
        (["a"], "list[int]"),
        ({"a": True}, "dict[str, float]"),
        ({1: 1.0}, "dict[str, float]"),
        (2.0, "int"),
        ("a", "Optional[float]"),
        ([1], "dict[str, int]"),
    ],
)
def test_mismatch_names_type_and_value(value, annotation):
    assert annotation in mismatch(value, annotation) and repr(value) in mismatch(value, annotation)


@pytest.mark.parametrize("annotation", ["Path", "list[int, int]", "tuple[int]", "int &", "1 + 1"])
def test_mismatch_refuses_an_unknown_annotation(annotation):
    with pytest.raises(ValueError, match="not understood"):
        mismatch([], annotation)


def test_an_annotation_may_stand_in_quotes():
    found = read_parameters(notebook("base_c: 'Optional[float]' = None  # base [°C]"))
    assert found["base_c"] == Parameter("base_c", "Optional[float]", None, "base", "°C")


@pytest.mark.parametrize(
    "text, value",
    [
        ("a=7", 7),
        ("a='007'", "007"),
        ("a=-0.5", -0.5),
        ("a=['x', None]", ["x", None]),
        ("a=True", True),
        ("a='b=c'", "b=c"),
    ],
)
def test_parse_assignment_reads_literals(text, value):
    name, got = parse_assignment(text)
    assert (name, got, type(got)) == ("a", value, type(value))


@pytest.mark.parametrize(
    "text", ["a", "a=", "a=007", "a=NO", "a=yes", "1a=3", "=3", "a=__import__('os')", "a=(1,)"]
)
def test_parse_assignment_guesses_nothing(text):
    with pytest.raises(ValueError):
        parse_assignment(text)


def test_check_given_hands_each_notebook_its_own_and_names_every_fault():
    takes = {
        "10": read_parameters(notebook("site: str = 'a'\nn: int = 1")),
        "20": read_parameters(notebook("n: int = 2")),
    }
    assert check_given({"n": 5}, takes) == {"10": {"n": 5}, "20": {"n": 5}}
    assert check_given({"site": "b"}, takes) == {"10": {"site": "b"}, "20": {}}
    with pytest.raises(ValueError) as error:
        check_given({"m": 1, "n": "5"}, takes)
    assert (
        str(error.value).count("\n") == 2
        and "'m'" in str(error.value)
        and "20: 'n' must be int" in str(error.value)
    )


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.name)
def test_papermill_lists_every_parameter_as_the_batch_reads_it(path):
    own = read_parameters(json.loads(path.read_text(encoding="utf-8")), path.name)
    listed = inspect_notebook(path)
    assert list(listed) == list(own)
    for name, parameter in own.items():
        unit = f" [{parameter.unit}]" if parameter.unit else ""
        assert listed[name]["inferred_type_name"] == parameter.type
        assert ast.literal_eval(listed[name]["default"]) == parameter.default
        assert listed[name]["help"] == parameter.meaning + unit


@pytest.mark.slow
def test_a_notebook_runs_by_papermills_own_command_with_one_parameter_changed(tmp_path):
    command = [sys.executable, "-m", "papermill", "--no-progress-bar", "-k", "python3"]
    paths = [NOTEBOOKS[0], tmp_path / "ran.ipynb"]
    subprocess.run([*command, "-p", "site", "DRYSA", *map(str, paths)], check=True)
    ran = json.loads((tmp_path / "ran.ipynb").read_text(encoding="utf-8"))
    assert 'site = "DRYSA"' in json.dumps(ran["cells"]).replace("\\", "")
    assert "culmbook: finished" in json.dumps(ran["cells"][-1]["outputs"])
