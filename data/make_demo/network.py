"""Put the demo network together: simulated tables, then the faults that real sheets carry."""

import pandas as pd

from make_demo.faults import (
    blank_counts,
    block_planter_unit,
    damage_plots,
    gaps_table,
    punch_weather,
    replant_two,
)
from make_demo.frost import (
    frost_events,
    simulate_freeze_runs,
    simulate_frost_scores,
    simulate_leakage,
)
from make_demo.growth import season_stand, simulate_growth
from make_demo.layout import network_plots
from make_demo.scenario import GROWING_SEASONS, LATE_FROSTS, SITES, part_rng
from make_demo.slips import (
    drop_height,
    leave_out,
    mistype_count,
    slip_unit,
    spoil_harvests,
    swap_labels,
)
from make_demo.stand import simulate_stand_counts
from make_demo.stems_harvest import simulate_harvests, simulate_phenology, simulate_stems
from make_demo.truth import truth
from make_demo.weather_series import network_weather


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
    counts = block_planter_unit(_by(plots, "trial", known, "stand", simulate_stand_counts))
    plots = damage_plots(plots, counts, part_rng(seed, "damage"))
    counts = replant_two(counts, plots)
    weather = weather_table(seed)
    growth = simulate_growth(plots, season_stand(plots, counts), known, part_rng(seed, "growth"))
    tables = measured_tables(growth, plots, weather, known)
    counts = blank_counts(counts, plots, part_rng(seed, "uncounted"))
    counts, corrections = mistype_count(counts, plots)
    tables |= {
        "sites": sites_table(),
        "hybrids": hybrids_table(known),
        "plots": swap_labels(plots),
        "stand_counts": counts,
        "plant_gaps": gaps_table(plots, counts, part_rng(seed, "gaps")),
        "weather": punch_weather(weather),
        "freeze_tests": freeze_table(known),
        "corrections": corrections,
    }
    return tables | {"decisions": decisions_table(tables["harvests"], plots, known)}


def measured_tables(growth, plots, weather, known):
    """Stem measures, phenology, harvests and frost scores of all sites, with their slips."""
    harvests = _by(growth, "site", known, "harvest", simulate_harvests)
    phenology = _by(growth, "site", known, "phenology", simulate_phenology)
    stems = _by(growth, "site", known, "stems", lambda rows, _, rng: simulate_stems(rows, rng))
    scores = frost_table(plots, phenology, weather, known)
    return {
        "frost_scores": leave_out(scores, plots),
        "stem_measures": drop_height(leave_out(stems, plots)),
        "harvests": slip_unit(
            spoil_harvests(harvests, plots, part_rng(known.seed, "harvest slips"))
        ),
        "phenology": leave_out(phenology, plots),
    }


def sites_table():
    """The sites table."""
    return pd.DataFrame(
        {
            "site": [s.code for s in SITES],
            "site_name": [f"{s.name} (invented)" for s in SITES],
            "country": [s.country for s in SITES],
            "latitude": [s.latitude for s in SITES],
            "longitude": [s.longitude for s in SITES],
            "altitude_m": [s.altitude_m for s in SITES],
            "soil_texture": [s.soil_texture for s in SITES],
            "previous_crop": [s.previous_crop for s in SITES],
        }
    )


def hybrids_table(known):
    """The hybrids table; lots and parents are invented codes."""
    frame = known.hybrids.reset_index()
    number = range(1, len(frame) + 1)
    bred = frame["role"] == "candidate"
    return pd.DataFrame(
        {
            "hybrid": frame["hybrid"],
            "role": frame["role"],
            "propagation": frame["propagation"],
            "stage": "replicated",
            "crop_type": frame["crop_type"],
            "seed_lot": [f"L{i:03d}" for i in number],
            "female_parent": [f"P{i % 7 + 1:02d}" if b else pd.NA for i, b in zip(number, bred)],
            "male_parent": [f"P{i % 5 + 11:02d}" if b else pd.NA for i, b in zip(number, bred)],
        }
    )


def weather_table(seed):
    """Daily weather of every site; where there is no probe the soil column stays empty."""
    parts = []
    series = network_weather(seed)
    for site in SITES:
        weather = series[site.code]
        weather = _with_late_frosts(weather, site.code)
        if not site.has_soil_probe:
            weather = weather.assign(soil_temperature_5cm_min_c=float("nan"))
        parts.append(weather.assign(site=site.code))
    frame = pd.concat(parts, ignore_index=True)
    return frame[["site", *[c for c in frame.columns if c != "site"]]]


def _with_late_frosts(weather, site):
    lowest = weather.set_index("date")["air_temperature_min_c"].copy()
    for (place, night), value in LATE_FROSTS.items():
        if place == site:
            lowest[pd.Timestamp(night)] = value
    return weather.assign(air_temperature_min_c=lowest.to_numpy())


def frost_table(plots, phenology, weather, known):
    """Scores after the hardest spring frost of each season, on plots past their first year."""
    parts = []
    for site in SITES:
        days = weather[weather["site"] == site.code]
        for season in GROWING_SEASONS:
            event = frost_events(days, season)
            standing = plots[(plots["site"] == site.code) & (plots["planted_on"].dt.year < season)]
            if event is None or standing.empty:
                continue
            emerged = phenology[phenology["growing_season"] == season]
            emerged = emerged.set_index(["site", "plot"])["emerged_on"]
            keys = pd.MultiIndex.from_frame(standing[["site", "plot"]])
            emerged = emerged.reindex(keys).set_axis(standing.index)
            rng = part_rng(known.seed, f"frost {site.code} {season}")
            parts.append(simulate_frost_scores(standing, emerged, *event, known, rng))
    return pd.concat(parts, ignore_index=True)


def freeze_table(known):
    """Regrowth and leakage tests of the whole network."""
    columns = [
        "run",
        "tested_on",
        "protocol",
        "hybrid",
        "tissue",
        "temperature_c",
        "units_tested",
        "units_alive",
        "source_site",
        "lifted_on",
        "unit",
        "leakage_initial",
        "leakage_after",
        "leakage_total",
    ]
    regrowth = simulate_freeze_runs(known.hybrids.index, known, part_rng(known.seed, "freezer"))
    leakage = simulate_leakage(known, part_rng(known.seed, "leakage"))
    frame = pd.concat([regrowth, leakage], ignore_index=True)[columns]
    return frame.astype({"units_tested": "Int64", "units_alive": "Int64"})


def decisions_table(harvests, plots, known):
    """What a yearly meeting might have decided on mean fresh yields: a record, not a truth."""
    cut = harvests.merge(plots[["site", "plot", "hybrid"]], on=["site", "plot"])
    candidates = known.hybrids.index[known.hybrids["role"] == "candidate"]
    parts = []
    for season in (2023, 2024):
        rows = cut[cut["growing_season"] == season]
        rank = (
            rows.groupby("hybrid")["fresh_mass_kg"].mean().reindex(candidates).rank(ascending=False)
        )
        best, worst = (3, len(rank) - 2) if season == 2024 else (0, len(rank))
        decision = (
            pd.Series("hold", rank.index).mask(rank <= best, "promote").mask(rank > worst, "drop")
        )
        parts.append(
            pd.DataFrame(
                {
                    "hybrid": rank.index,
                    "growing_season": season,
                    "decision": decision.to_numpy(),
                    "stage": "replicated",
                    "decided_on": pd.Timestamp(season + 1, 6, 27),
                    "reason": decision.map(REASONS).to_numpy(),
                }
            )
        )
    return pd.concat(parts, ignore_index=True)


REASONS = {
    "hold": "too few seasons after establishment",
    "promote": "among the heaviest cuts at most sites",
    "drop": "light cuts at most sites",
}


def _by(frame, key, known, part, simulate):
    """Simulate group by group, each from its own stream."""
    frames = [
        simulate(group.reset_index(drop=True), known, part_rng(known.seed, f"{part} {value}"))
        for value, group in frame.groupby(key, sort=False)
    ]
    return pd.concat(frames, ignore_index=True)
