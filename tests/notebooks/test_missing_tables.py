"""Notebooks whose tables are taken away in turn, at one site and at all: they say so once and run
to their end.
"""

import re

import pytest
from matplotlib.figure import Figure

from culmbook.show import page
from notebook_runs import bundles, figures, run_cells, sentences, tables
from tables_taken_away import taken_away

ALL = "all ranks"
NOTEBOOKS = {
    "20_establishment.ipynb": {
        "hybrids": ALL,
        "plots": ALL,
        "stand_counts": ALL,
        "plant_gaps": {27},
    },
    "40_yield_components.ipynb": {
        "hybrids": ALL,
        "plots": ALL,
        "harvests": {50, 51, 52, 54, 56, 58},
        "stem_measures": {53, 54, 55, 56, 57},
        "stand_counts": {54, 55},
        "phenology": set(),
    },
}
"""Tables that a notebook reads, each with the ranks of the findings that rest on it."""
AT_ONE_OF_SEVERAL = {"stand_counts", "harvests"}
CASES = [
    pytest.param(name, table, gone, *scope, id=f"{name[:2]}-{table}-{'-'.join(scope)}")
    for name, reads in NOTEBOOKS.items()
    for table, gone in reads.items()
    for scope in (("MELDO", "*"), ("all", "*"), ("all", "MELDO"))
    if scope != ("all", "MELDO") or table in AT_ONE_OF_SEVERAL
]
QUICK = {"permutations": 49}


@pytest.fixture(autouse=True)
def figures_are_made_and_not_drawn(monkeypatch):
    """Other tests draw them; here it matters which there are, and their numbers."""
    monkeypatch.setattr(page, "_svg", lambda fig: "<svg/>")
    monkeypatch.setattr(Figure, "draw_without_rendering", lambda fig: None)


@pytest.mark.parametrize(("name", "table", "gone", "site", "at"), CASES)
def test_a_missing_table_is_said_once_and_the_rest_is_answered(
    name, table, gone, site, at, tmp_path
):
    folder = taken_away(tmp_path / "net", table, at)
    run = run_cells(name, data=str(folder), site=site, season=2025, **QUICK)
    assert "culmbook: finished" in run.printed
    ranks = {b["rank"] for b in bundles(run.shown) if b.get("kind") == "finding"}
    labels = {*tables(run.shown), *figures(run.shown)}
    assert {b["see"] for b in bundles(run.shown) if b.get("see")} <= labels
    assert all(b["data"]["rows"] for b in figures(run.shown).values() if b["data"])
    named = [s for s in sentences(run.shown, "refusal") if re.search(rf"\b{table}\b", s)]
    if at == "*":
        assert len(named) == 1, sentences(run.shown, "refusal")
        assert not ranks if gone == ALL else ranks and not ranks & gone
        assert gone != ALL or not labels
    else:
        assert not named and ranks


@pytest.mark.parametrize("name", NOTEBOOKS)
def test_a_season_of_which_nothing_came_in_is_answered_in_words(name, tmp_path):
    folder = taken_away(tmp_path / "net", "no table", "*")
    run = run_cells(name, data=str(folder), site="MELDO", season=2031, **QUICK)
    assert "culmbook: finished" in run.printed and sentences(run.shown, "refusal")
