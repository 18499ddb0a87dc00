"""Seconds of the gaussian mixed model on the simulated networks, beside lme4 where R has it.

``python tests/reml_speed.py [600 3000 10000 30000]``: medians of three with one BLAS thread; the fit from the
frame on, then heritability of the hybrids from full prediction error covariance.
"""

import os

os.environ["OPENBLAS_NUM_THREADS"] = "1"

import resource
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from statistics import median
from time import perf_counter

from reml_networks import SIZES, model, network

from culmbook.mixed import fit_gaussian

SCRIPT = Path(__file__).parent / "published" / "lme4_networks.R"


def ours(size):
    """Seconds to fit and to find the heritability, the criterion and the verdict."""
    frame, seconds = network(size), []
    for _ in range(3):
        start = perf_counter()
        fit = fit_gaussian(frame, **model(size))
        fitted = perf_counter()
        fit.heritability("hybrid")
        seconds.append((fitted - start, perf_counter() - fitted))
    return *(median(column) for column in zip(*seconds, strict=True)), fit.criterion, fit.verdict


def lme4(size):
    """Seconds and criterion of lme4, or None where R or lme4 is not there."""
    if shutil.which("Rscript") is None:
        return None
    with tempfile.TemporaryDirectory() as folder:
        network(size).to_csv(Path(folder) / f"network_{size}.csv", index=False)
        run = subprocess.run(["Rscript", SCRIPT, folder, str(size)], capture_output=True, text=True)
    rows = [line.split(",") for line in run.stdout.splitlines() if line.startswith(f"{size},")]
    return (float(rows[0][4]), float(rows[0][3])) if rows else None


def main():
    print("records  fit s  heritability s  lme4 s  criterion  less lme4's  verdict")
    for size in [int(argument) for argument in sys.argv[1:]] or SIZES:
        fit, heritability, criterion, verdict = ours(size)
        theirs = lme4(size)
        seconds, above = (f"{theirs[0]:.3f}", f"{criterion - theirs[1]:.1e}") if theirs else ("-", "-")
        print(f"{size:7d}  {fit:.3f}  {heritability:.4f}  {seconds}  {criterion:.6f}  {above}  {verdict}", flush=True)
    print(f"at most {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024} MB in this process")


if __name__ == "__main__":
    main()
