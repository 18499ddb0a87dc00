"""What real field sheets contain and simulations forget: damage, replants, slips and holes."""

import pandas as pd

from make_demo.scenario import POSITION_ROWS
from make_demo.stand import simulate_gaps

DAMAGE = (
    "hare browsing along the edge",
    "sprayer wheel track",
    "standing water after the drain blocked",
    "deer grazing",
    "herbicide drift from the next field",
)
DAMAGED_SHARE = 0.02
UNCOUNTED_SHARE = 0.01
# six neighbouring plots of one field row, where a planter unit was blocked for one pass
BLOCKED_UNIT = {
    "site": "MELDO",
    "position_row": 3,
    "plots": ("2303", "2304", "2305", "2306", "2307", "2308"),
}
GAP_DATES = {"MELDO": ("2025-10-07", "2026-06-24"), "KRAVO": ("2026-06-24",)}
REPLANTED = {"site": "MELDO", "trial": "MELDO25"}
WEATHER_GAP = ("MELDO", "2013-01-18", "2013-01-26")
PROBE_GAP = ("KRAVO", "2017-11-03", "2017-11-05")


def block_planter_unit(counts):
    """Take the plants of one machine row out of six neighbouring plots, in every count."""
    counts = counts.copy()
    hit = (counts["site"] == BLOCKED_UNIT["site"]) & counts["plot"].isin(BLOCKED_UNIT["plots"])
    alive = counts.loc[hit, "plants_alive"]
    counts.loc[hit, "plants_alive"] = alive - -(-alive // POSITION_ROWS)
    return counts


def damage_plots(plots, counts, rng):
    """About 2 % damaged, one abandoned for an outside cause, one abandoned because its plants
    died.
    """
    plots = plots.copy()
    untouched = ~plots["plot"].isin(BLOCKED_UNIT["plots"])
    hit = untouched & (rng.random(len(plots)) < DAMAGED_SHARE)
    spared = ~hit.groupby(plots["trial"]).transform("any")
    hit |= spared & untouched & (plots.groupby("trial").cumcount() == 40)
    plots.loc[hit, "status"] = "damaged"
    plots.loc[hit, "status_reason"] = rng.choice(DAMAGE, int(hit.sum()))
    last = counts[counts["counted_on"] == "2026-06-24"].set_index(["site", "plot"])["plants_alive"]
    keys = pd.MultiIndex.from_frame(plots[["site", "plot"]])
    stand = pd.Series(last.reindex(keys).to_numpy(), plots.index) / plots["plants_planted"]
    dead = stand[(plots["trial"] == "KRAVO25") & ~hit].idxmin()
    plots.loc[dead, ["status", "status_reason", "status_cause"]] = [
        "abandoned",
        "almost no plants left after the first winter",
        "plant",
    ]
    flooded = plots.index[(plots["trial"] == "UPLEN22") & ~hit][100]
    plots.loc[flooded, ["status", "status_reason", "status_cause"]] = [
        "abandoned",
        "stream bank gave way in the second winter",
        "external",
    ]
    return plots


def replant_two(counts, plots):
    """Fill the gaps of the two thinnest plots after the first count; only one sheet tells replants
    apart.
    """
    counts = counts.copy()
    counts["replants_alive"] = counts["replants_alive"].astype("Int64")
    ok = plots[(plots["trial"] == REPLANTED["trial"]) & (plots["status"] == "ok")]
    ok = ok[~ok["plot"].isin(BLOCKED_UNIT["plots"])].set_index("plot")["plants_planted"]
    first = counts[
        counts["plot"].isin(ok.index)
        & (counts["site"] == REPLANTED["site"])
        & (counts["occasion"] == "after_planting")
    ].set_index("plot")["plants_alive"]
    thinnest = (first / ok.reindex(first.index)).sort_values(kind="stable").index[:2]
    for plot, told_apart in zip(thinnest, (True, False)):
        counts = _replant(counts, plot, int(ok[plot] - first[plot]), told_apart)
    return counts


def _replant(counts, plot, filled, told_apart):
    rows = counts.index[
        (counts["site"] == REPLANTED["site"])
        & (counts["plot"] == plot)
        & (counts["occasion"] != "after_planting")
    ]
    living = filled
    for step, row in enumerate(rows):
        # one replant in six is lost before the autumn, and one more before each later count
        living -= -(-filled // 6) if step == 0 else min(1, living)
        counts.loc[row, "plants_alive"] += living
        if told_apart:
            counts.loc[row, "replants_alive"] = living
    counts.loc[rows[0], "plants_replanted"] = filled
    counts.loc[rows, "emerged_late"] = "no"
    return counts


def blank_counts(counts, plots, rng):
    """Blank the counts of plots damaged or given up, and one spring count in a hundred."""
    counts = counts.copy()
    counts["plants_alive"] = counts["plants_alive"].astype("Int64")
    status = plots.set_index(["site", "plot"])[["status", "status_cause"]]
    of_plot = status.reindex(pd.MultiIndex.from_frame(counts[["site", "plot"]]))
    spoilt = ((of_plot["status"] != "ok") & (of_plot["status_cause"] != "plant")).to_numpy()
    forgotten = (counts["occasion"] == "spring") & (rng.random(len(counts)) < UNCOUNTED_SHARE)
    blank = (spoilt & (counts["occasion"] != "after_planting")) | forgotten
    counts.loc[blank, "plants_alive"] = pd.NA
    counts.loc[blank, "emerged_late"] = pd.NA
    return counts


def gaps_table(plots, counts, rng):
    """Plant positions of the 2025 plantings at two sites, on the dates that were mapped."""
    frames = []
    for site, days in GAP_DATES.items():
        earlier = None
        for day in days:
            counted = counts[(counts["site"] == site) & (counts["counted_on"] == day)]
            alive = counted.set_index("plot")["plants_alive"].dropna()
            here = plots[
                (plots["site"] == site)
                & (plots["planted_on"].dt.year == 2025)
                & plots["plot"].isin(alive.index)
            ]
            earlier = _clear_blocked_row(
                simulate_gaps(here, alive, pd.Timestamp(day), rng, earlier), rng
            )
            frames.append(earlier)
    return pd.concat(frames, ignore_index=True)


def _clear_blocked_row(gaps, rng):
    """Move the living plants of the blocked row to dead positions of other rows."""
    gaps = gaps.copy()
    if gaps["site"].iloc[0] != BLOCKED_UNIT["site"]:
        return gaps
    for plot in BLOCKED_UNIT["plots"]:
        inside = (gaps["plot"] == plot) & (gaps["position_row"] == BLOCKED_UNIT["position_row"])
        misplaced = gaps.index[inside & (gaps["alive"] == "yes")]
        free = gaps.index[(gaps["plot"] == plot) & ~inside & (gaps["alive"] == "no")]
        gaps.loc[misplaced, "alive"] = "no"
        gaps.loc[rng.choice(free, len(misplaced), replace=False), "alive"] = "yes"
    return gaps


def punch_weather(weather):
    """Nine days lost at one site, and three days without the soil probe at another."""
    site, first, last = WEATHER_GAP
    lost = (weather["site"] == site) & weather["date"].between(first, last)
    weather = weather[~lost].reset_index(drop=True)
    site, first, last = PROBE_GAP
    silent = (weather["site"] == site) & weather["date"].between(first, last)
    weather.loc[silent, "soil_temperature_5cm_min_c"] = float("nan")
    return weather
