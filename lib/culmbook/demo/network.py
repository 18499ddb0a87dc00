"""Put the demo network together: simulated tables, then the faults that real sheets carry."""

import pandas as pd

from culmbook.demo.faults import add_faults
from culmbook.demo.layout import network_plots
from culmbook.demo.scenario import SITES, part_rng
from culmbook.demo.stand import simulate_stand_counts
from culmbook.demo.truth import trial_code, truth
from culmbook.demo.weather_series import network_weather


def make_tables(seed):
    """Every table of the demo, with its faults.

    Parameters
    ----------
    seed : int

    Returns
    -------
    dict of str to pandas.DataFrame
        Tables by name, all sites together.
    """
    known = truth(seed)
    plots = network_plots(known)
    tables = {
        "sites": sites_table(),
        "hybrids": hybrids_table(known),
        "plots": plots,
        "stand_counts": _by_trial(plots, known, "stand", simulate_stand_counts),
        "weather": weather_table(seed),
    }
    return add_faults(tables, known)


def sites_table():
    """The sites table."""
    return pd.DataFrame({
        "site": [s.code for s in SITES],
        "site_name": [f"{s.name} (invented)" for s in SITES],
        "country": [s.country for s in SITES],
        "latitude": [s.latitude for s in SITES],
        "longitude": [s.longitude for s in SITES],
        "altitude_m": [s.altitude_m for s in SITES],
        "soil_texture": [s.soil_texture for s in SITES],
        "previous_crop": [s.previous_crop for s in SITES],
    })


def hybrids_table(known):
    """The hybrids table; lots and parents are invented codes."""
    frame = known.hybrids.reset_index()
    number = range(1, len(frame) + 1)
    bred = frame["role"] == "candidate"
    return pd.DataFrame({
        "hybrid": frame["hybrid"],
        "role": frame["role"],
        "propagation": frame["propagation"],
        "stage": "replicated",
        "crop_type": frame["crop_type"],
        "seed_lot": [f"L{i:03d}" for i in number],
        "female_parent": [f"P{i % 7 + 1:02d}" if b else pd.NA for i, b in zip(number, bred)],
        "male_parent": [f"P{i % 5 + 11:02d}" if b else pd.NA for i, b in zip(number, bred)],
    })


def weather_table(seed):
    """Daily weather of every site; where there is no probe the soil column stays empty."""
    parts = []
    series = network_weather(seed)
    for site in SITES:
        weather = series[site.code]
        if not site.has_soil_probe:
            weather = weather.assign(soil_temperature_5cm_min_c=float("nan"))
        parts.append(weather.assign(site=site.code))
    frame = pd.concat(parts, ignore_index=True)
    return frame[["site", *[c for c in frame.columns if c != "site"]]]


def _by_trial(plots, known, part, simulate):
    """Simulate trial by trial, each from its own stream."""
    frames = [
        simulate(group, known, part_rng(known.seed, f"{part} {trial}"))
        for trial, group in plots.groupby("trial", sort=False)
    ]
    return pd.concat(frames, ignore_index=True)
