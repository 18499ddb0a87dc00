"""Frames of a season and the pages drawn from them. Common practice, no source, unless one is named."""

import pandas as pd
import pytest

from culmbook.report.frames import HAS_VALUE
from culmbook.report.glance import DECISIONS, MOST_ROWS, glance, glance_html
from culmbook.report.hybrids import hybrid_pages
from culmbook.report.markdown import words
from culmbook.report.pdf import set_pdf, title_words
from culmbook.report.season import season_frames, write_pages
from culmbook.report.short import set_short, short_content
from culmbook.selection import decide
from culmbook.show import page
from season_pages import hybrids_of, write_season

ABOUT = {"sites": None, "meta": {}, "places": {}, "gaps": []}


def frames_of(folder, hybrids, controls=("STD",), **more):
    books = write_season(folder, hybrids, **more)
    return season_frames(books, dict.fromkeys(books, hybrids), list(controls), 2025), books


def answer(found, hybrid, question, scope="network"):
    rows = found["answers"].set_index(["scope", "hybrid", "question"])
    return rows.loc[(scope, hybrid, question)]


def test_an_answer_keeps_its_raw_value_its_print_and_where_it_stands(tmp_path):
    found, _ = frames_of(tmp_path, hybrids_of(4), values={"lt50": {"H001": -1.23456}})
    told = answer(found, "H001", "lt50")
    assert (told["value"], told["shown"], told["state"]) == (-1.23456, "−1.23", "measured")
    assert (told["notebook"], told["label"]) == ("30_frost_hardiness", "lethal-temperatures")
    assert (told["compared_with"], told["versus"]) == ("STD", "below")
    number = found["numbers"].query("label == 'lethal-temperatures' and key == 'H001'")
    assert set(number.loc[number["column"] == "difference_c", "shown"]) == {"−1.23"}


def test_a_missing_answer_says_its_state_and_why(tmp_path):
    found, _ = frames_of(tmp_path, hybrids_of(4), refused=["moisture"])
    told = answer(found, "H002", "moisture")
    assert (told["state"], told["reason"]) == ("not estimable", "Too few plots for moisture.")
    assert answer(found, "STD", "lt50")["state"] == "measured"
    assert answer(found, "STD", "decision")["state"] in (*HAS_VALUE, "control")
    books = write_season(tmp_path / "b", hybrids_of(3))
    more = season_frames(books, {"network": [*hybrids_of(3), "H9"]}, ["STD"], 2025)
    told = answer(more, "H9", "established")
    assert told["state"] == "not measured" and told["reason"]
    assert more["answers"]["shown"].str.len().gt(0).all()


def test_an_answer_is_provisional_where_its_notebook_says_so(tmp_path):
    said = page.say("Two seasons only.", kind="provisional")
    found, _ = frames_of(tmp_path, hybrids_of(3), more=[said])
    assert answer(found, "H001", "chance")["state"] == "provisional"
    assert answer(found, "H001", "moisture")["state"] == "measured"


def test_a_renamed_column_is_named_and_no_page_goes_empty(tmp_path, monkeypatch):
    from culmbook.report import frames

    asked = frames.questions().replace({"value": {"difference_c": "other_c"}})
    books = write_season(tmp_path, hybrids_of(3))
    monkeypatch.setattr(frames, "questions", lambda: asked)
    with pytest.raises(
        ValueError, match="lethal-temperatures of 30_frost_hardiness has no column other_c"
    ):
        season_frames(books, {"network": hybrids_of(3)}, ["STD"], 2025)


def test_rows_stand_by_decision_then_chance_and_controls_last(tmp_path):
    values = {
        "decision": {"H001": "drop", "H002": "promote", "H003": "hold", "H004": "promote"},
        "chance": {"H001": 0.9, "H002": 0.4, "H003": 0.3, "H004": 0.6},
    }
    found, _ = frames_of(tmp_path, hybrids_of(5), values=values)
    shown = glance(found["answers"], found["sentences"], "network", ["STD"])
    assert shown["order"] == ["H004", "H002", "H003", "H001", "STD"]
    assert [row["is_control"] for row in shown["rows"]] == [False] * 4 + [True]


def test_a_missing_answer_neither_drops_a_row_nor_makes_it_the_worst(tmp_path):
    found, _ = frames_of(tmp_path, hybrids_of(4), values={"gain": {"H001": 0.5}})
    gone = found["answers"]["hybrid"].eq("H002") & found["answers"]["question"].isin(
        ["gain", "decision"]
    )
    found["answers"].loc[gone, ["state", "shown", "reason"]] = [
        "not measured",
        "not measured",
        "No plot.",
    ]
    shown = glance(found["answers"], found["sentences"], "network", ["STD"])
    assert set(shown["order"]) == set(hybrids_of(4)) and shown["order"].index("H002") < 3
    row = next(row for row in shown["rows"] if row["hybrid"] == "H002")
    assert row["cells"][0]["text"] == "not measured" and row["cells"][0]["sign"] == ""
    assert shown["notes"] == [[row["cells"][0]["note"], "No plot."]]


@pytest.mark.parametrize("n", [1, 2, 26, 40, 200])
@pytest.mark.parametrize("controls", [("STD",), ()])
def test_the_glance_is_one_page(tmp_path, n, controls):
    found, _ = frames_of(tmp_path, hybrids_of(n), controls)
    for scope in ("S1", "network"):
        shown = glance(found["answers"], found["sentences"], scope, list(controls))
        assert len(shown["rows"]) == min(n, MOST_ROWS)
        made = set_pdf({**title_words(None, scope, 2025, {}), "glance": shown}, 2025)
        assert made.n_pages == 1


def test_the_glance_is_one_page_with_long_names_and_with_nothing_answered(tmp_path):
    names = [f"a-hybrid-with-a-name-of-forty-letters-{k:02d}" for k in range(40)]
    found, _ = frames_of(tmp_path, names, (names[3],))
    shown = glance(found["answers"], found["sentences"], "S1", [names[3]])
    assert set_pdf({**title_words(None, "S1", 2025, {}), "glance": shown}, 2025).n_pages == 1
    nothing = found["answers"].assign(
        state="not estimable", shown="not estimable", value=None, reason="Too few."
    )
    shown = glance(nothing, found["sentences"], "S1", [names[3]])
    assert shown["rows"] == [] and "Too few." in dict(shown["below"])["Open"]
    assert set_pdf({**title_words(None, "S1", 2025, {}), "glance": shown}, 2025).n_pages == 1


def test_the_marks_lie_on_one_scale_that_holds_the_estimates(tmp_path):
    found, _ = frames_of(tmp_path, hybrids_of(9), values={"lt50": {"H001": -5.0, "STD": 0.0}})
    shown = glance(found["answers"], found["sentences"], "network", ["STD"])
    at = [column["heading"] for column in shown["columns"]].index("LT50 difference from STD")
    column, cells = shown["columns"][at], [row["cells"][at] for row in shown["rows"]]
    low, high = column["ends"]
    values = (
        found["answers"]
        .query("scope == 'network' and question == 'lt50'")
        .set_index("hybrid")["value"]
    )
    for row, cell in zip(shown["rows"], cells, strict=True):
        expected = (values[row["hybrid"]] - low) / (high - low)
        assert cell["at"] == pytest.approx(expected) and 0 <= cell["at"] <= 1
    assert column["control"] == pytest.approx((0 - low) / (high - low))


def test_decisions_are_those_that_the_rule_can_make():
    assert DECISIONS == decide.DECISIONS


def test_a_season_in_which_all_is_too_early_shows_it(tmp_path):
    early = dict.fromkeys(["H001", "H002", "H003"], "too early")
    found, _ = frames_of(tmp_path, hybrids_of(4), values={"decision": early})
    shown = glance(found["answers"], found["sentences"], "network", ["STD"])
    assert shown["decided"] == "Decision"
    assert [row["decision"] for row in shown["rows"]][:3] == ["too early"] * 3
    many = hybrids_of(MOST_ROWS + 20)
    values = {"decision": dict.fromkeys(many, "too early")}
    found, _ = frames_of(tmp_path / "many", many, values=values)
    below = str(glance(found["answers"], found["sentences"], "network", ["STD"])["below"])
    assert "too early 20" in below


def test_the_network_says_what_becomes_of_the_highest_yield(tmp_path):
    found, _ = frames_of(tmp_path, hybrids_of(40))
    said = "H002 has the highest predicted yield, 11 % above STD: dropped, as it is too moist."
    why = {"scope": "network", "kind": "finding", "rank": 2, "label": "Why", "first": said}
    sentences = pd.concat([found["sentences"], pd.DataFrame([why | {"text": said}])])
    shown = glance(found["answers"], sentences, "network", ["STD"])
    assert dict(shown["below"])["Highest yield"] == words(said)
    made = set_pdf({**title_words(None, "network", 2025, {}), "glance": shown}, 2025)
    assert made.n_pages == 1


def test_a_question_without_answer_keeps_its_capitals(tmp_path):
    found, _ = frames_of(tmp_path, hybrids_of(4), refused=["lethal-temperatures"])
    shown = glance(found["answers"], found["sentences"], "network", ["STD"])
    assert "Not answered: LT50 difference from STD." in dict(shown["below"])["Open"].replace(
        "\u00a0", " "
    )


def test_a_site_without_any_answer_has_no_column_beside_the_others(tmp_path):
    found, _ = frames_of(tmp_path, hybrids_of(5), scopes=("S1", "S2", "S3", "network"))
    answers = found["answers"]
    is_gone = answers["question"].eq("yield") & answers["scope"].eq("S2")
    answers = answers.assign(state=answers["state"].mask(is_gone, "not tested"))
    heads = []
    for told in (found["answers"], answers):
        made = short_content("network", 2025, {**found, "answers": told}, ABOUT)
        blocks = [block for section in made["sections"] for block in section["blocks"]]
        block = next(block for block in blocks if block.get("label") == "sites/yield")
        heads.append([head["heading"] for part in block["parts"] for head in part["head"]])
        notes = str(block["note"])
    assert {"S1", "S2"} <= set(heads[0])
    assert (
        "S1" in heads[1]
        and "S2" not in heads[1]
        and "No answer at S2." in notes.replace("\u00a0", " ")
    )


def test_one_raw_value_changed_moves_every_page(tmp_path):
    texts = []
    for folder, value in ((tmp_path / "a", 0.11), (tmp_path / "b", 0.99)):
        found, books = frames_of(folder, hybrids_of(5), values={"lt50": {"H001": value}})
        shown = glance(found["answers"], found["sentences"], "network", ["STD"])
        one_each = hybrid_pages(found, pd.DataFrame({"hybrid": hybrids_of(5)}))
        own = next(one for one in one_each if one["hybrid"] == "H001")
        short = short_content("network", 2025, found, ABOUT)
        html = glance_html(shown, "t")
        texts.append([str(shown["rows"]), str(own["rows"]), str(short["glance"]["rows"]), html])
    for before, after in zip(*texts, strict=True):
        assert "0.11" in before and "0.99" in after and "0.99" not in before


def test_glance_html_has_scopes_and_no_script_and_prints_hostile_names_as_typed(tmp_path):
    found, _ = frames_of(tmp_path, ["STD", "<script>1</script>"])
    shown = glance_html(glance(found["answers"], found["sentences"], "network", ["STD"]), "t")
    assert "<script" not in shown and "&lt;script" in shown
    assert shown.count('scope="row"') == 2 and shown.count('scope="col"') >= 10


def test_a_short_report_leaves_out_by_rank_names_what_and_keeps_refusals(tmp_path):
    found, books = frames_of(tmp_path, hybrids_of(8), refused=["moisture"])
    content = short_content("network", 2025, found, ABOUT)
    record = {"record": {"url": "r.pdf#page=7", "page": 7}}
    long = [
        {
            "t": "par",
            "c": [{"t": "text", "s": "word " * 500}],
            "rank": 2 + k,
            "height": 250,
            "caption": f"Item {k}",
            **record,
        }
        for k in range(60)
    ]
    content["sections"][0]["blocks"] += long
    made = set_short(content, "network", 2025)
    assert made.n_pages <= 10
    last = str(content["sections"][-1]["blocks"])
    assert "Too few plots for moisture." in last


def test_pages_of_all_scopes_are_written(tmp_path):
    hybrids = hybrids_of(4)
    found, books = frames_of(tmp_path / "in", hybrids)
    (tmp_path / "out").mkdir()
    about = {"sites": None, "meta": {}, "places": {}, "gaps": {}}
    pages = write_pages(tmp_path / "out", 2025, found, pd.DataFrame({"hybrid": hybrids}), about)
    made = {
        path.relative_to(tmp_path / "out").as_posix() for path in (tmp_path / "out").rglob("*.*")
    }
    frames = {f"network/frames/{name}.csv" for name in ("answers", "numbers", "sentences")}
    reports = {"S1/S1_2025.pdf", "network/network_2025.pdf", "network/hybrids_2025.pdf"}
    assert made == frames | reports | {"network/glance.html"} and set(pages) == set(books)
    back = pd.read_csv(tmp_path / "out/network/frames/numbers.csv")
    assert len(back) == len(found["numbers"]) and not back["state"].isna().any()


@pytest.mark.parametrize("n_sites", [1, 12])
def test_each_hybrid_has_one_page(tmp_path, n_sites):
    scopes = [*(f"S{k:02d}" for k in range(n_sites)), "network"]
    found, _ = frames_of(
        tmp_path, hybrids_of(3), scopes=scopes, refused=["moisture", "damage-hybrids"]
    )
    one_each = hybrid_pages(found, pd.DataFrame({"hybrid": hybrids_of(3)}))
    assert [len(one["rows"]) for one in one_each] == [n_sites + 1] * 3
    made = set_pdf({**title_words(None, "all", 2025, {}), "hybrids": one_each}, 2025)
    assert made.n_pages == 3
