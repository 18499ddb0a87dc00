"""What is measured on growing plots: stems, phenology, and the winter cut."""

import numpy as np
import pandas as pd

from make_demo.scenario import HARVEST_AREA_M2, site_named

# plant-to-plant sds of log stems, height and diameter (about 0.4 in a plant's mass together)
PLANT_SD = {
    "stems": 0.30,
    "stem_height_cm": 0.10,
    "stem_diameter_mm": 0.10,
    "stem_dry_mass_g": 0.08,
}
WEIGHING_SD = 0.10
PLANTS_MEASURED = 5
PLANTS_MEASURED_SPLIT = 4
LEAF_FRACTION_NOVEMBER = 0.22
MOISTURE_MID_OCTOBER = 63.0
MOISTURE_PER_DAY = 0.28
MOISTURE_FLOOR = 15.0
MOISTURE_PLOT_SD = 3.0
# share of log mass lost per day of winter
WINTER_LOSS = 0.0036
# leaves that still hang on the stems when they are cut
LEAF_AT_CUT = 1.06
CUT_DAY = {"MELDO": (2, 20), "KRAVO": (2, 26), "DRYSA": (2, 2), "UPLEN": (2, 28), "ISKEY": (2, 14)}
EMERGENCE_DAY = 115
LAST_FLOWERING_DAY = 291
AUGUST_SITES = ("MELDO", "ISKEY")
AUGUST_HEIGHT = 0.82


def simulate_stems(growth, rng):
    """Plants measured in November, some of them also in August.

    Parameters
    ----------
    growth : pandas.DataFrame
        As `make_demo.growth.simulate_growth` gives it, of one site.
    rng : numpy.random.Generator

    Returns
    -------
    pandas.DataFrame
        The columns of the stem measures table. Marked plants 1 and 2 of the older trial have
        an August height as well in the latest season, at the sites named in `AUGUST_SITES`.
    """
    site = growth["site"].iloc[0]
    n = PLANTS_MEASURED_SPLIT if site_named(site).split_plot else PLANTS_MEASURED
    rows = growth.loc[growth.index.repeat(np.minimum(growth["alive"], n))].reset_index(drop=True)
    rows["plant"] = rows.groupby(["plot", "growing_season"]).cumcount() + 1
    deviation = {name: rng.normal(-(sd**2) / 2, sd, len(rows)) for name, sd in PLANT_SD.items()}
    mass = (
        deviation["stem_height_cm"]
        + 2 * deviation["stem_diameter_mm"]
        + deviation["stem_dry_mass_g"]
    )
    november = rows[["site", "plot", "growing_season", "plant"]].assign(
        measured_on=_on(rows["growing_season"], (11, 12)),
        stems=np.maximum(1, np.round(rows["stems"] * np.exp(deviation["stems"]))).astype(int),
        stem_height_cm=np.round(rows["stem_height_cm"] * np.exp(deviation["stem_height_cm"])),
        height_method="ligule",
        stem_diameter_mm=rows["stem_diameter_mm"] * np.exp(deviation["stem_diameter_mm"]),
        stem_dry_mass_g=rows["stem_dry_mass_g"] * np.exp(mass),
        leaf_fraction=np.clip(rng.normal(LEAF_FRACTION_NOVEMBER, 0.04, len(rows)), 0.05, 0.45),
    )
    latest = rows["growing_season"].max()
    marked = (rows["growing_season"] == latest) & (rows["crop_year"] > 1) & (rows["plant"] <= 2)
    august = _august(november[marked], rng) if site in AUGUST_SITES else november.iloc[:0]
    frame = pd.concat([november, august], ignore_index=True)[STEM_COLUMNS]
    return frame.sort_values(["site", "plot", "measured_on", "plant"], ignore_index=True)


STEM_COLUMNS = [
    "site",
    "plot",
    "growing_season",
    "measured_on",
    "plant",
    "stems",
    "stem_height_cm",
    "height_method",
    "stem_diameter_mm",
    "stem_dry_mass_g",
    "leaf_fraction",
]


def _august(november, rng):
    grown = november["stem_height_cm"] * rng.normal(AUGUST_HEIGHT, 0.02, len(november))
    return november.assign(
        measured_on=_on(november["growing_season"], (8, 20)),
        stems=pd.NA,
        stem_height_cm=np.round(grown),
        stem_diameter_mm=np.nan,
        stem_dry_mass_g=np.nan,
        leaf_fraction=np.nan,
    )


def simulate_phenology(growth, truth, rng):
    """Emergence, flowering and senescence of each plot and season of one site.

    Parameters
    ----------
    growth : pandas.DataFrame
        As `make_demo.growth.simulate_growth` gives it.
    truth : Truth
    rng : numpy.random.Generator

    Returns
    -------
    pandas.DataFrame
        The columns of the phenology table. Plants set as plugs have no emergence date in their
        first season; flowering later than mid-October does not happen.
    """
    traits = truth.hybrids.loc[growth["hybrid"]].reset_index(drop=True)
    local = truth.sites.loc[growth["site"].iloc[0]]
    n = len(growth)
    emerged = EMERGENCE_DAY + local["emergence"] + traits["emergence"] + _by_season(growth, 4, rng)
    emerged = (emerged + rng.normal(0, 3, n)).round().clip(82, 188)
    flowering = traits["flowering"] + local["flowering"] + _by_season(growth, 5, rng)
    flowering = (
        flowering + 14 * (growth["crop_year"] == 1).to_numpy() + rng.normal(0, 3, n)
    ).round()
    flowered = flowering <= LAST_FLOWERING_DAY
    senescence = 5.5 + (250 - flowering) / 11 + rng.normal(0, 0.7, n)
    first = (growth["crop_year"] == 1).to_numpy()
    return pd.DataFrame(
        {
            "site": growth["site"].to_numpy(),
            "plot": growth["plot"].to_numpy(),
            "growing_season": growth["growing_season"].to_numpy(),
            "emerged_on": _day_of_year(growth["growing_season"], emerged).mask(first),
            "flowered": np.where(flowered, "yes", "no"),
            "flowered_on": _day_of_year(growth["growing_season"], flowering).where(flowered),
            "senescence_score": senescence.round().clip(0, 9).astype(int),
        }
    )


def simulate_harvests(growth, truth, rng):
    """The winter cut of each plot and season of one site.

    Parameters
    ----------
    growth : pandas.DataFrame
        As `make_demo.growth.simulate_growth` gives it.
    truth : Truth
    rng : numpy.random.Generator

    Returns
    -------
    pandas.DataFrame
        The columns of the harvests table, every plot ``ok``; ash for the first replicate only.
    """
    site = growth["site"].iloc[0]
    n = len(growth)
    traits = truth.hybrids.loc[growth["hybrid"]].reset_index(drop=True)
    cut = _on(growth["growing_season"] + 1, CUT_DAY[site])
    cut = cut + pd.to_timedelta(np.round(_by_season(growth, 4, rng)).clip(-8, 8), unit="D")
    moisture = _moisture(cut, growth, traits, truth.sites.loc[site, "moisture"], rng)
    dry = growth["dry_yield_t_ha"] * LEAF_AT_CUT * np.exp(rng.normal(0, WEIGHING_SD, n))
    dry = dry * np.exp(-WINTER_LOSS * (cut - _on(growth["growing_season"] + 1, (2, 15))).dt.days)
    sample = rng.uniform(420, 680, n)
    lodged = rng.random(n) < 0.04 * (growth["stem_height_cm"] / 200) ** 2
    return pd.DataFrame(
        {
            "site": growth["site"],
            "plot": growth["plot"],
            "growing_season": growth["growing_season"],
            "harvested_on": cut,
            "harvested_area_m2": HARVEST_AREA_M2,
            "fresh_mass_kg": dry * HARVEST_AREA_M2 / 10 / (1 - moisture / 100),
            "subsample_fresh_g": sample,
            "subsample_dry_g": sample * (1 - moisture / 100),
            "cut_height_cm": np.round(rng.normal(12, 1.5, n)),
            "lodged_pct": np.where(lodged, 5 * rng.integers(1, 13, n), 0),
            "ash_pct": np.where(
                growth["replicate"] == "1", traits["ash"] + rng.normal(0, 0.2, n), np.nan
            ),
            "status": "ok",
            "status_reason": "",
        }
    )


def _moisture(cut, growth, traits, local, rng):
    days = (cut - _on(growth["growing_season"], (10, 15))).dt.days
    moisture = MOISTURE_MID_OCTOBER - MOISTURE_PER_DAY * days + local + traits["moisture"]
    return (moisture + rng.normal(0, MOISTURE_PLOT_SD, len(growth))).clip(lower=MOISTURE_FLOOR)


def _by_season(growth, sd, rng):
    """One effect shared by all plots of a trial and season."""
    codes, levels = pd.factorize(growth["trial"] + growth["growing_season"].astype(str), sort=True)
    return rng.normal(0, sd, len(levels))[codes]


def _on(year, month_day):
    month, day = month_day
    return pd.to_datetime(pd.DataFrame({"year": year, "month": month, "day": day}))


def _day_of_year(year, day):
    start = pd.to_datetime(pd.DataFrame({"year": year.to_numpy(), "month": 1, "day": 1}))
    return start + pd.to_timedelta(day.to_numpy() - 1, unit="D")
