"""What the frost notebook prints of spring frost damage: sentences true of their data, refusals in words."""

import numpy as np
import pandas as pd
import pytest

from culmbook.frost import damage_words
from culmbook.pages import damage_page
from culmbook.show.page import ReportFigure, ReportTable, ReportText
from culmbook.show.palette import use_style
from stand_frames import make_hybrids, make_plots

HYBRIDS = "ABCDEF"
LEVEL = {"A": 2, "B": 0, "C": 5, "D": 2, "E": 2, "F": 3}


@pytest.fixture(autouse=True)
def style():
    use_style()


def _tables(
    seed=1,
    level=LEVEL,
    observers=("X", "Y"),
    emerged=True,
    replicates=8,
    controls="A",
    noise=1,
    scores=True,
):
    """Plots scored by two observers each; a hybrid's score scatters around its level."""
    plots, rng = make_plots(HYBRIDS, replicates, year=2024), np.random.default_rng(seed)
    base = plots["hybrid"].map(level) + rng.integers(-noise, noise + 1, len(plots))
    rows = pd.concat(
        [
            pd.DataFrame(
                {
                    "site": "S1",
                    "plot": plots["plot"],
                    "frost_on": pd.Timestamp("2025-05-10"),
                    "scored_on": pd.Timestamp("2025-05-14"),
                    "damage_score": pd.array(
                        np.clip(base + rng.integers(0, 2, len(plots)), 0, 6), dtype="Int64"
                    ),
                    "leaf_killed_pct": 10.0 * base.clip(0, 6),
                    "observer": observer,
                    "growing_season": pd.array([2025] * len(plots), dtype="Int64"),
                }
            )
            for observer in observers
        ],
        ignore_index=True,
    )
    days = pd.Timestamp("2025-04-20") + pd.to_timedelta(rng.integers(0, 12, len(plots)), unit="D")
    seen = pd.DataFrame(
        {
            "site": "S1",
            "plot": plots["plot"],
            "emerged_on": days if emerged else pd.NaT,
            "growing_season": pd.array([2025] * len(plots), dtype="Int64"),
        }
    )
    return {
        "plots": plots,
        "frost_scores": rows if scores else rows.iloc[:0],
        "phenology": seen if emerged else seen.iloc[:0],
        "hybrids": make_hybrids(HYBRIDS, controls),
    }


@pytest.fixture(scope="module")
def answer():
    return damage_page.damage_answer(_tables(), "A", 2025)


def _texts(shown, *kinds):
    return [
        " ".join(p.sentences)
        for p in shown
        if isinstance(p, ReportText) and (not kinds or p.kind in kinds)
    ]


def _labels(shown):
    return [p.label for p in shown if isinstance(p, (ReportTable, ReportFigure))]


def test_no_score_is_a_refusal():
    shown = damage_page.show_damage(
        damage_page.damage_answer(_tables(scores=False), "A", 2025), ["A"], rank=34
    )
    assert len(shown) == 1 and shown[0].kind == "refusal"


def test_scores_of_another_season_are_not_this_ones():
    assert damage_page.damage_answer(_tables(), "A", 2024).reason == damage_page.NO_SCORES


def _equal(tables):
    return tables | {
        "frost_scores": tables["frost_scores"].assign(
            damage_score=pd.array([2] * 96, dtype="Int64")
        )
    }


@pytest.mark.parametrize(
    ("tables", "words"),
    [(_equal(_tables()), "Every score is 2"), (_tables(observers=("X",), replicates=1), "too few")],
)
def test_scores_that_carry_no_model_are_refused_without_a_finding(tables, words):
    shown = damage_page.show_damage(damage_page.damage_answer(tables, "A", 2025), ["A"], rank=34)
    assert (
        words in _texts(shown, "refusal")[0] and not _texts(shown, "finding") and not _labels(shown)
    )


def test_finding_agrees_with_the_estimates(answer):
    verdicts = answer.contrasts.set_index("hybrid")["verdict"]
    assert verdicts["C"] == "more damaged" and verdicts["B"] == "less damaged"
    chances = answer.chances.set_index("hybrid")
    found = _texts(damage_page.show_damage(answer, ["A"], rank=34), "finding")[0]
    assert found.startswith(
        "After the frost of 2025-05-10, the chance that a plot was scored 3 or more was "
    )
    assert f"{100 * chances.loc['A', 'chance']:.0f} %" in found and "for the control A" in found
    assert "B ×" in found.split("more damaged")[0] and "C ×" in found.split("more damaged")[1]


def test_tables_mark_the_control_and_list_counts(answer):
    shown = damage_page.show_damage(answer, ["A"], rank=34)
    listed = next(p for p in shown if isinstance(p, ReportTable) and p.label == "damage-hybrids")
    names = [row[0] for row in listed.content["rows"]]
    assert set(names) == set(HYBRIDS) and [
        n for n, bold in zip(names, listed.strong, strict=True) if bold
    ] == ["A"]
    at = [c["name"] for c in listed.content["columns"]].index("n_plots")
    assert {row[at] for row in listed.content["rows"]} == {"8"}
    assert {"damage-scores", "damage-hybrids", "damage-effects"} == set(_labels(shown))


def test_without_emergence_dates_only_that_part_is_refused():
    shown = damage_page.show_damage(
        damage_page.damage_answer(_tables(emerged=False), "A", 2025), ["A"], rank=34
    )
    assert any(
        text.startswith("Not compared at an equal time since emergence")
        for text in _texts(shown, "refusal")
    )
    assert "equal time" not in _texts(shown, "finding")[0] and "damage-hybrids" in _labels(shown)


@pytest.mark.parametrize(
    ("control", "words"),
    [("", "The network names no control"), ("Z", "The control Z has no damage score here")],
)
def test_without_a_control_chances_are_told_and_odds_are_not(control, words):
    shown = damage_page.show_damage(
        damage_page.damage_answer(_tables(), control, 2025), [], rank=34
    )
    assert any(words in text for text in _texts(shown, "refusal"))
    found = _texts(shown, "finding")[0]
    assert "odds" not in found and "the chance that a plot was scored 3 or more" in found


def test_score_that_nobody_reached_has_no_chance_but_odds():
    mild = {"A": 1, "B": 0, "C": 2, "D": 1, "E": 1, "F": 1}
    tables = _tables(level=mild, noise=0)
    tables["frost_scores"]["damage_score"] = tables["frost_scores"]["damage_score"].clip(upper=2)
    shown = damage_page.show_damage(damage_page.damage_answer(tables, "A", 2025), ["A"], rank=34)
    assert any("No plot was scored 3 or above" in text for text in _texts(shown, "refusal"))
    assert "chance" not in _texts(shown, "finding")[0]


# -- sentences of given numbers -------------------------------------------------------------------


def _contrasts(*rows):
    frame = pd.DataFrame(rows, columns=["hybrid", "odds_ratio", "all_lower", "all_upper"])
    verdict = np.select(
        [frame["all_upper"] < 1, frame["all_lower"] > 1],
        ["less damaged", "more damaged"],
        "not told apart",
    )
    return frame.assign(verdict=verdict)


@pytest.mark.parametrize(
    ("rows", "sentence"),
    [
        (
            [("B", 0.2, 0.1, 0.4), ("C", 8, 2, 30)],
            (
                "1 hybrid was less damaged than the control A (odds of a higher score): B × 0.20 (0.10 to"
                " 0.40); 1 hybrid was more damaged: C × 8.0 (2.0 to 30); none is left that was not told"
                " apart, all 95 % intervals taken together."
            ),
        ),
        (
            [("B", 0.9, 0.1, 4), ("C", 8, 2, 300)],
            (
                "1 hybrid was more damaged than the control A (odds of a higher score): C × 8.0 (2.0 to"
                " >100); 1 was not told apart, all 95 % intervals taken together."
            ),
        ),
        (
            [("B", 0.9, 0.1, 4)],
            (
                "No hybrid of 1 was clearly less or more damaged than the control A, all 95 % intervals taken"
                " together."
            ),
        ),
        (
            [(h, 5 + i, 2, 30) for i, h in enumerate("BCDE")],
            (
                "4 hybrids were more damaged than the control A (odds of a higher score): E × 8.0 (2.0 to"
                " 30), D × 7.0 (2.0 to 30) and 2 more; none is left that was not told apart, all 95 %"
                " intervals taken together."
            ),
        ),
    ],
)
def test_sentence_of_odds(rows, sentence):
    assert damage_words.odds_sentence(_contrasts(*rows), "A", 0.95) == sentence


@pytest.mark.parametrize(
    ("rows", "sentence"),
    [
        ([("B", 0.9, 0.1, 4)], "At an equal time since emergence none was told apart from A."),
        (
            [("B", 0.2, 0.1, 0.4), ("C", 5, 2, 9), ("D", 8, 2, 30)],
            "At an equal time since emergence, B was less damaged; D and C were more damaged than A.",
        ),
    ],
)
def test_sentence_at_equal_emergence(rows, sentence):
    assert damage_words.equal_sentence(_contrasts(*rows), "A") == sentence


def test_proportionality_is_told_in_each_case():
    found = pd.DataFrame(
        {
            "effect": ["hybrid", "observer", "emergence"],
            "chi2": [1.2, 30.0, np.nan],
            "df": [2, 4, np.nan],
            "p_value": [0.55, 0.0001, np.nan],
            "reason": [None, None, "too few scores"],
            "verdict": ["no sign against one odds ratio", "differs between scores", "not tested"],
        }
    )
    words = damage_words.proportional_words(found)
    assert (
        words[0].startswith("Nothing speaks against one odds ratio for hybrids")
        and "p = 0.55" in words[0]
    )
    assert words[1].startswith("The effect of observers differs between low and high scores")
    assert words[2].endswith("is not tested: too few scores.")


def test_scored_words_name_what_was_left_out():
    tables = _tables()
    tables["frost_scores"].loc[0, "observer"] = None
    words = damage_page.scored_words(damage_page.damage_answer(tables, "A", 2025).scores)
    assert (
        words[0]
        == "95 scores of 48 plots by 2 observers, after the frost of 2025-05-10; 47 plots had more than one"
        " score."
    )
    assert words[1:] == ["1 score left out: no observer."]
