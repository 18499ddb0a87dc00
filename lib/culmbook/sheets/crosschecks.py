"""Values worth a second look beside others: each note names the row, two values and the likely slip.

Nothing is refused here: what is noted may be true.
"""

import numpy as np
import pandas as pd

from culmbook.sheets.labels import observer_notes, swap_notes
from culmbook.sheets.problems import note

SLIP_FROM = 0.8  # log10 of the ratio from which on a unit slip is likely: 6.3-fold
HEIGHT_FALL = 0.9  # a later height under this share of an earlier one is noted
RATIO_RANGE = (0.5, 1.6)  # component product ÷ harvested yield
MOISTURE_PCT = (10, 65)
DRY_YIELD_T_HA = (0, 45)
OCCASION_MONTHS = {"autumn": range(8, 13), "spring": range(1, 7), "summer": range(5, 9)}
UNIT_SLIPS = {
    "stem_measures": {
        "stem_height_cm": "mm or m for cm",
        "stem_diameter_mm": "cm for mm",
        "stem_dry_mass_g": "kg or mg for g, or the mass of several stems",
    },
    "harvests": {
        "fresh_mass_kg": "g or t for kg",
        "subsample_fresh_g": "kg for g",
        "subsample_dry_g": "kg for g",
    },
}


def cross_checks(tables):
    """Return the notes on values that do not fit beside others.

    Parameters
    ----------
    tables : dict of str to pandas.DataFrame
        The tables of a network, as read.

    Returns
    -------
    list of Problem
        Notes ``N-RANGE``, ``N-OCCASION``, ``N-DEADHEIGHT``, ``N-FALL``, ``N-SLIP``, ``N-PRODUCT``,
        ``N-LABEL`` and ``N-OBSERVER``.
    """
    found = [
        *moisture_notes(tables),
        *yield_notes(tables),
        *occasion_notes(tables),
        *dead_height_notes(tables),
        *falling_notes(tables["stem_measures"]),
        *product_notes(tables),
        *swap_notes(tables),
        *observer_notes(tables["frost_scores"]),
    ]
    pairs = neighbour_pairs(tables["plots"])
    for name, columns in UNIT_SLIPS.items():
        found += slip_notes(tables, name, columns, pairs)
    return found


def _notes(code, table, frame, where, column, rule, mend="look at the paper sheet"):
    """Return one note per row of `frame` where `where` holds; `rule` makes words of the row."""
    rows = frame[where.fillna(False).to_numpy(dtype=bool)]
    return [
        note(
            code,
            row["source_file"],
            rule(row),
            mend,
            line=int(row["source_line"]),
            column=column,
            value=_shown(row[column]),
            table=table,
            site=row["site"],
        )
        for _, row in rows.iterrows()
    ]


def _shown(value):
    return (
        None
        if pd.isna(value)
        else f"{value:.6g}"
        if isinstance(value, (int, float))
        else str(value)
    )


def dry_yield(harvests):
    """Return moisture [%, wet basis] and dry yield [t/ha] of each harvest; missing without a sample."""
    moisture = 100 * (1 - harvests["subsample_dry_g"] / harvests["subsample_fresh_g"])
    return moisture, 10 * harvests["fresh_mass_kg"] * (1 - moisture / 100) / harvests[
        "harvested_area_m2"
    ]


def moisture_notes(tables):
    """Return notes on moisture outside its plausible range."""
    frame = tables["harvests"].assign(moisture=dry_yield(tables["harvests"])[0])
    odd = ~frame["moisture"].between(*MOISTURE_PCT) & frame["moisture"].notna()
    return _notes(
        "N-RANGE",
        "harvests",
        frame,
        odd,
        "subsample_dry_g",
        lambda row: (
            f"moisture {row['moisture']:.1f} % ({row['subsample_fresh_g']:g} g fresh, "
            f"{row['subsample_dry_g']:g} g dry) is outside the plausible {MOISTURE_PCT[0]} to "
            f"{MOISTURE_PCT[1]} %"
        ),
    )


def yield_notes(tables):
    """Return notes on dry yields outside their plausible range."""
    frame = tables["harvests"].assign(dry=dry_yield(tables["harvests"])[1])
    return _notes(
        "N-RANGE",
        "harvests",
        frame,
        frame["dry"] > DRY_YIELD_T_HA[1],
        "fresh_mass_kg",
        lambda row: (
            f"dry yield {row['dry']:.1f} t/ha from {row['harvested_area_m2']:g} m² is "
            f"above the plausible {DRY_YIELD_T_HA[1]} t/ha"
        ),
    )


def occasion_notes(tables):
    """Return notes on counts whose occasion does not suit their month: it decides their season."""
    frame = tables["stand_counts"]
    months = frame["counted_on"].dt.month
    odd = pd.Series(False, index=frame.index)
    for occasion, usual in OCCASION_MONTHS.items():
        odd |= (frame["occasion"] == occasion) & ~months.isin(usual)
    return _notes(
        "N-OCCASION",
        "stand_counts",
        frame,
        odd,
        "occasion",
        lambda row: (
            f"a count named {row['occasion']} on {row['counted_on']:%Y-%m-%d}: the occasion decides "
            "its season"
        ),
    )


def dead_height_notes(tables):
    """Return notes on stems measured on the day on which the plot was counted as dead."""
    counts = tables["stand_counts"]
    dead = counts.loc[counts["plants_alive"] == 0, ["site", "plot", "counted_on", "source_line"]]
    dead = dead.rename(columns={"source_line": "count_line", "counted_on": "measured_on"})
    frame = tables["stem_measures"].merge(dead, on=["site", "plot", "measured_on"])
    return _notes(
        "N-DEADHEIGHT",
        "stem_measures",
        frame,
        frame["stem_height_cm"].notna(),
        "stem_height_cm",
        lambda row: (
            f"plot {row['plot']} has this height, yet 0 plants alive on the same day "
            f"(stand_counts line {row['count_line']})"
        ),
        "one of the two belongs to another plot",
    )


def falling_notes(stems):
    """Return notes on heights below an earlier one of the same plant in the same growing season."""
    frame = stems[stems["stem_height_cm"].notna()].sort_values("measured_on", kind="stable")
    group = frame.groupby(
        ["site", "plot", "growing_season", "plant", "height_method"], dropna=False
    )
    before = group[["stem_height_cm", "measured_on", "source_line"]].shift(1).add_prefix("before_")
    frame = frame.join(before)
    fell = frame["stem_height_cm"] < HEIGHT_FALL * frame["before_stem_height_cm"]
    return _notes(
        "N-FALL",
        "stem_measures",
        frame,
        fell,
        "stem_height_cm",
        lambda row: (
            f"{row['stem_height_cm']:g} cm, after {row['before_stem_height_cm']:g} cm on "
            f"{row['before_measured_on']:%Y-%m-%d} (line {row['before_source_line']}): a digit lost or "
            "a plot mixed up?"
        ),
    )


def slip_notes(tables, name, columns, pairs):
    """Return notes on values some power of ten away from the hybrid's other plots and from the neighbours.

    The reference of a value is the geometric mean of its hybrid's other plots in the same trial, season and
    on the same day, and the one of the adjacent plots; both that exist must agree.

    Parameters
    ----------
    tables : dict of str to pandas.DataFrame
    name : str
        The table.
    columns : dict of str to str
        Its columns that have a unit, and the likely slip in words.
    pairs : pandas.DataFrame
        As :func:`neighbour_pairs`.
    """
    frame = tables[name].merge(
        tables["plots"][["site", "plot", "trial", "hybrid"]], on=["site", "plot"]
    )
    if frame.empty:
        return []
    group = ["site", "trial", "growing_season"] + ["measured_on"] * ("measured_on" in frame)
    logs = pd.DataFrame(
        {
            column: np.log10((frame[column] / _per(frame, column)).where(frame[column] > 0))
            for column in columns
        }
    )
    keys = frame[[*group, "plot", "hybrid"]]
    means = (
        pd.concat([keys, logs], axis=1).groupby(list(keys), as_index=False, dropna=False).median()
    )
    numbered = means.reset_index(names="at")[[*group, "plot", "at"]]
    place = keys.reset_index().merge(numbered, on=[*group, "plot"])
    at = place.set_index("index")["at"].reindex(frame.index)
    others = _others_mean(means, list(columns), [*group, "hybrid"]).iloc[at].set_axis(frame.index)
    near = _neighbours_mean(means, list(columns), pairs, group).iloc[at].set_axis(frame.index)
    return [
        found
        for column, slip in columns.items()
        for found in _slips(frame, name, column, slip, logs[column], others[column], near[column])
    ]


def _per(frame, column):
    """Return what a column is divided by before plots are compared: the area for what was cut from it."""
    return frame["harvested_area_m2"] if column == "fresh_mass_kg" else 1


def _slips(frame, name, column, slip, log, others, near):
    gaps = pd.DataFrame({"others": log - others, "near": log - near})
    size = gaps.abs().min(axis=1)
    agree = (np.sign(gaps["others"]) == np.sign(gaps["near"])) | gaps.isna().any(axis=1)
    frame = frame.assign(
        power=size.round().clip(1, 3).fillna(1).astype("int64"),
        is_more=gaps.sum(axis=1) > 0,
        reference=10 ** others.fillna(near) * _per(frame, column),
        whose=others.notna().map(
            {True: "the hybrid's other plots", False: "the neighbouring plots"}
        ),
    )
    return _notes(
        "N-SLIP",
        name,
        frame,
        agree & (size > SLIP_FROM),
        column,
        lambda row: (
            f"{row[column]:g} beside {row['reference']:.3g} in {row['whose']}: about "
            f"{'×' if row['is_more'] else '÷'} {10 ** row['power']}; {slip}?"
        ),
    )


def _others_mean(frame, columns, group):
    """Return the means of columns over the other rows of the same group; missing where a row is alone."""
    grouped = frame.groupby(group, dropna=False)[columns]
    n_others = grouped.transform("count") - frame[columns].notna()
    return (grouped.transform("sum") - frame[columns].fillna(0)) / n_others.where(n_others > 0)


def _neighbours_mean(frame, columns, pairs, group):
    """Return the means of columns over the plots that touch each plot in its trial, same season and date."""
    near = frame[[*group, "plot"]].merge(pairs, on=["site", "plot"])
    beside = frame[[*group, "plot", *columns]].rename(columns={"plot": "neighbour"})
    key = [*group, "plot"]
    means = (
        near.merge(beside, on=[*group, "neighbour"]).groupby(key, as_index=False)[columns].mean()
    )
    return frame[key].merge(means, on=key, how="left")[columns].set_axis(frame.index)


def neighbour_pairs(plots):
    """Return each pair of plots of a trial that touch, corners included: site, plot, neighbour."""
    here = plots[["site", "trial", "row", "column", "plot"]].dropna(subset=["row", "column"])
    steps = [(i, j) for i in (-1, 0, 1) for j in (-1, 0, 1) if (i, j) != (0, 0)]
    moved = pd.concat(
        [here.assign(row=here["row"] + i, column=here["column"] + j) for i, j in steps]
    )
    pairs = here.merge(
        moved.rename(columns={"plot": "neighbour"}), on=["site", "trial", "row", "column"]
    )
    return pairs[["site", "plot", "neighbour"]]


def product_notes(tables):
    """Return notes on plots whose plants × stems × stem mass are far from the yield that was cut."""
    harvests = tables["harvests"]
    frame = harvests.assign(dry=dry_yield(harvests)[1])[harvests["status"] == "ok"].merge(
        component_product(tables), on=["site", "plot", "growing_season"]
    )
    frame["ratio"] = frame["product"] / frame["dry"]
    far = ~frame["ratio"].between(*RATIO_RANGE) & frame["ratio"].notna()
    return _notes(
        "N-PRODUCT",
        "harvests",
        frame,
        far,
        "fresh_mass_kg",
        lambda row: (
            f"the components give {row['product']:.2g} t/ha, the cut {row['dry']:.2g} t/ha (ratio "
            f"{row['ratio']:.2f}, plausible {RATIO_RANGE[0]} to {RATIO_RANGE[1]}): an area, a mass or "
            "a count slipped?"
        ),
    )


def component_product(tables):
    """Return plants per m² × stems per plant × grams per stem ÷ 100 [t/ha] by plot and growing season.

    The last measuring of the season counts, and the last stand count up to it.

    Returns
    -------
    pandas.DataFrame
        Columns site, plot, growing_season, product.
    """
    key = ["site", "plot", "growing_season"]
    stems = tables["stem_measures"]
    last = stems[stems["measured_on"] == stems.groupby(key)["measured_on"].transform("max")]
    means = last.groupby([*key, "measured_on"], as_index=False)[["stems", "stem_dry_mass_g"]].mean()
    counts = tables["stand_counts"].dropna(subset=["plants_alive"]).sort_values("counted_on")
    counts = counts[["site", "plot", "counted_on", "plants_alive"]]
    means = pd.merge_asof(
        means.sort_values("measured_on"),
        counts,
        left_on="measured_on",
        right_on="counted_on",
        by=["site", "plot"],
    )
    sides = tables["plots"][["site", "plot", "plot_length_m", "plot_width_m"]]
    means = means.merge(sides, on=["site", "plot"])
    per_m2 = means["plants_alive"].astype("float64") / (
        means["plot_length_m"] * means["plot_width_m"]
    )
    means["product"] = per_m2 * means["stems"].astype("float64") * means["stem_dry_mass_g"] / 100
    return means[[*key, "product"]]
