"""Coverage of the site's cold on simulated records whose truth is known.

``python tests/known_truth_cold.py [--sets N] [--jobs J]`` prints the table; tests run a short
version of it. Parameters are drawn anew for every data set and seeds are fixed beforehand. A rate
passes when it lies within 1 point + 2 Monte Carlo standard errors of its nominal value. Shapes are
drawn evenly from -0.35 to 0.05: not from the prior that the fit uses.
"""

import argparse
import os

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from functools import partial

import numpy as np
import pandas as pd
from scipy import stats
from scipy.special import expit

from culmbook.frost.late_frosts import jeffreys
from culmbook.frost.winter_survival import fit_winters, rank_agreement, winter_shares
from culmbook.mixed import marginal_share
from culmbook.stats.extremes import chance_above, fit_gev, return_level
from known_truth import NARROW, run

WINTERS = 20


def _draw_law(rng, shape=None):
    shape = rng.uniform(-0.35, 0.05) if shape is None else shape
    return stats.genextreme(-shape, rng.normal(3, 2), rng.uniform(0.4, 2.0))


def _covered(estimate, low, high, truth, name):
    return {
        name + tail: estimate - n * (estimate - low) <= truth <= estimate + n * (high - estimate)
        for n, tail in ((1.0, ""), (NARROW, ", narrowed"))
    }


def level_set(seed, winters=WINTERS, shape=None, periods=(10, 20)):
    """Is the level that one winter in ten (and in twenty) exceeds inside its interval?"""
    rng = np.random.default_rng([31, winters, seed])
    law = _draw_law(rng, shape)
    fit = fit_gev(law.rvs(winters, random_state=rng))
    rates = {}
    for period in periods:
        truth = law.isf(1 / period)
        estimate, low, high = return_level(fit, period)
        rates |= _covered(estimate, low, high, truth, f"1 in {period}")
        rates[f"1 in {period}, bias in sd of a winter"] = (estimate - truth) / law.std()
    return rates


def late_frost_set(seed, years=WINTERS):
    """Chance of a later frost where about a fifth of the springs have none: fitted and counted."""
    rng = np.random.default_rng([32, years, seed])
    law = stats.genextreme(-rng.uniform(-0.35, 0.05), 0, 1)
    start, day = law.ppf(rng.uniform(0.05, 0.35)), law.isf(rng.uniform(0.05, 0.35))
    latest = law.rvs(years, random_state=rng)
    frost = latest[latest >= start]
    truth = law.sf(day)
    fit = fit_gev(frost, n_censored=years - len(frost), censored_at=start)
    after = (latest > day).sum()
    low, high = jeffreys(after, years)
    return _covered(*chance_above(fit, day), truth, "late frost, fitted chance") | {
        "late frost, counted chance": low <= truth <= high
    }


def severity_set(seed, sites=3, winters=4, hybrids=8):
    """Severity's slope and a hybrid's survival covered, and no severity found where there is none."""
    rng = np.random.default_rng([33, sites, winters, seed])
    rates = {}
    for slope, name in ((rng.uniform(-1.2, -0.2), ""), (0.0, ", no effect")):
        cells, truth = _field(rng, slope, sites, winters, hybrids)
        field = fit_winters(cells)
        severity, shares = field.severity, winter_shares(field).set_index("hybrid")
        rates |= _covered(
            *(severity[x] for x in ("log_odds", "lower", "upper")), slope, "severity slope" + name
        )
        rates["hybrid share" + name] = (
            shares["lower"].le(truth).mul(shares["upper"].ge(truth)).mean()
        )
        if not slope:
            rates["severity rejected, no effect"] = severity["p_value"] < 0.05
    return rates


def _field(rng, slope, sites, winters, hybrids, plots=3, plants=36):
    """Counts, and each hybrid's mean share over the severities of these winters."""
    levels = [range(sites), range(winters), range(hybrids), range(plots)]
    cells = pd.MultiIndex.from_product(levels, names=["site", "winter", "hybrid", "plot"]).to_frame(
        index=False
    )
    s, w, h = (cells[name].to_numpy() for name in ("site", "winter", "hybrid"))
    minimum, sd = (
        rng.normal(-3, rng.uniform(1, 2), (sites, winters)),
        (rng.uniform(0.2, 0.6), rng.uniform(0.1, 0.4), 0.3),
    )
    mean = rng.normal(2, 0.7, hybrids)
    logit = mean[h] + slope * (-3 - minimum)[s, w] + rng.normal(0, sd[0], (sites, winters))[s, w]
    logit = (
        logit
        + rng.normal(0, sd[1], (sites, winters, hybrids))[s, w, h]
        + rng.normal(0, sd[2], len(cells))
    )
    text = cells.assign(plot=h * 10 + cells["plot"]).astype(
        {"site": str, "hybrid": str, "plot": str}
    )
    given = {
        "label": "w",
        "total": plants,
        "is_first": True,
        "before": "autumn",
        "is_provisional": False,
    }
    counts = text.assign(minimum_c=minimum[s, w], alive=rng.binomial(plants, expit(logit)), **given)
    at = mean[:, None] + slope * (-3 - minimum).ravel()
    share = marginal_share(at, np.full((1, 1), np.hypot(np.hypot(*sd[:2]), sd[2]))).mean(axis=1)
    return counts, pd.Series(share, [str(i) for i in range(hybrids)])


def rank_set(seed, hybrids=12):
    """The correlation of estimates in the population that the hybrids come from, both sides with
    error.
    """
    rng = np.random.default_rng([34, hybrids, seed])
    r = rng.uniform(0.2, 0.9)
    x, y = rng.multivariate_normal([0, 0], [[1, r], [r, 1]], hybrids).T
    both = pd.DataFrame({"hybrid": [f"H{i}" for i in range(hybrids)], "lt50_c": -x, "share": y})
    rows = rank_agreement(both).set_index("coefficient")
    truth = {"Spearman": 6 / np.pi * np.arcsin(r / 2), "Kendall": 2 / np.pi * np.arcsin(r)}
    return {
        f"rank correlation, {name}": rows.loc[name, "lower"] <= value <= rows.loc[name, "upper"]
        for name, value in truth.items()
    }


def main():
    """Print the whole table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sets", type=int, default=2000)
    parser.add_argument("--jobs", type=int, default=1)
    given = parser.parse_args()
    runs = {
        "return levels, 20 winters": (level_set, given.sets),
        "return levels, 15 winters": (partial(level_set, winters=15), given.sets),
        "return levels, 20 winters, shape -0.3": (partial(level_set, shape=-0.3), given.sets // 2),
        "return levels, 20 winters, shape 0": (partial(level_set, shape=0.0), given.sets // 2),
        "late frosts, 20 springs": (late_frost_set, given.sets),
        "severity, 3 sites x 4 winters": (severity_set, given.sets // 5),
        "rank correlation, 12 hybrids": (rank_set, given.sets),
    }
    for title, (one, sets) in runs.items():
        print(f"\n{title}\n{run(one, sets, given.jobs).round(4).to_string()}", flush=True)


if __name__ == "__main__":
    main()
