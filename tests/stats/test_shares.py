"""Combined limits, common odds and beta-binomial against published tables."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from statsmodels.stats.proportion import proportion_confint

from culmbook.stats.shares import combine_limits, fit_beta_binomial

PUBLISHED = Path(__file__).parents[1] / "published"

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
    one, other = (proportion_confint(k, of, method="wilson") for k, of in ((a, m), (b, n)))
    first, second = (a / m, *one), (b / n, *other)
    assert combine_limits(first, second) == pytest.approx((low, high), abs=5e-5)


def test_combine_limits_of_normal_estimates_is_the_usual_interval():
    """With symmetric limits and correlation r the width is sqrt(a^2 + b^2 - 2 r a b)."""
    low, high = combine_limits((5.0, 4.0, 6.0), (3.0, 1.0, 5.0), 0.5)
    assert (low, high) == pytest.approx((2 - np.sqrt(3), 2 + np.sqrt(3)))


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
