"""Which season a row belongs to, and what a report on a season may use.

The season of year Y is the growing season of that calendar year and the winter that ends it, up to
the early-summer count of year Y + 1.
"""

from dataclasses import replace

import pandas as pd

SEASON_ENDS = (6, 30)  # month and day of the following year
WINTER_OCCASIONS = ("spring", "summer")  # these counts judge the winter before
LATE_SUMMER = 8  # month from which on a look at the gaps belongs to the season of its own year


def season_end(season):
    """Return the last day of a season.

    Examples
    --------
    >>> season_end(2025)
    Timestamp('2026-06-30 00:00:00')
    """
    return pd.Timestamp(season + 1, *SEASON_ENDS)


def count_season(stand_counts):
    """Return the growing season each stand count belongs to, from its date and occasion (Int64)."""
    year = stand_counts["counted_on"].dt.year.astype("Int64")
    return year - stand_counts["occasion"].isin(WINTER_OCCASIONS).astype("Int64")


def frost_season(frost_scores):
    """Return the growing season each frost score belongs to: the calendar year of its frost
    (Int64).
    """
    return frost_scores["frost_on"].fillna(frost_scores["scored_on"]).dt.year.astype("Int64")


def gap_season(plant_gaps, stand_counts, plots):
    """Return the growing season each look at the plant gaps belongs to (Int64).

    The occasion of the stand count of the same site and day decides. Without one, a look before
    August belongs to the season before, unless its plot was planted in that year.
    """
    look, plot = ["site", "counted_on"], ["site", "plot"]
    days = stand_counts[look].assign(season=count_season(stand_counts)).drop_duplicates(look)
    season = plant_gaps[look].merge(days, how="left")["season"]
    planted = plant_gaps[plot].merge(plots[[*plot, "planted_on"]], how="left")["planted_on"].dt.year
    year = plant_gaps["counted_on"].dt.year
    is_winter = (plant_gaps["counted_on"].dt.month < LATE_SUMMER) & (planted < year)
    season.index = plant_gaps.index
    return season.astype("Int64").fillna((year - is_winter.astype("int64")).astype("Int64"))


def seasons_there(network):
    """Return the seasons of which a network holds a planting or anything observed, in order."""
    tables = network.tables
    counts, scores = tables["stand_counts"], tables["frost_scores"]
    found = [
        planting_year(tables["plots"]),
        count_season(counts),
        frost_season(scores),
        gap_season(tables["plant_gaps"], counts, tables["plots"]),
        *(tables[name]["growing_season"] for name in ("stem_measures", "harvests", "phenology")),
    ]
    return sorted({int(year) for years in found for year in years.dropna()})


def of_season(network, season):
    """Return the network as a report on `season` may use it: that season and those before, nothing
    after.

    Parameters
    ----------
    network : culmbook.sheets.read.Network
    season : int
        Calendar year of the growing season.

    Returns
    -------
    culmbook.sheets.read.Network
        ``stand_counts``, ``frost_scores`` and ``plant_gaps`` have gained ``growing_season``
        (Int64). Kept are rows of growing seasons up to `season`; plots planted by then (a plot
        without a date goes with its trial); weather and freeze tests up to :func:`season_end` (an
        undated test is kept).
    """
    tables = dict(network.tables)
    counts, scores = tables["stand_counts"], tables["frost_scores"]
    gaps, plots, tests = (tables[name] for name in ("plant_gaps", "plots", "freeze_tests"))
    tables["plant_gaps"] = gaps.assign(growing_season=gap_season(gaps, counts, plots))
    tables["stand_counts"] = counts.assign(growing_season=count_season(counts))
    tables["frost_scores"] = scores.assign(growing_season=frost_season(scores))
    cut = {
        name: _upto(frame, frame["growing_season"] <= season)
        for name, frame in tables.items()
        if "growing_season" in frame
    }
    end = season_end(season)
    cut["plots"] = _upto(plots, ~(planting_year(plots) > season))
    cut["weather"] = _upto(tables["weather"], tables["weather"]["date"] <= end)
    cut["freeze_tests"] = _upto(tests, ~(tests["tested_on"] > end))
    return replace(network, tables=tables | cut)


def planting_year(plots):
    """Return each plot's year of planting, or its trial's when the plot has no date (damaged ones
    may not).
    """
    year = plots["planted_on"].dt.year
    of_trial = year.groupby([plots["site"], plots["trial"]]).transform("min")
    return year.fillna(of_trial)


def _upto(frame, is_kept):
    return frame[is_kept.fillna(False).astype(bool)].reset_index(drop=True)
