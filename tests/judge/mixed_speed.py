"""Seconds of the mixed models on the simulated networks, beside lme4 where R has it.

``python tests/mixed_speed.py [600 3000 10000 30000 counts_3000]``: medians of three with one BLAS
thread. *fit* is from the frame on; *predicted* adds the effects of every term and the full
prediction error covariance of each term with at most 2,000 levels. lme4's *predicted* adds
``ranef(condVar = TRUE)``: variances of all terms, no covariances, fixed effects taken as known.
*times* is lme4's time over ours, for both.
"""

import os

os.environ["OPENBLAS_NUM_THREADS"] = "1"

import multiprocessing
import resource
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from statistics import median
from time import perf_counter

from culmbook.mixed import fit_binomial, fit_gaussian
from reml_networks import COUNTS_MODEL, SIZES, counts, model, network

SCRIPT = Path(__file__).parents[1] / "published" / "lme4_networks.R"
NAMES = [*map(str, SIZES), "counts_3000"]
MOST_LEVELS = 2_000


def data(name):
    """Frame of a network, or of the counts of one."""
    kind, _, size = name.rpartition("_")
    return counts(int(size)) if kind else network(int(size))


def once(frame, name):
    """Seconds of one fit and with predictions, its criterion and verdict."""
    start = perf_counter()
    fit = (
        fit_binomial(frame, **COUNTS_MODEL)
        if "_" in name
        else fit_gaussian(frame, **model(int(name)))
    )
    fitted = predicted = perf_counter() - start
    if "_" not in name:  # effects of counts come with the fit
        for term, levels in fit.levels.items():
            fit.effects(term)
            if len(levels) <= MOST_LEVELS:
                fit.prediction_covariance(term)
        predicted = perf_counter() - start
    return fitted, predicted, fit.criterion, fit.verdict


def ours(name):
    """Medians of three, criterion, verdict, and the most memory this process has had [MB]."""
    frame = data(name)
    runs = [once(frame, name) for _ in range(3)]
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return median(r[0] for r in runs), median(r[1] for r in runs), *runs[0][2:], memory


def lme4(name):
    """Seconds of the fit, seconds with predictions, criterion of lme4; None where R or lme4 is not
    there.
    """
    if shutil.which("Rscript") is None:
        return None
    with tempfile.TemporaryDirectory() as folder:
        file = name if "_" in name else f"network_{name}"
        data(name).to_csv(Path(folder) / f"{file}.csv", index=False)
        run = subprocess.run(["Rscript", SCRIPT, folder, name], capture_output=True, text=True)
    rows = [line.split(",") for line in run.stdout.splitlines() if line.startswith(f"{name},")]
    return (float(rows[0][4]), float(rows[0][5]), float(rows[0][3])) if rows else None


def main():
    print(
        "records         fit s predicted    MB   lme4 s predicted       times      criterion less lme4  verdict"
    )
    for name in sys.argv[1:] or NAMES:
        with multiprocessing.get_context("spawn").Pool(
            1
        ) as pool:  # a process of its own, for its memory
            fit, predicted, criterion, verdict, memory = pool.apply(ours, [name])
        there = lme4(name)
        beside = (
            f"{'-':>8s} {'-':>9s} {'-':>11s}"
            if there is None
            else (
                f"{there[0]:8.3f} {there[1]:9.3f} {there[0] / fit:5.1f} {there[1] / predicted:5.1f}"
            )
        )
        above = "-" if there is None else f"{criterion - there[2]:.1e}"
        print(
            f"{name:12s} {fit:8.3f} {predicted:9.3f} {memory:5.0f} {beside} {criterion:14.6f} {above:>9s}  {verdict}",
            flush=True,
        )


if __name__ == "__main__":
    main()
