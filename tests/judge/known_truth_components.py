"""Bias, coverage and stated errors of the component methods on simulated trials whose truth is
known.

``python tests/known_truth_components.py [--sets N] [--jobs J]`` prints the table; tests run a short
version of it. Spreads and correlations are drawn anew around those of the demo generator for every
data set; seeds are fixed beforehand.
"""

import argparse
import os

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from functools import partial

import numpy as np
import pandas as pd

from culmbook.trials.dry_yield import plot_harvests
from culmbook.yields.components import log_components, plot_components, with_yield
from culmbook.yields.paths import (
    HYBRIDS,
    contributions,
    fit_covariances,
    path_coefficients,
    path_effects,
    paths_of,
    shares_of,
)
from culmbook.yields.prediction import calibrate, cross_validate, predict, prediction_error
from known_truth import NARROW, passes, run
from make_demo.growth import PLOT_AREA_M2, PLOT_SD, RESIDUAL_SD_LATER, season_stand, simulate_growth
from make_demo.layout import simulate_plots
from make_demo.scenario import DEMO_SEED, site_named
from make_demo.stand import simulate_stand_counts
from make_demo.stems_harvest import PLANT_SD, WEIGHING_SD, simulate_harvests, simulate_stems
from make_demo.truth import EFFECT_ON, TRAIT_CORRELATION, TRAIT_SD, draw_truth, winter_minima

PARTS = ["plants_per_m2", "stems_per_plant", "stem_mass_g"]
TRAITS = ["density", "stems", "height", "diameter", "stem_k", "rest"]
TO_PARTS = np.array(
    [[1, 0, 0, 0, 0, 0], [0, 1, 0, 0, 0, 0], [0, 0, 1, 2, 1, 0], [0, 0, 0, 0, 0, 1.0]]
)
"""Log components, and what a harvest holds beside them, from log traits."""
PLANTS = 5
BOTH = ("stems_per_m2", "stem_height_cm")

SITE, PLANTED, SEASON = "MELDO", 2022, 2024
AVERAGED, ANALYSED = 24, 4

__all__ = ["demo_set", "passes", "path_set", "prediction_set", "run", "share_set"]


def draw_spreads(rng):
    """Sds and correlations of the log traits between hybrids, and their sds between plots."""
    sd = np.array(
        [
            0.12,
            TRAIT_SD["stems"],
            TRAIT_SD["height"],
            TRAIT_SD["diameter"],
            TRAIT_SD["stem_k"],
            0.05,
        ]
    )
    sd = sd * np.exp(rng.normal(0, 0.15, len(sd)))
    between = np.diag(sd**2)
    for (a, b), r in TRAIT_CORRELATION.items():
        if a in TRAITS and b in TRAITS:
            i, j = TRAITS.index(a), TRAITS.index(b)
            between[i, j] = between[j, i] = (
                np.clip(r + rng.normal(0, 0.1), -0.8, 0.8) * sd[i] * sd[j]
            )
    while (
        np.linalg.eigvalsh(between)[0] <= 0
    ):  # correlations drawn one by one need not suit each other
        between = 0.95 * between + 0.05 * np.diag(sd**2)
    common = np.hypot(PLOT_SD, RESIDUAL_SD_LATER) * np.exp(rng.normal(0, 0.15))
    shift = np.array([0, EFFECT_ON["stems"], EFFECT_ON["height"], EFFECT_ON["diameter"], 0, 0])
    within = common**2 * np.outer(shift, shift) + np.diag([0.10**2, 0, 0, 0, 0, 0])
    return between, within


def sampling_error():
    """Covariance of the measured log components that measuring few plants brings, and of weighing
    the harvest.
    """
    height, diameter = PLANT_SD["stem_height_cm"], PLANT_SD["stem_diameter_mm"]
    mass = height**2 + 4 * diameter**2 + PLANT_SD["stem_dry_mass_g"] ** 2
    return np.diag([0.0, PLANT_SD["stems"] ** 2 / PLANTS, mass / PLANTS, 0.0]), WEIGHING_SD**2


def draw_trial(rng, hybrids=24, replicates=3, missing=0.03):
    """Measured log components and harvested log yield of plots; true covariances of traits at both
    levels.
    """
    spread, plot = draw_spreads(rng)
    true = rng.multivariate_normal(np.zeros(len(TRAITS)), spread, hybrids)
    n = hybrids * replicates
    plots = np.repeat(true, replicates, axis=0) + rng.multivariate_normal(
        np.zeros(len(TRAITS)), plot, n
    )
    error, weighing = sampling_error()
    grown = plots @ TO_PARTS.T
    seen = grown + rng.multivariate_normal(np.zeros(4), error, n)
    frame = pd.DataFrame(seen[:, :3], columns=PARTS)
    frame["y"] = grown.sum(axis=1) + rng.normal(0, np.sqrt(weighing), n)
    frame["rest"] = frame["y"] - frame[PARTS].sum(axis=1)
    frame["hybrid"] = np.repeat([f"H{i:02d}" for i in range(hybrids)], replicates)
    frame["unit"] = np.tile([str(i) for i in range(replicates)], hybrids)
    # the rest holds the weighing's error and, turned round, that of the components
    turned = np.vstack([np.eye(4)[:3], [-1, -1, -1, 1]])
    within = TO_PARTS @ plot @ TO_PARTS.T + turned @ error @ turned.T + np.diag([0, 0, 0, weighing])
    kept = frame[rng.random(n) >= missing].reset_index(drop=True)
    return kept, true @ TO_PARTS.T, TO_PARTS @ spread @ TO_PARTS.T, within


def _with_sum(covariance):
    """Covariances of parts, and of their sum in the last place."""
    full = np.vstack([np.eye(len(covariance)), np.ones(len(covariance))])
    return full @ covariance @ full.T


def share_set(seed, hybrids=24):
    """Bias and coverage of contribution shares, the harvested yield on the left."""
    rng = np.random.default_rng([21, seed])
    frame, means, _, within = draw_trial(rng, hybrids)
    between = np.cov(means.T)
    parts = [*PARTS, "rest"]
    cov = fit_covariances(frame, [*parts, "y"])
    try:
        table = contributions(cov, parts, "y", draws=600, seed=seed)
    except ValueError:
        return {"refused": 1.0}
    rates = {"refused": 0.0}
    for among, truth in (("hybrids", between), ("plots", between + within)):
        true = shares_of(_with_sum(truth), range(4), 4)
        own = table[table["among"] == among].reset_index(drop=True)
        for part, error in zip(parts, own["share"] - true, strict=True):
            rates[f"bias, {among}, {part}"] = error
        for narrow, name in ((1.0, ""), (NARROW, "narrowed ")):
            rates[f"{name}shares among {among}"] = _inside(own, "share", true, narrow).mean()
    return rates


def _inside(own, centre, true, narrow):
    middle, low, high = own[centre], own["lower"], own["upper"]
    return (middle - narrow * (middle - low) <= true) & (true <= middle + narrow * (high - middle))


def demo_set(seed):
    """Bias and coverage of shares among hybrids from sheets of the demo generator, counts and
    plants and all.

    The truth is that of many trials of the same hybrids at the same site: means of what grew,
    before it was counted and measured. Hybrids with poor stands have uneven plots there, which the
    other sets do not have.
    """
    known, rng = (
        draw_truth(1000 + seed, winter_minima(DEMO_SEED)),
        np.random.default_rng([24, seed]),
    )
    trials = [_demo_trial(known, rng) for _ in range(AVERAGED)]
    true = _demo_shares(pd.concat([grown for grown, _ in trials]))
    parts = [*PARTS, "rest"]
    rates = [_demo_rates(seen, parts, true, seed) for _, seen in trials[:ANALYSED]]
    return pd.DataFrame(rates).mean().to_dict()


def _demo_trial(known, rng):
    """Log components as they grew, and plots as they were measured and cut."""
    plots = simulate_plots(site_named(SITE), PLANTED, known, rng)
    counts = simulate_stand_counts(plots, known, rng)
    grown = simulate_growth(plots, season_stand(plots, counts), known, rng)
    grown = grown[(grown["growing_season"] == SEASON) & (grown["alive"] > 0)].reset_index(drop=True)
    logs = np.log(
        pd.DataFrame(
            {
                "plants_per_m2": grown["alive"] / PLOT_AREA_M2,
                "stems_per_plant": grown["stems"],
                "stem_mass_g": grown["stem_dry_mass_g"],
            }
        )
    ).assign(hybrid=grown["hybrid"])
    seen = plot_components(simulate_stems(grown, rng), counts, plots)
    return logs, with_yield(seen, plot_harvests(simulate_harvests(grown, known, rng), plots))


def _demo_shares(logs):
    groups = logs.groupby("hybrid")[PARTS]
    means = groups.mean()
    error = groups.cov().groupby(level=1).mean().loc[PARTS, PARTS] / (len(logs) / len(means))
    between = np.zeros((4, 4))
    between[:3, :3] = means.cov() - error
    return shares_of(_with_sum(between), range(4), 4)


def _demo_rates(seen, parts, true, seed):
    logs = log_components(seen, outcome="dry_yield_t_ha")
    cov = fit_covariances(logs, [*parts, "dry_yield_t_ha"])
    try:
        table = contributions(cov, parts, "dry_yield_t_ha", draws=600, seed=seed)
    except ValueError:
        return {"refused": 1.0}
    own = table[table["among"] == "hybrids"].reset_index(drop=True)
    bias = {
        f"bias, hybrids, {part}": error
        for part, error in zip(parts, own["share"] - true, strict=True)
    }
    return {
        "refused": 0.0,
        "shares among hybrids": _inside(own, "share", true, 1.0).mean(),
        "narrowed shares among hybrids": _inside(own, "share", true, NARROW).mean(),
    } | bias


def path_set(seed, hybrids=24, replicates=3):
    """How far paths of true means, estimated, and paths of means as they are lie from the truth."""
    rng = np.random.default_rng([22, seed])
    frame, means, _, _ = draw_trial(rng, hybrids, replicates)
    truth = np.corrcoef(np.column_stack([means[:, :3], means.sum(axis=1)]).T)
    direct = np.linalg.solve(truth[:3, :3], truth[:3, 3])
    cov = fit_covariances(frame, [*PARTS, "y"])
    try:
        table = path_effects(cov, PARTS, "y", draws=400, seed=seed)[0].query("among == @HYBRIDS")
    except ValueError:
        return {"refused": 1.0}
    own, sd = paths_of(cov, PARTS, "y", HYBRIDS), np.sqrt(np.diag(cov.raw))
    names = [*PARTS, "y"]
    raw = path_coefficients(pd.DataFrame(cov.raw / np.outer(sd, sd), names, names), "y")
    far, near = np.abs(raw.direct - direct).mean(), np.abs(own.direct - direct).mean()
    return {
        "refused": 0.0,
        "bent": bool(own.notes),
        "error of genotypic paths": near,
        "error of paths of means": far,
        "gain": far - near,
        "genotypic nearer": near < far,
        "paths covered": _inside(table, "direct", direct, 1.0).mean(),
        "size of bias, genotypic": (own.direct - direct).mean(),
        "size of bias, means": (raw.direct - direct).mean(),
    }


def draw_network(rng, site_years, hybrids=20, plots=2):
    """Cut plots of one crop type in many site-years; what is measured on them, and their yield."""
    spread, plot = draw_spreads(rng)
    true = rng.multivariate_normal(np.zeros(len(TRAITS)), spread, hybrids)
    index = pd.MultiIndex.from_product([range(site_years), range(hybrids), range(plots)]).to_frame(
        index=False
    )
    n, place = len(index), index[0].to_numpy()
    year = rng.normal(
        0, [0.15, 0.15, 0.12, 0.06, 0.0, 0.07], (site_years, 6)
    )  # the rest: leaves and losses of the winter
    logs = true[index[1]] + year[place] + rng.multivariate_normal(np.zeros(len(TRAITS)), plot, n)
    error = {"stems": PLANT_SD["stems"], "height": PLANT_SD["stem_height_cm"]}
    seen = {
        name: logs[:, TRAITS.index(name)] + rng.normal(0, sd / np.sqrt(PLANTS), n)
        for name, sd in error.items()
    }
    y = (logs @ TO_PARTS.T).sum(axis=1) + 2 + rng.normal(0, WEIGHING_SD, n)
    return pd.DataFrame(
        {
            "site_year": place.astype(str),
            "hybrid": index[1].astype(str),
            "crop_type": "tall",
            "stems_per_m2": np.exp(3.7 + logs[:, 0] + seen["stems"]),
            "stem_height_cm": np.exp(5.3 + seen["height"]),
            "dry_yield_t_ha": np.exp(y),
        }
    )


def prediction_set(seed, site_years=12, new=30):
    """Coverage for uncut plots of known and new site-years; the stated error beside the true one
    of new site-years.
    """
    rng = np.random.default_rng([23, seed])
    frame = draw_network(rng, site_years + new)
    old = frame["site_year"].astype(int) < site_years
    cut = old & (rng.random(len(frame)) < 0.6)
    stated = prediction_error(cross_validate(frame[cut], BOTH, "tall"))
    model = calibrate(frame[cut], BOTH, "tall")
    rates = {}
    for name, rows in (("new site-year", frame[~old]), ("known site-year", frame[old & ~cut])):
        out = predict(model, rows)
        out = out[out["refused"].isna()]
        mean = out["predicted_t_ha"].to_numpy()
        for narrow, prefix in ((1.0, ""), (NARROW, "narrowed ")):
            centre = np.sqrt(out["lower_t_ha"] * out["upper_t_ha"])
            half = narrow * np.log(out["upper_t_ha"] / centre)
            rates[f"{prefix}uncut plots, {name}"] = (
                np.abs(np.log(out["dry_yield_t_ha"] / centre)) <= half
            ).mean()
        rates[f"bias of the mean, {name}"] = mean.mean() / out["dry_yield_t_ha"].mean() - 1
        if name == "new site-year":
            place = out["site_year"].to_numpy()
            rates["true error, t/ha"] = _rmse(mean - out["dry_yield_t_ha"].to_numpy(), place)
            rates["true error, log"] = _rmse(
                np.log(out["dry_yield_t_ha"]).to_numpy() - np.log(mean / model.smearing), place
            )
    return rates | {
        "stated error, t/ha": stated["rmse_t_ha"],
        "stated error, log": stated["rmse_log"],
        "stated share held": stated["held"],
    }


def _rmse(error, place):
    return np.sqrt(pd.Series(error**2).groupby(place).mean().mean())


def main():
    """Print the whole table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sets", type=int, default=400)
    parser.add_argument("--jobs", type=int, default=2)
    given = parser.parse_args()
    runs = {
        "shares, 24 hybrids x 3, these hybrids": (share_set, 2 * given.sets),
        "shares, 12 hybrids x 3, these hybrids": (partial(share_set, hybrids=12), 2 * given.sets),
        "shares, one trial of the demo generator": (demo_set, given.sets // 4),
        "paths, 24 hybrids x 3": (path_set, given.sets),
        "paths, 24 hybrids x 9 (three sites)": (partial(path_set, replicates=9), given.sets),
        "prediction, 12 site-years": (prediction_set, given.sets),
    }
    for title, (one, sets) in runs.items():
        print(f"\n{title}\n{run(one, sets, given.jobs).round(4).to_string()}", flush=True)


if __name__ == "__main__":
    main()
