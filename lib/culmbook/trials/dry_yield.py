"""How much dry matter did each plot give, and which cuts can be compared?

Dry yield is fresh mass times dry share over the area that was cut, or what was recorded in its
place. What is not like the others (a lost moisture sample, an early cut, a suspected unit slip, an
area cut up to the edge, a yield recorded in another way) is flagged, never fixed silently.
"""

import numpy as np
import pandas as pd

from culmbook.sheets.crosschecks import RECORDED, dry_yield, dry_yield_at, recorded_in
from culmbook.text.numbers import fmt_list, fmt_number
from culmbook.text.refusal import Refusal
from culmbook.trials.seasons import planting_year

KEY = ["site", "plot", "growing_season"]
STRATA = ["site", "plot", "trial", "replicate", "block", "main_plot"]
STRATA += ["hybrid", "planting_method", "film"]
PLACE = [*STRATA, "status_cause", "plot_length_m", "plot_width_m", "harvest_area_m2"]
MEASURED, HYBRID_SITE, SITE = "measured", "hybrid at the site", "site mean"
NO_MOISTURE = "no moisture at the site in this season"
EARLY_DAYS = 14
EDGE_M = 0.5
LEAST_AREA_M2 = 3.0
AREA_SHARE = 0.05  # an area cut this far off the planned one is remarked
FULL_YIELD_YEAR = 3  # crop year from which on a stand is full-grown


def plantings_looked_at(plots: pd.DataFrame, season: int, planting: int = 0) -> pd.DataFrame:
    """The plantings of each site that a page on yields is about.

    Parameters
    ----------
    plots : DataFrame
        Table ``plots``, planted up to the season.
    season : int
    planting : int
        Planting season; 0 = all of a site that are full-grown (third crop year on), else its
        oldest.

    Returns
    -------
    DataFrame
        ``site, planting_season, crop_year``, by site and planting.

    Raises
    ------
    ValueError
        No plot of the named planting; the plantings that there are, are listed.
    """
    there = plots[["site"]].assign(planting_season=planting_year(plots)).dropna().drop_duplicates()
    if planting:
        mine = there[there["planting_season"].eq(planting)]
        if mine.empty:
            years = sorted(there["planting_season"].astype(int).unique())
            raise ValueError(
                f"planting={planting}: no plot was planted then; plantings there are: "
                f"{fmt_list([str(year) for year in years]) or 'none'}"
            )
    else:
        is_grown = season - there["planting_season"] + 1 >= FULL_YIELD_YEAR
        oldest = there.groupby("site")["planting_season"].transform("min")
        has_grown = there["site"].isin(there.loc[is_grown, "site"])
        mine = there[is_grown | ~has_grown & there["planting_season"].eq(oldest)]
    mine = mine.astype({"planting_season": "float64"})
    mine = mine.sort_values(["site", "planting_season"], ignore_index=True)
    return mine.assign(crop_year=season - mine["planting_season"] + 1)


def looked_at(
    frame: pd.DataFrame, plantings: pd.DataFrame, season: int, table: str
) -> pd.DataFrame:
    """Rows of the season and of the plantings that are looked at.

    Parameters
    ----------
    frame : DataFrame
        ``site, growing_season, planting_season``.
    plantings : DataFrame
        From :func:`plantings_looked_at`.
    season : int
    table : str
        Name of the table that the rows come from, for the refusal.

    Returns
    -------
    DataFrame

    Raises
    ------
    Refusal
        There is none.
    """
    own = frame[frame["growing_season"].eq(season)].astype({"planting_season": "float64"})
    own = own.merge(plantings[["site", "planting_season"]], on=["site", "planting_season"])
    if own.empty:
        raise Refusal(
            f"No plot of the planting looked at has a row for season {season} in the table {table}."
        )
    return own


def plot_harvests(
    harvests: pd.DataFrame,
    plots: pd.DataFrame,
    slips: pd.DataFrame | None = None,
    *,
    early_days: int = EARLY_DAYS,
) -> pd.DataFrame:
    """Dry yield and moisture of every plot and season that was cut, or lost to its hybrid.

    Parameters
    ----------
    harvests : DataFrame
        Table ``harvests``: areas [m²] over 0, one of the yields of :data:`RECORDED` [kg or t/ha]
        >= 0, subsample masses [g] or moisture [%]; blanks are not observed, columns of other ways
        may be missing.
    plots : DataFrame
        Table ``plots``.
    slips : DataFrame, optional
        Problems of the network (``code, file, line, column``); rows noted with ``N-SLIP`` are
        flagged.
    early_days : int
        A cut this many days before the middle one of its trial and season is early, over 0.

    Returns
    -------
    DataFrame
        One row per harvest: the plot's columns, ``growing_season, crop_year, harvested_on,
        harvested_area_m2, fresh_mass_kg, cut_height_cm, lodged_pct, ash_pct``; ``recorded_as`` (of
        :data:`RECORDED`); ``moisture_pct`` (wet basis), ``moisture_from`` {measured, hybrid at the
        site, site mean; missing = not known}, ``dry_yield_t_ha`` per planted area, ``is_early``,
        ``is_slip``, ``is_plant_loss``,
        and ``left_out``: why the row is kept out of estimates, missing where it is used. Plots that
        the hybrid itself lost have yield 0 in every season their trial was cut.

    Raises
    ------
    ValueError
        Two rows for one plot and season, or ``early_days`` not over 0.

    Notes
    -----
    ``Y = 10 m (1 - M/100) / a`` [t/ha], with fresh mass m [kg], moisture M [%] and area a [m²];
    ``M = 100 (fresh - dry) / fresh`` of the subsample (the oven-dry method of ISO 18134). A yield
    recorded dry needs no M, one per hectare no a. A fresh cut whose sample was lost takes the mean of the hybrid's other plots at the site in that season (in its trial
    first, which was cut on the same days), else the trial's or the site's mean. Where a site lost
    all samples of a season, its dry yields are not known: sites differ by more than hybrids do, so
    no other site's moisture is put in.

    Examples
    --------
    >>> frame = pd.DataFrame({"site": "A", "plot": ["1", "2"], "growing_season": 2025, "status": "ok",
    ...     "harvested_on": pd.Timestamp("2026-02-10"), "harvested_area_m2": 12.0,
    ...     "fresh_mass_kg": [12.0, 6.0], "subsample_fresh_g": [500.0, None],
    ...     "subsample_dry_g": [350.0, None], "status_reason": None,
    ...     "cut_height_cm": 10.0, "lodged_pct": 0.0, "ash_pct": None})
    >>> ground = pd.DataFrame({"site": "A", "plot": ["1", "2"], "trial": "T", "replicate": ["1", "2"],
    ...     "block": None, "main_plot": None, "hybrid": "H1", "planting_method": "hand", "film": "none",
    ...     "planted_on": pd.Timestamp("2023-05-01"), "status": "ok", "status_cause": None,
    ...     "plot_length_m": 6.0, "plot_width_m": 4.0, "harvest_area_m2": 12.0})
    >>> plot_harvests(frame, ground)[["moisture_from", "dry_yield_t_ha"]].values.tolist()
    [['measured', 7.0], ['hybrid at the site', 3.5]]
    """
    if early_days <= 0:
        raise ValueError(f"early_days = {early_days}: it must be over 0")
    twice = harvests[harvests.duplicated(KEY, keep=False)]
    if len(twice):
        names = fmt_list([f"{r.site} {r.plot} {r.growing_season}" for r in twice.itertuples()])
        raise ValueError(f"harvests: more than one row for {names}; a plot is cut once a season")
    ground = plots[[*PLACE, "status"]].rename(columns={"status": "plot_status"})
    ground = ground.assign(planting_season=planting_year(plots))
    frame = _with_losses(harvests.merge(ground, on=["site", "plot"]), ground)
    years = frame[["growing_season", "planting_season"]].astype("float64")
    frame["crop_year"] = years["growing_season"] - years["planting_season"] + 1
    frame = frame.assign(is_early=is_early(frame, early_days), is_slip=is_slip(frame, slips))
    way = recorded_in(frame)
    frame = _with_moisture(frame.assign(recorded_as=way.map(RECORDED)))
    is_nothing = frame.reindex(columns=[*RECORDED]).eq(0).any(axis=1)
    is_gone = frame["is_plant_loss"] & way.isna()
    dry = dry_yield_at(frame, frame["moisture_pct"])
    frame["dry_yield_t_ha"] = dry.mask(is_nothing | is_gone, 0.0)
    frame["left_out"] = _left_out(frame, early_days)
    drop = ["source_file", "source_line", "subsample_fresh_g", "subsample_dry_g"]
    drop += ["dry_mass_kg", "fresh_yield_t_ha"]
    return frame.drop(columns=drop, errors="ignore").sort_values(KEY, ignore_index=True)


def _with_losses(frame, ground):
    """Add plots that the hybrid itself lost: their yield is 0 wherever their trial was cut."""
    lost = ground[ground["status_cause"].eq("plant") & ground["plot_status"].ne("ok")]
    places = ["site", "trial", "growing_season"]
    cuts = frame.loc[frame["harvested_on"].notna(), places].drop_duplicates()
    rows = lost.merge(cuts, on=["site", "trial"])
    known = pd.MultiIndex.from_frame(frame[KEY])
    rows = rows[~pd.MultiIndex.from_frame(rows[KEY]).isin(known)]
    frame = pd.concat([frame, rows], ignore_index=True) if len(rows) else frame
    is_loss = frame["status_cause"].eq("plant") & frame["plot_status"].ne("ok")
    return frame.assign(is_plant_loss=is_loss)


def is_early(frame: pd.DataFrame, early_days: int = EARLY_DAYS) -> pd.Series:
    """Cuts at least ``early_days`` before the middle cut of their trial and season."""
    middle = frame.groupby(["site", "trial", "growing_season"])["harvested_on"].transform("median")
    return (middle - frame["harvested_on"]).dt.days.ge(early_days)


def is_slip(frame: pd.DataFrame, slips: pd.DataFrame | None) -> pd.Series:
    """Rows of a table in which reading the network noted a likely unit slip.

    Parameters
    ----------
    frame : DataFrame
        With ``source_file, source_line`` as read.
    slips : DataFrame or None
        Problems of the network: ``code, file, line``.
    """
    if slips is None:
        return pd.Series(False, frame.index)
    noted = slips[slips["code"].eq("N-SLIP")]
    noted = pd.MultiIndex.from_arrays([noted["file"], noted["line"].astype("float64")])
    rows = pd.MultiIndex.from_arrays([frame["source_file"], frame["source_line"].astype("float64")])
    return pd.Series(rows.isin(noted), frame.index)


def _with_moisture(frame):
    measured = dry_yield(frame)[0].where(~frame["is_slip"])
    usual = measured.where(~frame["is_early"] & frame["status"].eq("ok"))
    by_hybrid, by_site = (_near_mean(usual, frame, more) for more in (["hybrid"], []))
    fillable = frame["recorded_as"].astype("str").str.startswith("fresh") & ~frame["is_early"]
    filled = measured.fillna(by_hybrid.where(fillable)).fillna(by_site.where(fillable))
    is_known = [measured.notna(), filled.notna() & by_hybrid.notna(), filled.notna()]
    return frame.assign(
        moisture_pct=filled,
        moisture_from=_first_of(is_known, [MEASURED, HYBRID_SITE, SITE], frame.index),
    )


def _near_mean(values, frame, more):
    """Mean inside the trial and season (and hybrid), or inside the site's season where that has no
    value.
    """
    near, wide = (
        values.groupby([frame[c] for c in [*where, "growing_season", *more]]).transform("mean")
        for where in (["site", "trial"], ["site"])
    )
    return near.fillna(wide)


def _first_of(conditions, texts, index):
    """The text of the first condition that holds, missing where none does."""
    chosen = np.select([np.asarray(c, bool) for c in conditions], texts, default="")
    chosen = pd.Series(chosen, index=index, dtype="str")
    return chosen.where(chosen.ne(""))


def _left_out(frame, early_days):
    no_yield = frame["dry_yield_t_ha"].isna()
    reasons = {
        "plot set aside": frame["plot_status"].ne("ok") & ~frame["is_plant_loss"],
        "cut set aside": frame["status"].ne("ok") & ~frame["is_plant_loss"],
        "unit slip suspected": frame["is_slip"],
        f"cut {early_days} days or more before the others": frame["is_early"],
        "no fresh mass": no_yield & frame["recorded_as"].isna(),
        NO_MOISTURE: no_yield,
    }
    return _first_of([*reasons.values()], [*reasons], frame.index)


def area_remarks(frame: pd.DataFrame) -> pd.DataFrame:
    """Cuts whose area makes their yield doubtful: no outer strip of `EDGE_M` was left standing, where
    plants have more room, or less than `LEAST_AREA_M2` was cut, which varies too much (common
    practice), or not what was planned.

    Parameters
    ----------
    frame : DataFrame
        From :func:`plot_harvests`.

    Returns
    -------
    DataFrame
        ``site, plot, growing_season, harvested_area_m2, remark``; a cut may have several.
    """
    area, planned = frame["harvested_area_m2"], frame["harvest_area_m2"]
    sides = [(frame[f"plot_{side}_m"] - 2 * EDGE_M).clip(lower=0) for side in ("length", "width")]
    inner, off = sides[0] * sides[1], (area / planned - 1).abs()
    remarks = {
        f"no edge of {fmt_number(EDGE_M, 2)} m was left standing": area > inner + 1e-9,
        f"under {fmt_number(LEAST_AREA_M2)} m² was cut": area < LEAST_AREA_M2,
        "not the planned area": off > AREA_SHARE,
    }
    rows = frame[[*KEY, "harvested_area_m2"]]
    parts = [rows[where].assign(remark=remark) for remark, where in remarks.items()]
    return pd.concat(parts).sort_values([*KEY, "remark"], ignore_index=True)


def is_filled(cut: pd.DataFrame) -> pd.Series:
    """Used cuts whose lost moisture sample was filled from others."""
    return cut["moisture_from"].isin([HYBRID_SITE, SITE]) & cut["left_out"].isna()


def remarks(cut: pd.DataFrame) -> pd.DataFrame:
    """Every plot whose cut is not like the others, and why.

    Parameters
    ----------
    cut : DataFrame
        From :func:`plot_harvests`, one season.

    Returns
    -------
    DataFrame
        ``site, plot, hybrid, remark, reason, dry_yield_t_ha``; ``reason`` as noted on the plot or
        cut.

    Raises
    ------
    Refusal
        No cut stands out.
    """
    filled, left_out = cut[is_filled(cut)], cut[cut["left_out"].notna()]
    usual = cut.groupby("site")["recorded_as"].transform(lambda ways: ways.mode().get(0))
    other = cut[cut["recorded_as"].ne(usual) & cut["recorded_as"].notna()]
    parts = [
        left_out.assign(remark="left out: " + left_out["left_out"]),
        filled.assign(remark="moisture filled from: " + filled["moisture_from"]),
        cut[cut["is_plant_loss"]].assign(remark="lost to the hybrid itself"),
        other.assign(remark="recorded as " + other["recorded_as"]),
        area_remarks(cut).merge(cut.drop(columns="harvested_area_m2"), on=KEY),
    ]
    rows = pd.concat(parts, ignore_index=True)
    if rows.empty:
        raise Refusal(
            "No cut stands out: none is early, set aside or of an odd area, and no moisture sample "
            "was lost."
        )
    rows["reason"] = rows["status_reason"].fillna("")
    rows = rows.sort_values(["site", "plot", "remark"], kind="stable", ignore_index=True)
    return rows[["site", "plot", "hybrid", "remark", "reason", "dry_yield_t_ha"]]
