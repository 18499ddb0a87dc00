"""Traits as joint draws: against other tools where the layout is simple, against known truth
elsewhere.
"""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import special, stats

from component_frames import make_ground, make_harvests
from culmbook.frost.freeze_curves import curve_draws, fit_freeze
from culmbook.frost.freeze_tests import survival_sets
from culmbook.selection.traits import (
    freeze_trait,
    make_trait,
    moisture_trait,
    network_traits,
    stand_trait,
    trait_values,
    unshrunk_means,
    with_untested,
)
from culmbook.sheets.read import read_network
from culmbook.stand.counts import model_cells, plot_stand
from culmbook.trials.dry_yield import plot_harvests
from culmbook.trials.seasons import of_season
from culmbook.yields.moisture import at_common_dates
from freeze_frames import LT50, freeze_table
from small_network import TODAY, small_network, write_network
from stand_frames import make_counts, make_plots


def entries(hybrids, controls=()):
    role = ["control" if h in controls else "candidate" for h in hybrids]
    return pd.DataFrame({"hybrid": list(hybrids), "role": role})


def stand_cells(rng, hybrids, logits, replicates=4, planted=40):
    plots = make_plots(hybrids, replicates, planted=planted)
    alive = rng.binomial(planted, special.expit(plots["hybrid"].map(dict(zip(hybrids, logits)))))
    counts = make_counts(plots, autumn=list(alive), summer=list(alive))
    return model_cells(plot_stand(plots, counts, 2025), entries(hybrids), "stand")


def curves(**table):
    (cells,) = survival_sets(freeze_table(**table)).values()
    return fit_freeze(cells)


# -- stand ----------------------------------------------------------------------------------------


def test_stand_draws_scatter_as_the_logits_of_statsmodels(rng):
    # counts are plain binomial: statsmodels' logistic regression, but for what plots seem to differ
    # by
    hybrids, logits = "ABCDEF", np.linspace(-0.5, 1.5, 6)
    cells = stand_cells(rng, hybrids, logits, replicates=6, planted=60)
    trait = stand_trait(cells, entries(hybrids), n=4_000)
    design = pd.get_dummies(cells["hybrid"], dtype=float)
    counts = cells[["alive"]].assign(dead=cells["total"] - cells["alive"])
    fit = sm.GLM(counts, design, family=sm.families.Binomial()).fit()
    drawn = pd.DataFrame(special.logit(trait.draws), columns=trait.draws.columns)
    assert trait.draws.mean().to_numpy() == pytest.approx(
        special.expit(fit.params).to_numpy(), rel=0.006
    )
    assert drawn.std().to_numpy() == pytest.approx(fit.bse.to_numpy(), rel=0.35)
    assert trait.table["n"].eq(6).all() and trait.why_not == ""
    assert trait.table["lower"].lt(trait.table["estimate"]).all()


def test_stand_of_equal_counts_has_no_answer(rng):
    with pytest.raises(ValueError, match="all were alive"):
        stand_trait(stand_cells(rng, "AB", [np.inf, np.inf]), entries("AB"))


# -- hybrids that were not tested -----------------------------------------------------------------


def test_untested_candidate_is_drawn_from_the_spread_of_true_values(rng):
    # 40 candidates with true sd 2 whose estimates have an error of sd 1.5, as have draws around
    # them: a new
    # one scatters by 2 sqrt(1 + 1/40) sqrt(39/37), t with 39 df, not by the 2.5 of the estimates
    m, n = 40, 20_000
    true = stats.norm.ppf((np.arange(m) + 0.5) / m) * 2.0
    true = 30 + 2.0 * (true - true.mean()) / true.std(ddof=1)
    error = rng.normal(size=m)
    error = error - np.polyval(np.polyfit(true, error, 1), true)
    estimate = true + 1.5 * error / error.std(ddof=1)
    draws = pd.DataFrame(estimate + rng.normal(0, 1.5, (n, m)), columns=[f"H{i}" for i in range(m)])
    out = with_untested(draws, entries([*draws.columns, "NEW"]), "moisture_pct", 1)
    assert out["NEW"].mean() == pytest.approx(30, abs=0.1)
    assert out["NEW"].std() == pytest.approx(2 * np.sqrt(1 + 1 / m) * np.sqrt(39 / 37), rel=0.05)
    pd.testing.assert_frame_equal(out[draws.columns], draws)


def test_seven_tested_candidates_are_too_few_and_controls_are_never_drawn(rng):
    draws = pd.DataFrame(rng.normal(30, 2, (50, 8)), columns=list("ABCDEFGH"))
    few = with_untested(draws[list("ABCDEFG")], entries([*"ABCDEFG", "NEW"]), "moisture_pct", 1)
    assert few["NEW"].isna().all()
    enough = with_untested(draws, entries([*"ABCDEFGH", "NEW", "STD"], ["STD"]), "moisture_pct", 1)
    assert enough["NEW"].notna().all() and enough["STD"].isna().all()
    typed = entries([*"ABCDEFGH", "NEW"]).assign(crop_type=["fine"] * 4 + ["tall"] * 5)
    assert with_untested(draws, typed, "moisture_pct", 1)["NEW"].isna().all()


def test_shares_of_untested_hybrids_stay_shares(rng):
    draws = pd.DataFrame(special.expit(rng.normal(3, 1.5, (2_000, 10))), columns=list("ABCDEFGHIJ"))
    out = with_untested(draws, entries([*"ABCDEFGHIJ", "NEW"]), "stand", 1)["NEW"]
    assert out.between(0, 1).all() and out.std() > 0


def test_untested_hybrid_has_no_estimate_but_words(rng):
    draws = pd.DataFrame(rng.normal(30, 2, (50, 2)), columns=["A", "NEW"])
    table = make_trait("moisture_pct", draws, pd.Series({"A": 6})).table.set_index("hybrid")
    assert table.loc["NEW", "remark"] == "not tested" and np.isnan(table.loc["NEW", "estimate"])
    assert table.loc["A", "remark"] == "" and table.loc["A", "n"] == 6


# -- freeze tests ---------------------------------------------------------------------------------


def test_lt50_draws_are_those_of_the_curves():
    fit = curves()
    trait = freeze_trait(fit, entries(LT50, ["STD"]), n=300, seed=4)
    expected = curve_draws(fit, 300, 4).pivot(index="draw", columns="hybrid", values="lt50_c")
    assert trait.draws["A"].to_numpy() == pytest.approx(expected["A"].to_numpy())
    assert trait.table.set_index("hybrid").loc["A", "estimate"] == pytest.approx(-4.0, abs=0.1)
    assert trait.table["n"].eq(18).all()
    wide = trait_values({"lt50_c": trait}, ["lt50_c"], ["B", "A"])
    assert list(wide) == ["hybrid", "lt50_c", "low_lt50_c", "high_lt50_c"]
    assert wide["hybrid"].tolist() == ["B", "A"] and wide["low_lt50_c"].lt(wide["lt50_c"]).all()


def test_hybrid_hardier_than_the_coldest_test_is_known_on_one_side_only():
    # nothing of X died at −6 °C; the nine others have an LT50
    lt50 = {f"H{i}": -3.0 - 0.3 * i for i in range(9)} | {"X": -14.0}
    trait = freeze_trait(curves(lt50=lt50), entries(lt50), n=500)
    row = trait.table.set_index("hybrid").loc["X"]
    assert row["remark"] == "below −6 °C" and row["upper"] == -6
    assert np.isnan([row["estimate"], row["lower"]]).all()
    assert trait.draws["X"].le(-6).all() and trait.draws["X"].std() > 0
    assert trait.draws["H8"].mean() > -6


def test_one_sided_hybrid_among_few_is_taken_at_the_coldest_temperature_or_is_unknown():
    cold = freeze_trait(curves(lt50=LT50 | {"X": -14.0}), entries([*LT50, "X"], ["STD"]), n=50)
    assert cold.draws["X"].eq(-6).all()
    warm = freeze_trait(curves(lt50=LT50 | {"X": 4.0}), entries([*LT50, "X"], ["STD"]), n=50)
    assert warm.draws["X"].isna().all()
    assert warm.table.set_index("hybrid").loc["X", "remark"] == "above −1 °C"


def test_one_freezer_run_gives_no_temperature_to_hold_a_hybrid_to():
    with pytest.raises(ValueError, match="There was one freezer run"):
        freeze_trait(curves(runs=("r1",)), entries(LT50))


def test_network_says_what_is_not_known_and_why(tmp_path):
    network = of_season(read_network(write_network(tmp_path, small_network()), today=TODAY), 2025)
    lt50 = {f"H{i}": -3.0 - 0.3 * i for i in range(9)} | {"X": -14.0}
    hybrids = entries([*lt50, "NEW", "STD"], ["STD"])
    tables = network.tables | {"hybrids": hybrids, "freeze_tests": freeze_table(lt50=lt50)}
    traits, words = network_traits(replace(network, tables=tables), 2025, n=50)
    assert traits["stand"].why_not == (
        "No plot has the counts of this season that this takes: nothing is estimated."
    )
    assert (
        traits["moisture_pct"].why_not
        and traits["moisture_pct"].table["remark"].eq("not known").all()
    )
    assert words == [
        "LT50: NEW was not tested; drawn from the distribution of the candidates that were.",
        "LT50: STD was not tested, and there is no distribution to draw from (it takes 8 candidates of the "
        "type, and controls have none): not known.",
        "LT50: X is below −6 °C, beyond the test; drawn from what of the candidates' distribution lies "
        "there.",
    ]


# -- moisture -------------------------------------------------------------------------------------


def moist_harvests(
    rng, hybrids, true, *, sites=4, seasons=(2024, 2025), late=(), days=20, slope=-0.3
):
    parts = []
    for s in range(sites):
        ground = make_ground(hybrids, 3, site=f"S{s}", trial=f"S{s}T", planted=2022)
        for season in seasons:
            is_late = (
                ground["hybrid"].isin(late).to_numpy() & (ground["replicate"] != "1").to_numpy()
            )
            noise = 2.0 * s + rng.normal(0, 1.0, len(ground))
            moisture = ground["hybrid"].map(true) + slope * days * is_late + noise
            cut = make_harvests(
                ground, season, day=f"{season + 1}-02-14", moisture_pct=moisture.to_numpy()
            )
            cut["harvested_on"] = cut["harvested_on"] + pd.to_timedelta(days * is_late, unit="D")
            parts.append(plot_harvests(cut, ground, early_days=60))
    return pd.concat(parts, ignore_index=True)


def test_moisture_is_drawn_towards_the_mean_as_the_balanced_formula_says(rng):
    # balanced, no interaction: the prediction of a hybrid is its mean drawn towards all by the
    # share of the
    # variance of means that is between hybrids, 1 - 1/F; Henderson (1975) Biometrics 31:423-447
    hybrids = [f"H{i:02d}" for i in range(12)]
    true = dict(zip(hybrids, rng.normal(30, 1.0, 12)))
    frame = moist_harvests(rng, hybrids, true)
    trait, words = moisture_trait(frame, entries(hybrids), n=2_000)
    cells = frame.assign(place=frame["site"] + frame["growing_season"].astype(str))
    means = cells.groupby("hybrid")["moisture_pct"].mean()
    rest = cells["moisture_pct"] - cells.groupby("place")["moisture_pct"].transform("mean")
    own = rest.groupby(cells["hybrid"]).transform("mean")
    within = ((rest - own) ** 2).sum() / (len(cells) - 12 - 8 + 1)
    kept = 1 - within / (24 * means.var(ddof=1))
    expected = means.mean() + kept * (means - means.mean())
    assert words == [] and trait.table["n"].eq(24).all()
    assert trait.draws.mean().to_numpy() == pytest.approx(expected.to_numpy(), abs=0.12)
    assert trait.unshrunk()["estimate"].to_numpy() == pytest.approx(means.to_numpy(), abs=0.05)
    assert trait.unshrunk()["variance"].to_numpy() == pytest.approx(within / 24 * 11 / 12, rel=0.15)


def test_means_of_conditions_say_the_same_as_their_samples(rng, monkeypatch):
    # balanced, so the mean of three samples holds all that they tell of a hybrid
    hybrids = [f"H{i:02d}" for i in range(12)]
    frame = moist_harvests(rng, hybrids, dict(zip(hybrids, rng.normal(30, 2.0, 12))))
    each, _ = moisture_trait(frame, entries(hybrids), n=1_000)
    monkeypatch.setattr("culmbook.selection.traits._MANY_SAMPLES", 0)
    means, _ = moisture_trait(frame, entries(hybrids), n=1_000)
    assert means.draws.mean().to_numpy() == pytest.approx(each.draws.mean().to_numpy(), abs=0.1)
    assert means.draws.std().mean() == pytest.approx(each.draws.std().mean(), rel=0.15)
    assert means.table["n"].eq(24).all()


def test_values_with_fixed_hybrids_are_those_of_the_analysis_of_variance(rng):
    # one trial in complete blocks: deviations of plain means, with error mean square / r (1 - 1/h)
    h, r = 10, 4
    frame = pd.DataFrame(
        {
            "hybrid": np.tile([f"H{i}" for i in range(h)], r),
            "replicate_season": np.repeat([f"R{i}" for i in range(r)], h),
        }
    )
    block = np.repeat(rng.normal(0, 2, r), h)
    response = 30 + block + np.tile(rng.normal(0, 2, h), r) + rng.normal(size=h * r)
    frame = frame.assign(condition="C", response=response)
    means = unshrunk_means(
        SimpleNamespace(records=frame, terms=("hybrid", "replicate_season")), 30.0
    )
    table = frame.pivot(index="hybrid", columns="replicate_season", values="response").to_numpy()
    rest = table - table.mean(axis=1, keepdims=True) - table.mean(axis=0) + table.mean()
    mean_square = (rest**2).sum() / ((h - 1) * (r - 1))
    assert means["estimate"].to_numpy() == pytest.approx(30 + table.mean(axis=1) - table.mean())
    assert means["variance"].to_numpy() == pytest.approx(mean_square / r * (1 - 1 / h), rel=1e-5)


def test_cuts_on_different_days_are_compared_at_one(rng):
    # A and B have the same moisture; half of B's plots were cut 20 days later, when 6 points had
    # been lost
    hybrids = list("ABCDEF")
    frame = moist_harvests(rng, hybrids, dict.fromkeys(hybrids, 35.0), late=("B", "C"))
    moved, words = at_common_dates(frame)
    raw, then = (moved.groupby("hybrid")[c].mean() for c in ("moisture_pct", "moisture_then_pct"))
    assert raw["A"] - raw["B"] == pytest.approx(4, abs=1) and then["A"] == pytest.approx(
        then["B"], abs=0.8
    )
    assert len(words) == 8 and all("20 days apart, were moved" in w for w in words)


def test_trial_without_a_line_is_left_out_in_words(rng):
    # every hybrid on one of two days: drying cannot be told from hybrids
    ground = make_ground(list("ABCD"), 3)
    cut = make_harvests(ground, moisture_pct=30.0 + rng.normal(0, 1, 12))
    is_late = ground["hybrid"].isin(["C", "D"]).to_numpy()
    cut["harvested_on"] = cut["harvested_on"] + pd.to_timedelta(20 * is_late, unit="D")
    moved, words = at_common_dates(plot_harvests(cut, ground, early_days=60))
    assert (
        moved.empty and len(words) == 1 and "Moistures of T1 in 2025 are not compared" in words[0]
    )
    with pytest.raises(ValueError, match="No moisture sample"):
        moisture_trait(plot_harvests(cut, ground, early_days=60), entries("ABCD"))
