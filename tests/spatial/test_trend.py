"""Trends over a field: references, definitions, edge inputs."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from culmbook.mixed import (
    enlarged_covariance,
    fit_gaussian,
    kenward_roger_contrasts,
    left_out,
    over,
    part_of,
    residuals,
    smooth_surface,
)
from culmbook.spatial.neighbours import (
    END_COLUMNS,
    END_ROWS,
    border_effects,
    plot_parts,
    with_borders,
)
from culmbook.spatial.trend import (
    CANDIDATES,
    KINDS,
    choose_trend,
    contrasts,
    mean_difference_variance,
    trend_terms,
)
from field_frames import LINES, NONE, SMOOTH, make_trial

PUBLISHED = Path(__file__).parents[1] / "published"


def _dense(fit):
    """Inverse covariance of the records and the projection, by the definition."""
    v, _ = fit.model.covariance(fit.state)
    v, x = v * fit.model.scale**2, fit.design.to_numpy(float)
    inverse = np.linalg.inv(v)
    return v, inverse - inverse @ x @ np.linalg.pinv(x.T @ inverse @ x) @ x.T @ inverse


@pytest.fixture(scope="module")
def lined():
    return choose_trend(make_trial(np.random.default_rng(3), LINES))


def _best(choice):
    return choice.fits[choice.chosen]


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
    variance = (
        v[i, i]
        - v[i, rest] @ inverse @ v[rest, i]
        + own @ np.linalg.solve(x[rest].T @ inverse @ x[rest], own)
    )
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
        total = fit.design.to_numpy(float) @ fit.coefficients.to_numpy() + sum(
            part_of(fit, t) for t in fit.levels
        )
        assert total + residuals(fit) == pytest.approx(fit.response)
        _, p = _dense(fit)
        assert residuals(fit) == pytest.approx(
            fit.variances["residual"] * p @ fit.response, abs=1e-9
        )


def test_mean_variance_of_a_difference_is_the_mean_over_all_pairs(lined):
    means = lined.fits[lined.chosen]
    rows = means.weights.iloc[:6]
    pairs = pd.DataFrame([rows.iloc[a] - rows.iloc[b] for a in range(6) for b in range(a)])
    variances = means.fit.contrast(pairs.reset_index(drop=True))["se"] ** 2
    own = rows.to_numpy() @ means.fit.covariance.to_numpy() @ rows.T.to_numpy()
    assert mean_difference_variance(own) == pytest.approx(variances.mean(), rel=1e-9)


def test_candidates_are_compared_by_what_their_fits_say(lined):
    weights = lined.fits["blocks"].weights
    for kind, means in lined.fits.items():
        row, error = lined.table.loc[kind], left_out(means.fit)["error"]
        assert row["aic"] == pytest.approx(means.fit.information_criterion)
        assert row["error"] == pytest.approx(np.sqrt((error**2).mean()))
        between = enlarged_covariance(means.fit).loc[weights.columns, weights.columns].to_numpy()
        own = weights.to_numpy() @ between @ weights.to_numpy().T
        pairs = [own[a, a] + own[b, b] - 2 * own[a, b] for a in range(len(own)) for b in range(a)]
        assert row["difference_variance"] == pytest.approx(np.mean(pairs))
    ratio = lined.table.loc["blocks", "difference_variance"] / lined.table["difference_variance"]
    assert lined.table["efficiency"].to_numpy() == pytest.approx(ratio.to_numpy())


def test_contrasts_allow_for_uncertain_variances_where_that_can_be_done(lined):
    rows = lined.fits[lined.chosen].weights.iloc[:2]
    there = kenward_roger_contrasts(lined.fits[lined.chosen].fit, rows)
    assert contrasts(lined.fits[lined.chosen].fit, rows)["se"].to_numpy() == pytest.approx(
        there["se"].to_numpy()
    )
    kind = "autoregressive with nugget"
    bent = choose_trend(make_trial(np.random.default_rng(3), LINES), candidates=[kind])
    fit, weights = bent.fits[kind].fit, bent.fits["blocks"].weights.iloc[:2]
    assert contrasts(fit, weights)["se"].to_numpy() == pytest.approx(
        fit.contrast(weights)["se"].to_numpy()
    )


def test_rows_and_columns_are_found_where_they_differ(lined):
    assert lined.chosen == "rows and columns" == lined.table["aic"].idxmin()
    assert lined.table.loc["rows and columns", "efficiency"] > 1.1
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
    assert len(trend) > len(single) or kind == "blocks"


# -- against R
# -------------------------------------------------------------------------------------------


def _wheat_fit(kind):
    wheat = pd.read_csv(PUBLISHED / "stroup_1994_wheat2.csv", comment="#").assign(
        place="field", plot=lambda t: t.index.astype(str)
    )
    design = pd.get_dummies(wheat["variety"], dtype=float)
    if kind == "rational quadratic":
        return fit_gaussian(
            wheat, "yield", design, [over("place", ("latitude", "longitude"), kind)]
        ), design
    if kind == "surface with fixed lines":
        smooth = smooth_surface(wheat["row"], wheat["column"])
        return fit_gaussian(
            wheat, "yield", design.join(smooth.fixed), ["block", *smooth.terms]
        ), design
    trend = trend_terms(wheat, kind, fixed=design, random=["block"])
    return fit_gaussian(wheat, "yield", design, ["block", *trend]), design


@pytest.mark.parametrize(
    ("kind", "rounded"),
    [
        ("blocks", 24.79),
        ("rows and columns", 13.57),
        ("rational quadratic", 8.64),
        ("surface with fixed lines", 8.96),
        ("surface", 9.08),
    ],
)
def test_mean_variance_of_a_difference_matches_lme4_and_nlme(kind, rounded):
    """Wheat of Stroup & Baenziger (1994); field_references.R with R 4.2.2, lme4 1.1-31, nlme
    3.1-162.
    """
    table = pd.read_csv(PUBLISHED / "field_references.csv", comment="#")
    there = table.set_index(["model", "quantity"])["value"][kind]
    fit, design = _wheat_fit(kind)
    own = fit.covariance.loc[list(design), list(design)].to_numpy()
    assert mean_difference_variance(own) == pytest.approx(there["difference"], rel=1e-4)
    assert there["difference"] == pytest.approx(rounded, abs=0.006)
    assert fit.criterion == pytest.approx(there["criterion"], rel=1e-7)


# -- parts of a plot's yield, borders
# --------------------------------------------------------------------


def test_parts_add_up_and_the_trend_follows_the_true_one():
    frame = make_trial(np.random.default_rng(12), SMOOTH, share=0.7)
    parts = plot_parts(_best(choose_trend(frame)))
    assert (parts["own"] + parts["trend"] + parts["residual"]).to_numpy() == pytest.approx(
        parts["response"].to_numpy()
    )
    assert parts["response"].to_numpy() == pytest.approx(frame["response"].to_numpy())
    assert parts["trend"].mean() == pytest.approx(0, abs=1e-12)
    assert parts.groupby("hybrid")["own"].std().max() < 1e-9
    assert np.corrcoef(parts["trend"], frame["trend"])[0, 1] > 0.7


def test_border_of_a_plain_layout_is_the_least_squares_estimate():
    import statsmodels.formula.api as smf

    frame = make_trial(np.random.default_rng(4), NONE).assign(block=None)
    plots = make_trial(np.random.default_rng(4), NONE, missing=0)
    cells = with_borders(frame, plots).rename(columns={END_ROWS: "ends", END_COLUMNS: "sides"})
    other = smf.ols("response ~ C(hybrid) + C(replicate) + ends + sides", cells).fit()
    table, refused = border_effects(frame, plots, "blocks")
    assert not refused
    assert table["estimate"].to_numpy() == pytest.approx(other.params[["ends", "sides"]].to_numpy())
    limits = other.conf_int().loc[["ends", "sides"]].to_numpy()
    assert table[["lower", "upper"]].to_numpy() == pytest.approx(limits, rel=1e-6)
    assert table["n_border"].tolist() == [int(cells["ends"].sum()), int(cells["sides"].sum())]


def test_a_border_that_yields_more_is_found_and_guards_move_it():
    plots = make_trial(np.random.default_rng(8), NONE, missing=0)
    frame = plots.assign(response=plots["response"] + 0.5 * plots["column"].isin([1, 13]))
    table, _ = border_effects(frame, plots, "blocks")
    assert table.set_index("border").loc[END_COLUMNS, "lower"] > 0.2
    guarded = pd.concat([plots, plots.iloc[:2].assign(column=[0, 14], plot=["g1", "g2"])])
    _, refused = border_effects(frame, guarded, "blocks")
    assert refused == {END_COLUMNS: f"no plot in the {END_COLUMNS} has a yield"}


# -- edge inputs
# -----------------------------------------------------------------------------------------


def _reasons(frame):
    choice = choose_trend(frame)
    return choice.chosen, set(choice.refused.values())


def test_a_trial_without_places_has_blocks_only():
    chosen, reasons = _reasons(
        make_trial(np.random.default_rng(1)).assign(row=np.nan, column=np.nan)
    )
    (reason,) = reasons
    assert chosen == "blocks" and "have no row or column" in reason


def test_one_plot_without_a_place_is_named_by_its_number():
    frame = make_trial(np.random.default_rng(1), missing=0).astype({"row": float})
    frame.loc[3, "row"] = np.nan
    _, reasons = _reasons(frame)
    assert reasons == {
        "1 plot of 78 has no row or column, so a trend over the field cannot be fitted"
    }


def test_plots_in_one_place_are_named():
    frame = make_trial(np.random.default_rng(1), missing=0)
    frame.loc[1, "column"] = 1
    _, reasons = _reasons(frame)
    assert reasons == {"plots 0101 and 0102 share a row and column"}


@pytest.mark.parametrize("turned", [False, True])
def test_a_single_row_or_column_has_a_course_along_it(turned):
    frame = make_trial(np.random.default_rng(5), SMOOTH, hybrids=20, rows=3, columns=20, missing=0)
    frame["column"] = frame["column"] + 20 * (frame["row"] - 1)
    frame["row"], frame["block"] = 1, (frame["column"] // 7).astype(str)
    names = {"row": "column", "column": "row"} if turned else {}
    frame = frame.rename(columns=names)
    long = "row" if turned else "column"
    assert [t.name for t in trend_terms(frame, "surface")] == [f"along {long}s"]
    choice = choose_trend(frame, candidates=KINDS)
    assert "one row or one column" in choice.refused["autoregressive with nugget"]
    assert "there is nothing to add" in choice.refused["rows and columns"]
    assert {"blocks", "surface"} <= set(choice.fits)


def test_few_rows_and_columns_have_no_surface():
    frame = make_trial(np.random.default_rng(5), NONE, hybrids=3, rows=3, columns=3, missing=0)
    assert "no trial has 4 rows or 4 columns" in choose_trend(frame).refused["surface"]


def test_one_replicate_with_repeated_controls_rests_on_the_controls(rng):
    """Augmented layout: 40 hybrids once, two controls in every row."""
    grid = pd.MultiIndex.from_product([range(1, 9), range(1, 8)], names=["row", "column"]).to_frame(
        index=False
    )
    names = [f"H{i:02d}" for i in range(40)]
    is_control = grid["column"].isin([2, 5])
    grid["hybrid"] = np.where(grid["column"] == 2, "C1", "C2").astype(object)
    grid.loc[~is_control, "hybrid"] = names
    frame = grid.assign(
        response=rng.normal(2 + 0.1 * grid["row"], 0.1),
        site="S",
        trial="T",
        place="S:T",
        season="1",
        replicate="1",
        block=None,
        main_plot=None,
        planting_method="hand",
        film="none",
        plot=grid.index.astype(str),
    )
    choice = choose_trend(frame)
    assert choice.table["n_left_out"].eq(16).all() and len(_best(choice).hybrids) == 42
    assert choice.chosen != "blocks"


def test_gaps_in_the_grid_change_nothing_for_rows_and_columns(rng):
    frame = make_trial(rng, LINES, missing=0.25)
    spread = frame.assign(column=frame["column"] * 3)
    one, other = (choose_trend(f, candidates=["rows and columns"]).table for f in (frame, spread))
    pd.testing.assert_frame_equal(one, other)


def test_one_hybrid_is_refused():
    with pytest.raises(ValueError, match="fewer than two hybrids"):
        choose_trend(make_trial(np.random.default_rng(1)).assign(hybrid="H1"))


def test_main_plots_in_rows_leave_only_columns_to_add(rng):
    """A split plot whose main plots are rows: the row effects are there already."""
    frame = make_trial(rng, NONE, missing=0)
    frame = frame.assign(
        main_plot="M" + frame["row"].astype(str), film=np.where(frame["row"] % 2, "film", "none")
    )
    terms = choose_trend(frame).fits["rows and columns"].terms
    assert "main_plot_key" in terms and "place:column" in terms and "place:row" not in terms


@pytest.mark.parametrize("kind", ["surface", "surface with rows and columns"])
def test_a_trend_does_not_move_the_level_of_a_complete_trial(kind):
    frame = make_trial(np.random.default_rng(21), SMOOTH, missing=0, share=0.8)
    frame["response"] += 0.3 * frame["row"]
    fits = choose_trend(frame, candidates=[kind]).fits
    levels = [m.fit.contrast(m.weights)["estimate"].mean() for m in fits.values()]
    assert levels[1] == pytest.approx(levels[0], abs=0.01)
    for term in trend_terms(frame, kind):
        assert isinstance(term, str) or np.abs(term.matrix.mean(axis=0)).max() < 1e-12
