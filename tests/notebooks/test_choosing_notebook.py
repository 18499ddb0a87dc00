"""The notebook on choosing from its first cell to its last: a whole network, and networks that
lack something.
"""

import re
import shutil
from functools import lru_cache
from tempfile import TemporaryDirectory

import numpy as np
import pandas as pd
import pytest

import culmbook.sheets.read
from choosing_frames import CODES, choosing_network, choosing_tables
from contradictions import contradictions
from culmbook.selection.decisions import last_decisions
from culmbook.sheets.read import read_network
from notebook_runs import bundles, figures, run_cells, sentences, tables

NOTEBOOK = "70_choosing_across_sites.ipynb"
WRITTEN = TemporaryDirectory()
NAME = "H$8_*<b>#&'\"\\alpha"
FLOORS = {"moisture_pct": 32.5, "lt50_c": -2.0}
WEIGHTS = {"yield_t_ha": 60.0, "moisture_pct": -6.0}
OF_ALL = {"choosing-elsewhere", "site-correlations", "links", "stages", "funnel"}
OF_YIELD = OF_ALL | {
    "decisions",
    "reasons",
    "gains",
    "adjusted-means",
    "floors",
    "losses",
    "expected-losses",
    "firmness",
    "other-ways",
    "plans",
    "plan-table",
}


def run(network, **parameters):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(culmbook.sheets.read, "read_network", lambda *_, **__: network)
        return run_cells(NOTEBOOK, **{"season": 2025} | parameters)


def labels(found):
    return {*tables(found.shown), *figures(found.shown)}


def frame(bundle):
    """A table's raw values, or those behind a figure."""
    content = bundle.get("data") or bundle
    return pd.DataFrame(content["values"], columns=[c["name"] for c in content["columns"]])


def decided_before(decisions):
    empty = choosing_network().tables["decisions"]
    made = {"hybrid": list(decisions), "decision": list(decisions.values()), "growing_season": 2024}
    made = pd.DataFrame(made).reindex(columns=list(empty))
    return made.astype({"growing_season": "Int64", "decided_on": empty["decided_on"].dtype})


@lru_cache
def whole():
    """Every question answered; the best yielder is too wet and has a name that no markup may obey."""
    renamed = {
        name: table.replace({"hybrid": {"H8": NAME}}) if "hybrid" in table else table
        for name, table in choosing_tables().items()
    }
    renamed["decisions"] = decided_before({NAME: "promote", "H1": "drop", "H2": "hold"})
    return run(choosing_network(renamed, floors=FLOORS | {"moisture_pct": 31.5}, weights=WEIGHTS))


@lru_cache
def one_season():
    return run(choosing_network(choosing_tables(seasons=(2025,))))


@lru_cache
def plain():
    """Every default; its decisions are written to a file."""
    asked = {"write_decisions_to": f"{WRITTEN.name}/decisions.csv", "decided_on": "2026-03-01"}
    return run(choosing_network(), **asked)


def test_whole_network_answers_every_question_and_prints_names_as_typed():
    found = bundles(whole().shown)
    assert labels(whole()) == OF_YIELD | {"index", "last-decisions"}
    ranks = [b["rank"] for b in found if b.get("kind") == "finding"]
    assert sorted(ranks) == [1, 2, 3, 4, 5, 6, 7, 8, 9]
    assert {b["see"] for b in found if b.get("see")} <= labels(whole())
    known = {NAME, *CODES} - {"H8"}
    every = {**tables(whole().shown), **figures(whole().shown)}
    keyed = [frame(b)["hybrid"] for b in every.values() if "hybrid" in frame(b)]
    assert len(keyed) > 8 and all(set(own) <= known for own in keyed)  # a key carries no mark
    assert not any(
        "*" in c["name"] for b in every.values() for c in (b.get("data") or b)["columns"]
    )
    assert frame(every["decisions"])["n_seasons"].eq(2).all()
    assert NAME in " ".join(sentences(whole().shown, "finding"))
    assert "<b>" not in "".join(re.sub(r'src="[^"]*"', "", s.html()) for s in whole().shown)
    for figure in figures(whole().shown).values():
        assert figure["height_in"] <= 8.5 and len(figure["alt"]) > 40


def test_best_yielder_that_fails_a_floor_is_not_promoted_and_the_report_says_why():
    row = frame(tables(whole().shown)["decisions"]).set_index("hybrid").loc[NAME]
    assert row["decision"] == "drop" and row["reason"] == "Fails the moisture floor."
    assert row["change"] == "Passing the moisture floor."
    full = frame(tables(whole().shown)["reasons"]).set_index("hybrid").loc[NAME, "change"]
    assert full.startswith("Passing the moisture floor would promote it. One more season")
    said = " ".join(sentences(whole().shown, "finding"))
    assert f"{NAME} has the highest predicted yield" in said
    assert "dropped, as it passes the floor on moisture at harvest with a probability of" in said
    assert "Without the floor on moisture at harvest" in said and "would be promoted" in said
    drops = frame(tables(whole().shown)["firmness"])
    ways = frame(tables(whole().shown)["other-ways"])
    assert (drops[["promote", "hold", "drop"]].sum(axis=1) == len(ways)).all()


def test_gains_go_with_plain_means_and_losses_with_probabilities():
    raw = choosing_tables()
    cut = raw["harvests"].merge(raw["plots"][["site", "plot", "hybrid"]], on=["site", "plot"])
    dry = np.log(cut["fresh_mass_kg"] * cut["subsample_dry_g"] / cut["harvested_area_m2"])
    means = dry.groupby([cut["site"], cut["growing_season"], cut["hybrid"]]).mean()
    means = means.groupby("hybrid").mean()
    own = np.expm1(means.drop("STD") - means["STD"])
    gains = frame(figures(plain().shown)["gains"]).set_index("hybrid")
    assert gains["gain"].corr(own[gains.index]) > 0.98 and gains["gain"].idxmax() == "H8"
    assert sorted(gains.index) == sorted(set(CODES) - {"STD"})
    assert gains["p_top"].sum() == pytest.approx(2)
    losses = frame(figures(plain().shown)["losses"])
    np.testing.assert_allclose(losses["loss_promote"], 1 - losses["chance_worthy"])
    np.testing.assert_allclose(losses["loss_drop"], losses["chance_worthy"])
    shown = frame(tables(plain().shown)["decisions"])
    assert shown["chance_worthy"].between(0, 1, inclusive="neither").all()
    assert "p_floors" not in shown and shown["reason"].str.len().max() <= 50
    assert plain().printed.splitlines()[-2].endswith("provisional: yes")


@pytest.mark.parametrize(
    ("network", "words", "shown"),
    [
        (lambda: choosing_network(away=("harvests",)), "harvests has no usable rows", set()),
        (lambda: choosing_network(choosing_tables(codes=["H1", "STD"])), "two candidates", None),
        (lambda: choosing_network(controls=()), "The network names no control", OF_ALL),
        (
            lambda: choosing_network(choosing_tables(sites=("S1",)), weights=WEIGHTS),
            "putting sites together takes two",
            OF_YIELD - OF_ALL | {"index"},
        ),
        (
            None,
            "One season was cut|one season was cut",
            OF_YIELD - {"plans", "plan-table", "funnel"},
        ),
        (
            lambda: choosing_network(away=("freeze_tests",), floors=FLOORS),
            "The floor on LT50 .* could not be applied to any hybrid",
            OF_YIELD,
        ),
    ],
    ids=["no harvests", "one candidate", "no control", "one site", "one season", "no freeze tests"],
)
def test_what_is_missing_is_said_and_the_rest_goes_on(network, words, shown):
    found = run(network()) if network else one_season()
    assert "culmbook: finished" in found.printed
    assert any(re.search(words, text) for text in sentences(found.shown, "refusal"))
    assert labels(found) == ({"links"} & labels(found) if shown is None else shown)
    if "floors" in labels(found):
        heads = set(frame(tables(found.shown)["floors"]))
        assert "p_lt50_c" not in heads and ("p_moisture_pct" in heads) == ("LT50" in words)


def test_after_one_season_what_is_open_is_too_early_everywhere_it_is_said():
    found = one_season()
    shown = frame(figures(found.shown)["gains"]).set_index("hybrid")
    is_early = shown["decision"].eq("too early")
    assert (
        is_early.any() and (is_early == (shown["lower"].le(0.05) & shown["upper"].ge(0.05))).all()
    )
    listed = frame(tables(found.shown)["decisions"]).set_index("hybrid")["decision"]
    assert listed.to_dict() == shown["decision"].to_dict()
    said = " ".join(sentences(found.shown, "finding"))
    assert "not decided yet, too early: " in said and "No decision changes with any" not in said
    assert "Once the same plots have been cut in a second season, it can" in said


@pytest.mark.parametrize("found", [whole, plain, one_season], ids=lambda made: made.__name__)
def test_nothing_is_said_beside_its_contrary(found):
    assert contradictions({NOTEBOOK: bundles(found().shown)}) == []


def test_decisions_written_are_what_the_next_report_looks_back_on(tmp_path):
    found, network = plain(), choosing_network()
    assert "8 decisions were added to decisions.csv." in sentences(found.shown)
    shutil.copy(f"{WRITTEN.name}/decisions.csv", tmp_path)
    known = network.tables["hybrids"][["hybrid", "role", "crop_type", "stage"]]
    known.assign(propagation="plug").to_csv(tmp_path / "hybrids.csv", index=False)
    back = last_decisions(read_network(tmp_path).tables["decisions"], 2026).set_index("hybrid")
    shown = frame(tables(found.shown)["expected-losses"]).set_index("hybrid")
    assert back["decision"].to_dict() == shown["decision"].to_dict()
    assert back["reason"].str.len().gt(0).all()
    lost = tmp_path / "lost.csv"
    run(choosing_network(away=("harvests",)), write_decisions_to=str(lost))
    assert not lost.exists()
