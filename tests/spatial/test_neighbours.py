"""Moran's I and the variogram: published values, R, definitions, edge inputs.

Numbers of ``field_references.csv`` are printed by ``field_references.R`` (R 4.2.2, package ape 5.7,
a general package for trees and distances).
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from culmbook.mixed import fit_gaussian, residuals
from culmbook.spatial.neighbours import moran, moran_of_residuals, rook_neighbours, variogram
from culmbook.spatial.trend import choose_trend
from field_frames import NONE, PATCHY, make_trial

PUBLISHED = Path(__file__).parents[1] / "published"


def _read(name):
    return pd.read_csv(PUBLISHED / f"{name}.csv", comment="#")


@pytest.fixture(scope="module")
def references():
    return _read("field_references").set_index(["model", "quantity"])["value"]


def _countries(name):
    frame = _read(name)
    w = np.zeros((len(frame), len(frame)))
    for i, text in enumerate(frame["neighbours"].astype(str)):
        w[i, [int(j) - 1 for j in text.split()]] = 1
    return frame["value"], w


@pytest.mark.parametrize(
    ("name", "printed"), [("anselin_1995_afcon", 0.4168), ("anselin_1988_columbus", 0.5110)]
)
def test_moran_matches_anselin_and_ape(references, name, printed):
    """Row standardised weights. Anselin (1995) p. 105 prints .417 for the first; four digits from
    memory.
    """
    values, w = _countries(name)
    found, there = moran(values, w / w.sum(axis=1, keepdims=True)), references[name]
    assert found.i == pytest.approx(printed, abs=5e-5)
    assert found.i == pytest.approx(there["observed"], rel=1e-9)
    assert found.expected == -1 / (len(values) - 1)


def test_moran_of_a_uniformity_trial_matches_ape(references):
    field, there = _read("mercer_1911_wheat"), references["mercer_1911_wheat"]
    w = rook_neighbours(field["row"], field["column"])
    found = moran(field["yield"], w / w.sum(axis=1, keepdims=True))
    assert found.i == pytest.approx(there["observed"], rel=1e-9)
    assert found.p == 1 / 1000  # none of 999 permutations comes near


def test_binary_weights_follow_the_definition():
    values, w = _countries("anselin_1988_columbus")
    z = values - values.mean()
    pairs = sum(z[i] * z[j] for i in range(49) for j in range(49) if w[i, j])
    assert moran(values, w).i == pytest.approx(49 / w.sum() * pairs / (z**2).sum())


def test_expectation_and_p_are_those_of_all_permutations():
    """Six values: all 720 orders."""
    from itertools import permutations

    values, w = (
        np.array([1.0, 2, 4, 8, 9, 15]),
        rook_neighbours([1, 1, 1, 2, 2, 2], [1, 2, 3, 1, 2, 3]),
    )
    all_orders = [moran(np.array(order), w, draws=1).i for order in permutations(values)]
    found = moran(values, w)
    assert found.expected == pytest.approx(np.mean(all_orders))
    share = np.mean(np.abs(np.array(all_orders) + 0.2) >= abs(found.i + 0.2) - 1e-12)
    assert found.p == pytest.approx(share, abs=4 * np.sqrt(share * (1 - share) / 999))


def test_checkerboard_and_halves_are_the_two_ends():
    grid = pd.MultiIndex.from_product([range(8), range(8)]).to_frame(
        index=False, name=["row", "column"]
    )
    w = rook_neighbours(grid["row"], grid["column"])
    assert moran((grid["row"] + grid["column"]) % 2, w).i == pytest.approx(-1)
    # 112 pairs, 8 of them across the border: (104 - 8) / 112
    assert moran((grid["row"] > 3).astype(float), w).i == pytest.approx(96 / 112)


def test_units_and_order_do_not_matter(rng):
    frame = make_trial(rng, PATCHY)
    mixed = frame.sample(frac=1, random_state=2)
    one = moran(frame["response"], rook_neighbours(frame["row"], frame["column"]))
    other = moran(3 - 7 * mixed["response"], rook_neighbours(mixed["row"], mixed["column"]))
    assert (one.i, one.expected) == (pytest.approx(other.i), other.expected)


def test_residuals_are_judged_by_what_the_model_makes_of_even_fields():
    """Over even fields I averages what is expected, which is below -1/(n - 1), and p is uniform."""
    found = []
    for seed in range(40):
        frame = make_trial(np.random.default_rng([4, seed]), NONE)
        fit = choose_trend(frame, candidates=()).fits["blocks"].fit
        found.append(
            moran_of_residuals(fit, rook_neighbours(fit.data["row"], fit.data["column"]), draws=99)
        )
    observed, expected = np.array([m.i for m in found]), np.array([m.expected for m in found])
    apart = observed - expected
    assert abs(apart.mean()) < 3 * apart.std() / np.sqrt(40)
    assert np.mean([m.p < 0.05 for m in found]) < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 40)
    assert expected.mean() < -1 / 77 - 0.01


def test_residuals_of_plain_means_have_the_expectation_of_cliff_1981():
    """Cliff & Ord (1981) eq. 8.16: E I = -n tr((X'X)^-1 X'WX) / (S0 (n - p)), for independent
    errors.
    """
    frame = make_trial(np.random.default_rng(9), NONE, missing=0)
    fit = fit_gaussian(frame, "response", "0 + hybrid")
    w, x = rook_neighbours(frame["row"], frame["column"]), fit.design.to_numpy(float)
    n, p = x.shape
    exact = -n / w.sum() * np.trace(np.linalg.solve(x.T @ x, x.T @ w @ x)) / (n - p)
    found = [moran_of_residuals(fit, w, draws=200, seed=seed) for seed in range(20)]
    assert found[0].i == pytest.approx(moran(residuals(fit), w).i)
    drawn = np.array([each.expected for each in found])
    assert drawn.mean() == pytest.approx(exact, abs=4 * drawn.std(ddof=1) / np.sqrt(20))


def test_variogram_of_a_uniformity_trial_matches_r(references):
    field, there = _read("mercer_1911_wheat"), references["mercer_1911_wheat"]
    table = variogram(field["yield"], field["row"], field["column"]).query("distance <= 3")
    for line in table.itertuples():
        name = f"{line.direction} {line.distance}".replace("rows", "row").replace(
            "columns", "column"
        )
        assert line.semivariance == pytest.approx(there[f"semivariance {name}"], rel=1e-8)
        assert line.n_pairs == there[f"pairs {name}"]
    assert len(table) == 6


def test_variogram_of_a_slope_grows_with_the_square_of_the_distance():
    table = variogram(np.arange(10.0), [1] * 10, range(10))
    assert table["semivariance"].tolist() == [d**2 / 2 for d in table["distance"]]
    assert set(table["direction"]) == {"across columns"}


def test_what_cannot_be_told_is_refused():
    w = rook_neighbours([1, 1, 1, 1, 9], [1, 2, 3, 4, 9])
    assert moran([1.0, 2, 4, 3, 100], w).n == 4
    with pytest.raises(ValueError, match="All values are the same"):
        moran([2.0] * 5, w)
    with pytest.raises(ValueError, match="values are missing"):
        moran([1, 2, np.nan, 3, 4], w)
    with pytest.raises(ValueError, match="2 plots have a neighbour"):
        moran([1.0, 2, 3], rook_neighbours([1, 1, 5], [1, 2, 5]))
    with pytest.raises(ValueError, match="do not lie on a grid"):
        rook_neighbours([1, 1.5], [1, 2])
    with pytest.raises(ValueError, match="without row or column"):
        rook_neighbours([1, np.nan], [1, 2])
