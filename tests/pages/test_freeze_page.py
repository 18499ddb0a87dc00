"""What the frost notebook prints of freeze tests and leakage: true sentences, refusals in words."""

import re

import numpy as np
import pandas as pd
import pytest

from culmbook.frost.words import contrast_sentence, lethal_sentences
from culmbook.pages import freeze_page, leakage_page
from culmbook.show.page import ReportFigure, ReportTable, ReportText
from culmbook.show.palette import use_style
from freeze_frames import TEMPERATURES, freeze_table

LT50 = {"A": -5.0, "B": -3.4, "C": -2.0, "STD": -3.5}


@pytest.fixture(autouse=True)
def style():
    use_style()


def _table(**columns):
    dated = {
        "tested_on": pd.Timestamp("2026-01-20"),
        "leakage_after": np.nan,
        "leakage_total": np.nan,
    }
    return freeze_table(LT50, **columns).assign(**dated)


@pytest.fixture(scope="module")
def tests():
    return _table()


@pytest.fixture(scope="module")
def answers(tests):
    return freeze_page.freeze_answers(tests, "STD")


def _texts(shown, *kinds):
    return [
        " ".join(p.sentences)
        for p in shown
        if isinstance(p, ReportText) and (not kinds or p.kind in kinds)
    ]


def _labels(shown):
    return [p.label for p in shown if isinstance(p, (ReportTable, ReportFigure))]


def _is_refusal(shown):
    return bool(shown) and all(isinstance(p, ReportText) and p.kind == "refusal" for p in shown)


# -- refusals -------------------------------------------------------------------------------------


def test_no_freeze_test_is_a_refusal_in_every_part(tests):
    none = freeze_page.freeze_answers(tests.iloc[:0], "STD")
    assert none == [] and freeze_page.main_set(none) is None
    assert _is_refusal(freeze_page.show_tested(tests.iloc[:0], none, "S1"))
    assert _is_refusal(freeze_page.show_lethal(none, ["STD"], rank=30))
    assert freeze_page.headline_words(none) == "freeze tests: no answer"


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"units_alive": 20}, "All units lived at every temperature"),
        ({"units_alive": 0}, "control units died"),
        ({"temperature_c": -3.0}, "Only one temperature was tested"),
        ({"temperature_c": np.nan}, "Only unfrozen control units"),
    ],
)
def test_set_without_a_curve_says_why_and_has_no_finding(tests, change, words):
    spoilt = tests.assign(**change)
    answers = freeze_page.freeze_answers(spoilt, "STD")
    shown = freeze_page.show_lethal(answers, ["STD"], rank=30)
    assert _is_refusal(shown) and words in _texts(shown)[0]
    assert "freeze-sets" in _labels(freeze_page.show_tested(spoilt, answers, "all"))


@pytest.mark.parametrize(
    ("control", "words"),
    [("", "The network names no control"), ("Z", "The control Z was not in these runs")],
)
def test_without_a_control_the_range_is_told(tests, control, words):
    shown = freeze_page.show_lethal(freeze_page.freeze_answers(tests, control), [], rank=30)
    assert words in _texts(shown, "refusal")[0]
    found = _texts(shown, "finding")[0]
    assert re.fullmatch(
        r"LT50 in the freeze test ranged from −\d\.\d °C \(A\) to −\d\.\d °C \(C\), in 4 hybrids\.",
        found,
    )
    assert "lt50-differences" not in _labels(shown) and "lethal-temperatures" in _labels(shown)


def test_control_without_a_number_is_no_measure(tests):
    spared = tests.assign(units_alive=tests["units_alive"].mask(tests["hybrid"].eq("STD"), 20))
    shown = freeze_page.show_lethal(freeze_page.freeze_answers(spared, "STD"), ["STD"], rank=30)
    assert "The control STD has no LT50 (below −6 °C)" in _texts(shown, "refusal")[0]
    assert "Without an LT50: STD (below −6 °C)." in _texts(shown, "finding")[0]


def test_only_the_control_is_compared_with_nothing(tests):
    shown = freeze_page.show_lethal(
        freeze_page.freeze_answers(tests[tests["hybrid"].eq("STD")], "STD"), ["STD"], rank=30
    )
    assert "Only the control was tested" in _texts(shown, "refusal")[0]
    assert _texts(shown, "finding")[0].startswith("LT50 of STD in the freeze test was −")


# -- sentences ------------------------------------------------------------------------------------


def _contrasts(*rows):
    return pd.DataFrame(rows, columns=["hybrid", "difference_c", "lower_c", "upper_c"]).assign(
        answer=""
    )


@pytest.mark.parametrize(
    ("rows", "sentence"),
    [
        (
            [("A", -1.5, -2.0, -1.0), ("B", 0.1, -0.2, 0.4), ("C", 1.2, 0.8, 1.6)],
            (
                "In the freeze test, 1 hybrid is hardier than the control S (LT50 −3 °C): A by 1.5 °C (1.0 to"
                " 2.0); 1 hybrid is tenderer: C by 1.2 °C (0.8 to 1.6); 1 does not differ clearly, all 95 %"
                " intervals taken together."
            ),
        ),
        (
            [("C", 1.2, 0.8, np.inf)],
            (
                "In the freeze test, 1 hybrid is tenderer than the control S (LT50 −3 °C): C by 1.2 °C (at"
                " least 0.8); none is left that does not differ, all 95 % intervals taken together."
            ),
        ),
        (
            [("A", -0.2, -0.9, 0.5), ("B", 0.1, -0.2, 0.4)],
            (
                "No hybrid of 2 is clearly hardier or tenderer than the control S (LT50 −3 °C) in the freeze"
                " test, all 95 % intervals taken together."
            ),
        ),
        (
            [
                ("A", -2.5, -3.0, -2.0),
                ("B", -2.0, -3.0, -1.0),
                ("C", -1.0, -1.5, -0.5),
                ("D", -0.1, -1, 1),
                ("E", 0.0, -1, 1),
            ],
            (
                "In the freeze test, 3 hybrids are hardier than the control S (LT50 −3 °C): A by 2.5 °C (2.0"
                " to 3.0), B by 2.0 °C (1.0 to 3.0) and 1 more; 2 do not differ clearly, all 95 % intervals"
                " taken together."
            ),
        ),
    ],
)
def test_sentence_of_contrasts(rows, sentence):
    assert (
        contrast_sentence(_contrasts(*rows), "S", 0.95, "−3 °C", "in the freeze test") == sentence
    )


def test_sentence_agrees_with_the_intervals_of_the_fit(answers):
    answer = answers[0]
    table = answer.contrasts.set_index("hybrid")
    assert table.loc["A", "upper_c"] < 0 < table.loc["C", "lower_c"]
    words = lethal_sentences(answer.temperatures, answer.contrasts, "STD", 0.95)
    assert len(words) == 1
    assert (
        f"A by {-table.loc['A', 'difference_c']:.1f} °C" in words[0]
        and f"C by {table.loc['C', 'difference_c']:.1f} °C" in words[0]
    )


def test_hybrid_that_is_not_bracketed_is_named_without_a_number(tests):
    spared = tests.assign(units_alive=tests["units_alive"].mask(tests["hybrid"].eq("A"), 20))
    answer = freeze_page.freeze_answers(spared, "STD")[0]
    shown = freeze_page.show_lethal([answer], ["STD"], rank=30)
    assert _texts(shown, "finding")[0].endswith("Without an LT50: A (below −6 °C).")
    listed = next(
        p for p in shown if isinstance(p, ReportTable) and p.label == "lethal-temperatures"
    )
    row = dict(
        zip([c["name"] for c in listed.content["columns"]], listed.content["rows"][0], strict=True)
    )
    assert row["hybrid"] == "A" and row["lt50_c"] == "–" and row["answer"] == "below −6 °C"


def test_table_lists_hardiest_first_with_controls_in_bold(answers):
    shown = freeze_page.show_lethal(answers, ["STD"], rank=30)
    listed = next(
        p for p in shown if isinstance(p, ReportTable) and p.label == "lethal-temperatures"
    )
    names = [row[0] for row in listed.content["rows"]]
    assert names == ["A", "STD", "B", "C"] and [
        n for n, bold in zip(names, listed.strong) if bold
    ] == ["STD"]


def test_one_run_has_no_intervals_of_its_own_and_a_caution():
    tests = _table(runs=("r1",))
    answers = freeze_page.freeze_answers(tests, "STD")
    shown = freeze_page.show_lethal(answers, ["STD"], rank=30)
    listed = next(
        p for p in shown if isinstance(p, ReportTable) and p.label == "lethal-temperatures"
    )
    assert {"lt50", "lt10", "lt90"}.isdisjoint(c["name"] for c in listed.content["columns"])
    assert any(
        "one freezer run" in t
        for t in _texts(freeze_page.show_tested(tests, answers, "all"), "caution")
    )


def test_two_protocols_stay_apart():
    second = {"r1": "q1", "r2": "q2", "r3": "q3"}
    tests = pd.concat(
        [_table(), _table().assign(protocol="fast", run=lambda t: t["run"].map(second))],
        ignore_index=True,
    )
    answers = freeze_page.freeze_answers(tests, "STD")
    assert [a.name for a in answers] == ["fast, rhizome", "slow, rhizome"]
    shown = freeze_page.show_lethal(answers, ["STD"], rank=30)
    labels = _labels(shown)
    assert len(labels) == len(set(labels)) and {
        "lethal-temperatures",
        "lethal-temperatures-2",
    } <= set(labels)
    found = [p for p in shown if isinstance(p, ReportText) and p.kind == "finding"]
    assert len(found) == 1 and all(
        text in " ".join(found[0].sentences) for text in ("fast, rhizome: In", "slow, rhizome: In")
    )


def test_curves_of_many_hybrids_go_over_two_figures():
    names = {f"H{i:02d}": -3.0 - 0.02 * i for i in range(50)}
    tests = freeze_table(names, runs=("r1", "r2")).assign(
        tested_on=pd.NaT, leakage_after=np.nan, leakage_total=np.nan
    )
    shown = freeze_page.show_lethal(freeze_page.freeze_answers(tests, "H00"), ["H00"], rank=30)
    assert {"freeze-curves-part1", "freeze-curves-part2"} <= set(_labels(shown))
    assert max(p.height_in for p in shown if isinstance(p, ReportFigure)) <= 8.5


def test_main_set_is_of_rhizomes_with_most_hybrids(answers):
    assert freeze_page.main_set(answers) is answers[0]
    assert freeze_page.main_set(answers, tissue="leaf") is None


# -- leakage --------------------------------------------------------------------------------------


def _leakage(lt50=LT50, controls=True, runs=("r1", "r2")):
    """Leakage of two units per cell along a logistic sigmoid, a little uneven."""
    rng = np.random.default_rng(4)
    rows = [
        {
            "run": run,
            "protocol": "fast",
            "tissue": "leaf",
            "hybrid": h,
            "temperature_c": t,
            "units_tested": np.nan,
            "units_alive": np.nan,
            "unit": u,
            "leakage_total": 150.0,
            "leakage_after": (
                150 * (0.15 + (0 if np.isnan(t) else 0.75 / (1 + np.exp(2.5 * (t - middle)))))
                + rng.normal(0, 2)
            ),
        }
        for run in runs
        for h, middle in lt50.items()
        for t in TEMPERATURES
        for u in (1, 2)
        if controls or not np.isnan(t)
    ]
    return pd.DataFrame(rows).assign(tested_on=pd.Timestamp("2026-01-21"))


def test_no_leakage_is_a_refusal(tests):
    assert _is_refusal(
        leakage_page.show_leakage(leakage_page.leakage_answers(tests, "STD"), ["STD"], rank=31)
    )


def test_leakage_finds_hardier_and_tenderer_and_has_its_table():
    answers = leakage_page.leakage_answers(_leakage(), "STD")
    shown = leakage_page.show_leakage(answers, ["STD"], rank=31)
    found = _texts(shown, "finding")[0]
    assert (
        found.startswith("By leakage of the leaf, 1 hybrid is hardier than the control STD")
        and "A by 1." in found
    )
    assert "tenderer: C by 1." in found and found.endswith("each with its own 95 % interval.")
    assert _labels(shown) == ["leakage-differences", "leakage-temperatures"]


@pytest.mark.parametrize(
    ("data", "control", "words"),
    [
        (_leakage(controls=False), "STD", "No unfrozen control units of A, B, C, STD"),
        (
            _leakage().query("temperature_c != temperature_c or temperature_c > -4"),
            "STD",
            "at 3 temperatures",
        ),
        (_leakage(), "Z", "The control Z has no leakage here"),
        (_leakage(), "", "The network names no control"),
    ],
)
def test_leakage_refusals_say_why(data, control, words):
    shown = leakage_page.show_leakage(leakage_page.leakage_answers(data, control), ["STD"], rank=31)
    assert words in _texts(shown, "refusal")[0] and "leakage-differences" not in _labels(shown)


def test_leakage_only_has_no_survival_set():
    data = _leakage()
    answers = freeze_page.freeze_answers(data, "STD")
    shown = freeze_page.show_tested(data, answers, "all")
    assert (
        answers == []
        and "counted units alive" in _texts(shown, "refusal")[0]
        and not _labels(shown)
    )


# -- hostile names --------------------------------------------------------------------------------


def test_hostile_names_stand_unchanged_in_tables_and_are_escaped_on_the_screen():
    nasty = {
        "$x$": -5.0,
        "<script>alert(1)</script>": -4.0,
        "_u": -3.5,
        "H" * 60: -3.0,
        "a\\b{c}": -2.5,
    }
    tests = freeze_table(nasty).assign(tested_on=pd.NaT, leakage_after=np.nan, leakage_total=np.nan)
    shown = freeze_page.show_lethal(freeze_page.freeze_answers(tests, "_u"), ["_u"], rank=30)
    listed = next(
        p for p in shown if isinstance(p, ReportTable) and p.label == "lethal-temperatures"
    )
    assert {row[0] for row in listed.content["rows"]} == set(nasty)
    assert all("<script>" not in p._repr_mimebundle_()["text/html"] for p in shown)
