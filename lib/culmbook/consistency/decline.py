"""Does yield fall in old stands?"""

import numpy as np
import pandas as pd

from culmbook.consistency.age_or_weather import is_apart
from culmbook.consistency.build_up import WEATHER, dummies, settled
from culmbook.consistency.model import random_terms, season_records
from culmbook.text.numbers import fmt_list
from culmbook.text.words import is_are

OLD = 5
"""Crop year after which stands count as old."""


def decline(harvests: pd.DataFrame) -> pd.Series:
    """Does yield fall in old stands? Relative change per crop year past the fifth.

    Parameters
    ----------
    harvests : DataFrame
        From :func:`culmbook.yields.harvest.plot_harvests`.

    Returns
    -------
    Series
        ``change, lower, upper, p, n_seasons``: share per year; t interval with Satterthwaite's degrees of
        freedom.

    Raises
    ------
    ValueError
        No or one cut season past crop year 5, or age that cannot be told from the season.

    Notes
    -----
    Log yield = site + years past the fifth + hybrid, with season, site × season, planting year at a site,
    hybrid × site, plot random: needs plantings of several years, because in one planting a run of poor
    seasons looks the same.
    """
    cells = season_records(harvests)
    cells = cells.assign(
        past=(cells["crop_year"].astype(float) - OLD).clip(lower=0),
        cohort=(cells["growing_season"] - cells["crop_year"] + 1).astype("int64").astype("str"),
    )
    cells["cohort_site"] = cells["site"].astype(str) + ":" + cells["cohort"]
    old = sorted(cells.loc[cells["past"] > 0, "season"].unique())
    if len(old) < 2:
        raise ValueError(
            f"decline needs two seasons past crop year {OLD}; there {is_are(len(old))} {len(old) or 'none'}"
        )
    if not is_apart(cells, cells["past"]):
        raise ValueError(
            f"all plots were as old as each other in {fmt_list(old)}: "
            "an old stand and poor seasons look the same"
        )
    design = pd.concat(
        [dummies(cells, "site"), dummies(cells, "hybrid").iloc[:, 1:], cells[["past"]]], axis=1
    )
    fit = settled(
        design, cells, random_terms(cells, (*WEATHER, "hybrid_site", "plot_key"), within="site")
    )
    row = fit.contrast(pd.DataFrame({"past": [1.0]})).iloc[0]
    return pd.Series(
        {
            "change": np.expm1(row["estimate"]),
            "lower": np.expm1(row["lower"]),
            "upper": np.expm1(row["upper"]),
            "p": row["p"],
            "n_seasons": len(old),
        }
    )
