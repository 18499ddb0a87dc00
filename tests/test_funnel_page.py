"""Pages on the whole programme and on the last decisions: true sentences, and refusals where nothing is known."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from consistency_frames import make_seasons

from culmbook.consistency import fit_seasons, season_records
from culmbook.decisions import season_gains
from culmbook.dictionary import empty_table
from culmbook.funnel import COMMON
from culmbook.funnel_page import funnel_of, show_funnel
from culmbook.last_decisions_page import show_last_decisions
from culmbook.season_draws import draw_seasons
from culmbook.seasons_page import Seasons

CONTROL = "H00"


def _part(rng, **layout):
    harvests = make_seasons(rng, hybrids=10, **layout)
    records = season_records(harvests)
    fit = fit_seasons(records, [CONTROL])
    return Seasons("all", "", harvests, records, fit, draw_seasons(fit, 200, 1, 20), [CONTROL], CONTROL, 0.95)


@pytest.fixture(scope="module")
def part():
    return _part(np.random.default_rng(8), sites=3)


def _decisions(season, **by_hybrid):
    rows = pd.DataFrame({"hybrid": list(by_hybrid), "growing_season": season, "decision": list(by_hybrid.values())})
    return pd.concat([empty_table("decisions"), rows]).astype({"growing_season": "Int64"})


def test_whole_programme_is_said_with_its_assumptions(part):
    words, stages, layouts_words, layouts, rests = show_funnel(part, funnel_of(100, [20, 6, 1]))
    assert words.plain().startswith("100 → 20 → 6 → 1 hybrids in 13 years and 430 plots: the hybrid left is")
    assert "crosses differ" in rests.plain() and rests.kind == "caution"
    shown = stages.bundle()
    assert [row[0] for row in shown["values"]] == ["nursery", "replicated", "commercial"]
    assert [c["name"] for c in shown["columns"]][3] == "trial" and shown["values"][1][3] == "4 × 3 × 3"
    assert len(layouts.bundle()["values"]) >= 3 and "as many plots" in layouts_words.plain()


def test_programme_without_seasons_or_spread_is_refused(part, rng):
    (words,) = show_funnel(replace(part, reason="No cut."))
    assert words.kind == "refusal"
    one = _part(rng, sites=2, seasons=1)
    (words,) = show_funnel(one)
    assert words.kind == "refusal"
    assert words.plain().startswith("One season was cut after establishment: it does not tell what hybrids do")
    with pytest.raises(ValueError, match="one is needed for each of nursery, replicated, commercial"):
        funnel_of(100, [20, 5])
    assert funnel_of(200, [50, 8, 2]) == COMMON


def test_last_decisions_stand_beside_the_new_yields(part):
    season = int(max(part.seasons))
    gains = season_gains(part.records, season, CONTROL).set_index("hybrid")
    decisions = _decisions(season - 1, H01="promote", H02="drop", H03="hold", H99="drop")
    words, listed = show_last_decisions(part, decisions, None, season, margin=0.1)
    assert "promote 1, hold 1, drop 2" in words.plain() and f"1 has no yield in {season} (H99)" in words.plain()
    rows = {row[0]: row for row in listed.bundle()["values"]}
    assert rows["H01"][4] == pytest.approx(gains.loc["H01", "gain"])
    assert rows["H99"][4] is None and rows["H03"][7] is None


def test_nothing_decided_or_nothing_cut_is_said(part):
    (words,) = show_last_decisions(part, empty_table("decisions"), None, 2025, margin=0.1)
    assert words.plain() == "The table of decisions holds none from before 2025: there is nothing to look back on."
    decisions = _decisions(2023, H01="promote")
    (words,) = show_last_decisions(part, decisions, None, 2050, margin=0.1)
    assert words.kind == "refusal" and "1 decision of 2023 were read" not in words.plain()
    assert words.plain().endswith("in 2050 is not known: no established plot has a yield in 2050.")
    bare = replace(part, reason="No yield.", records=part.harvests.iloc[:0])
    assert show_last_decisions(bare, decisions, None, 2025, margin=0.1)[0].kind == "refusal"
