"""The demo season, made whole: its executed notebooks, and the reports of a split-plot site, a
simple one and the network.

``CULMBOOK_SEASON`` names a folder that holds the season already, made by this library.
"""

import json
import os
import re
from functools import cache
from pathlib import Path

import pandas as pd
import pytest
from pypdf import PdfReader

from contradictions import contradictions
from culmbook.command import main
from culmbook.report.frames import HAS_VALUE, questions
from culmbook.report.glance import SHOWN
from culmbook.report.short import plan
from culmbook.sheets.read import demo_folder
from culmbook.show import palette as style
from notebook_runs import NOTEBOOKS, Shown, bundles, figures, sentences
from pdf_parts import drawn, elements

SCOPES = ("KRAVO", "DRYSA", "network")
SITES = list(pd.read_csv(demo_folder() / "sites.csv", dtype=str)["site"])
MM = 72 / 25.4
LEFT, RIGHT = (
    (210 - style.PAGE_WIDTH_MM) / 2 * MM,
    (210 + style.PAGE_WIDTH_MM) / 2 * MM,
)  # of the text on A4


@pytest.fixture(scope="module")
def season(tmp_path_factory):
    made = os.environ.get("CULMBOOK_SEASON")
    out = Path(made) if made else tmp_path_factory.mktemp("season") / "2025"
    # a season that is there and of this library, data and notebooks is taken as it is
    assert main(["season", str(demo_folder()), "--season", "2025", "--out", str(out)]) == 0
    return out


def shown_in(path):
    """What an executed notebook handed to the report, in order."""
    cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
    outputs = [output.get("data", {}) for cell in cells for output in cell.get("outputs", [])]
    return [shown for shown in (Shown("", data) for data in outputs) if shown.bundle()]


def planned():
    """Each notebook of the season with each scope that it names."""
    for path in sorted(NOTEBOOKS.glob("*.ipynb")):
        about = json.loads(path.read_text(encoding="utf-8"))["metadata"]["culmbook"]
        if about["report"]:
            yield from (
                (path.name, scope)
                for scope in (*SITES, "network")
                if ("network" if scope == "network" else "site") in about["scopes"]
            )


@pytest.mark.parametrize("name, scope", planned())
def test_notebook_runs_for_every_scope(name, scope, season):
    shown = shown_in(season / scope / "notebooks" / name)
    labels = [b["label"] for b in bundles(shown) if b.get("label") and "sentences" not in b]
    assert sentences(shown) and len(labels) == len(set(labels))
    said = {b["see"] for b in bundles(shown) if b.get("see")}
    assert said <= set(labels)  # a finding points at a table or figure that is there


@pytest.mark.parametrize("where", (*SITES, "network"))
def test_a_report_does_not_contradict_itself(season, where):
    executed = sorted((season / where / "notebooks").glob("*.ipynb"))
    assert contradictions({path.name: bundles(shown_in(path)) for path in executed}) == []


@pytest.fixture(params=SCOPES)
def scope(request):
    return request.param


@pytest.fixture
def reader(scope, season):
    return PdfReader(season / scope / f"{scope}_2025_record.pdf")


@pytest.fixture
def short(scope, season):
    return PdfReader(season / scope / f"{scope}_2025.pdf")


@cache
def texts(path):
    """The words of each page, read once; a pdf's reader takes a minute for a network's record."""
    pages = (page.extract_text() for page in PdfReader(path).pages)
    return [" ".join(text.replace("\u200b", "").split()) for text in pages]


@pytest.fixture
def record_texts(scope, season):
    return texts(season / scope / f"{scope}_2025_record.pdf")


@pytest.fixture
def short_texts(scope, season):
    return texts(season / scope / f"{scope}_2025.pdf")


@pytest.fixture(scope="module")
def frames(season):
    folder = season / "network" / "frames"
    return {
        name: pd.read_csv(folder / f"{name}.csv", dtype="str")
        for name in ("answers", "numbers", "sentences")
    }


@pytest.fixture
def structure(reader):
    return elements(reader.trailer["/Root"]["/StructTreeRoot"]["/K"])


def test_report_is_tagged_titled_and_says_that_data_are_invented(reader, record_texts):
    root = reader.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"] and root["/Lang"].startswith("en")
    assert "season 2025" in reader.metadata.title and reader.metadata.author
    assert all("invented" in text for text in record_texts)


def test_every_page_counts_itself_and_nothing_is_under_seven_points(reader, record_texts):
    n = len(reader.pages)
    assert 12 <= n <= 100
    assert all(f"Page {at} of {n}" in text for at, text in enumerate(record_texts, 1))
    sizes = [item[1] for page in reader.pages for item in drawn(page, reader) if item[0] == "text"]
    assert min(sizes) >= style.MIN_TEXT_PT - 0.01


def test_every_figure_has_alternative_text_and_lies_within_the_text(structure):
    figures = [node for node in structure if node["/S"] == "/Figure"]
    assert len(figures) >= 8 and all(len(node["/Alt"]) > 20 for node in figures)
    boxes = [attributes["/BBox"] for node in figures for attributes in node["/A"]]
    assert all(box[0] >= LEFT - 0.1 and box[2] <= RIGHT + 0.1 for box in boxes)


def test_findings_stand_on_the_first_page_and_name_pages_that_exist(record_texts):
    first = record_texts[0]
    assert "Findings" in first and "By autumn 2025" in first
    named = [int(page) for page in re.findall(r"(?:Figure|Table) \d+, page\s+(\d+)", first)]
    assert len(named) >= 5 and max(named) <= len(record_texts)


def test_every_figure_of_the_notebooks_is_in_the_report(season, scope, structure):
    executed = sorted((season / scope / "notebooks").glob("*.ipynb"))
    shown = [label for path in executed for label in figures(shown_in(path))]
    assert len([node for node in structure if node["/S"] == "/Figure"]) == len(shown)


def test_a_short_report_opens_with_the_glance_and_keeps_to_its_pages(short, short_texts, scope):
    n = len(short.pages)
    assert 4 <= n <= (10 if scope == "network" else 8)
    width, height = short.pages[0].mediabox[2:]
    assert width > height and "more is better" in short_texts[0]
    assert all(f"Page {at} of {n}" in text for at, text in enumerate(short_texts, 1) if at > 1)
    sizes = [item[1] for page in short.pages for item in drawn(page, short) if item[0] == "text"]
    assert min(sizes) >= style.MIN_TEXT_PT - 0.01


def test_a_short_report_is_tagged_and_its_figures_have_alternative_text(short):
    found = elements(short.trailer["/Root"]["/StructTreeRoot"]["/K"])
    assert len([node for node in found if node["/S"] == "/TH"]) >= 8
    figures = [node for node in found if node["/S"] == "/Figure"]
    assert figures and all(len(node["/Alt"]) > 20 for node in figures)


def test_pages_of_the_record_that_a_short_report_names_hold_what_it_shows(
    short_texts, record_texts
):
    *told, _ = re.split(r"Record, page (?=\d)", said := " ".join(short_texts))
    pages = map(int, re.findall(r"Record, page (\d+)", said))
    starts = [re.findall(r"(?:Figure|Table) \d+\. (.{12})", before)[-1] for before in told]
    named = list(zip(starts, pages, strict=True))
    assert len(named) >= 3
    assert all(start in record_texts[page - 1] for start, page in named)


def test_the_glance_prints_the_digits_of_the_record(frames, scope, short_texts, record_texts):
    answers = frames["answers"]
    asked = answers[answers["scope"].eq(scope) & answers["state"].isin(HAS_VALUE)]
    wanted = asked[asked["question"].isin(SHOWN["network" if scope == "network" else "site"])]
    first, record = short_texts[0], " ".join(record_texts)
    assert len(wanted) >= 80
    missing = [
        row for row in wanted.itertuples() if row.shown not in first or row.shown not in record
    ]
    assert not missing


def test_every_question_is_answered_by_the_demo(frames):
    answers = frames["answers"]
    network = answers[answers["scope"].eq("network") & answers["state"].isin(HAS_VALUE)]
    for asked in questions().query("scope != 'site'").itertuples():
        told = network[network["question"].eq(asked.question)]
        if asked.question != "overwinter":
            assert len(told) >= 20, asked.question
        assert set(told["label"]) <= {asked.label}
    assert not answers.duplicated(["scope", "hybrid", "question"]).any()
    assert answers["shown"].str.len().gt(0).all()


def test_all_that_a_short_report_may_hold_is_made_by_the_demo(season, frames):
    shown = set()
    for scope in SCOPES:
        kind = "network" if scope == "network" else "site"
        for path in (season / scope / "notebooks").glob("*.ipynb"):
            for cell in json.loads(path.read_text(encoding="utf-8"))["cells"]:
                for output in cell.get("outputs", []):
                    for bundle in output.get("data", {}).values():
                        if isinstance(bundle, dict) and bundle.get("label"):
                            shown |= {
                                (kind, path.stem, str(bundle.get(name)))
                                for name in ("label", "rank")
                            }
    wanted = {(r.scope, r.notebook, r.label) for r in plan().itertuples()}
    assert wanted <= shown, wanted - shown


def test_every_hybrid_has_its_page(season):
    pages = texts(season / "network" / "hybrids_2025.pdf")
    assert len(pages) == 26
    assert all(f"H{k:02d}" in " ".join(pages) for k in range(1, 25))
