"""What the notebook on consistency takes from pingouin: concordance, Friedman's test, intraclass
correlations.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pingouin
import pytest
from scipy import stats

PUBLISHED = Path(__file__).parents[1] / "published"
# four judges of six targets, Shrout & Fleiss (1979) table 2
JUDGED = np.array(
    [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
)


def long(values):
    rows, columns = np.indices(np.shape(values))
    cells = {"row": rows.ravel(), "column": columns.ravel(), "value": np.ravel(values)}
    return pd.DataFrame(cells)


def friedman(values):
    return pingouin.friedman(long(values), dv="value", within="column", subject="row").iloc[0]


def intraclass():
    pingouin.options["round.column.CI95"] = None
    return pingouin.intraclass_corr(long(JUDGED), "row", "column", "value").set_index("Type")


def test_concordance_matches_siegel_1956():
    # Siegel (1956) Nonparametric Statistics, ch. 9, three executives rank six applicants: s 25.5, W
    # .16; value from
    # memory, S and W recomputed by hand
    w = friedman([[1, 6, 3, 2, 5, 4], [1, 5, 6, 4, 2, 3], [6, 3, 2, 5, 4, 1]])["W"]
    assert w == pytest.approx(0.16, abs=0.005)
    assert w * 3**2 * (6**3 - 6) / 12 == pytest.approx(25.5)


def test_concordance_with_ties_matches_r():
    table = pd.read_csv(PUBLISHED / "consistency_references.csv", comment="#").set_index("table")
    w = friedman([[1, 2, 2, 4, 5], [1, 1, 3, 4, 5], [2, 1, 3, 5, 4]])["W"]
    assert w == pytest.approx(table.loc["ties", "value"], rel=1e-7)


def test_friedman_matches_hollander_1973():
    # Hollander & Wolfe (1973) p. 140; value from memory, recomputed with friedman.test, R 4.2.2
    found = friedman(pd.read_csv(PUBLISHED / "hollander_1973_rounding.csv", comment="#"))
    assert found["Q"] == pytest.approx(11.143, abs=5e-4)
    assert found["p_unc"] == pytest.approx(0.003805, abs=5e-7)


def test_intraclass_matches_shrout_1979_table4():
    # Shrout & Fleiss (1979) table 4; value from memory
    single = {"ICC(1,1)": 0.17, "ICC(A,1)": 0.29, "ICC(C,1)": 0.71}
    mean = {"ICC(1,k)": 0.44, "ICC(A,k)": 0.62, "ICC(C,k)": 0.91}
    assert intraclass()["ICC"].to_dict() == pytest.approx(single | mean, abs=0.005)


def test_intraclass_limits_match_mcgraw_1996():
    # limits of ICC(C,1) from its F: F_L = F / F(.975; 5, 15), (F_L - 1)/(F_L + k - 1), McGraw &
    # Wong (1996) table 7;
    # F = 11.03 as printed by Shrout & Fleiss (1979) table 3 (between targets 11.24, residual 1.02)
    f = 11.24 / 1.02
    low, high = f / stats.f.isf(0.025, 5, 15), f * stats.f.isf(0.025, 15, 5)
    limits = intraclass().loc["ICC(C,1)", "CI95"]
    assert limits == pytest.approx([(low - 1) / (low + 3), (high - 1) / (high + 3)], abs=0.003)
