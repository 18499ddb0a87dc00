"""Curves that rise to a plateau: certified values, exact curves, refusals."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from culmbook.stats import curves
from culmbook.stats.curves import BUILD_UP, STEEPEST, best_growth, fit_growth

PUBLISHED = Path(__file__).parents[1] / "published"


def nist(name):
    frame = pd.read_csv(PUBLISHED / "nist_growth.csv", comment="#")
    own = frame[frame["set"] == name]
    return own["x"].to_numpy(float), own["y"].to_numpy(float)


# NIST Statistical Reference Datasets, certified values; from memory, recomputed with nls of R 4.2.2
@pytest.mark.parametrize(
    "name, shape, certified, squares",
    [
        ("boxbod", "monomolecular", [213.80940889, 0.54723748542], 1168.0088766),
        ("misra1a", "monomolecular", [238.94212918, 5.5015643181e-4], 0.12455138894),
        ("rat42", "logistic", [72.462237576, 0.067359200066, 2.6180768402], 8.0565229338),
    ],
)
def test_growth_curves_match_nist(name, shape, certified, squares, monkeypatch):
    no_lag = (lambda x, rate, lag: -np.expm1(-rate * x), "lag")
    monkeypatch.setitem(curves.BUILD_UP, "monomolecular", no_lag)
    x, y = nist(name)
    curve = fit_growth(x, y, shape)
    own = [curve.plateau, curve.rate, curve.rate * curve.place][: len(certified)]
    assert own == pytest.approx(certified, rel=1e-6)
    assert curve.squares == pytest.approx(squares, rel=1e-7)
    assert ((y - curve.height(x)) ** 2).sum() == pytest.approx(squares, rel=1e-7)


TRUE = {"monomolecular with lag": (0.9, 0.7), "logistic": (1.6, 1.5), "gompertz": (1.3, 1.2)}


@pytest.mark.parametrize("shape", BUILD_UP)
def test_exact_curves_are_found_and_dated(shape):
    x = np.arange(1.0, 9.0)
    y = 12 * BUILD_UP[shape][0](x, *TRUE[shape])
    curve = fit_growth(x, y, shape)
    assert curve.plateau == pytest.approx(12, rel=1e-5)
    assert (curve.rate, curve.place) == pytest.approx(TRUE[shape], rel=1e-3)
    assert curve.height(curve.time_to(0.95)) == pytest.approx(0.95 * curve.plateau)
    assert curve.time_to(0.5) < curve.time_to(0.95)


@pytest.mark.parametrize("shape", BUILD_UP)
def test_best_curve_is_the_true_one(shape):
    x = np.arange(1.0, 9.0)
    assert best_growth(x, 12 * BUILD_UP[shape][0](x, *TRUE[shape])).shape == shape


def test_unit_of_yield_scales_the_plateau_alone():
    x, y = nist("rat42")
    one, other = fit_growth(x, y, "gompertz"), fit_growth(x, 1000 * y, "gompertz")
    assert other.plateau == pytest.approx(1000 * one.plateau, rel=1e-5)
    assert other.time_to(0.95) == pytest.approx(one.time_to(0.95), rel=1e-5)


@pytest.mark.parametrize(
    "x, y, shape, word",
    [
        ([1, 2, 3], [1, 2, 3], "line", "must be one of"),
        ([1, 2], [1, 2], "logistic", "do not determine"),
        ([1, 2, np.nan], [1, 2, 3], "gompertz", "finite"),
        ([1, 2, 3, 4], [-1, -2, -3, -3], "gompertz", "do not rise"),
    ],
)
def test_unfit_points_are_refused(x, y, shape, word):
    with pytest.raises(ValueError, match=word):
        fit_growth(x, y, shape)


def test_share_beyond_the_plateau_is_refused():
    with pytest.raises(ValueError, match="between 0 and 1"):
        fit_growth(*nist("rat42"), "logistic").time_to(1.0)


def test_a_step_between_two_years_is_dated_by_the_year_after_it():
    x, y = np.arange(1.0, 6.0), np.array([2.0, 10.0, 10.2, 9.8, 10.0])
    curve = best_growth(x, y)
    assert curve.rate <= STEEPEST and 1 < curve.time_to(0.95) <= 2
    assert curve.height(1.0) == pytest.approx(2.0, abs=0.3)
