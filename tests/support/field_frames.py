"""Simulated trials on a grid, with and without a trend over the field."""

import numpy as np
import pandas as pd
from scipy.signal import lfilter

NONE, SMOOTH, PATCHY, LINES = "no trend", "smooth", "patchy", "rows and columns"
SCENARIOS = (NONE, SMOOTH, PATCHY, LINES)


def make_trial(
    rng,
    scenario=NONE,
    *,
    hybrids=26,
    replicates=3,
    rows=6,
    columns=13,
    missing=0.02,
    spread=0.25,
    sd=0.22,
    share=0.4,
    carry=0.5,
):
    """Log yields of one trial in one season; two rows of plots to a replicate, blocks of about
    seven plots.

    ``share`` of the variance within hybrids, ``sd`` squared, is trend. Effects of hybrids are in
    ``true``.
    """
    grid = pd.MultiIndex.from_product(
        [range(1, rows + 1), range(1, columns + 1)], names=["row", "column"]
    )
    frame = grid.to_frame(index=False)
    names, true = [f"H{i:02d}" for i in range(hybrids)], rng.normal(0, spread, hybrids)
    entry = np.concatenate([rng.permutation(hybrids) for _ in range(replicates)])
    each = rows // replicates
    frame["replicate"] = ((frame["row"] - 1) // each + 1).astype(str)
    frame["block"] = frame["row"].astype(str) + np.where(frame["column"] > columns // 2, "b", "a")
    frame["hybrid"], frame["true"] = np.array(names)[entry], true[entry]
    frame["trend"] = field_of(scenario, rows, columns, rng).ravel() * sd * np.sqrt(share)
    rough = sd * (1.0 if scenario == NONE else np.sqrt(1 - share))
    frame["response"] = 2.0 + frame["true"] + frame["trend"] + rng.normal(0, rough, len(frame))
    frame = frame.assign(
        site="S1",
        trial="T1",
        place="S1:T1",
        season="2025",
        main_plot=None,
        planting_method="hand",
        film="none",
        plot=[f"{r:02d}{c:02d}" for r, c in grid],
    )
    return frame[rng.random(len(frame)) >= missing].reset_index(drop=True)


def field_of(scenario, rows, columns, rng, carry=0.5):
    """A trend of variance 1 over the field, on average over fields."""
    if scenario == NONE:
        return np.zeros((rows, columns))
    if scenario == LINES:
        return (rng.normal(size=(rows, 1)) + rng.normal(size=(1, columns))) / np.sqrt(2)
    if scenario == PATCHY:
        return patchy(rows, columns, carry, rng)
    return smooth(rows, columns, rng)


def patchy(rows, columns, carry, rng):
    """Separable autoregression of first order along rows and columns."""
    field, scale = rng.normal(size=(rows, columns)), np.sqrt(1 - carry**2)
    field[1:] *= scale
    field = lfilter([1], [1, -carry], field, axis=0)
    field[:, 1:] *= scale
    return lfilter([1], [1, -carry], field, axis=1)


def smooth(rows, columns, rng):
    """A slope in any direction and two long waves, scaled to variance 1 in each field."""
    r, c = np.meshgrid(np.linspace(-1, 1, rows), np.linspace(-1, 1, columns), indexing="ij")
    a, b, phase = rng.normal(size=2), rng.uniform(1, 4, 2), rng.uniform(0, 2 * np.pi, 2)
    field = a[0] * r + a[1] * c + np.sin(b[0] * r + phase[0]) + np.sin(b[1] * c + phase[1])
    return (field - field.mean()) / field.std()
