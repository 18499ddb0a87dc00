"""Field layouts of the demo trials: incomplete blocks, or main plots of planting method × film."""

import pandas as pd

from make_demo.scenario import (
    HARVEST_AREA_M2,
    PLANTS_PER_PLOT,
    PLOT_LENGTH_M,
    PLOT_WIDTH_M,
    SITES,
    entries_of,
    part_rng,
    treatments_of,
)
from make_demo.truth import trial_code

REPLICATES = 3
BLOCK_SIZE = 7


def simulate_plots(site, planting_year, truth, rng, replicates=REPLICATES):
    """Lay out one trial.

    Parameters
    ----------
    site : make_demo.scenario.Site
    planting_year : int
    truth : Truth
        For the crop types, which fix the planting density.
    rng : numpy.random.Generator
    replicates : int

    Returns
    -------
    pandas.DataFrame
        The columns of the plots table, every plot ``ok``. A split-plot site gives each
        main plot one field row; elsewhere a replicate fills two rows of thirteen.
    """
    lay = _split_plot if site.split_plot else _blocks_only
    frame = pd.DataFrame(lay(site, rng, replicates))
    first_row = 0 if planting_year == min(site.plantings) else 20
    crop_type = truth.hybrids["crop_type"]
    return frame.assign(
        site=site.code,
        plot=[f"{r + first_row:02d}{c:02d}" for r, c in zip(frame["row"], frame["column"])],
        trial=trial_code(site, planting_year),
        planted_on=pd.Timestamp(site.plantings[planting_year]),
        plot_length_m=PLOT_LENGTH_M,
        plot_width_m=PLOT_WIDTH_M,
        harvest_area_m2=HARVEST_AREA_M2,
        plants_planted=frame["hybrid"].map(crop_type).map(PLANTS_PER_PLOT),
        status="ok",
        status_reason="",
        status_cause="",
    )[PLOT_COLUMNS]


PLOT_COLUMNS = [
    "site",
    "plot",
    "trial",
    "replicate",
    "block",
    "row",
    "column",
    "main_plot",
    "hybrid",
    "planting_method",
    "film",
    "planted_on",
    "plot_length_m",
    "plot_width_m",
    "harvest_area_m2",
    "plants_planted",
    "status",
    "status_reason",
    "status_cause",
]


def network_plots(truth):
    """Plots of every trial of the demo, as laid out by the truth's seed."""
    return pd.concat(
        [
            simulate_plots(
                site, year, truth, part_rng(truth.seed, f"layout {trial_code(site, year)}")
            )
            for site in SITES
            for year in site.plantings
        ],
        ignore_index=True,
    )


def _blocks_only(site, rng, replicates):
    entries = entries_of(site)
    method, film = treatments_of(site)[0]
    half = len(entries) // 2
    for replicate in range(1, replicates + 1):
        for i, hybrid in enumerate(rng.permutation(entries)):
            row, column = divmod(i, half)
            yield {
                "replicate": str(replicate),
                "block": f"R{replicate}B{2 * row + (column >= BLOCK_SIZE) + 1}",
                "row": 2 * (replicate - 1) + row + 1,
                "column": column + 1,
                "main_plot": "",
                "hybrid": str(hybrid),
                "planting_method": method,
                "film": film,
            }


def _split_plot(site, rng, replicates):
    entries = entries_of(site)
    treatments = treatments_of(site)
    for replicate in range(1, replicates + 1):
        for strip, which in enumerate(rng.permutation(len(treatments)), start=1):
            method, film = treatments[which]
            for i, hybrid in enumerate(rng.permutation(entries)):
                yield {
                    "replicate": str(replicate),
                    "block": f"R{replicate}M{strip}B{i // BLOCK_SIZE + 1}",
                    "row": len(treatments) * (replicate - 1) + strip,
                    "column": i + 1,
                    "main_plot": f"R{replicate}M{strip}",
                    "hybrid": str(hybrid),
                    "planting_method": method,
                    "film": film,
                }
