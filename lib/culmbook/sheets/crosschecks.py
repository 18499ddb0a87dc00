"""Values worth a second look beside others: each note names the row, two values and the likely
slip.

Nothing is refused here: what is noted may be true. What is merely unlikely is noted once for each
cause, site and season, with its count, so that it does not hide what is likely wrong. The last two
look at plots that behave like another hybrid in every season, and at observers who score apart from
the others.
"""

import numpy as np
import pandas as pd

from culmbook.sheets import dictionary
from culmbook.sheets.problems import and_others, note

SLIP_FROM = 0.8  # log10 of the ratio from which on a unit slip is likely: 6.3-fold
HEIGHT_FALL = 0.9  # a later height under this share of an earlier one is noted
FALL_BEYOND = 3.0  # and a plot's mean only that many standard deviations under its trial's change
FEWEST_PLOTS = 6  # plots of a trial whose changes show how much they scatter
RATIO_RANGE = (0.5, 1.6)  # component product ÷ harvested yield
MOISTURE_PCT = (10, 65)
DRY_YIELD_T_HA = 45  # dry yields above it are noted
RECORDED = {
    "fresh_mass_kg": "fresh mass",
    "dry_mass_kg": "dry mass",
    "fresh_yield_t_ha": "fresh yield per hectare",
    "dry_yield_t_ha": "dry yield per hectare",
}
"""Columns in which a yield may be recorded, one of them in a row, in words."""
OCCASION_MONTHS = {"autumn": range(8, 13), "spring": range(1, 7), "summer": range(5, 9)}
FEWEST_SEASONS = 2  # seasons needed before a label is doubted
TRAITS = ("stems", "height", "diameter", "flowering")
MOSTLY_THERE = 0.8  # share of plots and seasons with a trait from which on labels are judged by it
SWAP_EVIDENCE = 25.0  # drop in squared distance from which on a label is doubted
AS_NEAR = 6.0  # less than this behind the nearest hybrid, another may be meant as well
LARGEST_PAIR = 2.5  # standard deviations at which differences of two plots are cut for correlations
UNCORRELATED = 5  # differences without correlation that are added to those seen
MEDIAN_DIFFERENCE = 0.9539  # median |difference| of two normal values of standard deviation 1
MEDIAN_DISTANCE = 0.6745  # median |distance| of a normal value of standard deviation 1
FEWEST_SHARED = 5  # plots scored by an observer and by others
APART_T = 3.0  # t value from which on an observer sits apart
APART_CLASSES = 0.5  # and the least mean difference [classes]


def cross_checks(tables):
    """Return the notes on values that do not fit beside others.

    Parameters
    ----------
    tables : dict of str to pandas.DataFrame
        The tables of a network, as read.

    Returns
    -------
    list of Problem
        Notes ``N-RANGE``, ``N-OCCASION``, ``N-DEADHEIGHT``, ``N-FALL`` and ``N-PRODUCT``, one for
        each cause, site and season; ``N-BLOCK`` for each trial, ``N-SLIP`` for each row,
        ``N-LABEL`` for each plot and ``N-OBSERVER`` for each observer apart.
    """
    looks = {
        "plots": (block_notes,),
        "harvests": (slip_notes, product_notes, moisture_and_yield_notes),
        "stand_counts": (occasion_notes,),
        "stem_measures": (slip_notes, dead_height_notes, falling_notes, swap_notes),
        "frost_scores": (observer_notes,),
    }
    found = []
    for name, own in looks.items():
        for look in own if len(tables[name]) else ():
            found += look(tables, name) if look is slip_notes else look(tables)
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


def _one_note(code, table, frame, far, column, rule, mend="look at the paper sheet"):
    """Return one note per site and season, on the row that lies farthest off, with how many others
    do.

    `far` says by how much a row lies off, and is 0 or missing where it does not; the season is
    ``growing_season``. `rule` is filled in from the row.
    """
    season = ["site", "growing_season", "source_file"]
    far = far.astype("float64").fillna(0)
    if not (far > 0).any():
        return []
    frame = frame.assign(far=far, n=1)
    frame["n"] = frame.groupby(season, dropna=False)["n"].transform("size")
    frame = frame[frame["far"] > 0].sort_values("far", ascending=False, kind="stable")
    found = []
    for _, alike in frame.groupby(season, dropna=False, sort=False):
        said = rule + and_others(alike["source_line"], alike["n"].iloc[0])
        first = pd.Series(True, alike.index[:1])
        found += _notes(code, table, alike.iloc[:1], first, column, said, mend)
    return found


def _outside(values, low, high):
    """How far values lie outside a range; missing where there is no value."""
    return np.maximum(low - values, values - high).clip(lower=0)


def block_notes(tables):
    """Return a note for each trial with codes of blocks that lie in several main plots of one
    replicate.
    """
    plots, code = tables["plots"].dropna(subset="block"), ["site", "trial", "replicate", "block"]
    main_plots = plots.assign(main_plot=plots["main_plot"].fillna("-")).groupby(code)["main_plot"]
    frame = plots.assign(n=main_plots.transform("nunique"))
    frame = frame[frame["n"] > 1].drop_duplicates(code)
    trial = frame.groupby(["site", "trial"])["block"]
    frame, first = frame.assign(n_codes=trial.transform("size")), trial.cumcount() == 0
    rule = (
        "block {block} lies in {n} main plots of replicate {replicate} ({n_codes} such codes in trial "
        "{trial}): each main plot's part of it is taken as a block of its own"
    )
    mend = "correct main_plot or block, or give every block its own code within the replicate"
    return _notes("N-BLOCK", "plots", frame, first, "block", rule, mend)


def dry_yield(harvests):
    """Return moisture [%, wet basis] and dry yield [t/ha] of each harvest; missing where they are
    not known.
    """
    sampled = 100 * (1 - harvests["subsample_dry_g"] / harvests["subsample_fresh_g"])
    moisture = harvests.reindex(columns=["moisture_pct"])["moisture_pct"].fillna(sampled)
    return moisture, dry_yield_at(harvests, moisture)


def dry_yield_at(harvests, moisture):
    """Return the dry yield [t/ha] of each harvest, however it was recorded, at its moisture [%]."""
    cut = harvests.reindex(columns=[*RECORDED, "harvested_area_m2"]).astype("float64")
    share, area = 1 - moisture / 100, cut["harvested_area_m2"]
    ways = (
        10 * cut["fresh_mass_kg"] * share / area,
        10 * cut["dry_mass_kg"] / area,
        cut["fresh_yield_t_ha"] * share,
        cut["dry_yield_t_ha"],
    )
    return pd.concat(ways, axis=1).bfill(axis=1).iloc[:, 0]


def recorded_in(harvests):
    """Return the column of each harvest in which its yield is recorded; missing where in none."""
    is_there = harvests.reindex(columns=[*RECORDED]).notna()
    return is_there.idxmax(axis=1).where(is_there.any(axis=1))


def moisture_and_yield_notes(tables):
    """Return notes on moistures and dry yields outside their plausible range."""
    moisture, dry = dry_yield(tables["harvests"])
    frame = tables["harvests"].assign(moisture=moisture, dry=dry)
    limits = f"{MOISTURE_PCT[0]} to {MOISTURE_PCT[1]} %"
    sample, found = " ({subsample_fresh_g:g} g fresh, {subsample_dry_g:g} g dry)", []
    for column, of in {"subsample_dry_g": sample, "moisture_pct": ""}.items():
        rule = f"moisture {{moisture:.1f}} %{of} is outside the plausible {limits}"
        odd = _outside(moisture, *MOISTURE_PCT).where(frame[column].notna())
        found += _one_note("N-RANGE", "harvests", frame, odd, column, rule)
    for column in RECORDED:
        of = " from {harvested_area_m2:g} m²" if column.endswith("kg") else ""
        rule = f"dry yield {{dry:.1f}} t/ha{of} is above the plausible {DRY_YIELD_T_HA} t/ha"
        high = _outside(dry, 0, DRY_YIELD_T_HA).where(frame[column].notna())
        found += _one_note("N-RANGE", "harvests", frame, high, column, rule)
    return found


def occasion_notes(tables):
    """Return notes on counts whose occasion does not suit their month: it decides their season."""
    counts = tables["stand_counts"].assign(
        growing_season=lambda counts: counts["counted_on"].dt.year
    )
    rule = "a count named {occasion} on {counted_on:%Y-%m-%d}: the occasion decides its season"
    found = []
    for occasion, usual in OCCASION_MONTHS.items():
        frame = counts[counts["occasion"] == occasion]
        odd = ~frame["counted_on"].dt.month.isin(usual)
        found += _one_note("N-OCCASION", "stand_counts", frame, odd, "occasion", rule)
    return found


def dead_height_notes(tables):
    """Return notes on stems measured on the day on which the plot was counted as dead."""
    counts = tables["stand_counts"]
    dead = counts.loc[counts["plants_alive"] == 0, ["site", "plot", "counted_on", "source_line"]]
    dead = dead.rename(columns={"source_line": "count_line", "counted_on": "measured_on"})
    frame = tables["stem_measures"].merge(dead, on=["site", "plot", "measured_on"])
    where, column = frame["stem_height_cm"].notna(), "stem_height_cm"
    rule = "plot {plot} has this height, yet 0 plants alive on the same day (stand_counts line {count_line})"
    mend = "one of the two belongs to another plot"
    return _one_note("N-DEADHEIGHT", "stem_measures", frame, where, column, rule, mend)


def falling_notes(tables):
    """Return notes on heights below an earlier one of the same growing season: of the same plant,
    and of the plot's plants in the mean.

    A plot's mean is of other plants each time, so it must also change by far less than those of its
    trial between the same two days: ``FALL_BEYOND`` standard deviations, from the median distance.
    """
    stems = tables["stem_measures"].dropna(subset="stem_height_cm")
    stems = stems.merge(tables["plots"][["site", "plot", "trial"]], on=["site", "plot"])
    stems = stems.sort_values("measured_on", kind="stable")
    plot = ["site", "trial", "plot", "growing_season", "height_method"]
    means = stems.groupby([*plot, "measured_on"], as_index=False, dropna=False).agg(
        stem_height_cm=("stem_height_cm", "mean"),
        n_plants=("stem_height_cm", "size"),
        source_file=("source_file", "first"),
        source_line=("source_line", "first"),
    )
    means = _with_before(means, plot)
    days = ["site", "trial", "growing_season", "height_method", "measured_on", "before_measured_on"]
    change = np.log(means["stem_height_cm"] / means["before_stem_height_cm"])
    days = [means[day] for day in days]
    beyond = change - change.groupby(days, dropna=False).transform("median")
    spread = beyond.abs().groupby(days, dropna=False)
    is_far = beyond < -FALL_BEYOND * spread.transform("median") / MEDIAN_DISTANCE
    fell = -change.where(is_far & (spread.transform("size") >= FEWEST_PLOTS), 0)
    fell = fell.where(fell > -np.log(HEIGHT_FALL), 0)
    said = (
        "{stem_height_cm:.4g} cm, after {before_stem_height_cm:.4g} cm on {before_measured_on:%Y-%m-%d} "
        "(line {before_source_line}): a digit lost or a plot mixed up?"
    )
    rule = "plot {plot}: the mean height of {n_plants} plants is " + said
    found = _one_note("N-FALL", "stem_measures", means, fell, "stem_height_cm", rule)
    told = means[["site", "plot", "measured_on"]][fell > 0].assign(is_told=True)
    plants = _with_before(stems, [*plot, "plant"]).merge(told, "left")
    fell = -np.log(plants["stem_height_cm"] / plants["before_stem_height_cm"])
    fell = fell.where((fell > -np.log(HEIGHT_FALL)) & plants["is_told"].isna(), 0)
    return found + _one_note("N-FALL", "stem_measures", plants, fell, "stem_height_cm", said)


def _with_before(heights, unit):
    """Heights in order of their days, with the one before of the same unit."""
    before = heights.groupby(unit, dropna=False)[["stem_height_cm", "measured_on", "source_line"]]
    return heights.join(before.shift(1).add_prefix("before_"))


def slip_notes(tables, name):
    """Return notes on values some power of ten away from the hybrid's other plots and from the
    neighbours.

    The reference of a value is the geometric mean of its hybrid's other plots in the same trial,
    season and on the same day, and the one of the adjacent plots; both that exist must agree.

    Parameters
    ----------
    tables : dict of str to pandas.DataFrame
    name : str
        The table; its columns with a ``slip`` are judged.
    """
    columns = {field.name: field.slip for field in dictionary.tables()[name].fields if field.slip}
    pairs = neighbour_pairs(tables["plots"])
    plots = tables["plots"][["site", "plot", "trial", "hybrid"]]
    frame = tables[name].merge(plots, on=["site", "plot"])
    if frame.empty:
        return []
    group = ["site", "trial", "growing_season"] + ["measured_on"] * ("measured_on" in frame)
    # what was cut from an area is divided by it before plots are compared
    area = frame["harvested_area_m2"] if name == "harvests" else 1
    per = {column: area if column.endswith("mass_kg") else 1 for column in columns}
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
    rule = (
        "the components give {product:.2g} t/ha, the cut {dry:.2g} t/ha (ratio {ratio:.2f}, plausible "
        f"{RATIO_RANGE[0]} to {RATIO_RANGE[1]}): an area, a mass or a count slipped?"
    )
    far = _outside(np.log(frame["ratio"]), *np.log(RATIO_RANGE))
    ways = {column: far.where(frame[column].notna()) for column in RECORDED}
    notes = (_one_note("N-PRODUCT", "harvests", frame, ways[way], way, rule) for way in ways)
    return [each for found in notes for each in found]


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
    """Return a note for each plot that is like another hybrid in every season.

    Judged by stems, height, diameter and flowering, as far as they were observed; see
    :func:`swapped_plots`.
    """
    found = []
    for (site, _), trial in plot_traits(tables).groupby(["site", "trial"], sort=True):
        swaps = {plot: (own, like, by) for plot, own, like, by in swapped_plots(trial)}
        for plot, (own, like, by) in swaps.items():
            partners = [p for p, (label, near, _) in swaps.items() if label in like and own in near]
            mend = (
                f"labels exchanged with {', '.join(partners)}?" if partners else "label exchanged?"
            )
            found.append([site, plot, " or ".join(like), by, mend + " Check in the field"])
    found = pd.DataFrame(found, columns=["site", "plot", "like", "evidence", "mend"])
    found = found.astype({"site": "str", "plot": "str"})
    frame = found.merge(tables["plots"], on=["site", "plot"], how="left")
    rule = (
        "plot {plot} is labelled {hybrid}, but its stems, height, diameter and flowering, as far as "
        "observed, are nearer to those of {like} in every season (squared distance smaller by {evidence:.0f})"
    )
    return _notes("N-LABEL", "plots", frame, frame["hybrid"].notna(), "hybrid", rule, "{mend}")


def plot_traits(tables):
    """Return log stems, log height, log diameter and flowering day of each plot and season (site,
    trial, plot, hybrid); missing where not observed.
    """
    key = ["site", "plot", "growing_season"]
    stems, seen, plots = tables["stem_measures"], tables["phenology"], tables["plots"]
    measures = stems[["stems", "stem_height_cm", "stem_diameter_mm"]].astype("float64")
    logs = np.log(measures.where(measures > 0)).set_axis(list(TRAITS[:3]), axis=1)
    means = stems[key].join(logs).groupby(key, as_index=False).mean()
    flowering = seen[key].assign(flowering=seen["flowered_on"].dt.day_of_year)
    plots = plots.loc[plots["status"] == "ok", ["site", "plot", "trial", "hybrid"]]
    return means.merge(flowering, on=key, how="outer").merge(plots, on=["site", "plot"])


def swapped_plots(trial):
    """Find the plots of one trial whose label is doubtful.

    A doubtful plot spoils the mean of the hybrid whose label it bears: the most doubtful one is taken
    out before the others are judged again, and in the end each is judged beside the plots in no
    doubt.

    Parameters
    ----------
    trial : pandas.DataFrame
        As returned by :func:`plot_traits`, one trial; a trait that most plots lack is not used, and
        of the others only plots and seasons with all of them.

    Returns
    -------
    list of tuple
        Plot, its hybrid, the hybrids that it resembles (nearest first), evidence; sorted.

    Notes
    -----
    Traits are centred on each season, and a plot's are averaged over its seasons: what sets a plot
    apart lasts, so that seasons are no independent witnesses. Distances are those of Mahalanobis
    with the covariance within hybrids, whose standard deviations come from the median difference of
    two plots of a hybrid and whose correlations from such differences cut at 2.5 deviations: a few
    wrong labels hardly move them. A plot is doubted when another hybrid is nearer in every season and
    its mean's squared distance is smaller by more than ``SWAP_EVIDENCE``, which chance brings about
    with at most the upper tail of a chi-square with one degree of freedom for each trait: once in
    20,000 plots.
    """
    traits = [
        name for name in TRAITS if name in trial and trial[name].notna().mean() > MOSTLY_THERE
    ]
    trial = trial.dropna(subset=traits)
    of_season = trial.groupby("growing_season")[traits]
    trial = trial.assign(
        **{name: trial[name] - of_season.transform("mean")[name] for name in traits}
    )
    suspects = []
    while doubtful := _doubtful_plots(trial[~trial["plot"].isin(suspects)], traits):
        suspects.append(max(doubtful, key=lambda swap: swap[3])[0])
    found = []
    for plot in sorted(suspects):
        others = trial[~trial["plot"].isin(set(suspects) - {plot})]
        found += [swap for swap in _doubtful_plots(others, traits) if swap[0] == plot]
    return found


def _doubtful_plots(trial, traits):
    n_seasons = trial.groupby("plot")["growing_season"].transform("nunique")
    trial = trial[n_seasons >= FEWEST_SEASONS]
    plots = trial.groupby(["hybrid", "plot"])[traits].mean()
    hybrid = plots.index.get_level_values("hybrid")
    n_plots = hybrid.value_counts()
    if not traits or len(n_plots) < 3 or n_plots.max() < 2:
        return []
    axes, others = _axes_within(plots, hybrid), sorted(n_plots.index)
    seasons = [s.set_index(["hybrid", "plot"]) for _, s in trial.groupby("growing_season")]
    seasons = [_nearer(s[traits].reindex(plots.index) @ axes, hybrid) for s in seasons]
    never_farther = ~(np.array(seasons) <= 0).any(axis=0)
    evidence = np.where(never_farther, _nearer(plots @ axes, hybrid), -np.inf)
    found = []
    for i in np.flatnonzero(evidence.max(axis=1) > SWAP_EVIDENCE):
        order, most = np.argsort(-evidence[i], kind="stable"), evidence[i].max()
        like = tuple(others[j] for j in order if evidence[i, j] > most - AS_NEAR)
        found.append((plots.index[i][1], hybrid[i], like, float(most)))
    return found


def _nearer(x, hybrid):
    """Squared distance of each plot from its own hybrid's other plots less that from each hybrid
    (columns, sorted; minus infinity for its own). Missing without values or another plot.

    Each distance is divided by its variance, which holds the error of the hybrid's mean.
    """
    own = x.groupby(np.asarray(hybrid))
    n, n_plots = own[0].transform("count"), own[0].count()
    rest = (n - 1).where(n > 1)
    without = (own.transform("sum") - x).div(rest, axis=0)
    to_own = ((x - without) ** 2).sum(axis=1, skipna=False) / (1 + 1 / rest)
    apart = x.to_numpy()[:, None] - own.mean().to_numpy()[None]
    to_others = (apart**2).sum(axis=2) / (1 + 1 / n_plots.where(n_plots > 0)).to_numpy()
    to_others[np.arange(len(x)), n_plots.index.get_indexer(hybrid)] = np.inf
    return to_own.to_numpy()[:, None] - to_others


def _axes_within(plots, hybrid):
    """Return the matrix (traits × axes) that turns plots' traits into axes of variance 1 within
    hybrids and without correlation; a trait in which most plots of a hybrid are equal has no weight.
    """
    pairs = []
    for _, group in plots.groupby(np.asarray(hybrid)):
        group = group.to_numpy()
        first, second = np.triu_indices(len(group), 1)
        pairs.append(group[first] - group[second])
    pairs = np.concatenate(pairs)
    spread = np.median(np.abs(pairs), axis=0) / MEDIAN_DIFFERENCE
    weight = np.divide(1, spread, out=np.zeros_like(spread), where=spread > 0)
    cut = np.clip(pairs * weight / np.sqrt(2), -LARGEST_PAIR, LARGEST_PAIR)
    cut = np.vstack([cut, np.sqrt(UNCORRELATED) * np.eye(len(spread))])
    products = cut.T @ cut
    size = np.sqrt(np.diag(products))
    return weight[:, None] * np.linalg.cholesky(np.linalg.inv(products / np.outer(size, size)))


def observer_notes(tables):
    """Return a note for each observer whose damage scores sit apart from the others' on shared
    plots.

    Only plots that several observers scored after the same frost count: the mean difference from
    the others' mean is noted when it is at least half a class and three standard errors from zero.
    Of several observers the one farthest apart is named, and the rest are judged without that one.
    """
    scores = tables["frost_scores"]
    on = scores["frost_on"].fillna(scores["scored_on"])
    kept = scores.assign(on=on, growing_season=on.dt.year).dropna(
        subset=["damage_score", "observer"]
    )
    event = ["site", "plot", "on"]
    kept = kept.sort_values("scored_on", kind="stable").drop_duplicates([*event, "observer"])
    kept["damage_score"] = kept["damage_score"].astype("float64")
    found = []
    for _, season in kept.groupby(["site", "growing_season"]):
        while (apart := _farthest_apart(season, event)) is not None:
            mean, of_one = apart
            side, who = "higher" if mean > 0 else "lower", of_one["observer"].iloc[0]
            shared = season.merge(of_one[event])
            others = sorted(set(shared["observer"]) - {who})
            rule = (
                f"observer {{observer}} scores {abs(mean):.1f} classes {side} than {', '.join(others)} on "
                f"{len(of_one)} shared plots (here {{damage_score:g}} beside {{others:g}})"
            )
            shows_best = of_one.loc[[(np.sign(mean) * of_one["difference"]).idxmax()]]
            mend = "agree on the scale and score some plots together"
            place = ("frost_scores", shows_best, shows_best["observer"].notna(), "damage_score")
            found += _notes("N-OBSERVER", *place, rule, mend)
            season = season[season["observer"] != who]
    return found


def _farthest_apart(scores, event):
    """The mean difference and the scores of the observer farthest from the others, or None."""
    group = scores.groupby(event)["damage_score"]
    n, total = group.transform("size"), group.transform("sum")
    others = (total - scores["damage_score"]) / (n - 1).where(n > 1)
    shared = scores.assign(others=others, difference=scores["damage_score"] - others)
    shared = shared.dropna(subset="difference")
    far = shared.groupby("observer")["difference"].agg(["mean", "sem", "size"])
    least = (APART_T * far["sem"]).clip(lower=APART_CLASSES)
    far = far[(far["size"] >= FEWEST_SHARED) & (far["mean"].abs() >= least)]
    if far.empty:
        return None
    who = far["mean"].abs().idxmax()
    return far.at[who, "mean"], shared[shared["observer"] == who]
