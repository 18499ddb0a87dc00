"""Gain, cost and coverage of taking a trend out of a field, on simulated trials whose truth is
known.

``python tests/known_truth_field.py [--sets N] [--jobs J]`` prints the tables; tests run a short
version. Spreads of hybrids and plots and the trend's share of the plots' variance are drawn anew
for every trial; seeds are fixed beforehand.
"""

import argparse
import os

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from functools import partial

import numpy as np
import pandas as pd

from culmbook.spatial.trend import CANDIDATES, choose_trend, contrasts
from field_frames import LINES, NONE, PATCHY, SCENARIOS, SMOOTH, make_trial
from known_truth import NARROW, each_set, passes

SMALL = {"hybrids": 26, "rows": 6, "columns": 13}
LARGE = {"hybrids": 56, "rows": 12, "columns": 14}
COSTS_LESS = 1.03
"""Ratio of mean squared errors that a trend may not exceed where the field has none."""

__all__ = [
    "LARGE",
    "LINES",
    "NONE",
    "PATCHY",
    "SCENARIOS",
    "SMALL",
    "SMOOTH",
    "passes",
    "ratio",
    "run",
]


def draw_field(rng, scenario, **size):
    """A trial with spreads around those of the demo generator, 25 to 55 % of the plots' variance
    trend.
    """
    return make_trial(
        rng,
        scenario,
        spread=0.25 * np.exp(rng.normal(0, 0.2)),
        sd=0.22 * np.exp(rng.normal(0, 0.15)),
        share=rng.uniform(0.25, 0.55),
        missing=0.03,
        **size,
    )


def field_set(seed, scenario=NONE, candidates=CANDIDATES, **size):
    """Squared errors of the means by candidate, and whether intervals of differences hold."""
    frame = draw_field(
        np.random.default_rng([61, seed, SCENARIOS.index(scenario)]), scenario, **(size or SMALL)
    )
    true = frame.drop_duplicates("hybrid").set_index("hybrid")["true"]
    choice = choose_trend(frame, candidates=candidates)
    rates = {"chosen " + kind: float(choice.chosen == kind) for kind in candidates}
    for name, means in (choice.fits | {"chosen": choice.fits[choice.chosen]}).items():
        error = means.fit.contrast(means.weights)["estimate"] - true[means.hybrids].to_numpy()
        rates["error, " + name] = error.var(ddof=1)
    rates["stated over true variance"] = choice.table.loc[choice.chosen, "difference_variance"] / 2
    for name, means in (("blocks", choice.fits["blocks"]), ("chosen", choice.fits[choice.chosen])):
        table, apart = _differences(means, true)
        half = (table["upper"] - table["lower"]) / 2
        for narrow, prefix in ((1.0, ""), (NARROW, "narrowed ")):
            rates[f"{prefix}differences, {name}"] = (
                (table["estimate"] - apart).abs() <= narrow * half
            ).mean()
    return rates


def _differences(means, true):
    """Differences of hybrids taken two by two, each hybrid once, with the truth."""
    weights, names = means.weights, means.hybrids
    first, second = names[: len(names) // 2], names[len(names) // 2 : 2 * (len(names) // 2)]
    rows = pd.DataFrame(
        weights.loc[first].to_numpy() - weights.loc[second].to_numpy(), columns=weights.columns
    )
    return contrasts(means.fit, rows), true[first].to_numpy() - true[second].to_numpy()


def run(scenario, sets, jobs=1, **given):
    """One row per trial."""
    return each_set(partial(field_set, scenario=scenario, **given), sets, jobs)


def ratio(each, name="chosen", base="blocks"):
    """Ratio of mean squared errors to those of blocks only, and its standard error (delta method)."""
    own, other = each[f"error, {name}"], each[f"error, {base}"]
    value = own.mean() / other.mean()
    return value, float((own - value * other).std(ddof=1) / np.sqrt(len(each)) / other.mean())


def summarise(each):
    """Rates with their errors, ratios of squared errors, and the variance stated over the true
    one.
    """
    rates = each[[c for c in each if not c.startswith(("error", "stated"))]]
    table = pd.DataFrame({"estimate": rates.mean(), "se": rates.std(ddof=1) / np.sqrt(len(rates))})
    for name in [c.removeprefix("error, ") for c in each if c.startswith("error")]:
        table.loc[f"squared error over blocks, {name}"] = ratio(each, name)
    own, true = each["stated over true variance"], each["error, chosen"]
    value = own.mean() / true.mean()
    table.loc["variance stated over true"] = (
        value,
        (own - value * true).std(ddof=1) / np.sqrt(len(each)) / true.mean(),
    )
    return table


def main():
    """Print the whole table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sets", type=int, default=400)
    parser.add_argument("--jobs", type=int, default=2)
    given = parser.parse_args()
    for title, size in (
        ("26 hybrids x 3, 6 rows of 13", SMALL),
        ("56 hybrids x 3, 12 rows of 14", LARGE),
    ):
        for scenario in SCENARIOS:
            table = summarise(run(scenario, given.sets, given.jobs, **size))
            print(f"\n{title}, {scenario}\n{table.round(4).to_string()}", flush=True)


if __name__ == "__main__":
    main()
