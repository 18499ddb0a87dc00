"""Coverage of what is said of sites, on simulated networks whose truth is known.

``python tests/known_truth_sites.py [--sets N] [--jobs J]`` prints, for networks of 4 sites, how
often the limits of the correlation between sites and with the others hold the truth, how often
limits of all hybrids' differences hold together, and the variances of one stage and two over the
truth. Spreads are drawn anew for every data set; seeds are fixed beforehand; tests run a short
version.
"""

import argparse
import os

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np
import pandas as pd

from culmbook.consistency.model import fit_seasons, season_records
from culmbook.selection.decide import lasting_values
from culmbook.sites.agreement import fit_site_agreement
from culmbook.sites.correlation import ALIKE, correlate_sites, fit_site_correlation, shared_seasons
from culmbook.sites.two_stage import SiteMeans, fit_two_stage, site_means
from known_truth import NARROW, passes, run
from known_truth_consistency import CONTROL, draw_spreads, layout, simulate

__all__ = ["apart_set", "pair_set", "passes", "site_set"]


def site_set(seed, sites=4, seasons=4, hybrids=24):
    """Limits of one network beside the truth."""
    rng = np.random.default_rng([41, sites, seasons, hybrids, seed])
    sd = draw_spreads(rng)
    frame = layout(rng, sites, seasons, hybrids=hybrids)
    y, _ = simulate(frame, sd, rng)
    joint = fit_seasons(season_records(frame.assign(dry_yield_t_ha=np.exp(y))), [CONTROL])
    means = site_means(joint.records)
    two = fit_two_stage(means, [CONTROL])
    truth = sd["hybrid_site"] ** 2
    rates = {
        "one stage, hybrid x site over truth": joint.fit.variances["hybrid_site"] / truth,
        "two stages, hybrid x site over truth": two.variances["hybrid_site"] / truth,
        "one stage, hybrid over truth": joint.fit.variances["hybrid"] / sd["hybrid"] ** 2,
        "two stages, hybrid over truth": two.variances["hybrid"] / sd["hybrid"] ** 2,
        "correlation of the stages": lasting_values(joint).corr(two.values),
    }
    shared = shared_seasons(joint.records, float(joint.fit.variances.get("hybrid_season", 0.0)))
    found = fit_site_correlation(joint)
    chosen, alike = found.pairs.iloc[0], found.fits[ALIKE].variances
    common = alike["hybrid"] - shared.iloc[0, 1]
    r = sd["hybrid"] ** 2 / (sd["hybrid"] ** 2 + truth)
    beside = fit_site_agreement(means, "S0", [CONTROL], shared=shared)
    rates |= {
        "one correlation": common / alike.sum() - r,
        "other sites": beside.correlation - np.sqrt(r),
    }
    for narrow, name in ((1.0, "limits of "), (NARROW, "narrowed limits of ")):
        rates[f"{name}a pair"] = _inside(chosen, r, narrow)
        low, high = (
            beside.correlation + narrow * (v - beside.correlation)
            for v in (beside.lower, beside.upper)
        )
        rates[f"{name}the correlation with others"] = low <= np.sqrt(r) <= high
    return rates


def apart_set(seed, sites=4, hybrids=24):
    """Do the limits of all differences from the others' prediction hold at once? Means drawn with
    known errors.
    """
    rng = np.random.default_rng([42, sites, hybrids, seed])
    sd = draw_spreads(rng)
    lasting = rng.normal(0, sd["hybrid"], hybrids)
    own = rng.normal(0, sd["hybrid_site"], (hybrids, sites))
    names = [f"H{h:02d}" for h in range(hybrids)]
    means = []
    for k in range(sites):
        error = rng.uniform(0.3, 1.0) * sd["residual"] ** 2 * (np.eye(hybrids) + 0.2) / 4
        seen = lasting + own[:, k] + rng.multivariate_normal(np.zeros(hybrids), error)
        means.append(SiteMeans(f"S{k}", pd.Series(seen, names), pd.DataFrame(error, names, names)))
    table = fit_site_agreement(means, "S0", []).table.set_index("hybrid").loc[names]
    true = own[:, 0] - own[:, 0].mean()  # less the mean over the hybrids compared
    rates = {}
    for narrow, name in ((1.0, ""), (NARROW, "narrowed ")):
        low, high = (
            table["difference"] + narrow * (table[c] - table["difference"])
            for c in ("lower", "upper")
        )
        rates[f"{name}all differences at once"] = ((low <= true) & (true <= high)).all()
    return rates


def pair_set(seed, sites=6, hybrids=30):
    """Do the limits of a pair of sites hold that pair's correlation where pairs differ? Values from
    two common factors with loadings drawn anew, means with known errors.
    """
    rng = np.random.default_rng([43, sites, hybrids, seed])
    loadings = np.column_stack([rng.normal(0.75, 0.35, sites), rng.normal(0, 0.5, sites)])
    g = loadings @ loadings.T + np.diag(rng.uniform(0.1, 0.6, sites))
    sd = 0.12 * np.exp(rng.normal(0, 0.25, sites)) / np.sqrt(np.diag(g))
    true = rng.multivariate_normal(np.zeros(sites), g * np.outer(sd, sd), hybrids)
    names, means = np.array([f"H{h:02d}" for h in range(hybrids)]), []
    for k in range(sites):
        stands = rng.random(hybrids) < rng.uniform(0.6, 1.0)
        error = rng.uniform(0.3, 1.0) * 0.12**2 * (np.eye(stands.sum()) + 0.2)
        seen = true[stands, k] + rng.multivariate_normal(np.zeros(stands.sum()), error)
        own = names[stands]
        means.append(SiteMeans(f"S{k}", pd.Series(seen, own), pd.DataFrame(error, own, own)))
    pairs = correlate_sites(means).pairs
    r = (g / np.sqrt(np.outer(np.diag(g), np.diag(g))))[np.triu_indices(sites, 1)]
    return {"error": np.sqrt(((pairs["correlation"] - r) ** 2).mean())} | {
        f"{name}limits of a pair": _inside(pairs, r, narrow).mean()
        for narrow, name in ((1.0, ""), (NARROW, "narrowed "))
    }


def _inside(row, truth, narrow):
    low, high = (
        row["correlation"] + narrow * (row[c] - row["correlation"]) for c in ("lower", "upper")
    )
    return (low <= truth) & (truth <= high)


def main():
    """Print the whole table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sets", type=int, default=400)
    parser.add_argument("--jobs", type=int, default=2)
    given = parser.parse_args()
    for one in (apart_set, pair_set, site_set):
        print(run(one, given.sets, given.jobs).round(4).to_string(), flush=True)


if __name__ == "__main__":
    main()
