"""What a site's report says of its agreement with the network, on invented yields."""

import re
import shutil

import numpy as np
import pytest

from consistency_frames import make_seasons
from culmbook.consistency.model import fit_seasons, season_records
from culmbook.pages import agreement_page
from culmbook.pages.seasons_page import Seasons
from culmbook.sheets.read import demo_folder
from notebook_runs import sentences, shown_by, tables

CONTROLS = ["H00"]


def seasons(rows):
    records = season_records(rows)
    return Seasons(
        "all", "", rows, records, fit_seasons(records, CONTROLS), None, CONTROLS, "H00", 0.95
    )


@pytest.fixture(scope="module")
def rows():
    return make_seasons(np.random.default_rng(3), sites=3, seasons=2, hybrids=14)


@pytest.fixture(scope="module")
def beside(rows):
    return agreement_page.beside_others(seasons(rows), "S1")


def test_the_finding_says_who_stands_apart_and_what_the_site_weighs(beside):
    said, drawn, listed = agreement_page.show_beside(beside, CONTROLS, rank=75)
    words = " ".join(said.sentences)
    assert "14 hybrids of S1 also stand at the other sites (S0 and S2)." in words
    assert re.search(r"the correlation is \S+ \(95", words) and "Provisional: 2 seasons" in words
    assert said.see == drawn.label and drawn.alt.startswith("Scatter of 14 hybrids")
    assert len(listed.content["rows"]) == 14


def test_a_hybrid_that_fails_at_one_site_alone_is_named(rows):
    fails = rows["site"].eq("S1") & rows["hybrid"].eq("H05")
    spoilt = rows.assign(dry_yield_t_ha=rows["dry_yield_t_ha"] * np.where(fails, 0.2, 1.0))
    beside = agreement_page.beside_others(seasons(spoilt), "S1")
    assert "H05 lower than expected" in " ".join(
        agreement_page.show_beside(beside, CONTROLS, rank=1)[0].sentences
    )
    assert "clearly apart: H05" in agreement_page.headline(beside)


def test_one_site_is_refused_in_words(rows):
    beside = agreement_page.beside_others(seasons(rows[rows["site"] == "S1"]), "S1")
    assert beside.reason.startswith("Site S1 is the only one with means")
    assert sentences(agreement_page.show_beside(beside, CONTROLS, rank=1), "refusal") == [
        beside.reason
    ]
    assert agreement_page.show_limits(beside) == () and agreement_page.headline(beside).startswith(
        "not set beside"
    )


def test_a_site_without_yields_is_refused_in_words(rows):
    beside = agreement_page.beside_others(seasons(rows), "S9")
    assert (
        beside.reason
        == "S9 has no yield of an established stand. So this site is not set beside the others."
    )


def test_hybrids_in_common_are_counted(rows):
    part = seasons(rows[~(rows["site"].eq("S2") & rows["hybrid"].isin(["H03", "H04"]))])
    shown = agreement_page.show_stands(part, "S1")
    assert sentences(shown)[0].startswith("3 sites of the network have yields")
    rows = tables(shown)["stands"]["rows"]
    assert [(row[0], row[3]) for row in rows] == [("S0", "14"), ("S1", "14"), ("S2", "12")]


def test_notebook_refuses_a_network_without_harvests(monkeypatch, tmp_path):
    demo = tmp_path / "network"
    shutil.copytree(demo_folder(), demo)
    for path in demo.glob("*/harvests.csv"):
        path.unlink()
    shown = shown_by("65_site_and_network.ipynb", monkeypatch, data=str(demo), site="DRYSA")
    assert (
        len(sentences(shown, "refusal")) == 2
        and not sentences(shown, "finding")
        and not tables(shown)
    )
    assert all("harvests" in text for text in sentences(shown, "refusal"))
