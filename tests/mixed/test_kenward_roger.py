"""Kenward and Roger's F tests: published and reference values, the balanced case, refusals."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from culmbook.mixed import fit_gaussian, over
from culmbook.mixed.inference import (
    _moments,
    enlarged_covariance,
    kenward_roger,
    kenward_roger_contrasts,
)

PUBLISHED = Path(__file__).parents[1] / "published"


def _read(name):
    return pd.read_csv(PUBLISHED / f"{name}.csv", comment="#")


@pytest.fixture(scope="module")
def references():
    """Numbers printed by gaussian_references.R with pbkrtest."""
    return _read("gaussian_references").set_index(["model", "quantity"])["value"]


def _rows(fit, begin):
    return pd.DataFrame(np.eye(len(fit.coefficients)), columns=fit.coefficients.index)[
        [name.startswith(begin) for name in fit.coefficients.index]
    ]


def _beets(frame):
    return fit_gaussian(frame, "sugpct", "block + sow + harvest", ["block:harvest"])


def test_f_matches_halekoh_2014_beets():
    # Value from memory, recomputed with pbkrtest (file's header).
    fit = _beets(_read("halekoh_2014_beets"))
    harvest, sow = kenward_roger(fit, _rows(fit, "harvest")), kenward_roger(fit, _rows(fit, "sow"))
    assert (harvest.f, harvest.df_denominator) == (
        pytest.approx(15.21, abs=5e-3),
        pytest.approx(2, abs=1e-6),
    )
    assert harvest.p == pytest.approx(0.0599, abs=5e-5)
    assert (sow.f, sow.df_numerator, sow.df_denominator) == (
        pytest.approx(101, abs=0.5),
        4,
        pytest.approx(20, abs=1e-6),
    )


@pytest.mark.parametrize(
    ("model", "begin"), [("beets_part_harvest", "harvest"), ("beets_part_sow", "sow")]
)
def test_f_matches_pbkrtest_with_plots_missing(references, model, begin):
    fit = _beets(_read("halekoh_2014_beets").drop(index=[1, 6, 10, 23, 24, 28]))
    _check(kenward_roger(fit, _rows(fit, begin)), references[model])


def test_f_matches_pbkrtest_with_two_terms(references):
    some = _read("milliken_1992_machines").drop(index=[0, 4, 8, 13, 22, 39, 40])
    fit = fit_gaussian(some, "score", "Machine", ["Worker", "Worker:Machine"])
    _check(kenward_roger(fit, _rows(fit, "Machine")), references["machines_part"])


def _check(test, expected):
    assert test.f == pytest.approx(expected["KR Fstat"], rel=1e-5)
    assert test.df_denominator == pytest.approx(expected["KR ddf"], rel=1e-5)
    assert test.p == pytest.approx(expected["KR p.value"], rel=1e-4)


@pytest.mark.parametrize("df", [1, 2, 3, 5])
@pytest.mark.parametrize("error_df", [3, 4, 5, 10, 40])
def test_moments_return_an_exact_f(df, error_df):
    """With one variance estimated on d degrees of freedom A1 = 2 q^2 / d and A2 = 2 q / d (Kenward
    & Roger 1997).
    """
    assert _moments(2 * df**2 / error_df, 2 * df / error_df, df) == pytest.approx((error_df, 1.0))


def test_units_do_not_matter():
    beets = _read("halekoh_2014_beets")
    first, second = _beets(beets), _beets(beets.assign(sugpct=1e4 * beets["sugpct"]))
    one, other = (kenward_roger(fit, _rows(fit, "sow")) for fit in (first, second))
    assert (one.f, one.df_denominator) == pytest.approx((other.f, other.df_denominator))


def test_without_random_term_it_is_the_ordinary_f():
    """One-way analysis of variance, by scipy."""
    beets = _read("halekoh_2014_beets")
    fit = fit_gaussian(beets, "sugpct", "sow")
    test = kenward_roger(fit, _rows(fit, "sow"))
    ordinary = stats.f_oneway(*[group for _, group in beets.groupby("sow")["sugpct"]])
    assert (test.f, test.df_denominator, test.p) == pytest.approx(
        (ordinary.statistic, 25, ordinary.pvalue), rel=1e-6
    )


def test_what_cannot_be_tested_is_said():
    beets = _read("halekoh_2014_beets")
    by_ml = fit_gaussian(beets, "sugpct", "sow", ["block"], method="ml")
    with pytest.raises(ValueError, match="converged fit with method 'reml'; this is 'ml'"):
        kenward_roger(by_ml, _rows(by_ml, "sow"))
    many = pd.concat([beets] * 51, ignore_index=True)
    fit = fit_gaussian(many.assign(sugpct=many["sugpct"] + np.sin(many.index)), "sugpct", "sow")
    with pytest.raises(ValueError, match="1530 records; with more than 1500 use the fit's f_test"):
        kenward_roger(fit, _rows(fit, "sow"))
    known = fit_gaussian(beets.assign(v=1.0), "sugpct", "sow", known_variance="v")
    with pytest.raises(ValueError, match="no variance was estimated"):
        kenward_roger(known, _rows(known, "sow"))
    fit = _beets(beets)
    with pytest.raises(ValueError, match="not independent"):
        kenward_roger(fit, pd.concat([_rows(fit, "harvest")] * 2))


def test_correlated_inner_levels_are_refused():
    children = _read("potthoff_1964_orthodont")
    fit = fit_gaussian(
        children, "distance", "Sex", [over("Subject", "age", "autoregressive")], residual=False
    )
    with pytest.raises(
        ValueError, match="no sum of variances because of Subject over age; use the fit's f_test"
    ):
        kenward_roger(fit, _rows(fit, "Sex"))


def test_each_contrast_is_the_f_test_of_it_alone():
    some = _read("milliken_1992_machines").drop(index=[0, 4, 8, 13, 22, 39, 40])
    fit = fit_gaussian(some, "score", "Machine", ["Worker", "Worker:Machine"])
    rows = pd.DataFrame(
        {"Machine[T.B]": [1.0, 0, -1], "Machine[T.C]": [0, 1.0, 1]}, index=["B", "C", "C - B"]
    )
    table = kenward_roger_contrasts(fit, rows)
    for name, line in table.iterrows():
        test = kenward_roger(fit, rows.loc[[name]])
        assert (line["t"] ** 2, line["df"], line["p"]) == (
            pytest.approx(test.f),
            pytest.approx(test.df_denominator),
            pytest.approx(test.p),
        )
        assert line["upper"] - line["estimate"] == pytest.approx(
            stats.t.ppf(0.975, line["df"]) * line["se"]
        )
    own = enlarged_covariance(fit)
    assert table.loc["B", "se"] == pytest.approx(np.sqrt(own.loc["Machine[T.B]", "Machine[T.B]"]))
    assert (table["se"] > fit.contrast(rows)["se"]).all()


def test_contrast_of_a_balanced_design_is_that_of_the_analysis_of_variance():
    fit = fit_gaussian(
        _read("milliken_1992_machines"), "score", "Machine", ["Worker", "Worker:Machine"]
    )
    line = kenward_roger_contrasts(fit, pd.DataFrame({"Machine[T.B]": [1.0]})).iloc[0]
    plain = fit.contrast(pd.DataFrame({"Machine[T.B]": [1.0]})).iloc[0]
    assert (line["df"], line["se"]) == (pytest.approx(10), pytest.approx(plain["se"]))
