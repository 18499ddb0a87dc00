"""The model of yield over seasons, its components and what follows from them: references,
definitions, edge inputs.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy import stats

from consistency_frames import make_seasons
from culmbook.consistency.chances import beats_control
from culmbook.consistency.draws import (
    draw_seasons,
    season_concordance,
    season_ranks,
    season_statistics,
    season_yields,
    unequal_words,
)
from culmbook.consistency.model import (
    compare_plot_kernels,
    fit_seasons,
    is_provisional,
    lost_words,
    provisional_words,
    random_terms,
    season_records,
    term_table,
)
from culmbook.consistency.reliability import (
    component_table,
    estimates,
    reliability_table,
    repeatability,
)
from culmbook.mixed import fit_gaussian

PUBLISHED = Path(__file__).parents[1] / "published"


@pytest.fixture(scope="module")
def rows():
    return make_seasons(np.random.default_rng(5))


@pytest.fixture(scope="module")
def fitted(rows):
    return fit_seasons(season_records(rows), ["H00"])


@pytest.fixture(scope="module")
def drawn(fitted):
    return draw_seasons(fitted, 400, 1, 60)


def test_one_season_of_three_replicates_leaves_yields_no_wider_than_least_squares(rng):
    # statsmodels: the control's mean over the replicates, hybrids and replicates fixed
    rows = make_seasons(rng, sites=1, seasons=1, hybrids=12, missing=0.0).assign(block=None)
    records = season_records(rows)
    drawn = draw_seasons(fit_seasons(records, ["H00"]), 4_000, 1, 200)
    own = season_yields(drawn).set_index("hybrid").loc["H00"]
    there = smf.ols("response ~ hybrid + replicate", records).fit()
    grid = records[records["hybrid"].eq("H00")]
    weights = there.model.data.orig_exog.loc[grid.index].mean().to_numpy()
    mean = there.t_test(weights)
    assert np.log(own["yield_t_ha"]) == pytest.approx(mean.effect.item(), abs=0.01)
    width = np.ptp(mean.conf_int())
    assert np.log(own["upper"] / own["lower"]) == pytest.approx(width, rel=0.08)


def test_complete_balanced_table_gives_the_components_of_the_mean_squares(rng):
    # expected mean squares of the two-way table of hybrids and seasons with r plots, Snedecor &
    # Cochran (1989) ch. 16:
    # hybrid s2 + r hy + r y h, interaction s2 + r hy, within s2
    spreads = {
        "hybrid": 0.5,
        "hybrid_season": 0.3,
        "hybrid_site": 0,
        "hybrid_site_season": 0,
        "plot_key": 0,
        "block_key": 0,
        "replicate_season": 0,
    }
    frame = make_seasons(rng, sites=1, hybrids=12, missing=0.0, spreads=spreads)
    records = season_records(frame)
    y = records.pivot_table(index="hybrid", columns="season", values="response", aggfunc=list).map(
        lambda v: np.array(v)
    )
    cells = np.array([list(row) for row in y.to_numpy().tolist()])
    h, n, r = cells.shape
    means = cells.mean(axis=2)
    within = ((cells - means[..., None]) ** 2).sum() / (h * n * (r - 1))
    apart = means - means.mean(axis=1, keepdims=True) - means.mean(axis=0) + means.mean()
    interaction = r * (apart**2).sum() / ((h - 1) * (n - 1))
    between = r * n * ((means.mean(axis=1) - means.mean()) ** 2).sum() / (h - 1)
    fit = fit_gaussian(
        records, "response", "0 + condition", random_terms(records, ("hybrid", "hybrid_season"))
    )
    wanted = {
        "hybrid": (between - interaction) / (r * n),
        "hybrid_season": (interaction - within) / r,
        "residual": within,
    }
    assert fit.variances.to_dict() == pytest.approx(wanted, rel=1e-5)


@pytest.mark.parametrize("table", ["balanced", "unbalanced"])
def test_components_and_repeatability_match_lme4(table):
    # five barley varieties at six places in two years, a plot each; computed with R 4.2.2, lme4
    # 1.1-31: season_references.R
    wanted = (
        pd.read_csv(PUBLISHED / "season_references.csv", comment="#")
        .set_index(["table", "quantity"])
        .loc[table, "value"]
    )
    records = season_records(barley(table)).assign(response=lambda t: t["dry_yield_t_ha"])
    seasons = fit_seasons(records.astype({"response": float}), scale="raw")
    own = estimates(seasons)
    assert own.to_dict() == pytest.approx(
        wanted.drop("repeatability").to_dict(), rel=1e-4, abs=1e-6
    )
    assert repeatability(own) == pytest.approx(wanted["repeatability"], rel=1e-4)
    low, high = reliability_table(seasons, draw_seasons(seasons, 200, 1, 40))[
        ["lower", "upper"]
    ].iloc[0]
    assert low < wanted["repeatability"] < high


def barley(table):
    frame = pd.read_csv(PUBLISHED / "immer_1934_barley.csv", comment="#")
    cells = frame.melt(
        ["place", "variety"],
        ["yield_1931", "yield_1932"],
        var_name="year",
        value_name="dry_yield_t_ha",
    )
    cells = cells.assign(
        growing_season=cells["year"].str[-4:].astype(int),
        crop_year=3,
        site=cells["place"],
        trial="T",
        hybrid=cells["variety"],
        plot=cells["variety"],
        replicate="1",
        block="1",
        main_plot=None,
        planting_method="sown",
        film="none",
        left_out=None,
    )
    gone = pd.MultiIndex.from_frame(cells[["hybrid", "site", "growing_season"]]).isin(
        [("V1", "P2", 1931), ("V4", "P5", 1932), ("V4", "P6", 1932)]
    )
    return cells[~gone] if table == "unbalanced" else cells


def test_components_are_those_of_the_mixed_model(rows, fitted, drawn):
    records = season_records(rows)
    plain = fit_gaussian(
        records.assign(own=records["hybrid"].eq("H00").astype(float)),
        "response",
        "0 + condition + own",
        list(fitted.terms),
    )
    table = component_table(fitted, drawn).set_index("term")
    if len(fitted.fit.variances) == len(plain.variances):
        assert table["variance"].to_dict() == pytest.approx(
            plain.variances.to_dict(), rel=1e-4, abs=1e-8
        )
    assert (table["lower"] <= table["variance"]).all() and (
        table["variance"] <= table["upper"]
    ).all()
    assert table["share"].sum() == pytest.approx(1)
    assert estimates(fitted).to_dict() == pytest.approx(table["variance"].to_dict(), rel=1e-4)


def test_control_is_not_drawn_towards_the_candidates(rows):
    shifted = rows.assign(
        dry_yield_t_ha=rows["dry_yield_t_ha"] * np.where(rows["hybrid"] == "H00", 4.0, 1.0)
    )
    one, other = (
        draw_seasons(fit_seasons(season_records(f), ["H00"]), 200, 1, 30).lasting
        for f in (rows, shifted)
    )
    apart = other["H00"] - one["H00"]
    assert apart.mean() == pytest.approx(np.log(4), abs=1e-6)
    assert (other["H03"] - one["H03"]).abs().max() < 1e-6


def test_draws_at_the_estimated_variances_centre_on_the_blups(fitted):
    drawn, fit = draw_seasons(fitted, 2_000, 1, 0), fitted.conditional
    blup, error = fit.effects("hybrid"), fit.prediction_covariance("hybrid")
    apart = drawn.lasting["H03"] - drawn.lasting["H05"]
    sd = np.sqrt(error.loc["H03", "H03"] + error.loc["H05", "H05"] - 2 * error.loc["H03", "H05"])
    assert apart.mean() == pytest.approx(blup["H03"] - blup["H05"], abs=4 * sd / np.sqrt(2_000))
    assert apart.std() == pytest.approx(sd, rel=0.07)


def test_hybrids_that_did_not_stand_are_drawn_from_the_model(rows):
    gone = rows[~((rows["hybrid"] == "H03") & (rows["site"] == "S1"))]
    drawn = draw_seasons(fit_seasons(season_records(gone), ["H00"]), 300, 1, 40)
    h = drawn.hybrids.index("H03")
    spread = drawn.cells.std(axis=0)
    assert np.isfinite(drawn.cells).all() and spread[h, 1].mean() > 1.1 * spread[h, 0].mean()


def test_season_statistics_are_those_of_the_cells(drawn):
    table = season_statistics(drawn).set_index("hybrid")
    yields = np.exp(drawn.cells)
    h = drawn.hybrids.index("H04")
    seasons = yields[:, h].mean(axis=1)
    assert table.loc["H04", "mean_t_ha"] == pytest.approx(np.median(seasons.mean(axis=1)))
    assert table.loc["H04", "worst_t_ha"] == pytest.approx(np.median(seasons.min(axis=1)))
    assert table.loc["H04", "cv"] == pytest.approx(
        np.median(seasons.std(axis=1, ddof=1) / seasons.mean(axis=1))
    )
    far = (yields[:, h] - yields.max(axis=1)) ** 2
    assert table.loc["H04", "superiority"] == pytest.approx(np.median(far.mean(axis=(1, 2)) / 2))
    own = season_yields(drawn).set_index(["hybrid", "season"]).loc[("H04", drawn.seasons[0])]
    assert (
        own["yield_t_ha"] == pytest.approx(np.median(seasons[:, 0]))
        and own["lower"] < own["yield_t_ha"] < own["upper"]
    )


def test_ranks_and_concordance_of_clear_hybrids(rng):
    spreads = {"hybrid": 3.0, "hybrid_season": 0.01, "hybrid_site_season": 0.01, "residual": 0.01}
    drawn = draw_seasons(
        fit_seasons(season_records(make_seasons(rng, spreads=spreads)), ["H00"]), 100, 1, 20
    )
    means = np.exp(drawn.cells).mean(axis=(0, 2))
    ranks = season_ranks(drawn).pivot(index="hybrid", columns="season", values="rank").to_numpy()
    chi2 = stats.friedmanchisquare(*means).statistic  # Kendall's W is this over m (n - 1)
    w = chi2 / (means.shape[1] * (means.shape[0] - 1))
    assert season_concordance(drawn)[0] == pytest.approx(w, abs=0.02)
    assert (
        (ranks.argsort(axis=0)[0] == means.argmax(axis=0)).all()
        and ranks.min() == 1
        and ranks.max() == 8
    )


def test_two_replicates_are_fixed_so_that_their_difference_changes_nothing(rng):
    frame = make_seasons(rng, sites=1)
    frame = frame[frame["replicate"].isin(["0", "1"])].assign(block=lambda t: t["replicate"])
    second = frame["replicate"] == "1"
    better = frame.assign(dry_yield_t_ha=frame["dry_yield_t_ha"] * np.where(second, 5.0, 1.0))
    fits = [fit_seasons(season_records(f), ["H00"]) for f in (frame, better)]
    assert "block_key" not in fits[0].terms and frame["replicate"].nunique() == 2
    assert fits[1].fit.variances.to_numpy() == pytest.approx(
        fits[0].fit.variances.to_numpy(), abs=1e-6
    )
    drawn = [draw_seasons(f, 50, 1, 20) for f in fits]
    # conditions stand for the middle of both replicates: five times as much in one is sqrt(5) in
    # the mean of logs
    assert drawn[1].cells - drawn[0].cells == pytest.approx(np.log(5) / 2, abs=1e-3)


def test_one_season_has_no_spread_and_one_site_no_site_term(rng):
    frame = make_seasons(rng, seasons=1)
    drawn = draw_seasons(fit_seasons(season_records(frame), ["H00"]), 50, 1, 20)
    assert season_statistics(drawn)["cv"].isna().all() and np.isnan(season_concordance(drawn)[0])
    assert "hybrid_season" not in drawn.variances
    with pytest.raises(ValueError, match="One season was cut"):
        beats_control(drawn, "H00")
    assert provisional_words(frame) == "Provisional: 1 season after establishment, not 3."
    alone = fit_seasons(season_records(make_seasons(rng, sites=1)), ["H00"])
    assert "hybrid_site" not in alone.terms and "hybrid_season" in alone.terms


def test_one_season_or_site_tells_nothing_of_more_of_them(rng):
    season, site, both = (
        fit_seasons(season_records(make_seasons(rng, **few)), ["H00"])
        for few in ({"seasons": 1}, {"sites": 1}, {})
    )
    with pytest.raises(ValueError, match="takes two at least to tell repeatability"):
        reliability_table(season, draw_seasons(season, 40, 1, 10))
    assert reliability_table(site, draw_seasons(site, 40, 1, 10))["sites"].max() == 1
    remarks = [term_table(f.records).set_index("label")["remark"] for f in (season, site, both)]
    assert (
        remarks[0]["hybrid × season"] == remarks[1]["hybrid × site"] == "cannot be told from hybrid"
    )
    own = ["hybrid", "hybrid × site", "hybrid × season", "hybrid × site × season", "plot"]
    assert remarks[2][own].eq("random").all()


@pytest.mark.parametrize("one", [5.0, None])
def test_perfect_ties_are_refused_in_words(rows, one):
    tied = rows.assign(dry_yield_t_ha=one or rows["growing_season"] - 2000.0)
    with pytest.raises(ValueError, match="no variance to estimate"):
        fit_seasons(season_records(tied), ["H00"])


def test_one_hybrid_is_refused(rows):
    with pytest.raises(ValueError, match="fewer than two candidates"):
        fit_seasons(season_records(rows[rows["hybrid"] == "H03"]), ["H00"])


def test_too_few_candidates_are_refused(rows):
    with pytest.raises(ValueError, match="fewer than two candidates"):
        fit_seasons(season_records(rows[rows["hybrid"].isin(["H00", "H01"])]), ["H00"])


def test_control_missing_in_a_season_and_a_hybrid_at_one_site_only(rows):
    gone = (rows["hybrid"] == "H00") & (rows["growing_season"] == rows["growing_season"].max())
    gone |= (rows["hybrid"] == "H02") & (rows["site"] == "S0")
    fit = fit_seasons(season_records(rows[~gone]), ["H00"])
    assert fit.controls == ("H00",) and set(fit.hybrids) == set(rows["hybrid"])
    table = beats_control(draw_seasons(fit, 100, 1, 20), "H00")
    assert len(table) == len(fit.hybrids) - 1 and table.notna().all(axis=None)


def test_variance_of_zero_is_told_as_zero_with_an_upper_limit(rng):
    frame = make_seasons(
        rng, hybrids=6, spreads={"hybrid_site": 0, "hybrid_site_season": 0, "replicate_season": 0}
    )
    seasons = fit_seasons(season_records(frame), ["H00"])
    drawn = draw_seasons(seasons, 200, 1, 40)
    table = component_table(seasons, drawn)
    zero = table[table["variance"] == 0]
    assert len(zero) and (zero["lower"] == 0).all() and (zero["upper"] > 0).all()
    assert np.isfinite(
        reliability_table(seasons, drawn)[["value", "lower", "upper"]].to_numpy()
    ).all()
    assert beats_control(drawn, "H00")["chance_next"].between(0, 1).all()


def test_uneven_site_seasons_get_their_own_residual_variance(rng):
    frame = make_seasons(rng, hybrids=16, spreads={"residual": 0.05})
    noisy = frame["site"].eq("S1")
    frame["dry_yield_t_ha"] *= np.exp(np.where(noisy, rng.normal(0, 0.4, len(frame)), 0))
    seasons = fit_seasons(season_records(frame), ["H00"])
    own = seasons.fit.variances.filter(like="residual[")
    assert own.filter(like="S1").min() > 4 * own.filter(like="S0").max()
    assert estimates(seasons)["residual"] == pytest.approx(own.mean(), rel=0.1)


def test_plots_that_gave_nothing_are_told_and_not_logged(rows):
    lost = rows.assign(dry_yield_t_ha=rows["dry_yield_t_ha"].where(rows.index > 1, 0.0))
    assert len(season_records(lost)) == len(rows) - 2
    assert (
        lost_words(lost) == "Cuts that gave nothing are not in it (H00)." and lost_words(rows) == ""
    )


def test_years_before_establishment_and_left_out_rows_are_not_used(rows):
    early = rows.assign(crop_year=rows["crop_year"] - 1)
    assert season_records(early)["crop_year"].min() == 3 and len(season_records(early)) < len(rows)
    assert (
        len(
            season_records(rows.assign(left_out=rows["left_out"].where(rows.index < 10, "damaged")))
        )
        == 10
    )
    with pytest.raises(ValueError, match="No plot has a yield"):
        season_records(rows.assign(crop_year=2))


def test_provisional_is_by_hybrid(rows):
    few = rows[~((rows["hybrid"] == "H03") & (rows["growing_season"] == 2022))]
    records = season_records(few)
    assert is_provisional(records).loc[lambda t: t].index.tolist() == ["H03"]
    words = "Provisional for H03: fewer than 3 seasons after establishment."
    assert provisional_words(few) == words and provisional_words(rows) == ""


def test_seasons_cut_at_different_sites_are_told(rows):
    drawn = draw_seasons(
        fit_seasons(
            season_records(rows[~((rows["site"] == "S1") & (rows["growing_season"] == 2023))]),
            ["H00"],
        ),
        50,
        1,
        20,
    )
    assert "S1 in 2023" in unequal_words(drawn) and season_statistics(drawn).notna().all(axis=None)


def test_plot_kernels_prefer_what_made_the_data(rng):
    frame = make_seasons(
        rng, seasons=5, hybrids=16, missing=0.0, spreads={"plot_key": 0.0, "residual": 0.05}
    )
    places = frame.groupby(["site", "plot"]).ngroup().to_numpy()
    steps = rng.normal(0, 0.3, (places.max() + 1, 5))
    for k in range(1, 5):
        steps[:, k] = 0.8 * steps[:, k - 1] + 0.6 * steps[:, k]
    frame["dry_yield_t_ha"] *= np.exp(steps[places, frame["growing_season"] - 2022])
    assert compare_plot_kernels(season_records(frame), ["H00"]).index[0] != "alike over seasons"
    one = make_seasons(rng, seasons=1)
    with pytest.raises(ValueError, match="one season only"):
        compare_plot_kernels(season_records(one), ["H00"])


def test_row_order_does_not_matter(rows, fitted):
    again = fit_seasons(season_records(rows.sample(frac=1, random_state=2)), ["H00"])
    assert again.fit.criterion == pytest.approx(fitted.fit.criterion, abs=1e-6)
