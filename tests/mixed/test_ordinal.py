"""Proportional-odds models: derivatives, special cases with known answers, priors, refusals."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import optimize, special, stats
from statsmodels.miscmodels.ordinal_model import OrderedModel

from culmbook.mixed import fit_binomial, fit_ordinal, over
from culmbook.mixed.laplace import CumulativeLogit, Laplace
from culmbook.mixed.structure import Structure
from culmbook.mixed.terms import make_terms


@pytest.fixture(scope="module")
def plots():
    """Damage 0 to 3 of four hybrids in six blocks and two years."""
    draw = np.random.default_rng(11)
    frame = pd.MultiIndex.from_product(
        [list("abcd"), [str(b) for b in range(6)], [2022, 2024]], names=["hybrid", "block", "year"]
    ).to_frame(index=False)
    eta = frame["hybrid"].map({"a": 0, "b": 1.5, "c": -0.8, "d": 0.5}) + np.tile(
        np.repeat(draw.normal(0, 0.9, 6), 2), 4
    )
    latent = eta + draw.logistic(size=len(frame))
    return frame.assign(
        damage=np.digitize(latent, [-1.2, 0.6, 2.1]), age=draw.normal(size=len(frame))
    )


def _family():
    score = np.array([0, 1, 2, 3, 2, 1, 0, 3])
    return CumulativeLogit(score).at([-1.1, 0.2, -0.4])


ETA = np.array([0.3, -1.0, 2.2, 0.1, -0.4, 0.9, -2.0, 1.5])


def test_log_likelihood_is_the_category_probability():
    family = _family()
    cuts = np.concatenate(
        [[-np.inf], [-1.1, -1.1 + np.exp(0.2), -1.1 + np.exp(0.2) + np.exp(-0.4)], [np.inf]]
    )
    p = stats.logistic.cdf(cuts[family.score + 1] - ETA) - stats.logistic.cdf(
        cuts[family.score] - ETA
    )
    assert family.by_record(ETA) == pytest.approx(np.log(p))


def test_derivatives_match_finite_differences():
    family, h = _family(), 1e-5
    slope, weight, turn = family.derivatives(ETA)
    assert slope == pytest.approx(
        (family.by_record(ETA + h) - family.by_record(ETA - h)) / (2 * h), abs=1e-8
    )
    up, down = family.derivatives(ETA + h), family.derivatives(ETA - h)
    assert weight == pytest.approx(-(up[0] - down[0]) / (2 * h), abs=1e-8)
    assert turn == pytest.approx((up[1] - down[1]) / (2 * h), abs=1e-8)


def test_shape_derivatives_match_finite_differences():
    family, h = _family(), 1e-5
    log_l, slope, weight = family.shape_derivatives(ETA)
    for i in range(3):
        up, down = (family.at(family.shape + s * h * (np.arange(3) == i)) for s in (1, -1))
        assert log_l[i] == pytest.approx(
            (up.log_likelihood(ETA) - down.log_likelihood(ETA)) / (2 * h), abs=1e-7
        )
        ends = [f.derivatives(ETA) for f in (up, down)]
        assert slope[:, i] == pytest.approx((ends[0][0] - ends[1][0]) / (2 * h), abs=1e-7)
        assert weight[:, i] == pytest.approx((ends[0][1] - ends[1][1]) / (2 * h), abs=1e-7)


@pytest.mark.parametrize(
    "random", [["block"], ["block", "hybrid:year"], [over("block", "year", "unstructured")]]
)
def test_gradient_matches_finite_differences(plots, random):
    x = pd.get_dummies(plots["hybrid"]).to_numpy(float)[:, 1:]
    family = CumulativeLogit(plots["damage"].to_numpy(), np.ones(len(plots)))
    problem = Laplace(family, Structure(x, make_terms(plots, random)), 0.0, 0.3)
    k = problem.structure.n_theta
    at = np.concatenate([np.linspace(0.5, 0.9, k), [-1.0, 0.4, 0.2], [0.8, -0.5, 0.3]])

    def state(v):
        return problem.at(v[:k], v[k : k + 3], v[k + 3 :])

    gradient = state(at).gradient
    for i in range(len(at)):
        step = 1e-4 * (np.arange(len(at)) == i)
        slope = (state(at + step).criterion - state(at - step).criterion) / 2e-4
        assert gradient[i] == pytest.approx(slope, rel=1e-5, abs=1e-5)


def test_fit_without_random_terms_matches_statsmodels(plots):
    fit = fit_ordinal(plots, score="damage", fixed="hybrid + age")
    x = pd.get_dummies(plots["hybrid"], drop_first=True).assign(age=plots["age"]).astype(float)
    other = OrderedModel(plots["damage"], x, distr="logit").fit(
        method="bfgs", disp=False, gtol=1e-8
    )
    assert fit.verdict == "converged"
    assert fit.criterion == pytest.approx(-2 * other.llf, rel=1e-9)
    assert fit.coefficients.to_numpy() == pytest.approx(other.params[x.columns], abs=1e-4)
    cuts = other.model.transform_threshold_params(other.params.to_numpy())[1:-1]
    assert fit.thresholds.to_numpy() == pytest.approx(cuts, abs=1e-4)
    se = np.sqrt(np.diag(fit.covariance.loc[fit.coefficients.index, fit.coefficients.index]))
    assert se == pytest.approx(other.bse[x.columns], rel=1e-3)


def test_two_scores_are_logistic_regression(plots):
    two = plots.assign(hit=(plots["damage"] > 1).astype(int))
    fit = fit_ordinal(two, score="hit", fixed="hybrid")
    x = sm.add_constant(pd.get_dummies(two["hybrid"], drop_first=True).astype(float))
    other = sm.Logit(two["hit"], x).fit(disp=False)
    assert fit.coefficients.to_numpy() == pytest.approx(other.params.iloc[1:], abs=1e-5)
    assert fit.thresholds["0|1"] == pytest.approx(-other.params["const"], abs=1e-5)
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx(other.bse, rel=1e-4)


def test_two_scores_with_blocks_are_the_binomial_mixed_model(plots):
    two = plots.assign(hit=(plots["damage"] > 1).astype(int), one=1)
    fit = fit_ordinal(two, score="hit", fixed="hybrid", random=["block"])
    counts = fit_binomial(
        two, alive="hit", total="one", fixed="hybrid", random=["block"], method="ml"
    )
    assert fit.criterion == pytest.approx(counts.criterion, rel=1e-8)
    assert fit.variances["block"] == pytest.approx(counts.variances["block"], rel=1e-3)
    assert fit.coefficients.to_numpy() == pytest.approx(counts.coefficients.iloc[1:], abs=1e-4)
    assert fit.effects["block"].to_numpy() == pytest.approx(
        counts.effects["block"].to_numpy(), abs=1e-3
    )


def test_no_differences_give_the_scores_own_shares(plots):
    fit = fit_ordinal(plots, score="damage", fixed="1")
    shares = plots["damage"].value_counts(normalize=True).sort_index()
    assert fit.thresholds.to_numpy() == pytest.approx(
        special.logit(shares.cumsum().to_numpy()[:-1]), abs=1e-5
    )
    assert fit.coefficients.empty


def test_reversed_scores_flip_every_sign(plots):
    fit = fit_ordinal(plots, score="damage", fixed="hybrid", random=["block"])
    turned = fit_ordinal(
        plots.assign(damage=10 - 2 * plots["damage"]),
        score="damage",
        fixed="hybrid",
        random=["block"],
    )
    assert turned.criterion == pytest.approx(fit.criterion, rel=1e-9)
    assert turned.coefficients.to_numpy() == pytest.approx(-fit.coefficients.to_numpy(), abs=1e-4)
    assert turned.thresholds.to_numpy() == pytest.approx(-fit.thresholds.to_numpy()[::-1], abs=1e-4)
    assert list(turned.thresholds.index) == ["4|6", "6|8", "8|10"]


def test_order_of_rows_and_names_do_not_matter(plots):
    fit = fit_ordinal(plots, score="damage", fixed="hybrid", random=["block"])
    other = plots.sample(frac=1, random_state=2).assign(
        block=lambda t: "x" + (9 - t["block"].astype(int)).astype(str)
    )
    turned = fit_ordinal(other, score="damage", fixed="hybrid", random=["block"])
    assert turned.criterion == pytest.approx(fit.criterion, rel=1e-9)
    assert turned.variances.to_numpy() == pytest.approx(fit.variances.to_numpy(), rel=1e-3)


def test_prior_is_the_penalised_likelihoods_maximum(plots):
    fit = fit_ordinal(plots, score="damage", fixed="hybrid + age", prior_sd=0.7)
    x = pd.get_dummies(plots["hybrid"], drop_first=True).assign(age=plots["age"]).to_numpy(float)
    y = plots["damage"].to_numpy()

    def height(v):
        cuts = np.concatenate([[-np.inf], np.cumsum(np.append(v[0], np.exp(v[1:3]))), [np.inf]])
        eta = x @ v[3:]
        p = special.expit(cuts[y + 1] - eta) - special.expit(cuts[y] - eta)
        return -2 * np.log(p).sum() + (v[3:] ** 2).sum() / 0.7**2

    found = optimize.minimize(height, np.zeros(7), method="BFGS", options={"gtol": 1e-8})
    assert fit.coefficients.to_numpy() == pytest.approx(found.x[3:], abs=1e-4)
    assert fit.criterion == pytest.approx(found.fun, rel=1e-9)


def test_prior_shrinks_more_the_narrower_it_is(plots):
    sizes = [
        fit_ordinal(plots, score="damage", fixed="hybrid", prior_sd=sd).coefficients.abs().sum()
        for sd in (0.1, 0.5, 2.0, 1e4)
    ]
    assert np.all(np.diff(sizes) > 0)
    free = fit_ordinal(plots, score="damage", fixed="hybrid").coefficients.abs().sum()
    assert sizes[-1] == pytest.approx(free, rel=1e-5)


def test_an_ordered_category_keeps_its_order(plots):
    names = ["none", "few", "many", "all"]
    named = plots.assign(damage=pd.Categorical.from_codes(plots["damage"], names, ordered=True))
    fit, numbers = (fit_ordinal(t, score="damage", fixed="hybrid") for t in (named, plots))
    assert fit.scores == names
    assert list(fit.thresholds.index) == ["none|few", "few|many", "many|all"]
    assert fit.criterion == pytest.approx(numbers.criterion, rel=1e-12)


def test_a_block_variance_of_zero_is_exactly_zero(plots):
    balanced = plots.assign(block=np.where(plots.index % 2 == 0, "even", "odd"))
    twice = pd.concat(
        [balanced, balanced.assign(block=balanced["block"].map({"even": "odd", "odd": "even"}))]
    )
    fit = fit_ordinal(
        twice.reset_index(drop=True), score="damage", fixed="hybrid", random=["block"]
    )
    assert fit.variances["block"] == 0
    assert (fit.effects["block"] == 0).all()
    assert np.isfinite(fit.covariance.to_numpy()).all()


def _spared(plots):
    return plots.assign(damage=plots["damage"].where(plots["hybrid"] != "c", 0))


def test_separation_is_refused_with_the_mend(plots):
    with pytest.raises(ValueError, match=r"no finite estimate for hybrid\[T.c\].*give prior_sd"):
        fit_ordinal(_spared(plots), score="damage", fixed="hybrid", random=["block"])
    fit = fit_ordinal(
        _spared(plots), score="damage", fixed="hybrid", random=["block"], prior_sd=2.0
    )
    assert fit.verdict == "converged"
    assert -10 < fit.coefficients["hybrid[T.c]"] < -1


REFUSALS = {
    "missing": (
        {"damage": lambda t: t["damage"].where(t.index != 3)},
        {},
        r"damage is missing in 1 of 48 rows \(index 3\)",
    ),
    "one score": ({"damage": 2}, {}, "damage is 2 in every row: nothing to compare"),
    "words": (
        {"damage": lambda t: t["damage"].map({0: "none", 1: "few", 2: "many", 3: "all"})},
        {},
        "damage has no order: give numbers or an ordered category",
    ),
    "aliased": (
        {"twice": lambda t: 2 * t["age"]},
        {"fixed": "age + twice"},
        "cannot tell these fixed effects.*(age|twice)",
    ),
    "sums to a constant": (
        {},
        {"fixed": "0 + hybrid"},
        "cannot tell these fixed effects.*hybrid|thresholds",
    ),
    "one level": ({"site": "s"}, {"random": ["site"]}, "random term 'site' has one level"),
    "missing level": (
        {"block": lambda t: t["block"].where(t.index != 5)},
        {"random": ["block"]},
        r"block is missing in 1 of 48 rows \(index 5\)",
    ),
    "quadrature": (
        {},
        {"random": ["block", "year"], "nodes": 5},
        "quadrature needs .*a single random term",
    ),
}


@pytest.mark.parametrize("name", REFUSALS)
def test_what_cannot_be_fitted_is_said(plots, name):
    columns, arguments, message = REFUSALS[name]
    with pytest.raises(ValueError, match=message):
        fit_ordinal(plots.assign(**columns), **{"score": "damage", "fixed": "hybrid"} | arguments)


def test_contrasts_of_no_coefficient_are_refused(plots):
    fit = fit_ordinal(plots, score="damage", fixed="hybrid")
    with pytest.raises(ValueError, match="no such coefficient: hybrid; there are"):
        fit.contrast(pd.DataFrame({"hybrid": [1.0]}))
