"""Lodging, ash, leaf share, flowering and senescence of the hybrids, each with its interval."""

import numpy as np
import pandas as pd

from culmbook.stats.shares import share_interval
from culmbook.yields.means import fit_means, hybrid_means

PLACE = [
    "site",
    "plot",
    "trial",
    "replicate",
    "block",
    "main_plot",
    "hybrid",
    "planting_method",
    "film",
]
TRAITS = {
    "ash_pct": ("Ash", "% of dry mass"),
    "leaf_fraction": ("Leaf share", "share of dry mass"),
    "flowering_day": ("Flowering", "day of year"),
    "emergence_day": ("Emergence", "day of year"),
    "senescence_score": ("Senescence", "score 0–9"),
}
"""Measured traits with a mean and an interval: label and unit."""


def phenology_days(phenology: pd.DataFrame, plots: pd.DataFrame) -> pd.DataFrame:
    """Days of the year of emergence and flowering of every ok plot and season.

    Parameters
    ----------
    phenology : DataFrame
        Table ``phenology``; ``flowered = no`` with a blank date is a plot that never flowered, which is not
        missing.
    plots : DataFrame
        Table ``plots``.

    Returns
    -------
    DataFrame
        The plot's columns, ``growing_season, emergence_day, flowering_day`` (1 = 1 January; missing where it
        did not happen or was not seen), ``flowered`` {yes, no, missing}, ``senescence_score`` as a number.
    """
    ok = plots.loc[plots["status"].eq("ok"), PLACE]
    rows = phenology[
        [
            "site",
            "plot",
            "growing_season",
            "emerged_on",
            "flowered",
            "flowered_on",
            "senescence_score",
        ]
    ]
    rows = rows.merge(ok, on=["site", "plot"])
    return rows.assign(
        emergence_day=rows["emerged_on"].dt.day_of_year.astype("float64"),
        flowering_day=rows["flowered_on"].dt.day_of_year.astype("float64"),
        senescence_score=rows["senescence_score"].astype("float64"),
    )


def trait_means(frame: pd.DataFrame, trait: str, *, level: float = 0.95) -> pd.DataFrame:
    """Mean of one measured trait by hybrid.

    Parameters
    ----------
    frame : DataFrame
        One season: the plot's columns and the trait. Plots without it are not used.
    trait : str
        Any numeric column; for ``senescence_score`` the steps are taken as alike, and limits stay in 0-9;
        shares stay in 0-1.
    level : float
        Confidence of each interval, 0-1.

    Returns
    -------
    DataFrame
        As :func:`culmbook.yields.means.hybrid_means`.

    Raises
    ------
    ValueError
        As :func:`culmbook.yields.means.fit_means`.

    Notes
    -----
    Flowering days are those of plots that flowered; how many did is :func:`flowering_shares`' to say.
    """
    means = hybrid_means(fit_means(frame, trait), level=level)
    bounds = {"senescence_score": (0, 9), "leaf_fraction": (0, 1), "ash_pct": (0, 100)}.get(trait)
    if bounds is None:
        return means
    return means.assign(lower=means["lower"].clip(*bounds), upper=means["upper"].clip(*bounds))


def flowering_shares(frame: pd.DataFrame, *, level: float = 0.95) -> pd.DataFrame:
    """Share of each hybrid's plots that flowered.

    Parameters
    ----------
    frame : DataFrame
        From :func:`phenology_days`, one season; plots without an answer are not used.
    level : float
        Confidence of each interval, 0-1.

    Returns
    -------
    DataFrame
        ``hybrid, n_plots, n_flowered, share, lower, upper``: exact intervals, plots taken as independent.
    """
    seen = frame[frame["flowered"].isin(["yes", "no"])]
    return _shares(seen["hybrid"], seen["flowered"].eq("yes"), "n_flowered", level)


def lodging(frame: pd.DataFrame, *, level: float = 0.95, least_pct: float = 0.0) -> pd.DataFrame:
    """Share of each hybrid's plots that lodged, and how much of them.

    Parameters
    ----------
    frame : DataFrame
        From :func:`culmbook.yields.harvest.plot_harvests`, one season; plots without ``lodged_pct`` are not used.
    level : float
        Confidence of each interval, 0-1.
    least_pct : float
        A plot has lodged if more than this lies [%], 0-100.

    Returns
    -------
    DataFrame
        ``hybrid, n_plots, n_lodged, share, lower, upper`` (exact intervals, plots taken as independent) and
        ``lodged_pct``, the mean of the plots that lodged. Most plots do not lodge, so a mean over all of them
        with a t interval would describe neither kind.
    """
    seen = frame[frame["lodged_pct"].notna()]
    has_lodged = seen["lodged_pct"].gt(least_pct)
    table = _shares(seen["hybrid"], has_lodged, "n_lodged", level)
    how_much = seen[has_lodged].groupby("hybrid")["lodged_pct"].mean()
    return table.assign(lodged_pct=table["hybrid"].map(how_much))


def _shares(hybrid, happened, name, level):
    table = happened.groupby(hybrid).agg(n_plots="size", n="sum").rename(columns={"n": name})
    if table.empty:
        return (
            table.assign(share=np.nan, lower=np.nan, upper=np.nan)
            .rename_axis("hybrid")
            .reset_index()
        )
    lower, upper = share_interval(table[name], table["n_plots"], level=level, kind="exact")
    table = table.assign(
        share=table[name] / table["n_plots"], lower=np.asarray(lower), upper=np.asarray(upper)
    )
    return table.reset_index().sort_values(
        ["share", "hybrid"], ascending=[False, True], ignore_index=True
    )
