from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from component_frames import draw_plots
from culmbook.yields import words
from culmbook.yields.paths import (
    HYBRIDS,
    PLOTS,
    SITE_BY_SITE,
    bend,
    compensation,
    contributions,
    covariances_of,
    draw_covariances,
    fit_covariances,
    path_coefficients,
    path_effects,
    paths_of,
    shares_of,
    site_records,
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
    # correlation matrix as in the book's code; printed coefficients 0.571, 0.700, -0.047 and
    # residual variance 0.054
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
    sd = np.sqrt(np.diag(cov.plots))
    assert paths_of(cov, PARTS, "y", PLOTS).direct.to_numpy() == pytest.approx(sd[:3] / sd[3])


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
    paths = paths_of(replace(cov, between=broken, raw=broken + cov.error), PARTS, "y", HYBRIDS)
    assert "1 of 4 combinations of traits had to be raised" in paths.notes[0]
    assert not paths_of(cov, PARTS, "y", PLOTS).notes


def test_a_component_that_hybrids_do_not_differ_in_is_refused():
    cov = fit_covariances(plots(), [*PARTS, "y"])
    broken = cov.between.copy()
    broken.iloc[2, 2] = -0.01
    with pytest.raises(ValueError, match="do not differ in mass per stem"):
        paths_of(replace(cov, between=broken), PARTS, "y")


def test_intervals_hold_the_estimate():
    cov = fit_covariances(plots(), [*PARTS, "y"])
    table = path_effects(cov, PARTS, "y", draws=300)[0].query("among == @PLOTS")
    assert table["direct"].to_numpy() == pytest.approx(
        paths_of(cov, PARTS, "y", PLOTS).direct.to_numpy()
    )
    assert ((table["lower"] < table["direct"]) & (table["direct"] < table["upper"])).all()
    assert (table["indirect"] + table["direct"]).to_numpy() == pytest.approx(
        table["correlation"].to_numpy()
    )


def test_compensation_is_the_partial_correlation_that_pingouin_finds():
    import pingouin

    frame = plots()
    out = compensation(frame, "plants_per_m2", "stems_per_plant")
    dummies = pd.concat(
        [
            pd.get_dummies(frame["hybrid"], dtype=float).iloc[:, 1:].add_prefix("h"),
            pd.get_dummies(frame["unit"], dtype=float).iloc[:, 1:].add_prefix("u"),
        ],
        axis=1,
    )
    both = pd.concat([frame, dummies], axis=1)
    other = pingouin.partial_corr(
        both, "plants_per_m2", "stems_per_plant", list(dummies.columns)
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


def test_effects_are_those_of_the_paths_and_components_that_do_not_differ_are_left_out():
    cov = fit_covariances(plots(), [*PARTS, "y"])
    still = cov.between.copy()
    still.iloc[2, :] = still.iloc[:, 2] = 0.0
    broken = replace(cov, between=still)
    effects, told = path_effects(broken, PARTS, "y")
    own = effects[effects["among"].eq(HYBRIDS)]
    assert own["component"].tolist() == PARTS[:2] and "Left out: mass per stem, in which" in told[0]
    through = effects[[f"through_{p}" for p in PARTS]].sum(axis=1)
    assert (effects["direct"] + through).to_numpy() == pytest.approx(
        effects["correlation"].to_numpy()
    )
    assert effects["condition"].iloc[-1] == paths_of(broken, PARTS, "y", PLOTS).condition
    still.iloc[1, :] = still.iloc[:, 1] = 0.0
    effects, told = path_effects(replace(cov, between=still), PARTS, "y")
    assert "Among hybrids there are no paths" in told[0] and set(effects["among"]) == {PLOTS}
    assert words.paths(effects, 0.95) == ""


def test_paths_sentence_names_only_effects_clear_of_zero():
    rows = {"among": HYBRIDS, "component": PARTS, "direct": [0.5, 0.1, -0.4]}
    effects = pd.DataFrame(rows | {"lower": [0.2, -0.1, -0.6], "upper": [0.8, 0.3, -0.2]})
    said = words.paths(effects, 0.9)
    assert "plants 0.50 (0.20 to 0.80) and mass per stem" in said and "stems per plant" not in said
    said = words.paths(effects.assign(lower=-1.0, upper=1.0), 0.9)
    assert "no component's direct effect" in said and "the largest is plants 0.50" in said


def test_sentence_of_compensation_gives_the_change_for_ten_per_cent_more_plants():
    # 100 (1.1^-0.5 - 1) = -4.65
    row = pd.Series(
        {"second": "stem_mass_g", "slope": -0.5, "slope_lower": -0.6, "slope_upper": -0.4}
    )
    said = words.gives_way(row.to_frame().T.assign(n_plots=24).iloc[0], 0.95)
    assert "mass per stem was 4.7 % lower (95 % interval 3.7 to 5.6 %; 24 plots)" in said
    row["slope_upper"] = 0.1
    assert words.gives_way(row, 0.95).endswith("mass per stem did not clearly change.")


def test_over_sites_each_hybrid_and_site_is_one_record():
    rng, frames = np.random.default_rng(5), []
    for site in ("S1", "S2", "S3"):
        own = plots(noise=0, missing=0).assign(site=site)
        own[PARTS] += rng.normal(0, 0.1, (len(own), 3))
        frames.append(own.assign(y=own[PARTS].sum(axis=1), unit=site + own["unit"]))
    frame = pd.concat(frames)
    cov = covariances_of(frame, [*PARTS, "y"])
    assert cov.n_plots == 72 and cov.among == SITE_BY_SITE  # 24 hybrids at three sites
    assert set(contributions(cov, PARTS, "y", draws=50)["among"]) == {"hybrids", SITE_BY_SITE}


def test_sentence_of_contributions_explains_a_negative_share():
    rows = {"among": "hybrids", "component": [*PARTS, "rest"], "share": [1.2, -0.3, 0.05, 0.05]}
    shares = pd.DataFrame(rows).assign(lower=-1.0, upper=2.0)
    assert words.contributions(shares, 6, 0.95).endswith(
        "A negative share works against the others."
    )
    assert "works against" not in words.contributions(shares[shares["share"] > 0], 6, 0.95)


def drawn_plots(seed=1, **options):
    frame, true = draw_plots(np.random.default_rng(seed), BETWEEN, WITHIN, **options)
    return frame.assign(y=frame[PARTS].sum(axis=1)), true


def test_covariances_of_a_balanced_layout_are_those_of_the_analysis_of_variance():
    # Snedecor & Cochran's textbook form, reckoned here from mean squares: between = (MS hybrids -
    # MS error)/r
    frame, _ = drawn_plots(missing=0)
    cov = fit_covariances(frame, PARTS)
    grand, by_hybrid = frame[PARTS].mean(), frame.groupby("hybrid")[PARTS].mean()
    by_unit = frame.groupby("unit")[PARTS].mean()
    rest = (
        frame[PARTS].to_numpy()
        - by_hybrid.loc[frame["hybrid"]].to_numpy()
        - by_unit.loc[frame["unit"]].to_numpy()
        + grand.to_numpy()
    )
    error = rest.T @ rest / (23 * 2)
    hybrids = 3 * np.cov(by_hybrid.T)
    assert cov.within.to_numpy() == pytest.approx(error)
    assert cov.between.to_numpy() == pytest.approx((hybrids - error) / 3)
    assert (cov.df_between, cov.df_within, cov.n_plots) == (23, 46, 72)
    f = hybrids[0, 0] / error[0, 0]
    assert cov.f_test("plants_per_m2") == pytest.approx(stats.f.sf(f, 23, 46))


def test_variance_components_match_dyestuff():
    # Dyestuff, Davies & Goldsmith (1972): batch 1764, residual 2451 (balanced: analysis of variance
    # and REML agree); values as printed in the lme4 book
    data = pd.read_csv("tests/published/davies_1972_dyestuff.csv", comment="#")
    batch = next(c for c in data.columns if c.lower() == "batch")
    y = next(c for c in data.columns if c.lower() == "yield")
    frame = data.rename(columns={batch: "hybrid"}).assign(unit="one")
    frame[y] = frame[y].astype(float)
    cov = fit_covariances(frame, [y])
    assert cov.between.iloc[0, 0] == pytest.approx(1764, rel=1e-3)
    assert cov.within.iloc[0, 0] == pytest.approx(2451, rel=1e-3)


def test_shares_sum_to_one_at_both_levels_and_may_be_negative():
    frame, _ = drawn_plots()
    table = contributions(fit_covariances(frame, [*PARTS, "y"]), PARTS, "y", draws=200)
    assert table.groupby("among")["share"].sum().to_numpy() == pytest.approx(1)
    between = np.array([[0.02, 0, 0], [0, 0.04, -0.045], [0, -0.045, 0.09]])
    full = np.vstack([np.eye(3), np.ones(3)])
    assert shares_of(full @ between @ full.T, [0, 1, 2], 3)[1] < 0


def test_shares_of_true_covariances_are_their_definition():
    # by hand: var Y = .02 + .04 + .06 - 2 x .02 = .08; cov with stems .02, with mass .04
    full = np.vstack([np.eye(3), np.ones(3)])
    assert shares_of(full @ BETWEEN @ full.T, [0, 1, 2], 3) == pytest.approx([0.25, 0.25, 0.5])


def test_rest_is_what_the_components_do_not_explain():
    frame, _ = drawn_plots()
    frame["rest"] = np.random.default_rng(4).normal(0, 0.2, len(frame))
    frame["y"] += frame["rest"]
    table = contributions(
        fit_covariances(frame, [*PARTS, "rest", "y"]), [*PARTS, "rest"], "y", draws=200
    )
    on_plots = table[table["among"] == "plots"].set_index("component")["share"]
    assert on_plots.sum() == pytest.approx(1) and 0.1 < on_plots["rest"] < 0.35


def test_parts_that_do_not_add_up_are_refused():
    frame, _ = drawn_plots()
    with pytest.raises(ValueError, match="do not add up"):
        contributions(fit_covariances(frame, [*PARTS, "y"]), PARTS[:2], "y")


def test_hybrids_that_do_not_differ_have_no_shares():
    frame, _ = draw_plots(np.random.default_rng(2), np.zeros((3, 3)), WITHIN)
    frame = frame.assign(y=frame[PARTS].sum(axis=1))
    with pytest.raises(ValueError, match="do not differ in y"):
        contributions(fit_covariances(frame, [*PARTS, "y"]), PARTS, "y")


def test_a_hybrid_in_one_plot_is_carried_and_weighs_less_error_off():
    frame, _ = drawn_plots(missing=0)
    frame = frame.drop(index=[1, 2])
    cov = fit_covariances(frame, [*PARTS, "y"])
    assert cov.scale[0, 0] > 2.5 * cov.scale[1, 1] and np.isfinite(cov.between.to_numpy()).all()


def test_unconnected_missing_and_too_few_are_refused():
    frame, _ = drawn_plots()
    cut = frame.assign(unit=np.where(frame["hybrid"] == "H03", "alone", frame["unit"]))
    with pytest.raises(ValueError, match="never share a unit"):
        fit_covariances(cut, PARTS)
    with pytest.raises(ValueError, match="missing or not finite"):
        fit_covariances(frame.assign(stem_mass_g=np.nan), PARTS)
    with pytest.raises(ValueError, match="too few"):
        fit_covariances(frame[frame["hybrid"].isin(["H00", "H01"])], PARTS)


def test_bending_raises_only_what_lacks():
    bent, n = bend(np.diag([2.0, -1.0]), np.diag([1.0, 4.0]))
    assert n == 1 and bent == pytest.approx(np.diag([2.0, 2.0]))
    same, n = bend(BETWEEN, 0.01 * WITHIN)
    assert n == 0 and (same == BETWEEN).all()
    with pytest.raises(ValueError, match="exact sum"):
        bend(BETWEEN, np.ones((3, 3)))


def test_draws_centre_on_the_estimates():
    frame, _ = drawn_plots()
    cov = fit_covariances(frame, PARTS)
    drawn, within = draw_covariances(cov, 4000, 3)
    error = drawn.std(axis=0).max() / np.sqrt(4000)
    assert drawn.mean(axis=0) == pytest.approx(cov.between.to_numpy(), abs=4 * error)
    assert within.mean(axis=0) == pytest.approx(cov.within.to_numpy(), abs=1e-3)


def test_site_records_are_means_of_sites_and_take_hybrid_by_site_as_error():
    rng = np.random.default_rng(8)
    frames = []
    hybrid = rng.multivariate_normal(np.zeros(3), BETWEEN, 24)
    for site in "ABCD":
        local = hybrid + rng.multivariate_normal(
            np.zeros(3), 4 * BETWEEN, 24
        )  # a large hybrid x site effect
        plots_ = np.repeat(local, 3, axis=0) + rng.multivariate_normal(np.zeros(3), WITHIN, 72)
        frames.append(
            pd.DataFrame(plots_, columns=PARTS).assign(
                site=site,
                hybrid=np.repeat([f"H{i:02d}" for i in range(24)], 3),
                unit=[site + str(i) for i in [0, 1, 2] * 24],
            )
        )
    frame = pd.concat(frames, ignore_index=True)
    records = site_records(frame, PARTS)
    mean = frame.groupby(["site", "hybrid"])[PARTS].mean().reset_index()
    shift = records[PARTS] - mean[PARTS]
    assert (shift.groupby(records["site"]).std() < 1e-9).all(
        axis=None
    )  # equal up to each site's own level
    naive, honest = fit_covariances(frame, PARTS), fit_covariances(records, PARTS)
    assert honest.error.iloc[2, 2] > 3 * naive.error.iloc[2, 2] and honest.df_within == 69


def test_a_hybrid_with_uneven_plots_gets_the_larger_error_and_the_mean_error_stays():
    frame, _ = drawn_plots(missing=0)
    wild = frame["hybrid"].eq("H05")
    frame.loc[wild, "plants_per_m2"] += np.array([-0.8, 0.0, 0.8])
    cov = fit_covariances(frame, PARTS)
    assert cov.each[5, 0, 0] > 5 * np.median(cov.each[:, 0, 0])
    assert np.trace(cov.each.mean(axis=0)) == pytest.approx(np.trace(cov.within))
