"""Small invented trials for the tests of harvest and yield components."""

import numpy as np
import pandas as pd


def make_ground(hybrids=("H1", "H2", "STD"), replicates=3, *, site="S1", trial="T1", planted=2022):
    """One plot of every hybrid and replicate, as in table ``plots``."""
    rows = [{"replicate": str(r), "hybrid": h} for r in range(1, replicates + 1) for h in hybrids]
    frame = pd.DataFrame(rows)
    blank = pd.array([pd.NA] * len(rows), dtype="str")
    return frame.assign(
        site=site,
        plot=[f"{i:03d}" for i in range(1, len(rows) + 1)],
        trial=trial,
        block="B" + frame["replicate"],
        main_plot=blank,
        planting_method="machine",
        film="none",
        planted_on=pd.Timestamp(planted, 5, 4),
        plot_length_m=6.0,
        plot_width_m=4.0,
        harvest_area_m2=12.0,
        plants_planted=pd.array([36] * len(rows), dtype="Int64"),
        status="ok",
        status_reason=blank,
        status_cause=blank,
    )


def make_harvests(ground, season=2025, *, day="2026-02-14", fresh_kg=12.0, moisture_pct=30.0):
    """A cut of every plot, all alike unless numbers for each plot are given."""
    n, blank = len(ground), pd.array([pd.NA] * len(ground), dtype="str")
    return pd.DataFrame(
        {
            "site": ground["site"].to_numpy(),
            "plot": ground["plot"].to_numpy(),
            "growing_season": pd.array([season] * n, dtype="Int64"),
            "harvested_on": pd.Timestamp(day),
            "harvested_area_m2": 12.0,
            "fresh_mass_kg": fresh_kg,
            "subsample_fresh_g": 500.0,
            "subsample_dry_g": 500.0 * (1 - np.asarray(moisture_pct) / 100),
            "cut_height_cm": 10.0,
            "lodged_pct": 0.0,
            "ash_pct": np.nan,
            "status": "ok",
            "status_reason": blank,
            "source_file": "S1/harvests.csv",
            "source_line": pd.array(range(2, n + 2), dtype="Int64"),
        }
    )


def make_stems(
    ground,
    season=2025,
    *,
    day="2025-11-12",
    plants=3,
    stems=30,
    height=200.0,
    diameter=9.0,
    mass=20.0,
):
    """Plants of every plot, all alike unless numbers for each row are given."""
    rows = ground.loc[ground.index.repeat(plants), ["site", "plot"]].reset_index(drop=True)
    n = len(rows)
    return rows.assign(
        growing_season=pd.array([season] * n, dtype="Int64"),
        measured_on=pd.Timestamp(day),
        plant=(rows.groupby("plot").cumcount() + 1).astype("str"),
        stems=pd.array(np.broadcast_to(stems, n), dtype="Int64"),
        stem_height_cm=height,
        height_method="ligule",
        stem_diameter_mm=diameter,
        stem_dry_mass_g=mass,
        leaf_fraction=0.2,
        source_file="S1/stem_measures.csv",
        source_line=pd.array(range(2, n + 2), dtype="Int64"),
    )


def make_counts(ground, alive=24, day="2025-06-24"):
    """A count of every plot."""
    return pd.DataFrame(
        {
            "site": ground["site"],
            "plot": ground["plot"],
            "counted_on": pd.Timestamp(day),
            "plants_alive": pd.array(np.broadcast_to(alive, len(ground)), dtype="Int64"),
        }
    )


def draw_plots(
    rng,
    between,
    within,
    hybrids=24,
    replicates=3,
    *,
    names=("plants_per_m2", "stems_per_plant", "stem_mass_g"),
    missing=0.03,
):
    """Log traits of plots and the true means of their hybrids; some plots are lost."""
    true = rng.multivariate_normal(np.zeros(len(between)), between, hybrids)
    error = rng.multivariate_normal(np.zeros(len(within)), within, hybrids * replicates)
    frame = pd.DataFrame(np.repeat(true, replicates, axis=0) + error, columns=list(names))
    frame = frame.assign(
        hybrid=np.repeat([f"H{i:02d}" for i in range(hybrids)], replicates),
        unit=np.tile([str(i) for i in range(replicates)], hybrids),
    )
    return frame[rng.random(len(frame)) >= missing].reset_index(drop=True), true
