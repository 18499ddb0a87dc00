"""Freeze tests made up for the tests: counts by hybrid, run and temperature."""

import numpy as np
import pandas as pd
from scipy.special import expit

LT50 = {"A": -4.0, "B": -3.0, "STD": -3.5}
TEMPERATURES = (np.nan, -1.0, -2.0, -3.0, -4.0, -5.0, -6.0)


def freeze_table(
    lt50=LT50,
    runs=("r1", "r2", "r3"),
    temperatures=TEMPERATURES,
    units=20,
    slope=2.0,
    death=0.05,
    shifts=None,
    **columns,
):
    """The freeze tests table with the expected number alive in every cell, rounded: no chance in
    it.
    """
    rows = [
        {
            "run": run,
            "protocol": "slow",
            "tissue": "rhizome",
            "hybrid": hybrid,
            "temperature_c": t,
            "units_tested": units,
            "units_alive": round(
                units * (1 - death) * (1.0 if np.isnan(t) else expit(slope * (t + shift - middle)))
            ),
        }
        for run, shift in zip(runs, shifts or [0.0] * len(runs), strict=True)
        for hybrid, middle in lt50.items()
        for t in temperatures
    ]
    return pd.DataFrame(rows).assign(**columns)
