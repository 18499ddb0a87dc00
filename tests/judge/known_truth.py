"""Coverage and error rates of the establishment methods on simulated trials whose truth is known.

``python tests/known_truth.py [--sets N] [--jobs J]`` prints the table; tests run a short version of
it. Parameters are drawn anew for every data set; seeds are fixed beforehand. A rate passes when it
lies within 1 point + 2 Monte Carlo standard errors of its nominal value; the standard error is that
of per-data-set rates, because the contrasts of one data set share a control.
"""

import argparse
import os

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from concurrent.futures import ProcessPoolExecutor
from functools import partial

import numpy as np
import pandas as pd
from scipy import special

from culmbook.mixed import marginal_share
from culmbook.stand.losses import clustering
from culmbook.stand.model import against_control, fit_stand, hybrid_shares
from culmbook.stand.treatments import fit_treatments

PLANTS = 36
NARROW = 0.85  # how much narrower intervals must be caught
EXTREME = ["H00", "H01"]  # hybrids drawn near 100 % and near 0 %
ALL_TREATMENTS = [("machine", "none"), ("machine", "film"), ("hand", "none"), ("hand", "film")]


def draw_trial(
    rng,
    hybrids=26,
    replicates=3,
    blocks=5,
    treatments=(("machine", "none"),),
    main_sd=None,
    extreme=True,
    plants=PLANTS,
    missing=0.03,
):
    """A site's counts and its true shares, drawn from freshly drawn parameters."""
    rows = [
        {
            "site": "S",
            "trial": "T",
            "replicate": str(r),
            "main_plot": str(m) if len(treatments) > 1 else None,
            "block": f"{r}.{m}.{i * blocks // hybrids}",
            "hybrid": f"H{h:02d}",
            "planting_method": method,
            "film": film,
        }
        for r in range(replicates)
        for m, (method, film) in enumerate(treatments)
        for i, h in enumerate(rng.permutation(hybrids))
    ]
    cells = pd.DataFrame(rows).assign(plot=lambda t: t.index.astype(str), total=plants)
    logit = rng.normal(rng.normal(1.7, 0.3), rng.uniform(0.3, 0.7), hybrids)
    if extreme:
        logit[0], logit[1] = rng.uniform(4, 7), rng.uniform(-6, -3)
    sd = {
        "block": rng.uniform(0, 0.4),
        "plot": rng.uniform(0.25, 0.55),
        "main": (rng.uniform(0.1, 0.5) if main_sd is None else main_sd)
        if len(treatments) > 1
        else 0.0,
    }
    replicate = rng.normal(0, 0.2, replicates)
    eta = logit[cells["hybrid"].str[1:].astype(int)] + replicate[cells["replicate"].astype(int)]
    for column, size in (("block", sd["block"]), ("plot", sd["plot"])):
        eta = eta + size * _effects(cells[column], rng)
    eta = eta + sd["main"] * _effects(cells["replicate"] + "/" + cells["main_plot"].fillna(""), rng)
    cells["alive"] = rng.binomial(plants, special.expit(eta))
    spread = np.sqrt(sum(v**2 for v in sd.values()))
    truth = marginal_share(logit[:, None] + replicate, spread).mean(axis=1)
    return cells[rng.random(len(cells)) > missing].reset_index(drop=True), pd.Series(
        truth, [f"H{h:02d}" for h in range(hybrids)]
    )


def _effects(levels, rng):
    code, unique = pd.factorize(levels)
    return rng.normal(size=len(unique))[code]


def hybrid_set(seed, treatments=(("machine", "none"),)):
    """Rates of one data set: shares and contrasts covered, all contrasts at once; and with
    narrowed intervals.
    """
    rng = np.random.default_rng([11, len(treatments), seed])
    few = len(treatments) > 1
    cells, truth = draw_trial(
        rng, treatments=treatments, hybrids=12 if few else 26, blocks=2 if few else 5
    )
    stand = fit_stand(cells)
    shares = hybrid_shares(stand).set_index("hybrid")
    together = against_control(stand, "H02").set_index("hybrid")
    single = against_control(stand, "H02", together=False).set_index("hybrid")
    rates = {"bias of the share": (shares["share"] - truth[shares.index]).drop(EXTREME).mean()}
    for narrow, name in ((1.0, ""), (NARROW, "narrowed ")):
        share_in = _inside(shares, ("lower", "upper", "share"), truth, narrow)
        single_in = _inside(single, ("lower", "upper", "difference"), truth - truth["H02"], narrow)
        rates |= {
            name + "share, usual hybrids": share_in.drop(EXTREME).mean(),
            name + "share, hybrid near 100 %": share_in["H00"],
            name + "share, hybrid near 0 %": share_in["H01"],
            name + "difference from control, single": single_in.drop(EXTREME).mean(),
            name + "difference, hybrid near 100 %": single_in["H00"],
            name + "difference, hybrid near 0 %": single_in["H01"],
            name + "differences, simultaneous": _inside(
                together, ("lower", "upper", "difference"), truth - truth["H02"], narrow
            ).all(),
            name + "ratios, simultaneous": _inside(
                together, ("ratio_lower", "ratio_upper", "ratio"), truth / truth["H02"], narrow
            ).all(),
        }
    return rates


def _inside(frame, columns, truth, narrow):
    low, high, centre = (frame[c] for c in columns)
    truth = truth[frame.index]
    return (centre - narrow * (centre - low) <= truth) & (
        truth <= centre + narrow * (high - centre)
    )


def film_set(seed, main_sd=None):
    """Does the film test reject at 5 % when film does nothing: 2 main plots x 3 replicates."""
    rng = np.random.default_rng([12, seed])
    cells, _ = draw_trial(
        rng,
        hybrids=12,
        blocks=2,
        treatments=(("machine", "none"), ("machine", "film")),
        main_sd=main_sd,
        extreme=False,
    )
    effect = fit_treatments(cells).effects.iloc[0]
    return {
        "film rejected, no effect": effect["p_value"] < 0.05,
        "film difference covered": effect["lower"] <= 0 <= effect["upper"],
    }


def gap_set(seed, plots=60, rows=6, positions=6, reach=4):
    """Does the gap test reject when gaps are random, and when a planter's row unit failed through
    four plots?
    """
    rng = np.random.default_rng([13, seed])
    index = pd.MultiIndex.from_product(
        [range(plots), range(1, rows + 1), range(1, positions + 1)],
        names=["plot", "position_row", "position"],
    )
    gaps = index.to_frame(index=False).assign(site="S", counted_on="2025-09-30")
    share = special.expit(rng.normal(-1.7, 0.6, plots))
    gaps["alive"] = np.where(rng.random(len(gaps)) < share[gaps["plot"]], "no", "yes")
    broken = gaps.copy()
    row = rng.integers(1, rows + 1)
    broken.loc[
        broken["plot"].isin(rng.integers(plots - reach) + np.arange(reach))
        & broken["position_row"].eq(row),
        "alive",
    ] = "no"
    return {
        "gap test, gaps random": clustering(gaps, permutations=199, seed=seed)["p_value"][0] < 0.05,
        "gap test, machine row missing": clustering(broken, permutations=199, seed=seed)["p_value"][
            0
        ]
        < 0.05,
    }


def each_set(one, sets, jobs=1):
    """Every rate of data sets 0 … sets - 1, one row each."""
    if jobs == 1:
        results = [one(seed) for seed in range(sets)]
    else:
        with ProcessPoolExecutor(jobs) as pool:
            results = list(pool.map(one, range(sets), chunksize=5))
    return pd.DataFrame(results).astype(float)


def summary(frame):
    """Mean and Monte Carlo standard error of every rate; a rate that a data set has not is not
    counted.
    """
    sets = frame.notna().sum()
    return pd.DataFrame(
        {"sets": sets, "estimate": frame.mean(), "se": frame.std(ddof=1) / np.sqrt(sets)}
    )


def run(one, sets, jobs=1):
    """Mean and Monte Carlo standard error of every rate over data sets 0 … sets - 1."""
    return summary(each_set(one, sets, jobs))


def passes(table, name, nominal):
    """The rule: within one point plus two standard errors of the nominal rate."""
    row = table.loc[name]
    return abs(row["estimate"] - nominal) <= 0.01 + 2 * row["se"]


def main():
    """Print the whole table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sets", type=int, default=400)
    parser.add_argument("--jobs", type=int, default=2)
    given = parser.parse_args()
    runs = {
        "one treatment, 26 hybrids x 3 replicates": (hybrid_set, given.sets),
        "split plot, 12 hybrids x 4 main plots x 3": (
            partial(hybrid_set, treatments=ALL_TREATMENTS),
            given.sets,
        ),
        "film, 2 main plots x 3 replicates": (film_set, 4 * given.sets),
        "film, main plots alike (sd 0)": (partial(film_set, main_sd=0.0), 4 * given.sets),
        "gaps, 60 plots of 36": (gap_set, 4 * given.sets),
    }
    for title, (one, sets) in runs.items():
        print(f"\n{title}\n{run(one, sets, given.jobs).round(4).to_string()}", flush=True)


if __name__ == "__main__":
    main()
