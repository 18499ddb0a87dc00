"""One site against all others: direct formulas, truth, words and refusals."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from culmbook.consistency.model import season_records
from culmbook.sites.agreement import (
    _rest_means,
    agreement_words,
    fit_site_agreement,
    pair_correlation,
)
from culmbook.sites.correlation import UNEVEN, correlate_sites
from culmbook.sites.two_stage import SiteMeans, fit_two_stage, site_means
from known_truth_consistency import SD, layout, simulate


def means_of(seed, sites=4, hybrids=26, sd=SD, apart=None):
    rng = np.random.default_rng(seed)
    frame = layout(rng, sites, 3, hybrids=hybrids)
    y, _ = simulate(frame, sd, rng)
    for hybrid, site, shift in apart or ():
        y = y + shift * (frame["hybrid"].eq(hybrid) & frame["site"].eq(site))
    return site_means(season_records(frame.assign(dry_yield_t_ha=np.exp(y))))


@pytest.fixture(scope="module")
def sites():
    return means_of(21, apart=[("H05", "S1", 1.2), ("H09", "S1", -1.2)])


@pytest.fixture(scope="module")
def found(sites):
    return fit_site_agreement(sites, "S1", ["H00"])


def test_difference_is_own_mean_less_what_the_others_predict(sites, found):
    others = [s for s in sites if s.site != "S1"]
    rest = fit_two_stage(others, ["H00"])
    row = found.table.set_index("hybrid").loc["H07"]
    own = sites[1].means - sites[1].means.mean()
    assert row["own"] == pytest.approx(own["H07"], abs=1e-12)
    assert row["rest"] == pytest.approx(rest.values["H07"] - rest.values.mean(), abs=1e-12)
    assert row["difference"] == pytest.approx(row["own"] - row["rest"], abs=1e-12)
    # variance of a deviation from the mean of n: v_ii - 2 mean_j v_ij + mean_jk v_jk
    for error, name in ((sites[1].covariance, "own"), (rest.covariance, "rest")):
        v = error.loc["H07", "H07"] - 2 * error.loc["H07"].mean() + error.to_numpy().mean()
        assert row[f"{name}_upper"] - row[name] == pytest.approx(1.959964 * np.sqrt(v), rel=1e-6)


def test_limits_of_differences_hold_together(sites, found):
    # largest of correlated normal values by plain simulation
    rest = fit_two_stage([s for s in sites if s.site != "S1"], ["H00"])
    names = sites[1].hybrids
    centre = np.eye(len(names)) - 1 / len(names)
    v = centre @ (sites[1].covariance + rest.covariance.loc[names, names]).to_numpy() @ centre
    se = np.sqrt(np.diag(v))
    normal = np.random.default_rng(3).multivariate_normal(
        np.zeros(len(names)), v, 40_000, method="eigh"
    )
    critical = np.quantile(np.abs(normal / se).max(axis=1), 0.95)
    table = found.table.set_index("hybrid").loc[names]
    assert ((table["upper"] - table["difference"]) / se).to_numpy() == pytest.approx(
        np.full(len(names), critical), rel=0.015
    )


def test_hybrids_that_stand_apart_are_named(found):
    apart = found.table[found.table["apart"] != ""].set_index("hybrid")["apart"]
    assert apart.to_dict() == {"H05": "higher", "H09": "lower"}
    assert found.table["hybrid"].iloc[:2].isin(["H05", "H09"]).all()
    words = agreement_words(found)
    assert (
        "2 hybrids stand clearly apart" in words
        and "H05 higher than expected" in words
        and "(S0, S2 and S3)" in words
    )
    assert "26 hybrids of S1" in words


def test_others_means_are_generalised_least_squares(sites, found):
    # two other sites: correlation from the site's means and the others' means, those by the full
    # design written out
    part = sites[:3]
    found = fit_site_agreement(part, "S1", ["H00"])
    others = [part[0], part[2]]
    extra = fit_two_stage(others, ["H00"]).variances["hybrid_site"]
    rows = pd.concat(
        [pd.DataFrame({"site": s.site, "hybrid": s.hybrids}) for s in others], ignore_index=True
    )
    x = np.hstack(
        [
            pd.get_dummies(rows["hybrid"], dtype=float),
            pd.get_dummies(rows["site"], dtype=float).iloc[:, 1:],
        ]
    )
    v = np.zeros((len(rows), len(rows)))
    n = len(others[0].means)
    v[:n, :n], v[n:, n:] = others[0].covariance, others[1].covariance
    w = np.linalg.inv(v + extra * np.eye(len(rows)))
    errors = np.linalg.inv(x.T @ w @ x)
    names = sorted(rows["hybrid"].unique())
    b = pd.Series(
        (errors @ x.T @ w @ np.concatenate([s.means for s in others]))[: len(names)], names
    )
    rest = SiteMeans("rest", b, pd.DataFrame(errors[: len(names), : len(names)], names, names))
    middle, low, high, why = pair_correlation([part[1], rest], ["H00"])
    assert found.correlation == pytest.approx(middle, abs=5e-4) and why == ""
    assert (found.lower, found.upper) == (
        pytest.approx(low, abs=0.02),
        pytest.approx(high, abs=0.02),
    )
    assert found.seen == pytest.approx(b[part[1].hybrids].corr(part[1].means), abs=1e-6)


def test_correlation_is_corrected_for_errors():
    # truth: hybrid sd 0.3, hybrid x site 0.1, so 0.3 / sqrt(0.1) = 0.95 with the lasting value
    sd = {
        **SD,
        "hybrid": 0.3,
        "hybrid_site": 0.1,
        "hybrid_season": 0.0,
        "residual": 0.6,
        "plot_key": 0.3,
    }
    ours = [fit_site_agreement(means_of(s, hybrids=40, sd=sd), "S0", ["H00"]) for s in range(3)]
    true = np.mean([a.correlation for a in ours])
    assert true == pytest.approx(0.95, abs=0.1) and true > np.mean([a.seen for a in ours]) + 0.1
    assert all(a.lower < 0.95 < a.upper for a in ours)


def test_weight_is_the_sites_share(sites):
    whole = fit_two_stage(sites, ["H00"])
    found = fit_site_agreement(sites, "S1", ["H00"])
    share = whole.weights["S1"] / whole.weights.sum(axis=1)
    assert found.weight == pytest.approx(share.mean()) and found.even == pytest.approx(0.25)
    poor = [s if s.site != "S1" else SiteMeans("S1", s.means, 6 * s.covariance) for s in sites]
    assert fit_site_agreement(poor, "S1", ["H00"]).weight < 0.7 * found.weight


def test_two_sites_are_set_beside_each_other(sites):
    found = fit_site_agreement(sites[:2], "S0", ["H00"])
    there = sites[1].means - sites[1].means.mean()
    assert found.table.set_index("hybrid").loc["H07", "rest"] == pytest.approx(there["H07"])
    assert "the other site (S1)" in agreement_words(
        found
    ) and "what they give there" in agreement_words(found)


def test_one_site_an_unknown_site_and_too_few_hybrids(sites):
    with pytest.raises(ValueError, match="S0 is the only one with means"):
        fit_site_agreement(sites[:1], "S0")
    with pytest.raises(
        ValueError, match="S9 has no yield of an established stand. So this site is not set beside"
    ):
        fit_site_agreement(sites, "S9")
    few = SiteMeans("S9", sites[0].means.iloc[:2], sites[0].covariance.iloc[:2, :2])
    with pytest.raises(ValueError, match="S9 has 2 hybrids in common"):
        fit_site_agreement([*sites, few], "S9", ["H00"])


def test_few_common_candidates_give_no_correlation(sites):
    some = SiteMeans("S9", sites[0].means.iloc[:6], sites[0].covariance.iloc[:6, :6])
    found = fit_site_agreement([*sites, some], "S9", ["H00"])
    assert (
        np.isnan(found.correlation)
        and "5 candidates in common" in found.why_not
        and len(found.table) == 6
    )
    assert "No correlation is given: 5 candidates" in agreement_words(found)


def test_control_missing_at_the_site_and_a_hybrid_that_stands_nowhere_else(sites):
    own = sites[1]
    kept = [h for h in own.hybrids if h != "H00"]
    alone = own.means[kept].rename({"H03": "X1"})
    covariance = (
        own.covariance.loc[kept, kept].rename({"H03": "X1"}, axis=0).rename({"H03": "X1"}, axis=1)
    )
    found = fit_site_agreement(
        [SiteMeans("S1", alone, covariance), sites[0], *sites[2:]], "S1", ["H00"]
    )
    assert "X1" not in set(found.table["hybrid"]) and "H00" not in set(found.table["hybrid"])
    assert len(found.table) == len(kept) - 1 and 0 < found.weight < 1


def test_words_where_nobody_stands_apart():
    found = fit_site_agreement(means_of(4), "S2", ["H00"])
    words = agreement_words(found)
    assert "No hybrid stands clearly apart (95 % limits for all hybrids at once)" in words
    assert f"{100 * found.weight:.0f} %" in words and "it would be 25 %" in words


def test_seasons_in_common_are_no_agreement(sites):
    # covariance c between any two sites' means: off the common part here and there, and off the
    # variance of the others' means
    names = [s.site for s in sites]
    plain = fit_site_agreement(sites, "S2", ["H00"])
    taken = fit_site_agreement(sites, "S2", ["H00"], shared=pd.DataFrame(0.004, names, names))
    pair = [
        sites[2],
        _rest_means(
            [s for s in sites if s.site != "S2"],
            fit_two_stage([s for s in sites if s.site != "S2"], ["H00"]),
            None,
        ),
    ]
    common, *own = correlate_sites(pair, ["H00"]).fits[UNEVEN].variances
    g = common + np.diag(own)
    assert plain.correlation == pytest.approx(g[0, 1] / np.sqrt(g[0, 0] * g[1, 1]), abs=1e-9)
    wanted = (g[0, 1] - 0.004) / np.sqrt(g[0, 0] * (g[1, 1] - 0.004))
    assert (
        taken.correlation == pytest.approx(wanted, abs=0.01)
        and taken.correlation < plain.correlation
    )


@pytest.mark.parametrize(
    ("correlation", "lower", "words"),
    [(0.98, 0.72, "much"), (0.98, 0.69, "on the whole"), (0.58, 0.08, "only partly"), (0.3, -0.2, "not clearly")],
)  # fmt: skip
def test_words_follow_the_correlation_and_what_is_sure_of_it(correlation, lower, words):
    found = replace(
        fit_site_agreement(means_of(8), "S2", ["H00"]),
        correlation=correlation, lower=lower, upper=1.0, why_not="",
    )  # fmt: skip
    assert f"S2 ranks hybrids {words} like the other sites ({correlation:.2f}; " in agreement_words(
        found
    )
