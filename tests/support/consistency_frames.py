"""Small invented trials over several seasons for the tests of consistency; rows as
``plot_harvests`` gives them.
"""

import numpy as np

from known_truth_consistency import draw_spreads, layout, simulate


def make_seasons(
    rng,
    *,
    sites=2,
    seasons=3,
    first_crop_year=3,
    hybrids=8,
    missing=0.05,
    plantings=(2020,),
    spreads=None,
):
    """Yields of plots over sites and seasons; H00 is the control."""
    frame = layout(
        rng, sites, seasons, first_crop_year, hybrids=hybrids, missing=missing, plantings=plantings
    )
    y, _ = simulate(frame, {**draw_spreads(rng), **(spreads or {})}, rng)
    return frame.assign(dry_yield_t_ha=np.exp(y))
