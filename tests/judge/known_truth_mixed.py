"""Coverage, error rates and bias of the mixed models on simulated trials whose truth is known.

``python tests/known_truth_mixed.py [--share S] [--jobs J]`` prints the tables, S scaling the number
of data sets; tests run a short version. Parameters are drawn anew for every data set; seeds are
fixed beforehand. The rule for rates is that of ``known_truth.py``. Variances are judged as a share
of the truth; how far the drawn effects' own mean square lies off the truth, whose mean is known to
be none, is taken off first, which leaves the mean alone and most of the noise out.
"""

import argparse
import os

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from functools import partial

import numpy as np
import pandas as pd
from scipy import special, stats

from culmbook.mixed import (
    compare_together,
    draws,
    fit_binomial,
    fit_gaussian,
    fit_ordinal,
    kenward_roger,
    mean_weights,
)
from culmbook.stand.model import fit_stand, hybrid_shares
from known_truth import NARROW, draw_trial, run

NETWORK_TERMS = ["hybrid", "hybrid:site", "hybrid:season", "plot", "block"]
EXTREME = ["H00", "H01"]  # hybrids drawn near 100 % and near 0 %
PRIOR_SD = 5.0  # of effects on scores, logit scale: weak, and keeps a hybrid without damage finite
CUTS = special.logit(np.arange(1, 7) / 7)  # of scores 0 to 6, about as frequent each


def add_effects(frame, sds, rng):
    """Sum of random effects by record, and each term's drawn mean square over its variance."""
    total, realised = np.zeros(len(frame)), {}
    for term, sd in sds.items():
        code = frame.groupby(term.split(":"), sort=True).ngroup().to_numpy()
        effects = rng.normal(0, sd, code.max() + 1)
        total, realised[term] = (
            total + effects[code],
            effects.var(ddof=1) / sd**2 if sd > 0 else np.nan,
        )
    return total, realised


def unbiased(table, name):
    """Is the mean of a variance within 3 % and two standard errors of the truth?"""
    row = table.loc[name]
    return abs(row["estimate"] - 1) <= 0.03 + 2 * row["se"]


def _inside(table, truth, narrow=1.0):
    """Does each interval, ``narrow`` times as wide around its estimate, hold the truth?"""
    half = (table["upper"] - table["lower"]) / 2
    return (table["estimate"] - truth).abs() <= narrow * half


def _against_first(fit, factor):
    """Weights of each level's adjusted mean less the first level's."""
    weights = mean_weights(fit, factor)
    return weights.iloc[1:] - weights.iloc[0]


# -- gaussian -------------------------------------------------------------------------------------


def draw_network(rng, hybrids=30, sites=4, seasons=3, replicates=3, per_block=10):
    """Yields of a network of perennial plots in incomplete blocks, variances, effects' own mean
    squares.
    """
    plots = [
        (f"s{s}", f"s{s}r{r}b{i // per_block}", f"s{s}r{r}p{i:02d}", f"H{h:02d}")
        for s in range(sites)
        for r in range(replicates)
        for i, h in enumerate(rng.permutation(hybrids))
    ]
    frame = pd.DataFrame(plots, columns=["site", "block", "plot", "hybrid"]).merge(
        pd.DataFrame({"season": [f"y{i}" for i in range(seasons)]}), how="cross"
    )
    ranges = {
        "hybrid": (0.8, 1.4),
        "hybrid:site": (0.5, 0.9),
        "hybrid:season": (0.4, 0.7),
        "plot": (0.5, 0.9),
        "block": (0.4, 0.8),
    }
    sds = {term: rng.uniform(*ends) for term, ends in ranges.items()}
    random, realised = add_effects(frame, sds, rng)
    residual = rng.uniform(0.7, 1.1)
    error = rng.normal(0, residual, len(frame))
    frame["yield"] = 12 + frame.groupby(["site", "season"]).ngroup() * 0.3 + random + error
    realised["residual"] = error.var(ddof=1) / residual**2
    kept = frame[rng.random(len(frame)) > 0.04].reset_index(drop=True)
    return kept, pd.Series({**sds, "residual": residual}) ** 2, pd.Series(realised)


def network_set(seed):
    """Variances of one network as shares of the truth."""
    frame, truth, realised = draw_network(np.random.default_rng([51, seed]))
    fit = fit_gaussian(frame, "yield", "site * season", NETWORK_TERMS)
    share = fit.variances / truth
    rates = {"converged": fit.verdict == "converged", "at zero": (fit.variances == 0).mean()}
    for term in truth.index:
        rates[f"{term}, share of the truth"] = share[term] - (realised[term] - 1)
    return rates


def profile_set(seed):
    """Coverage of profile intervals of variances, 30 hybrids in 24 blocks; narrowed on the scale of
    standard deviations.
    """
    rng = np.random.default_rng([57, seed])
    frame = pd.DataFrame(
        [
            (f"r{r}b{i // 5}", f"H{h:02d}")
            for r in range(4)
            for i, h in enumerate(rng.permutation(30))
        ],
        columns=["block", "hybrid"],
    )
    truth = (
        pd.Series(
            {"hybrid": rng.uniform(0.4, 1.2), "block": rng.uniform(0.3, 0.8), "residual": 1.0}
        )
        ** 2
    )
    random, _ = add_effects(frame, np.sqrt(truth.drop("residual")), rng)
    fit = fit_gaussian(
        frame.assign(y=random + rng.normal(size=len(frame))), "y", "1", ["hybrid", "block"]
    )
    table, rates = fit.intervals(), {}
    root = np.sqrt(table[["estimate", "lower", "upper"]])
    for narrow, name in ((1.0, ""), (NARROW, "narrowed ")):
        low, high = (
            root["estimate"] + narrow * (root[end] - root["estimate"]) for end in ("lower", "upper")
        )
        holds = (low <= np.sqrt(truth)) & (np.sqrt(truth) <= high)
        rates |= {f"{name}{term}, profile interval": value for term, value in holds.items()}
    return rates


def draw_blocks(rng):
    """A trial of one site: 8 to 12 hybrids in 3 to 6 replicates of incomplete blocks; yields
    without hybrid
    effects.
    """
    hybrids, replicates, size = rng.integers(8, 13), rng.integers(3, 7), rng.integers(3, 6)
    frame = pd.DataFrame(
        [
            (f"r{r}", f"r{r}b{i // size}", f"H{h:02d}")
            for r in range(replicates)
            for i, h in enumerate(rng.permutation(hybrids))
        ],
        columns=["replicate", "block", "hybrid"],
    )
    sds = {"replicate": rng.uniform(0, 0.8), "block": rng.uniform(0, 1.0)}
    return frame.assign(y=10 + add_effects(frame, sds, rng)[0] + rng.normal(0, 1, len(frame)))


def block_set(seed, with_together=True):
    """Rates of one trial in incomplete blocks: tests without effect, contrasts of hybrids that
    differ.
    """
    rng = np.random.default_rng([52, seed])
    frame = draw_blocks(rng)
    effects = pd.Series(
        rng.normal(0, 1, frame["hybrid"].nunique()), sorted(frame["hybrid"].unique())
    )
    null = fit_gaussian(frame, "y", "hybrid", ["replicate", "block"])
    fit = fit_gaussian(
        frame.assign(y=frame["y"] + frame["hybrid"].map(effects)),
        "y",
        "hybrid",
        ["replicate", "block"],
    )
    if null.verdict != "converged" or fit.verdict != "converged":
        return {"converged": False}
    contrasts = _against_first(null, "hybrid")
    rates = {
        "converged": True,
        "hybrids rejected, Kenward-Roger": kenward_roger(null, contrasts).p < 0.05,
        "hybrids rejected, Satterthwaite": null.f_test(contrasts).p < 0.05,
    }
    truth = (effects - effects.iloc[0])[contrasts.index]
    single, kr = fit.contrast(contrasts), _by_kenward_roger(fit, contrasts.iloc[:3])
    together = compare_together(fit, contrasts) if with_together else None
    for narrow, name in ((1.0, ""), (NARROW, "narrowed ")):
        rates |= {
            name + "contrast, Satterthwaite": _inside(single, truth, narrow).mean(),
            name + "contrast, Kenward-Roger": _inside(kr, truth.iloc[:3], narrow).mean(),
        }
        if with_together:
            rates[name + "contrasts, simultaneous"] = _inside(together, truth, narrow).all()
    return rates


def _by_kenward_roger(fit, contrasts):
    """Intervals of contrasts whose t is the root of Kenward and Roger's F at the fit's own
    variances.
    """
    rows = {}
    for name, row in contrasts.iterrows():
        test, estimate = (
            kenward_roger(fit, row.to_frame().T),
            float(row @ fit.coefficients[contrasts.columns]),
        )
        half = stats.t.ppf(0.975, test.df_denominator) * abs(estimate) / np.sqrt(test.f)
        rows[name] = estimate, estimate - half, estimate + half
    return pd.DataFrame(rows, index=["estimate", "lower", "upper"]).T


def split_plot_set(seed):
    """Type I errors of one split plot: film on main plots, hybrids within, 3 to 6 replicates."""
    rng = np.random.default_rng([53, seed])
    replicates, hybrids = int(rng.integers(3, 7)), int(rng.integers(4, 9))
    frame = pd.MultiIndex.from_product(
        [[f"r{r}" for r in range(replicates)], ["film", "none"], [f"H{h}" for h in range(hybrids)]],
        names=["replicate", "film", "hybrid"],
    ).to_frame(index=False)
    sds = {"replicate": rng.uniform(0, 0.8), "replicate:film": rng.uniform(0, 1.0)}
    frame["y"] = 10 + add_effects(frame, sds, rng)[0] + rng.normal(0, 1, len(frame))
    frame = frame.drop(
        index=rng.choice(len(frame), int(rng.integers(0, 3)), replace=False)
    ).reset_index(drop=True)
    fit = fit_gaussian(frame, "y", "film * hybrid", list(sds))
    if fit.verdict != "converged":
        return {"converged": False}
    eye = pd.DataFrame(np.eye(len(fit.coefficients)), columns=fit.coefficients.index)
    tested = {
        "film": _against_first(fit, "film"),
        "hybrids": _against_first(fit, "hybrid"),
        "film x hybrid": eye.iloc[hybrids + 1 :],
    }
    rates = {"converged": True}
    for name, weights in tested.items():
        rates[f"{name} rejected, Kenward-Roger"] = kenward_roger(fit, weights).p < 0.05
        rates[f"{name} rejected, Satterthwaite"] = fit.f_test(weights).p < 0.05
    film = fit.contrast(tested["film"])
    rates["film, Satterthwaite"], rates["narrowed film, Satterthwaite"] = (
        _inside(film, 0.0, n).iloc[0] for n in (1.0, NARROW)
    )
    return rates


def draws_set(seed, blocks=3, zero=False):
    """Rates of posterior draws: 20 random hybrids, few blocks, sds down to zero."""
    rng = np.random.default_rng([54, blocks, zero, seed])
    frame = pd.MultiIndex.from_product(
        [[f"H{h:02d}" for h in range(20)], [f"b{b}" for b in range(blocks)]],
        names=["hybrid", "block"],
    ).to_frame(index=False)
    sd = 0.15 if zero else rng.uniform(0.2, 1.5)
    true = rng.normal(0, sd, 20)
    block, _ = add_effects(frame, {"block": 0.0 if zero else rng.uniform(0, 0.8)}, rng)
    frame["y"] = 10 + np.repeat(true, blocks) + block + rng.normal(0, 1, len(frame))
    fit = fit_gaussian(frame, "y", "1", ["hybrid", "block"])
    if fit.verdict != "converged":
        return {"converged": False}
    drawn = draws(fit, 500, seed=seed)
    u = drawn.effects["hybrid"].to_numpy()
    pairs = u[:, ::2] - u[:, 1::2]
    rates = {
        "converged": True,
        "effective share of proposals": drawn.effective,
        "hybrid variance at zero": fit.variances["hybrid"] == 0,
    }
    for narrow, name in ((1.0, ""), (NARROW, "narrowed ")):
        rates[name + "effect, 90 % of draws"] = _within_draws(u, true, narrow).mean()
        rates[name + "difference, 90 % of draws"] = _within_draws(
            pairs, true[::2] - true[1::2], narrow
        ).mean()
    rates |= _better(pairs, true[::2] - true[1::2])
    top = (drawn.fixed.to_numpy() + u).max(axis=1)
    rates["best hybrid's value, 90 % of draws"] = bool(
        _within_draws(top[:, None], np.array([10 + true.max()])).all()
    )
    return rates


def _within_draws(values, truth, narrow=1.0):
    low, middle, high = np.quantile(values, [0.05, 0.5, 0.95], axis=0)
    return (middle + narrow * (low - middle) <= truth) & (
        truth <= middle + narrow * (high - middle)
    )


def _better(pairs, truth):
    """How often the hybrid said to be better is, less the chance that was stated, by size of that
    chance.
    """
    chance = (pairs > 0).mean(axis=0)
    right = np.where(chance >= 0.5, truth > 0, truth < 0)
    stated, rates = np.maximum(chance, 1 - chance), {}
    for low, high in ((0.5, 0.7), (0.7, 0.9), (0.9, 1.01)):
        here = (stated >= low) & (stated < high)
        rates[f"better, stated {low:g}-{min(high, 1):g}: right less stated"] = (right - stated)[
            here
        ].sum() / len(stated)
    rates["better: right less stated"] = (right - stated).mean()
    return rates


# -- binomial -------------------------------------------------------------------------------------


def share_set(seed):
    """Shares of one site, two hybrids near 0 and 100 %, by the stand's model."""
    cells, truth = draw_trial(np.random.default_rng([55, seed]))
    stand = fit_stand(cells)
    table = hybrid_shares(stand).set_index("hybrid")
    true, rates = truth[table.index], {"converged": stand.fit.verdict == "converged"}
    for narrow, name in ((1.0, ""), (NARROW, "narrowed ")):
        low, high = (
            table["share"] + narrow * (table[end] - table["share"]) for end in ("lower", "upper")
        )
        holds = (low <= true) & (true <= high)
        rates[f"{name}usual hybrids"] = holds.drop(EXTREME).mean()
        rates |= {f"{name}near 100 %": holds["H00"], f"{name}near 0 %": holds["H01"]}
    return rates | {"bias": (table["share"] - true).drop(EXTREME).mean()}


def count_set(seed):
    """Logit contrasts and variances of counts at two sites in 30 blocks, restricted and by maximum
    likelihood.
    """
    rng = np.random.default_rng([56, seed])
    frame = pd.DataFrame(
        [
            (f"s{s}", f"s{s}r{r}", f"s{s}r{r}b{i // 6}", f"s{s}r{r}p{i}", f"H{h:02d}")
            for s in range(2)
            for r in range(3)
            for i, h in enumerate(rng.permutation(30))
        ],
        columns=["site", "replicate", "block", "plot", "hybrid"],
    )
    sds = {"block": rng.uniform(0.3, 0.6), "plot": rng.uniform(0.35, 0.6)}
    random, realised = add_effects(frame, sds, rng)
    logit = pd.Series(rng.normal(1.0, 0.7, 30), [f"H{h:02d}" for h in range(30)])
    eta = frame["hybrid"].map(logit) + frame["site"].eq("s1") * rng.normal() + random
    counts = frame.assign(alive=rng.binomial(36, special.expit(eta)), total=36)
    rates = {}
    for method in ("restricted", "ml"):
        fit = fit_binomial(
            counts,
            alive="alive",
            total="total",
            fixed="hybrid + site",
            random=list(sds),
            method=method,
        )
        for term, sd in sds.items():
            rates[f"{term} variance, share of the truth, {method}"] = fit.variances[
                term
            ] / sd**2 - (realised[term] - 1)
            rates[f"{term} variance at zero, {method}"] = fit.variances[term] == 0
        names = [f"hybrid[T.{h}]" for h in logit.index[1:]]
        half = stats.t.ppf(0.975, fit.residual_df) * np.sqrt(
            np.diag(fit.covariance.loc[names, names])
        )
        off = np.abs(fit.coefficients[names].to_numpy() - (logit - logit.iloc[0]).to_numpy()[1:])
        rates |= {
            f"logit contrast, {method}": (off <= half).mean(),
            f"narrowed logit contrast, {method}": (off <= NARROW * half).mean(),
        }
    return rates


# -- ordered scores -------------------------------------------------------------------------------


def draw_scores(rng, hybrid_sd, plot_sd):
    """Scores 0 to 6 of two observers in three blocks, 8 to 12 hybrids; and the log odds ratios to
    the first
    hybrid.
    """
    hybrids = int(rng.integers(8, 13))
    effects = pd.Series(rng.normal(0, hybrid_sd, hybrids), [f"H{h:02d}" for h in range(hybrids)])
    frame = pd.MultiIndex.from_product(
        [effects.index, ["b0", "b1", "b2"], ["one", "two"]], names=["hybrid", "block", "observer"]
    ).to_frame(index=False)
    frame["plot"] = frame["hybrid"] + frame["block"]
    sds = {"block": rng.uniform(0, 0.8), "plot": plot_sd}
    eta = (
        frame["hybrid"].map(effects)
        + frame["observer"].eq("two") * rng.normal(0, 0.5)
        + add_effects(frame, sds, rng)[0]
    )
    cuts = CUTS * rng.uniform(0.9, 1.5) + rng.uniform(-0.5, 1.5)
    score = (eta.to_numpy()[:, None] + rng.logistic(size=(len(frame), 1)) > cuts).sum(axis=1)
    return frame.assign(score=score), effects.iloc[1:] - effects.iloc[0]


def score_set(seed, hybrid_sd=1.0, plot_sd=0.0):
    """Log odds ratios of one set of scores: as fitted, with t instead of the normal quantile, and
    scaled
    besides.

    Thresholds are in units of the scores' scatter, which maximum likelihood understates by the root
    of (n - p) / n, n independent scores or plots, p effects with the mean; without a prior effects
    are overstated by as much. Scaled effects are multiplied by that root, a scaled likelihood ratio
    by its square; t has n
    - p degrees of freedom.
    """
    rng = np.random.default_rng([58, int(10 * hybrid_sd), int(10 * plot_sd), seed])
    frame, truth = draw_scores(rng, hybrid_sd, plot_sd)
    random = ["block", "plot"] if plot_sd else ["block"]
    fit = fit_ordinal(
        frame, score="score", fixed="hybrid + observer", random=random, prior_sd=PRIOR_SD
    )
    less = fit_ordinal(frame, score="score", fixed="observer", random=random, prior_sd=PRIOR_SD)
    names = [f"hybrid[T.{h}]" for h in truth.index]
    value, se = (
        fit.coefficients[names].to_numpy(),
        np.sqrt(np.diag(fit.covariance.loc[names, names])),
    )
    n = frame["plot"].nunique() if plot_sd else len(frame)
    df = n - len(fit.coefficients) - 1
    ratio, scale = less.criterion - fit.criterion, np.sqrt(df / n)
    rates = {"converged": fit.verdict == "converged"}
    z, t = stats.norm.ppf(0.975), stats.t.ppf(0.975, df)
    for factor, quantile, name in ((1.0, z, "as fitted"), (1.0, t, "with t"), (scale, t, "scaled")):
        off = np.abs(factor * value - truth.to_numpy()) / se
        rates[f"log odds ratio, {name}"], rates[f"narrowed log odds ratio, {name}"] = (
            (off <= quantile).mean(),
            (off <= NARROW * quantile).mean(),
        )
        rates[f"single test rejects, {name}"] = (np.abs(factor * value) / se > quantile).mean()
        rates[f"likelihood ratio rejects, {name}"] = (
            stats.chi2.sf(factor**2 * ratio, len(names)) < 0.05
        )
        rates[f"share of the true effects, {name}"] = (
            factor * (value @ truth) / (truth @ truth) if hybrid_sd else np.nan
        )
    return rates


RUNS = {
    "gaussian: 30 hybrids x 4 sites x 3 seasons x 3 replicates": (network_set, 300),
    "gaussian: profile intervals, 30 hybrids, 24 blocks": (profile_set, 1_000),
    "gaussian: 8-12 hybrids, 3-6 replicates in incomplete blocks": (block_set, 2_000),
    "gaussian: split plot, 3-6 replicates": (split_plot_set, 2_000),
    "draws: 20 hybrids, 3 blocks": (draws_set, 500),
    "draws: 20 hybrids, 3 blocks, hybrids nearly alike, blocks alike": (
        partial(draws_set, zero=True),
        500,
    ),
    "binomial: 26 hybrids x 3 replicates of 36 plants": (share_set, 400),
    "binomial: 30 hybrids x 2 sites x 3 replicates": (count_set, 400),
    "scores: 8-12 hybrids, 3 blocks, 2 observers": (score_set, 1_000),
    "scores: hybrids alike": (partial(score_set, hybrid_sd=0.0), 2_000),
    "scores: both observers in the same plots, plots differ": (
        partial(score_set, plot_sd=0.7),
        500,
    ),
    "scores: the same, hybrids alike": (partial(score_set, hybrid_sd=0.0, plot_sd=0.7), 500),
}


def main():
    """Print all tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--share", type=float, default=1.0)
    parser.add_argument("--jobs", type=int, default=2)
    given = parser.parse_args()
    for title, (one, sets) in RUNS.items():
        print(
            f"\n{title}\n{run(one, max(int(given.share * sets), 2), given.jobs).round(4).to_string()}",
            flush=True,
        )


if __name__ == "__main__":
    main()
