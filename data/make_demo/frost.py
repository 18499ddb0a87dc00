"""Frost: scores of leaf damage in the field, and freezer runs on rhizomes and leaves."""

import numpy as np
import pandas as pd
from scipy.special import expit, logit

from make_demo.truth import COLD_SLOPE

# observers' shifts on the latent scale of the score; CC scores high
OBSERVER_SHIFT = {"AA": 0.0, "BB": -0.2, "CC": 1.4}
DOUBLE_SCORED_SHARE = 0.2
SCORE_CUTS = (-1.0, 0.4, 1.5, 2.5, 3.5, 5.0)
FROST_BELOW_C = -0.5
PLOT_SD = 0.6
LEAF_KILLED_PCT = (0, 5, 15, 35, 60, 85, 100)

FREEZE_RUNS = (
    ("F25A", "2025-01-21"),
    ("F25B", "2025-01-28"),
    ("F25C", "2025-02-04"),
    ("F26A", "2026-01-20"),
    ("F26B", "2026-01-27"),
    ("F26C", "2026-02-03"),
)
# the first winter's runs stop too warm for the hardiest hybrid
FREEZE_TEMPERATURES = {
    "F25": (-1.0, -2.0, -3.0, -4.0, -5.0),
    "F26": (-1.5, -2.5, -3.5, -4.5, -5.5, -7.0),
}
REGROWTH = "regrowth-1C-per-h"
CONTROL_DEATH = 0.04
UNITS = 12
RUN_SHIFT_SD_C = 0.4
LOAD_SHIFT_SD_C = 0.2
CELL_SD_LOGIT = 0.3

LEAKAGE = "leakage-2C-per-h"
LEAKAGE_RUNS = (("L26A", "2026-01-21"), ("L26B", "2026-01-29"))
LEAKAGE_HYBRIDS = ("H02", "H05", "H11", "H15", "H22", "STD", "CLONE")
LEAKAGE_TEMPERATURES = (-1.5, -3.0, -4.5, -6.0, -9.0)
LEAKAGE_UNITS = 4
LEAKAGE_UPPER = 0.86
LEAKAGE_SHIFT_C = -0.4


def frost_events(weather, season):
    """The coldest night of a spring at a site, if it froze.

    Parameters
    ----------
    weather : pandas.DataFrame
        ``date`` and ``air_temperature_min_c`` [°C].
    season : int

    Returns
    -------
    tuple of (pandas.Timestamp, float) or None
        Date and temperature of the coldest night between 30 April and 15 June.
    """
    spring = weather[weather["date"].between(f"{season}-04-30", f"{season}-06-15")]
    coldest = spring.loc[spring["air_temperature_min_c"].idxmin()]
    if coldest["air_temperature_min_c"] > FROST_BELOW_C:
        return None
    return coldest["date"], float(coldest["air_temperature_min_c"])


def simulate_frost_scores(plots, emerged_on, frost_on, frost_c, truth, rng):
    """Scores of one frost: each plot by AA or BB or CC, a fifth of the plots by two of them.

    Parameters
    ----------
    plots : pandas.DataFrame
        ``site``, ``plot`` and ``hybrid``.
    emerged_on : pandas.Series
        Emergence dates in the order of `plots`; plants that emerged earlier are hit harder.
    frost_on : pandas.Timestamp
    frost_c : float
        Lowest air temperature [°C].
    truth : Truth
    rng : numpy.random.Generator

    Returns
    -------
    pandas.DataFrame
        The columns of the frost scores table.
    """
    n = len(plots)
    exposed = (frost_on - emerged_on).dt.days.fillna(0).to_numpy()
    latent = 0.08 * (exposed - 8) - 0.7 * (frost_c + 1.5) + rng.normal(0, PLOT_SD, n)
    latent = latent + plots["hybrid"].map(truth.hybrids["tenderness"]).to_numpy()
    latent = np.where(exposed > 0, latent, -9.0)
    first = rng.choice(list(OBSERVER_SHIFT), n, p=[0.45, 0.35, 0.20])
    second = np.where(first == "CC", "AA", np.where(rng.random(n) < 0.6, "CC", "BB"))
    second = np.where((first == "BB") & (second == "BB"), "AA", second)
    double = rng.random(n) < DOUBLE_SCORED_SHARE
    parts = [
        _scored(plots, latent, first, frost_on, rng),
        _scored(plots[double], latent[double], second[double], frost_on, rng),
    ]
    return pd.concat(parts).sort_values(["site", "plot", "observer"], ignore_index=True)


def _scored(plots, latent, observer, frost_on, rng):
    shift = pd.Series(observer).map(OBSERVER_SHIFT).to_numpy()
    seen = latent + shift + rng.logistic(0, 0.6, len(plots))
    score = np.searchsorted(SCORE_CUTS, seen)
    killed = np.asarray(LEAF_KILLED_PCT)[score]
    noise = np.where((score > 0) & (score < 6), 5 * rng.integers(-1, 2, len(plots)), 0)
    return pd.DataFrame(
        {
            "site": plots["site"].to_numpy(),
            "plot": plots["plot"].to_numpy(),
            "frost_on": frost_on,
            "scored_on": frost_on + pd.Timedelta(days=5),
            "damage_score": score,
            "leaf_killed_pct": np.clip(killed + noise, 0, 100),
            "observer": observer,
        }
    )


def simulate_freeze_runs(hybrids, truth, rng, runs=FREEZE_RUNS, units=UNITS):
    """Units alive after each freezer run, by hybrid and temperature.

    Parameters
    ----------
    hybrids : sequence of str
    truth : Truth
    rng : numpy.random.Generator
    runs : sequence of (str, str)
        Run code, whose first three characters pick the temperatures, and its date.
    units : int
        Rhizome pieces for each hybrid and temperature.

    Returns
    -------
    pandas.DataFrame
        Columns of the freeze tests table; ``temperature_c`` is missing for the unfrozen control.

    Notes
    -----
    P(alive) = (1 - c) expit(b (T + r + l - LT50)), c = `CONTROL_DEATH`, b = `COLD_SLOPE`, with a
    shift r for the run and l for the run × temperature shared by all hybrids, and a normal deviate
    on the logit for the hybrid in that load.
    """
    lt50 = truth.hybrids.loc[list(hybrids), "lt50"].to_numpy()
    parts = []
    for run, day in runs:
        shift = rng.normal(0, RUN_SHIFT_SD_C)
        for temperature in (np.nan, *FREEZE_TEMPERATURES[run[:3]]):
            load = temperature + shift + rng.normal(0, LOAD_SHIFT_SD_C)
            deviate = rng.normal(0, CELL_SD_LOGIT, len(lt50))
            survive = 1.0 if np.isnan(temperature) else expit(COLD_SLOPE * (load - lt50) + deviate)
            alive = rng.binomial(units, (1 - CONTROL_DEATH) * survive, len(lt50))
            parts.append(
                _run_rows(run, day, REGROWTH, "rhizome", hybrids, temperature).assign(
                    units_tested=units, units_alive=alive
                )
            )
    return pd.concat(parts, ignore_index=True)


def simulate_leakage(truth, rng, hybrids=LEAKAGE_HYBRIDS, runs=LEAKAGE_RUNS):
    """Electrolyte leakage of leaf pieces, one row for each unit [µS/cm].

    Relative leakage rises from its unfrozen level to `LEAKAGE_UPPER` of the way to all,
    half of it at LT50 + `LEAKAGE_SHIFT_C`.
    """
    lt50 = truth.hybrids.loc[list(hybrids), "lt50"].to_numpy() + LEAKAGE_SHIFT_C
    parts = []
    for run, day in runs:
        shift = rng.normal(0, RUN_SHIFT_SD_C)
        for temperature in (np.nan, *LEAKAGE_TEMPERATURES):
            for unit in range(1, LEAKAGE_UNITS + 1):
                frozen = not np.isnan(temperature)
                injury = (
                    LEAKAGE_UPPER * expit(-1.6 * (temperature + shift - lt50)) if frozen else 0.0
                )
                rows = _run_rows(run, day, LEAKAGE, "leaf", hybrids, temperature)
                parts.append(rows.assign(unit=str(unit), **_readings(injury, len(lt50), rng)))
    return pd.concat(parts, ignore_index=True)


def _readings(injury, n, rng):
    unfrozen = expit(rng.normal(logit(0.15), 0.15, n))
    share = unfrozen + (1 - unfrozen) * injury
    share = expit(logit(share) + rng.normal(0, 0.12, n))
    total = rng.normal(160, 18, n)
    return {
        "leakage_initial": 0.5 * unfrozen * total,
        "leakage_after": share * total,
        "leakage_total": total,
    }


def _run_rows(run, day, protocol, tissue, hybrids, temperature):
    tested = pd.Timestamp(day)
    return pd.DataFrame(
        {
            "run": run,
            "tested_on": tested,
            "protocol": protocol,
            "hybrid": list(hybrids),
            "tissue": tissue,
            "temperature_c": temperature,
            "source_site": "MELDO",
            "lifted_on": tested - pd.Timedelta(days=6),
        }
    )
