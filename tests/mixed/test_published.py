"""Published numbers that the mixed models meet, and the notebook that shows a handful of them."""

import pytest

from culmbook.batch.notebook import find_notebooks
from notebook_runs import NOTEBOOKS, cells_of, figures, shown_by, tables
from published_checks import CHECKS, check_published

NOTEBOOK = "90_mixed_models.ipynb"


def test_every_published_number_is_met():
    checked = check_published()
    assert len(checked) == sum(len(check.expected) for check in CHECKS) > 45
    missed = checked.loc[~checked["holds"], ["analysis", "quantity", "ours"]]
    assert missed.empty, missed.to_string()


@pytest.mark.parametrize("parameters", [{"level": 0.8}, {"nodes": 5, "seed": 2}])
def test_notebook_runs_with_other_parameters(parameters, monkeypatch):
    shown = shown_by(NOTEBOOK, monkeypatch, **parameters)
    assert {"criteria", "checks"} <= set(tables(shown))
    assert {"nitrogen", "kernels", "field"} <= set(figures(shown))


def test_notebook_shows_published_numbers_that_hold(monkeypatch):
    rows = tables(shown_by(NOTEBOOK, monkeypatch))["checks"]["rows"]
    assert len(rows) >= 8 and {row[-1] for row in rows} == {"holds"}


def test_notebook_can_be_read_at_a_glance():
    lengths = [
        sum(bool(line.strip()) for line in "".join(cell["source"]).splitlines())
        for cell in cells_of(NOTEBOOK)
        if cell["cell_type"] == "code"
    ]
    assert max(lengths) <= 15 and sum(lengths) <= 155


def test_notebook_is_no_part_of_a_report():
    names = [notebook.path.name for notebook in find_notebooks(NOTEBOOKS)]
    assert names and NOTEBOOK not in names
