"""How much quicker is the batch than the same notebooks one by one on papermill's command line?

    python tests/batch_speed.py [data/demo] [--season 2025] [--jobs 2]

Both run every (site x notebook) of a season; reports are not part of it. Run it on an otherwise
idle machine.
"""

import argparse
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from culmbook.batch.notebook import NETWORK, find_notebooks, notebook_site
from culmbook.batch.season import notebooks_folder
from culmbook.batch.workers import NotebookJob, Pool
from culmbook.sheets.read import read_network


def executions(data, season, folder):
    """Return one job for every scope and notebook."""
    scopes = [NETWORK, *read_network(data).tables["sites"]["site"]]
    return [
        NotebookJob(
            scope,
            n.name,
            n.path.resolve(),
            folder / f"{scope}-{n.path.name}",
            {"data": str(Path(data).resolve()), "season": season, "site": notebook_site(scope)},
            600,
            1800,
        )
        for scope in scopes
        for n in find_notebooks(notebooks_folder())
        if n.serves(scope)
    ]


def time_batch(jobs, n_workers):
    """Return the seconds a pool of workers takes, its start included."""
    began = time.monotonic()
    with Pool(n_workers, "speed") as pool:
        failed = [
            f"{job.scope} {job.name}: {answer['reason']}"
            for job, answer in pool.run(jobs[::-1])
            if answer["status"] != "done"
        ]
    if failed:
        sys.exit("\n".join(failed))
    return time.monotonic() - began


def time_command_lines(jobs):
    """Return the seconds that papermill takes when called once for each job."""
    began = time.monotonic()
    for job in jobs:
        values = job.target.with_suffix(".yaml")
        values.write_text(
            json.dumps(job.parameters), encoding="utf-8"
        )  # JSON is YAML, and keeps types
        subprocess.run(
            [
                sys.executable,
                "-m",
                "papermill",
                str(job.notebook),
                str(job.target),
                "-f",
                str(values),
                "-k",
                "python3",
                "--no-progress-bar",
            ],
            check=True,
            capture_output=True,
        )
    return time.monotonic() - began


def main():
    """Print both times and their ratio."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("data", nargs="?", default="data/demo")
    parser.add_argument("--season", type=int, default=2025)
    parser.add_argument("--jobs", type=int, default=2)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        jobs = executions(asked.data, asked.season, Path(folder))
        batch = time_batch(jobs, asked.jobs)
        single = time_command_lines(jobs)
    print(
        f"{len(jobs)} executions: batch with {asked.jobs} workers {batch:.1f} s, "
        f"papermill one by one {single:.1f} s, "
        f"ratio {batch / single:.2f}"
    )


if __name__ == "__main__":
    main()
