"""Posterior draws against prediction and numerical integration; the parametric bootstrap."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from culmbook.mixed import draws, fit_gaussian, over, slopes

PUBLISHED = Path(__file__).parents[1] / "published"


def _read(name):
    return pd.read_csv(PUBLISHED / f"{name}.csv", comment="#")


@pytest.fixture(scope="module")
def plots():
    draw = np.random.default_rng(4)
    frame = pd.MultiIndex.from_product(
        [[f"h{i}" for i in range(8)], [2020, 2021, 2023], ["b1", "b2", "b3"]],
        names=["hybrid", "season", "block"],
    ).to_frame(index=False)
    frame["days"] = (frame["season"] - 2021) / 2
    frame["y"] = (
        10
        + np.repeat(draw.normal(0, 1.5, 8), 9)
        + np.repeat(draw.normal(0, 0.8, 24), 3)
        + draw.normal(0, 0.7, 72)
    )
    return frame.drop(index=[3, 17, 30, 31]).reset_index(drop=True)


MODELS = {
    "autoregressive and blocks": [over("hybrid", "season", "autoregressive"), "block"],
    "crossed": ["hybrid", "season", "hybrid:season"],
    "slopes": [slopes("hybrid", "days")],
}


@pytest.mark.parametrize("name", MODELS)
def test_draws_of_known_variances_have_the_predictions_error_covariance(plots, name):
    # Henderson (1975) Biometrics 31:423-447: given the variances, u less its prediction is normal
    # with it.
    fit = fit_gaussian(plots, "y", "days", MODELS[name])
    n = 20_000
    drawn = draws(fit, n, seed=2, variances=0)
    assert drawn.effective == 1
    assert drawn.fixed.mean().to_numpy() == pytest.approx(
        fit.coefficients, abs=5 * np.sqrt(fit.covariance.max().max() / n)
    )
    assert drawn.fixed.cov().to_numpy() == pytest.approx(
        fit.covariance.to_numpy(), abs=0.05 * fit.covariance.max().max()
    )
    for term, table in drawn.effects.items():
        errors = fit.prediction_covariance(term)
        assert table.mean().to_numpy() == pytest.approx(
            fit.effects(term).to_numpy().ravel(), abs=5 * np.sqrt(errors.max().max() / n) + 1e-12
        )
        assert table.cov().to_numpy() == pytest.approx(
            errors.to_numpy(), abs=0.06 * errors.max().max() + 1e-12
        )
        assert list(table.columns) == list(errors.columns)


def test_fixed_and_random_effects_are_drawn_jointly(plots):
    # Mixed-model equations: (b, u - prediction) has the covariance s [X'X, X'Z; Z'X, Z'Z + I
    # s/g]^-1.
    fit = fit_gaussian(plots, "y", "1", ["hybrid"])
    z, x = pd.get_dummies(plots["hybrid"]).to_numpy(float), np.ones((len(plots), 1))
    w, s = np.hstack([x, z]), fit.variances["residual"]
    ridge = np.diag([0.0] + [s / fit.variances["hybrid"]] * 8)
    expected = s * np.linalg.inv(w.T @ w + ridge)
    drawn = draws(fit, 20_000, seed=5, variances=0)
    joint = np.hstack([drawn.fixed.to_numpy(), drawn.effects["hybrid"].to_numpy()])
    assert np.cov(joint.T) == pytest.approx(expected, abs=0.04 * expected.max())
    assert (
        expected[0, 1:].max() < -0.5 * expected[0, 0]
    )  # so it would be seen if they were drawn apart


def _posterior(frame, group, y):
    """Standard deviations between and within groups and their weights on a grid: balanced one-way
    layout.

    Restricted likelihood of the two mean squares (Searle, Casella & McCulloch 1992, ch. 3), flat in
    both sds.
    """
    grouped = frame.groupby(group)[y]
    means, variances, j, r = (
        grouped.mean(),
        grouped.var(),
        grouped.ngroups,
        int(grouped.size().iloc[0]),
    )
    ssb, ssw = r * ((means - means.mean()) ** 2).sum(), (r - 1) * variances.sum()
    scale = np.sqrt(ssw / (j * (r - 1)))
    a, e = np.meshgrid(
        np.linspace(1e-6, 12 * scale, 1500), np.linspace(0.4 * scale, 2.5 * scale, 400)
    )
    total = e**2 + r * a**2
    log_l = -0.5 * ((j - 1) * np.log(total) + j * (r - 1) * np.log(e**2) + ssb / total + ssw / e**2)
    weight = np.exp(log_l - log_l.max())
    return a, e, weight / weight.sum(), np.sqrt(total / (j * r)), means.mean()


@pytest.mark.parametrize(
    ("name", "at_zero"), [("davies_1972_dyestuff", False), ("box_1973_dyestuff2", True)]
)
def test_uncertain_variances_match_numerical_integration(name, at_zero):
    frame = _read(name)
    fit = fit_gaussian(frame, "Yield", "1", ["Batch"])
    assert (fit.variances["Batch"] == 0) == at_zero
    drawn = draws(fit, 1_500, seed=3, variances=1_500)
    between, within, weight, se, mean = _posterior(frame, "Batch", "Yield")
    assert 0.5 < drawn.effective <= 1
    for column, grid in (("Batch", between), ("residual", within)):
        sd = np.sqrt(drawn.parameters[column])
        for share in (0.1, 0.5, 0.9):
            assert weight[grid < sd.quantile(share)].sum() == pytest.approx(share, abs=0.05), (
                column,
                share,
            )
    for share in (0.025, 0.5, 0.975):
        t = (drawn.fixed["Intercept"].quantile(share) - mean) / se
        assert (weight * stats.norm.cdf(t)).sum() == pytest.approx(share, abs=0.02)


def test_a_prior_of_the_variances_is_weighed_in():
    frame = _read("davies_1972_dyestuff")
    fit = fit_gaussian(frame, "Yield", "1", ["Batch"])
    drawn = draws(
        fit,
        1_500,
        seed=3,
        variances=1_500,
        log_prior=lambda p: -0.5 * np.log(5 * p["Batch"] + p["residual"]),
    )
    between, within, weight, _, _ = _posterior(frame, "Batch", "Yield")
    weight = weight / np.sqrt(5 * between**2 + within**2)
    for share in (0.1, 0.5, 0.9):
        held = (
            weight[between < np.sqrt(drawn.parameters["Batch"]).quantile(share)].sum()
            / weight.sum()
        )
        assert held == pytest.approx(share, abs=0.05)


@pytest.mark.parametrize("name", ["davies_1972_dyestuff", "box_1973_dyestuff2"])
def test_uncertain_variances_widen_the_draws(name):
    fit = fit_gaussian(_read(name), "Yield", "1", ["Batch"])
    held, free = (draws(fit, 4_000, seed=7, variances=v) for v in (0, 400))
    spread = [
        d.fixed["Intercept"].quantile(0.975) - d.fixed["Intercept"].quantile(0.025)
        for d in (held, free)
    ]
    assert spread[1] > 1.1 * spread[0]
    assert (held.parameters.nunique() == 1).all()


def test_an_estimate_of_zero_does_not_stay_zero_in_the_draws():
    fit = fit_gaussian(_read("box_1973_dyestuff2"), "Yield", "1", ["Batch"])
    held, free = (draws(fit, 1_000, seed=7, variances=v) for v in (0, 200))
    assert (held.effects["Batch"] == 0).all().all()
    assert (free.effects["Batch"].std() > 0.2).all()
    assert (free.parameters["Batch"] >= 0).all()


def test_draws_are_repeatable_and_in_the_responses_unit(plots):
    fit = fit_gaussian(plots, "y", "1", MODELS["autoregressive and blocks"])
    milli = fit_gaussian(
        plots.assign(y=1000 * plots["y"]), "y", "1", MODELS["autoregressive and blocks"]
    )
    one, again, other = draws(fit, 60, seed=1), draws(fit, 60, seed=1), draws(fit, 60, seed=2)
    pd.testing.assert_frame_equal(one.fixed, again.fixed)
    pd.testing.assert_frame_equal(one.effects["block"], again.effects["block"])
    assert not np.allclose(one.fixed, other.fixed)
    thousand = draws(milli, 60, seed=1)
    assert thousand.fixed.to_numpy() == pytest.approx(1000 * one.fixed.to_numpy(), rel=1e-3)
    correlation = "hybrid over season: correlation"
    assert thousand.parameters[correlation].to_numpy() == pytest.approx(
        one.parameters[correlation].to_numpy(), abs=1e-3
    )
    assert one.parameters[correlation].abs().max() < 1


def test_all_draws_are_given_out_whatever_the_number_of_variances(plots):
    fit = fit_gaussian(plots, "y", "1", ["hybrid"])
    for n, variances in ((10, 50), (53, 7), (50, 50)):
        drawn = draws(fit, n, variances=variances)
        assert len(drawn.fixed) == len(drawn.parameters) == len(drawn.effects["hybrid"]) == n
        assert drawn.parameters["hybrid"].nunique() <= variances


def test_draws_of_what_is_no_reml_fit_are_refused(plots):
    with pytest.raises(
        ValueError, match="draws need a converged fit with method 'reml'; this is 'ml', converged"
    ):
        draws(fit_gaussian(plots, "y", "1", ["hybrid"], method="ml"))


def test_two_levels_leave_their_variance_open():
    rng = np.random.default_rng(1)
    plots = pd.DataFrame({"block": list("ab") * 10, "yield": rng.normal(size=20)})
    fit = fit_gaussian(plots, "yield", "1", ["block"])
    with pytest.raises(ValueError, match="block has two levels"):
        draws(fit)
    assert len(draws(fit, 10, variances=0).fixed) == 10
