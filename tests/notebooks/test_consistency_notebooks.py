"""The notebooks on consistency and on one site beside the network: what they show, mark and
refuse.
"""

import shutil

import pytest

from culmbook.sheets.read import demo_folder
from notebook_runs import bundles, figures, run_cells, sentences, tables
from small_network import small_network, write_network

CONSISTENCY, SITE = "50_consistency.ipynb", "65_site_and_network.ipynb"
OF_ONE_SEASON = {
    "seasons-cut",
    "terms",
    "season-yields",
    "season-yield-table",
    "variance-components",
    "build-up-curves",
    "build-up-years",
}
"""What one season after establishment still carries."""


def labels(shown):
    return {*tables(shown), *figures(shown)}


@pytest.fixture(scope="module")
def demo():
    return run_cells(CONSISTENCY, site="KRAVO")


def test_findings_stand_in_their_order_and_point_at_what_is_there(demo):
    found = [b for b in bundles(demo.shown) if b.get("kind") == "finding"]
    assert [b["rank"] for b in found] == [60, 61, 62, 63, 64]
    assert {b["see"] for b in found} <= labels(demo.shown)
    assert max(f["height_in"] for f in figures(demo.shown).values()) <= 8.5
    assert all(len(f["alt"]) > 40 for f in figures(demo.shown).values())


def test_every_result_of_few_seasons_is_marked_provisional(demo):
    results = [b for b in bundles(demo.shown) if b.get("label") and b["label"] != "terms"]
    marked = [str(b.get("caption")) + str(b.get("note")) + str(b.get("sentences")) for b in results]
    assert [text for text in marked if "rovisional" not in text] == []
    (said,) = sentences(demo.shown, "provisional")
    assert said.startswith("2 seasons after establishment, not 3.")
    assert str(bundles(demo.shown)).count("seasons after establishment, not 3") == 1


def test_first_sentence_is_that_of_the_table(demo):
    listed = tables(demo.shown)["chances"]
    names = [c["name"] for c in listed["columns"]]
    rows = [dict(zip(names, row)) for row in listed["values"]]
    (said,) = [t for t in sentences(demo.shown, "finding") if t.startswith("Against STD")]
    erratic = [r for r in rows if r["verdict"] == "erratic"]
    assert [f"{r['hybrid']} ({100 * r['chance_erratic']:.0f} %)" in said for r in erratic] == [True]
    assert "promising but unproven: none" in said and not [
        r for r in rows if r["verdict"] == "promising"
    ]


def test_one_season_refuses_what_takes_two_and_answers_the_rest():
    run = run_cells(CONSISTENCY, site="DRYSA")
    assert labels(run.shown) == OF_ONE_SEASON
    refused = sentences(run.shown, "refusal")
    assert len(refused) == len(set(refused))
    for what in (
        "the chances against the control in a new season",
        "a worst season or a spread over seasons",
        "whether rankings agree",
        "repeatability and reliability",
    ):
        assert any(t.endswith(f"(2025): it takes two at least to tell {what}.") for t in refused)
    assert any("cut in one season of full yield only (2025)" in t for t in refused)
    assert run.printed.endswith("culmbook: finished\n")


@pytest.mark.parametrize("away", ["harvests", "plots", "hybrids"])
def test_a_table_that_is_away_is_named_once_and_nothing_of_it_is_shown(away, tmp_path):
    sheets = {n: s for n, s in small_network().items() if not n.endswith(f"{away}.csv")}
    run = run_cells(CONSISTENCY, data=str(write_network(tmp_path / "net", sheets)), site="S01")
    assert not labels(run.shown) and not sentences(run.shown, "finding")
    (refused,) = sentences(run.shown, "refusal")
    assert away in refused and run.printed == "culmbook: finished\n"


def test_site_is_set_beside_the_others_in_words_figure_and_table():
    run = run_cells(SITE, site="KRAVO")
    assert labels(run.shown) == {"stands", "by-site", "beside-others", "beside-others-table"}
    (said,) = sentences(run.shown, "finding")
    assert "14 hybrids of KRAVO also stand at the other sites" in said
    assert "KRAVO ranks hybrids only partly like the other sites (0.58; 0.08–0.75)" in said
    assert (
        "Provisional, over all sites: 2 seasons" in said
        and "clearly apart: H07 and H17\n" in run.printed
    )


def test_site_without_harvests_is_refused_once(tmp_path):
    demo = tmp_path / "network"
    shutil.copytree(demo_folder(), demo)
    (demo / "DRYSA" / "harvests.csv").unlink()
    run = run_cells(SITE, data=str(demo), site="DRYSA")
    assert set(tables(run.shown)) == {"stands"} and not sentences(run.shown, "finding")
    assert sentences(run.shown, "refusal") == [
        "Site DRYSA has no yield of an established stand. So this site is not set beside the others."
    ]
