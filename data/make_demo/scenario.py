"""The invented scenario: sites, their climates, trials, entries and dates.

Every coordinate lies in open water on purpose, and the country codes are taken from
the range that ISO 3166-1 leaves to users, so no row can be mistaken for a real farm.
"""

from dataclasses import dataclass
from datetime import date
from zlib import crc32

import numpy as np

DEMO_SEED = 20250603
WEATHER_START = date(2006, 7, 1)
WEATHER_END = date(2026, 6, 30)
GROWING_SEASONS = (2022, 2023, 2024, 2025)
N_CANDIDATES = 24
STANDARD = "STD"
CLONE = "CLONE"
TALL = "sac x sin"
FINE = "sin x sin"

PLOT_LENGTH_M = 6.0
PLOT_WIDTH_M = 4.0
HARVEST_AREA_M2 = 12.0
POSITION_ROWS = 6
# plants per plot: 1.5 and 3.0 per m2 on 24 m2 (doi 10.1111/gcbb.13026)
PLANTS_PER_PLOT = {TALL: 36, FINE: 72}


# nights put into the weather by hand, so that the latest season has frosts worth scoring [°C]
LATE_FROSTS = {("MELDO", date(2025, 5, 14)): -2.4, ("KRAVO", date(2025, 5, 21)): -3.1}


def part_rng(seed, part):
    """Random generator of one part of the demo.

    Parameters
    ----------
    seed : int
        Seed of the whole network.
    part : str
        Name of the part; each has a stream of its own, so changing one part of the
        generator leaves the others as they were.

    Returns
    -------
    numpy.random.Generator
    """
    return np.random.default_rng([seed, crc32(part.encode())])


@dataclass(frozen=True)
class Climate:
    """Daily climate of a site; temperatures in °C, rain in mm.

    `anomaly_sd` and `wet` and `rain_mm` are (winter, summer) pairs; `wet` is the long-run
    share of wet days, `rain_mm` the mean fall on a wet day.
    """

    mean_c: float
    amplitude_c: float
    anomaly_sd: tuple[float, float]
    winter_sd_c: float
    daily_range_c: tuple[float, float]
    wet: tuple[float, float]
    rain_mm: tuple[float, float]
    humidity_pct: float
    wind_m_s: float
    soil_response: float


@dataclass(frozen=True)
class Site:
    """An invented site and the trials it holds."""

    code: str
    name: str
    country: str
    latitude: float
    longitude: float
    altitude_m: int
    soil_texture: str
    previous_crop: str
    climate: Climate
    plantings: dict
    split_plot: bool
    method: str
    has_soil_probe: bool = True
    entry_half: int = 0


SITES = (
    Site(
        "MELDO",
        "Meldo Low Field",
        "XA",
        53.6,
        2.9,
        18,
        "sandy loam",
        "winter wheat",
        Climate(8.4, 6.4, (2.9, 2.3), 0.4, (4.6, 8.8), (0.50, 0.38), (3.9, 4.6), 83, 3.4, 0.20),
        {2022: date(2022, 5, 3), 2025: date(2025, 4, 29)},
        False,
        "machine",
    ),
    Site(
        "KRAVO",
        "Kravo Plain",
        "XB",
        55.4,
        18.6,
        142,
        "loam",
        "spring barley",
        Climate(8.6, 11.2, (4.6, 2.9), 1.2, (5.4, 10.6), (0.40, 0.36), (2.4, 5.6), 78, 2.8, 0.12),
        {2022: date(2022, 5, 17), 2025: date(2025, 5, 14)},
        True,
        "",
        entry_half=0,
    ),
    Site(
        "DRYSA",
        "Drysa Terrace",
        "XC",
        42.3,
        5.6,
        67,
        "silt loam",
        "sunflower",
        Climate(14.2, 8.9, (2.5, 2.3), 0.7, (7.8, 12.6), (0.27, 0.12), (6.0, 6.6), 66, 2.6, 0.17),
        {2023: date(2023, 4, 12), 2025: date(2025, 4, 9)},
        False,
        "hand",
    ),
    Site(
        "UPLEN",
        "Uplen Moor Edge",
        "XD",
        54.2,
        -5.1,
        296,
        "clay loam",
        "grass ley",
        Climate(7.0, 6.3, (3.2, 2.2), 0.8, (4.4, 7.6), (0.64, 0.52), (6.2, 5.6), 87, 4.6, 0.15),
        {2022: date(2022, 5, 24), 2025: date(2025, 5, 20)},
        True,
        "",
        False,
        entry_half=1,
    ),
    Site(
        "ISKEY",
        "Iskey Shore",
        "XE",
        56.8,
        -11.4,
        9,
        "loamy sand",
        "potatoes",
        Climate(9.4, 4.2, (2.2, 1.5), 0.5, (3.4, 5.0), (0.66, 0.50), (5.4, 4.4), 86, 6.4, 0.17),
        {2023: date(2023, 5, 9), 2025: date(2025, 5, 6)},
        False,
        "machine",
    ),
)


def site_named(code):
    """The demo site with this code; ValueError if there is none."""
    for site in SITES:
        if site.code == code:
            return site
    raise ValueError(f"no demo site {code!r}; there are {', '.join(s.code for s in SITES)}")


def candidate_codes():
    """Codes of the candidates, ``H01`` … ``H24``."""
    return [f"H{i:02d}" for i in range(1, N_CANDIDATES + 1)]


def entries_of(site):
    """Entries planted at a site: all, or at a split-plot site half the candidates and both
    controls.

    Four main plots a replicate leave room for fourteen entries; the two split-plot sites
    hold alternate candidates, so each candidate stands at four of the five sites.
    """
    candidates = candidate_codes()
    if site.split_plot:
        candidates = candidates[site.entry_half :: 2]
    return candidates + [STANDARD, CLONE]


def treatments_of(site):
    """(planting method, film) pairs grown at a site."""
    if site.split_plot:
        return [(m, f) for m in ("hand", "machine") for f in ("none", "film")]
    return [(site.method, "none")]
