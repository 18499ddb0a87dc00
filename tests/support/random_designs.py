"""Random small designs: gaussian fits against a dense evaluation of their definition; what does
not converge.

``python tests/random_designs.py [--plain N] [--kernels N]`` prints the counts. Plain designs are
those of ``dense_reml.small_design``: unbalanced, with empty cells and variances at zero. Designs
with kernels have a covariance over seasons, random slopes or the columns of a matrix. Every
covariance here is written from its definition, apart from the package.
"""

import argparse
import os

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from collections import Counter

import numpy as np
import pandas as pd
from formulaic import model_matrix
from scipy import linalg, optimize

from culmbook.mixed import basis, factor_analytic, fit_gaussian, over, slopes
from culmbook.mixed.gaussian_model import STUCK, UNENDING, VANISHED
from dense_reml import covariance, criterion, least, matrices, small_design

CAUSES = (VANISHED, STUCK, UNENDING)
NO_REPLICATION = "a residual group has no degree of freedom left by fixed effects and random levels"
AGREEMENT = 1e-7
SEASONS = np.array([2018, 2019, 2021, 2022])  # unequal gaps


# -- plain intercepts -----------------------------------------------------------------------------


def plain_designs(number):
    """Frame, random terms, fixed effects, method and residual groups of plain designs."""
    draw = np.random.default_rng(11)
    for i in range(number):
        frame, random, fixed = small_design(draw)
        by = (
            "c"
            if i % 5 == 0 and "c" not in ":".join(random) and frame["c"].value_counts().min() >= 5
            else None
        )
        yield frame, random, fixed, ("reml", "ml")[i % 2], by


def lacks_replication(z, groups, x):
    """Do fixed effects explain every contrast within the random levels in one of the residual
    groups?

    Its variance can then fall to zero without the residuals' squares ever paying for it.
    """
    for group in groups.T > 0:
        within = linalg.null_space(np.hstack([zi[group] for zi in z]).T)
        if within.shape[1] <= np.linalg.matrix_rank(within.T @ x[group]):
            return True
    return False


def check_plain(frame, random, fixed, method, by):
    """Verdict in a few words; ``'agrees'`` where the fit is the least dense criterion."""
    fit = fit_gaussian(frame, "y", fixed, random, method=method, residual_by=by)
    z, x, y = (
        matrices(frame, random),
        model_matrix(fixed, frame).to_numpy(float),
        frame["y"].to_numpy(),
    )
    groups = np.ones((len(frame), 1)) if by is None else matrices(frame, [by])[0]
    if fit.verdict != "converged":
        why = (
            NO_REPLICATION
            if lacks_replication(z, groups, x)
            else "all residual groups are replicated"
        )
        return f"{_cause(fit)}; {why}"
    theta = fit.variances.to_numpy()
    if (
        abs(fit.criterion - criterion(covariance(theta, z, groups), y, x, method == "reml"))
        > AGREEMENT
    ):
        return "another criterion than the definition's"
    lowest = least(z, groups, y, x, method == "reml", np.full(len(theta), y.var() / len(theta)))
    return (
        "agrees"
        if fit.criterion <= lowest + AGREEMENT
        else _lower_elsewhere(lacks_replication(z, groups, x))
    )


def _cause(fit):
    (cause,) = [c for c in CAUSES if c in fit.verdict]
    return cause


def _lower_elsewhere(unreplicated):
    return (
        f"a lower criterion elsewhere; {NO_REPLICATION}"
        if unreplicated
        else "a lower criterion elsewhere"
    )


# -- kernels --------------------------------------------------------------------------------------


def _triangle(theta, m):
    root = np.zeros((m, m))
    root[np.tril_indices(m)] = theta
    return root @ root.T


KERNELS = {  # parameters of m levels, and the covariance they make
    "diagonal": (lambda m: m, lambda theta, places: np.diag(theta)),
    "autoregressive": (
        lambda m: 2,
        lambda theta, places: theta[0] * theta[1] ** np.abs(places[:, None] - places),
    ),
    "unstructured": (
        lambda m: m * (m + 1) // 2,
        lambda theta, places: _triangle(theta, len(places)),
    ),
    "factor": (
        lambda m: 2 * m,
        lambda theta, places: (
            np.outer(theta[: len(places)], theta[: len(places)]) + np.diag(theta[len(places) :])
        ),
    ),
}
MODELS = {
    "diagonal": [over("hybrid", "season", "diagonal")],
    "autoregressive": [over("hybrid", "season", "autoregressive"), "block"],
    "unstructured": [over("hybrid", "season", "unstructured")],
    "slopes": [slopes("hybrid", "age")],
    "one factor": [over("hybrid", "season", factor_analytic(1))],
    "crossed diagonal": [
        over("hybrid", "season", "autoregressive"),
        over("block", "season", "diagonal"),
    ],
    "basis": ["hybrid", "trend"],
}


class Part:
    """One random term by its definition: records of one outer level share effects with covariance
    K.

    ``design`` holds each record's values on the levels of K: zeros and a one, or an intercept and a
    slope.
    """

    def __init__(self, frame, outer, kind, design, places):
        code = np.zeros(len(frame)) if outer is None else pd.factorize(frame[outer])[0]
        self.same, self.design, self.kind, self.places = code[:, None] == code, design, kind, places
        self.size = KERNELS[kind][0](len(places))

    def covariance(self, theta):
        k = KERNELS[self.kind][1](theta, self.places)
        return self.same * (self.design @ k @ self.design.T)

    def bounds(self):
        if self.kind == "autoregressive":
            return [(0, None), (-0.999, 0.999)]
        m, own = len(self.places), self.size - len(self.places)
        free = {"diagonal": 0, "unstructured": self.size, "factor": own}[self.kind]
        return [(None, None)] * free + [(0, None)] * (
            m if self.kind == "factor" else self.size - free
        )

    def start(self, share):
        m = len(self.places)
        if self.kind == "autoregressive":
            return [share, 0.2]
        if self.kind == "unstructured":
            return (np.sqrt(share) * np.eye(m))[np.tril_indices(m)]
        return (
            [np.sqrt(share / 2)] * m + [share / 2] * m
            if self.kind == "factor"
            else [share] * self.size
        )


def parts(frame, name):
    """Definition of the model's terms."""
    seasons = np.eye(len(SEASONS))[np.searchsorted(SEASONS, frame["season"])]
    one, line = np.ones((len(frame), 1)), np.column_stack([np.ones(len(frame)), frame["age"]])
    over_seasons = {kind: Part(frame, "hybrid", kind, seasons, SEASONS) for kind in KERNELS}
    plain = {term: Part(frame, term, "diagonal", one, np.zeros(1)) for term in ("hybrid", "block")}
    return {
        "diagonal": [over_seasons["diagonal"]],
        "autoregressive": [over_seasons["autoregressive"], plain["block"]],
        "unstructured": [over_seasons["unstructured"]],
        "one factor": [over_seasons["factor"]],
        "slopes": [Part(frame, "hybrid", "unstructured", line, np.zeros(2))],
        "crossed diagonal": [
            over_seasons["autoregressive"],
            Part(frame, "block", "diagonal", seasons, SEASONS),
        ],
        "basis": [plain["hybrid"], _Trend(frame)],
    }[name]


class _Trend(Part):
    """Independent coefficients, all of one variance, of a matrix's columns."""

    def __init__(self, frame):
        super().__init__(frame, None, "diagonal", np.ones((len(frame), 1)), np.zeros(1))
        self.same = trend_columns(frame) @ trend_columns(frame).T


def trend_columns(frame):
    """Triangular functions along the trial: a rough trend."""
    return np.maximum(0, 1 - np.abs(frame["place"].to_numpy()[:, None] - np.linspace(0, 1, 7)) * 6)


def kernel_designs(number):
    """Frame, name of the model and method: 6 to 12 hybrids in two to four blocks over four
    seasons, some
    records lost.
    """
    draw = np.random.default_rng(12)
    for i in range(number):
        name, hybrids, blocks = (
            list(MODELS)[i % len(MODELS)],
            draw.integers(6, 13),
            draw.integers(2, 5),
        )
        frame = pd.MultiIndex.from_product(
            [[f"h{h:02d}" for h in range(hybrids)], [f"b{b}" for b in range(blocks)], SEASONS],
            names=["hybrid", "block", "season"],
        ).to_frame(index=False)
        frame["age"], frame["place"], frame["x"] = (
            (frame["season"] - 2020) / 2,
            draw.random(len(frame)),
            draw.normal(size=len(frame)),
        )
        v = np.eye(len(frame))
        for part in parts(frame, name):
            size = draw.choice([0.0, 0.5, 1.5])
            v = v + part.covariance(
                size * np.asarray(part.start(1.0)) * draw.uniform(0.3, 1.2, part.size)
            )
        y = 10 + 0.5 * frame["x"] + np.linalg.cholesky(v) @ draw.normal(size=len(frame))
        kept = draw.random(len(frame)) > draw.choice([0.05, 0.3])
        yield (
            frame.assign(y=y)[kept].reset_index(drop=True),
            name,
            ("reml", "ml")[i // len(MODELS) % 2],
        )


def check_kernel(frame, name, method):
    """As :func:`check_plain`, for one of ``MODELS``."""
    random = [
        basis("trend", trend_columns(frame)) if term == "trend" else term for term in MODELS[name]
    ]
    fit = fit_gaussian(frame, "y", "x", random, method=method)
    if fit.verdict != "converged":
        return f"{name}: {_cause(fit)}"
    y, x, own = frame["y"].to_numpy(), model_matrix("x", frame).to_numpy(float), parts(frame, name)
    v = np.eye(len(y)) * fit.variances["residual"]
    for part, term in zip(own, fit.levels, strict=True):
        k = (
            fit.kernels[term].to_numpy()
            if term in fit.kernels
            else fit.variances[[term]].to_numpy()[:, None]
        )
        v = v + part.same * (part.design @ k @ part.design.T)
    if abs(fit.criterion - criterion(v, y, x, method == "reml")) > AGREEMENT:
        return f"{name}: another criterion than the definition's"
    lowest = least_of_parts(own, y, x, method == "reml")
    return f"{name}: " + (
        "agrees" if fit.criterion <= lowest + AGREEMENT else "a lower criterion elsewhere"
    )


def least_of_parts(own, y, x, restricted):
    """Lowest criterion that a general optimiser finds; derivatives of V by differences."""
    share = y.var() / (len(own) + 1)
    start = np.concatenate([*(part.start(share) for part in own), [share]])
    ends = np.cumsum([part.size for part in own])

    def records(theta):
        pieces = np.split(theta[:-1], ends[:-1])
        return sum(part.covariance(t) for part, t in zip(own, pieces, strict=True)) + theta[
            -1
        ] * np.eye(len(y))

    def slope(theta):
        inverse = np.linalg.inv(records(theta))
        p = inverse - inverse @ x @ np.linalg.solve(x.T @ inverse @ x, x.T @ inverse)
        pull = (p if restricted else inverse) - np.outer(p @ y, p @ y)
        steps = 1e-5 * np.eye(len(theta))
        by_each = [(pull * (records(theta + s) - records(theta - s))).sum() / 2e-5 for s in steps]
        return criterion(records(theta), y, x, restricted), np.array(by_each)

    bounds = [*(b for part in own for b in part.bounds()), (1e-4 * share, None)]
    return optimize.minimize(
        slope,
        start,
        jac=True,
        bounds=bounds,
        method="L-BFGS-B",
        options={"ftol": 1e-14, "gtol": 1e-8, "maxiter": 500},
    ).fun


def main():
    """Print how many designs agree, and why others do not."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--plain", type=int, default=1000)
    parser.add_argument("--kernels", type=int, default=350)
    given = parser.parse_args()
    for title, check, designs in (
        ("plain", check_plain, plain_designs(given.plain)),
        ("kernels", check_kernel, kernel_designs(given.kernels)),
    ):
        print(
            f"\n{title}\n{pd.Series(Counter(check(*design) for design in designs)).sort_index().to_string()}",
            flush=True,
        )


if __name__ == "__main__":
    main()
