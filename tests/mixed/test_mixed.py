"""Binomial mixed models: published fits, exact gradients, limits at 0 and 100 %, clear errors."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, special, stats

from culmbook.mixed import fit_binomial
from culmbook.mixed.laplace import Binomial, Laplace
from culmbook.mixed.structure import Structure
from culmbook.mixed.terms import code_levels, make_terms

PUBLISHED = Path(__file__).parents[1] / "published"


def _read(name):
    return pd.read_csv(PUBLISHED / f"{name}.csv", comment="#")


@pytest.fixture
def herds():
    return _read("lesnoff_2004_cbpp").assign(
        period=lambda t: t["period"].astype(str), row=lambda t: t.index.astype(str)
    )


def test_fit_binomial_ml_matches_glmer_cbpp(herds):
    # Value from memory of the lme4 documentation, recomputed with R lme4 (call in the file's
    # header).
    fit = fit_binomial(
        herds, alive="incidence", total="size", fixed="period", random=["herd"], method="ml"
    )
    assert np.sqrt(fit.variances["herd"]) == pytest.approx(0.6423, abs=5e-5)
    assert fit.criterion == pytest.approx(184.052564, abs=5e-6)
    assert fit.coefficients.to_numpy() == pytest.approx(
        [-1.3985, -0.9923, -1.1287, -1.5803], abs=5e-4
    )
    assert fit.verdict == "converged"


@pytest.mark.parametrize(
    ("fixed", "deviance", "df"),
    [
        ("1", 1193.80, 63),
        ("temp", 430.11, 60),
        ("C(conc)", 980.10, 60),
        ("temp + C(conc)", 148.11, 57),
        ("temp * C(conc)", 55.64, 48),
    ],
)
def test_deviance_matches_mead_2002_p350(fixed, deviance, df):
    seeds = _read("mead_2002_germination")
    fit = fit_binomial(seeds, alive="germ", total="seeds", fixed=fixed)
    assert fit.deviance == pytest.approx(deviance, abs=0.01)
    assert fit.residual_df == df


def test_deviance_matches_crowder_1978_table1():
    # Computed with an independent tool (file's header); no published fit of this table.
    plates = _read("crowder_1978_table1")
    fit = fit_binomial(plates, alive="y", total="n", fixed="dilution")
    assert fit.deviance == pytest.approx(22.94, abs=0.005)
    assert fit.residual_df == 13


@pytest.mark.parametrize("fixed", [None, np.array([-1.4, -1.0, -1.1, -1.5])])
def test_gradient_matches_finite_differences(herds, fixed):
    problem = _herd_problem(herds)
    theta = np.array([0.3, 0.2]) if fixed is None else np.concatenate([[0.3, 0.2], fixed])

    def criterion(t):
        return problem.at(t[:2], None, None if fixed is None else t[2:]).criterion

    exact = problem.at(theta[:2], None, fixed).gradient
    step = 1e-5 * np.eye(len(theta))
    numeric = [(criterion(theta + s) - criterion(theta - s)) / 2e-5 for s in step]
    assert exact == pytest.approx(numeric, rel=1e-6)


def _herd_problem(herds):
    x = np.column_stack(
        [np.ones(len(herds)), pd.get_dummies(herds["period"], dtype=float).iloc[:, 1:]]
    )
    family = Binomial(herds["incidence"].to_numpy(float), herds["size"].to_numpy(float))
    return Laplace(family, Structure(x, make_terms(herds, ["herd", "row"])))


def test_laplace_is_close_to_quadrature_for_counts_of_a_plot():
    """The integral over each of 12 plots' effects by adaptive quadrature (scipy); 0.005 per plot."""
    rng = np.random.default_rng(5)
    y, n, b, t = rng.binomial(36, special.expit(rng.normal(1.5, 0.5, 12))), 36, 1.4, 0.25
    plots = pd.DataFrame({"y": y, "n": n, "plot": range(12)})
    problem = Laplace(
        Binomial(y.astype(float), np.full(12, 36.0)),
        Structure(np.ones((12, 1)), make_terms(plots, ["plot"])),
    )

    def likelihood(k):
        return integrate.quad(
            lambda u: (
                stats.binom.pmf(k, n, special.expit(b + u)) * stats.norm.pdf(u, 0, np.sqrt(t))
            ),
            -4,
            4,
        )[0]

    exact = -2 * sum(np.log(likelihood(k)) for k in y)
    assert problem.at(np.array([t]), None, np.array([b])).criterion == pytest.approx(
        exact, abs=12 * 0.005
    )


def test_row_order_and_labels_do_not_matter(herds):
    fit = fit_binomial(
        herds, alive="incidence", total="size", fixed="period", random=["herd", "row"]
    )
    mixed = herds.sample(frac=1, random_state=3).assign(herd=lambda t: "h" + t["herd"].astype(str))
    again = fit_binomial(
        mixed, alive="incidence", total="size", fixed="period", random=["herd", "row"]
    )
    assert again.criterion == pytest.approx(fit.criterion, rel=1e-8)
    assert again.coefficients.to_numpy() == pytest.approx(fit.coefficients.to_numpy(), abs=1e-5)


def test_counting_the_dead_flips_the_sign(herds):
    herds = herds.assign(healthy=herds["size"] - herds["incidence"])
    sick = fit_binomial(herds, alive="incidence", total="size", fixed="period", random=["herd"])
    well = fit_binomial(herds, alive="healthy", total="size", fixed="period", random=["herd"])
    assert well.coefficients.to_numpy() == pytest.approx(-sick.coefficients.to_numpy(), abs=1e-5)


def test_half_plant_is_jeffreys_share_of_a_level():
    plots = pd.DataFrame({"alive": [36, 36, 36, 20, 24, 22], "n": 36, "hybrid": list("aaabbb")})
    fit = fit_binomial(plots, alive="alive", total="n", fixed="0 + hybrid", half_plant_in="hybrid")
    assert special.expit(fit.coefficients).tolist() == pytest.approx(
        [108.5 / 109, 66.5 / 109], abs=1e-8
    )


def test_profile_limits_match_the_likelihood_of_one_binomial():
    """Without random terms the profile is the binomial likelihood: limits by root finding (scipy)."""
    plots = pd.DataFrame({"alive": [105, 60], "n": 108, "hybrid": ["a", "b"]})
    fit = fit_binomial(plots, alive="alive", total="n", fixed="0 + hybrid", half_plant_in="hybrid")
    y, n = 105.5, 109

    def drop(p):
        return 2 * (y * np.log(y / n / p) + (n - y) * np.log((1 - y / n) / (1 - p))) - 1.96**2

    from scipy.optimize import brentq

    expected = [
        special.logit(brentq(drop, 0.5, y / n)),
        special.logit(brentq(drop, y / n, 1 - 1e-12)),
    ]
    assert fit.profile_limits("hybrid[a]", 1.96) == pytest.approx(expected, abs=2e-3)


def test_separated_level_is_refused_with_the_mend():
    plots = pd.DataFrame({"alive": [36, 36, 20, 24], "n": 36, "hybrid": list("aabb")})
    with pytest.raises(ValueError, match="half_plant_in"):
        fit_binomial(plots, alive="alive", total="n", fixed="0 + hybrid")


def test_bad_counts_are_refused_with_their_rows():
    plots = pd.DataFrame({"alive": [3, 9], "n": [5, 5], "hybrid": ["a", "b"]})
    with pytest.raises(ValueError, match=r"1 rows break .* \(index 1\)"):
        fit_binomial(plots, alive="alive", total="n", fixed="hybrid")


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"fixed": "variety"}, r"variety is missing in 1 of 4 rows \(index 2\)"),
        ({"fixed": "1", "random": ["variety"]}, r"variety is missing in 1 of 4 rows \(index 2\)"),
        ({"fixed": "film"}, "no column film; there are alive, planted, variety"),
        ({"fixed": pd.DataFrame({"one": [1.0, 1.0]})}, "the design has 2 rows, the frame 4"),
    ],
)
def test_incomplete_columns_are_refused(arguments, message):
    frame = pd.DataFrame({"alive": [3, 4, 5, 6], "planted": 9, "variety": ["a", "b", None, "b"]})
    with pytest.raises(ValueError, match=message):
        fit_binomial(frame, alive="alive", total="planted", **arguments)


def test_aliased_fixed_effect_is_named():
    plots = pd.DataFrame({"alive": [3, 2, 4, 1], "n": 5, "a": list("xxyy"), "b": list("ppqq")})
    with pytest.raises(ValueError, match="cannot tell these fixed effects from the others: "):
        fit_binomial(plots, alive="alive", total="n", fixed="a + b")


def test_crossed_levels_whose_names_run_together_stay_apart():
    plots = pd.DataFrame({"a": ["x:y", "x"], "b": ["z", "y:z"]})
    code, labels = code_levels(plots, "a:b")
    assert sorted(code) == [0, 1] and labels.tolist() == ["x:y:z", "x:y:z"]


def test_random_term_with_one_level_is_refused():
    plots = pd.DataFrame({"alive": [3, 2], "n": 5, "block": "b"})
    with pytest.raises(ValueError, match="'block' has one level"):
        fit_binomial(plots, alive="alive", total="n", fixed="1", random=["block"])


def test_variance_of_identical_groups_is_zero():
    plots = pd.DataFrame({"alive": [18] * 12, "n": 36, "block": list("aabbccddeeff")})
    fit = fit_binomial(plots, alive="alive", total="n", fixed="1", random=["block"])
    assert fit.variances["block"] == 0
    assert fit.verdict == "converged"
