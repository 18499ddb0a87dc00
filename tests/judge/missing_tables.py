"""Does every notebook run to its end without any one table, and say once what it lacks?

python tests/judge/missing_tables.py [NOTEBOOK ...]   (about 25 minutes of processor time for all)
"""

import re
import sys
import tempfile
import traceback
from pathlib import Path

from notebook_runs import bundles, figures, run_cells, sentences
from odd_networks import BOTH, ONE_SITE, QUICK
from tables_taken_away import taken_away

TABLES = (
    "sites", "hybrids", "plots", "stand_counts", "plant_gaps", "stem_measures", "harvests",
    "phenology", "frost_scores", "freeze_tests", "weather", "decisions",
)  # fmt: skip


def faults_of(folder, notebook, site, table):
    """List what is wrong with a notebook without this table, and say how often it is named."""
    try:
        run = run_cells(
            notebook, data=str(folder), site=site, season=2025, **QUICK.get(notebook, {})
        )
    except Exception:
        return [traceback.format_exc(limit=-2)], 0
    said = set(sentences(run.shown, "refusal"))  # a report prints the same words once
    named = sum(bool(re.search(rf"\b{table}\b", text)) for text in said)
    faults = [] if "culmbook: finished" in run.printed else ["did not end"]
    faults += [f"table named {named} times: {said}"] * (named > 1)
    drawn = figures(run.shown).items()
    faults += [f"empty figure {k}" for k, b in drawn if b["data"] and not b["data"]["rows"]]
    there = {b["label"] for b in bundles(run.shown) if b.get("label")}
    seen = {b["see"] for b in bundles(run.shown) if b.get("see")}
    return faults + [f"points at {label}, which is not there" for label in seen - there], named


if __name__ == "__main__":
    for table in TABLES:
        with tempfile.TemporaryDirectory() as folder:
            taken_away(Path(folder) / "net", table, "*")
            for name in (*BOTH, *ONE_SITE):
                if sys.argv[1:] and name[:2] not in sys.argv[1:]:
                    continue
                for site in ("MELDO", "all")[: 1 + (name in BOTH)]:
                    faults, named = faults_of(Path(folder) / "net", name, site, table)
                    print(
                        f"{name[:2]} {site} without {table}: named {named}, {faults or 'good'}",
                        flush=True,
                    )
