"""Run a season 30 times over a network that changes, with kills and foreign files between.

``python tests/judge/season_soak.py --turns 30 --seed 1``: each turn changes rows, cells or sites,
then kills the run at a random moment, puts a person's file in the way, or leaves it in peace. Run
to its end, every file but the record and the page with clock times must be that of a run from
nothing, and no file of a person lost.
"""

import argparse
import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1] / "support")]

from quick_batch import AREA, changed, contents, write_network, write_notebook

SHOW = """from pathlib import Path
import pandas as pd
from culmbook.show.page import Column, finding, table
files = sorted(Path(data).glob("*/plots.csv" if site == "all" else f"{site}/plots.csv"))
plots = pd.concat(map(pd.read_csv, files))
columns = {c: Column(c) for c in ("site", "plot", "hybrid", "harvest_area_m2")}
table(plots, label="plots", key="site plot", caption="Plots", columns=columns)
finding(f"{len(plots)} plots at {site}.", rank=1)"""


def command(root, out):
    more = ["--season", "2025", "--notebooks", root / "notebooks", "--jobs", "2", "--out", out]
    return [sys.executable, "-m", "culmbook.command", "season", root / "data", *more]


def soak(root, turns, chance):
    """Return what differed, a line each."""
    plots, own, faults = {"ALFA": (AREA, AREA), "BETA": (AREA,)}, [], []
    write_notebook(root / "notebooks", "10_plots", SHOW)
    for turn in range(turns):
        plots, out = changed(plots, chance), root / "out"
        write_network(root / "data", plots)
        if turn % 3 == 1:
            run = subprocess.Popen(
                command(root, out), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
            )
            time.sleep(chance.uniform(0, 15))
            run.kill()
            run.wait()
        elif turn % 3 == 2 and (out / "ALFA").is_dir():
            own.append(f"own {turn}".encode())
            (out / "ALFA" / "ALFA_2025_record.pdf").write_bytes(own[-1])
        new = root / f"new-{turn}"
        for folder in (out, new):
            ended = subprocess.run(command(root, folder), capture_output=True, text=True)
            faults += [f"turn {turn}: {ended.stdout}{ended.stderr}"] * bool(ended.returncode)
        one, two = contents(out), contents(new)
        differ = sorted(n for n in one.keys() | two.keys() if one.get(n) != two.get(n))
        faults += [f"turn {turn}: not as made from nothing: {', '.join(differ)}"] * bool(differ)
        print(f"turn {turn}: {len(two)} files, {len(differ)} differ", flush=True)
    kept = sorted(p.read_bytes() for p in (root / "out").glob("kept files/**/*") if p.is_file())
    return faults + [f"kept {kept}, not {own}"] * (kept != sorted(own))


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--turns", type=int, default=30)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        sys.exit("\n".join(soak(Path(folder), asked.turns, random.Random(asked.seed))))
