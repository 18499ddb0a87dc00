from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from component_frames import draw_plots
from culmbook.yields.covariances import fit_covariances
from culmbook.yields.paths import (
    GENOTYPIC,
    PHENOTYPIC,
    RAW,
    compensation,
    path_coefficients,
    path_intervals,
    paths_of,
)

PARTS = ["plants_per_m2", "stems_per_plant", "stem_mass_g"]
BETWEEN = np.array([[0.02, 0, 0], [0, 0.04, -0.02], [0, -0.02, 0.06]])
WITHIN = np.array([[0.03, -0.01, 0], [-0.01, 0.04, 0], [0, 0, 0.02]])
# Beaujean (2014) Latent Variable Modeling Using R, chapter 2: three causes and an outcome
BEAUJEAN = pd.DataFrame(
    [[1, 0.20, 0.24, 0.70], [0.20, 1, 0.30, 0.80], [0.24, 0.30, 1, 0.30], [0.70, 0.80, 0.30, 1]],
    ["X1", "X2", "X3", "Y"],
    ["X1", "X2", "X3", "Y"],
    dtype=float,
)


def correlation(frame):
    return pd.DataFrame(frame, list("abcy"), list("abcy"))


def plots(seed=1, noise=0.1, **options):
    rng = np.random.default_rng(seed)
    frame, _ = draw_plots(rng, BETWEEN, WITHIN, **options)
    return frame.assign(y=frame[PARTS].sum(axis=1) + rng.normal(0, noise, len(frame)))


def test_paths_match_beaujean_2014():
    # correlation matrix as in the book's code; printed coefficients 0.571, 0.700, -0.047 and residual variance 0.054
    # are from memory, recomputed by hand from p = R^-1 r
    paths = path_coefficients(BEAUJEAN, "Y")
    assert paths.direct.to_numpy() == pytest.approx([0.571, 0.700, -0.047], abs=5e-4)
    assert 1 - paths.explained == pytest.approx(0.054, abs=5e-4)


def test_direct_and_indirect_effects_sum_to_the_correlation():
    paths = path_coefficients(BEAUJEAN, "Y")
    assert paths.effects.sum(axis=1).to_numpy() == pytest.approx([0.7, 0.8, 0.3])
    assert np.diag(paths.effects) == pytest.approx(paths.direct.to_numpy())
    assert paths.effects.loc["X1", "X2"] == pytest.approx(0.20 * 0.700, abs=5e-4)  # r12 p2


def test_direct_effects_are_regression_on_standardised_values():
    frame = plots()
    paths = path_coefficients(frame[[*PARTS, "y"]].corr(), "y")
    z = (frame[[*PARTS, "y"]] - frame[[*PARTS, "y"]].mean()) / frame[[*PARTS, "y"]].std()
    slopes = np.linalg.lstsq(z[PARTS].to_numpy(), z["y"].to_numpy(), rcond=None)[0]
    assert paths.direct.to_numpy() == pytest.approx(slopes)


def test_paths_of_a_product_are_ratios_of_spreads():
    cov = fit_covariances(plots(noise=0.0), [*PARTS, "y"])
    for among, matrix in ((PHENOTYPIC, cov.plots), (RAW, cov.raw)):
        sd = np.sqrt(np.diag(matrix))
        assert paths_of(cov, PARTS, "y", among).direct.to_numpy() == pytest.approx(sd[:3] / sd[3])


def test_near_collinear_components_are_reported_and_exact_ones_refused():
    r = np.eye(4)
    r[0, 1] = r[1, 0] = 0.99
    r[:3, 3] = r[3, :3] = 0.5
    paths = path_coefficients(correlation(r), "y")
    assert (
        paths.condition == pytest.approx(1.99 / 0.01) and "condition number 199" in paths.notes[0]
    )
    r[0, 1] = r[1, 0] = 1.0
    with pytest.raises(ValueError, match="collinear"):
        path_coefficients(correlation(r), "y")
    with pytest.raises(ValueError, match="not a correlation matrix"):
        path_coefficients(correlation(2 * np.eye(4)), "y")


def test_bending_is_said_beside_the_paths():
    cov = fit_covariances(plots(noise=0.02), [*PARTS, "y"])
    broken = cov.between.copy()
    broken.iloc[0, 1] = broken.iloc[1, 0] = 1.2 * np.sqrt(broken.iloc[0, 0] * broken.iloc[1, 1])
    paths = paths_of(replace(cov, between=broken, raw=broken + cov.error), PARTS, "y", GENOTYPIC)
    assert "1 of 4 combinations of traits had to be raised" in paths.notes[0]
    assert not paths_of(cov, PARTS, "y", PHENOTYPIC).notes


def test_a_component_that_hybrids_do_not_differ_in_is_refused():
    cov = fit_covariances(plots(), [*PARTS, "y"])
    broken = cov.between.copy()
    broken.iloc[2, 2] = -0.01
    with pytest.raises(ValueError, match="do not differ in stem_mass_g"):
        paths_of(replace(cov, between=broken), PARTS, "y")
    with pytest.raises(ValueError, match="among is"):
        paths_of(cov, PARTS, "y", "sites")


def test_intervals_hold_the_estimate():
    cov = fit_covariances(plots(), [*PARTS, "y"])
    table = path_intervals(cov, PARTS, "y", PHENOTYPIC, draws=300)
    assert table["direct"].to_numpy() == pytest.approx(
        paths_of(cov, PARTS, "y", PHENOTYPIC).direct.to_numpy()
    )
    assert ((table["lower"] < table["direct"]) & (table["direct"] < table["upper"])).all()
    assert (table["indirect"] + table["direct"]).to_numpy() == pytest.approx(
        table["correlation"].to_numpy()
    )


def test_compensation_is_the_partial_correlation_that_pingouin_finds():
    import pingouin

    frame = plots()
    out = compensation(frame, "plants_per_m2", "stems_per_plant", ("stem_mass_g",))
    dummies = pd.concat(
        [
            pd.get_dummies(frame["hybrid"], dtype=float).iloc[:, 1:].add_prefix("h"),
            pd.get_dummies(frame["unit"], dtype=float).iloc[:, 1:].add_prefix("u"),
        ],
        axis=1,
    )
    both = pd.concat([frame, dummies], axis=1)
    other = pingouin.partial_corr(
        both, "plants_per_m2", "stems_per_plant", ["stem_mass_g", *dummies.columns]
    ).iloc[0]
    assert out.correlation == pytest.approx(other["r"]) and out.p_value == pytest.approx(
        other["p_val" if "p_val" in other else "p-val"]
    )
    limits = other["CI95" if "CI95" in other else "CI95%"]
    assert (out.lower, out.upper) == pytest.approx(
        tuple(limits), abs=0.006
    )  # rounded to two digits there


def test_compensation_slope_is_that_of_its_own_definition():
    frame = plots(noise=0)
    frame["stems_per_plant"] = -0.35 * frame["plants_per_m2"] + 0.001 * np.random.default_rng(
        3
    ).normal(size=len(frame))
    assert compensation(frame, "plants_per_m2", "stems_per_plant").slope == pytest.approx(
        -0.35, abs=0.005
    )
    with pytest.raises(ValueError, match="vary too little"):
        compensation(frame.assign(plants_per_m2=1.0), "plants_per_m2", "stems_per_plant")
