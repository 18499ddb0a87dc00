"""Gaussian mixed models: published and reference fits, the definition itself, limits, clear
errors.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from formulaic import model_matrix

from culmbook.mixed import fit_gaussian
from dense_reml import covariance, criterion, least, matrices, small_design
from reml_networks import model, network

PUBLISHED = Path(__file__).parents[1] / "published"


def _read(name):
    return pd.read_csv(PUBLISHED / f"{name}.csv", comment="#")


@pytest.fixture(scope="module")
def references():
    """Numbers printed by gaussian_references.R (R 4.2.2, lme4 1.1-31, lmerTest 3.1-3, nlme
    3.1-162).
    """
    return _read("gaussian_references").set_index(["model", "quantity"])["value"]


@pytest.fixture(scope="module")
def machines():
    return _read("milliken_1992_machines").assign(Worker=lambda t: t["Worker"].astype(str))


FITS = {
    "dyestuff_ml": ("davies_1972_dyestuff", "Yield", "1", ["Batch"]),
    "penicillin": ("davies_1972_penicillin", "diameter", "1", ["plate", "sample"]),
    "penicillin_ml": ("davies_1972_penicillin", "diameter", "1", ["plate", "sample"]),
    "pastes": ("davies_1972_pastes", "strength", "1", ["batch", "batch:cask"]),
    "pastes_ml": ("davies_1972_pastes", "strength", "1", ["batch", "batch:cask"]),
    "cake": ("cochran_1957_cake", "angle", "recipe * temp", ["recipe:replicate"]),
    "machines": ("milliken_1992_machines", "score", "Machine", ["Worker", "Worker:Machine"]),
    "ergostool": ("pinheiro_2000_ergostool", "effort", "Type", ["Subject"]),
    "oxide": ("littell_1996_oxide", "Thickness", "1", ["Lot", "Lot:Wafer"]),
    "assay": ("pinheiro_2000_assay", "logDens", "sample", ["Block", "Block:sample", "Block:dilut"]),
}


@pytest.mark.parametrize("name", FITS)
def test_fit_matches_lme4(references, name):
    data, response, fixed, random = FITS[name]
    fit = fit_gaussian(
        _read(data), response, fixed, random, method="ml" if name.endswith("_ml") else "reml"
    )
    expected = references[name]
    assert fit.verdict == "converged"
    assert fit.criterion == pytest.approx(expected["criterion"], abs=1e-7)
    assert fit.criterion <= expected["criterion"] + 1e-8 * abs(expected["criterion"])
    for term, variance in fit.variances.items():
        name_there = "Residual" if term == "residual" else term
        assert variance == pytest.approx(expected[f"variance {name_there}"], rel=2e-5, abs=1e-9), (
            term
        )
    assert fit.coefficients.to_numpy() == pytest.approx(
        expected.filter(like="b").filter(regex="^b").to_numpy(), abs=1e-7
    )
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx(
        expected.filter(regex="^se").to_numpy(), rel=1e-5
    )


def test_one_way_matches_bates_2010_dyestuff():
    # Value from memory, recomputed with lme4 (file's header). Balanced: REML is the analysis of
    # variance.
    dyestuff = _read("davies_1972_dyestuff")
    fit = fit_gaussian(dyestuff, "Yield", "1", ["Batch"])
    means = dyestuff.groupby("Batch")["Yield"].mean()
    within = dyestuff.groupby("Batch")["Yield"].var().mean()
    assert fit.variances["residual"] == pytest.approx(within, rel=1e-8)
    assert fit.variances["Batch"] == pytest.approx(means.var() - within / 5, rel=1e-6)
    assert fit.variances.round().tolist() == [1764, 2451]
    assert fit.criterion == pytest.approx(319.654, abs=5e-4)
    assert np.sqrt(fit.covariance.iloc[0, 0]) == pytest.approx(19.38, abs=5e-3)
    shrunk = 5 * fit.variances["Batch"] / (5 * fit.variances["Batch"] + within)
    assert fit.effects("Batch").to_numpy() == pytest.approx(
        shrunk * (means - means.mean()).to_numpy(), rel=1e-6
    )
    assert fit.heritability("Batch").value == pytest.approx(
        shrunk, rel=1e-8
    )  # balanced: the shrinkage factor


def test_variance_at_its_bound_matches_bates_2010_dyestuff2():
    fit = fit_gaussian(_read("box_1973_dyestuff2"), "Yield", "1", ["Batch"])
    assert fit.variances["Batch"] == 0
    assert fit.variances["residual"] == pytest.approx(13.81, abs=5e-3)
    assert fit.criterion == pytest.approx(161.828278, abs=5e-7)
    assert (fit.effects("Batch") == 0).all()
    assert np.isnan(fit.heritability("Batch").value)
    assert fit.heritability("Batch").verdict == "not estimable: the variance of Batch is 0"
    limits = fit.intervals().loc["Batch"]
    assert limits["lower"] == 0 < limits["upper"]
    assert limits["note"] == "estimate and lower limit at the bound 0"


@pytest.mark.parametrize(
    ("data", "response", "random", "limits"),
    [
        ("davies_1972_dyestuff", "Yield", ["Batch"], [(12.1985, 84.0630), (38.2300, 67.6577)]),
        ("box_1973_dyestuff2", "Yield", ["Batch"], [(0, 2.08404), (2.89283, 4.81583)]),
        (
            "davies_1972_penicillin",
            "diameter",
            ["plate", "sample"],
            [(0.633566, 1.182104), (1.095789, 3.556292), (0.485845, 0.629453)],
        ),
    ],
)
def test_profile_intervals_match_lme4(data, response, random, limits):
    """R lme4 1.1-31: ``confint(lmer(..., REML = FALSE), parm = "theta_")``, which interpolates its
    profile.
    """
    found = fit_gaussian(_read(data), response, "1", random, method="ml").intervals()
    assert np.sqrt(found[["lower", "upper"]].to_numpy()) == pytest.approx(
        np.array(limits), rel=3e-4
    )


def test_split_plot_matches_yates_1935_oats():
    # Venables & Ripley (2002) section 10.2, value from memory, recomputed with lme4 1.1-31: strata
    # and F.
    oats = _read("yates_1935_oats").assign(nitrogen=lambda t: t["nitrogen"].astype(str))
    fit = fit_gaussian(oats, "yield", "variety * nitrogen", ["block", "block:variety"])
    assert fit.variances.to_numpy() == pytest.approx([214.48, 106.06, 177.08], abs=5e-3)
    assert fit.criterion == pytest.approx(529.028507, abs=5e-7)
    balanced = pd.DataFrame(np.eye(12), columns=fit.coefficients.index)
    interaction = fit.f_test(balanced.iloc[6:])
    assert interaction.f == pytest.approx(0.303, abs=5e-4)
    assert interaction.df_denominator == pytest.approx(45, rel=1e-4)
    additive = fit_gaussian(oats, "yield", "variety + nitrogen", ["block", "block:variety"])
    rows = pd.DataFrame(np.eye(6), columns=additive.coefficients.index)
    variety = additive.f_test(rows.iloc[1:3])
    assert (variety.f, variety.df_numerator) == (pytest.approx(1.48534, abs=5e-6), 2)
    assert variety.df_denominator == pytest.approx(10, rel=1e-4)


def test_satterthwaite_matches_lmertest(references, machines):
    some = machines.drop(index=[0, 4, 8, 13, 22, 39, 40])
    fit, expected = (
        fit_gaussian(some, "score", "Machine", ["Worker", "Worker:Machine"]),
        references["machines_part"],
    )
    rows = pd.DataFrame(np.eye(3), columns=fit.coefficients.index)
    tests = fit.contrast(rows)
    assert fit.criterion == pytest.approx(expected["criterion"], abs=1e-7)
    assert tests["df"].to_numpy() == pytest.approx(
        expected[["df1", "df2", "df3"]].to_numpy(), rel=1e-4
    )
    assert tests["p"].to_numpy() == pytest.approx(expected[["p1", "p2", "p3"]].to_numpy(), rel=1e-3)
    both = fit.f_test(rows.iloc[1:])
    assert (both.f, both.df_denominator) == (
        pytest.approx(expected["F"], rel=1e-5),
        pytest.approx(expected["F df"], rel=1e-4),
    )


def test_f_tests_of_many_hybrids_match_lmertest(references):
    fit, expected = (
        fit_gaussian(network(600), "yield", "hybrid + season", ["block", "plot"]),
        references["network_600"],
    )
    rows = pd.DataFrame(np.eye(52), columns=fit.coefficients.index)
    assert fit.criterion == pytest.approx(expected["criterion"], abs=1e-7)
    for i, part in enumerate([rows.iloc[1:50], rows.iloc[50:]], start=1):
        test = fit.f_test(part)
        assert test.f == pytest.approx(expected[f"F{i}"], rel=1e-5)
        assert test.df_denominator == pytest.approx(expected[f"F df{i}"], rel=1e-4)


def test_own_residual_variances_match_nlme(references):
    children, expected = _read("potthoff_1964_orthodont"), references["orthodont_by_sex"]
    fit = fit_gaussian(children, "distance", "age * Sex", ["Subject"], residual_by="Sex")
    assert fit.criterion == pytest.approx(expected["criterion"], abs=1e-6)
    assert list(fit.variances.index) == ["Subject", "residual[Female]", "residual[Male]"]
    there = expected[
        ["variance Subject", "variance residual Female", "variance residual Male"]
    ].to_numpy()
    assert fit.variances.to_numpy() == pytest.approx(there, rel=1e-4)


def test_known_variances_match_nlme(references):
    children = _read("potthoff_1964_orthodont").assign(v=lambda t: 1 + t["age"] / 10)
    # By maximum likelihood: nlme 3.1-162's restricted fit is not the least one when sigma is fixed.
    fit = fit_gaussian(
        children, "distance", "age * Sex", ["Subject"], known_variance="v", method="ml"
    )
    expected = references["orthodont_known"]
    assert list(fit.variances.index) == ["Subject"]
    assert fit.variances["Subject"] == pytest.approx(expected["variance Subject"], rel=1e-4)
    assert fit.coefficients.to_numpy() == pytest.approx(
        expected.filter(regex="^b").to_numpy(), abs=1e-5
    )
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx(
        expected.filter(regex="^se").to_numpy(), rel=1e-5
    )


def test_a_residual_by_a_column_is_weighted_least_squares():
    # statsmodels' weighted least squares, and our own fit with the variances found held as known
    children = _read("potthoff_1964_orthodont").assign(v=lambda t: 1 + t["age"] / 10)
    own = fit_gaussian(children, "distance", "age * Sex", residual="v")
    there = smf.wls("distance ~ age * Sex", children, weights=1 / children["v"]).fit()
    assert own.variances["residual"] == pytest.approx(there.scale, rel=1e-6)
    errors = np.sqrt(np.diag(own.covariance))  # the two order their columns unlike
    assert np.sort(errors) == pytest.approx(np.sort(there.bse), rel=1e-6)
    mixed = fit_gaussian(children, "distance", "age * Sex", ["Subject"], residual="v")
    children["known"] = children["v"] * mixed.variances["residual"]
    held = fit_gaussian(children, "distance", "age * Sex", ["Subject"], known_variance="known")
    assert mixed.variances["Subject"] == pytest.approx(held.variances["Subject"], rel=1e-5)
    assert mixed.criterion == pytest.approx(held.criterion, abs=1e-7)
    with pytest.raises(ValueError, match="v is not above 0"):
        fit_gaussian(children.assign(v=0.0), "distance", "age", residual="v")


def test_known_variances_match_viechtbauer_2010():
    # Value from memory; the table's log relative risks have one record per trial.
    trials = _read("colditz_1994_bcg")
    treated, control = trials["tpos"] + trials["tneg"], trials["cpos"] + trials["cneg"]
    risk = pd.DataFrame(
        {
            "trial": trials["trial"],
            "y": np.log(trials["tpos"] / treated / (trials["cpos"] / control)),
            "v": 1 / trials["tpos"] - 1 / treated + 1 / trials["cpos"] - 1 / control,
        }
    )
    fit = fit_gaussian(risk, "y", "1", ["trial"], known_variance="v")
    assert fit.variances["trial"] == pytest.approx(0.3132, abs=5e-5)
    assert fit.coefficients.iloc[0] == pytest.approx(-0.7145, abs=5e-5)
    assert np.sqrt(fit.covariance.iloc[0, 0]) == pytest.approx(0.1798, abs=5e-5)


@pytest.mark.parametrize("size", [600, 3_000, 10_000, 30_000])
def test_network_matches_lme4(size):
    """lme4 1.1-31 with lme4_networks.R."""
    there = (
        _read("lme4_networks")
        .query("size == @size")
        .set_index("term")
        .rename(index={"Residual": "residual"})
    )
    fit = fit_gaussian(network(size), **model(size))
    lme4 = there["criterion"].iloc[0]
    assert fit.verdict == "converged"
    assert fit.criterion <= lme4 + 1e-8 * lme4
    assert fit.criterion == pytest.approx(lme4, rel=1e-9)
    assert fit.variances.to_numpy() == pytest.approx(
        there.loc[fit.variances.index, "variance"].to_numpy(), rel=1e-3
    )
    assert _criterion_at(fit, there["variance"]) == pytest.approx(lme4, rel=1e-9)


def _criterion_at(fit, variances):
    theta = variances[fit.variances.index].to_numpy() / fit.model.scale**2
    return fit.model.criterion(fit.model.problem.at(theta))


def _random_fits(number):
    draw = np.random.default_rng(11)
    for i in range(number):
        frame, random, fixed = small_design(draw)
        method, by = (
            ("reml", "ml")[i % 2],
            "c" if i % 5 == 0 and "c" not in ":".join(random) else None,
        )
        if by and frame["c"].value_counts().min() < 5:
            by = None
        z, x = matrices(frame, random), model_matrix(fixed, frame).to_numpy(float)
        groups = np.ones((len(frame), 1)) if by is None else matrices(frame, [by])[0]
        fit = fit_gaussian(frame, "y", fixed, random, method=method, residual_by=by)
        yield fit, (z, groups, frame["y"].to_numpy(), x, method == "reml"), frame


def test_three_hundred_small_designs_match_the_definition():
    """Full covariance matrices and a general optimiser; unbalanced, empty cells, variances at
    zero.
    """
    failed = []
    for fit, dense, _ in _random_fits(300):
        z, groups, y, x, restricted = dense
        theta = fit.variances.to_numpy()
        if fit.verdict != "converged":
            failed.append(fit.verdict)
            continue
        assert fit.criterion == pytest.approx(
            criterion(covariance(theta, z, groups), y, x, restricted), abs=1e-7
        )
        elsewhere = y.var() * np.arange(1, len(theta) + 1) / len(theta)
        assert _criterion_at(fit, pd.Series(elsewhere, index=fit.variances.index)) == pytest.approx(
            criterion(covariance(elsewhere, z, groups), y, x, restricted), abs=1e-7
        )
        assert (
            fit.criterion
            <= least(z, groups, y, x, restricted, np.full(len(theta), y.var() / len(theta))) + 1e-7
        )
    assert len(failed) <= 4  # three terms on 14 records can leave a residual nothing
    assert all("a residual variance falls to zero (residual" in verdict for verdict in failed)


def test_gradient_matches_finite_differences():
    for fit, _, _ in _random_fits(30):
        problem = fit.model.problem
        theta = 0.1 + 0.2 * np.arange(len(fit.variances))
        step = 1e-5 * np.eye(len(theta))
        numeric = [
            (problem.at(theta + s).criterion - problem.at(theta - s).criterion) / 2e-5 for s in step
        ]
        assert problem.at(theta).gradient == pytest.approx(numeric, rel=1e-5, abs=1e-6)


def test_predictions_match_henderson_equations():
    """Effects and prediction error covariance from the mixed-model equations (Henderson 1975,
    Biometrics 31:423-447).
    """
    checked = 0
    for fit, (z, groups, y, x, _), frame in _random_fits(60):
        theta = fit.variances.to_numpy()
        if groups.shape[1] > 1 or (theta == 0).any() or fit.verdict != "converged":
            continue
        w = np.hstack([x, *z])
        penalty = np.concatenate(
            [
                np.zeros(x.shape[1]),
                *[np.full(zi.shape[1], 1 / t) for zi, t in zip(z, theta, strict=False)],
            ]
        )
        inverse = np.linalg.inv(w.T @ w / theta[-1] + np.diag(penalty))
        solution, start = inverse @ (w.T @ y) / theta[-1], x.shape[1]
        for term, zi in zip(fit.levels, z, strict=True):
            here = slice(start, start + zi.shape[1])
            assert fit.effects(term).to_numpy() == pytest.approx(solution[here], abs=1e-7)
            assert fit.prediction_covariance(term).to_numpy() == pytest.approx(
                inverse[here, here], abs=1e-8
            )
            start = here.stop
        checked += 1
    assert checked > 10


def test_heritability_is_the_mean_over_pairs():
    fit = fit_gaussian(network(600), "yield", "season", ["hybrid", "block"])
    errors = fit.prediction_covariance("hybrid").to_numpy()
    i, j = np.triu_indices(len(errors), 1)
    mean = (errors[i, i] + errors[j, j] - 2 * errors[i, j]).mean()
    assert fit.heritability("hybrid").value == pytest.approx(
        1 - mean / (2 * fit.variances["hybrid"]), rel=1e-10
    )


def test_no_random_term_is_least_squares():
    rng = np.random.default_rng(3)
    frame = pd.DataFrame({"x": np.arange(12.0), "y": rng.normal(size=12)})
    fit = fit_gaussian(frame, "y", "x")
    slope, height = np.polyfit(frame["x"], frame["y"], 1)
    rest = frame["y"] - height - slope * frame["x"]
    assert fit.coefficients.to_numpy() == pytest.approx([height, slope])
    assert fit.variances["residual"] == pytest.approx((rest**2).sum() / 10)
    assert fit.contrast(pd.DataFrame({"x": [1.0]}))["df"].iloc[0] == pytest.approx(10, rel=1e-5)


def test_order_and_units_do_not_matter(machines, rng):
    first = fit_gaussian(machines, "score", "Machine", ["Worker", "Worker:Machine"])
    mixed = machines.sample(frac=1, random_state=4).assign(score=lambda t: 1000 * t["score"] + 1e6)
    second = fit_gaussian(mixed, "score", "Machine", ["Worker:Machine", "Worker"])
    assert second.variances[first.variances.index].to_numpy() == pytest.approx(
        1e6 * first.variances.to_numpy(), rel=1e-5
    )
    assert second.effects("Worker").to_numpy() == pytest.approx(
        1000 * first.effects("Worker").to_numpy(), rel=1e-5
    )
    assert second.coefficients.iloc[1:].to_numpy() == pytest.approx(
        1000 * first.coefficients.iloc[1:].to_numpy()
    )


def test_missing_responses_are_counted(machines):
    frame = machines.copy()
    frame.loc[[3, 17], "score"] = np.nan
    fit = fit_gaussian(frame, "score", "Machine", ["Worker"])
    alone = fit_gaussian(machines.drop(index=[3, 17]), "score", "Machine", ["Worker"])
    assert (fit.n_records, fit.n_missing) == (52, 2)
    assert fit.criterion == alone.criterion


@pytest.mark.parametrize(
    ("change", "arguments", "message"),
    [
        (
            {},
            {"fixed": "Machine + C(copy)"},
            r"cannot tell these fixed effects from the others: .*copy",
        ),
        ({}, {"random": ["one"]}, "'one' has one level"),
        ({}, {"random": ["row"]}, "no level of random term 'row' has two records"),
        ({}, {"random": ["Worker", "same"]}, "'Worker' and 'same' have the same levels"),
        (
            {},
            {"random": ["Machine"]},
            "fixed effects determine every level of random term 'Machine'",
        ),
        ({}, {"random": ["Worke"]}, "no column Worke"),
        ({}, {"fixed": "Machin"}, "no column Machin"),
        ({"Worker": np.nan}, {}, r"Worker is missing in 1 of 54 rows .*index 5"),
        ({"Machine": np.nan}, {}, r"Machine is missing in 1 of 54"),
        ({"v": np.nan}, {"fixed": "center(v)"}, r"center\(v\)` contains null values"),
        ({"score": np.inf}, {}, r"score is not finite in 1 of 54"),
        ({"group": "alone"}, {"residual_by": "group"}, "group has levels with one record.*alone"),
        ({"v": 0.0}, {"known_variance": "v"}, "v is not above 0 in 1 of 54"),
        ({}, {"known_variance": "v", "residual_by": "group"}, "residual_by has no meaning"),
        ({}, {"method": "fast"}, "method is 'fast'; it must be one of reml, ml"),
    ],
)
def test_what_cannot_be_fitted_is_said(machines, change, arguments, message):
    frame = machines.assign(
        copy=machines["Machine"].str.lower(),
        one="x",
        row=machines.index.astype(str),
        group="g",
        v=1.0,
        same="w" + machines["Worker"],
    )
    for column, value in change.items():
        frame.loc[5, column] = value
    with pytest.raises(ValueError, match=message):
        fit_gaussian(frame, "score", **{"fixed": "Machine", "random": ["Worker"], **arguments})


def test_an_exact_fit_is_refused(machines):
    frame = machines.assign(score=machines["Machine"].map({"A": 1.0, "B": 2.0, "C": 3.0}))
    with pytest.raises(ValueError, match="fit the response exactly"):
        fit_gaussian(frame, "score", "Machine", ["Worker"])


def test_wrong_names_in_results_are_refused(machines):
    fit = fit_gaussian(machines, "score", "Machine", ["Worker"])
    with pytest.raises(ValueError, match="no random term of this fit; it has Worker"):
        fit.effects("worker")
    with pytest.raises(ValueError, match="no such coefficient: machine"):
        fit.contrast(pd.DataFrame({"machine": [1.0]}))
    with pytest.raises(ValueError, match="not independent"):
        fit.f_test(pd.DataFrame({"Machine[T.B]": [1.0, 2.0]}))


def test_a_residual_that_vanishes_is_said():
    frame = pd.DataFrame({"a": list("aabbccdd"), "y": [1.0, 1.0, 3.0, 3.0, 2.0, 2.0, 7.0, 7.0]})
    fit = fit_gaussian(frame, "y", "1", ["a"])
    assert "residual variance falls to zero (residual)" in fit.verdict
    assert "falls to zero" in fit.heritability("a").verdict
    with pytest.raises(ValueError, match="no intervals of a fit that has not converged"):
        fit.intervals()


def test_a_design_may_be_given(machines):
    by_formula = fit_gaussian(machines, "score", "Machine", ["Worker"])
    design = pd.get_dummies(machines["Machine"], dtype=float)
    fit = fit_gaussian(machines, "score", design, ["Worker"])
    means = fit.coefficients - fit.coefficients["A"]
    assert means.iloc[1:].to_numpy() == pytest.approx(by_formula.coefficients.iloc[1:].to_numpy())
    with pytest.raises(
        ValueError, match=r"fixed effect B is missing or not finite in 1 of 54 .*index 7"
    ):
        fit_gaussian(
            machines,
            "score",
            design.mask((design.index == 7)[:, None] & (design.columns == "B")),
            ["Worker"],
        )
    with pytest.raises(ValueError, match="design has 53 rows, the frame 54"):
        fit_gaussian(machines, "score", design.iloc[1:], ["Worker"])
