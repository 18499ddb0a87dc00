import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
import statsmodels.formula.api as smf
from scipy import stats

from component_frames import make_ground
from culmbook.text.refusal import Refusal
from culmbook.yields import words
from culmbook.yields.means import against_control, fit_means, hybrid_means, means_of, trial_means

YIELD = "dry_yield_t_ha"

# Dunnett (1955) J. Am. Stat. Assoc. 50:1096, blood counts (millions per mm³) of a control and two
# drugs
BLOOD = {
    "C": [7.40, 8.50, 7.20, 8.24, 9.84, 8.32],
    "A": [9.76, 8.80, 7.68, 9.36],
    "B": [12.80, 9.68, 12.16, 9.20, 10.55],
}


def trial(rng, hybrids=tuple("ABCDEF"), replicates=3, sites=("S1",)):
    frames = [make_ground(hybrids, replicates, site=s, trial=f"T{s}") for s in sites]
    frame = pd.concat(frames, ignore_index=True)
    level = frame["hybrid"].map(dict(zip(hybrids, np.arange(len(hybrids), dtype=float))))
    return frame.assign(
        y=10 + level + frame["replicate"].astype(float) + rng.normal(0, 1, len(frame))
    )


def test_balanced_blocks_give_students_intervals_of_the_analysis_of_variance(rng):
    frame = trial(rng)
    means = hybrid_means(fit_means(frame, "y")).set_index("hybrid")
    other = smf.ols("y ~ C(hybrid) + C(replicate)", frame).fit()
    assert means["mean"].sort_index().to_numpy() == pytest.approx(
        frame.groupby("hybrid")["y"].mean().to_numpy()
    )
    half = stats.t.ppf(0.975, 10) * np.sqrt(other.mse_resid / 3)
    assert (means["upper"] - means["mean"]).to_numpy() == pytest.approx(half, rel=1e-4)
    single = against_control(fit_means(frame, "y"), "A", together=False).set_index("hybrid")
    wald = other.conf_int().loc["C(hybrid)[T.C]"]
    assert single.loc["C", ["lower", "upper"]].to_numpy(float) == pytest.approx(
        wald.to_numpy(), rel=1e-4
    )


def test_simultaneous_differences_match_dunnett_1955():
    # scipy's tutorial prints p = 0.62 (A) and 0.0059 (B); here the interval at level 1 - p must
    # just reach 0
    rows = [(h, v) for h, values in BLOOD.items() for v in values]
    frame = pd.DataFrame(rows, columns=["hybrid", "y"]).assign(
        site="S",
        trial="T",
        replicate="1",
        block=None,
        main_plot=None,
        planting_method="hand",
        film="none",
    )
    frame["plot"] = frame.index.astype(str)
    fit = fit_means(frame, "y")
    for hybrid, p in (("A", 0.62), ("B", 0.0059)):
        row = against_control(fit, "C", level=1 - p).set_index("hybrid").loc[hybrid]
        assert row["lower"] == pytest.approx(0.0, abs=0.013)  # half a digit of the printed p
    assert against_control(fit, "C").set_index("hybrid").loc["B", "difference"] == pytest.approx(
        10.878 - 8.25, abs=1e-3
    )


def test_a_control_effect_is_taken_out_where_replicates_are_incomplete(rng):
    frame = trial(rng, replicates=4)
    frame["y"] += 5 * (frame["replicate"] == "4")
    cut = frame[~((frame["hybrid"] == "B") & (frame["replicate"] == "4"))]
    means = hybrid_means(fit_means(cut, "y")).set_index("hybrid")
    other = smf.ols("y ~ C(hybrid) + C(replicate)", cut).fit()
    grid = pd.DataFrame({"hybrid": "B", "replicate": ["1", "2", "3", "4"]})
    assert means.loc["B", "mean"] == pytest.approx(other.predict(grid).mean())


def test_sites_weigh_alike_and_hybrids_may_differ_among_them(rng):
    frame = trial(rng, replicates=3, sites=("S1", "S2", "S3"))
    frame["y"] += frame["site"].map({"S1": 0.0, "S2": 5.0, "S3": -2.0})
    frame["y"] += 3 * rng.normal(size=18)[pd.factorize(frame["hybrid"] + frame["site"])[0]]
    fit = fit_means(frame, "y")
    assert "hybrid_place" in fit.terms
    means = hybrid_means(fit).set_index("hybrid")["mean"].sort_index()
    assert means.to_numpy() == pytest.approx(
        frame.groupby("hybrid")["y"].mean().to_numpy(), abs=1e-6
    )


def test_what_cannot_be_compared_is_refused(rng):
    frame = trial(rng)
    with pytest.raises(ValueError, match="several rows"):
        fit_means(pd.concat([frame, frame]), "y")
    with pytest.raises(ValueError, match="fewer than two hybrids"):
        fit_means(frame[frame["hybrid"] == "A"], "y")
    with pytest.raises(ValueError, match="degrees of freedom"):
        fit_means(frame[frame["replicate"] == "1"], "y")
    with pytest.raises(ValueError, match="The control STD has no plot"):
        against_control(fit_means(frame, "y"), "STD")


def test_a_factor_that_others_hold_already_is_not_said_to_be_in_the_model(rng):
    frame = trial(rng)
    frame["film"] = np.where(frame["replicate"].eq(frame["replicate"].iloc[0]), "film", "none")
    fit = fit_means(frame, "y", fixed=["replicate", "film"])
    assert fit.fixed == ["replicate"]


def test_a_mistyped_factor_is_refused_by_name(rng):
    with pytest.raises(ValueError, match="fixed factor 'flim'"):
        fit_means(trial(rng), "y", fixed=["replicate", "flim"])


def tenfold(rng, replicates=3, *, site="S1", spread="gamma"):
    """Yields of twelve hybrids from 1 to 12 t/ha, and their true means."""
    true = pd.Series(np.geomspace(1, 12, 12), [f"H{i:02d}" for i in range(12)])
    frame = make_ground(tuple(true.index), replicates, site=site, trial=f"T{site}")
    ground = 1 + 0.1 * frame["replicate"].astype(float)
    mean = frame["hybrid"].map(true) * ground
    if spread == "gamma":
        frame[YIELD] = mean * rng.gamma(25, 1 / 25, len(frame))
    else:
        frame[YIELD] = np.maximum(mean + rng.normal(0, 0.5, len(frame)), 0)
    return frame, true * (1 + 0.1 * (replicates + 1) / 2)


@pytest.mark.parametrize(
    ("spread", "power", "family"),
    [
        ("gamma", 2, sm.families.Gamma(sm.families.links.Log())),
        ("normal", 0, sm.families.Gaussian(sm.families.links.Log())),
    ],
)
def test_amounts_match_the_regressions_of_statsmodels_with_a_log_link(rng, spread, power, family):
    frame, _ = tenfold(rng, 4, spread=spread)
    fit = fit_means(frame, YIELD)
    assert (fit.power, fit.link) == (power, "log")
    there = smf.glm(f"{YIELD} ~ hybrid + replicate", frame, family=family)
    there = there.fit(scale="X2", tol=1e-12, maxiter=200)
    grid = frame[["hybrid", "replicate"]].drop_duplicates()
    expected = there.predict(grid).groupby(grid["hybrid"]).mean()
    own = hybrid_means(fit).set_index("hybrid").sort_index()
    assert own["mean"].to_numpy() == pytest.approx(expected.to_numpy(), rel=1e-6)
    share = np.log(own["upper"] / own["lower"]) / 2 / stats.t.ppf(0.975, 33)
    predicted = there.get_prediction(grid[grid["hybrid"].eq("H03")])
    # the log of a mean over replicates: at its tangent, weights are the replicates' parts in it
    part = predicted.predicted / predicted.predicted.sum()
    rows = there.model.data.orig_exog.loc[grid.index[grid["hybrid"].eq("H03")]].to_numpy()
    se = np.sqrt(part @ rows @ there.cov_params().to_numpy() @ rows.T @ part)
    assert share["H03"] == pytest.approx(se, rel=1e-4)


def test_no_limit_of_yields_that_differ_tenfold_is_below_0(rng):
    frame, _ = tenfold(rng)
    means = hybrid_means(fit_means(frame, YIELD))
    assert (means["lower"] > 0).all()
    assert (hybrid_means(fit_means(frame, YIELD, link="identity"))["lower"] < 0).any()


def test_means_of_yields_that_differ_tenfold_are_covered_at_their_rate():
    # known truth: 60 trials of 12 hybrids; one variance for all covers the low third in 100 % and
    # the high third in 90 %
    rng = np.random.default_rng(20)
    rates = []
    for spread in ("gamma", "normal") * 30:
        frame, true = tenfold(rng, spread=spread)
        own = hybrid_means(fit_means(frame, YIELD)).set_index("hybrid").loc[true.index]
        held = own["lower"].le(true) & true.le(own["upper"])
        rates.append([held[:4].mean(), held[4:8].mean(), held[8:].mean()])
    rates = np.array(rates)
    error = rates.std(axis=0) / np.sqrt(len(rates))
    assert (np.abs(rates.mean(axis=0) - 0.95) < 0.01 + 2 * error).all()


def test_a_weak_hybrid_missing_from_poor_sites_has_no_negative_mean(rng):
    # known truth: yields are hybrid x site; sums of effects put the weak hybrid below 0
    sites = {"S1": 3.0, "S2": 9.0, "S3": 18.0}
    parts = [
        make_ground(tuple("ABCDW"), site=s, trial=f"T{s}").assign(level=v) for s, v in sites.items()
    ]
    frame = pd.concat(parts, ignore_index=True)
    frame = frame[~(frame["hybrid"].eq("W") & frame["site"].ne("S3"))]
    true = pd.Series({"A": 1.2, "B": 1.1, "C": 0.9, "D": 0.8, "W": 0.2})
    frame[YIELD] = frame["hybrid"].map(true) * frame["level"] * rng.gamma(900, 1 / 900, len(frame))
    own = hybrid_means(fit_means(frame, YIELD)).set_index("hybrid")
    assert own["mean"][true.index].to_numpy() == pytest.approx(10 * true.to_numpy(), rel=0.05)
    added = hybrid_means(fit_means(frame, YIELD, link="identity")).set_index("hybrid")
    assert added.loc["W", "mean"] < 0


def test_plots_that_gave_nothing_count_and_a_hybrid_of_them_alone_has_the_mean_0(rng):
    frame = trial(rng, hybrids=tuple("ABCDEF"), replicates=4)
    frame[YIELD] = frame["hybrid"].map(dict(zip("ABCDEF", [4.0, 5, 6, 7, 8, 0])))
    frame[YIELD] *= rng.gamma(100, 1 / 100, len(frame))
    frame.loc[frame["hybrid"].eq("A") & frame["replicate"].eq("2"), YIELD] = 0.0
    fit = fit_means(frame, YIELD, fixed=[])
    own = hybrid_means(fit).set_index("hybrid")
    plain = frame.groupby("hybrid")[YIELD].mean()
    assert own["mean"].sort_index().to_numpy() == pytest.approx(plain.to_numpy())
    assert own.loc["F", ["lower", "upper"]].isna().all() and own["n_plots"].eq(4).all()
    gaps = against_control(fit, "B").set_index("hybrid")
    assert gaps.loc["F", "difference"] == pytest.approx(-plain["B"])
    assert np.isnan(gaps.loc["F", "lower"])
    said = words.yields_against(gaps.reset_index(), "B", "5.0 t/ha", 0.95)
    assert said.endswith("No plot of F gave anything.")
    with pytest.raises(Refusal, match="control F gave nothing"):
        against_control(fit, "F")


def test_a_replicate_that_gave_nothing_counts_as_a_share_of_nothing(rng):
    frame = trial(rng, replicates=3)
    frame[YIELD] = frame["hybrid"].map(dict(zip("ABCDEF", range(4, 10)))).astype(float)
    frame[YIELD] *= rng.gamma(400, 1 / 400, len(frame)) * frame["replicate"].ne("3")
    own = hybrid_means(fit_means(frame, YIELD)).set_index("hybrid")["mean"].sort_index()
    assert own.to_numpy() == pytest.approx(
        frame.groupby("hybrid")[YIELD].mean().to_numpy(), rel=0.02
    )


def test_a_difference_of_amounts_is_that_of_their_means_with_the_tangents_error(rng):
    frame, _ = tenfold(rng, 4)
    fit = fit_means(frame, YIELD, fixed=[], random=[])  # means are then free of each other
    own = hybrid_means(fit).set_index("hybrid")
    row = against_control(fit, "H11", together=False).set_index("hybrid").loc["H02"]
    assert row["difference"] == pytest.approx(own.loc["H02", "mean"] - own.loc["H11", "mean"])
    t = stats.t.ppf(0.975, 36)
    share = np.log(own["upper"] / own["mean"]) / t * own["mean"]  # standard errors in t/ha
    error = np.hypot(share["H02"], share["H11"])
    assert (row["upper"] - row["lower"]) / 2 == pytest.approx(t * error, rel=1e-6)


def test_amounts_below_0_and_trends_with_the_log_link_are_refused(rng):
    frame = trial(rng).assign(**{YIELD: 1.0})
    frame.loc[0, YIELD] = -0.1
    with pytest.raises(ValueError, match="below 0"):
        fit_means(frame, YIELD)
    with pytest.raises(ValueError, match="identity link"):
        fit_means(frame.assign(**{YIELD: frame["y"]}), YIELD, lambda *_: None)


def test_trials_are_reported_each_and_joined_only_where_a_hybrid_stands_in_both(rng):
    first, _ = tenfold(rng)
    second = first.assign(trial="T9", plot="9" + first["plot"], crop_year=5)
    second[YIELD] *= 2
    both = pd.concat([first.assign(crop_year=4), second], ignore_index=True)
    each, told = trial_means(both, YIELD)
    own = each.set_index(["trial", "hybrid"])["mean"]
    assert own["T9"].to_numpy() == pytest.approx(2 * own["TS1"].to_numpy(), rel=1e-6) and not told
    joint = hybrid_means(fit_means(both, YIELD)).set_index("hybrid")["mean"]
    assert joint["H03"] == pytest.approx(1.5 * own["TS1"]["H03"], rel=0.01)
    other = both["hybrid"].where(both["trial"].eq("TS1"), "N" + both["hybrid"])
    with pytest.raises(Refusal, match="no hybrid in common"):
        fit_means(both.assign(hybrid=other), YIELD)
    assert len(trial_means(both.assign(hybrid=other), YIELD)[0]) == 24
    assert trial_means(first.assign(crop_year=4), YIELD)[0].empty


def test_component_limits_are_not_below_0(rng):
    frame = trial(rng, replicates=2).assign(stems_per_plant=lambda t: 0.2 * t["y"] ** 2 - 15)
    frame["stems_per_plant"] = frame["stems_per_plant"].clip(lower=0.3)
    assert (means_of(frame, ["stems_per_plant"])[0]["lower"] > 0).all()
