"""Simulated networks of variety trials for the mixed models, the same records on every machine.

``python tests/reml_networks.py FOLDER`` writes them as CSV for ``tests/published/lme4_networks.R``.
"""

import sys
from pathlib import Path

import numpy as np
import pandas as pd

# hybrids, sites, seasons, replicates
SIZES = {600: (50, 1, 3, 4), 3_000: (50, 5, 3, 4), 10_000: (100, 5, 5, 4), 30_000: (250, 5, 6, 4)}
TERMS = ["hybrid", "hybrid:site", "hybrid:season", "hybrid:site:season", "plot", "block", "rep"]
ONE_SITE = ["hybrid", "block"]
PER_BLOCK = 10


def network(size: int) -> pd.DataFrame:
    """About ``size`` records (4 % are missing): yield in t/ha, with true variances between 0.1 and
    2.
    """
    hybrids, sites, seasons, reps = SIZES[size]
    draw = np.random.RandomState(size)  # its stream is frozen by numpy's policy
    plots = _plots(draw, hybrids, sites, reps)
    frame = plots.merge(pd.DataFrame({"season": [f"Y{i}" for i in range(seasons)]}), how="cross")
    value = 12.0 + draw.normal(0, 1, len(frame))
    for columns, sd in [
        (["hybrid"], 1.2),
        (["hybrid", "site"], 0.7),
        (["hybrid", "season"], 0.4),
        (["hybrid", "site", "season"], 0.3),
        (["plot"], 0.6),
        (["block"], 0.5),
        (["rep"], 0.4),
        (["site"], 2.0),
        (["season"], 1.5),
        (["site", "season"], 0.8),
    ]:
        code = frame.groupby(columns, sort=True).ngroup().to_numpy()
        value = value + draw.normal(0, sd, code.max() + 1)[code]
    frame["yield"] = np.round(value, 2)
    return frame[draw.uniform(size=len(frame)) > 0.04].reset_index(drop=True)


def _plots(draw, hybrids, sites, reps):
    rows = []
    for s in range(sites):
        for r in range(reps):
            for place, hybrid in enumerate(draw.permutation(hybrids)):
                rep = f"S{s}R{r}"
                rows.append(
                    (
                        f"S{s}",
                        rep,
                        f"{rep}B{place // PER_BLOCK}",
                        f"{rep}P{place:03d}",
                        f"H{hybrid:03d}",
                    )
                )
    return pd.DataFrame(rows, columns=["site", "rep", "block", "plot", "hybrid"])


def counts(size: int) -> pd.DataFrame:
    """Plants alive of 36 in cells of the network's plots: logit sds 0.7 hybrid, 0.4 hybrid at a
    site, 0.5 block.
    """
    frame = network(size)[["site", "block", "hybrid"]]
    draw, logit = np.random.RandomState(size + 1), np.full(len(frame), 1.0)
    for columns, sd in [
        (["hybrid"], 0.7),
        (["hybrid", "site"], 0.4),
        (["block"], 0.5),
        (["site"], 0.6),
    ]:
        code = frame.groupby(columns, sort=True).ngroup().to_numpy()
        logit = logit + draw.normal(0, sd, code.max() + 1)[code]
    return frame.assign(alive=draw.binomial(36, 1 / (1 + np.exp(-logit))), total=36)


def model(size: int) -> dict:
    """Arguments of ``fit_gaussian`` for a network of this size."""
    if SIZES[size][1] == 1:
        return {"response": "yield", "fixed": "season", "random": ONE_SITE}
    return {"response": "yield", "fixed": "site * season", "random": TERMS}


COUNTS_MODEL = {
    "alive": "alive",
    "total": "total",
    "fixed": "site",
    "random": ["hybrid", "hybrid:site", "block"],
    "method": "ml",
}

if __name__ == "__main__":
    for n in SIZES:
        network(n).to_csv(Path(sys.argv[1]) / f"network_{n}.csv", index=False)
    counts(3_000).to_csv(Path(sys.argv[1]) / "counts_3000.csv", index=False)
