"""How cold did it get where the rhizomes lie? The lowest soil temperature of every winter on record.

A winter of growing season Y runs from 1 July of Y to 30 June of Y + 1. Where the soil was read, the readings
count. Where only the air was, the soil is an approximation, see :mod:`culmbook.frost.soil`.
"""

import numpy as np
import pandas as pd

from culmbook.frost.soil import (
    BORROWED,
    FORMULA,
    OWN,
    PROBE_DEPTH_CM,
    WinterRules,
    at_depth,
    cold_minima,
    daily,
    site_damping,
    soil_from_air,
)
from culmbook.season.weather import WINTER, Thresholds, season_indices
from culmbook.text.numbers import fmt_count, fmt_list, fmt_number

SEVERITY = ("min_air_c", "frost_days", "hard_frost_days", "snow_days")
MEASURED, DAMPED = "measured", "measured at 5 cm, damped to the depth"


def winter_minima(weather, depth_cm=PROBE_DEPTH_CM, rules=WinterRules(), borrowed=None):
    """Lowest temperature at rhizome depth of every winter on record, with how it is known.

    Parameters
    ----------
    weather : pandas.DataFrame
        Table ``weather``: site, date, air_temperature_min_c, air_temperature_max_c [°C] and, where the soil
        was read, soil_temperature_5cm_min_c [°C]. An absent row and a blank cell are a missing day.
    depth_cm : float
        Depth of the rhizomes [cm], 0 to 50.
    rules : WinterRules
    borrowed : Damping, optional
        From :func:`fit_damping` on other sites, for sites without readings of their own. Without it their
        soil comes from the formula alone.

    Returns
    -------
    pandas.DataFrame
        One row per site and winter: site, winter (growing season that it ends), label, n_days (of the cold
        months), n_missing_soil, n_missing_air (days without a reading; without an estimate), measured_c,
        estimated_c, minimum_c (the measured one where it is complete, else the estimate) [°C], on (its day),
        kind (how it is known), reason (why a winter is left out, else missing).

    Raises
    ------
    ValueError
        A date given twice, or a depth outside 0–50 cm.

    Notes
    -----
    Estimate at 5 cm: see :func:`fit_damping`. From 5 cm to another depth z the deviation from the running
    mean of the soil shrinks (or, above 5 cm, grows) by exp(-(z - 5)/d), d of the spell's period.
    """
    if not 0 <= depth_cm <= 50:
        raise ValueError(f"depth_cm = {depth_cm}: rhizomes lie from 0 to 50 cm deep")
    if weather.duplicated(["site", "date"]).any():
        raise ValueError("weather: a date is given twice; keep one row per site and date")
    parts = [
        _site_minima(site, daily(days, rules), days, depth_cm, rules, borrowed)
        for site, days in weather.groupby("site", sort=True)
    ]
    columns = [
        "site",
        "winter",
        "label",
        "n_days",
        "n_missing_soil",
        "n_missing_air",
        "measured_c",
        "estimated_c",
        "minimum_c",
        "on",
        "kind",
        "reason",
    ]
    table = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)
    return table[columns].astype({"kind": "str", "reason": "str"})


def _site_minima(site, days, weather, depth_cm, rules, borrowed):
    damping = site_damping(weather, rules, borrowed)
    soil = cold_minima(at_depth(days["soil"], depth_cm, damping, rules), days, rules)
    air = soil_from_air(days, damping.window_days, damping.shift_c, damping.spell, damping.day)
    air = cold_minima(at_depth(air, depth_cm, damping, rules), days, rules)
    table = pd.DataFrame(
        {
            "site": site,
            "winter": soil.index,
            "label": [WINTER.label(w) for w in soil.index],
            "n_days": soil["n_days"],
            "n_missing_soil": soil["n_missing"],
            "n_missing_air": air["n_missing"],
            "measured_c": soil["value"],
            "estimated_c": damping.lined_up(air["value"]),
        }
    )
    is_measured = table["measured_c"].notna()
    is_known = is_measured | table["estimated_c"].notna()
    measured = MEASURED if depth_cm == PROBE_DEPTH_CM else DAMPED
    return table.assign(
        minimum_c=table["measured_c"].where(is_measured, table["estimated_c"]),
        on=soil["on"].where(is_measured, air["on"]),
        kind=pd.Series(np.where(is_measured, measured, damping.kind), table.index).where(is_known),
        reason=[
            None if known else _missing_words(row)
            for known, row in zip(is_known, table.itertuples())
        ],
    )


def _missing_words(row):
    if row.n_missing_air == row.n_days and row.n_missing_soil == row.n_days:
        return "no reading"
    return f"{min(row.n_missing_air, row.n_missing_soil)} of {row.n_days} days missing"


def winter_severity(minima, weather, season, thresholds=Thresholds()):
    """Set each winter's minimum beside its frost days, hard-frost days, snow days and lowest air temperature.

    Parameters
    ----------
    minima : pandas.DataFrame
        From :func:`winter_minima`.
    weather : pandas.DataFrame
        Table ``weather``.
    season : int
        Last growing season whose winter counts.
    thresholds : culmbook.season.weather.Thresholds

    Returns
    -------
    pandas.DataFrame
        `minima` up to `season` with min_air_c [°C], frost_days, hard_frost_days, snow_days [d] of October
        to March; missing where :func:`culmbook.season.weather.season_indices` gives none.
    """
    values = season_indices(weather, season, thresholds)
    wide = values[values["index"].isin(SEVERITY)].pivot(
        index=["site", "season"], columns="index", values="value"
    )
    wide = wide.reindex(columns=list(SEVERITY)).reset_index().rename(columns={"season": "winter"})
    return minima[minima["winter"] <= season].merge(wide, on=["site", "winter"], how="left")


def minima_words(minima, damping=None):
    """What stands behind one site's winter minima, in sentences.

    Parameters
    ----------
    minima : pandas.DataFrame
        Rows of one site from :func:`winter_minima`.
    damping : Damping, optional
        From :func:`site_damping`; used where winters are estimates.

    Returns
    -------
    list of str
    """
    if minima.empty:
        return ["There is no weather record, so nothing is said about winters at rhizome depth."]
    known, out = minima[minima["reason"].isna()], minima[minima["reason"].notna()]
    told = [f"{_winters(len(known))} on record can be used."]
    if len(out):
        named = fmt_list([f"{r.label} ({r.reason})" for r in out.itertuples()])
        told.append(
            f"Left out because days are missing, of which one may have been the coldest: {named}."
        )
    estimated = known["kind"].isin([OWN, BORROWED, FORMULA])
    if estimated.any():
        told.append(_estimate_words(int(estimated.sum()), len(known), damping))
    if known["kind"].eq(DAMPED).any():
        told.append(
            "The soil was read at 5 cm; the temperature at rhizome depth is an approximation from it."
        )
    return told


def _winters(n):
    return "1 winter" if n == 1 else f"{fmt_count(n)} winters"


def _estimate_words(n, of, damping):
    which = f"In {fmt_count(n)} of them" if n < of else "In all of them"
    start = f"{which} the soil was not read (or not every day): its temperature is an approximation from the air"
    if damping is None or damping.kind == FORMULA:
        return (
            f"{start} by the damping of heat in even, bare, unfrozen ground. Snow and freezing water keep "
            "real ground warmer, so these minima are too cold by an unknown amount, often by several degrees."
        )
    where = (
        "this site's own soil readings"
        if damping.kind == OWN
        else "the soil readings of other sites"
    )
    error = f"{fmt_number(damping.error_c, 1)} °C"
    return (
        f"{start}, fitted to {where}; a winter's minimum is uncertain by about {error} (winters left out and "
        "predicted). Snow is not in it."
    )
