"""A small invented network in memory, and what pages show of it."""

from pathlib import Path

import numpy as np
import pandas as pd

from component_frames import make_counts, make_ground, make_harvests, make_stems
from culmbook.sheets.dictionary import empty_table
from culmbook.sheets.problems import problems_frame
from culmbook.sheets.read import Network
from culmbook.sheets.settings import Settings
from culmbook.show.page import ReportFigure, ReportTable, ReportText

HYBRIDS = ["H1", "H2", "H3", "H4", "H5", "STD"]
TABLES = ("harvests", "stem_measures", "stand_counts", "phenology")


def hybrid_table(codes, controls=("STD",), crop_type="one"):
    """The table of hybrids; the others are candidates."""
    role = ["control" if code in controls else "candidate" for code in codes]
    return pd.DataFrame({"hybrid": list(codes), "role": role, "crop_type": crop_type})


def trial(
    rng,
    seasons=(2025,),
    *,
    codes=HYBRIDS,
    replicates=4,
    stems_effect=0.4,
    alive=None,
    planted=2022,
    plants=3,
    site="S1",
):
    """Tables of one trial whose hybrids differ in stems per plant; the yield is the components'
    product.

    Where plants are missing the others do not make up for it; moisture rises from the first hybrid
    to the last.
    """
    ground = make_ground(tuple(codes), replicates, site=site, trial=f"{site}T", planted=planted)
    n, rank = len(ground), ground["hybrid"].map({c: i for i, c in enumerate(codes)}).to_numpy()
    alive = rng.integers(20, 29, n) if alive is None else np.broadcast_to(alive, n)
    effect = stems_effect * (2 * rank / max(len(codes) - 1, 1) - 1)
    parts = {"harvests": [], "stem_measures": [], "phenology": []}
    for season in seasons:
        stems = 30 * np.exp(effect + rng.normal(0.1 * (season - 2025), 0.05, n))
        height, mass = 200 * np.exp(rng.normal(0, 0.04, n)), 20 * np.exp(rng.normal(0, 0.06, n))
        seen = {
            "stems": np.maximum(
                np.round(np.repeat(stems, plants) * np.exp(rng.normal(0, 0.1, n * plants))), 1
            ),
            "height": np.repeat(height, plants) * np.exp(rng.normal(0, 0.05, n * plants)),
            "mass": np.repeat(mass, plants) * np.exp(rng.normal(0, 0.1, n * plants)),
            "diameter": np.exp(rng.normal(2.2, 0.03, n * plants)),
        }
        measured = make_stems(
            ground,
            season,
            day=f"{season}-11-12",
            plants=plants,
            **seen | {"stems": seen["stems"].astype(int)},
        )
        moisture = 25 + rank + rng.normal(0, 1, n)
        dry = alive / 24 * stems * mass / 100
        parts["harvests"].append(
            make_harvests(
                ground,
                season,
                day=f"{season + 1}-02-14",
                moisture_pct=moisture,
                fresh_kg=dry * 1.2 / (1 - moisture / 100),
            )
        )
        parts["stem_measures"].append(
            measured.assign(leaf_fraction=0.2 + rng.normal(0, 0.01, len(measured)))
        )
        parts["phenology"].append(_phenology(ground, season))
    counts = make_counts(ground, alive, day=f"{min(seasons)}-06-24").assign(occasion="summer")
    return {"plots": ground, "stand_counts": counts} | {
        k: pd.concat(v, ignore_index=True) for k, v in parts.items()
    }


def _phenology(ground, season):
    return pd.DataFrame(
        {
            "site": ground["site"],
            "plot": ground["plot"],
            "growing_season": pd.array([season] * len(ground), dtype="Int64"),
            "emerged_on": pd.Timestamp(season, 5, 1),
            "flowered": "yes",
            "flowered_on": pd.Timestamp(season, 9, 1),
            "senescence_score": pd.array(np.arange(len(ground)) % 7 + 2, dtype="Int64"),
        }
    )


def join(*trials):
    """Tables of several sites together."""
    return {name: pd.concat([t[name] for t in trials], ignore_index=True) for name in trials[0]}


def network_of(tables, hybrids=None, away=(), **settings):
    """A network of these tables; those away hold no rows."""
    hybrids = (
        hybrid_table(sorted(tables["plots"]["hybrid"].unique())) if hybrids is None else hybrids
    )
    sites = pd.DataFrame({"site": sorted(tables["plots"]["site"].unique())})
    tables = {"sites": sites, "hybrids": hybrids} | {
        n: f.iloc[:0] if n in away else f for n, f in tables.items()
    }
    tables |= {n: empty_table(n) for n in TABLES if n not in tables}
    return Network(
        Path("."),
        "all",
        tables,
        Settings(**settings),
        problems_frame([]),
        pd.DataFrame(),
        pd.DataFrame(),
    )


def texts(shown, *kinds):
    return [
        " ".join(p.sentences)
        for p in shown
        if isinstance(p, ReportText) and (not kinds or p.kind in kinds)
    ]


def table_of(shown, label):
    (found,) = [p for p in shown if isinstance(p, ReportTable) and p.label == label]
    return pd.DataFrame(
        found.content["values"], columns=[c["name"] for c in found.content["columns"]]
    )


def figures_of(shown):
    return {p.label: p for p in shown if isinstance(p, ReportFigure)}


def is_refusal(shown):
    """Whether only refusals are shown: no figure, no table, no finding."""
    return bool(shown) and all(isinstance(p, ReportText) and p.kind == "refusal" for p in shown)
