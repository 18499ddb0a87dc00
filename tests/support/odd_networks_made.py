"""Networks of every shape, invented from a seed: few or many sites, seasons and hybrids, ties,
missing tables, no control, one replicate, ten-fold yields. Growth is log-linear with normal
effects, told apart from the demo's truth on purpose.
"""

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from small_network import Sheet

SEASON = 2025
TABLES = ("stand_counts", "harvests", "stem_measures", "phenology", "frost_scores", "weather")
CROP_YEAR = (0.15, 0.55, 0.95, 1.0, 1.0)  # share of full yield in crop years 1, 2, ...; assumed
PLANTED, AREA_M2 = 36, 12.0
PLOT_COLUMNS = (
    "site,plot,trial,replicate,block,row,column,main_plot,hybrid,planting_method,film,planted_on,"
    "plot_length_m,plot_width_m,harvest_area_m2,plants_planted,status,status_reason,status_cause"
)
COLUMNS = {
    "stand_counts": "site,plot,counted_on,occasion,plants_alive,plants_replanted,emerged_late,observer",
    "harvests": "site,plot,growing_season,harvested_on,harvested_area_m2,fresh_mass_kg,"
    "subsample_fresh_g,subsample_dry_g,cut_height_cm,lodged_pct,ash_pct,status,status_reason",
    "stem_measures": "site,plot,growing_season,measured_on,plant,stems,stem_height_cm,height_method,"
    "stem_diameter_mm,stem_dry_mass_g,leaf_fraction",
    "phenology": "site,plot,growing_season,emerged_on,flowered,flowered_on,senescence_score",
    "frost_scores": "site,plot,frost_on,scored_on,damage_score,leaf_killed_pct,observer",
    "weather": "site,date,air_temperature_min_c,air_temperature_max_c,precipitation_mm,"
    "soil_temperature_5cm_min_c,relative_humidity_pct,wind_speed_2m_m_s,shortwave_mj_m2,snow_depth_cm",
}


@dataclass(frozen=True)
class Shape:
    """What kind of network it is."""

    sites: int
    hybrids: int
    replicates: int
    controls: int
    plantings: tuple
    blocks: str  # none, plain, or written anew in every replicate
    ties: bool
    scale: float  # yield of the site that grows most over that which grows least
    gone: frozenset  # (site number, table) that was not kept
    freeze_runs: int


def shape_of(seed):
    """Draw the shape of a network; every extreme comes up within about twenty seeds."""
    rng = np.random.default_rng([seed, 1])
    sites = int(rng.choice([1, 2, 3, 4, 6, 12], p=[0.25, 0.3, 0.2, 0.13, 0.08, 0.04]))
    hybrids = int(rng.choice([2, 3, 5, 8, 12, 20, 60], p=[0.1, 0.15, 0.2, 0.25, 0.15, 0.1, 0.05]))
    if sites * hybrids > 120:
        hybrids = 8
    oldest = SEASON - int(rng.choice([0, 1, 2, 3, 4], p=[0.1, 0.2, 0.35, 0.25, 0.1]))
    plantings = (oldest,) if rng.random() < 0.7 or oldest == SEASON else (oldest, oldest + 1)
    gone = {(s, t) for s in range(sites) for t in TABLES if rng.random() < 0.12}
    return Shape(
        sites=sites,
        hybrids=hybrids,
        replicates=int(rng.choice([1, 2, 3, 4], p=[0.15, 0.3, 0.35, 0.2])),
        controls=min(int(rng.choice([0, 1, 2], p=[0.2, 0.6, 0.2])), hybrids - 1),
        plantings=plantings,
        blocks=str(rng.choice(["none", "plain", "anew"])),
        ties=bool(rng.random() < 0.25),
        scale=float(rng.choice([1.0, 2.0, 10.0])),
        gone=frozenset(gone),
        freeze_runs=int(rng.choice([0, 1, 2, 4])),
    )


def odd_network(seed):
    """Return a network's sheets by path within its folder."""
    shape, rng = shape_of(seed), np.random.default_rng([seed, 2])
    codes = [f"H{i + 1:02d}" for i in range(shape.hybrids)]
    hybrid = dict(zip(codes, rng.normal(0, 0.15, shape.hybrids).round(1 if shape.ties else 6)))
    sheets = {
        "sites.csv": Sheet(
            "site,site_name,country,latitude,longitude,altitude_m,soil_texture,previous_crop",
            [
                [f"S{s + 1:02d}", f"Field {s + 1}", "XA", 50 + s, 3 + s, 40, "loam", "wheat"]
                for s in range(shape.sites)
            ],
        ),
        "hybrids.csv": Sheet(
            "hybrid,role,propagation,stage,crop_type,seed_lot,female_parent,male_parent",
            [
                [h, role_of(i, shape), "plug", "replicated", f"type {i % 2 + 1}", "L1", "F", "M"]
                for i, h in enumerate(codes)
            ],
        ),
    }
    for s in range(shape.sites):
        growth = np.log(4 + 10 * rng.random()) - s * np.log(shape.scale) / max(shape.sites - 1, 1)
        cold = float(rng.uniform(0, 3))
        tables = site_tables(f"S{s + 1:02d}", s, shape, hybrid, growth, cold, rng)
        sheets |= {
            f"S{s + 1:02d}/{table}.csv": Sheet(header, rows)
            for table, (header, rows) in tables.items()
            if (s, table) not in shape.gone and rows
        }
    if shape.freeze_runs:
        sheets["freeze_tests.csv"] = freeze_tests(shape, hybrid, rng)
    return sheets


def role_of(i, shape):
    return "control" if i < shape.controls else "candidate"


def site_tables(site, number, shape, hybrid, growth, cold, rng):
    """Return header and rows of a site's tables, the plots first."""
    rows = {table: [] for table in COLUMNS}
    plots, row = [], 0
    effects = {h: value + rng.normal(0, 0 if shape.ties else 0.08) for h, value in hybrid.items()}
    seasons = {y: rng.normal(0, 0.15) for y in range(shape.plantings[0], SEASON + 1)}
    for planting in shape.plantings:
        for replicate in range(1, shape.replicates + 1):
            row += 1
            for column, i in enumerate(rng.permutation(shape.hybrids)):
                code, h = f"{row:02d}{column + 1:02d}", list(hybrid)[i]
                block = block_code(shape, replicate, column)
                plots.append(
                    [site, code, f"{site}{planting % 100}", replicate, block, row, column + 1]
                    + ["", h, "machine", "none", f"{planting}-05-10", 6, 4, AREA_M2, PLANTED]
                    + ["ok", "", ""]
                )
                noise = rng.normal(0, 0 if shape.ties else 0.12)
                grows = growth + effects[h] + noise
                plot_records(site, code, planting, grows, cold + effects[h], seasons, rows, rng)
    rows["weather"] = weather(site, shape.plantings[0], number, rng)
    return {"plots": (PLOT_COLUMNS, plots)} | {t: (COLUMNS[t], r) for t, r in rows.items()}


def block_code(shape, replicate, column):
    if shape.blocks == "none":
        return ""
    block = column // 4 + 1
    return f"R{replicate}B{block}" if shape.blocks == "plain" else f"B{block}"


def plot_records(site, plot, planting, grows, kills, seasons, rows, rng):
    """Count, cut and measure one plot in every season from its planting on."""
    alive = PLANTED - rng.binomial(PLANTED, 0.06)
    rows["stand_counts"].append(
        [site, plot, f"{planting}-06-20", "after_planting", alive, 0, "no", "AB"]
    )
    for crop_year, season in enumerate(range(planting, SEASON + 1)):
        rows["stand_counts"].append([site, plot, f"{season}-10-05", "autumn", alive, 0, "no", "AB"])
        risk = 0.005 if crop_year else 1 / (1 + np.exp(4 - kills))
        alive -= rng.binomial(alive, risk)
        rows["stand_counts"].append(
            [site, plot, f"{season + 1}-06-22", "summer", alive, 0, "no", "AB"]
        )
        dry = np.exp(grows + seasons[season]) * CROP_YEAR[min(crop_year, 4)] * alive / PLANTED
        share_dry = rng.uniform(0.6, 0.85)
        rows["harvests"].append(
            [site, plot, season, f"{season + 1}-02-20", AREA_M2]
            + [round(dry * AREA_M2 / 10 / share_dry, 2), 500, round(500 * share_dry, 1)]
            + [10, 0, 2.5, "ok", ""]
        )
        height, stem_g = 120 + 60 * min(crop_year, 2), 100 / 36 * dry * PLANTED / max(alive, 1)
        rows["stem_measures"] += [
            [site, plot, season, f"{season}-11-20", plant, int(rng.integers(18, 31))]
            + [round(height * np.exp(rng.normal(0.3 * grows, 0.05) - 0.6), 1), "ligule"]
            + [round(rng.normal(8, 0.6), 1), round(stem_g * rng.uniform(0.9, 1.1), 2), 0.25]
            for plant in (1, 2, 3)
            if alive
        ]
        emerged = date(season, 5, 1) + timedelta(days=int(rng.integers(0, 12)))
        flowered = date(season, 9, 1) + timedelta(days=int(rng.integers(0, 20)))
        if crop_year and alive:
            rows["phenology"].append([site, plot, season, emerged, "yes", flowered, 5])
    if planting < SEASON and alive:
        score = int(rng.integers(0, 5))
        rows["frost_scores"].append(
            [site, plot, f"{SEASON}-05-14", f"{SEASON}-05-18", score, 10 * score, "AB"]
        )


def weather(site, first, number, rng):
    """A plain yearly wave with noise, from the planting's spring to the early summer after."""
    start, end = date(first, 4, 1), date(SEASON + 1, 6, 30)
    days = [start + timedelta(days=i) for i in range((end - start).days)]
    wave = [10 - 11 * np.cos(2 * np.pi * (d.timetuple().tm_yday - 20) / 365) - number for d in days]
    low = np.round(np.array(wave) - 4 + rng.normal(0, 3, len(days)), 1)
    high = np.round(low + rng.uniform(4, 12, len(days)), 1)
    soil = np.round(np.maximum(low + 3, -6), 1)
    return [
        [site, d, a, b, round(float(r), 1), s, 75, 2.5, 10.0, 0]
        for d, a, b, s, r in zip(days, low, high, soil, rng.exponential(1.5, len(days)))
    ]


def freeze_tests(shape, hybrid, rng):
    header = (
        "run,tested_on,protocol,hybrid,tissue,temperature_c,units_tested,units_alive,source_site,"
        "lifted_on,unit,leakage_initial,leakage_after,leakage_total"
    )
    rows = []
    for run in range(shape.freeze_runs):
        shift = rng.normal(0, 0.4)
        for h, value in hybrid.items():
            for t in ("NA", -1, -2, -3, -4, -5):
                warm = t == "NA"
                alive = 0.97 if warm else 0.97 / (1 + np.exp(-2 * (t + 3 - value + shift)))
                rows.append(
                    [f"R{run + 1}", f"{SEASON}-01-{20 + run}", "P1", h, "rhizome", t, 10]
                    + [rng.binomial(10, alive), "S01", f"{SEASON}-01-10", "", "", "", ""]
                )
    return Sheet(header, rows)
