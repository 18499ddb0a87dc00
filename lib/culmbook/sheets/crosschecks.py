"""Values worth a second look beside others: each note names the row, two values and the likely
slip.

Nothing is refused here: what is noted may be true. The last two look at plots that behave like
another hybrid in every season, and at observers who score apart from the others.
"""

import numpy as np
import pandas as pd

from culmbook.sheets.problems import note

SLIP_FROM = 0.8  # log10 of the ratio from which on a unit slip is likely: 6.3-fold
HEIGHT_FALL = 0.9  # a later height under this share of an earlier one is noted
RATIO_RANGE = (0.5, 1.6)  # component product ÷ harvested yield
MOISTURE_PCT = (10, 65)
DRY_YIELD_T_HA = 45  # dry yields above it are noted
OCCASION_MONTHS = {"autumn": range(8, 13), "spring": range(1, 7), "summer": range(5, 9)}
FEWEST_SEASONS = 2  # seasons needed before a label is doubted
SWAP_EVIDENCE = 25.0  # drop in squared standardised distance, summed over seasons and traits
MEDIAN_DIFFERENCE = 0.9539  # median |difference| of two normal values of standard deviation 1
FEWEST_SHARED = 5  # plots scored by an observer and by others
APART_T = 3.0  # t value from which on an observer sits apart
APART_CLASSES = 0.5  # and the least mean difference [classes]
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
    found, pairs = [], neighbour_pairs(tables["plots"])
    of_plots = (product_notes, swap_notes)
    for look in (
        moisture_and_yield_notes,
        occasion_notes,
        dead_height_notes,
        falling_notes,
        *of_plots,
    ):
        found += look(tables)
    found += observer_notes(tables["frost_scores"])
    for name, columns in UNIT_SLIPS.items():
        found += slip_notes(tables, name, columns, pairs)
    return found


def _notes(code, table, frame, where, column, rule, mend="look at the paper sheet"):
    """Return one note per row of `frame` where `where` holds; `rule` and `mend` are filled in from
    the row.
    """
    found = []
    for _, row in frame[where.fillna(False).to_numpy(dtype=bool)].iterrows():
        value = row[column]
        is_number = isinstance(value, (int, float))
        value = None if pd.isna(value) else f"{value:.6g}" if is_number else str(value)
        place = {"line": int(row["source_line"]), "column": column, "value": value}
        place |= {"table": table, "site": row["site"]}
        file, said = row["source_file"], (rule.format_map(row), mend.format_map(row))
        found.append(note(code, file, *said, **place))
    return found


def dry_yield(harvests):
    """Return moisture [%, wet basis] and dry yield [t/ha] of each harvest; missing without a
    sample.
    """
    moisture = 100 * (1 - harvests["subsample_dry_g"] / harvests["subsample_fresh_g"])
    dry_kg = harvests["fresh_mass_kg"] * (1 - moisture / 100)
    return moisture, 10 * dry_kg / harvests["harvested_area_m2"]


def moisture_and_yield_notes(tables):
    """Return notes on moistures and dry yields outside their plausible range."""
    moisture, dry = dry_yield(tables["harvests"])
    frame = tables["harvests"].assign(moisture=moisture, dry=dry)
    odd = ~moisture.between(*MOISTURE_PCT) & moisture.notna()
    limits = f"{MOISTURE_PCT[0]} to {MOISTURE_PCT[1]} %"
    rule = (
        "moisture {moisture:.1f} % ({subsample_fresh_g:g} g fresh, {subsample_dry_g:g} g dry) is outside "
        f"the plausible {limits}"
    )
    found = _notes("N-RANGE", "harvests", frame, odd, "subsample_dry_g", rule)
    rule = "dry yield {dry:.1f} t/ha from {harvested_area_m2:g} m² is above the plausible "
    rule += f"{DRY_YIELD_T_HA} t/ha"
    high = dry > DRY_YIELD_T_HA
    return found + _notes("N-RANGE", "harvests", frame, high, "fresh_mass_kg", rule)


def occasion_notes(tables):
    """Return notes on counts whose occasion does not suit their month: it decides their season."""
    frame = tables["stand_counts"]
    months = frame["counted_on"].dt.month
    odd = pd.Series(False, index=frame.index)
    for occasion, usual in OCCASION_MONTHS.items():
        odd |= (frame["occasion"] == occasion) & ~months.isin(usual)
    rule = "a count named {occasion} on {counted_on:%Y-%m-%d}: the occasion decides its season"
    return _notes("N-OCCASION", "stand_counts", frame, odd, "occasion", rule)


def dead_height_notes(tables):
    """Return notes on stems measured on the day on which the plot was counted as dead."""
    counts = tables["stand_counts"]
    dead = counts.loc[counts["plants_alive"] == 0, ["site", "plot", "counted_on", "source_line"]]
    dead = dead.rename(columns={"source_line": "count_line", "counted_on": "measured_on"})
    frame = tables["stem_measures"].merge(dead, on=["site", "plot", "measured_on"])
    where, column = frame["stem_height_cm"].notna(), "stem_height_cm"
    rule = "plot {plot} has this height, yet 0 plants alive on the same day (stand_counts line {count_line})"
    mend = "one of the two belongs to another plot"
    return _notes("N-DEADHEIGHT", "stem_measures", frame, where, column, rule, mend)


def falling_notes(tables):
    """Return notes on heights below an earlier one of the same plant in the same growing season."""
    stems = tables["stem_measures"]
    frame = stems[stems["stem_height_cm"].notna()].sort_values("measured_on", kind="stable")
    plant = ["site", "plot", "growing_season", "plant", "height_method"]
    before = frame.groupby(plant, dropna=False)[["stem_height_cm", "measured_on", "source_line"]]
    frame = frame.join(before.shift(1).add_prefix("before_"))
    fell = frame["stem_height_cm"] < HEIGHT_FALL * frame["before_stem_height_cm"]
    rule = (
        "{stem_height_cm:g} cm, after {before_stem_height_cm:g} cm on {before_measured_on:%Y-%m-%d} "
        "(line {before_source_line}): a digit lost or a plot mixed up?"
    )
    return _notes("N-FALL", "stem_measures", frame, fell, "stem_height_cm", rule)


def slip_notes(tables, name, columns, pairs):
    """Return notes on values some power of ten away from the hybrid's other plots and from the
    neighbours.

    The reference of a value is the geometric mean of its hybrid's other plots in the same trial,
    season and on the same day, and the one of the adjacent plots; both that exist must agree.

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
    plots = tables["plots"][["site", "plot", "trial", "hybrid"]]
    frame = tables[name].merge(plots, on=["site", "plot"])
    if frame.empty:
        return []
    group = ["site", "trial", "growing_season"] + ["measured_on"] * ("measured_on" in frame)
    # what was cut from an area is divided by it before plots are compared
    area = frame["harvested_area_m2"] if name == "harvests" else 1
    per = {column: area if column == "fresh_mass_kg" else 1 for column in columns}
    logs = {
        column: np.log10((frame[column] / per[column]).where(frame[column] > 0))
        for column in columns
    }
    keys = frame[[*group, "plot", "hybrid"]]
    means = pd.concat([keys, pd.DataFrame(logs)], axis=1)
    means = means.groupby(list(keys), as_index=False, dropna=False).median()
    numbered = means.reset_index(names="at")[[*group, "plot", "at"]]
    place = keys.reset_index().merge(numbered, on=[*group, "plot"])
    at = place.set_index("index")["at"].reindex(frame.index)
    others = _others_mean(means, list(columns), [*group, "hybrid"]).iloc[at].set_axis(frame.index)
    near = _neighbours_mean(means, list(columns), pairs, group).iloc[at].set_axis(frame.index)
    found = []
    for column, slip in columns.items():
        gaps = {"others": logs[column] - others[column], "near": logs[column] - near[column]}
        gaps = pd.DataFrame(gaps)
        size, is_more = gaps.abs().min(axis=1), gaps.sum(axis=1) > 0
        agree = (np.sign(gaps["others"]) == np.sign(gaps["near"])) | gaps.isna().any(axis=1)
        whose = {True: "the hybrid's other plots", False: "the neighbouring plots"}
        noted = frame.assign(
            ratio=10 ** size.round().clip(1, 3).fillna(1).astype("int64"),
            sign=is_more.map({True: "×", False: "÷"}),
            reference=10 ** others[column].fillna(near[column]) * per[column],
            whose=others[column].notna().map(whose),
        )
        rule = f"{{{column}:g}} beside {{reference:.3g}} in {{whose}}: about {{sign}} {{ratio}}; {slip}?"
        found += _notes("N-SLIP", name, noted, agree & (size > SLIP_FROM), column, rule)
    return found


def _others_mean(frame, columns, group):
    """Return the means of columns over the other rows of the same group; missing where a row is
    alone.
    """
    grouped = frame.groupby(group, dropna=False)[columns]
    n_others = grouped.transform("count") - frame[columns].notna()
    return (grouped.transform("sum") - frame[columns].fillna(0)) / n_others.where(n_others > 0)


def _neighbours_mean(frame, columns, pairs, group):
    """Return the means of columns over the plots that touch each plot in its trial, same season
    and date.
    """
    near = frame[[*group, "plot"]].merge(pairs, on=["site", "plot"])
    beside = frame[[*group, "plot", *columns]].rename(columns={"plot": "neighbour"})
    key = [*group, "plot"]
    near = near.merge(beside, on=[*group, "neighbour"])
    means = near.groupby(key, as_index=False)[columns].mean()
    return frame[key].merge(means, on=key, how="left")[columns].set_axis(frame.index)


def neighbour_pairs(plots):
    """Return each pair of plots of a trial that touch, corners included: site, plot, neighbour."""
    here = plots[["site", "trial", "row", "column", "plot"]].dropna(subset=["row", "column"])
    steps = [(i, j) for i in (-1, 0, 1) for j in (-1, 0, 1) if (i, j) != (0, 0)]
    moved = [here.assign(row=here["row"] + i, column=here["column"] + j) for i, j in steps]
    moved = pd.concat(moved).rename(columns={"plot": "neighbour"})
    pairs = here.merge(moved, on=["site", "trial", "row", "column"])
    return pairs[["site", "plot", "neighbour"]]


def product_notes(tables):
    """Return notes on plots whose plants × stems × stem mass are far from the yield that was cut."""
    harvests = tables["harvests"]
    frame = harvests.assign(dry=dry_yield(harvests)[1])[harvests["status"] == "ok"]
    frame = frame.merge(component_product(tables), on=["site", "plot", "growing_season"])
    frame["ratio"] = frame["product"] / frame["dry"]
    far = ~frame["ratio"].between(*RATIO_RANGE) & frame["ratio"].notna()
    rule = (
        "the components give {product:.2g} t/ha, the cut {dry:.2g} t/ha (ratio {ratio:.2f}, plausible "
        f"{RATIO_RANGE[0]} to {RATIO_RANGE[1]}): an area, a mass or a count slipped?"
    )
    return _notes("N-PRODUCT", "harvests", frame, far, "fresh_mass_kg", rule)


def component_product(tables):
    """Return plants per m² × stems per plant × grams per stem ÷ 100 [t/ha] by plot and growing
    season.

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
    up_to = {"left_on": "measured_on", "right_on": "counted_on", "by": ["site", "plot"]}
    means = pd.merge_asof(means.sort_values("measured_on"), counts, **up_to)
    sides = tables["plots"][["site", "plot", "plot_length_m", "plot_width_m"]]
    means = means.merge(sides, on=["site", "plot"])
    area = means["plot_length_m"] * means["plot_width_m"]
    per_m2 = means["plants_alive"].astype("float64") / area
    means["product"] = per_m2 * means["stems"].astype("float64") * means["stem_dry_mass_g"] / 100
    return means[[*key, "product"]]


def swap_notes(tables):
    """Return a note for each plot whose stems, height and flowering fit another hybrid in every
    season.

    Each trait is centred on its trial and season. A plot is noted when, in every season, it lies
    nearer to one and the same other hybrid than to its own (whose mean is taken without it), and
    the squared distances in units of the spread within hybrids differ by more than
    ``SWAP_EVIDENCE`` in all.
    """
    found = []
    for (site, _), trial in plot_traits(tables).groupby(["site", "trial"], sort=True):
        found_here = swapped_plots(trial)
        for plot, hybrid, evidence in found_here:
            others = ", ".join(other for other, _, _ in found_here if other != plot)
            mend = f"labels exchanged with {others}?" if others else "label exchanged?"
            found.append([site, plot, hybrid, evidence, mend + " Check in the field"])
    found = pd.DataFrame(found, columns=["site", "plot", "like", "evidence", "mend"])
    found = found.astype({"site": "str", "plot": "str"})
    frame = found.merge(tables["plots"], on=["site", "plot"], how="left")
    rule = (
        "plot {plot} is labelled {hybrid}, but its stems, height and flowering are nearer to those of "
        "{like} in every season (squared distance smaller by {evidence:.0f})"
    )
    return _notes("N-LABEL", "plots", frame, frame["hybrid"].notna(), "hybrid", rule, "{mend}")


def plot_traits(tables):
    """Return log stems, log height and flowering day of each plot and season (site, trial, plot,
    hybrid).
    """
    key = ["site", "plot", "growing_season"]
    stems, seen, plots = tables["stem_measures"], tables["phenology"], tables["plots"]
    n_stems = stems["stems"].astype("float64").where(lambda x: x > 0)
    log = stems[key].assign(stems=np.log(n_stems), height=np.log(stems["stem_height_cm"]))
    means = log.groupby(key, as_index=False).mean()
    flowering = seen[key].assign(flowering=seen["flowered_on"].dt.day_of_year)
    plots = plots.loc[plots["status"] == "ok", ["site", "plot", "trial", "hybrid"]]
    return means.merge(flowering, on=key).merge(plots, on=["site", "plot"]).dropna()


def swapped_plots(trial):
    """Return (plot, hybrid that it resembles, evidence) for the doubtful plots of one trial.

    The most doubtful plot is taken out before the others are judged again, since it spoils the mean
    of the hybrid whose label it bears.

    Parameters
    ----------
    trial : pandas.DataFrame
        As returned by :func:`plot_traits`, one trial.
    """
    found = []
    while doubtful := _doubtful_plots(trial):
        found.append(max(doubtful, key=lambda swap: swap[2]))
        trial = trial[trial["plot"] != found[-1][0]]
    return sorted(found)


def _doubtful_plots(trial):
    seasons, hybrids = trial["growing_season"].nunique(), sorted(trial["hybrid"].unique())
    n_plots = trial.groupby("hybrid")["plot"].nunique()
    if seasons < FEWEST_SEASONS or len(hybrids) < 3 or n_plots.max() < 2:
        return []
    plots = sorted(trial["plot"].unique())
    seasons = [season.set_index("plot") for _, season in trial.groupby("growing_season")]
    own, other = zip(*(_distances(season, hybrids, plots) for season in seasons))
    own, other, found = np.array(own), np.array(other), []
    seen = np.isfinite(own)
    gain = np.where(seen[..., None], own[..., None] - other, np.nan)
    for i in range(len(plots)):
        per_season = gain[seen[:, i], i, :]
        if len(per_season) < FEWEST_SEASONS:
            continue
        always = (per_season > 0).all(axis=0)
        total = np.where(always, per_season.sum(axis=0), -np.inf)
        best = int(total.argmax())
        if total[best] > SWAP_EVIDENCE:
            found.append((plots[i], hybrids[best], float(total[best])))
    return found


def _distances(season, hybrids, plots):
    """Return squared distances of each plot to its own hybrid without it, and to every other
    hybrid.
    """
    values, hybrid = season[["stems", "height", "flowering"]], season["hybrid"]
    grouped = values.groupby(hybrid)
    n = grouped["stems"].transform("size")
    rest = (n - 1).where(n > 1)
    spread = _spread_within(values, hybrid)
    without = grouped.transform("sum").sub(values).div(rest, axis=0)
    own = (((values - without) / spread) ** 2).sum(axis=1, skipna=False) / (1 + 1 / rest)
    apart = values.to_numpy()[:, None, :] - grouped.mean().reindex(hybrids).to_numpy()[None]
    to_all = ((apart / spread.to_numpy()) ** 2).sum(axis=2)
    to_all /= 1 + 1 / hybrid.value_counts().reindex(hybrids).to_numpy()
    to_all[np.arange(len(values)), [hybrids.index(h) for h in hybrid]] = np.inf
    to_all = pd.DataFrame(to_all, index=season.index).reindex(plots)
    return own.reindex(plots).to_numpy(), to_all.to_numpy()


def _spread_within(values, hybrid):
    """Return the standard deviation within hybrids from the median difference of two plots of a
    hybrid.

    The median is not moved by the few plots whose label is wrong.
    """
    pairs = []
    for _, group in values.groupby(hybrid):
        group = group.to_numpy()
        pairs.append(np.abs(group[:, None] - group)[np.triu_indices(len(group), 1)])
    median = np.median(np.concatenate(pairs), axis=0)
    return pd.Series(median / MEDIAN_DIFFERENCE, index=values.columns)


def observer_notes(scores):
    """Return a note for each observer whose damage scores sit apart from the others' on shared
    plots.

    Only plots that several observers scored on the same day count: the mean difference from the
    others' mean is noted when it is at least half a class and three standard errors from zero.
    """
    key = ["site", "plot", "scored_on"]
    frame = scores.dropna(subset=["damage_score"]).copy()
    group = frame.groupby(key)["damage_score"]
    n, total = group.transform("count"), group.transform("sum").astype("float64")
    score = frame["damage_score"].astype("float64")
    frame["difference"] = score - (total - score) / (n - 1).where(n > 1)
    frame["others"] = score - frame["difference"]
    found = []
    shared = frame.dropna(subset=["difference"])
    for _, of_one in shared.groupby(["site", "observer"]):
        difference = of_one["difference"]
        mean, error = difference.mean(), difference.std() / np.sqrt(len(of_one))
        if len(of_one) >= FEWEST_SHARED and abs(mean) >= max(APART_CLASSES, APART_T * error):
            shows_best = of_one.loc[[(np.sign(mean) * difference).idxmax()]]
            side = "higher" if mean > 0 else "lower"
            rule = (
                f"observer {{observer}} scores {abs(mean):.1f} classes {side} than the others on "
                f"{len(of_one)} shared plots (here {{damage_score}} beside {{others:g}})"
            )
            mend = "agree on the scale and score some plots together"
            place = ("frost_scores", shows_best, shows_best["observer"].notna(), "damage_score")
            found += _notes("N-OBSERVER", *place, rule, mend)
    return found
