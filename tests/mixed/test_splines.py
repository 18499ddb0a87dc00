"""Smooth trends in mixed-model form."""

import numpy as np
import pandas as pd
import pytest
from scipy import interpolate

from culmbook.mixed import fit_gaussian, smooth_line, smooth_surface


def _field(rows=12, columns=10):
    grid = pd.MultiIndex.from_product(
        [range(1, rows + 1), range(1, columns + 1)], names=["row", "column"]
    )
    return grid.to_frame(index=False)


def test_smooth_line_is_the_penalised_spline():
    """The same curve by penalised least squares with scipy's B-splines (Eilers & Marx 1996, eq.
    7).
    """
    rng = np.random.default_rng(4)
    x = np.arange(40.0)
    frame = pd.DataFrame({"x": x, "y": np.sin(x / 6) + rng.normal(0, 0.2, 40)})
    smooth = smooth_line(frame["x"])
    design = smooth.fixed.assign(one=1.0)
    fit = fit_gaussian(frame, "y", design, smooth.terms)
    curve = (
        design.to_numpy() @ fit.coefficients.to_numpy()
        + smooth.terms[0].matrix @ fit.effects("smooth x").to_numpy()
    )
    knots = np.linspace(0, 39, 11)[0] + 3.9 * np.arange(-3, 14)
    splines = interpolate.BSpline.design_matrix(x, knots, 3).toarray()
    bend = np.diff(np.eye(splines.shape[1]), 2, axis=0)
    penalty = bend.T @ bend
    size, vectors = np.linalg.eigh(penalty)
    wiggles = splines @ vectors[:, 2:] / np.sqrt(size[2:])
    scale = (wiggles**2).sum(axis=1).mean()
    ratio = fit.variances["residual"] / (fit.variances["smooth x"] / scale)
    expected = splines @ np.linalg.solve(
        splines.T @ splines + ratio * penalty, splines.T @ frame["y"]
    )
    assert curve == pytest.approx(expected, abs=1e-6)


def test_surface_without_variance_is_a_plane_with_a_twist():
    field = _field(20, 15)
    smooth = smooth_surface(field["row"], field["column"])
    assert list(smooth.fixed) == ["row", "column", "row x column"]
    plane = smooth.fixed.assign(one=1.0).to_numpy()
    for term in smooth.terms:
        assert (term.matrix**2).sum(axis=1).mean() == pytest.approx(1)
        assert np.linalg.matrix_rank(np.hstack([plane, term.matrix])) == 4 + np.linalg.matrix_rank(
            term.matrix
        )


def test_surface_recovers_a_smooth_field():
    field, rng = _field(20, 15), np.random.default_rng(8)
    trend = 2 * np.sin(field["row"] / 4) * np.cos(field["column"] / 5)
    frame = field.assign(y=10 + trend + rng.normal(0, 0.3, len(field)))
    smooth = smooth_surface(frame["row"], frame["column"])
    design = smooth.fixed.assign(one=1.0)
    fit = fit_gaussian(frame, "y", design, smooth.terms)
    found = design.to_numpy() @ fit.coefficients.to_numpy() + sum(
        t.matrix @ fit.effects(t.name).to_numpy() for t in smooth.terms
    )
    assert fit.verdict == "converged"
    assert np.sqrt(np.mean((found - 10 - trend) ** 2)) < 0.15
    assert np.sqrt(fit.variances["residual"]) == pytest.approx(0.3, abs=0.04)


def test_too_few_positions_are_refused():
    field = _field(3, 10)
    with pytest.raises(ValueError, match="row has 3 distinct positions"):
        smooth_surface(field["row"], field["column"])
    with pytest.raises(ValueError, match="row is missing in 1 of 120 rows"):
        smooth_line(_field()["row"].astype(float).where(_field().index != 5))
