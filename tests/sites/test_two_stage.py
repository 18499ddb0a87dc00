"""Means of each site first, then all sites: the likelihood by its definition, known truth,
refusals.
"""

import numpy as np
import pandas as pd
import pytest
from scipy import optimize

from culmbook.consistency.model import fit_seasons, random_terms, season_records
from culmbook.mixed import basis, fit_gaussian
from culmbook.selection.decide import lasting_values
from culmbook.sites.two_stage import SiteMeans, fit_two_stage, site_means
from culmbook.spatial.trend import with_places
from culmbook.text.refusal import Refusal
from dense_reml import criterion
from known_truth_consistency import SD, layout, simulate

SPREADS = {
    **SD,
    "hybrid": 0.2,
    "hybrid_site": 0.15,
    "plot_key": 0.2,
    "hybrid_season": 0.03,
    "hybrid_site_season": 0.05,
}


def network(seed, sites=4, seasons=3, hybrids=30, missing=0.1, spreads=SPREADS):
    rng = np.random.default_rng(seed)
    frame = layout(rng, sites, seasons, hybrids=hybrids, missing=missing)
    y, true = simulate(frame, spreads, rng)
    return season_records(frame.assign(dry_yield_t_ha=np.exp(y))), true


@pytest.fixture(scope="module")
def records():
    return network(7)[0]


@pytest.fixture(scope="module")
def one(records):
    return fit_seasons(records, ["H00"])


@pytest.fixture(scope="module")
def sites(records):
    return site_means(records)


@pytest.fixture(scope="module")
def two(sites):
    return fit_two_stage(sites, ["H00"])


def dense(sites, controls):
    """Means of all sites with their design, written out: y, X, incidence of candidates, error
    covariance.
    """
    rows = pd.concat(
        [
            pd.DataFrame({"site": s.site, "hybrid": s.hybrids, "y": s.means.to_numpy()})
            for s in sites
        ],
        ignore_index=True,
    )
    x = pd.get_dummies(rows["site"], dtype=float)
    for c in controls:
        x[c] = rows["hybrid"].eq(c).astype(float)
    z = pd.get_dummies(rows["hybrid"], dtype=float).drop(columns=list(controls))
    error = np.zeros((len(rows), len(rows)))
    at = 0
    for s in sites:
        error[at : at + len(s.means), at : at + len(s.means)] = s.covariance
        at += len(s.means)
    return rows["y"].to_numpy(), x.to_numpy(float), z, error


def test_rotated_likelihood_is_that_of_the_means_themselves(sites, two):
    # V = hybrid ZZ' + hybrid x site I + known covariance, its restricted likelihood from the
    # definition
    y, x, z, error = dense(sites, ["H00"])

    def height(v):
        return criterion(
            v[0] * z.to_numpy() @ z.to_numpy().T + v[1] * np.eye(len(y)) + error, y, x, True
        )

    assert two.fit.criterion == pytest.approx(height(two.variances.to_numpy()), abs=1e-8)
    found = optimize.minimize(
        height,
        [0.02, 0.02],
        bounds=[(0, None)] * 2,
        method="L-BFGS-B",
        options={"ftol": 1e-14, "gtol": 1e-8},
    )
    assert two.fit.criterion == pytest.approx(found.fun, abs=1e-6)
    assert two.variances.to_numpy() == pytest.approx(found.x, rel=2e-3)


def test_values_and_their_errors_are_those_of_the_full_covariance(sites, two):
    y, x, z, error = dense(sites, ["H00"])
    g = two.variances["hybrid"]
    v = g * z.to_numpy() @ z.to_numpy().T + two.variances["hybrid_site"] * np.eye(len(y)) + error
    inverse = np.linalg.inv(v)
    spread = np.linalg.inv(x.T @ inverse @ x)
    p = inverse - inverse @ x @ spread @ x.T @ inverse
    effects = pd.Series(g * z.to_numpy().T @ p @ y, z.columns)
    assert two.values[z.columns].to_numpy() == pytest.approx(effects.to_numpy(), abs=1e-10)
    errors = g * np.eye(z.shape[1]) - g**2 * z.to_numpy().T @ p @ z.to_numpy()
    assert two.covariance.loc[z.columns, z.columns].to_numpy() == pytest.approx(errors, abs=1e-12)
    control = spread @ x.T @ inverse @ y
    assert two.values["H00"] == pytest.approx(control[-1], abs=1e-10)
    assert two.covariance.loc["H00", "H00"] == pytest.approx(spread[-1, -1], rel=1e-8)
    crossed = (
        -g * z.to_numpy().T @ inverse @ x @ spread
    )  # covariance of predicted less true effects with b
    assert two.covariance.loc[z.columns, "H00"].to_numpy() == pytest.approx(
        crossed[:, -1], abs=1e-12
    )


def test_weights_are_what_a_change_of_a_mean_does(sites, two):
    moved = sites[1].means.copy()
    moved["H04"] += 0.1
    again = fit_two_stage(
        [sites[0], SiteMeans(sites[1].site, moved, sites[1].covariance), *sites[2:]], ["H00"]
    )
    y, x, z, error = dense(sites, ["H00"])
    v = (
        two.variances["hybrid"] * z.to_numpy() @ z.to_numpy().T
        + two.variances["hybrid_site"] * np.eye(len(y))
        + error
    )
    inverse = np.linalg.inv(v)
    p = inverse - inverse @ x @ np.linalg.solve(x.T @ inverse @ x, x.T @ inverse)
    row = len(sites[0].means) + sites[1].hybrids.index("H04")
    wanted = (two.variances["hybrid"] * z.to_numpy().T @ p)[list(z.columns).index("H04"), row]
    assert two.weights.loc["H04", sites[1].site] == pytest.approx(wanted, abs=1e-12)
    assert again.values["H04"] > two.values["H04"]
    assert set(two.weights.columns) == {s.site for s in sites}


def test_stage_one_means_are_the_fixed_effects_of_the_sites_model(records, sites):
    # the same model of one site from a formula, its adjusted means taken off the reference hybrid's
    own = records[records["site"] == "S1"]
    terms = [
        t
        for t in random_terms(
            own, ("hybrid", "hybrid_season", "plot_key", "replicate_season", "block_key")
        )
        if t != "hybrid"
    ]
    fit = fit_gaussian(own, "response", "0 + condition + hybrid", terms)
    means = sites[1].means
    apart = fit.coefficients.filter(like="hybrid[")
    assert (means - means["H00"]).iloc[1:].to_numpy() == pytest.approx(apart.to_numpy(), abs=1e-6)
    errors = fit.covariance.loc[apart.index, apart.index].to_numpy()
    c = sites[1].covariance
    differences = c.sub(c["H00"], axis=0).sub(c.loc["H00"], axis=1) + c.loc["H00", "H00"]
    assert differences.iloc[1:, 1:].to_numpy() == pytest.approx(errors, rel=1e-4)


def test_stages_by_site_agree_with_one_stage_and_stages_by_season_do_not():
    # truth: hybrid x site variance 0.0225; plots of variance 0.04 leak into it where each season is
    # a stage of its own
    sums = np.zeros(3)
    for seed in range(2):
        records = network(seed, sites=5, seasons=4, hybrids=40)[0]
        one, two = fit_seasons(records, ["H00"]), fit_two_stage(site_means(records), ["H00"])
        seasonal = by_season(records)
        ours = np.array([one.fit.variances["hybrid_site"], two.variances["hybrid_site"], seasonal])
        assert ours[1] == pytest.approx(ours[0], rel=0.15) and ours[2] > 1.2 * ours[0]
        sums += ours / 2
    assert sums[0] == pytest.approx(0.0225, rel=0.2) and sums[1] == pytest.approx(0.0225, rel=0.2)
    assert sums[2] > 1.3 * 0.0225


def by_season(records):
    """Hybrid x site variance when each site-season is a stage: its own means with their full
    covariance.
    """
    parts = site_means(records.assign(site=records["environment"]))
    size, turned = [], []
    rows = pd.concat(
        [
            pd.DataFrame({"environment": s.site, "hybrid": s.hybrids, "y": s.means.to_numpy()})
            for s in parts
        ],
        ignore_index=True,
    )
    rows["site"] = rows["environment"].str.split(":").str[0]
    rows["season"] = rows["environment"].str.split(":").str[1]
    turn = np.zeros((len(rows), len(rows)))
    for s in parts:
        own = np.flatnonzero(rows["environment"] == s.site)
        values, vectors = np.linalg.eigh(s.covariance.to_numpy())
        turn[np.ix_(own, own)] = vectors.T
        size.append(values)
    x = pd.get_dummies(rows["environment"], dtype=float).assign(
        control=rows["hybrid"].eq("H00").astype(float)
    )
    for key in (rows["hybrid"], rows["hybrid"] + rows["site"], rows["hybrid"] + rows["season"]):
        turned.append(turn @ pd.get_dummies(key, dtype=float).to_numpy())
    frame = pd.DataFrame(
        {
            "y": turn @ rows["y"],
            "known": np.concatenate(size),
            "cell": np.arange(len(rows)).astype(str),
        }
    )
    terms = [
        basis(n, z) for n, z in zip(("hybrid", "hybrid_site", "hybrid_season"), turned, strict=True)
    ]
    fit = fit_gaussian(
        frame,
        "y",
        pd.DataFrame(turn @ x.to_numpy(), columns=x.columns),
        [*terms, "cell"],
        known_variance="known",
    )
    return fit.variances["hybrid_site"]


def test_stages_beside_each_other(one, two):
    both = pd.DataFrame({"one": lasting_values(one), "two": two.values})
    both = both - both.mean()
    assert both.corr().iloc[0, 1] > 0.99 and both.corr("spearman").iloc[0, 1] > 0.97
    best = [set(both.drop("H00")[c].nlargest(4).index) for c in both]
    assert len(best[0] - best[1]) <= 1 and both["one"].index.equals(pd.Index(two.hybrids))
    assert (both["two"] - both["one"]).abs().max() < 0.1 * both["one"].std()
    turned = fit_two_stage([SiteMeans(s.site, -s.means, s.covariance) for s in two.sites], ["H00"])
    assert both["one"].corr(turned.values) < -0.99


def test_trend_of_the_field_is_taken_out():
    records, true = network(
        3,
        sites=2,
        seasons=2,
        hybrids=24,
        missing=0.0,
        spreads={**SPREADS, "hybrid_site": 0.03, "plot_key": 0.05},
    )
    plots = records[["site", "plot", "replicate"]].drop_duplicates().reset_index(drop=True)
    rng = np.random.default_rng(4)
    order = pd.concat(
        [
            g.sample(frac=1, random_state=int(rng.integers(1e6)))
            for _, g in plots.groupby(["site", "replicate"])
        ]
    )
    order["column"] = order.groupby("site").cumcount() // 9 + 1
    order["row"] = order.groupby("site").cumcount() % 9 + 1
    placed = with_places(records, order)
    placed["response"] += 1.5 * np.sin(placed["row"] / 2.0) + 0.2 * (placed["column"] - 4)
    plain, smooth = (
        fit_two_stage(site_means(placed, trend=kind), ["H00"]) for kind in ("blocks", "surface")
    )
    known = true[plain.hybrids].drop("H00")

    def missed(fit):
        apart = fit.values[known.index] - known
        return ((apart - apart.mean()) ** 2).mean()

    assert missed(smooth) < 0.6 * missed(plain)
    with pytest.raises(Refusal, match="Site S0: .*row"):
        site_means(
            placed.drop(columns=["row", "column"]).assign(row=np.nan, column=np.nan),
            trend="surface",
        )


def test_one_site_and_sites_apart_are_refused(records, sites):
    with pytest.raises(Refusal, match=r"one site \(S0\): putting sites together takes two"):
        fit_two_stage(sites[:1])
    with pytest.raises(ValueError, match="means twice: S0"):
        fit_two_stage([sites[0], sites[0]])
    late = records["hybrid"] >= "H15"
    apart = site_means(records[late == records["site"].isin(["S2", "S3"])])
    with pytest.raises(ValueError, match="2 parts .*S0 and S1.*S2 and S3"):
        fit_two_stage(apart)
    with pytest.raises(Refusal, match="No candidate stands at two sites"):
        fit_two_stage(
            site_means(
                records[
                    (late == records["site"].isin(["S2"])) & records["site"].isin(["S0", "S2"])
                    | records["hybrid"].eq("H00") & records["site"].isin(["S0", "S2"])
                ]
            ),
            ["H00"],
        )
    with pytest.raises(ValueError, match="no group is given for"):
        fit_two_stage(sites, ["H00"], pd.Series({"H01": "giant"}))


def test_augmented_trial_with_one_replicate_is_carried_by_its_controls(records):
    # candidates once, the control in every replicate
    single = records[(records["replicate"] == "0") | (records["hybrid"] == "H00")]
    two = fit_two_stage(site_means(single), ["H00"])
    assert np.isfinite(two.values).all() and (np.diag(two.covariance) > 0).all()
    season = single["season"].eq(single["season"].min()) & single["replicate"].eq("0")
    with pytest.raises(Refusal, match="Site S0: .* degrees of freedom"):
        site_means(single[season])


def test_gaps_in_the_network(records):
    gone = records["hybrid"].eq("H00") & records["site"].eq("S1") | records["hybrid"].eq(
        "H07"
    ) & ~records["site"].eq("S2")
    part = records[~gone & ~records["site"].eq("S3")]  # S3 lost its harvest
    two = fit_two_stage(site_means(part), ["H00"])
    assert [s.site for s in two.sites] == ["S0", "S1", "S2"] and "H00" not in two.sites[1].hybrids
    se = pd.Series(np.sqrt(np.diag(two.covariance)), two.hybrids)
    assert se["H07"] > 1.2 * se.drop("H00").median()
    assert two.weights.loc["H07"].notna().tolist() == [False, False, True]
    alone = records[records["site"].ne("S0") | records["hybrid"].eq("H03")]
    with pytest.raises(Refusal, match="Site S0: one hybrid alone"):
        site_means(alone)


def test_groups_have_means_of_their_own(sites, two):
    kinds = pd.Series({h: "new" if h > "H14" else "old" for h in two.hybrids})
    moved = [
        SiteMeans(s.site, s.means + 0.5 * (s.means.index > "H14"), s.covariance) for s in sites
    ]
    one, other = (fit_two_stage(m, ["H00"], kinds) for m in (sites, moved))
    late = other.values - one.values
    assert late["H20"] - late["H03"] == pytest.approx(0.5, abs=1e-6) and other.variances[
        "hybrid"
    ] == pytest.approx(one.variances["hybrid"], rel=1e-4)


def test_covariance_without_rank_is_refused(sites):
    flat = sites[0].covariance * 0 + 1.0
    with pytest.raises(ValueError, match="S0 is not positive definite"):
        fit_two_stage([SiteMeans("S0", sites[0].means, flat), *sites[1:]])
