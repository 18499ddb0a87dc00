"""Doses that kill a given share, with errors and limits, against published probit and logit
analyses.
"""

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import special, stats

from culmbook.stats.curves import crossing, fieller_limits

LINKS = {
    "logit": sm.families.links.Logit(),
    "probit": sm.families.links.Probit(),
    "cloglog": sm.families.links.CLogLog(),
}


def line(x, dead, total, link, **fitted):
    """A straight line of the dead on the link scale by statsmodels."""
    share = np.asarray(dead, float) / total
    model = sm.GLM(
        share,
        sm.add_constant(np.asarray(x, float)),
        family=sm.families.Binomial(LINKS[link]),
        var_weights=np.broadcast_to(total, share.shape).astype(float),
    )
    return model.fit(tol=1e-12, **fitted)


# Venables & Ripley (2002) section 7.2, tobacco budworm, 20 moths a dose, log2 dose 0 … 5; values
# from memory,
# recomputed with R 4.2.2, MASS 7.3-58.2: dose.p(glm(SF ~ sex + ldose - 1, binomial), cf = c(1, 3),
# p =
# 1:3/4).
BUDWORM = {"M": [1, 4, 9, 13, 18, 20], "F": [0, 2, 6, 10, 12, 16]}
QUARTILES = [(0.25, 2.2313), (0.50, 3.2636), (0.75, 4.2959)]


def test_crossing_matches_venables_2002_budworm_females():
    dead = np.array(BUDWORM["F"] + BUDWORM["M"]) / 20
    sex = np.repeat([1.0, 0.0], 6)
    design = np.column_stack([sex, 1 - sex, np.tile(np.arange(6.0), 2)])
    fit = sm.GLM(dead, design, family=sm.families.Binomial(), var_weights=np.full(12, 20.0)).fit(
        tol=1e-12
    )
    for share, dose in QUARTILES:
        assert crossing(*fit.params[[0, 2]], special.logit(share)) == pytest.approx(dose, abs=5e-5)


def test_crossing_of_a_probit_matches_finney_1971_rotenone():
    # Finney (1971), rotenone on Macrosiphoniella, without the untreated control: LD50 4.85 mg/l,
    # log10 0.686
    # (SE 0.022), chi-squared 1.73 on 3 df; values from memory, recomputed with statsmodels 0.15.
    fit = line(
        np.log10([10.2, 7.7, 5.1, 3.8, 2.6]),
        [44, 42, 24, 16, 6],
        np.array([50, 49, 46, 48, 50]),
        "probit",
    )
    assert 10 ** crossing(*fit.params) == pytest.approx(4.85, abs=0.005)
    assert crossing(*fit.params) == pytest.approx(0.686, abs=0.001)
    assert fit.pearson_chi2 == pytest.approx(1.73, abs=0.005)


def test_fieller_limits_match_collett_1991_serum():
    # Anti-pneumococcus serum: ED50 0.0066 cc, 95 % Fieller limits 0.0053 and 0.0081; Collett (1991)
    # Modelling
    # Binary Data, section 4.2; values from memory, recomputed with statsmodels 0.15.
    fit = line(np.log([0.0028, 0.0056, 0.0112, 0.0225, 0.0450]), [35, 21, 9, 6, 1], 40, "logit")
    assert np.exp(crossing(*fit.params)) == pytest.approx(0.0066, abs=5e-5)
    limits = np.exp(fieller_limits(*fit.params, fit.cov_params(), stats.norm.ppf(0.975)))
    assert limits == pytest.approx([0.0053, 0.0081], abs=5e-5)


def test_fieller_limits_lie_where_the_line_is_critical_errors_away():
    """The definition: |height| over its standard error is the critical value at either limit."""
    fit = line(
        np.log10([10.2, 7.7, 5.1, 3.8, 2.6]),
        [44, 42, 24, 16, 6],
        np.array([50, 49, 46, 48, 50]),
        "probit",
    )
    for limit in fieller_limits(*fit.params, fit.cov_params(), 2.5, 0.3):
        at = np.array([1.0, limit])
        assert abs(at @ fit.params - 0.3) / np.sqrt(at @ fit.cov_params() @ at) == pytest.approx(
            2.5, rel=1e-9
        )


def test_fieller_limits_are_infinite_for_a_slope_that_may_be_zero():
    assert fieller_limits(1.0, 0.5, [[0.1, 0.0], [0.0, 0.1]], 1.96) == (-np.inf, np.inf)


def test_crossing_of_a_quasi_probit_matches_r_help_2006():
    # R-help, 22 August 2006, "Finney's fiducial confidence intervals of LD50": D50 140.8353
    dead = np.array([0, 7, 26, 27, 0, 5, 13, 29, 0, 4, 11, 25]) / 30.5
    design = sm.add_constant(np.log10(np.tile([10.0, 40.0, 160.0, 640.0], 3)))
    fit = sm.GLM(dead, design, family=sm.families.Binomial(LINKS["probit"])).fit(
        scale="X2", tol=1e-12
    )
    assert 10 ** crossing(*fit.params) == pytest.approx(140.8353, rel=1e-5)


# Bliss (1935) flour beetles, Dobson & Barnett Generalized Linear Models, chapter 7; values from
# memory,
# recomputed with statsmodels 0.15
BEETLES = (
    [1.6907, 1.7242, 1.7552, 1.7842, 1.8113, 1.8369, 1.8610, 1.8839],
    [6, 13, 18, 28, 52, 53, 61, 60],
    np.array([59, 60, 62, 56, 63, 59, 62, 60]),
)


@pytest.mark.parametrize(
    ("link", "intercept", "slope", "deviance"),
    [
        ("logit", -60.72, 34.27, 11.23),
        ("probit", -34.94, 19.73, 10.12),
        ("cloglog", -39.57, 22.04, 3.45),
    ],
)
def test_crossing_finds_the_median_dose_of_bliss_1935_beetles(link, intercept, slope, deviance):
    fit = line(*BEETLES, link)
    assert (*fit.params, fit.deviance) == pytest.approx((intercept, slope, deviance), abs=0.005)
    level = float(LINKS[link](0.5))
    assert crossing(*fit.params, level) == pytest.approx((level - intercept) / slope, abs=5e-4)
    assert LINKS[link].inverse(fit.params @ [1, crossing(*fit.params, level)]) == pytest.approx(0.5)
