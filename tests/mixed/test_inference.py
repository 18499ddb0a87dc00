"""Adjusted means, simultaneous comparisons, information criteria: published numbers and
definitions.
"""

from itertools import product

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy import integrate, special, stats
from statsmodels.genmod import families

from culmbook.mixed import (
    compare,
    compare_together,
    fit_binomial,
    fit_gaussian,
    fit_ordinal,
    mean_weights,
    over,
    slopes,
)
from culmbook.mixed.inference import marginal_share, simultaneous_draws


@pytest.fixture(scope="module")
def trial():
    """Unbalanced: three hybrids, two films, blocks, a covariate."""
    draw = np.random.default_rng(6)
    plots = pd.DataFrame(
        list(product("abc", ["bare", "film"], ["1", "2", "3", "4"])),
        columns=["hybrid", "film", "block"],
    )
    plots["depth"] = draw.normal(10, 2, len(plots))
    plots["y"] = (
        5
        + 2 * (plots["hybrid"] == "b")
        + (plots["film"] == "film")
        + 0.3 * plots["depth"]
        + draw.normal(size=24)
    )
    plots["planted"] = 40
    plots["alive"] = draw.binomial(
        40, special.expit(0.5 + (plots["hybrid"] == "c") + draw.normal(0, 0.4, 24))
    )
    return plots.drop(index=[0, 5, 13]).reset_index(drop=True)


def _against_control(fit, control, others):
    rows = mean_weights(fit, "group").sub(mean_weights(fit, "group").loc[control])
    return rows.loc[others]


BLOOD = {
    "control": [7.40, 8.50, 7.20, 8.24, 9.84, 8.32],
    "A": [9.76, 8.80, 7.68, 9.36],
    "B": [12.80, 9.68, 12.16, 9.20, 10.55],
}


def test_comparisons_with_control_match_dunnett_1955_blood_counts():
    # Values from memory; recomputed with scipy 1.17 stats.dunnett (randomised, three digits).
    frame = pd.DataFrame(
        [(g, v) for g, values in BLOOD.items() for v in values], columns=["group", "count"]
    )
    fit = fit_gaussian(frame, "count", "group")
    table = compare_together(fit, _against_control(fit, "control", ["A", "B"]))
    assert table["p"].to_numpy() == pytest.approx([0.62, 0.0059], abs=0.01)
    assert table.loc["B", "p"] == pytest.approx(0.0059, abs=5e-4)
    exact = stats.dunnett(
        BLOOD["A"], BLOOD["B"], control=BLOOD["control"], rng=np.random.default_rng(1)
    )
    limits = exact.confidence_interval(0.95)
    assert table["lower"].to_numpy() == pytest.approx(limits.low, abs=0.01)
    assert table["upper"].to_numpy() == pytest.approx(limits.high, abs=0.01)


@pytest.mark.parametrize(("k", "df", "published"), [(2, 10, 2.57), (5, 20, 2.73)])
def test_critical_values_match_dunnett_1964(k, df, published):
    # Two-sided 5 %, values from memory, recomputed by numerical integration (scipy 1.17) below.
    correlation = np.full((k, k), 0.5) + 0.5 * np.eye(k)
    critical = np.quantile(simultaneous_draws(correlation, df), 0.95)
    assert critical == pytest.approx(published, abs=0.006)

    def below(s, z):  # P(|(Z_i - Z_0) / sqrt 2| <= s c for all i), given Z_0 = z
        ends = [np.sqrt(2) * sign * s * critical + z for sign in (1, -1)]
        return (
            (stats.norm.cdf(ends[0]) - stats.norm.cdf(ends[1])) ** k
            * stats.norm.pdf(z)
            * density(s)
        )

    def density(s):
        return stats.chi2.pdf(df * s**2, df) * 2 * df * s

    inside = integrate.dblquad(below, -8, 8, 0, 4, epsabs=1e-6)[0]
    assert inside == pytest.approx(0.95, abs=1e-3)


@pytest.mark.parametrize(
    ("k", "df", "published"), [(3, 10, 3.88), (5, 20, 4.23), (10, 60, 4.65), (4, np.inf, 3.63)]
)
def test_critical_values_of_all_pairs_match_harter_1960_studentised_range(k, df, published):
    # Upper 5 % of the range of k means over their standard error, which is sqrt 2 times the largest
    # |t| of all
    # pairs; values from memory, recomputed with scipy 1.17 stats.studentized_range.
    pairs = np.array([np.eye(k)[i] - np.eye(k)[j] for i in range(k) for j in range(i)]) / np.sqrt(2)
    critical = np.sqrt(2) * np.quantile(simultaneous_draws(pairs @ pairs.T, df), 0.95)
    exact = stats.studentized_range.ppf(0.95, k, 1e6 if np.isinf(df) else df)
    assert exact == pytest.approx(published, abs=0.005)
    assert critical == pytest.approx(exact, rel=0.004)  # 2**16 quasi-random draws


def test_one_comparison_alone_is_the_t_test():
    assert np.quantile(simultaneous_draws(np.eye(1), 7), 0.95) == pytest.approx(
        stats.t.ppf(0.975, 7), abs=2e-3
    )
    assert np.quantile(simultaneous_draws(np.eye(1), np.inf), 0.95) == pytest.approx(
        1.959964, abs=2e-3
    )


def test_independent_comparisons_have_the_product_of_their_levels():
    critical = np.quantile(simultaneous_draws(np.eye(4), np.inf), 0.95)
    assert critical == pytest.approx(stats.norm.ppf(0.5 + 0.95 ** (1 / 4) / 2), abs=3e-3)


def test_repeated_comparisons_cost_nothing(trial):
    fit = fit_gaussian(trial, "y", "hybrid + film", ["block"])
    rows = mean_weights(fit, "hybrid").diff().iloc[1:2]
    twice = compare_together(
        fit, pd.concat([rows, -rows, 3 * rows], keys=["one", "back", "thrice"])
    )
    alone = fit.contrast(rows).iloc[0]
    assert twice["p"].to_numpy() == pytest.approx([alone["p"]] * 3, abs=2e-3)
    assert twice.iloc[0]["lower"] == pytest.approx(alone["lower"], abs=5e-3)


def test_adjusted_means_weigh_factors_alike_and_hold_numbers_at_their_mean(trial):
    # Searle, Speed & Milliken (1980): by hand for 1 + b + c + film + depth
    fit = fit_gaussian(trial, "y", "hybrid + film + depth", ["block"])
    depth = trial["depth"].mean()
    by_hand = pd.DataFrame(
        [[1, 0, 0, 0.5, depth], [1, 1, 0, 0.5, depth], [1, 0, 1, 0.5, depth]],
        index=["a", "b", "c"],
        columns=fit.coefficients.index,
    )
    rows = mean_weights(fit, "hybrid")
    assert rows.to_numpy() == pytest.approx(by_hand.to_numpy())
    assert list(rows.index) == ["a", "b", "c"] and rows.index.name == "hybrid"


def test_adjusted_means_match_statsmodels(trial):
    # statsmodels 0.15: predictions of least squares over the grid, averaged; standard errors by its
    # t_test
    fit = fit_gaussian(trial, "y", "hybrid * film + depth")
    means = fit.contrast(mean_weights(fit, "hybrid"))
    other = smf.ols("y ~ hybrid * film + depth", trial).fit()
    grid = pd.DataFrame(list(product("abc", ["bare", "film"])), columns=["hybrid", "film"])
    grid["depth"] = trial["depth"].mean()
    predicted = other.predict(grid).groupby(grid["hybrid"]).mean()
    assert means["estimate"].to_numpy() == pytest.approx(predicted.to_numpy())
    interaction = (grid["hybrid"].to_numpy()[:, None] == ["b", "c"]) * (
        grid["film"] == "film"
    ).to_numpy()[:, None]
    columns = {
        "Intercept": 1.0,
        "hybrid[T.b]": grid["hybrid"] == "b",
        "hybrid[T.c]": grid["hybrid"] == "c",
        "film[T.film]": grid["film"] == "film",
        "hybrid[T.b]:film[T.film]": interaction[:, 0],
        "hybrid[T.c]:film[T.film]": interaction[:, 1],
        "depth": grid["depth"],
    }
    rows = (
        pd.DataFrame(columns)[list(other.params.index)].astype(float).groupby(grid["hybrid"]).mean()
    )
    test = other.t_test(rows.to_numpy())
    assert means["se"].to_numpy() == pytest.approx(test.sd)
    assert means[["lower", "upper"]].to_numpy() == pytest.approx(test.conf_int(), rel=1e-6)


def test_numbers_taken_as_a_factor_are_averaged_over_their_levels(trial):
    plots = trial.assign(year=2020 + trial["block"].astype(int) % 3)
    fit = fit_gaussian(plots, "y", "hybrid + C(year)")
    rows = mean_weights(fit, "hybrid")
    assert rows.loc["a"].to_numpy() == pytest.approx([1, 0, 0, 1 / 3, 1 / 3])


def test_adjusted_means_need_a_formula_and_its_columns(trial):
    fit = fit_gaussian(trial, "y", "hybrid + film")
    with pytest.raises(
        ValueError, match="no column block in the model's formula; there are film, hybrid"
    ):
        mean_weights(fit, "block")
    by_design = fit_gaussian(trial, "y", pd.DataFrame({"one": np.ones(len(trial))}))
    with pytest.raises(ValueError, match="need a model that was fitted from a formula"):
        mean_weights(by_design, "hybrid")


@pytest.mark.parametrize(("logit", "spread"), [(0.3, 0.0), (1.7, 0.6), (-2.5, 1.4), (4.0, 2.5)])
def test_marginal_share_is_the_integral(logit, spread):
    if spread == 0:
        expected = special.expit(logit)
    else:
        expected = integrate.quad(
            lambda z: special.expit(logit + spread * z) * stats.norm.pdf(z), -12, 12
        )[0]
    assert float(marginal_share(logit, spread)) == pytest.approx(expected, abs=2e-5)


def test_criteria_of_least_squares_match_statsmodels(trial):
    # statsmodels 0.15 leaves the residual variance out of its count of parameters
    formulas = {"hybrid": "hybrid", "both": "hybrid + film", "none": "1"}
    table = compare(
        {name: fit_gaussian(trial, "y", f, method="ml") for name, f in formulas.items()}
    )
    for name, formula in formulas.items():
        other = smf.ols(f"y ~ {formula}", trial).fit()
        assert table.loc[name, "criterion"] == pytest.approx(-2 * other.llf, rel=1e-9)
        assert table.loc[name, "aic"] == pytest.approx(other.aic + 2, rel=1e-9)
    assert table["aic"].is_monotonic_increasing
    assert table["above_best"].iloc[0] == 0


def test_criteria_of_counts_match_statsmodels(trial):
    counts = trial.assign(dead=trial["planted"] - trial["alive"])
    fits = {
        f: fit_binomial(trial, alive="alive", total="planted", fixed=f, method="ml")
        for f in ("hybrid", "1")
    }
    table = compare(fits)
    for formula in fits:
        other = smf.glm(f"alive + dead ~ {formula}", counts, family=families.Binomial())
        assert table.loc[formula, "aic"] == pytest.approx(other.fit().aic, rel=1e-8)


def test_the_same_fixed_effects_in_another_coding_may_be_compared(trial):
    fits = {
        "a": fit_gaussian(trial, "y", "hybrid", ["block"]),
        "b": fit_gaussian(trial, "y", "0 + hybrid"),
    }
    table = compare(fits)
    assert table.loc["a", "parameters"] == 2 and table.loc["b", "parameters"] == 1


def test_criteria_that_mean_nothing_together_are_refused(trial):
    fit = fit_gaussian(trial, "y", "hybrid", ["block"])
    others = {
        "criteria by 'reml' cannot be compared then: fit with method 'ml'": fit_gaussian(
            trial, "y", "hybrid + film", ["block"]
        ),
        "of another kind or method": fit_gaussian(trial, "y", "hybrid", ["block"], method="ml"),
        "fitted to other records": fit_gaussian(trial.iloc[1:], "y", "hybrid", ["block"]),
        "other is of another kind": fit_binomial(
            trial, alive="alive", total="planted", fixed="hybrid"
        ),
    }
    for message, other in others.items():
        with pytest.raises(ValueError, match=message):
            compare({"one": fit, "other": other})
    with pytest.raises(ValueError, match="there are no fits to compare"):
        compare({})
    stuck = fit_gaussian(trial, "y", "hybrid", ["block"], method="ml")
    object.__setattr__(stuck, "verdict", "not converged: no step lowers the criterion")
    with pytest.raises(
        ValueError, match="stuck has not converged: no step.*criterion means nothing"
    ):
        compare({"stuck": stuck, "one": fit})


def test_criteria_by_laplace_and_by_quadrature_or_with_half_plants_are_not_compared(trial):
    given = {
        "alive": "alive",
        "total": "planted",
        "fixed": "film",
        "random": ["hybrid"],
        "method": "ml",
    }
    laplace, quadrature = (fit_binomial(trial, **given, nodes=nodes) for nodes in (1, 5))
    with pytest.raises(ValueError, match="two was integrated with other nodes"):
        compare({"one": laplace, "two": quadrature})
    with pytest.raises(ValueError, match="two was fitted to other records"):
        compare({"one": laplace, "two": fit_binomial(trial, **given, half_plant_in="hybrid")})


def test_cells_have_one_spread_or_none(trial):
    given = {"alive": "alive", "total": "planted", "fixed": "hybrid"}
    same = fit_binomial(
        trial.assign(day=trial["block"].astype(int)),
        **given,
        random=[over("film", "day", "autoregressive")],
    )
    assert same.spread == pytest.approx(np.sqrt(same.variances.iloc[0]))
    uneven = fit_binomial(trial, **given, random=[slopes("block", "depth")])
    with pytest.raises(ValueError, match="variance of 'block on depth' differs between cells"):
        uneven.spread


def test_criteria_of_ordered_scores_count_the_thresholds(trial):
    scored = trial.assign(score=pd.qcut(trial["y"], 3, labels=False))
    table = compare({f: fit_ordinal(scored, score="score", fixed=f) for f in ("hybrid", "film")})
    assert table["parameters"].to_dict() == {"hybrid": 4, "film": 3}
    assert (table["aic"] - table["criterion"]).to_dict() == {"hybrid": 8, "film": 6}
    none = fit_ordinal(scored.assign(x=np.arange(len(scored)) % 2), score="score", fixed="x")
    prior = {
        f: fit_ordinal(scored, score="score", fixed=f, prior_sd=2.0) for f in ("hybrid", "film")
    }
    with pytest.raises(ValueError, match="cannot be compared then: fit without prior_sd"):
        compare(prior)
    with pytest.raises(ValueError, match="of another kind or method"):
        compare({"none": none, "prior": prior["film"]})
