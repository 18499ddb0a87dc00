"""Sections that cannot be answered: what an executed notebook with refusals and skipped cells
prints.
"""

import nbformat
import pandas as pd
import pytest
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook, new_output

from culmbook.report.compose import compose
from culmbook.report.markdown import plain
from culmbook.show import page
from culmbook.show.page import ReportText

WHY = "No harvest of this site came in."
ALSO = "No frost score came in."


def refusal(why=WHY):
    return ReportText("refusal", (why,))


def skipped(why=WHY):
    return ReportText("skipped", (why,))


def a_table(label="t"):
    frame = pd.DataFrame({"x": [1, 2]})
    columns = {"x": page.Column("x", kind="count")}
    return page.table(frame, label=label, caption="c", columns=columns)


@pytest.fixture
def printed(tmp_path):
    """Compose one notebook of markdown sources and lists of what a code cell showed; return heads
    and texts.
    """

    def composed(*cells):
        made = []
        for cell in cells:
            if isinstance(cell, str):
                made.append(new_markdown_cell(cell))
                continue
            data = [thing._repr_mimebundle_() for thing in cell]
            outputs = [new_output("display_data", data=bundle) for bundle in data]
            made.append(new_code_cell("1", outputs=outputs))
        path = tmp_path / "40_yield.ipynb"
        nbformat.write(new_notebook(cells=made), path)
        return compose([path]).sections[0]["blocks"]

    return composed


def heads(blocks):
    return [plain(b["c"]) for b in blocks if b["t"] == "heading"]


def texts(blocks):
    return [plain(b["c"]) for b in blocks if b["t"] in ("par", "say")]


def test_a_section_that_was_skipped_is_left_out_with_its_words_and_named(printed):
    found = printed(
        "# Q", "## Yield", [refusal()], "## Traits\n\nHow tall?", [skipped()], "More.", [skipped()],
        "## Money", [skipped()], "## Stand", [a_table()],
    )  # fmt: skip
    assert heads(found) == ["Yield", "Stand"]
    assert texts(found) == [f"{WHY} Not answered therefore: Traits; Money."]


def test_a_skipped_cell_prints_nothing_in_a_section_that_shows_something_else(printed):
    found = printed("# Q", [refusal()], "## Stand", [a_table()], [skipped()])
    assert heads(found) == ["Stand"] and texts(found) == [WHY]


def test_a_section_with_a_refusal_of_its_own_keeps_its_heading(printed):
    found = printed("# Q", "## Yield", [refusal()], "## Frost", [skipped()], [refusal(ALSO)])
    assert heads(found) == ["Yield", "Frost"] and texts(found) == [WHY, ALSO]


def test_a_refusal_is_printed_once_and_names_the_section_it_would_stand_in_again(printed):
    found = printed(
        "# Q", "## Yield", [refusal()], [refusal()], "## Means", [refusal()], [skipped()]
    )
    assert heads(found) == ["Yield"] and texts(found) == [f"{WHY} Not answered therefore: Means."]


def test_each_refusal_names_what_rests_on_it(printed):
    found = printed(
        "# Q", [refusal()], [refusal(ALSO)], "## How much?", [skipped(ALSO)], "## B", [skipped()]
    )
    assert texts(found) == [
        f"{WHY} Not answered therefore: B.",
        f"{ALSO} Not answered therefore: How much?",
    ]


def test_a_heading_with_words_only_stays(printed):
    found = printed(
        "# Q", [refusal()], "## Limits\n\nFew sites.", "## Yield", [skipped()], "## Notes"
    )
    assert heads(found) == ["Limits", "Notes"]


def test_a_parent_goes_when_all_below_it_is_left_out(printed):
    found = printed(
        "# Q",
        [refusal()],
        "## Yield\n\nTwo ways.",
        "### Plots",
        [skipped()],
        "### Sites",
        [skipped()],
    )
    assert heads(found) == [] and texts(found) == [f"{WHY} Not answered therefore: Plots; Sites."]


@pytest.mark.parametrize("below", [["### Plots", [a_table()]], ["### Limits\n\nFew."]])
def test_a_parent_stays_when_something_below_it_stays(printed, below):
    found = printed("# Q", [refusal()], "## Yield", *below, "### Sites", [skipped()])
    assert heads(found)[0] == "Yield" and len(heads(found)) == 2


def test_a_parent_that_shows_something_stays_without_its_sections(printed):
    found = printed("# Q", [refusal()], "## Yield", [a_table()], "### Plots", [skipped()], "## End")
    assert heads(found) == ["Yield", "End"]


def test_a_skipped_section_stays_when_words_stand_below_it(printed):
    found = printed(
        "# Q", "## A", "### B", [refusal()], "### C", [skipped()], "#### D", "## E", [skipped()]
    )
    assert heads(found) == ["A", "B", "C", "D"]
    assert [b["level"] for b in found if b["t"] == "heading"] == [2, 3, 3, 4]


def test_a_skipped_cell_whose_refusal_is_not_shown_says_why_itself(printed):
    found = printed("# Q", "## Yield", [skipped()], "## Means", [skipped()])
    assert heads(found) == ["Yield"] and texts(found) == [f"{WHY} Not answered therefore: Means."]
    assert [b["kind"] for b in found if b["t"] == "say"] == ["refusal"]


def test_facts_and_errors_keep_a_heading(printed):
    found = printed("# Q", [refusal()], "## Facts", [skipped(), page.facts({"Plots": "8"})])
    assert heads(found) == ["Facts"]


def test_brackets_of_a_formula_stay_where_they_were():
    from culmbook.report.markdown import typst_math

    assert (
        typst_math(r"D = \frac{1}{\pi}\left[m - b\right]").replace(" ", "") == "D=frac(1,pi)[m-b]"
    )
    sized = typst_math(r"P = \operatorname{logit}^{-1}\bigl(a + b\bigr)").replace(" ", "")
    assert sized.endswith("^(-1)(a+b)")
