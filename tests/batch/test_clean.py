"""What a committed notebook may hold. The rules are this project's own; no source."""

import copy
import json
from pathlib import Path

import pytest

from culmbook.batch import clean as cleaning
from culmbook.batch.clean import as_text, check_file, clean, cleaned, faults, headline, placeholders

NOTEBOOKS = sorted((Path(__file__).parents[2] / "notebooks").glob("*.ipynb"))


def cell(text, *tags, kind="code", **more):
    made = {
        "cell_type": kind,
        "metadata": {"tags": list(tags)} if tags else {},
        "source": text.splitlines(keepends=True),
    }
    return made | ({"outputs": [], "execution_count": None} if kind == "code" else {}) | more


def printed(text):
    return {
        "outputs": [{"name": "stdout", "output_type": "stream", "text": [text]}],
        "execution_count": 3,
    }


def notebook(*extra):
    cells = [
        cell("# How many?", kind="markdown"),
        cell("n: int = 2  # plots", "parameters"),
        cell("m = n + 1"),
        *extra,
        cell("print(m)", "nbval-check-output", **printed("3\n")),
        cell("print('culmbook: finished')", "sentinel"),
    ]
    return {
        "cells": [{**c, "id": f"c{i}"} for i, c in enumerate(cells)],
        "nbformat": 4,
        "nbformat_minor": 5,
        "metadata": {"culmbook": {"report": False}, "language_info": {"name": "python"}},
    }


def changed(change):
    book = copy.deepcopy(notebook())
    change(book)
    return book


def test_faults_finds_none_in_a_clean_notebook():
    assert faults(notebook()) == []


@pytest.mark.parametrize(
    "change, word",
    [
        (lambda b: b["cells"][2].update(printed("5\n")), "remain"),
        (lambda b: b["cells"][2].update(execution_count=1), "remain"),
        (lambda b: b["cells"][2]["metadata"].update(execution={"iopub": 1}), "remain"),
        (lambda b: b["metadata"].update(papermill={"duration": 1}), "remain"),
        (lambda b: b["cells"][3].update(outputs=[]), "no stored output"),
        (lambda b: b["cells"][3].update(execution_count=None), "no stored output"),
        (lambda b: b["cells"][3]["metadata"].pop("tags"), "found 0"),
        (lambda b: b["cells"][3]["outputs"][0].update(output_type="display_data"), "plain text"),
        (lambda b: b["cells"][4]["metadata"].pop("tags"), "sentinel"),
        (lambda b: b["cells"][1].update(source=["n: int = 2"]), "meaning"),
        (lambda b: b["cells"][1].update(source=["n: int = 1 + 1  # plots"]), "literal"),
        (lambda b: b["cells"][2].update(id="c1"), "id of its own"),
        (lambda b: b["cells"][0].update(source=["see /home/me/x"]), "path of one machine"),
    ],
)
def test_faults_names_what_is_wrong(change, word):
    assert any(word in fault for fault in faults(changed(change)))


@pytest.mark.parametrize(
    "text, word",
    [
        ("def f():\n    return 1", "defines 'f'"),
        ("class A: pass", "defines 'A'"),
        ("if n:\n    async def g(): pass", "defines 'g'"),
        ("%matplotlib inline", "no magics"),
        ("!ls", "no magics"),
        ("\n".join(f"a{i} = 1" for i in range(16)), "16 lines"),
    ],
)
def test_faults_refuses_code_that_belongs_elsewhere(text, word):
    assert any(word in fault for fault in faults(notebook(cell(text))))


def test_faults_counts_no_blank_lines_and_frees_the_parameters_cell():
    assert faults(notebook(cell("\n\n".join(f"a{i} = 1" for i in range(15))))) == []
    many = changed(
        lambda b: b["cells"][1].update(source=[f"a{i}: int = 1  # plots\n" for i in range(17)])
    )
    assert not any("lines" in fault for fault in faults(many))


def test_faults_finds_text_of_the_template_that_was_not_replaced():
    template = notebook(
        cell(
            "Say *what is\nasked* and _why it matters_. Not **bold**, a*b*c or snake_case_name.",
            kind="markdown",
        )
    )
    assert placeholders(template) == {"what is asked", "why it matters"}
    copied = notebook(cell("Say *what is asked* here.", kind="markdown"))
    assert faults(copied, template) == ["text of the template remains: *what is asked*"]
    assert faults(notebook(cell("An *own* word.", kind="markdown")), template) == []


def test_cleaned_keeps_only_the_headlines_output():
    dirty = changed(
        lambda b: (b["cells"][2].update(printed("x")), b["metadata"].update(papermill={}))
    )
    assert cleaned(dirty) == notebook()
    assert cleaned(cleaned(dirty)) == cleaned(dirty)


def test_clean_renews_the_headline_and_says_what_changed(tmp_path):
    path = tmp_path / "10_x.ipynb"
    path.write_text(
        as_text(changed(lambda b: b["cells"][1].update(source=["n: int = 6  # plots"])))
    )
    assert clean(path) == "headline changed\n- 3\n+ 7"
    renewed = json.loads(path.read_text())
    assert (
        headline(renewed) == "7\n"
        and renewed["cells"][3]["execution_count"] == 3
        and check_file(path) == []
    )
    assert clean(path) == "" and [p.name for p in tmp_path.iterdir()] == ["10_x.ipynb"]


def test_main_leaves_a_notebook_that_does_not_run_and_goes_on(tmp_path, capsys):
    (tmp_path / "10_bad.ipynb").write_text(as_text(notebook(cell("1 / 0"))))
    (tmp_path / "20_good.ipynb").write_text(as_text(notebook()))
    before = (tmp_path / "10_bad.ipynb").read_text()
    assert cleaning.main([str(tmp_path)]) == 1
    assert (tmp_path / "10_bad.ipynb").read_text() == before
    heard = capsys.readouterr().out
    assert "ZeroDivisionError" in heard and "20_good.ipynb: clean" in heard
    assert cleaning.main(["--check", str(tmp_path)]) == 0


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.name)
def test_notebooks_of_the_project_are_clean(path):
    assert check_file(path) == []
