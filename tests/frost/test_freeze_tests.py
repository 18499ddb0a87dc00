"""Which freeze tests belong together, which carry a curve, and what the sheets say when they do
not.
"""

import numpy as np
import pandas as pd
import pytest

from culmbook.frost.freeze_tests import (
    bracketing,
    cautions,
    observed_survival,
    same_natural_death,
    survival_sets,
    why_no_curve,
)
from freeze_frames import LT50, freeze_table


def only_set(table):
    (cells,) = survival_sets(table).values()
    return cells


def test_survival_sets_keep_protocols_and_tissues_apart():
    shoots = freeze_table().assign(tissue="shoot")
    fast = freeze_table().assign(protocol="fast")
    sets = survival_sets(pd.concat([freeze_table(), shoots, fast], ignore_index=True))
    assert list(sets) == [("fast", "rhizome", 1), ("slow", "rhizome", 1), ("slow", "shoot", 1)]
    assert sum(len(cells) for cells in sets.values()) == 3 * len(freeze_table())


def test_survival_sets_split_hybrids_that_share_no_run():
    """A and B through r1, B and STD through r2: one set. D alone in r9: another."""
    table = freeze_table({**LT50, "D": -4.0}, runs=("r1", "r2", "r9"))
    keep = {"r1": ["A", "B"], "r2": ["B", "STD"], "r9": ["D"]}
    sets = survival_sets(table[[h in keep[r] for h, r in zip(table["hybrid"], table["run"])]])
    assert [sorted(cells["hybrid"].unique()) for cells in sets.values()] == [
        ["A", "B", "STD"],
        ["D"],
    ]


def test_survival_sets_leave_leakage_rows_out_and_refuse_missing_counts():
    leaky = freeze_table().assign(units_tested=np.nan, units_alive=np.nan)
    assert len(only_set(pd.concat([freeze_table(), leaky]))) == len(freeze_table())
    broken = freeze_table()
    broken.loc[3, "units_alive"] = 21
    with pytest.raises(ValueError, match="1 rows need 0 <= units_alive <= units_tested .index 3"):
        survival_sets(broken)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda t: t.assign(temperature_c=-t["temperature_c"]), "minus sign was left out"),
        (
            lambda t: t.assign(
                temperature_c=t["temperature_c"].where(t["run"].ne("r2"), -t["temperature_c"])
            ),
            "with and without a minus sign",
        ),
        (
            lambda t: t[t["temperature_c"].isna() | t["temperature_c"].eq(-3)],
            "Only one temperature was tested",
        ),
        (
            lambda t: t[t["temperature_c"].isna() | t["temperature_c"].between(-4, -3)],
            "Only 2 temperatures",
        ),
        (lambda t: t[t["temperature_c"].isna()], "Only unfrozen control"),
        (
            lambda t: t.assign(units_alive=t["units_tested"]),
            "All units lived at every temperature: LT50 is below −6 °C",
        ),
        (
            lambda t: t.assign(units_alive=t["units_alive"].where(t["temperature_c"].isna(), 0)),
            "All frozen units died: LT50 is above −1 °C",
        ),
        (
            lambda t: t.assign(units_alive=t["units_alive"].mask(t["temperature_c"].isna(), 8)),
            "108 of 180 unfrozen control units died",
        ),
        (
            lambda t: t.assign(units_alive=t["units_alive"].mask(t["temperature_c"].isna(), 11)),
            "control was damaged",
        ),
    ],
)
def test_why_no_curve_says_what_is_wrong(change, words):
    assert words in why_no_curve(only_set(change(freeze_table())))


def test_why_no_curve_has_nothing_against_a_sound_set():
    assert why_no_curve(only_set(freeze_table())) is None
    assert cautions(only_set(freeze_table())) == []


def test_cautions_name_the_missing_control_and_the_single_run():
    table = freeze_table(runs=("r1",))
    frozen = table[table["temperature_c"].notna()]
    assert any("no unfrozen control" in words for words in cautions(only_set(frozen)))
    assert any("one freezer run" in words for words in cautions(only_set(table)))
    some = table[table["temperature_c"].notna() | table["hybrid"].ne("B")]
    assert any("No unfrozen control of B" in words for words in cautions(only_set(some)))


def test_same_natural_death_matches_fisher_exact():
    # 8 of 20 against 1 of 20: Fisher's exact two-sided p = 0.01966 (R 4.2.2,
    # fisher.test(matrix(c(8, 1, 12,
    # 19), 2))); with equal margins Pearson's statistic orders the tables in the same way.
    control = pd.DataFrame({"hybrid": ["A", "B"], "tested": [20, 20], "alive": [12, 19]})
    assert same_natural_death(control, tables=20_000) == pytest.approx(0.0197, abs=0.003)
    assert same_natural_death(control.assign(alive=[20, 20])) == 1.0


def test_observed_survival_corrects_kill_for_natural_death():
    # Abbott's formula by hand: control 19/20, survival 10/20: kill = 1 - 0.5/0.95 = 0.47368
    table = freeze_table({"A": -4.0}, runs=("r1",))
    seen = observed_survival(only_set(table)).set_index("temperature_c")
    assert seen.loc[-4.0, "alive"] == 10
    assert seen.loc[-4.0, "kill"] == pytest.approx(0.47368, abs=5e-6)
    assert seen["kill"].isna().sum() == 1  # the control itself
    assert seen.loc[-1.0, "kill"] == 0.0


def test_observed_survival_keeps_wilson_limits_of_newcombe_1998():
    # 1/29: .0061-.1718, Newcombe (1998) Stat. Med. 17:857-872, Table I; value from memory,
    # recomputed with
    # scipy.
    table = freeze_table({"A": -4.0}, runs=("r1",), units=29).assign(units_alive=1)
    assert observed_survival(only_set(table))[["lower", "upper"]].iloc[
        0
    ].to_list() == pytest.approx([0.0061, 0.1718], abs=5e-5)


@pytest.mark.parametrize(
    ("kill", "side", "answer"),
    [
        ((0.0, 0.2, 0.71), "", ""),
        ((0.29, 0.5, 0.9), "", ""),
        ((0.0, 0.2, 0.4), "cold", "below −5 °C"),
        ((0.0, 0.2, 0.6), "cold", "not bracketed: at most 60 % killed, test below −5 °C"),
        ((0.6, 0.8, 1.0), "warm", "above −1 °C"),
        ((0.4, 0.8, 1.0), "warm", "not bracketed: at least 40 % killed, test above −1 °C"),
        ((0.4, 0.5, 0.6), "", "not bracketed: 40 % to 60 % killed at every temperature"),
    ],
)
def test_bracketing_by_the_kill_seen(kill, side, answer):
    seen = pd.DataFrame({"hybrid": "A", "temperature_c": [-1.0, -3.0, -5.0], "kill": kill})
    row = bracketing(seen).iloc[0]
    assert (row["side"], row["answer"], row["is_bracketed"]) == (side, answer, answer == "")
    assert (row["least_kill"], row["most_kill"], row["coldest_c"]) == (kill[0], kill[2], -5.0)


def test_survival_sets_do_not_join_runs_by_unfrozen_units():
    """A was frozen in r1, B in r2; A's unfrozen units stood in both: two sets, and no unit is
    lost.
    """
    table = freeze_table({"A": -4.0, "B": -3.0}, runs=("r1", "r2"))
    frozen = table["temperature_c"].notna()
    apart = table[~frozen | (table["hybrid"].eq("A") == table["run"].eq("r1"))]
    sets = survival_sets(apart)
    assert [
        sorted(c.loc[c["temperature_c"].notna(), "hybrid"].unique()) for c in sets.values()
    ] == [["A"], ["B"]]
    assert sum(c["tested"].sum() for c in sets.values()) == apart["units_tested"].sum()
