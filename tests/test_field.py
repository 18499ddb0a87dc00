"""Trends over a field: references, definitions, edge inputs."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from field_frames import LINES, NONE, SMOOTH, make_trial

from culmbook.field import KINDS, trend_terms
from culmbook.field_choice import CANDIDATES, choose_trend, mean_difference_variance
from culmbook.mixed import fit_gaussian, over, smooth_surface
from culmbook.mixed.left_out import left_out, part_of, residuals

PUBLISHED = Path(__file__).parent / "published"


def _dense(fit):
    """Inverse covariance of the records and the projection, by the definition."""
    v, _ = fit.model.covariance(fit.state)
    v, x = v * fit.model.scale**2, fit.design.to_numpy(float)
    inverse = np.linalg.inv(v)
    return v, inverse - inverse @ x @ np.linalg.pinv(x.T @ inverse @ x) @ x.T @ inverse


@pytest.fixture(scope="module")
def lined():
    return choose_trend(make_trial(np.random.default_rng(3), LINES))


def test_left_out_errors_are_those_of_generalised_least_squares_without_the_record(lined):
    fit = lined.fits["rows and columns"].fit
    v, _ = _dense(fit)
    x, y, i = fit.design.to_numpy(float), fit.response, 7
    rest = np.arange(len(y)) != i
    inverse = np.linalg.inv(v[np.ix_(rest, rest)])
    b = np.linalg.solve(x[rest].T @ inverse @ x[rest], x[rest].T @ inverse @ y[rest])
    predicted = x[i] @ b + v[i, rest] @ inverse @ (y[rest] - x[rest] @ b)
    table = left_out(fit)
    assert table["error"].iloc[i] == pytest.approx(y[i] - predicted, rel=1e-7)
    own = x[i] - x[rest].T @ inverse @ v[rest, i]
    variance = v[i, i] - v[i, rest] @ inverse @ v[rest, i] + own @ np.linalg.solve(x[rest].T @ inverse @ x[rest], own)
    assert table["variance"].iloc[i] == pytest.approx(variance, rel=1e-7)


def test_left_out_errors_of_plain_regression_are_deletion_residuals(rng):
    import statsmodels.api as sm

    frame = pd.DataFrame({"x": rng.normal(size=20), "y": rng.normal(size=20)})
    influence = sm.OLS(frame["y"], sm.add_constant(frame["x"])).fit().get_influence()
    deleted = left_out(fit_gaussian(frame, "y", "x"))["error"]
    assert deleted.to_numpy() == pytest.approx(influence.resid_press, rel=1e-9)


def test_trend_parts_and_residuals_add_up_to_the_response(lined):
    for means in lined.fits.values():
        fit = means.fit
        total = fit.design.to_numpy(float) @ fit.coefficients.to_numpy() + sum(part_of(fit, t) for t in fit.levels)
        assert total + residuals(fit) == pytest.approx(fit.response)
        _, p = _dense(fit)
        assert residuals(fit) == pytest.approx(fit.variances["residual"] * p @ fit.response, abs=1e-9)


def test_mean_variance_of_a_difference_is_the_mean_over_all_pairs(lined):
    means = lined.best
    rows = means.weights.iloc[:6]
    pairs = pd.DataFrame([rows.iloc[a] - rows.iloc[b] for a in range(6) for b in range(a)])
    variances = means.fit.contrast(pairs.reset_index(drop=True))["se"] ** 2
    assert mean_difference_variance(means.fit, rows) == pytest.approx(variances.mean(), rel=1e-9)


def test_rows_and_columns_are_found_where_they_differ(lined):
    assert lined.chosen == "rows and columns" == lined.table["aic"].idxmin()
    assert lined.table.loc["rows and columns", "efficiency"] > 1.2
    assert set(lined.fits) == set(CANDIDATES) and not lined.refused


def test_records_in_another_order_give_the_same_choice(rng):
    frame = make_trial(rng, SMOOTH)
    one, other = choose_trend(frame), choose_trend(frame.sample(frac=1, random_state=1))
    pd.testing.assert_frame_equal(one.table, other.table, rtol=1e-6)


def test_an_unknown_kind_is_refused():
    with pytest.raises(ValueError, match="must be one of blocks"):
        trend_terms(make_trial(np.random.default_rng(1)), "kriging")


@pytest.mark.parametrize("kind", KINDS)
def test_repeated_plots_get_lasting_and_seasonal_parts(kind, rng):
    one = make_trial(rng, NONE, missing=0)
    cells = pd.concat([one, one.assign(season="2026")], ignore_index=True)
    trend = trend_terms(cells, kind)
    single = trend_terms(one, kind)
    assert len(trend.terms) > len(single.terms) or kind == "blocks"
    assert trend.fixed.shape == (len(cells), 0)


# -- against R --------------------------------------------------------------------------------------------------------


def _wheat_fit(kind):
    wheat = pd.read_csv(PUBLISHED / "stroup_1994_wheat2.csv", comment="#").assign(place="field", plot=lambda t: t.index.astype(str))
    design = pd.get_dummies(wheat["variety"], dtype=float)
    if kind == "rational quadratic":
        return fit_gaussian(wheat, "yield", design, [over("place", ("latitude", "longitude"), kind)]), design
    if kind == "surface with fixed lines":
        smooth = smooth_surface(wheat["row"], wheat["column"])
        return fit_gaussian(wheat, "yield", design.join(smooth.fixed), ["block", *smooth.terms]), design
    trend = trend_terms(wheat, kind, fixed=design, random=["block"])
    return fit_gaussian(wheat, "yield", design, ["block", *trend.terms]), design


@pytest.mark.parametrize(("kind", "rounded"), [
    ("blocks", 24.79), ("rows and columns", 13.57), ("rational quadratic", 8.64), ("surface with fixed lines", 8.96), ("surface", 9.08)])
def test_mean_variance_of_a_difference_matches_lme4_and_nlme(kind, rounded):
    """Wheat of Stroup & Baenziger (1994): R 4.2.2 with lme4 1.1-31 and nlme 3.1-162, script field_references.R."""
    there = pd.read_csv(PUBLISHED / "field_references.csv", comment="#").set_index(["model", "quantity"])["value"][kind]
    fit, design = _wheat_fit(kind)
    weights = pd.DataFrame(np.eye(56), columns=design.columns)
    assert mean_difference_variance(fit, weights) == pytest.approx(there["difference"], rel=1e-4)
    assert there["difference"] == pytest.approx(rounded, abs=0.006)
    assert fit.criterion == pytest.approx(there["criterion"], rel=1e-7)
