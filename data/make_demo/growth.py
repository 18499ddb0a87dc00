"""Growth of every plot in every season: the components that stems, harvests and phenology show."""

import numpy as np
import pandas as pd
from scipy.signal import lfilter

from make_demo.truth import EFFECT_ON

PLOT_SD = 0.09
# residual sd of log yield, larger in crop year 1; the weighing's own part comes with the harvest
RESIDUAL_SD = {1: 0.32}
RESIDUAL_SD_LATER = 0.19
SPATIAL_SHARE = 0.40
SPATIAL_CARRY = 0.5
# thinner stands carry more stems per plant: yield goes with density to the power 0.65
DENSITY_POWER = -0.35
PLOT_AREA_M2 = 24.0


def season_stand(plots, counts):
    """Plants alive in each plot and growing season.

    Parameters
    ----------
    plots : pandas.DataFrame
        ``site``, ``plot`` and ``planted_on``.
    counts : pandas.DataFrame
        Complete stand counts (before any are blanked).

    Returns
    -------
    pandas.DataFrame
        ``site``, ``plot``, ``growing_season``, ``crop_year``, ``alive``: the autumn count of the
        planting year, the early-summer count of later years.
    """
    counted = counts.merge(plots[["site", "plot", "planted_on"]], on=["site", "plot"])
    season = counted["counted_on"].dt.year
    crop_year = season - counted["planted_on"].dt.year + 1
    meant = ((crop_year == 1) & (counted["occasion"] == "autumn")) | (
        (crop_year > 1) & (counted["occasion"] == "summer")
    )
    frame = counted.assign(
        growing_season=season, crop_year=crop_year, alive=counted["plants_alive"]
    )
    return frame.loc[meant, ["site", "plot", "growing_season", "crop_year", "alive"]]


def simulate_growth(plots, stand, truth, rng):
    """Components and yield of each plot in each season.

    Parameters
    ----------
    plots : pandas.DataFrame
        The plots table.
    stand : pandas.DataFrame
        As `season_stand` gives it; seasons without a known truth are left out.
    truth : Truth
    rng : numpy.random.Generator

    Returns
    -------
    pandas.DataFrame
        One row for each plot and season: plot columns, ``growing_season``, ``crop_year``,
        ``alive``, ``stems`` per plant, ``stem_height_cm``, ``stem_diameter_mm``,
        ``stem_dry_mass_g``, ``dry_yield_t_ha`` on 15 February.
    """
    truths = truth.yields.drop(columns=["crop_year", "dry_yield_t_ha"])
    keys = ["hybrid", "site", "trial", "planting_method", "film"]
    placed = plots[["plot", "replicate", "block", "row", "column", "plants_planted", *keys]]
    frame = stand.merge(placed, on=["site", "plot"]).merge(truths, on=[*keys, "growing_season"])
    frame = frame.sort_values(["site", "plot", "growing_season"], ignore_index=True)
    effect = _plot_effects(frame, rng)
    share = np.maximum(frame["alive"], 1) / frame["plants_planted"]
    frame["stems"] *= np.exp(EFFECT_ON["stems"] * effect) * share**DENSITY_POWER
    frame["stem_height_cm"] *= np.exp(EFFECT_ON["height"] * effect)
    frame["stem_diameter_mm"] *= np.exp(EFFECT_ON["diameter"] * effect)
    frame["stem_dry_mass_g"] *= np.exp((EFFECT_ON["height"] + 2 * EFFECT_ON["diameter"]) * effect)
    density = frame["alive"] / PLOT_AREA_M2
    frame["dry_yield_t_ha"] = density * frame["stems"] * frame["stem_dry_mass_g"] / 100
    return frame


def _plot_effects(frame, rng):
    """Log effects: one for each plot for good, one for each season, part of it smooth over the
    field.
    """
    codes, plots = pd.factorize(frame["site"] + frame["plot"], sort=True)
    lasting = rng.normal(0, PLOT_SD, len(plots))[codes]
    sd = frame["crop_year"].map(RESIDUAL_SD).fillna(RESIDUAL_SD_LATER).to_numpy()
    smooth = np.empty(len(frame))
    for _, rows in frame.groupby(["site", "trial", "growing_season"], sort=True):
        field = _field(rows["row"].max(), rows["column"].max(), rng)
        smooth[rows.index] = field[rows["row"] - 1, rows["column"] - 1]
    rough = rng.normal(0, 1, len(frame))
    return lasting + sd * (np.sqrt(SPATIAL_SHARE) * smooth + np.sqrt(1 - SPATIAL_SHARE) * rough)


def _field(n_rows, n_columns, rng):
    """First-order autoregressive field in both directions, with unit variance."""
    scale = np.sqrt(1 - SPATIAL_CARRY**2)
    field = rng.normal(size=(n_rows, n_columns))
    field[1:] *= scale
    field = lfilter([1], [1, -SPATIAL_CARRY], field, axis=0)
    field[:, 1:] *= scale
    return lfilter([1], [1, -SPATIAL_CARRY], field, axis=1)
