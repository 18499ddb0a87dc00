"""Agreement of rankings: published coefficients, ties, refusals."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from culmbook.stats.ranks import concordance, friedman, intraclass

PUBLISHED = Path(__file__).parents[1] / "published"
# four judges of six targets, Shrout & Fleiss (1979) table 2
JUDGED = pd.DataFrame(
    [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
)


def test_concordance_matches_siegel_1956():
    # Siegel (1956) Nonparametric Statistics, ch. 9, three executives rank six applicants: s 25.5, W .16; value from memory,
    # S and W recomputed by hand
    ranks = [[1, 6, 3, 2, 5, 4], [1, 5, 6, 4, 2, 3], [6, 3, 2, 5, 4, 1]]
    own = concordance(ranks)
    assert own.w == pytest.approx(0.16, abs=0.005)
    assert own.w * 3**2 * (6**3 - 6) / 12 == pytest.approx(25.5)


def test_concordance_with_ties_matches_r():
    reference = (
        pd.read_csv(PUBLISHED / "consistency_references.csv", comment="#")
        .set_index("table")
        .loc["ties", "value"]
    )
    own = concordance([[1, 2, 2, 4, 5], [1, 1, 3, 4, 5], [2, 1, 3, 5, 4]])
    assert own.w == pytest.approx(reference, rel=1e-7)


def test_friedman_matches_hollander_1973():
    # Hollander & Wolfe (1973) p. 140; value from memory, recomputed with friedman.test, R 4.2.2
    times = pd.read_csv(PUBLISHED / "hollander_1973_rounding.csv", comment="#")
    statistic, p = friedman(times)
    assert (statistic, p) == (pytest.approx(11.143, abs=5e-4), pytest.approx(0.003805, abs=5e-7))
    assert concordance(times).chi2 == pytest.approx(11.143, abs=5e-4)


def test_intraclass_matches_shrout_1979_table4():
    # Shrout & Fleiss (1979) table 4; value from memory
    own = intraclass(JUDGED).set_index("form")["icc"]
    printed = {
        "ICC(1,1)": 0.17,
        "ICC(A,1)": 0.29,
        "ICC(C,1)": 0.71,
        "ICC(1,k)": 0.44,
        "ICC(A,k)": 0.62,
        "ICC(C,k)": 0.91,
    }
    assert own.to_dict() == pytest.approx(printed, abs=0.005)


def test_intraclass_limits_match_mcgraw_1996():
    # limits of ICC(C,1) from its F: F_L = F / F(.975; 5, 15), (F_L - 1)/(F_L + k - 1), McGraw & Wong (1996) table 7; F = 11.03
    # as printed by Shrout & Fleiss (1979) table 3 (between targets 11.24, residual 1.02)
    from scipy import stats

    f = 11.24 / 1.02
    low, high = f / stats.f.isf(0.025, 5, 15), f * stats.f.isf(0.025, 15, 5)
    row = intraclass(JUDGED).set_index("form").loc["ICC(C,1)"]
    assert (row["lower"], row["upper"]) == (
        pytest.approx((low - 1) / (low + 3), abs=0.003),
        pytest.approx((high - 1) / (high + 3), abs=0.003),
    )


def test_same_and_opposite_orders():
    assert concordance([[1, 2, 3, 4], [2, 4, 6, 8]]).w == pytest.approx(1)
    assert concordance([[1, 2, 3, 4], [4, 3, 2, 1]]).w == pytest.approx(0)


def test_perfect_ties_have_no_agreement_to_speak_of():
    assert np.isnan(concordance(np.ones((3, 4))).w)
    with pytest.raises(ValueError, match="tied"):
        friedman(np.ones((3, 4)))
    with pytest.raises(ValueError, match="the same"):
        intraclass(pd.DataFrame(np.ones((6, 3))))


@pytest.mark.parametrize("call", [concordance, friedman, intraclass])
def test_incomplete_tables_are_refused(call):
    with pytest.raises(ValueError, match="missing cells"):
        call(JUDGED.astype(float).where(JUDGED != 10))


@pytest.mark.parametrize("call", [concordance, friedman, intraclass])
def test_one_season_is_refused(call):
    with pytest.raises(ValueError, match="at least"):
        call(pd.DataFrame(JUDGED[[0]]))
