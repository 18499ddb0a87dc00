"""A report does not say one thing and its contrary: the rules by which it is told."""

import pandas as pd
import pytest

from contradictions import contradictions, statements
from culmbook import show


def report(*shown):
    return {"70_choosing_across_sites.ipynb": [thing.bundle() for thing in shown]}


def decided(label, **decisions):
    frame = pd.DataFrame({"hybrid": list(decisions), "decision": list(decisions.values())})
    return show.table(frame, "hybrid decision", label=label, caption="Decisions.")


CLASHES = {
    "two decisions": (decided("decisions", A="drop"), decided("index", A="hold")),
    "a sentence against the table": (
        decided("decisions", A="drop", B="hold"),
        show.finding("Promote: A (40 %); hold: B (30 %); drop: none.", label="Decision"),
    ),
    "none and some": (
        show.finding("No hybrid differs clearly from STD over winter.", label="Winter"),
        show.finding("At the cold site 6 survived better.", label="Winter"),
    ),
    "dearer than it saves": (
        show.say("Another season for A costs 0.15 and is expected to take 0.11 off the 1.86."),
    ),
    "two values": tuple(
        show.table(
            pd.DataFrame({"hybrid": ["A"], "chance_worthy": [chance]}),
            "hybrid chance_worthy",
            label=label,
            caption="Chances.",
        )
        for label, chance in (("one", 0.4), ("two", 0.5))
    ),
}


@pytest.mark.parametrize("clash", CLASHES)
def test_rules_find_what_cannot_both_be_true(clash):
    shown = CLASHES[clash]
    assert len(contradictions(report(*shown))) == 1
    assert contradictions(report(*shown[:-1])) == []


def test_statements_list_together_what_is_said_of_a_hybrid():
    said = show.finding("H1 is promising.", "H12 is dropped; so is H1.", label="Why")
    listed = statements(report(said), ["H1", "H12", "H3"])
    assert listed["subject"].tolist() == ["H1", "H1", "H12"]
