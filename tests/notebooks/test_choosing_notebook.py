"""The notebook on choosing from its first cell to its last: a whole network, and one without its tables."""

import re

import pytest

from choosing_frames import choosing_network, choosing_tables
from notebook_runs import bundles, figures, sentences, shown_by, tables

NOTEBOOK = "70_choosing_across_sites.ipynb"
NAME = "H$8_*<b>#&'\"\\alpha"
FLOORS = {"moisture_pct": 32.5, "lt50_c": -2.0, "stand": 0.2}
WEIGHTS = {"yield_t_ha": 60.0, "moisture_pct": -6.0}
OF_YIELD = {
    "decisions",
    "reasons",
    "gains",
    "adjusted-means",
    "floors",
    "losses",
    "expected-losses",
    "other-ways",
    "index",
    "site-correlations",
    "links",
    "stages",
    "plans",
    "plan-table",
    "funnel",
}


def run(monkeypatch, network, **parameters):
    monkeypatch.setattr("culmbook.sheets.read.read_network", lambda *_, **__: network)
    return shown_by(NOTEBOOK, monkeypatch, **{"season": 2025} | parameters)


def labels(shown):
    return {*tables(shown), *figures(shown)}


def ranks(shown):
    return sorted(b["rank"] for b in bundles(shown) if b.get("kind") == "finding")


def hostile():
    frames = choosing_tables()
    return {
        name: frame.replace({"hybrid": {"H8": NAME}}) if "hybrid" in frame else frame
        for name, frame in frames.items()
    }


def test_whole_network_answers_every_question_and_prints_names_as_typed(monkeypatch):
    shown = run(monkeypatch, choosing_network(hostile(), floors=FLOORS, weights=WEIGHTS))
    assert labels(shown) >= OF_YIELD and ranks(shown) == [1, 2, 3, 4, 5, 6, 7, 9]
    assert {b["see"] for b in bundles(shown) if b.get("see")} <= labels(shown)
    assert f"{NAME}*" in {row[0] for row in tables(shown)["decisions"]["rows"]}
    assert NAME in " ".join(sentences(shown, "finding"))
    assert "<b>" not in "".join(re.sub(r'src="[^"]*"', "", thing.html()) for thing in shown)


@pytest.mark.parametrize(
    ("away", "words"),
    [
        (("harvests",), "The table harvests has no usable rows."),
        (("stand_counts", "freeze_tests"), "could not be applied to any hybrid"),
    ],
    ids=["harvests", "stand counts and freeze tests"],
)
def test_missing_table_is_refused_in_words(away, words, monkeypatch):
    shown = run(monkeypatch, choosing_network(away=away, floors=FLOORS))
    assert any(words in text for text in sentences(shown, "refusal"))
    if "harvests" in away:
        assert not labels(shown) and not ranks(shown)
    else:
        heads = [c["name"] for c in tables(shown)["floors"]["columns"]]
        assert "p_moisture_pct" in heads and "p_stand" not in heads and "p_lt50_c" not in heads
        assert {"decisions", "gains"} <= labels(shown)


def test_decisions_are_written_only_when_asked_for(monkeypatch, tmp_path):
    path = tmp_path / "decisions.csv"
    network = choosing_network(away=("harvests",))
    run(monkeypatch, network, write_decisions_to=str(path))
    assert not path.exists()
