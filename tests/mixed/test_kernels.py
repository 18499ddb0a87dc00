"""Covariances over an inner index: kernels against their definition, fits against a dense
evaluation.
"""

import numpy as np
import pandas as pd
import pytest
from scipy import optimize

from culmbook.mixed import basis, factor_analytic, fit_gaussian, kernels, over, slopes
from dense_reml import criterion

SEASONS = [2018, 2019, 2021, 2024, 2025]  # unequal gaps
KERNELS = {
    "diagonal": [0.7, 1.2, 0.4, 2.0, 0.9],
    "unstructured": [1.1, 0.3, 0.9, -0.2, 0.4, 1.3, 0.5, 0.1, -0.3, 0.8, 0.2, 0.6, 0.1, 0.3, 0.7],
    "autoregressive": [1.5, 0.6],
    "exponential": [1.5, 0.9],
    "gaussian": [1.5, 0.4],
    "rational quadratic": [1.5, 0.7],
    1: [0.9, 0.4, -0.7, 1.1, 0.5, 0.3, 0.6, 0.2, 0.9, 0.4],
    2: [0.9, 0.4, 0.8, -0.7, 0.2, 1.1, -0.5, 0.5, 0.3, 0.3, 0.6, 0.2, 0.9, 0.4],
}


def _decay(rho, along):
    return np.array([[rho ** abs(a - b) for b in along] for a in along])


def definition(kernel, theta, places):
    """The kernel's matrix as the literature writes it, element by element; ``places`` are
    coordinates.
    """
    theta, m = np.asarray(theta, float), len(places)
    distance = np.array([[np.sqrt(((a - b) ** 2).sum()) for b in places] for a in places])
    if kernel == "diagonal":
        return np.diag(theta)
    if kernel in ("autoregressive", "separable autoregressive"):
        return theta[0] * np.prod(
            [_decay(rho, places[:, i]) for i, rho in enumerate(theta[1:])], axis=0
        )
    if kernel == "exponential":
        return theta[0] * np.exp(-distance / np.exp(theta[1]))
    if kernel == "gaussian":
        return theta[0] * np.exp(-((distance / np.exp(theta[1])) ** 2))
    if kernel == "rational quadratic":
        return theta[0] / (1 + (distance / np.exp(theta[1])) ** 2)
    k = m if kernel == "unstructured" else kernel
    loadings, left = np.zeros((m, k)), list(theta)
    for i in range(m):
        for j in range(min(i + 1, k)):
            loadings[i, j] = left.pop(0)
    return loadings @ loadings.T + (np.diag(left) if left else 0)


def _made(kernel):
    places = np.array(SEASONS, float)[:, None]
    return kernels.make(kernel, [str(s) for s in SEASONS], places, ["season"]), places


@pytest.mark.parametrize("kernel", KERNELS)
def test_kernel_is_its_definition(kernel):
    made, places = _made(kernel)
    expected = definition(kernel, KERNELS[kernel], places)
    assert made.matrix(np.array(KERNELS[kernel])) == pytest.approx(expected, rel=1e-12)
    assert (
        len(made.labels)
        == len(made.powers)
        == len(made.lower)
        == len(made.upper)
        == len(KERNELS[kernel])
    )


def test_separable_kernel_is_a_kronecker_product():
    grid = np.array([[r, c] for r in range(4) for c in range(3)], float)
    made = kernels.make(
        "separable autoregressive", [str(i) for i in range(12)], grid, ["row", "column"]
    )
    expected = 2 * np.kron(_decay(0.7, range(4)), _decay(-0.4, range(3)))
    assert made.matrix(np.array([2.0, 0.7, -0.4])) == pytest.approx(expected, rel=1e-12)
    assert made.labels == ["", ": correlation along row", ": correlation along column"]


@pytest.mark.parametrize("kernel", [*KERNELS, "separable autoregressive"])
def test_slopes_match_finite_differences(kernel):
    if kernel == "separable autoregressive":
        grid = np.array([[r, c] for r in (1, 2, 4) for c in (1, 3)], float)
        made, theta = (
            kernels.make(kernel, list("abcdef"), grid, ["row", "column"]),
            np.array([1.5, 0.6, -0.3]),
        )
    else:
        made, theta = _made(kernel)[0], np.array(KERNELS[kernel])
    for i, slope in enumerate(made.slopes(theta)):
        step = 1e-6 * (np.arange(len(theta)) == i)
        assert slope == pytest.approx(
            (made.matrix(theta + step) - made.matrix(theta - step)) / 2e-6, abs=1e-8
        )


@pytest.mark.parametrize("kernel", [k for k in KERNELS if k != "diagonal"])
def test_start_is_a_covariance_inside_the_bounds(kernel):
    made, _ = _made(kernel)
    theta = made.start(0.4, np.full(len(SEASONS), 2.0))
    assert (theta > made.lower).all() and (theta < made.upper).all()
    assert np.linalg.eigvalsh(made.matrix(theta)).min() > 0


def test_range_and_correlation_at_their_ends_are_still_covariances():
    for kernel in ("autoregressive", "exponential"):
        made, _ = _made(kernel)
        for end in (made.lower[1], made.upper[1]):
            assert np.linalg.eigvalsh(made.matrix(np.array([1.0, end]))).min() > -1e-12


# Fits. 12 hybrids over five seasons in two blocks, some plots lost; 4 sites with a grid of 6 x 4
# plots.


def _trial(seed=3):
    draw = np.random.default_rng(seed)
    plots = pd.MultiIndex.from_product(
        [[f"h{i:02d}" for i in range(12)], SEASONS, ["b1", "b2"]],
        names=["hybrid", "season", "block"],
    ).to_frame(index=False)
    k = definition(
        1, [1.0, 0.8, 1.2, 0.5, 0.9, 0.3, 0.6, 0.4, 0.2, 0.5], np.array(SEASONS)[:, None]
    )
    effects = draw.multivariate_normal(np.zeros(5), k, 12).ravel()
    plots["days"] = (plots["season"] - 2021) / 3
    plots["y"] = (
        12
        + np.repeat(effects, 2)
        + 0.4 * (plots["block"] == "b1")
        + draw.normal(0, 0.6, len(plots))
    )
    plots["plot"] = plots["hybrid"] + plots["block"]
    plots["dose"] = draw.normal(size=len(plots))
    plots["lane"] = draw.integers(0, 7, len(plots)).astype(str)
    return plots.drop(index=draw.choice(len(plots), 9, replace=False)).reset_index(drop=True)


def _field(seed=5):
    draw = np.random.default_rng(seed)
    plots = pd.MultiIndex.from_product(
        [["s1", "s2", "s3", "s4"], range(1, 7), range(1, 5)], names=["site", "row", "column"]
    ).to_frame(index=False)
    places = plots[["row", "column"]].to_numpy(float)[:24]
    k = definition("separable autoregressive", [2.0, 0.8, 0.6], places)
    trend = draw.multivariate_normal(np.zeros(24), k, 4).ravel()
    plots["x_m"], plots["y_m"] = plots["column"] * 1.7, plots["row"] * 4.2
    plots["hybrid"] = [f"h{i}" for i in draw.permutation(96) % 6]
    plots["y"] = 8 + trend + draw.normal(0, 0.7, 96)
    return plots.drop(index=draw.choice(96, 5, replace=False)).reset_index(drop=True)


def _bends(frame):
    knots = np.linspace(-1, 1, 4)
    return basis("bend", np.abs(frame["days"].to_numpy()[:, None] - knots) ** 3)


TRIAL = {
    "diagonal": [over("hybrid", "season", "diagonal")],
    "unstructured": [over("hybrid", "season", "unstructured")],
    "autoregressive": [over("hybrid", "season", "autoregressive"), "block"],
    "exponential": [over("hybrid", "season", "exponential")],
    "gaussian": [over("hybrid", "season", "gaussian")],
    "rational quadratic": [over("hybrid", "season", "rational quadratic"), "plot"],
    "one factor": [over("hybrid", "season", factor_analytic(1))],
    "two factors": [over("hybrid", "season", factor_analytic(2)), "block:season"],
    "slopes": [slopes("hybrid", "days")],
    "slopes apart": [slopes("hybrid", ("days", "dose"), correlated=False)],
    "basis": ["hybrid", _bends],
    "crossed structures of few records": [
        over("hybrid", "season", "autoregressive"),
        over("lane", "season", "gaussian"),
    ],
    "crossed diagonal": [
        over("hybrid", "season", "autoregressive"),
        over("block", "season", "diagonal"),
    ],
}
FIELD = {
    "separable autoregressive": [over("site", ("row", "column"), "separable autoregressive")],
    "exponential by distance": [over("site", ("x_m", "y_m"), "exponential"), "hybrid"],
    "gaussian by distance": [over("site", ("x_m", "y_m"), "gaussian")],
}
MODELS = {
    **{k: (_trial, v) for k, v in TRIAL.items()},
    **{k: (_field, v) for k, v in FIELD.items()},
}


def _fit(name, method="reml", change=lambda frame: frame, response="y"):
    read, random = MODELS[name]
    frame = change(read())
    return fit_gaussian(
        frame, response, "1", [t(frame) if callable(t) else t for t in random], method=method
    )


@pytest.mark.parametrize("method", ["reml", "ml"])
@pytest.mark.parametrize("name", MODELS)
def test_gradient_matches_finite_differences(name, method):
    fit = _fit(name, method)
    problem, start = fit.model.problem, fit.model.starts[0]
    theta = start * np.linspace(
        0.8, 1.3, len(start)
    )  # not the least point, where all slopes are zero
    gradient = problem.at(theta).gradient
    for i in range(len(theta)):
        step = 1e-5 * (np.arange(len(theta)) == i)
        slope = (problem.height(theta + step) - problem.height(theta - step)) / 2e-5
        assert gradient[i] == pytest.approx(slope, rel=1e-6, abs=1e-5), fit.model.names[i]


@pytest.mark.parametrize("name", MODELS)
def test_information_is_positive(name):
    fit = _fit(name)
    state, problem = fit.state, fit.model.problem
    inner = (state.theta > problem.lower) & (state.theta < problem.upper)
    assert (
        np.linalg.eigvalsh(state.information[np.ix_(inner, inner)]).min()
        > -1e-9 * state.information.max()
    )


def _dense(name, theta, frame, restricted=True):
    """Criterion from its definition, the parameters those of the kernels and then the residual
    variance.
    """
    v, left = np.eye(len(frame)) * theta[-1], list(theta)
    for term in MODELS[name][1]:
        v = v + _part(term(frame) if callable(term) else term, left, frame)
    return criterion(v, frame["y"].to_numpy(), np.ones((len(frame), 1)), restricted)


def _part(term, left, frame):
    """Covariance of the records by one term; takes its parameters from the front of ``left``."""

    def take(number):
        taken, left[:number] = left[:number], []
        return taken

    if hasattr(term, "matrix"):
        return take(1)[0] * term.matrix @ term.matrix.T
    outer = term if isinstance(term, str) else term.outer
    group = frame[outer.split(":")].astype(str).agg(":".join, axis=1).to_numpy()
    same = (group[:, None] == group).astype(float)
    if isinstance(term, str):
        return take(1)[0] * same
    if term.link == "on":
        design = np.column_stack([np.ones(len(frame)), frame[list(term.inner)]])
        return same * (design @ definition(term.kernel, take(3), design[:3].T) @ design.T)
    here = frame[list(term.inner)].astype(float).to_numpy()
    places = np.unique(here, axis=0)
    at = np.array([np.flatnonzero((places == row).all(axis=1))[0] for row in here])
    size = len(kernels.make(term.kernel, [str(p) for p in places], places, term.inner).labels)
    return same * definition(term.kernel, take(size), places)[np.ix_(at, at)]


@pytest.mark.parametrize("name", MODELS)
def test_fit_is_the_least_dense_criterion(name):
    fit, frame = _fit(name), MODELS[name][0]()
    assert fit.verdict == "converged"
    theta, problem = fit.state.theta * fit.model.scale**fit.model.powers, fit.model.problem
    assert fit.criterion == pytest.approx(_dense(name, theta, frame), rel=1e-9)
    draw = np.random.default_rng(1)
    for size in (1e-3, 1e-2, 0.1):
        for _ in range(10):
            near = fit.state.theta + size * draw.normal(size=len(theta)) * (
                1 + np.abs(fit.state.theta)
            )
            near = np.clip(near, problem.lower, problem.upper)
            near[-1] = max(near[-1], 0.2 * fit.state.theta[-1])  # without residual V is singular
            near = near * fit.model.scale**fit.model.powers
            assert _dense(name, near, frame) > fit.criterion - 1e-8


@pytest.mark.parametrize(
    "name",
    [
        "diagonal",
        "autoregressive",
        "exponential",
        "one factor",
        "slopes",
        "basis",
        "separable autoregressive",
    ],
)
def test_another_optimiser_finds_no_lower_criterion(name):
    fit, frame = _fit(name), MODELS[name][0]()
    scale = fit.model.scale**fit.model.powers
    low, high = fit.model.problem.lower * scale, fit.model.problem.upper * scale
    low[-1] = 1e-3
    found = optimize.minimize(
        lambda theta: _dense(name, theta, frame),
        fit.model.starts[0] * scale,
        method="L-BFGS-B",
        bounds=list(zip(low, high, strict=True)),
    )
    assert fit.criterion < found.fun + 1e-6


@pytest.mark.parametrize("name", MODELS)
def test_order_of_rows_does_not_matter(name):
    fit, turned = _fit(name), _fit(name, change=lambda frame: frame.sample(frac=1, random_state=4))
    assert turned.criterion == pytest.approx(fit.criterion, rel=1e-9)
    assert turned.variances.to_numpy() == pytest.approx(
        fit.variances.to_numpy(), rel=1e-4, abs=1e-6
    )


@pytest.mark.parametrize(
    "name",
    ["diagonal", "autoregressive", "one factor", "slopes", "basis", "separable autoregressive"],
)
def test_units_change_variances_but_not_shapes(name):
    fit, tonnes = (
        _fit(name),
        _fit(name, change=lambda frame: frame.assign(y=1000 * frame["y"] + 77)),
    )
    assert tonnes.variances.to_numpy() == pytest.approx(
        1e6 * fit.variances.to_numpy(), rel=1e-5, abs=1e-3
    )
    assert tonnes.shapes.to_numpy() == pytest.approx(fit.shapes.to_numpy(), rel=1e-5)
    n = fit.n_records - 1
    assert tonnes.criterion == pytest.approx(fit.criterion + 2 * n * np.log(1000), rel=1e-10)


@pytest.mark.parametrize("name", ["diagonal", "unstructured", "one factor", "two factors"])
def test_names_of_levels_do_not_matter(name):
    other = {
        2018: "wet",
        2019: "dry",
        2021: "cold",
        2024: "mild",
        2025: "late",
    }  # another order too
    fit, named = (
        _fit(name),
        _fit(name, change=lambda frame: frame.assign(season=frame["season"].map(other))),
    )
    assert named.criterion == pytest.approx(fit.criterion, rel=1e-9)
    one, two = fit.kernels["hybrid over season"], named.kernels["hybrid over season"]
    turned = two.loc[list(other.values()), list(other.values())].to_numpy()
    assert turned == pytest.approx(one.to_numpy(), rel=1e-4, abs=1e-5)


def test_effects_of_correlated_levels_are_best_linear_unbiased():
    # Henderson: G Z'V^-1 (y - Xb), error G - G Z'PZ G, from the full matrices.
    fit, frame = _fit("autoregressive"), _trial()
    k = fit.kernels["hybrid over season"].to_numpy()
    z = np.zeros((len(frame), 60))
    z[
        np.arange(len(frame)),
        frame.groupby("hybrid").ngroup() * 5 + frame.groupby("season").ngroup(),
    ] = 1
    block = pd.get_dummies(frame["block"]).to_numpy(float)
    g = np.kron(np.eye(12), k)
    v = (
        z @ g @ z.T
        + fit.variances["block"] * block @ block.T
        + fit.variances["residual"] * np.eye(len(frame))
    )
    x, inverse = np.ones((len(frame), 1)), np.linalg.inv(v)
    p = inverse - inverse @ x @ np.linalg.solve(x.T @ inverse @ x, x.T @ inverse)
    assert fit.effects("hybrid over season").to_numpy().ravel() == pytest.approx(
        g @ z.T @ p @ frame["y"].to_numpy()
    )
    errors = fit.prediction_covariance("hybrid over season").to_numpy()
    assert errors == pytest.approx(g - g @ z.T @ p @ z @ g, abs=1e-10)


def test_two_traits_match_the_multivariate_analysis_of_variance():
    # Balanced one-way layout: REML of unstructured hybrid and plot covariances is (MSB - MSW) / r
    # and MSW,
    # mean squares and products (Searle, Casella & McCulloch 1992, Variance Components, ch. 3, by
    # trait pair).
    draw = np.random.default_rng(8)
    between = draw.multivariate_normal([0, 0], [[4, 1.5], [1.5, 2]], 10)
    values = np.repeat(between, 3, axis=0) + draw.multivariate_normal(
        [0, 0], [[1, -0.4], [-0.4, 0.8]], 30
    )
    hybrid = np.repeat(np.arange(10), 3)
    means = np.array([values[hybrid == h].mean(axis=0) for h in range(10)])
    within = (values - means[hybrid]).T @ (values - means[hybrid]) / 20
    msb = 3 * np.cov(means.T)
    stacked = pd.DataFrame(
        {
            "y": values.ravel(),
            "trait": ["height", "stems"] * 30,
            "hybrid": np.repeat(hybrid, 2).astype(str),
            "plot": np.repeat(np.arange(30), 2).astype(str),
        }
    )
    terms = [over("hybrid", "trait", "unstructured"), over("plot", "trait", "unstructured")]
    fit = fit_gaussian(stacked, "y", "0 + trait", terms, residual=False)
    assert fit.kernels["plot over trait"].to_numpy() == pytest.approx(within, rel=1e-5)
    assert fit.kernels["hybrid over trait"].to_numpy() == pytest.approx(
        (msb - within) / 3, rel=1e-5
    )
    assert fit.coefficients.to_numpy() == pytest.approx(values.mean(axis=0))


def test_interval_says_what_lies_at_a_bound():
    draw = np.random.default_rng(2)
    frame = _trial().assign(
        y=lambda t: draw.normal(size=len(t)) + (t["season"] == 2018) * 3 * t["dose"]
    )
    # nothing is shared by the plots of a hybrid and season but in 2018
    frame["y"] += np.where(frame["season"] == 2018, frame["hybrid"].str[1:].astype(int), 0)
    fit = fit_gaussian(frame, "y", "C(season)", [over("hybrid", "season", "diagonal")])
    table = fit.intervals()
    none = fit.variances[fit.variances == 0].index
    assert len(none) >= 1
    assert (table.loc[none, "note"] == "estimate and lower limit at the bound 0").all()
    assert (table.loc[none, "upper"] > 0).all()
    assert table.loc["hybrid over season[2018]", "note"] == ""
    inside = table.loc["hybrid over season[2018]"]
    assert 0 < inside["lower"] < inside["estimate"] < inside["upper"]


def test_interval_of_a_correlation_is_where_the_dense_criterion_has_risen():
    fit, frame = _fit("separable autoregressive"), _field()
    limits = fit.intervals().loc["site over row and column: correlation along row"]

    def profile(rho):
        def height(rest):
            return _dense("separable autoregressive", [rest[0], rho, rest[1], rest[2]], frame)

        start = [fit.variances.iloc[0], fit.shapes.iloc[1], fit.variances["residual"] / 2]
        bounds = [(0.01, None), (-0.99, 0.99), (1e-7, None)]
        return optimize.minimize(
            height,
            start,
            bounds=bounds,
            method="Nelder-Mead",
            options={"xatol": 1e-6, "fatol": 1e-9, "maxiter": 4000},
        ).fun

    for limit in (limits["lower"], limits["upper"]):
        assert profile(limit) - fit.criterion == pytest.approx(
            3.841459, abs=1e-3
        )  # chi-squared, 1 df


def test_loadings_have_no_intervals_of_their_own():
    table = _fit("one factor").intervals()
    assert not table.index.str.contains("loading").any()
    assert table.index.str.contains("specific").sum() == 5


def _change(**columns):
    return lambda frame: frame.assign(**columns)


REFUSALS = {
    "one season": (
        _change(season=2018),
        "1",
        [over("hybrid", "season", "autoregressive")],
        r"inner index of 'hybrid over season' has one level \(2018\)",
    ),
    "names for numbers": (
        _change(season=lambda t: "s" + t["season"].astype(str)),
        "1",
        [over("hybrid", "season", "autoregressive")],
        "kernel 'autoregressive' of 'hybrid over season' needs numbers in season",
    ),
    "no such kernel": (
        _change(season=lambda t: "s" + t["season"].astype(str)),
        "1",
        [over("hybrid", "season", "spherical")],
        "there is no kernel 'spherical'; there are diagonal",
    ),
    "crossed structures of many records": (
        lambda t: pd.concat([t] * 14, ignore_index=True),
        "1",
        [over("hybrid", "season", "autoregressive"), over("lane", "season", "unstructured")],
        "'hybrid over season' and 'lane over season' are crossed",
    ),
    "too many factors": (
        _change(),
        "1",
        [over("hybrid", "season", factor_analytic(3))],
        "5 inner levels are too few for 3 factors",
    ),
    "a kernel like the residual": (
        _change(),
        "1",
        [over("plot", "season", "diagonal")],
        "no cell of 'plot over season' has two records.*residual=False",
    ),
    "a level per record": (
        _change(label=lambda t: [str(i) for i in range(len(t))]),
        "1",
        ["label"],
        "no level of random term 'label' has two records",
    ),
    "one level": (_change(site="a"), "1", [slopes("site", "days")], "'site' has one level"),
    "fixed and random": (
        _change(),
        "hybrid",
        ["hybrid"],
        "fixed effects determine every level of random term 'hybrid'",
    ),
    "aliased": (
        _change(sum=lambda t: t["days"] + t["dose"]),
        "days + dose + sum",
        ["hybrid"],
        "cannot tell these fixed effects from the others: (days|dose|sum)",
    ),
    "twice the same": (
        _change(again=lambda t: t["hybrid"].str.upper()),
        "1",
        ["hybrid", "again"],
        "'hybrid' and 'again' have the same levels",
    ),
    "short basis": (
        _change(),
        "1",
        ["hybrid", basis("trend", np.ones((3, 2)))],
        "matrix of 'trend' has 3 rows, the frame 111",
    ),
    "missing slope": (
        lambda t: t.assign(dose=t["dose"].where(t.index != 7)),
        "1",
        [slopes("hybrid", "dose")],
        r"dose is missing in 1 of 111 rows with a response \(index 7\)",
    ),
    "slopes on words": (
        _change(),
        "1",
        [slopes("hybrid", "block")],
        "slopes of 'hybrid on block' need numbers in block",
    ),
    "infinite slope": (
        lambda t: t.assign(dose=t["dose"].where(t.index != 7, np.inf)),
        "1",
        [slopes("hybrid", "dose")],
        r"dose is not finite in 1 of 111 rows \(index 7\)",
    ),
    "basis with a gap": (
        _change(),
        "1",
        [basis("trend", np.where(np.arange(222).reshape(111, 2) == 5, np.nan, 1.0))],
        r"the matrix of 'trend' is not finite in 1 of 111 rows \(index 2\)",
    ),
    "words as a response": (
        _change(y="tall"),
        "1",
        ["hybrid"],
        "y holds 'tall': a response needs numbers",
    ),
    "no response": (_change(y=np.nan), "1", ["hybrid"], "no row has a value of y"),
    "no column": (
        _change(),
        "1",
        [over("hybrid", "year", "autoregressive")],
        "no column year; there are hybrid",
    ),
}


@pytest.mark.parametrize("name", REFUSALS)
def test_what_cannot_be_fitted_is_said(name):
    change, fixed, random, message = REFUSALS[name]
    with pytest.raises(ValueError, match=message):
        fit_gaussian(change(_trial()), "y", fixed, random)


@pytest.mark.parametrize("k", [0, 1.5, "two"])
def test_factors_are_a_whole_number(k):
    with pytest.raises(ValueError, match="whole number of factors, at least 1"):
        factor_analytic(k)


def test_heritability_of_correlated_levels_is_refused():
    with pytest.raises(ValueError, match="take the inner levels one by one"):
        _fit("autoregressive").heritability("hybrid over season")


def test_a_basis_loses_the_rows_without_a_response():
    frame = _trial()
    matrix = np.random.default_rng(3).normal(size=(len(frame), 4))
    gaps = frame.assign(y=frame["y"].where(frame.index % 10 != 3))
    kept = gaps["y"].notna().to_numpy()
    fit = fit_gaussian(gaps, "y", "1", ["hybrid", basis("trend", matrix)])
    less = fit_gaussian(gaps[kept], "y", "1", ["hybrid", basis("trend", matrix[kept])])
    assert fit.criterion == pytest.approx(less.criterion, rel=1e-12)
    assert fit.n_missing == (~kept).sum()
