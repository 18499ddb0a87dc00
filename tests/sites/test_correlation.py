"""Do sites rank the hybrids alike: likelihoods by their definition, open data, truth, groups,
gains by choosing elsewhere.
"""

from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import special

from culmbook.consistency.model import fit_seasons, season_records
from culmbook.sites import correlation
from culmbook.sites.correlation import (
    ALIKE,
    ALL_SITES,
    UNEVEN,
    SiteCorrelation,
    alike_words,
    choosing_elsewhere,
    correlate_sites,
    correlation_words,
    fit_site_correlation,
    group_words,
    shared_seasons,
    site_groups,
)
from culmbook.sites.two_stage import SiteMeans, site_means
from culmbook.text.refusal import Refusal
from dense_reml import criterion
from known_truth_consistency import SD, layout, simulate

PUBLISHED = Path(__file__).parents[1] / "published"


def sites_of(values, variances):
    """Means with independent known errors; values hybrids x sites, missing where a hybrid does not
    stand.
    """
    found = []
    for site, error in variances.items():
        own = values[site].dropna()
        found.append(
            SiteMeans(site, own, pd.DataFrame(np.eye(len(own)) * error, own.index, own.index))
        )
    return found


@pytest.fixture(scope="module")
def barley():
    rows = pd.read_csv(PUBLISHED / "immer_1934_barley_ten.csv", comment="#")
    means, errors = {}, {}
    for site, own in rows.groupby("site"):
        table = own.pivot(index="variety", columns="year", values="yield")
        apart = table.sub(table.mean(axis=1), axis=0) - table.mean() + table.to_numpy().mean()
        means[site], errors[site] = table.mean(axis=1), (apart.to_numpy() ** 2).sum() / 9 / 2
    return correlate_sites(sites_of(pd.DataFrame(means), errors))


def factor_network(seed=3, hybrids=40, missing=0.1):
    """Two groups of sites: within one hybrids rank alike, between them they do not."""
    rng = np.random.default_rng(seed)
    loadings = np.array([[1.0, 0.0]] * 4 + [[0.1, 1.0]] * 3)
    true = rng.normal(size=(hybrids, 2)) @ loadings.T + rng.normal(0, 0.35, (hybrids, 7))
    errors = {f"S{k}": 0.05 + 0.02 * k for k in range(7)}
    seen = true + rng.normal(size=true.shape) * np.sqrt(list(errors.values())) + 5
    values = pd.DataFrame(seen, [f"H{h:02d}" for h in range(hybrids)], list(errors))
    return sites_of(values.mask(rng.random(true.shape) < missing), errors)


@pytest.fixture(scope="module")
def factors():
    return correlate_sites(factor_network())


def dense(sites):
    rows = pd.concat(
        [
            pd.DataFrame({"site": s.site, "hybrid": s.hybrids, "y": s.means.to_numpy()})
            for s in sites
        ],
        ignore_index=True,
    )
    x = pd.get_dummies(rows["site"], dtype=float).to_numpy()
    same = (rows["hybrid"].to_numpy()[:, None] == rows["hybrid"].to_numpy()).astype(float)
    known = np.diag(np.concatenate([np.diag(s.covariance) for s in sites]))
    j = pd.factorize(rows["site"], sort=True)[0]
    return lambda g: criterion(same * g[np.ix_(j, j)] + known, rows["y"].to_numpy(), x, True)


def test_covariances_of_barley_match_immer_1934(barley):
    # lattice::barley; restricted likelihood written out and minimised with R 4.2.2 optim by
    # barley_sites.R
    table = pd.read_csv(PUBLISHED / "barley_sites_references.csv", comment="#").set_index(
        ["model", "quantity"]
    )["value"]
    for name, fit in barley.fits.items():
        assert fit.criterion == pytest.approx(table[name, "criterion"], abs=1e-6)
        if name != ALIKE:
            continue
        assert fit.variances["hybrid"] == pytest.approx(table[name, "covariance P2 P1"], rel=1e-4)
        assert fit.variances.sum() == pytest.approx(table[name, "covariance P4 P4"], rel=1e-4)
    assert set(barley.fits) == {ALIKE, UNEVEN, "factor-analytic 1"} and barley.structure == ALIKE
    kernel = next(iter(barley.fits["factor-analytic 1"].kernels.values()))
    for a, b in (("P1", "P1"), ("P4", "P1"), ("P6", "P4"), ("P5", "P2")):
        assert kernel.loc[a, b] == pytest.approx(
            table["factor-analytic 1", f"covariance {a} {b}"], rel=1e-3
        )
    uneven = barley.fits[UNEVEN].variances
    assert uneven["hybrid"] == pytest.approx(table[UNEVEN, "covariance P2 P1"], rel=1e-3)
    assert uneven["hybrid over site[P6]"] == pytest.approx(
        table[UNEVEN, "covariance P6 P6"] - uneven["hybrid"], rel=1e-3
    )


def test_limits_of_a_pair_are_those_of_its_posterior_on_a_grid(monkeypatch):
    # both standard deviations and the correlation on a grid, the prior's three numbers summed over
    # another; density of the inverse Wishart distribution and restricted likelihood written out
    rng, n, error = np.random.default_rng(5), 40, np.array([0.1, 0.15])
    true = rng.multivariate_normal([0, 0], [[1, 0.5], [0.5, 0.8]], size=n)
    seen = true + rng.normal(size=(n, 2)) * np.sqrt(error)
    values = pd.DataFrame(seen, [f"H{h:02d}" for h in range(n)], ["A", "B"])
    # draws that follow each other are alike: kept one in twenty, the sampler is judged, not its noise
    monkeypatch.setattr(correlation, "_THINNED", 20)
    row = correlate_sites(sites_of(values, dict(zip("AB", error, strict=True)))).pairs.iloc[0]
    sd, r = np.linspace(0.3, 2, 18), np.linspace(-0.5, 0.99, 60)
    a, b, c = np.meshgrid(sd**2, sd**2, r, indexing="ij")
    c = c * np.sqrt(a * b)
    prior = 0.0
    for g, v, share in product(
        np.linspace(0.1, 4, 14), np.linspace(0.1, 4, 14), np.arange(20) / 20
    ):
        k = n * (share + 1 / 28) / (1 - share - 1 / 28)
        own, off, df = k * (g**2 + v**2), k * g**2, 3 + k
        log = df / 2 * np.log((own**2 - off**2) / 4) - special.multigammaln(df / 2, 2)
        log = log - (df + 3) / 2 * np.log(a * b - c**2)
        prior = prior + np.exp(log - (own * (a + b) - 2 * off * c) / 2 / (a * b - c**2))
    (s11, s12), (_, s22) = (n - 1) * np.cov(seen.T)
    va, vb = a + error[0], b + error[1]
    size = va * vb - c**2
    log = -((n - 1) * np.log(size) + (s11 * vb + s22 * va - 2 * s12 * c) / size) / 2
    # the prior is one of variances and covariance: turned into one of both deviations and r
    weight = (prior * np.exp(log - log.max()) * (a * b)).sum(axis=(0, 1))
    wanted = np.interp([0.025, 0.5, 0.975], np.cumsum(weight) / weight.sum(), r)
    assert row[["lower", "correlation", "upper"]].tolist() == pytest.approx(
        wanted, abs=0.07
    )  # 800 draws


def test_factors_have_the_likelihood_of_the_full_covariance(factors):
    height = dense(factors.sites)
    assert factors.structure == "factor-analytic 2"
    two = next(iter(factors.fits[factors.structure].kernels.values())).to_numpy()
    assert factors.fits[factors.structure].criterion == pytest.approx(height(two), abs=1e-7)
    one = next(iter(factors.fits["factor-analytic 1"].kernels.values())).to_numpy()
    assert factors.fits["factor-analytic 1"].criterion == pytest.approx(height(one), abs=1e-7)


def network(seed, sites=4, hybrids=30, sd=SD):
    rng = np.random.default_rng(seed)
    frame = layout(rng, sites, 3, hybrids=hybrids)
    y, _ = simulate(frame, sd, rng)
    return fit_seasons(season_records(frame.assign(dry_yield_t_ha=np.exp(y))), ["H00"])


def test_one_correlation_is_that_of_the_joint_model():
    # hybrid / (hybrid + hybrid x site) of the plots' own model, seasons in common taken off
    for seed in (1, 2):
        seasons = network(seed, sd={**SD, "hybrid_season": 0.12})
        found = fit_site_correlation(seasons)
        own = seasons.fit.variances
        joint = own["hybrid"] / (own["hybrid"] + own["hybrid_site"])
        alike = found.fits[ALIKE].variances
        shared = shared_seasons(seasons.records, own["hybrid_season"]).iloc[0, 1]
        ours = (alike["hybrid"] - shared) / (alike["hybrid"] + alike["hybrid_site"])
        assert ours == pytest.approx(joint, abs=0.06) and shared > 0.0005
        assert abs(alike["hybrid"] / (alike["hybrid"] + alike["hybrid_site"]) - joint) > abs(
            ours - joint
        )


def test_seasons_in_common_count_by_their_share():
    rows = [("A", "1"), ("A", "2"), ("B", "2"), ("B", "3"), ("B", "4"), ("C", "5")]
    table = shared_seasons(pd.DataFrame(rows, columns=["site", "season"]), 6.0)
    assert (
        table.loc["A", "B"] == pytest.approx(6 / 6)
        and table.loc["A", "C"] == 0
        and table.loc["B", "B"] == pytest.approx(2)
    )


def test_groups_of_the_truth_are_found(factors):
    groups, sites = site_groups(factors), [f"S{k}" for k in range(7)]
    assert groups.to_dict() == dict(zip(sites, [1, 1, 1, 1, 2, 2, 2]))
    r = factors.correlation.to_numpy()
    assert r[:4, :4][np.triu_indices(4, 1)].mean() > 0.75 and abs(r[:4, 4:].mean()) < 0.5
    why = group_words(factors, groups)
    assert why.startswith("2 groups") and "S0, S1, S2 and S3; S4, S5 and S6" in why
    assert (factors.pairs["lower"] <= factors.pairs["correlation"]).all()
    assert "two common factors" in correlation_words(factors)


def made(correlation, structure=UNEVEN, covariance=None, errors=None, above=9.0):
    """A result with given correlations."""
    names = [f"S{k}" for k in range(len(correlation))]
    r = pd.DataFrame(correlation, names, names)
    g = r if covariance is None else pd.DataFrame(covariance, names, names)
    sites = sites_of(
        pd.DataFrame(np.zeros((4, len(names))), list("abcd"), names),
        dict(zip(names, errors or [1.0] * len(names), strict=True)),
    )
    comparison = pd.DataFrame(
        {"above_best": {ALIKE: 0.0 if structure == ALIKE else above, UNEVEN: 0.0}}
    )
    pairs = [
        (a, b, 9, r.loc[a, b], r.loc[a, b] - 0.1, r.loc[a, b] + 0.1)
        for i, a in enumerate(names)
        for b in names[i + 1 :]
    ]
    pairs = pd.DataFrame(
        pairs, columns=["site", "other", "n_common", "correlation", "lower", "upper"]
    )
    return SiteCorrelation(structure, {}, comparison, g, r, pairs, sites)


def test_groups_of_given_correlations():
    r = np.array([[1, 0.9, 0.2, 0.1], [0.9, 1, 0.3, 0.2], [0.2, 0.3, 1, 0.8], [0.1, 0.2, 0.8, 1]])
    for least, numbers in (
        (0.71, [1, 1, 2, 2]),
        (0.1, [1] * 4),
        (0.85, [1, 1, 2, 3]),
        (0.95, [1, 2, 3, 4]),
    ):
        assert site_groups(made(r), least=least).tolist() == numbers

    def words(found, least=0.71):
        return group_words(found, site_groups(found, least=least), least=least)

    assert words(made(r), 0.95).startswith("No two of the 4 sites")
    for alike in (made(np.full((4, 4), 0.3) + 0.7 * np.eye(4), ALIKE), made(r, above=1.9)):
        assert site_groups(alike).tolist() == [1] * 4
        assert words(alike).startswith("The 4 sites are not put into groups:")
    # pairs between groups have correlations 0.2, 0.1, 0.3, 0.2 and limits 0.1 on either side
    assert "For 1 of the 4 pairs" in words(made(r), 0.35) and "For" not in words(made(r))
    with pytest.raises(Refusal, match="Two sites make no groups"):
        site_groups(made(r[:2, :2]))
    with pytest.raises(ValueError, match="least = 1"):
        site_groups(made(r), least=1)
    flat = r.copy()
    flat[3] = flat[:, 3] = np.nan
    with pytest.raises(Refusal, match="found at S3"):
        site_groups(made(flat))


def test_words_tell_how_much_sites_rank_alike():
    r = np.array([[1, 0.9, 0.2], [0.9, 1, 0.3], [0.2, 0.3, 1]])
    assert alike_words(made(r)) == (
        "Sites rank the hybrids alike only in part: genetic correlations run from 0.20 (S0 and S2) to 0.90 "
        "(S0 and S1); 1 is the same order."
    )
    two = alike_words(made(r[:2, :2]))
    assert two == "S0 and S1 rank the hybrids with a genetic correlation of 0.90."


def test_choosing_elsewhere_is_falconers_correlated_response():
    # Falconer & Mackay (1996) eq. 19.6 with equal intensities: r h_chosen / h_grown
    r, sd = np.array([[1, 0.5], [0.5, 1]]), np.array([2.0, 1.0])
    found = made(r, covariance=r * np.outer(sd, sd), errors=[1.0, 3.0])
    table = choosing_elsewhere(found).set_index(["grown_at", "chosen_at"])
    h = np.sqrt([4 / 5, 1 / 4])
    assert table.loc[("S0", "S1"), "efficiency"] == pytest.approx(0.5 * h[1] / h[0])
    assert table.loc[("S1", "S0"), "efficiency"] == pytest.approx(0.5 * h[0] / h[1])
    assert table.loc[("S0", "S1"), ["accuracy", "own_accuracy"]].tolist() == pytest.approx(
        [h[1], h[0]]
    )
    # the mean over both: cov with S0 (4 + 1) / 2, variance (4 + 1 + 2 x 1) / 4 and error (1 + 3) /
    # 4
    response, own = 2.5 / np.sqrt(7 / 4 + 1), 4 / np.sqrt(5)
    assert table.loc[("S0", ALL_SITES), "efficiency"] == pytest.approx(response / own)
    none = choosing_elsewhere(made(np.full((2, 2), np.nan), covariance=np.zeros((2, 2))))
    assert none["efficiency"].isna().all()


def test_what_the_data_cannot_carry_is_refused():
    seasons = network(5, sites=2, hybrids=12)
    both = site_means(seasons.records)
    with pytest.raises(Refusal, match=r"one site \(S0\): putting sites together takes two"):
        correlate_sites(both[:1])
    few = [SiteMeans(s.site, s.means.iloc[:6], s.covariance.iloc[:6, :6]) for s in both]
    with pytest.raises(Refusal, match="6 hybrids at two sites or more: .* takes 8"):
        correlate_sites(few)
    found = fit_site_correlation(seasons)
    assert "factor-analytic 1" not in found.fits and len(found.pairs) == 1
    assert "2 sites cannot carry common factors" in correlation_words(found)


def test_no_lasting_differences_and_full_agreement():
    rng = np.random.default_rng(2)
    noise = pd.DataFrame(rng.normal(0, 0.2, (12, 3)), [f"H{h}" for h in range(12)], ["A", "B", "C"])
    flat = correlate_sites(sites_of(noise, dict.fromkeys("ABC", 1.0)))
    assert flat.correlation.isna().all(axis=None)
    with pytest.raises(Refusal, match="no differences that last"):
        alike_words(flat)
    assert choosing_elsewhere(flat)["efficiency"].isna().all()
    strong = noise + np.linspace(0, 9, 12)[:, None]
    full = correlate_sites(sites_of(strong, dict.fromkeys("ABC", 1.0)))
    assert full.fits[ALIKE].variances["hybrid_site"] == 0
    assert full.pairs["lower"].between(0.5, 0.999).all()
    assert (full.pairs["correlation"] > 0.99).all() and (full.pairs["upper"] > 0.999).all()


def test_names_and_order_of_sites_do_not_matter():
    sites = factor_network()[:5]
    one, turned = correlate_sites(sites), correlate_sites(sites[::-1])
    assert turned.correlation.index.tolist() == one.correlation.index.tolist()
    assert turned.correlation.to_numpy() == pytest.approx(one.correlation.to_numpy(), abs=1e-4)


def test_errors_correlated_between_hybrids_count_by_what_each_mean_adds():
    # a level common to all means of a site says nothing of its hybrids
    sites = factor_network()[:5]
    common = SiteMeans(sites[0].site, sites[0].means, sites[0].covariance + 4.0)
    one, again = correlate_sites(sites), correlate_sites([common, *sites[1:]])
    assert again.fits[ALIKE].variances.to_numpy() == pytest.approx(
        one.fits[ALIKE].variances.to_numpy(), rel=1e-6
    )


def test_what_fits_best_and_what_cannot_be_told_from_it_are_one_sentence():
    r = np.full((3, 3), 0.6) + 0.4 * np.eye(3)
    close, far = (correlation_words(made(r, above=above)) for above in (1.2, 9.0))
    assert (
        "a common part and a variance for each site fits best of the covariances tried, but one variance and "
        "one correlation for all sites cannot be distinguished from it." in close
    )
    assert "cannot be distinguished" not in far
    assert "are 0.60 to 0.60, and together their 95 % limits 0.50 to 0.70" in far


def test_limits_are_those_of_the_pair():
    # S0 and S1 share their hybrids and agree, S2 has few in common with either and says little
    rng = np.random.default_rng(4)
    true = rng.normal(size=(40, 1)) + rng.normal(0, 0.3, (40, 3))
    values = pd.DataFrame(true, [f"H{h:02d}" for h in range(40)], ["S0", "S1", "S2"])
    values.iloc[8:, 2] = np.nan
    pairs = correlate_sites(sites_of(values, {"S0": 0.02, "S1": 0.02, "S2": 0.5})).pairs
    width = (pairs["upper"] - pairs["lower"]).to_numpy()
    assert width[0] < 0.3 and (width[1:] > 1.1 * width[0]).all()
