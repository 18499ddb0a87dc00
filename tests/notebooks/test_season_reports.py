"""The demo season's own reports, opened: a split-plot site, a simple one, and the network."""

import json
import re

import pytest
from pypdf import PdfReader

from culmbook.command import main
from culmbook.sheets.read import demo_folder
from culmbook.show import palette as style
from culmbook.show.page import FIGURE_MIME
from pdf_parts import drawn, elements

SCOPES = ("KRAVO", "DRYSA", "network")
MM = 72 / 25.4
LEFT, RIGHT = (
    (210 - style.PAGE_WIDTH_MM) / 2 * MM,
    (210 + style.PAGE_WIDTH_MM) / 2 * MM,
)  # of the text on A4


@pytest.fixture(scope="module")
def season(tmp_path_factory):
    out = tmp_path_factory.mktemp("season") / "2025"
    asked = [word for scope in SCOPES for word in ("--site", scope)]
    assert main(["season", str(demo_folder()), "--season", "2025", "--out", str(out), *asked]) == 0
    return out


@pytest.fixture(params=SCOPES)
def scope(request):
    return request.param


@pytest.fixture
def reader(scope, season):
    return PdfReader(season / scope / f"{scope}_2025.pdf")


@pytest.fixture
def structure(reader):
    return elements(reader.trailer["/Root"]["/StructTreeRoot"]["/K"])


def test_report_is_tagged_titled_and_says_that_data_are_invented(reader):
    root = reader.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"] and root["/Lang"].startswith("en")
    assert "season 2025" in reader.metadata.title and reader.metadata.author
    assert all("invented" in page.extract_text() for page in reader.pages)


def test_every_page_counts_itself_and_nothing_is_under_seven_points(reader):
    n = len(reader.pages)
    assert 12 <= n <= 100
    assert all(
        f"Page {at} of {n}" in page.extract_text() for at, page in enumerate(reader.pages, 1)
    )
    sizes = [item[1] for page in reader.pages for item in drawn(page, reader) if item[0] == "text"]
    assert min(sizes) >= style.MIN_TEXT_PT - 0.01


def test_every_figure_has_alternative_text_and_lies_within_the_text(structure):
    figures = [node for node in structure if node["/S"] == "/Figure"]
    assert len(figures) >= 8 and all(len(node["/Alt"]) > 20 for node in figures)
    boxes = [attributes["/BBox"] for node in figures for attributes in node["/A"]]
    assert all(box[0] >= LEFT - 0.1 and box[2] <= RIGHT + 0.1 for box in boxes)


def test_findings_stand_on_the_first_page_and_name_pages_that_exist(reader):
    first = reader.pages[0].extract_text()
    assert "Findings" in first and "By autumn 2025" in first
    named = [int(page) for page in re.findall(r"(?:Figure|Table) \d+, page\s+(\d+)", first)]
    assert len(named) >= 5 and max(named) <= len(reader.pages)


def test_every_figure_of_the_notebooks_is_in_the_report(season, scope, structure):
    notebooks = [
        json.loads(p.read_text(encoding="utf-8"))
        for p in sorted((season / scope / "notebooks").glob("*.ipynb"))
    ]
    shown = [
        o
        for nb in notebooks
        for c in nb["cells"]
        for o in c.get("outputs", [])
        if FIGURE_MIME in o.get("data", {})
    ]
    assert len([node for node in structure if node["/S"] == "/Figure"]) == len(shown)
