"""Traits beside yield and their floors on simulated data whose truth is known.

``python tests/known_truth_traits.py [--sets N] [--jobs J]`` prints the table; tests run a short
version. Parameters are drawn anew for every data set and seeds are fixed beforehand. Limits pass by
the rule of ``known_truth.py``. Probabilities of passing a floor are calibrated where what happened
rises with them by a slope of 1: the covariance of the two over the variance of the probability,
pooled over hybrids and data sets.
"""

import argparse
import os

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from functools import partial

import numpy as np
import pandas as pd
from scipy import special

from culmbook.frost.freeze_curves import fit_freeze
from culmbook.frost.freeze_tests import survival_sets, why_no_curve
from culmbook.mixed import marginal_share
from culmbook.selection.index import floor_table, index_draws, joint_traits
from culmbook.selection.traits import freeze_trait, make_trait, stand_trait
from culmbook.sheets.settings import KINDS
from known_truth import NARROW, run
from known_truth_frost import draw_tests

NAMES = ("yield_t_ha", "stand", "lt50_c", "moisture_pct")
MEAN = np.array([np.log(9.0), 1.2, -3.5, 29.0])  # on the traits' scales
SD = np.array([0.15, 0.5, 0.8, 4.0])
WEIGHTS = {"yield_t_ha": 60.0, "moisture_pct": -6.0}
DRAWS = 400


def covered(draws, truth, name):
    """Share of 95 % limits that hold the truth, and of limits made narrower."""
    low, middle, high = np.quantile(draws, [0.025, 0.5, 0.975], axis=0, method="weibull")
    rates = {}
    for n, tail in ((1.0, ""), (NARROW, ", narrowed")):
        above, below = middle - n * (middle - low) <= truth, truth <= middle + n * (high - middle)
        rates[name + tail] = np.mean(above & below)
    return rates


def calibration(chance, passed, name):
    """Sums from which slope and level of calibration are made over data sets."""
    known = np.isfinite(chance)
    p, i = np.asarray(chance)[known], np.asarray(passed, float)[known]
    return {
        f"{name}: n": len(p),
        f"{name}: sum p": p.sum(),
        f"{name}: sum i": i.sum(),
        f"{name}: sum pp": (p * p).sum(),
        f"{name}: sum pi": (p * i).sum(),
    }


def slope(table, name):
    """What happened against its probability, from the means over data sets of
    :func:`calibration`'s sums.
    """
    n, p, i, pp, pi = (
        table.loc[f"{name}: {part}", "estimate"]
        for part in ("n", "sum p", "sum i", "sum pp", "sum pi")
    )
    return (pi - p * i / n) / (pp - p * p / n)


def excess(table, name):
    """Mean probability less the share that passed."""
    n, p, i = (table.loc[f"{name}: {part}", "estimate"] for part in ("n", "sum p", "sum i"))
    return (p - i) / n


# -- traits one by one ----------------------------------------------------------------------------


def draw_stands(rng, hybrids=24, trials=4, replicates=3, plants=36):
    """Counts of plots over several trials and the share of each hybrid's mean plot in trials like
    these.
    """
    rows = [
        {"site": f"S{t}", "trial": "T", "replicate": str(r), "hybrid": f"H{h:02d}"}
        for t in range(trials)
        for r in range(replicates)
        for h in range(hybrids)
    ]
    cells = pd.DataFrame(rows).assign(
        main_plot=None, block=None, planting_method="machine", film="none"
    )
    cells = cells.assign(plot=cells.index.astype(str), total=plants)
    logit = rng.normal(rng.normal(1.2, 0.3), rng.uniform(0.3, 0.7), hybrids)
    site, sd = rng.normal(0, 0.5, trials), rng.uniform((0.1, 0.25), (0.4, 0.55))
    t, h = cells["site"].str[1:].astype(int), cells["hybrid"].str[1:].astype(int)
    eta = logit[h] + site[t] + rng.normal(0, sd[0], (trials, hybrids))[t, h]
    cells["alive"] = rng.binomial(plants, special.expit(eta + rng.normal(0, sd[1], len(cells))))
    truth = marginal_share(logit[:, None] + site, np.hypot(*sd)).mean(axis=1)
    return cells, pd.Series(truth, [f"H{i:02d}" for i in range(hybrids)])


def alone_set(seed):
    """Stand and LT50: limits, and probabilities of passing a floor near the middle of the hybrids."""
    rng = np.random.default_rng([81, seed])
    cells, truth = draw_stands(rng)
    entries = pd.DataFrame({"hybrid": truth.index, "role": "candidate"})
    stand = stand_trait(cells, entries, n=DRAWS, seed=seed)
    rates = _judged(stand, truth, rng, "stand")
    table, true = draw_tests(rng, hybrids=24, run_shift=0.3)
    (cells,) = survival_sets(table).values()
    if why_no_curve(cells):
        return rates
    try:
        freeze = freeze_trait(fit_freeze(cells), entries, n=DRAWS, seed=seed)
    except ValueError:  # no slope clearly above 0: refused in words
        return rates
    return rates | _judged(freeze, true["lt50"], rng, "lt50_c")


def _judged(trait, truth, rng, name):
    kind = KINDS[name]
    floor = float(truth.quantile(rng.uniform(0.2, 0.8)))
    passed = truth.ge(floor) if kind.better == "higher" else truth.le(floor)
    chance = floor_table({name: trait}, {name: floor}, truth.index, DRAWS)[f"p_{name}"]
    own = trait.table["remark"].eq("").to_numpy()
    rates = covered(trait.draws.loc[:, own], truth[own].to_numpy(), name)
    return rates | calibration(chance, passed.to_numpy(), name)


# -- traits together ------------------------------------------------------------------------------


def draw_estimates(rng, hybrids=24, untested=2):
    """Traits with true values of any covariance, and estimates with known errors; some were not
    tested.
    """
    root = rng.normal(size=(4, 4))
    g = root @ root.T + 0.5 * np.eye(4)
    g = g / np.sqrt(np.outer(np.diag(g), np.diag(g))) * np.outer(SD, SD)
    true = rng.multivariate_normal(MEAN, g, hybrids, method="cholesky")
    error = SD * np.sqrt(rng.uniform(0.1, 0.8, 4))
    names = [f"H{h:02d}" for h in range(hybrids)]
    entries, traits = pd.DataFrame({"hybrid": names, "role": "candidate"}), {}
    for k, name in enumerate(NAMES):
        seen = true[:, k] + rng.normal(0, error[k], hybrids)
        draws = KINDS[name].from_scale(seen + rng.normal(0, error[k], (DRAWS, hybrids)))
        behind = pd.Series(9, names)
        behind[names[:untested]] = 9 if name != "lt50_c" else 0
        own = pd.DataFrame({"estimate": seen, "variance": error[k] ** 2}, index=names)
        traits[name] = make_trait(
            name, pd.DataFrame(draws, columns=names), behind, unshrunk=own.copy
        )
    values = {
        name: pd.Series(KINDS[name].from_scale(true[:, k]), names) for k, name in enumerate(NAMES)
    }
    return traits, entries, values


def joint_set(seed, hybrids=24):
    """Limits of joint draws, of an index and of hybrids not tested; calibration of passing three
    floors.
    """
    rng = np.random.default_rng([82, hybrids, seed])
    traits, entries, truth = draw_estimates(rng, hybrids)
    joint = joint_traits(traits, entries, seed=seed)
    rates = {"joint": joint.is_joint}
    if not joint.is_joint:
        return rates
    untested = ["H00", "H01"]
    tested = [h for h in entries["hybrid"] if h not in untested]
    for name in NAMES:
        rates |= covered(
            joint.traits[name].draws[tested], truth[name][tested].to_numpy(), f"{name}, jointly"
        )
    drawn, true = joint.traits["lt50_c"].draws[untested], truth["lt50_c"][untested].to_numpy()
    rates |= covered(drawn, true, "not tested")
    worth = sum(a * truth[name] for name, a in WEIGHTS.items())
    index = index_draws(joint.traits, WEIGHTS, "H23")
    rates |= covered(index, (worth - worth["H23"])[index.columns].to_numpy(), "index over a hybrid")
    floors = {
        name: float(truth[name].quantile(0.3 if KINDS[name].better == "higher" else 0.7))
        for name in NAMES[1:]
    }
    passed = np.logical_and.reduce(
        [
            truth[n].ge(v) if KINDS[n].better == "higher" else truth[n].le(v)
            for n, v in floors.items()
        ]
    )
    for kind, own in (("all floors, jointly", joint.traits), ("all floors, alone", traits)):
        chance = floor_table(own, floors, tested, DRAWS)["p_all"]
        rates |= calibration(chance, passed[[h in tested for h in entries["hybrid"]]], kind)
    return rates


def main():
    """Print the whole table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sets", type=int, default=400)
    parser.add_argument("--jobs", type=int, default=1)
    given = parser.parse_args()
    runs = {
        "stand and LT50 by themselves": alone_set,
        "four traits, 24 hybrids": joint_set,
        "four traits, 60 hybrids": partial(joint_set, hybrids=60),
    }
    for title, one in runs.items():
        table = run(one, given.sets, given.jobs)
        print(f"\n{title}\n{table[~table.index.str.contains(': ')].round(4).to_string()}")
        for name in [n.removesuffix(": n") for n in table.index if n.endswith(": n")]:
            found = f"calibration slope {slope(table, name):.3f}, excess {excess(table, name):.4f}"
            print(f"{name}: {found}", flush=True)


if __name__ == "__main__":
    main()
