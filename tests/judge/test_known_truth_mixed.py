"""Coverage, error rates and bias of the mixed models, a short version of
``tests/known_truth_mixed.py``.

The rule: within one point plus two Monte Carlo standard errors, variances within 3 % plus two; red
when every interval is made 15 % narrower.
"""

from functools import partial

import pytest

from known_truth import passes, run
from known_truth_mixed import (
    block_set,
    count_set,
    draws_set,
    network_set,
    score_set,
    share_set,
    split_plot_set,
    unbiased,
)

pytestmark = pytest.mark.long


@pytest.fixture(scope="module")
def blocks():
    return run(partial(block_set, with_together=False), 300)


@pytest.fixture(scope="module")
def counts():
    return run(count_set, 100)


@pytest.fixture(scope="module")
def drawn():
    return run(draws_set, 90)


@pytest.fixture(scope="module")
def scores():
    return run(score_set, 50)


@pytest.mark.parametrize("name", ["contrast, Satterthwaite", "contrast, Kenward-Roger"])
def test_intervals_of_contrasts_cover(blocks, name):
    assert passes(blocks, name, 0.95), blocks


def test_hybrids_in_incomplete_blocks_keep_their_error_rate(blocks):
    assert passes(blocks, "hybrids rejected, Kenward-Roger", 0.05), blocks


def test_split_plots_keep_their_error_rate():
    """Main plots' test errs on the safe side: their variance, estimated at zero, cannot fall below
    it.
    """
    table = run(split_plot_set, 150)
    assert passes(table, "hybrids rejected, Kenward-Roger", 0.05), table
    assert passes(table, "film x hybrid rejected, Kenward-Roger", 0.05), table
    film = table.loc["film rejected, Kenward-Roger"]
    assert film["estimate"] <= 0.06 + 2 * film["se"], table


def test_variances_of_a_network_are_unbiased():
    table = run(network_set, 60)
    assert table.loc["at zero", "estimate"] < 0.02
    assert all(
        unbiased(table, name) for name in table.index if name.endswith("share of the truth")
    ), table


def test_restricted_variances_of_counts_are_unbiased_and_those_of_maximum_likelihood_not(counts):
    assert unbiased(counts, "plot variance, share of the truth, restricted"), counts
    assert unbiased(counts, "block variance, share of the truth, restricted"), counts
    assert not unbiased(counts, "plot variance, share of the truth, ml"), counts


def test_logit_contrasts_cover(counts):
    assert passes(counts, "logit contrast, restricted", 0.95), counts


def test_shares_of_the_stand_cover_near_none_and_all_too():
    table = run(share_set, 25)
    for name in ("usual hybrids", "near 100 %", "near 0 %"):
        assert passes(table, name, 0.95), table


@pytest.mark.parametrize("name", ["effect", "difference"])
def test_draws_cover_with_three_blocks(drawn, name):
    assert passes(drawn, f"{name}, 90 % of draws", 0.90), drawn


def test_log_odds_ratios_cover(scores):
    assert passes(scores, "log odds ratio, with t", 0.95), scores


def test_checks_go_red_for_narrower_intervals(blocks, counts, drawn):
    assert not passes(blocks, "narrowed contrast, Satterthwaite", 0.95), blocks
    assert not passes(counts, "narrowed logit contrast, restricted", 0.95), counts
    assert not passes(drawn, "narrowed difference, 90 % of draws", 0.90), drawn
