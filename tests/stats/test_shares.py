"""Shares of single plots, combined limits, common odds and beta-binomial against published tables."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from culmbook.stats.shares import combine_limits, common_odds, fit_beta_binomial, share_interval

PUBLISHED = Path(__file__).parents[1] / "published"

# Newcombe (1998) Stat. Med. 17:857-872, Table I; 81/263 Wilson read in a stored page, the rest from
# memory,
# recomputed with scipy.
TABLE_I = [
    (81, 263, 0.2553, 0.3662, 0.2527, 0.3676),
    (15, 148, 0.0624, 0.1605, 0.0578, 0.1617),
    (0, 20, 0.0, 0.1611, 0.0, 0.1684),
    (1, 29, 0.0061, 0.1718, 0.0009, 0.1776),
]


@pytest.mark.parametrize(
    ("alive", "total", "wilson_low", "wilson_high", "exact_low", "exact_high"), TABLE_I
)
def test_share_interval_matches_newcombe_1998_table1(
    alive, total, wilson_low, wilson_high, exact_low, exact_high
):
    assert share_interval(alive, total) == pytest.approx((wilson_low, wilson_high), abs=5e-5)
    assert share_interval(alive, total, kind="exact") == pytest.approx(
        (exact_low, exact_high), abs=5e-5
    )


# Newcombe (1998) Stat. Med. 17:873-890, Table II, method 10; first row read in a stored page, rest
# from memory.
TABLE_II = [
    (56, 70, 48, 80, 0.0524, 0.3339),
    (9, 10, 3, 10, 0.1705, 0.8090),
    (6, 7, 2, 7, 0.0582, 0.8062),
    (5, 56, 0, 29, -0.0381, 0.1926),
    (0, 10, 0, 20, -0.1611, 0.2775),
    (0, 10, 0, 10, -0.2775, 0.2775),
    (10, 10, 0, 20, 0.6791, 1.0),
    (10, 10, 0, 10, 0.6075, 1.0),
]


@pytest.mark.parametrize(("a", "m", "b", "n", "low", "high"), TABLE_II)
def test_combine_limits_of_wilson_matches_newcombe_1998_table2(a, m, b, n, low, high):
    first, second = (a / m, *share_interval(a, m)), (b / n, *share_interval(b, n))
    assert combine_limits(first, second) == pytest.approx((low, high), abs=5e-5)


def test_combine_limits_of_normal_estimates_is_the_usual_interval():
    """With symmetric limits and correlation r the width is sqrt(a^2 + b^2 - 2 r a b)."""
    low, high = combine_limits((5.0, 4.0, 6.0), (3.0, 1.0, 5.0), 0.5)
    assert (low, high) == pytest.approx((2 - np.sqrt(3), 2 + np.sqrt(3)))


def test_common_odds_matches_agresti_2002_table_6_9():
    # Value from memory of Agresti (2002) Table 6.9 and its text: CMH 6.38, p .012, odds ratio 2.13.
    rows = [
        (11, 25, 10, 27),
        (16, 4, 22, 10),
        (14, 5, 7, 12),
        (2, 14, 1, 16),
        (6, 11, 0, 12),
        (1, 10, 0, 10),
        (1, 4, 1, 8),
        (4, 2, 6, 1),
    ]
    pooled = common_odds(np.reshape(rows, (8, 2, 2)))
    assert pooled.chi2 == pytest.approx(6.38, abs=0.005)
    assert pooled.p_value == pytest.approx(0.012, abs=0.0005)
    assert pooled.odds_ratio == pytest.approx(2.13, abs=0.005)


def test_common_odds_needs_a_telling_stratum():
    with pytest.raises(ValueError, match="both outcomes"):
        common_odds([[[3, 0], [4, 0]]])


def test_fit_beta_binomial_matches_independent_fit_of_crowder_1978():
    # No published fit; computed with an independent tool (see the file's header).
    plates = pd.read_csv(PUBLISHED / "crowder_1978_table1.csv", comment="#")
    order = list(plates["dilution"].unique())
    fit = fit_beta_binomial(
        plates["y"], plates["n"], pd.get_dummies(plates["dilution"], dtype=float)[order]
    )
    first = fit.coefficients.iloc[0]
    assert [first, *(fit.coefficients.iloc[1:] - first)] == pytest.approx(
        [-1.8815, 3.7904, 3.5347], abs=0.0005
    )
    assert fit.correlation == pytest.approx(0.01259, abs=5e-5)
    assert fit.loglik == pytest.approx(-34.991, abs=0.0005)


def test_share_interval_refuses_more_alive_than_total():
    with pytest.raises(ValueError, match="alive <= total"):
        share_interval([3], [2])
