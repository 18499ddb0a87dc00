import numpy as np
import pandas as pd
import pytest
from scipy import stats

from component_frames import draw_plots
from culmbook.yields.contributions import contributions, shares_of
from culmbook.yields.covariances import (
    POPULATION,
    THESE,
    bend,
    draw_covariances,
    fit_covariances,
    site_records,
)

PARTS = ["plants_per_m2", "stems_per_plant", "stem_mass_g"]
BETWEEN = np.array([[0.02, 0, 0], [0, 0.04, -0.02], [0, -0.02, 0.06]])
WITHIN = np.array([[0.03, -0.01, 0], [-0.01, 0.04, 0], [0, 0, 0.02]])


def plots(seed=1, **options):
    frame, true = draw_plots(np.random.default_rng(seed), BETWEEN, WITHIN, **options)
    return frame.assign(y=frame[PARTS].sum(axis=1)), true


def test_covariances_of_a_balanced_layout_are_those_of_the_analysis_of_variance():
    # Snedecor & Cochran's textbook form, reckoned here from mean squares: between = (MS hybrids - MS error)/r
    frame, _ = plots(missing=0)
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
    assert cov.reliability("plants_per_m2") == pytest.approx(1 - 1 / f)


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
    frame, _ = plots()
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
    frame, _ = plots()
    frame["rest"] = np.random.default_rng(4).normal(0, 0.2, len(frame))
    frame["y"] += frame["rest"]
    table = contributions(
        fit_covariances(frame, [*PARTS, "rest", "y"]), [*PARTS, "rest"], "y", draws=200
    )
    on_plots = table[table["among"] == "plots"].set_index("component")["share"]
    assert on_plots.sum() == pytest.approx(1) and 0.1 < on_plots["rest"] < 0.35


def test_parts_that_do_not_add_up_are_refused():
    frame, _ = plots()
    with pytest.raises(ValueError, match="do not add up"):
        contributions(fit_covariances(frame, [*PARTS, "y"]), PARTS[:2], "y")


def test_hybrids_that_do_not_differ_have_no_shares():
    frame, _ = draw_plots(np.random.default_rng(2), np.zeros((3, 3)), WITHIN)
    frame = frame.assign(y=frame[PARTS].sum(axis=1))
    with pytest.raises(ValueError, match="do not differ in y"):
        contributions(fit_covariances(frame, [*PARTS, "y"]), PARTS, "y")


def test_a_hybrid_in_one_plot_is_carried_and_weighs_less_error_off():
    frame, _ = plots(missing=0)
    frame = frame.drop(index=[1, 2])
    cov = fit_covariances(frame, [*PARTS, "y"])
    assert cov.scale[0, 0] > 2.5 * cov.scale[1, 1] and np.isfinite(cov.between.to_numpy()).all()


def test_groups_keep_crop_types_apart():
    frame, _ = plots()
    kind = frame["hybrid"].isin([f"H{i:02d}" for i in range(12)])
    shifted = frame.assign(
        crop_type=np.where(kind, "tall", "fine"), plants_per_m2=frame["plants_per_m2"] + 2 * kind
    )
    apart = fit_covariances(shifted, PARTS, group="crop_type")
    alike = fit_covariances(frame.assign(crop_type=shifted["crop_type"]), PARTS, group="crop_type")
    assert (
        apart.between.to_numpy() == pytest.approx(alike.between.to_numpy())
        and apart.df_between == 22
    )
    assert fit_covariances(shifted, PARTS).between.iloc[0, 0] > 0.5


def test_unconnected_missing_and_too_few_are_refused():
    frame, _ = plots()
    cut = frame.assign(unit=np.where(frame["hybrid"] == "H03", "alone", frame["unit"]))
    with pytest.raises(ValueError, match="never share a unit"):
        fit_covariances(cut, PARTS)
    with pytest.raises(ValueError, match="missing or not finite"):
        fit_covariances(frame.assign(stem_mass_g=np.nan), PARTS)
    with pytest.raises(ValueError, match="too few"):
        fit_covariances(frame[frame["hybrid"].isin(["H00", "H01"])], PARTS)


def test_bending_raises_only_what_lacks():
    bent, n = bend(np.diag([2.0, -1.0]), np.diag([1.0, 4.0]), floor=0.5)
    assert n == 1 and bent == pytest.approx(np.diag([2.0, 2.0]))
    same, n = bend(BETWEEN, 0.01 * WITHIN)
    assert n == 0 and (same == BETWEEN).all()
    with pytest.raises(ValueError, match="exact sum"):
        bend(BETWEEN, np.ones((3, 3)))


def test_draws_centre_on_the_estimates_and_the_population_varies_more():
    frame, _ = plots()
    cov = fit_covariances(frame, PARTS)
    these, within = draw_covariances(cov, 4000, 3, THESE)
    new, _ = draw_covariances(cov, 4000, 3, POPULATION)
    for drawn in (these, new):
        error = drawn.std(axis=0).max() / np.sqrt(4000)
        assert drawn.mean(axis=0) == pytest.approx(cov.between.to_numpy(), abs=4 * error)
    assert within.mean(axis=0) == pytest.approx(cov.within.to_numpy(), abs=1e-3)
    assert (new.std(axis=0).diagonal() > these.std(axis=0).diagonal()).all()
    with pytest.raises(ValueError, match="target"):
        draw_covariances(cov, 10, 1, "all")


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
    frame, _ = plots(missing=0)
    wild = frame["hybrid"].eq("H05")
    frame.loc[wild, "plants_per_m2"] += np.array([-0.8, 0.0, 0.8])
    cov = fit_covariances(frame, PARTS)
    assert cov.each[5, 0, 0] > 5 * np.median(cov.each[:, 0, 0])
    assert np.trace(cov.each.mean(axis=0)) == pytest.approx(np.trace(cov.within))
