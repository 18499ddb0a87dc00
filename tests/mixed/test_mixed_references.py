"""Mixed models with structured covariance, of counts and of scores, against R.

All expected numbers are in ``structured_references.csv``, printed by ``structured_references.R`` (R
4.2.2, lme4 1.1-31, nlme 3.1-162, MASS 7.3-58, ordinal 2022.11-16); the call stands beside each.
Where a number is also published, the test says where.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from culmbook.mixed import factor_analytic, fit_binomial, fit_gaussian, fit_ordinal, over, slopes
from reml_networks import COUNTS_MODEL
from reml_networks import counts as network_counts

PUBLISHED = Path(__file__).parents[1] / "published"
FIELD = ("latitude", "longitude")


def _read(name):
    return pd.read_csv(PUBLISHED / f"{name}.csv", comment="#")


@pytest.fixture(scope="module")
def references():
    return _read("structured_references").set_index(["model", "quantity"])["value"]


def _sleep():
    return _read("belenky_2003_sleepstudy")


def _wheat():
    return _read("stroup_1994_wheat2").assign(field="field")


def _grid():
    return _read("simulated_grid").assign(field="field")


def _children():
    return _read("potthoff_1964_orthodont").assign(occasion=lambda t: (t["age"] - 6) // 2)


def _mares():
    return _read("pierson_1987_ovary").assign(
        sine=lambda t: np.sin(2 * np.pi * t["time"]), cosine=lambda t: np.cos(2 * np.pi * t["time"])
    )


def _rats():
    rats = _read("crowder_1990_bodyweight")
    return rats.assign(week=rats["day"] / 7, diet=rats["diet"].astype(str))


def _stacked(frame, traits, by):
    """A row per unit and trait, and the design of a mean per trait and level, or a line per trait."""
    units = frame.assign(unit=np.arange(1, len(frame) + 1))
    long = units.melt([*units.columns.drop(traits)], traits, "trait", "y")
    own = pd.get_dummies(pd.Categorical(long["trait"], traits), dtype=float)
    if pd.api.types.is_numeric_dtype(long[by]):
        return long, pd.concat([own, own.mul(long[by], axis=0).add_suffix(f":{by}")], axis=1)
    cells = [
        own[trait] * (long[by] == level) for level in sorted(long[by].unique()) for trait in traits
    ]
    return long, pd.concat(cells, axis=1, keys=range(len(cells)))


def _barley():
    return _stacked(_read("immer_1934_barley"), ["yield_1931", "yield_1932"], "variety")


def _pupils():
    long, design = _stacked(_read("snijders_1999_nlschools"), ["language", "iq"], "status")
    kept = ~((long["trait"] == "iq") & (long["unit"] % 7 == 0))
    return long[kept], design[kept]


def _check(fit, expected, reach=1e-9):
    """Verdict, criterion (as near to R's as ``reach``, never above it), the first fixed effects
    and their errors.
    """
    assert fit.verdict == "converged"
    assert fit.criterion == pytest.approx(expected["criterion"], rel=reach)
    assert fit.criterion <= expected["criterion"] + 1e-8 * abs(expected["criterion"])
    b, se = expected.filter(regex=r"^b\d").to_numpy(), expected.filter(regex=r"^se\d").to_numpy()
    assert (fit.coefficients.to_numpy()[: len(b)] - b) / se == pytest.approx(
        np.zeros(len(b)), abs=1e-5
    )
    assert np.sqrt(np.diag(fit.covariance))[: len(se)] == pytest.approx(se, rel=1e-4)


def _check_kernel(kernel, expected, prefix, order):
    """The lower triangle, row by row."""
    there = expected[
        [f"{prefix} {a} {b}" for i, a in enumerate(order) for b in order[: i + 1]]
    ].to_numpy()
    k = kernel.to_numpy()
    place = [list(map(str, kernel.index)).index(str(level)) for level in order]
    k, lower = k[np.ix_(place, place)], np.tril_indices(len(order))
    scale = np.sqrt(np.outer(np.diag(k), np.diag(k)))[lower]
    assert k[lower] / scale == pytest.approx(there / scale, abs=2e-5)


@pytest.mark.parametrize(("name", "method"), [("sleepstudy", "reml"), ("sleepstudy_ml", "ml")])
def test_random_slopes_match_lme4(references, name, method):
    expected = references[name]
    fit = fit_gaussian(_sleep(), "reaction", "day", [slopes("subject", "day")], method=method)
    _check(fit, expected)
    _check_kernel(fit.kernels["subject on day"], expected, "subject", ["intercept", "day"])
    assert fit.variances["residual"] == pytest.approx(expected["residual"], rel=1e-5)


def test_random_slopes_match_bates_2015():
    # Bates et al. (2015) J. Stat. Softw. 67(1), printed in the vignette lmer of lme4.
    fit = fit_gaussian(_sleep(), "reaction", "day", [slopes("subject", "day")])
    assert np.sqrt(fit.variances.to_numpy()) == pytest.approx([24.740, 5.922, 25.592], abs=6e-4)
    assert fit.coefficients.to_numpy() == pytest.approx([251.405, 10.467], abs=5e-4)
    assert fit.criterion == pytest.approx(1743.6, abs=0.05)


def test_independent_slopes_match_lme4(references):
    expected = references["sleepstudy_apart"]
    fit = fit_gaussian(_sleep(), "reaction", "day", [slopes("subject", "day", correlated=False)])
    _check(fit, expected)
    there = expected[["subject intercept", "subject day", "residual"]].to_numpy()
    assert fit.variances.to_numpy() == pytest.approx(there, rel=1e-5)


def _variety_f(fit):
    weights = pd.DataFrame(np.eye(56), columns=fit.coefficients.index)
    return fit.f_test(weights.iloc[1:] - weights.iloc[[0]].to_numpy()).f


@pytest.mark.parametrize("shape", ["gaussian", "rational quadratic"])
def test_trend_of_a_field_with_nugget_matches_nlme(references, shape):
    expected, term = references[f"wheat {shape}"], "field over latitude and longitude"
    fit = fit_gaussian(_wheat(), "yield", "0 + variety", [over("field", FIELD, shape)])
    _check(fit, expected)
    there = expected[["trend", "residual"]].to_numpy()
    assert fit.variances[[term, "residual"]].to_numpy() == pytest.approx(there, rel=2e-5)
    assert np.exp(fit.shapes[f"{term}: log range"]) == pytest.approx(expected["range"], rel=1e-5)
    assert _variety_f(fit) == pytest.approx(expected["F variety"], rel=1e-5)


def test_trend_of_a_field_matches_pinheiro_2000_p266():
    # Pinheiro & Bates (2000) section 5.3, value from memory, recomputed with nlme 3.1-162.
    fit = fit_gaussian(
        _wheat(), "yield", "0 + variety", [over("field", FIELD, "rational quadratic")]
    )
    plain = fit_gaussian(_wheat(), "yield", "0 + variety")
    trend, residual = fit.variances
    assert np.exp(fit.shapes.iloc[0]) == pytest.approx(13.46, abs=0.02)
    assert residual / (trend + residual) == pytest.approx(0.1936, abs=0.001)
    assert [fit.criterion / -2, plain.criterion / -2] == pytest.approx([-532.64, -620.37], abs=0.01)
    assert _variety_f(fit) == pytest.approx(1.85, abs=0.005)
    assert _variety_f(plain) == pytest.approx(0.73, abs=0.005)


def test_trend_alone_matches_nlme(references):
    expected = references["wheat exponential alone"]
    terms = [over("field", FIELD, "exponential")]
    fit = fit_gaussian(_wheat(), "yield", "0 + variety", terms, residual=False)
    _check(fit, expected)
    assert fit.variances.to_numpy() == pytest.approx([expected["trend"]], rel=2e-5)
    assert np.exp(fit.shapes.to_numpy()) == pytest.approx([expected["range"]], rel=2e-5)


def test_trend_whose_range_has_no_end_stops_at_its_bound(references):
    """An exponential becomes a straight variogram: its steepness stays, variance and range grow
    together.
    """
    expected, term = references["wheat exponential"], "field over latitude and longitude"
    fit = fit_gaussian(_wheat(), "yield", "0 + variety", [over("field", FIELD, "exponential")])
    reached = np.exp(fit.shapes[f"{term}: log range"])
    assert fit.criterion == pytest.approx(expected["criterion"], rel=1e-4)
    assert fit.variances["residual"] == pytest.approx(expected["residual"], rel=0.01)
    assert fit.variances[term] / reached == pytest.approx(expected["steepness"], rel=0.02)
    assert _variety_f(fit) == pytest.approx(expected["F variety"], rel=0.01)


def test_trends_within_blocks_match_nlme(references):
    expected, term = references["wheat_in_blocks"], "block over latitude and longitude"
    terms = ["block", over("block", FIELD, "rational quadratic")]
    fit = fit_gaussian(_wheat(), "yield", "0 + variety", terms)
    _check(fit, expected)
    assert fit.variances["block"] == pytest.approx(expected["block"], abs=1e-5)
    there = expected[["trend", "residual"]].to_numpy()
    assert fit.variances[[term, "residual"]].to_numpy() == pytest.approx(there, rel=2e-5)
    assert np.exp(fit.shapes[f"{term}: log range"]) == pytest.approx(expected["range"], rel=1e-5)


@pytest.mark.parametrize(
    ("name", "read", "fixed", "random"),
    [("wheat_ar1_ar1", _wheat, "0 + variety", []), ("grid_ar1_ar1", _grid, "1", ["variety"])],
)
def test_separable_trend_matches_the_definition(references, name, read, fixed, random):
    """The criterion with the full covariance matrix in R, made least by nlminb and Newton steps."""
    expected, term = references[name], "field over row and column"
    fit = fit_gaussian(
        read(),
        "yield",
        fixed,
        [over("field", ("row", "column"), "separable autoregressive"), *random],
    )
    _check(fit, expected)
    for variance, quantity in [
        (term, "trend"),
        ("residual", "residual"),
        *zip(random, random, strict=True),
    ]:
        assert fit.variances[variance] == pytest.approx(expected[quantity], rel=5e-5)
    found = fit.shapes[
        [f"{term}: correlation along row", f"{term}: correlation along column"]
    ].to_numpy()
    assert found == pytest.approx(expected[["rho row", "rho column"]].to_numpy(), rel=2e-5)


def test_unstructured_matches_nlme(references):
    expected = references["orthodont_unstructured"]
    terms = [over("Subject", "age", "unstructured")]
    fit = fit_gaussian(_children(), "distance", "age * Sex", terms, residual=False)
    _check(fit, expected)
    _check_kernel(fit.kernels["Subject over age"], expected, "age", [8, 10, 12, 14])


def test_unstructured_of_complete_records_is_the_sample_covariance(references):
    """Nine occasions, correlations up to 0.999: with a mean per occasion REML has a closed form."""
    boys = _read("goldstein_1987_oxboys")
    expected = references["oxboys_unstructured"]
    terms = [over("subject", "occasion", "unstructured")]
    fit = fit_gaussian(boys, "height", "0 + C(occasion)", terms, residual=False)
    _check(fit, expected)
    _check_kernel(fit.kernels["subject over occasion"], expected, "occasion", list(range(1, 10)))


@pytest.mark.parametrize(
    ("name", "method"), [("orthodont_ar1", "reml"), ("orthodont_ar1_ml", "ml")]
)
def test_autoregressive_errors_match_nlme(references, name, method):
    expected, term = references[name], over("Subject", "occasion", "autoregressive")
    fit = fit_gaussian(_children(), "distance", "age * Sex", [term], residual=False, method=method)
    _check(fit, expected)
    assert fit.variances.to_numpy() == pytest.approx([expected["variance"]], rel=1e-5)
    assert fit.shapes["Subject over occasion: correlation"] == pytest.approx(
        expected["rho"], rel=1e-5
    )


def test_autoregressive_process_with_residuals_by_sex_matches_the_definition(references):
    expected, term = (
        references["orthodont_ar1_by_sex"],
        over("Subject", "occasion", "autoregressive"),
    )
    fit = fit_gaussian(_children(), "distance", "age * Sex", [term], residual_by="Sex")
    _check(fit, expected)
    there = expected[["variance", "residual Female", "residual Male"]].to_numpy()
    assert fit.variances.to_numpy() == pytest.approx(there, rel=5e-5)
    assert fit.shapes["Subject over occasion: correlation"] == pytest.approx(
        expected["rho"], rel=2e-5
    )


def test_compound_symmetry_matches_nlme(references):
    expected = references["orthodont_compound"]
    fit = fit_gaussian(_children(), "distance", "age * Sex", ["Subject"])
    _check(fit, expected)
    assert fit.variances.to_numpy() == pytest.approx(
        expected[["Subject", "residual"]].to_numpy(), rel=1e-5
    )


def test_residual_variances_by_age_match_nlme(references):
    expected = references["orthodont_by_age"]
    fit = fit_gaussian(_children(), "distance", "age * Sex", ["Subject"], residual_by="age")
    _check(fit, expected)
    for age in (8, 10, 12, 14):
        assert fit.variances[f"residual[{age}]"] == pytest.approx(
            expected[f"residual {age}"], rel=2e-5
        )
    assert fit.variances["Subject"] == pytest.approx(expected["Subject"], rel=1e-5)


@pytest.mark.parametrize(
    ("name", "random"),
    [("ovary_ar1", "mare"), ("ovary_ar1_slopes", slopes("mare", "sine", correlated=False))],
)
def test_autoregressive_process_beside_random_effects_matches_nlme(references, name, random):
    expected, term = references[name], "mare over occasion"
    terms = [random, over("mare", "occasion", "autoregressive")]
    fit = fit_gaussian(_mares(), "follicles", "sine + cosine", terms, residual=False)
    _check(fit, expected)
    there = expected[
        ["mare", "sine", "process"] if "sine" in expected else ["mare", "process"]
    ].to_numpy()
    assert fit.variances.to_numpy() == pytest.approx(there, rel=5e-5)
    assert fit.shapes[f"{term}: correlation"] == pytest.approx(expected["rho"], rel=2e-5)


def test_process_in_time_beside_random_slopes_matches_nlme(references):
    expected, term = references["bodyweight_exponential"], "rat over week"
    terms = [slopes("rat", "week"), over("rat", "week", "exponential")]
    fit = fit_gaussian(_rats(), "weight", "week * diet", terms, residual=False)
    _check(fit, expected)
    _check_kernel(fit.kernels["rat on week"], expected, "rat", ["intercept", "week"])
    assert fit.variances[term] == pytest.approx(expected["process"], rel=5e-5)
    assert np.exp(fit.shapes[f"{term}: log range"]) == pytest.approx(expected["range"], rel=5e-5)


@pytest.mark.parametrize(
    ("name", "read", "group", "traits"),
    [
        ("barley_two_years", _barley, "place", ["yield_1931", "yield_1932"]),
        ("pupils_two_scores", _pupils, "class", ["language", "iq"]),
    ],
)
def test_two_traits_match_nlme(references, name, read, group, traits):
    """Covariance of traits between groups and between units, some units without the second trait."""
    (long, design), expected = read(), references[name]
    terms = [over(group, "trait", "unstructured"), over("unit", "trait", "unstructured")]
    fit = fit_gaussian(long, "y", design, terms, residual=False)
    _check(fit, expected)
    _check_kernel(fit.kernels[f"{group} over trait"], expected, group, traits)
    _check_kernel(fit.kernels["unit over trait"], expected, "unit", traits)


def test_one_common_factor_matches_the_definition(references):
    """The criterion with the full covariance matrix in R, made least by nlminb and Newton steps."""
    expected = references["cake_factor"]
    cakes = _read("cochran_1957_cake").assign(
        cake=lambda t: t["recipe"] + t["replicate"].astype(str)
    )
    terms = [over("cake", "temperature", factor_analytic(1))]
    fit = fit_gaussian(cakes, "angle", "recipe * temp", terms, residual=False)
    _check(fit, expected)
    _check_kernel(
        fit.kernels["cake over temperature"], expected, "temperature", list(range(175, 226, 10))
    )


def test_one_common_factor_turns_where_the_first_site_goes_against_the_others(references):
    """Site s6 has the one negative loading; under a name that comes first the fit is the same."""
    trial = _read("simulated_sites").replace({"site": {"s6": "a"}})
    term = over("hybrid", "site", factor_analytic(1))
    fit = fit_gaussian(trial, "yield", "0 + site", [term], residual_by="site")
    assert fit.kernels["hybrid over site"].loc["a", "s1"] < 0
    assert fit.criterion == pytest.approx(references[("sites_factor", "criterion")], rel=1e-9)


def test_one_common_factor_of_sites_matches_the_definition(references):
    expected, sites = references["sites_factor"], [f"s{i}" for i in range(1, 7)]
    term = over("hybrid", "site", factor_analytic(1))
    fit = fit_gaussian(_read("simulated_sites"), "yield", "0 + site", [term], residual_by="site")
    _check(fit, expected)
    _check_kernel(fit.kernels["hybrid over site"], expected, "site", sites)
    residual = fit.variances[[f"residual[{site}]" for site in sites]].to_numpy()
    assert residual == pytest.approx(
        expected[[f"residual {site}" for site in sites]].to_numpy(), rel=1e-4
    )


def _bacteria():
    return _read("venables_2002_bacteria").assign(late=lambda t: (t["week"] > 2).astype(int))


def _plates():
    return _read("crowder_1978_table1").assign(plate=lambda t: t.index.astype(str))


COUNTS = {
    "cbpp": (lambda: _read("lesnoff_2004_cbpp"), "incidence", "size", "C(period)", ["herd"]),
    "bacteria": (
        _bacteria,
        "present",
        "total",
        "C(treatment, contr.treatment('placebo')) + late",
        ["child"],
    ),
    "plates": (_plates, "y", "n", "dilution", ["plate"]),
    "verbagg_crossed": (
        lambda: _read("deboeck_2004_verbagg"),
        "yes",
        "total",
        "behaviour + situation + mode",
        ["person", "item"],
    ),
    "counts_crossed": (
        lambda: _read("simulated_counts"),
        "alive",
        "total",
        "site",
        ["hybrid", "hybrid:site", "block"],
    ),
}


@pytest.mark.parametrize(
    ("name", "nodes"),
    [
        *((name, nodes) for name in ("cbpp", "bacteria", "plates") for nodes in (1, 10, 25)),
        ("verbagg_crossed", 1),
        ("counts_crossed", 1),
    ],
)
def test_counts_match_glmer(references, name, nodes):
    """Laplace's approximation, or quadrature where there are more nodes than one."""
    read, alive, total, fixed, random = COUNTS[name]
    expected = references[name if name.endswith("crossed") else f"{name}_{nodes}"]
    fit = fit_binomial(
        read(), alive=alive, total=total, fixed=fixed, random=random, method="ml", nodes=nodes
    )
    assert fit.verdict == "converged"
    assert fit.criterion == pytest.approx(expected["criterion"], rel=1e-8)
    for term, variance in fit.variances.items():
        assert variance == pytest.approx(expected[f"variance {term}"], rel=1e-4), term
    b = expected.filter(regex=r"^b\d").to_numpy()
    assert fit.coefficients.to_numpy() == pytest.approx(b, rel=1e-4, abs=2e-5)


def test_counts_of_a_network_match_glmer():
    """3,000 cells, three crossed terms; glmer 1.1-31 with lme4_networks.R."""
    there = _read("lme4_counts").set_index("term")
    fit = fit_binomial(network_counts(3_000), **COUNTS_MODEL)
    assert fit.verdict == "converged"
    assert fit.criterion == pytest.approx(there["criterion"].iloc[0], rel=1e-9)
    assert fit.criterion <= there["criterion"].iloc[0] + 1e-5
    assert fit.variances.to_numpy() == pytest.approx(
        there.loc[fit.variances.index, "variance"].to_numpy(), rel=2e-4
    )


def _homes():
    homes, levels = _read("madsen_1976_housing"), ["Low", "Medium", "High"]
    types = ["Tower", "Apartment", "Atrium", "Terrace"]
    homes = homes.loc[homes.index.repeat(homes["frequency"])].reset_index(drop=True)
    return homes.assign(
        influence=pd.Categorical(homes["influence"], levels),
        type=pd.Categorical(homes["type"], types),
        contact=pd.Categorical(homes["contact"], ["Low", "High"]),
    )


def _wine():
    return _read("randall_1989_wine")


def _soup():
    return _read("christensen_2012_soup")


SCORES = {
    "wine": (_wine, "rating", "temp + contact", [], {}),
    "wine_judge_1": (_wine, "rating", "temp + contact", ["judge"], {}),
    "wine_judge_10": (_wine, "rating", "temp + contact", ["judge"], {"nodes": 10}),
    "wine_judge_25": (_wine, "rating", "temp + contact", ["judge"], {"nodes": 25}),
    "wine_judge_bottle": (_wine, "rating", "temp", ["judge", "bottle"], {}),
    "soup_1": (_soup, "sureness", "C(product)", ["respondent"], {}),
    "soup_10": (_soup, "sureness", "C(product)", ["respondent"], {"nodes": 10}),
    "housing": (_homes, "satisfaction", "influence + type + contact", [], {}),
}


@pytest.mark.parametrize("name", SCORES)
def test_scores_match_clmm(references, name):
    """Laplace's approximation, or quadrature where ``nodes`` are given."""
    (read, score, fixed, random, more), expected = SCORES[name], references[name]
    fit = fit_ordinal(read(), score=score, fixed=fixed, random=random, **more)
    assert fit.verdict == "converged"
    assert fit.criterion == pytest.approx(expected["criterion"], rel=1e-8)
    cuts = expected[list(fit.thresholds.index)].to_numpy()
    assert fit.thresholds.to_numpy() == pytest.approx(cuts, rel=1e-4, abs=2e-5)
    assert fit.coefficients.to_numpy() == pytest.approx(
        expected.filter(regex=r"^b\d").to_numpy(), rel=1e-4
    )
    own = fit.covariance.loc[fit.coefficients.index, fit.coefficients.index]
    assert np.sqrt(np.diag(own)) == pytest.approx(
        expected.filter(regex=r"^se\d").to_numpy(), rel=1e-4
    )
    for term, variance in fit.variances.items():
        assert variance == pytest.approx(expected[f"variance {term}"], rel=2e-4)


def test_scores_match_christensen_clm_article():
    # Printed in the vignettes clm_article and clmm2_tutorial of R package ordinal; data of Randall
    # (1989).
    wine = _wine()
    fit = fit_ordinal(wine, score="rating", fixed="temp + contact")
    assert fit.coefficients.to_numpy() == pytest.approx([2.5031, 1.5278], abs=6e-5)
    assert fit.thresholds.to_numpy() == pytest.approx([-1.3444, 1.2508, 3.4669, 5.0064], abs=6e-5)
    assert np.sqrt(np.diag(fit.covariance))[4:] == pytest.approx([0.5287, 0.4766], abs=6e-5)
    assert fit.criterion / -2 == pytest.approx(-86.49, abs=0.005)
    judged = fit_ordinal(wine, score="rating", fixed="temp + contact", random=["judge"], nodes=10)
    assert judged.coefficients.to_numpy() == pytest.approx([3.0619, 1.8334], abs=6e-5)
    assert np.sqrt(np.diag(judged.covariance))[4:] == pytest.approx([0.5951, 0.5122], abs=6e-5)
    assert [judged.variances["judge"], judged.criterion / -2] == pytest.approx(
        [1.2877, -81.5325], abs=6e-5
    )


def test_scores_match_venables_2002_s7_3():
    # Venables & Ripley (2002) section 7.3, value from memory, recomputed with MASS 7.3-58 polr.
    fit = fit_ordinal(_homes(), score="satisfaction", fixed="influence + type + contact")
    printed = [0.5664, 1.2888, -0.5724, -0.3662, -1.0910, 0.3603]
    assert fit.coefficients.to_numpy() == pytest.approx(printed, abs=6e-5)
    assert fit.thresholds.to_numpy() == pytest.approx([-0.4961, 0.6907], abs=6e-5)
    assert fit.criterion == pytest.approx(3479.149, abs=6e-4)


def test_two_factors_are_searched_from_several_starts():
    """R 4.2.2: optim's best of the dense criterion from one start is 1678.5331, a local optimum
    too.
    """
    cake = _read("cochran_1957_cake").assign(
        unit=lambda t: t["recipe"] + t["replicate"].astype(str),
        place=lambda t: t["temp"].astype(str),
    )
    fit = fit_gaussian(
        cake, "angle", "recipe * temp", [over("unit", "place", factor_analytic(2))], residual=False
    )
    assert fit.verdict == "converged"
    assert fit.criterion < 1678.5331
