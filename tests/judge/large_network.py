"""Seconds and memory of the whole choice on a large simulated network, on two processor cores.

``python tests/large_network.py`` (about three minutes): 200 candidates and a control at 12 sites
with 3 replicates over 5 seasons, 2 % of the cuts missing; each step's seconds, and the most memory
the process had.
"""

import os

os.environ["OPENBLAS_NUM_THREADS"] = "1"

import resource
from time import perf_counter

import numpy as np
import pandas as pd

from culmbook.consistency.draws import draw_seasons
from culmbook.consistency.model import fit_seasons, season_records
from culmbook.selection.decide import Costs, blup_table, candidate_gains, decide, lasting_values
from culmbook.selection.sensitivity import ONE_SEASON, hold_table
from culmbook.sites.two_stage import fit_two_stage, site_means
from culmbook.spatial.trend import SURFACE_ROWS_COLUMNS
from known_truth_consistency import draw_spreads, layout, simulate

SITES, SEASONS, HYBRIDS = 12, 5, 201
CONTROL = "H00"
ROW = 67  # plots in a row of the field


def harvests(seed: int = 1) -> pd.DataFrame:
    """Rows as ``plot_harvests`` gives them, with the plots' places: three rows of plots to a
    replicate.
    """
    rng = np.random.default_rng(seed)
    frame = layout(rng, SITES, SEASONS, hybrids=HYBRIDS, missing=0.02)
    y, _ = simulate(frame, draw_spreads(rng), rng)
    plots = (
        frame[["site", "plot", "replicate"]]
        .drop_duplicates()
        .sort_values(["site", "replicate", "plot"])
    )
    place = (
        plots.sample(frac=1, random_state=seed)
        .groupby(["site", "replicate"])
        .cumcount()
        .reindex(plots.index)
    )
    plots = plots.assign(
        row=3 * plots["replicate"].astype(int) + place // ROW + 1, column=place % ROW + 1
    )
    slope = 0.002 * (plots["column"] - ROW / 2)
    cells = frame.assign(dry_yield_t_ha=np.exp(y)).merge(
        plots.assign(slope=slope), on=["site", "plot", "replicate"]
    )
    return cells.assign(dry_yield_t_ha=cells["dry_yield_t_ha"] * np.exp(cells.pop("slope")))


class Clock:
    """Prints what each step took."""

    def __init__(self):
        self.begin = self.last = perf_counter()

    def __call__(self, what):
        now = perf_counter()
        memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(
            f"{what:32s} {now - self.last:7.1f} s   so far {now - self.begin:6.1f} s, {memory:6.0f} MB",
            flush=True,
        )
        self.last = perf_counter()


def main():
    clock = Clock()
    records = season_records(harvests())
    clock(f"{len(records)} records")
    seasons = fit_seasons(records, [CONTROL])
    clock("joint model")
    drawn = draw_seasons(seasons, n=800, seed=1, variances=40)
    gains = candidate_gains(drawn, CONTROL)
    clock("joint draws")
    table = blup_table(seasons, CONTROL, drawn)
    clock("predicted means")
    two = fit_two_stage(site_means(records), [CONTROL])
    clock("adjusted means, two stages")
    followed = fit_two_stage(site_means(records, trend=SURFACE_ROWS_COLUMNS), [CONTROL])
    clock("the same, field trend taken out")
    one = lasting_values(seasons)
    agree = [one.corr(other.values) for other in (two, followed)]
    clock("stages compared")
    asked = {"k": 10, "delta": 0.1, "costs": Costs()}
    more = hold_table(seasons, drawn, CONTROL, plan=ONE_SEASON, **asked)
    decided = decide(gains, more=more, **asked)
    clock("decisions")
    print(decided["decision"].value_counts().to_dict(), table.head(3)["hybrid"].tolist(), agree[0])


if __name__ == "__main__":
    main()
