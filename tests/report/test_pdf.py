"""PDFs made from small notebooks: what a reader, a screen reader and a printer find in them."""

import re
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace

import matplotlib.pyplot as plt
import nbformat
import numpy as np
import pandas as pd
import psutil
import pytest
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook, new_output
from pypdf import PdfReader

from culmbook.report.appendix import data_tables
from culmbook.report.compose import compose
from culmbook.report.layout import lay_out
from culmbook.report.markdown import blocks, has_deep_scripts, typst_math
from culmbook.report.pdf import build_report, first_page
from culmbook.show import page as present
from culmbook.show import palette as style
from culmbook.show.headings import Column
from pdf_parts import drawn, elements

HOSTILE = [
    "#set page(1)",
    "$x$ $$y$$",
    "a_b_c",
    "*bold*",
    "<script>alert(1)</script>",
    "C:\\new\\temp",
    "@cite",
    "[link](x)",
    "`raw`",
    '"quote"',
    "Żółć Ωμ",
    "= heading",
    "// gone",
    "#{panic()}",
    "~ -- ---",
    "\\u{41}",
]
MM = 72 / 25.4
LEFT, RIGHT = (210 - style.PAGE_WIDTH_MM) / 2 * MM, (210 + style.PAGE_WIDTH_MM) / 2 * MM


def cell(*shown, tags=()):
    outputs = [new_output("display_data", data=thing._repr_mimebundle_()) for thing in shown]
    outputs.append(new_output("stream", name="stdout", text="printed by a cell"))
    return new_code_cell(
        "secret_code = 1", metadata={"tags": list(tags)}, outputs=outputs, execution_count=1
    )


def text_cell(source, *tags):
    return new_markdown_cell(source, metadata={"tags": list(tags)})


def write(folder, name, *cells):
    path = Path(folder) / f"{name}.ipynb"
    nbformat.write(new_notebook(cells=list(cells)), path)
    return path


def a_figure(label="fig", alt="Two rising lines."):
    style.use_style()
    fig, ax = plt.subplots(figsize=style.page_size(2.4))
    ax.plot([0, 1], [0, 1], label="candidate $1")
    ax.plot([0, 1], [1, 3], label="control")
    ax.legend()
    return present.figure(
        fig,
        label=label,
        caption="Growth [cm].",
        alt=alt,
        data=pd.DataFrame({"x": [0, 1], "y": [0.5, 1.5]}),
    )


def a_table(n=3, label="tab", extra=0):
    frame = pd.DataFrame({"hybrid": (HOSTILE * n)[:n], "share": np.linspace(0, 1, n)})
    columns = {"hybrid": Column("Hybrid"), "share": Column("Stand", kind="share")}
    for at in range(extra):
        frame[f"c{at}"] = 1234.5678 + at
        columns[f"c{at}"] = Column(f"Column {at}", "t/ha", 4, "number")
    return present.table(
        frame,
        label=label,
        key="",
        caption="Stands of $hybrids$.",
        note="Note *1*.",
        columns=columns,
    )


def a_network():
    problems = pd.DataFrame(
        [
            [
                "E-RANGE",
                "error_row",
                "S01/plots.csv",
                12,
                "plot_length_m",
                "-5",
                "over 0",
                "type it",
                "S01",
            ],
            [
                "E-SHEET",
                "error_file",
                "S01/harvests.xlsx",
                None,
                None,
                None,
                "two files",
                "keep one",
                "S01",
            ],
            [
                "E-RANGE",
                "error_row",
                "S02/plots.csv",
                3,
                "plot_length_m",
                "-7",
                "over 0",
                "type it",
                "S02",
            ],
        ],
        columns=["code", "severity", "file", "line", "column", "value", "rule", "mend", "site"],
    )
    files = pd.DataFrame(
        [
            ["S01/plots.csv", "plots", "S01", 78, 77, "ab12cd34ef567890aaaa"],
            ["corrections.csv", "corrections", None, 2, 0, "cd12cd34ef567890aaaa"],
        ],
        columns=["file", "table", "site", "rows", "rows_kept", "sha256"],
    )
    plots = pd.DataFrame(
        [["S01", "014", "A-1", "damaged", "external", "voles"]],
        columns=["site", "plot", "hybrid", "status", "status_cause", "status_reason"],
    )
    sites = pd.DataFrame([["S01", "Mire #1 <b>"], ["S02", "Other"]], columns=["site", "site_name"])
    corrections = pd.DataFrame(
        [
            [
                "stand_counts",
                "S01/7/2025-10-07",
                "plants_alive",
                "666",
                "66",
                "us",
                "2025-10-20",
                "typo",
                True,
                "applied",
            ],
            [
                "stand_counts",
                "S02/8/2025-10-07",
                "plants_alive",
                "1",
                "2",
                "us",
                "2025-10-20",
                "slip",
                True,
                "applied",
            ],
        ],
        columns=[
            "table",
            "key",
            "column",
            "old_value",
            "new_value",
            "by",
            "on",
            "why",
            "applied",
            "outcome",
        ],
    )
    return SimpleNamespace(
        problems=problems,
        files=files,
        corrections=corrections,
        tables={"plots": plots, "sites": sites},
    )


@pytest.fixture(scope="module")
def notebooks(tmp_path_factory):
    folder = tmp_path_factory.mktemp("notebooks")
    first = write(
        folder,
        "10_season_data",
        text_cell("# The season\n\nRead first."),
        text_cell("Press run.", "remove-cell"),
        cell(
            present.facts({"Plots": "78"}), present.say("Look *here*.", kind="caution"), a_figure()
        ),
        text_cell(
            "## Frost\n\nA share $\\hat p = \\frac{a_i}{n_i}$ and\n\n$$\\sigma_{b_j}^2$$\n\n- one\n\n"
            "| a | b |\n|---|--:|\n| x | 1 |"
        ),
        text_cell("A. Author (2001). *Journal* 3, 1.", "appendix"),
    )
    second = write(
        folder,
        "20_establishment",
        text_cell("# How did $\\hat p$ do?"),
        text_cell("#### Deep heading"),
        cell(
            present.finding(
                "Nine of 26 stand well.",
                "More.",
                rank=10,
                label="Stand",
                numbers={"Plots": "78"},
                see="tab",
            ),
            a_table(),
        ),
        cell(present.say("Not counted in summer.", kind="provisional"), a_table(120, "long")),
        cell(a_table(4, "wide", 25)),
        cell(*map(present.say, HOSTILE), a_figure("fig", "A second picture.")),
    )
    return [first, second]


@pytest.fixture(scope="module")
def built(notebooks, tmp_path_factory):
    path = tmp_path_factory.mktemp("pdf") / "S01_2025.pdf"
    return path, build_report(
        notebooks,
        path,
        site="S01",
        season=2025,
        network=a_network(),
        failed=[{"notebook": "30_frost", "reason": "stopped at cell 5"}],
    )


@pytest.fixture(scope="module")
def reader(built):
    return PdfReader(built[0])


@pytest.fixture(scope="module")
def full_text(reader):
    return "\n".join(page.extract_text() for page in reader.pages)


@pytest.fixture(scope="module")
def structure(reader):
    return elements(reader.trailer["/Root"]["/StructTreeRoot"]["/K"])


def test_pdf_says_what_it_is(reader):
    assert reader.metadata.title == "Mire #1 <b> (S01): site report, season 2025"
    assert reader.metadata.author and reader.metadata.subject
    assert "season 2025" in reader.metadata["/Keywords"]
    assert reader.metadata.creation_date == datetime(2025, 12, 31, tzinfo=UTC)
    root = reader.trailer["/Root"]
    assert root["/Lang"].startswith("en") and root["/MarkInfo"]["/Marked"]
    assert root["/ViewerPreferences"]["/DisplayDocTitle"]


def test_pdf_claims_archival_and_accessible_profiles(reader):
    """Identification schemas of ISO 19005-2 (part 2, level A) and ISO 14289-1 (part 1) in the XMP
    packet.
    """
    xmp = reader.trailer["/Root"]["/Metadata"].get_object().get_data().decode()
    assert re.search(r"pdfaid:part>2<", xmp) and re.search(r"pdfaid:conformance>A<", xmp)
    assert re.search(r"pdfuaid:part>1<", xmp)


def test_every_figure_and_formula_has_alternative_text(structure):
    figures = [node["/Alt"] for node in structure if node["/S"] == "/Figure"]
    assert figures == ["Two rising lines.", "A second picture."]
    formulas = [node for node in structure if node["/S"] == "/Formula"]
    assert len(formulas) == 2 and all(node["/Alt"] for node in formulas)


def test_headings_do_not_skip_a_level(structure):
    levels = [int(node["/S"][2:]) for node in structure if re.fullmatch(r"/H[1-6]", node["/S"])]
    assert levels[0] == 1 and max(np.diff(levels)) <= 1


def test_tables_have_header_cells(structure):
    tables = [elements(node["/K"]) for node in structure if node["/S"] == "/Table"]
    assert len(tables) > 4
    assert all(any(node["/S"] == "/TH" for node in table) for table in tables)


def test_files_table_counts_the_corrections_that_applied_to_the_site():
    for site, n in (("all", 2), ("S01", 1)):
        files = data_tables(a_network(), site)[0].content
        used = {row[0]: row[2] for row in files["rows"]}
        assert used == {"S01/plots.csv": "77", "corrections.csv": str(n)}


def test_outline_lists_sections_and_appendix(reader):
    titles = [item.title for item in reader.outline if not isinstance(item, list)]
    assert titles[:4] == ["Findings", "1 The season", "2 How did \\hat p do?", "3 Frost"]
    assert titles[4:] == [
        "A Data used",
        "B Rows refused",
        "C Methods and references",
        "D Cautions",
        "E Versions",
    ]


def test_page_count_is_right_on_every_page(built, reader):
    n = len(reader.pages)
    assert built[1].n_pages == n > 5
    assert all(
        f"Page {at} of {n}" in page.extract_text() for at, page in enumerate(reader.pages, 1)
    )


def test_findings_name_the_page_their_figure_stands_on(tmp_path):
    style.use_style()
    cells = [text_cell("# A")]
    for at in range(8):
        fig, _ = plt.subplots(figsize=style.page_size(3.9))
        drawn_figure = present.figure(fig, label=f"f{at}", caption="Tall.", alt="A tall figure.")
        cells.append(
            cell(
                present.finding("Said.", label=f"Finding {at}", see=f"f{at}"),
                drawn_figure,
                a_table(9 + 5 * at, label=f"t{at}"),
            )
        )
    build_report([write(tmp_path, "10_a", *cells)], tmp_path / "a.pdf", site="S01", season=2025)
    pages = [page.extract_text() for page in PdfReader(tmp_path / "a.pdf").pages]
    stands = {
        n: at for at, page in enumerate(pages, 1) for n in re.findall(r"Figure (\d+)\. ?Tall", page)
    }
    said = dict(re.findall(r"Figure (\d+), page\s+(\d+)", pages[0] + pages[1]))
    assert len(stands) == 8 and {n: int(page) for n, page in said.items()} == stands


def test_no_text_is_under_seven_points(reader):
    sizes = [item[1] for page in reader.pages for item in drawn(page, reader) if item[0] == "text"]
    assert len(sizes) > 500
    assert min(sizes) >= style.MIN_TEXT_PT - 0.01


def test_every_figure_lies_within_the_text_at_its_own_size(structure):
    boxes = [
        attributes["/BBox"]
        for node in structure
        if node["/S"] == "/Figure"
        for attributes in node["/A"]
    ]
    assert len(boxes) == 2
    assert all(box[0] >= LEFT - 0.1 and box[2] <= RIGHT + 0.1 for box in boxes)
    assert all(float(box[3] - box[1]) == pytest.approx(2.4 * 72, abs=0.1) for box in boxes)


def test_picture_in_a_figure_is_not_wider_than_the_text(tmp_path):
    style.use_style()
    fig, ax = plt.subplots(figsize=style.page_size(2))
    ax.set_axis_off()
    ax.imshow(np.arange(4).reshape(2, 2), aspect="auto", extent=(0, 1, 0, 1))
    fig.get_layout_engine().set(w_pad=0, h_pad=0, wspace=0, hspace=0)
    shown = present.figure(fig, label="f", caption="c", alt="a")
    path = write(tmp_path, "10_a", text_cell("# A"), cell(shown))
    build_report([path], tmp_path / "a.pdf", site="S01", season=2025)
    reader = PdfReader(tmp_path / "a.pdf")
    [picture] = [
        item for page in reader.pages for item in drawn(page, reader) if item[0] == "picture"
    ]
    assert picture[1] >= LEFT - 0.1 and picture[2] <= RIGHT + 0.1
    assert picture[2] - picture[1] == pytest.approx(RIGHT - LEFT, rel=0.01)


def test_figure_text_prints_at_its_own_size(tmp_path):
    """Tick labels of 7.5 pt and an axis label of 8 pt stay so on paper; nothing else has these
    sizes.
    """
    style.use_style()
    fig, ax = plt.subplots(figsize=style.page_size(2))
    ax.set_xlabel("Height [cm]")
    shown = present.figure(fig, label="f", caption="c", alt="a")
    path = write(tmp_path, "10_a", text_cell("# A"), cell(shown))
    build_report([path], tmp_path / "a.pdf", site="S01", season=2025)
    reader = PdfReader(tmp_path / "a.pdf")
    sizes = {
        round(item[1], 2)
        for page in reader.pages
        for item in drawn(page, reader)
        if item[0] == "text"
    }
    assert {7.5, 8.0} <= sizes


def test_hostile_text_prints_as_typed(full_text):
    squeezed = re.sub(r"[\s\u200b]", "", full_text)
    assert [text for text in HOSTILE if re.sub(r"\s", "", text) not in squeezed] == []


def test_unprintable_characters_print_as_code_points(tmp_path):
    path = write(
        tmp_path, "10_a", text_cell("# A"), cell(present.say("x\u202ey 🌾 z\u200b"), a_figure())
    )
    build_report([path], tmp_path / "a.pdf", site="S01", season=2025)
    text = "".join(page.extract_text() for page in PdfReader(tmp_path / "a.pdf").pages)
    assert "x[U+202E]y [U+1F33E] z[U+200B]" in text


def test_first_page_leads_with_findings_and_says_what_is_missing(reader):
    first = " ".join(reader.pages[0].extract_text().split())
    for said in (
        "Nine of 26 stand well.",
        "Plots 78",
        "Incomplete",
        "1 row was refused",
        "S01/harvests.xlsx",
        "notebook 30_frost",
        "Provisional",
        "Not counted in summer.",
        "Table 1, page",
    ):
        assert said in first, said


def test_first_page_takes_turns_among_sections_and_ends_where_it_is_full():
    bundles = [{"section": name} for name in "aaabbc"]
    assert first_page(bundles, [10.0] * 6, 45.0) == [True, True, False, True, False, True]
    assert first_page(bundles, [10.0] * 6, 60.0) == [True] * 6
    assert first_page(bundles, [10.0] * 6, 5.0) == [True] + [False] * 5
    assert first_page([], [], 50.0) == []


def test_findings_that_do_not_fit_the_first_page_follow_on_the_second(tmp_path):
    long = (
        "Plots of this hybrid stood better than those of the control in every season that was looked at. "
        * 3
    )
    books = [
        write(
            tmp_path,
            f"{k}0_q",
            text_cell(f"# Question {k}"),
            *[
                cell(
                    present.finding(
                        f"Answer {k}.{i}. {long}", rank=10 * k + i, label=f"Label {k}.{i}"
                    )
                )
                for i in range(5)
            ],
        )
        for k in (1, 2, 3)
    ]
    build_report(books, tmp_path / "a.pdf", site="S01", season=2025)
    first, second = (
        " ".join(page.extract_text().split()) for page in PdfReader(tmp_path / "a.pdf").pages[:2]
    )
    assert all(f"Answer {k}.0." in first for k in (1, 2, 3)) and "Further findings" not in first
    assert "Answer 1.4." not in first and "Answer 1.4." in second and "Further findings" in second


def test_code_printed_output_and_removed_cells_stay_out(full_text):
    for unwanted in ("secret_code", "printed by a cell", "Press run"):
        assert unwanted not in full_text


def test_problems_of_another_site_stay_out(full_text):
    assert "S02/plots.csv" not in full_text and "S02/8" not in full_text and "S01/7" in full_text
    assert (
        "S01/plots.csv" in full_text
        and "ab12cd34ef56" in full_text
        and "ab12cd34ef567" not in full_text
    )


def test_long_table_repeats_its_header(reader):
    pages = [page.extract_text() for page in reader.pages if "Żółć" in page.extract_text()]
    assert len(pages) >= 3
    assert all("Hybrid" in page for page in pages[:-1])


def test_summary_repeats_the_first_page(built):
    summary = built[1]
    assert summary.headline == "Nine of 26 stand well."
    assert len(summary.incomplete) == 2
    assert summary.provisional == ["Not counted in summer."]


def test_same_run_gives_the_same_bytes(notebooks, built, tmp_path):
    build_report(
        notebooks,
        tmp_path / "again.pdf",
        site="S01",
        season=2025,
        network=a_network(),
        failed=[{"notebook": "30_frost", "reason": "stopped at cell 5"}],
    )
    assert (tmp_path / "again.pdf").read_bytes() == built[0].read_bytes()


def test_complete_report_has_no_warning_boxes(tmp_path):
    path = write(tmp_path, "10_a", text_cell("# A"), cell(present.finding("All is well.")))
    summary = build_report([path], tmp_path / "a.pdf", site="all", season=2025)
    text = PdfReader(tmp_path / "a.pdf").pages[0].extract_text()
    assert not summary.incomplete and "Incomplete" not in text and "Provisional" not in text
    assert "All sites" in text


def test_notebook_without_title_gets_one_from_its_name(tmp_path):
    [section] = compose(
        [write(tmp_path, "30_frost_hardiness", text_cell("Words.\n\n##\n"))]
    ).sections
    assert section["title"] == "Frost hardiness"
    assert [block["t"] for block in section["blocks"]] == ["par"]


def test_long_words_in_a_title_break_on_the_page_only(tmp_path):
    path = write(tmp_path, "10_a", text_cell("# " + "W" * 200))
    build_report([path], tmp_path / "a.pdf", site="S01", season=2025)
    reader = PdfReader(tmp_path / "a.pdf")
    assert "1 " + "W" * 200 in [item.title.replace("\u200b", "") for item in reader.outline]
    assert "U+200B" not in "".join(page.extract_text() for page in reader.pages)


def test_error_in_a_notebook_is_told(tmp_path):
    broken = new_code_cell(
        "1/0", outputs=[new_output("error", ename="ZeroDivisionError", evalue="by zero")]
    )
    [section] = compose([write(tmp_path, "10_a", text_cell("# A"), broken)]).sections
    assert "ZeroDivisionError: by zero" in section["blocks"][0]["c"][0]["s"].replace("\u200b", "")


def test_wide_table_is_split_and_loses_no_column():
    bundle = a_table(4, "wide", 25).bundle()
    parts = lay_out(bundle)
    assert len(parts) > 1
    seen = [head["heading"] for part in parts for head in part["head"]]
    assert {column["heading"] for column in bundle["columns"]} == set(seen)
    assert all(sum(part["widths"]) <= style.PAGE_WIDTH_IN * 72 + 0.1 for part in parts)


def test_table_size_never_falls_under_the_least():
    assert (
        min(part["size"] for part in lay_out(a_table(4, "wide", 25).bundle())) >= style.MIN_TEXT_PT
    )


@pytest.mark.parametrize(
    "tex", [r"\hat y = \frac{a}{b}", r"\operatorname{logit}(p_{ij})", r"a \text{ if } b"]
)
def test_formula_is_translated(tex):
    assert typst_math(tex)


@pytest.mark.parametrize("tex", [r"\nosuchmacro{x}", "#panic()", ""])
def test_formula_that_cannot_be_translated_is_left_as_typed(tex):
    assert typst_math(tex) is None


def test_scripts_of_scripts_are_noticed():
    assert has_deep_scripts(r"e^{x_i}") and not has_deep_scripts(r"x_{ij}^2")


def test_markdown_html_is_text():
    [block] = blocks("a <b>c</b>")
    assert "".join(part["s"] for part in block["c"]) == "a <b>c</b>"


def test_whole_table_moves_to_a_page_of_its_own_unless_no_page_holds_it(tmp_path):
    pages = {}
    for n, mark in ((24, "fits"), (90, "long")):
        frame = pd.DataFrame(
            {"hybrid": [f"{mark}{i:02d}" for i in range(n)], "why": "Fails the moisture floor."}
        )
        columns = {"hybrid": present.Column("Hybrid"), "why": present.Column("Reason")}
        shown = present.table(frame, label=mark, caption="Decisions.", columns=columns, whole=True)
        text = text_cell("# A\n\n" + "\n\n".join(["A line that fills the page."] * 22))
        path = write(tmp_path, f"10_{mark}", text, cell(shown))
        build_report([path], tmp_path / f"{mark}.pdf", site="all", season=2025)
        reader = PdfReader(tmp_path / f"{mark}.pdf")
        pages[mark] = [page.extract_text().count(mark) for page in reader.pages]
    assert 24 in pages["fits"] and sum(pages["fits"]) == 24
    assert sum(pages["long"]) == 90 and sum(n > 0 for n in pages["long"]) >= 2


def test_reports_made_one_after_another_take_no_more_memory(tmp_path, rng):
    """The first two may fill caches; each of the next six used to keep some 40 MB, 240 in all."""
    sizes = []
    for number in range(8):
        words = ["".join(row) for row in rng.choice(list("abcdefgh"), (100, 7))]
        sections = [f"## Section {i}\n\n{' '.join(rng.permutation(words))}" for i in range(150)]
        path = write(tmp_path, "10_long", *map(text_cell, ["# Long", *sections]))
        build_report([path], tmp_path / "long.pdf", site="S01", season=2000 + number)
        sizes.append(psutil.Process().memory_info().rss)
    assert sizes[7] - sizes[1] < 100e6
