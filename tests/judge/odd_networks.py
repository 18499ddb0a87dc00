"""Does any notebook fail, or print an impossible value, on networks of every shape?

python tests/judge/odd_networks.py [FIRST] [LAST]   (about 2 minutes of processor time a network)
"""

import re
import sys
import tempfile
import traceback
from pathlib import Path

import pandas as pd

from notebook_runs import bundles, run_cells
from odd_networks_made import SEASON, odd_network
from small_network import write_network

ONE_SITE = ("60_field_variation.ipynb", "65_site_and_network.ipynb")
BOTH = (
    "10_season_data.ipynb",
    "20_establishment.ipynb",
    "30_frost_hardiness.ipynb",
    "40_yield_components.ipynb",
    "50_consistency.ipynb",
    "70_choosing_across_sites.ipynb",
)
QUICK = {"20_establishment.ipynb": {"permutations": 49}, "30_frost_hardiness.ipynb": {"draws": 100}}
NOT_A_NUMBER = re.compile(r"\b(nan|NaN|NaT|inf|None(?! of))\b")
NEGATIVE = re.compile(r"[−-]\d[\d.]*\s*(t/ha|GJ/ha|plants|stems|cm)\b")
DIFFERENCE = re.compile(
    r"differ|less|more|gain|against|from the|change|effect|correl|relative|contribution|full-yield",
    re.I,
)


def impossible(bundle):
    """List what a table, figure or text shows that cannot be."""
    if "rows" in bundle:
        return impossible_in_table(bundle)
    words = " ".join(bundle.get("sentences", [])) or bundle.get("caption", "")
    faults = [f"{words!r} holds {m.group()!r}" for m in NOT_A_NUMBER.finditer(words)]
    if not DIFFERENCE.search(words):
        faults += [f"{words!r} holds {m.group()!r}" for m in NEGATIVE.finditer(words)]
    return faults


def impossible_in_table(bundle):
    """Look at every raw value by its column's kind and unit."""
    label, faults, of = bundle["label"], [], ""
    for i, column in enumerate(bundle["columns"]):
        kind, heading = column["kind"], column["heading"]
        if "interval" not in kind:
            of = f"{heading} {column.get('meaning', '')}"
        is_difference = DIFFERENCE.search(
            f"{label} {of} {heading}"
        )  # an interval is of what stands before
        for row, raw in zip(bundle["rows"], bundle["values"]):
            where, value = f"{label}, {heading}, {row[0]}", raw[i]
            shown = row[i]
            if NOT_A_NUMBER.search(shown) and kind != "text":
                faults.append(f"{where}: shows {shown!r}")
            ends = value if isinstance(value, (list, tuple)) else [value]
            numbers = [v for v in ends if isinstance(v, (int, float)) and not isinstance(v, bool)]
            if len(numbers) == 2 and numbers[0] > numbers[1]:
                faults.append(f"{where}: {numbers} the wrong way round")
            low, high = bounds(kind, column["unit"], is_difference)
            faults += [f"{where}: {v} is impossible" for v in numbers if not low <= v <= high]
    return faults


def bounds(kind, unit, is_difference):
    if is_difference:
        return -float("inf"), float("inf")
    if kind in ("share", "share_interval", "p"):
        return -1e-9, 1 + 1e-9
    if kind == "count" or unit in ("t/ha", "GJ/ha", "plants", "cm", "g", "1/m²"):
        return -1e-9, 1e6
    return -1e6, 1e6


def faults_of(folder, notebook, site):
    """Run a notebook on a network and list its faults: an error, or what cannot be."""
    try:
        run = run_cells(
            notebook, data=str(folder), season=SEASON, site=site, **QUICK.get(notebook, {})
        )
    except Exception:
        return [traceback.format_exc(limit=-3)]
    return [fault for bundle in bundles(run.shown) for fault in impossible(bundle)]


def judge(seed, notebooks=None):
    """Run every notebook on one network; return a frame of notebook, site and fault."""
    with tempfile.TemporaryDirectory() as folder:
        write_network(Path(folder), odd_network(seed))
        sites = sorted(p.parent.name for p in Path(folder).glob("*/plots.csv"))
        scopes = [(name, site) for name in (*BOTH, *ONE_SITE) for site in (sites[0], sites[-1])]
        scopes += [(name, "all") for name in BOTH if len(sites) > 1]
        asked = [s for s in dict.fromkeys(scopes) if notebooks is None or s[0] in notebooks]
        found = [
            (seed, name, site, f) for name, site in asked for f in faults_of(folder, name, site)
        ]
    return pd.DataFrame(found, columns=["seed", "notebook", "site", "fault"])


if __name__ == "__main__":
    first, last = (int(word) for word in (*sys.argv[1:3], "0", "9")[:2])
    for seed in range(first, last + 1):
        for row in judge(seed).itertuples():
            print(f"{row.seed} {row.notebook[:2]} {row.site}: {row.fault}", flush=True)
        print(f"network {seed} done", flush=True)
