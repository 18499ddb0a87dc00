import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy import stats

from component_frames import make_ground
from culmbook.yields.means import against_control, fit_means, hybrid_means

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
