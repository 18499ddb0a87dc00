from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from culmbook.yields.double_sampling import (
    calibrated_mean,
    cluster_mean,
    cluster_total,
    regression_estimate,
    stratified_mean,
)

PUBLISHED = Path(__file__).parents[1] / "published"
SCHOOLS = 6194


def schools(name):
    return pd.read_csv(PUBLISHED / f"lumley_2010_{name}.csv", comment="#")


def test_stratified_mean_matches_lumley():
    # survey's documentation: svymean(~api00, dstrat) 662.29, standard error 9.4089
    sizes = pd.Series({"E": 4421, "M": 1018, "H": 755})
    out = stratified_mean(schools("apistrat"), "api00", "stype", sizes)
    assert out.mean == pytest.approx(662.29, abs=0.005) and out.se == pytest.approx(
        9.4089, abs=5e-5
    )


def test_cluster_mean_matches_lumley():
    # svymean(~api00, dclus1) 644.17, standard error 23.542
    out = cluster_mean(schools("apiclus1"), "api00", "dnum", 757)
    assert out.mean == pytest.approx(644.17, abs=0.005) and out.se == pytest.approx(
        23.542, abs=5e-4
    )


def test_cluster_total_matches_lumley():
    # svytotal(~enroll, dclus1) 3404940, standard error 932235; there a school weighs 6194/183, not 757/15
    out = cluster_total(schools("apiclus1"), "enroll", "dnum", 757)
    weight = round(SCHOOLS / 183, 3) * 15 / 757
    assert out.mean * weight == pytest.approx(3404940, abs=1) and out.se * weight == pytest.approx(
        932235, abs=1
    )


def test_calibrated_mean_matches_lumley():
    # calibrate(dclus1, ~stype + api99) to totals 755, 1018 and 3914069: 665.31, standard error 3.4418
    frame = schools("apiclus1")
    frame = frame.assign(H=frame["stype"].eq("H") * 1.0, M=frame["stype"].eq("M") * 1.0)
    known = pd.Series({"H": 755.0, "M": 1018.0, "api99": 3914069.0}) / SCHOOLS
    out = calibrated_mean(frame, "api00", known, "dnum", 757, SCHOOLS)
    assert out.mean == pytest.approx(665.31, abs=0.005) and out.se == pytest.approx(
        3.4418, abs=5e-5
    )


def test_two_phase_estimate_is_cochrans_formula():
    # every fourth of 200 schools as the second phase. No published number: Cochran (1977) section 12.6, computed with
    # statsmodels. His variance takes the spread of x from the second phase alone, the other form from all: 2-3 % apart here
    frame = schools("apisrs")
    cut = np.arange(200) % 4 == 0
    out = regression_estimate(frame["api99"], frame["api00"].where(cut), chosen_at_random=True)
    line = smf.ols("api00 ~ api99", frame[cut]).fit()
    assert out.mean == pytest.approx(
        line.predict(pd.DataFrame({"api99": [frame["api99"].mean()]}))[0], abs=1e-6
    )
    y, s2 = frame.loc[cut, "api00"], line.mse_resid
    assert out.se == pytest.approx(
        np.sqrt(s2 / 50 + line.params["api99"] ** 2 * frame["api99"].var() / 200), rel=0.003
    )
    assert out.se == pytest.approx(np.sqrt(s2 / 50 + (y.var() - s2) / 200), rel=0.03)
    assert out.n_cut == 50 and out.n_measured == 200


def test_measuring_every_plot_leaves_only_the_lines_error():
    frame = schools("apisrs")
    cut = np.arange(200) % 4 == 0
    out = regression_estimate(
        frame["api99"], frame["api00"].where(cut), chosen_at_random=True, n_population=200
    )
    line = smf.ols("api00 ~ api99", frame[cut]).fit()
    at = line.get_prediction(pd.DataFrame({"api99": [frame["api99"].mean()]})).se_mean[0]
    assert out.se == pytest.approx(
        np.sqrt(at**2 - line.mse_resid / 200)
    )  # Cochran (1977) section 7.4, finite part


def test_joining_covers_the_true_mean(rng):
    hits = []
    for _ in range(400):
        x = rng.normal(2, 0.4, 60)
        y = 3 * x + rng.normal(0, 0.6, 60)
        cut = np.isin(np.arange(60), rng.permutation(60)[:12])
        out = regression_estimate(
            x, np.where(cut, y, np.nan), chosen_at_random=True, n_population=60
        )
        hits.append(out.lower <= y.mean() <= out.upper)
    assert 0.93 <= np.mean(hits) <= 0.975  # standard error 0.011


def test_the_question_must_be_answered():
    x, y = np.arange(10.0), np.r_[np.arange(6.0), [np.nan] * 4]
    with pytest.raises(ValueError, match="were the cut plots chosen at random"):
        regression_estimate(x, y, chosen_at_random=None)
    with pytest.raises(ValueError, match="not chosen at random"):
        regression_estimate(x, y, chosen_at_random=False)


def test_what_cannot_be_joined_is_refused():
    y = np.r_[np.arange(6.0), [np.nan] * 4]
    with pytest.raises(ValueError, match="at least 5"):
        regression_estimate(np.arange(10.0), np.r_[1.0, [np.nan] * 9], chosen_at_random=True)
    with pytest.raises(ValueError, match="the same in all cut plots"):
        regression_estimate(np.ones(10), y, chosen_at_random=True)
    with pytest.raises(ValueError, match="missing in some plots"):
        regression_estimate(np.r_[np.nan, np.arange(9.0)], y, chosen_at_random=True)
    with pytest.raises(ValueError, match="were measured"):
        regression_estimate(np.arange(10.0), y, chosen_at_random=True, n_population=5)
    with pytest.raises(ValueError, match="needs a size"):
        stratified_mean(schools("apistrat"), "api00", "stype", pd.Series({"E": 4421}))
    with pytest.raises(ValueError, match="no more than there are"):
        cluster_mean(schools("apiclus1"), "api00", "dnum", 3)
