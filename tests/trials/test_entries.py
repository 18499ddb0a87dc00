"""Which hybrids can be compared at all, and refusals that name both sides."""

import numpy as np
import pandas as pd
import pytest

from component_frames import make_ground
from consistency_frames import make_seasons
from culmbook.consistency.model import fit_seasons, season_records
from culmbook.text.refusal import Refusal
from culmbook.trials.entries import (
    common_entries,
    connected_sets,
    linking_words,
    refuse_disconnected,
    trial_of,
)


@pytest.fixture(scope="module")
def records():
    return season_records(make_seasons(np.random.default_rng(11), sites=3, hybrids=12, missing=0.0))


def half(records, shared=()):
    """S2 keeps the last hybrids, the other sites the first, ``shared`` stand everywhere."""
    late, there = records["hybrid"] >= "H06", records["site"] == "S2"
    return records[(late == there) | records["hybrid"].isin(shared)]


def test_sets_are_those_that_the_rank_of_the_design_tells(rng):
    # in a two-way table without empty rows, rank = hybrids + conditions - connected parts (Searle
    # 1987, ch. 5)
    for _ in range(40):
        n = rng.integers(4, 14)
        table = pd.DataFrame(
            {
                "hybrid": rng.integers(0, 7, n).astype(str),
                "condition": rng.integers(0, 6, n).astype(str),
            }
        )
        table["site"] = table["condition"]
        x = np.hstack([pd.get_dummies(table[c], dtype=float) for c in ("hybrid", "condition")])
        parts = table["hybrid"].nunique() + table["condition"].nunique() - np.linalg.matrix_rank(x)
        sets = connected_sets(table)
        assert len(sets) == parts
        assert sorted(h for s in sets for h in s.hybrids) == sorted(table["hybrid"].unique())


def test_disconnected_trials_are_refused_with_both_sides(records):
    apart = half(records)
    with pytest.raises(
        ValueError, match=r"2 parts .*H00.* at sites S0 and S1; .*H06.* at site S2.* control"
    ):
        refuse_disconnected(apart)
    with pytest.raises(ValueError, match="no hybrid in common"):
        fit_seasons(apart, ["H00"])
    assert [s.sites for s in connected_sets(apart)] == [["S0", "S1"], ["S2"]]


def test_one_common_control_joins_trials(records):
    joined = half(records, ["H00"])
    refuse_disconnected(joined)
    assert fit_seasons(joined, ["H00"]).controls == ("H00",)
    pairs = common_entries(joined, ["H00"]).set_index(["site", "other"])
    assert pairs.loc[
        ("S0", "S2"), ["n_hybrids", "n_other", "n_common", "n_common_controls"]
    ].tolist() == [6, 7, 1, 1]
    assert pairs.loc[("S0", "S1"), "n_common"] == 6
    assert linking_words(joined).endswith("S0 and S2: 1 hybrid, of 6 and 7 there.")
    assert linking_words(joined, ["H00"]).endswith(
        "S0 and S2: 1 hybrid, of 6 and 7 there; it is a control."
    )


def test_treatments_with_hybrids_of_their_own_are_apart_within_a_site(records):
    own = records[records["site"] == "S0"]
    treated = own["hybrid"] >= "H06"
    split = own.assign(condition=own["condition"].where(~treated, own["condition"] + ", film"))
    assert len(connected_sets(split)) == 2 and len(connected_sets(own)) == 1


def test_words_for_pairs_without_common_hybrids_and_for_one_site(records):
    chain = records[
        ~((records["site"] == "S0") & (records["hybrid"] > "H03"))
        & ~((records["site"] == "S2") & (records["hybrid"] < "H08"))
    ]
    assert len(connected_sets(chain)) == 1
    assert "1 has no hybrid in common (S0 and S2)" in linking_words(chain)
    with pytest.raises(Refusal, match="one site: a link between trials takes two"):
        linking_words(records[records["site"] == "S0"])
    with pytest.raises(ValueError, match="no record"):
        connected_sets(records.iloc[:0])


def test_order_and_names_do_not_matter(records):
    apart = half(records)
    again = connected_sets(apart.sample(frac=1, random_state=1))
    assert again == connected_sets(apart)


def test_one_replicate_with_a_repeated_control_is_fitted(records):
    # augmented: candidates stand once at a site, the control in every replicate
    single = records[records["replicate"].eq("0") | records["hybrid"].eq("H00")]
    fit = fit_seasons(single, ["H00"])
    assert (
        set(fit.hybrids) == set(records["hybrid"]) and np.isfinite(fit.fit.effects("hybrid")).all()
    )
    alone = single[single["season"].eq(single["season"].max()) & single["site"].eq("S0")]
    with pytest.raises(ValueError, match="no hybrid has two records"):
        fit_seasons(alone[alone["replicate"].eq("0")], ["H00"])


def test_a_site_without_harvest_and_one_without_the_control(records):
    lost = records[
        records["site"].ne("S1") & ~(records["site"].eq("S2") & records["hybrid"].eq("H00"))
    ]
    fit = fit_seasons(lost, ["H00"])
    assert fit.controls == ("H00",) and "H00:S2" not in fit.fit.levels["hybrid_site"]
    assert sorted(lost["site"].unique()) == ["S0", "S2"] and len(common_entries(lost)) == 1
    refuse_disconnected(lost)


def test_a_trial_is_the_one_asked_for_or_the_first():
    plots = make_ground(trial="T2")
    assert trial_of(plots, "T2") == trial_of(plots) == "T2"


def test_a_mistyped_trial_is_refused_with_those_there_are():
    with pytest.raises(ValueError, match="trial = 'T9'.*trials there are: T1"):
        trial_of(make_ground(), "T9")


def test_a_trial_that_is_misspelt_is_suggested():
    with pytest.raises(
        ValueError, match="KRAVOT9.*trials there are: KRAVO22; did you mean KRAVO22"
    ):
        trial_of(make_ground(trial="KRAVO22"), "KRAVOT9")
