"""A small invented network in memory for the tests of choosing: yields rise from H1 to H8, the
control stands between.
"""

import numpy as np
import pandas as pd

from culmbook.sheets.dictionary import empty_table
from culmbook.sheets.settings import SelectionSettings
from freeze_frames import freeze_table
from page_frames import hybrid_table, join, network_of, trial

CODES = ["H1", "H2", "H3", "H4", "STD", "H5", "H6", "H7", "H8"]
RULES = {"delta": 0.05, "k": 2, "costs": {"wrong_promote": 1.0, "wrong_drop": 1.0, "hold": 0.02}}
OTHERS = ("decisions", "freeze_tests", "frost_scores", "plant_gaps", "weather")


def choosing_tables(*, seasons=(2024, 2025), sites=("S1", "S2"), codes=CODES, seed=5):
    """Tables of trials with two or more seasons after establishment; moisture rises with the
    yield.
    """
    rng = np.random.default_rng(seed)
    tables = join(
        *[trial(rng, seasons, codes=codes, replicates=3, site=site, planted=2021) for site in sites]
    )
    tables["harvests"] = _uneven(tables["harvests"], tables["plots"], rng)
    tables["plots"] = _placed(tables["plots"])
    tables["stand_counts"] = _whole(tables["stand_counts"], "stand_counts")
    return tables | {"freeze_tests": freeze_tests(codes)}


def _placed(plots):
    """Plots with rows and columns: a replicate is a row."""
    column = plots.groupby(["site", "replicate"]).cumcount() + 1
    return plots.assign(row=plots["replicate"].astype("Int64"), column=column.astype("Int64"))


def _whole(frame, name):
    """The frame with all columns of its table."""
    empty = empty_table(name)
    return frame.reindex(columns=[*empty, *[c for c in frame if c not in empty]]).astype(
        {c: empty[c].dtype for c in empty if c not in frame}
    )


def _uneven(harvests, plots, rng, spread=0.08):
    """Cuts whose hybrids do a little otherwise from season to season and site to site."""
    hybrid = harvests.merge(plots[["site", "plot", "hybrid"]], on=["site", "plot"], how="left")[
        "hybrid"
    ]
    cell = hybrid + harvests["site"] + harvests["growing_season"].astype("str")
    shift = {name: rng.normal(0, spread) for name in sorted(set(cell))}
    return harvests.assign(fresh_mass_kg=harvests["fresh_mass_kg"] * np.exp(cell.map(shift)))


def freeze_tests(codes):
    """Rhizomes of every hybrid frozen in three runs; LT50 between -4 and -3 °C."""
    lt50 = dict(zip(codes, np.linspace(-4.0, -3.0, len(codes)), strict=True))
    made = freeze_table(lt50, shifts=[0.1, 0.0, -0.1], tested_on=pd.Timestamp(2025, 1, 20))
    return _whole(made, "freeze_tests")


def choosing_network(tables=None, *, controls=("STD",), away=(), **rules):
    """The network of these tables; ``rules`` are settings of selection."""
    tables = choosing_tables() if tables is None else tables
    hybrids = hybrid_table(sorted(tables["plots"]["hybrid"].unique()), controls).assign(
        stage="replicated"
    )
    tables = {name: empty_table(name) for name in OTHERS} | tables
    return network_of(tables, hybrids, away, selection=SelectionSettings(**RULES | rules))
