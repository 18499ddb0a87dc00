"""How much dry matter did each plot give, and which cuts can be compared?

Dry yield is fresh mass times dry share over the area that was cut. What is not like the others (a lost
moisture sample, an early cut, a suspected unit slip, an area cut up to the edge) is flagged, never mended
silently.
"""

import numpy as np
import pandas as pd

from culmbook.sheets.crosschecks import dry_yield
from culmbook.text.numbers import fmt_list, fmt_number
from culmbook.text.words import n_of
from culmbook.trials.seasons import planting_year

KEY = ["site", "plot", "growing_season"]
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
    "status_cause",
    "plot_length_m",
    "plot_width_m",
    "harvest_area_m2",
]
MEASURED, HYBRID_SITE, SITE = "measured", "hybrid at the site", "site mean"
EARLY_DAYS = 14
EDGE_M = 0.5
LEAST_AREA_M2 = 3.0
AREA_SHARE = 0.05  # an area cut this far off the planned one is remarked


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
        Table ``harvests``: areas [m²] over 0, fresh mass [kg] >= 0, subsample masses [g]; blanks are not
        observed.
    plots : DataFrame
        Table ``plots``.
    slips : DataFrame, optional
        Problems of the network (``code, file, line, column``); rows noted with ``N-SLIP`` are flagged.
    early_days : int
        A cut this many days before the middle one of its trial and season is early, over 0.

    Returns
    -------
    DataFrame
        One row per harvest: the plot's columns, ``growing_season, crop_year, harvested_on,
        harvested_area_m2, fresh_mass_kg, cut_height_cm, lodged_pct, ash_pct``; ``moisture_pct`` (wet
        basis), ``moisture_from`` {measured, hybrid at the site, site mean; missing = not known},
        ``dry_yield_t_ha`` per planted area, ``is_early``, ``is_slip``, ``is_plant_loss``, and
        ``left_out``: why the row is kept out of estimates, missing where it is used. Plots that the
        hybrid itself lost have yield 0 in every season their trial was cut.

    Raises
    ------
    ValueError
        Two rows for one plot and season, or ``early_days`` not over 0.

    Notes
    -----
    ``Y = 10 m (1 - M/100) / a`` [t/ha], with fresh mass m [kg], moisture M [%] and area a [m²];
    ``M = 100 (fresh - dry) / fresh`` of the subsample (the oven-dry method of ISO 18134). A lost sample takes
    the mean of the hybrid's other plots at the site in that season (in its trial first, which was cut on the
    same days), else the trial's or the site's mean. Where a site lost
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
    _refuse_repeats(harvests)
    frame = _with_losses(_placed(harvests, plots), plots)
    frame = frame.assign(is_early=is_early(frame, early_days), is_slip=is_slip(frame, slips))
    frame = _with_moisture(frame)
    frame["dry_yield_t_ha"] = _dry(frame)
    frame["left_out"] = _left_out(frame, early_days)
    drop = ["source_file", "source_line", "subsample_fresh_g", "subsample_dry_g"]
    return frame.drop(columns=drop, errors="ignore").sort_values(KEY, ignore_index=True)


def _refuse_repeats(harvests):
    twice = harvests[harvests.duplicated(KEY, keep=False)]
    if len(twice):
        names = fmt_list([f"{r.site} {r.plot} {r.growing_season}" for r in twice.itertuples()])
        raise ValueError(f"harvests: more than one row for {names}; a plot is cut once a season")


def _placed(harvests, plots):
    ground = plots[[*PLACE, "status"]].assign(planting_season=planting_year(plots))
    ground = ground.rename(columns={"status": "plot_status"})
    frame = harvests.merge(ground, on=["site", "plot"])
    crop_year = (
        frame["growing_season"].astype("float64") - frame["planting_season"].astype("float64") + 1
    )
    return frame.assign(crop_year=crop_year)


def _with_losses(frame, plots):
    """Add plots that the hybrid itself lost: their yield is 0 wherever their trial was cut."""
    lost = plots[plots["status_cause"].eq("plant") & plots["status"].ne("ok")]
    cuts = frame.loc[
        frame["harvested_on"].notna(), ["site", "trial", "growing_season"]
    ].drop_duplicates()
    rows = lost[PLACE].assign(planting_season=planting_year(lost), plot_status=lost["status"])
    rows = rows.merge(cuts, on=["site", "trial"])
    rows = rows.assign(
        crop_year=rows["growing_season"].astype("float64") - rows["planting_season"] + 1
    )
    known = pd.MultiIndex.from_frame(frame[KEY])
    rows = rows[~pd.MultiIndex.from_frame(rows[KEY]).isin(known)]
    frame = pd.concat([frame, rows], ignore_index=True) if len(rows) else frame
    return frame.assign(
        is_plant_loss=frame["status_cause"].eq("plant") & frame["plot_status"].ne("ok")
    )


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
    by_hybrid = _first_mean(
        usual,
        frame,
        ["site", "trial", "growing_season", "hybrid"],
        ["site", "growing_season", "hybrid"],
    )
    by_site = _first_mean(
        usual, frame, ["site", "trial", "growing_season"], ["site", "growing_season"]
    )
    fillable = frame["fresh_mass_kg"].notna() & ~frame["is_early"]
    filled = measured.fillna(by_hybrid.where(fillable)).fillna(by_site.where(fillable))
    source = np.select(
        [measured.notna(), filled.notna() & by_hybrid.notna(), filled.notna()],
        [MEASURED, HYBRID_SITE, SITE],
        default="",
    )
    source = pd.Series(source, index=frame.index, dtype="str")
    return frame.assign(moisture_pct=filled, moisture_from=source.where(source.ne("")))


def _first_mean(values, frame, near, wide):
    """Mean of the nearer group, or of the wider one where the nearer has no value."""
    near, wide = (
        values.groupby([frame[c] for c in columns]).transform("mean") for columns in (near, wide)
    )
    return near.fillna(wide)


def _dry(frame):
    dry = (
        10 * frame["fresh_mass_kg"] * (1 - frame["moisture_pct"] / 100) / frame["harvested_area_m2"]
    )
    nothing = frame["fresh_mass_kg"].eq(0) | (
        frame["is_plant_loss"] & frame["fresh_mass_kg"].isna()
    )
    return dry.mask(nothing, 0.0)


def _left_out(frame, early_days):
    reasons = [
        (frame["plot_status"].ne("ok") & ~frame["is_plant_loss"], "plot set aside"),
        (frame["status"].ne("ok") & ~frame["is_plant_loss"], "cut set aside"),
        (frame["is_slip"], "unit slip suspected"),
        (frame["is_early"], f"cut {early_days} days or more before the others"),
        (frame["dry_yield_t_ha"].isna() & frame["fresh_mass_kg"].isna(), "no fresh mass"),
        (frame["dry_yield_t_ha"].isna(), "no moisture at the site in this season"),
    ]
    text = np.select(
        [where.to_numpy(bool) for where, _ in reasons], [why for _, why in reasons], default=""
    )
    text = pd.Series(text, index=frame.index, dtype="str")
    return text.where(text.ne(""))


def area_remarks(
    frame: pd.DataFrame, *, edge_m: float = EDGE_M, least_area_m2: float = LEAST_AREA_M2
) -> pd.DataFrame:
    """Cuts whose area makes their yield doubtful.

    Parameters
    ----------
    frame : DataFrame
        From :func:`plot_harvests`.
    edge_m : float
        Width of the outer strip that should be left standing [m], >= 0: plants at the edge have more room.
    least_area_m2 : float
        Smallest area worth cutting [m²]; smaller ones vary too much (common practice).

    Returns
    -------
    DataFrame
        ``site, plot, growing_season, harvested_area_m2, remark``; a cut may have several.
    """
    if edge_m < 0 or least_area_m2 < 0:
        raise ValueError("edge_m and least_area_m2 must be at least 0")
    area, planned = frame["harvested_area_m2"], frame["harvest_area_m2"]
    sides = [(frame[f"plot_{side}_m"] - 2 * edge_m).clip(lower=0) for side in ("length", "width")]
    remarks = {
        f"no edge of {fmt_number(edge_m, 2)} m was left standing": area
        > sides[0] * sides[1] + 1e-9,
        f"under {fmt_number(least_area_m2)} m² was cut": area < least_area_m2,
        "not the planned area": (area / planned - 1).abs() > AREA_SHARE,
    }
    parts = [
        frame.loc[where, [*KEY, "harvested_area_m2"]].assign(remark=remark)
        for remark, where in remarks.items()
    ]
    return pd.concat(parts).sort_values([*KEY, "remark"], ignore_index=True)


def harvest_words(frame: pd.DataFrame) -> list[str]:
    """Say what was left out, filled in, or cannot be known, in sentences.

    Parameters
    ----------
    frame : DataFrame
        From :func:`plot_harvests`, the rows of interest.

    Returns
    -------
    list of str
    """
    if frame.empty:
        return ["No plot was cut, so there is no yield."]
    told = [_lost_sites_words(frame)]
    filled = frame["moisture_from"].isin([HYBRID_SITE, SITE]) & frame["left_out"].isna()
    if filled.any():
        told.append(
            f"The moisture sample of {n_of(int(filled.sum()), 'plot')} was lost: the mean of the "
            "hybrid's other plots at the site, or of the site, stands in. These plots are left out "
            "of every comparison of moisture."
        )
    why = frame["left_out"].value_counts().sort_index()
    if len(why):
        parts = [f"{n_of(int(n), 'plot')} ({reason})" for reason, n in why.items()]
        told.append(f"Left out of all estimates: {fmt_list(parts)}.")
    lost = int((frame["is_plant_loss"] & frame["left_out"].isna()).sum())
    if lost:
        told.append(
            f"{n_of(lost, 'plot')} lost to the hybrid itself counts with what it gave, 0 where "
            "nothing was cut."
        )
    return [sentence for sentence in told if sentence]


def _lost_sites_words(frame):
    lost = frame[frame["left_out"].eq("no moisture at the site in this season")]
    places = [
        f"{site} in {season}"
        for site, season in sorted({*zip(lost["site"], lost["growing_season"])})
    ]
    return (
        f"All moisture samples were lost at {fmt_list(places)}: dry yields there are "
        "not known, and no other site's moisture is put in, because sites differ by "
        "more than hybrids do."
        if places
        else ""
    )
