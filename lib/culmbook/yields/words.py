"""Sentences on yields and their components that have many cases."""

import pandas as pd

from culmbook.show import against
from culmbook.text.numbers import fmt_date, fmt_interval, fmt_list, fmt_number, fmt_share
from culmbook.text.refusal import Refusal
from culmbook.text.words import at_sites, is_are, joined, n_of
from culmbook.trials.dry_yield import FULL_YIELD_YEAR, NO_MOISTURE, RECORDED, is_filled
from culmbook.yields.components import COMPONENTS, MEASURED, usual_methods, with_method
from culmbook.yields.means import label_of
from culmbook.yields.paths import HYBRIDS


def plantings(frame: pd.DataFrame) -> str:
    """Which planting a part is about, and its crop year: 'the planting of 2022 in crop year 4'."""
    years, ages = (sorted({*frame[c].astype(int)}) for c in ("planting_season", "crop_year"))
    what = f"planting{'s' if len(years) > 1 else ''} of {fmt_list(years)}"
    return f"the {what} in crop year{'s' if len(ages) > 1 else ''} {fmt_list(ages)}"


def young(frame: pd.DataFrame) -> list[str]:
    """Plantings that are not full-grown: a sentence each."""
    rows = frame[frame["crop_year"] < FULL_YIELD_YEAR]
    return [
        f"The planting of {int(year)}{at_sites(own)} is in crop year {int(own['crop_year'].iloc[0])}: "
        "yields before the third say little of a full-grown stand."
        for year, own in rows.groupby("planting_season")
    ]


def cut(frame: pd.DataFrame, season: int, looked_at: pd.DataFrame) -> str:
    """Which plantings are looked at, when they were cut, and how many plots can be used."""
    days, used = frame["harvested_on"].dropna(), frame[frame["left_out"].isna()]
    first, last = fmt_date(days.min()), fmt_date(days.max())
    when = f"on {first}" if first == last else f"between {first} and {last}"
    return (
        f"This part looks at {plantings(looked_at)}, cut {when} after season {season}: "
        f"{n_of(len(used), 'plot')}{at_sites(used)} can be used."
    )


def left_out(frame: pd.DataFrame) -> list[str]:
    """What was left out, filled in, or cannot be known of cuts, in sentences."""
    told, lost = [], frame[frame["left_out"].eq(NO_MOISTURE)]
    places = sorted({*zip(lost["site"], lost["growing_season"])})
    if places:
        told.append(
            f"All moisture samples were lost at {fmt_list([f'{s} in {y}' for s, y in places])}: dry "
            "yields there are not known, and no other site's moisture is put in, because sites differ "
            "by more than hybrids do."
        )
    if n := int(is_filled(frame).sum()):
        told.append(
            f"The moisture sample of {n_of(n, 'plot')} was lost: the mean of the hybrid's other plots "
            "at the site, or of the site, stands in. These plots are left out of every comparison of "
            "moisture."
        )
    ways = frame["recorded_as"].value_counts().sort_index()
    if set(ways.index) - {RECORDED["fresh_mass_kg"]}:
        parts = [f"{way} in {n_of(int(n), 'plot')}" for way, n in ways.items()]
        told.append(f"Yields were recorded as {fmt_list(parts)}.")
    why = frame["left_out"].value_counts().sort_index()
    if len(why):
        parts = [f"{n_of(int(n), 'plot')} ({reason})" for reason, n in why.items()]
        told.append(f"Left out of all estimates: {fmt_list(parts)}.")
    if n := int((frame["is_plant_loss"] & frame["left_out"].isna()).sum()):
        told.append(
            f"{n_of(n, 'plot')} lost to the hybrid itself counts with what it gave, 0 where nothing "
            "was cut."
        )
    return told


def yields_against(gaps: pd.DataFrame, control: str, value: str, level: float) -> str:
    """Which hybrids yielded more or less than the control; if none, how small a difference could
    be seen.
    """
    known, none = gaps.dropna(subset="lower"), list(gaps.loc[gaps["lower"].isna(), "hybrid"])
    said = against.words(
        known, control, above="yielded more", below="yielded less", value=value, level=level
    )
    if said.startswith("No hybrid"):
        widest = fmt_number((known["upper"] - known["lower"]).median() / 2, 1)
        said += f" Differences under about {widest} t/ha could not have been seen."
    return joined(said, f"No plot of {fmt_list(none)} gave anything." if none else "")


def stand_power(power, full: pd.DataFrame, floor: float, level: float) -> list[str]:
    """How yield goes with the stand, and which plots are not reckoned to a full one."""
    more = fmt_number(100 * (1.1**power.slope - 1), 1)
    limits = fmt_interval(power.lower, power.upper, 2, share=False)
    said = (
        f"Within hybrids, plots with 10 % more of their plants standing yielded {more} % more (power "
        f"{fmt_number(power.slope, 2)}, {fmt_share(level)} interval {limits}): 0 would be neighbours "
        "that fill every gap, 1 a yield that falls in step with the plants."
    )
    poor, blank = (full["stand"].notna() & ~full["is_ranked"]).sum(), full["stand"].isna().sum()
    low = f"{n_of(poor, 'plot')} with a stand under {fmt_share(floor)} {is_are(poor)} not reckoned: that is too far."
    uncounted = f"{n_of(blank, 'plot')} without a count {is_are(blank)} left out."
    return [said, low if poor else "", uncounted if blank else ""]


def components(stems: pd.DataFrame, frame: pd.DataFrame) -> list[str]:
    """What stands in the way of comparing components, in sentences.

    Parameters
    ----------
    stems : DataFrame
        Table ``stem_measures``, the plots and seasons of interest.
    frame : DataFrame
        From :func:`culmbook.yields.components.plot_components`, the same plots and seasons.
    """
    absent = [label_of(c).lower() for c in MEASURED[:-1] if frame[c].isna().all()]
    told = [f"Not observed in any plot: {fmt_list(absent)}."] if absent else []
    rows = with_method(stems)
    used, usual = rows.groupby(["site", "growing_season"])["height_method"], usual_methods(rows)
    told += [
        f"{place[0]}, {place[1]}: heights were measured by two methods ({fmt_list(methods)}). They "
        f"are different things and are kept apart: only those by {usual[place]} are used."
        for place, methods in used.agg(lambda v: sorted(set(v))).items()
        if len(methods) > 1
    ]
    if n := int(frame["n_slips"].sum()):
        told.append(
            f"{n_of(n, 'measured plant')} with a suspected unit slip {is_are(n)} left out of the means; "
            "see the list of problems."
        )
    return told


def component_spans(means: pd.DataFrame) -> str:
    """From which hybrid to which stems and height range; refuses where neither was observed."""
    parts = []
    for measure, what in (
        ("stems_per_plant", "stems per plant"),
        ("stem_height_cm", "cm of stem height"),
    ):
        own = means[means["measure"].eq(measure)].sort_values("mean").itertuples()
        ends = [f"{fmt_number(r.mean, 0)} ({r.hybrid})" for r in own]
        parts += [f"from {ends[0]} to {ends[-1]} {what}"] if ends else []
    if not parts:
        raise Refusal("Neither stems nor heights have means by hybrid.")
    return f"Hybrids had {fmt_list(parts)}."


def without_logs(frame: pd.DataFrame, logs: pd.DataFrame) -> str:
    """How many plots the analysis of logs cannot use; blank if it uses all."""
    missing = len(frame) - len(logs)
    observed = [c for c in (*COMPONENTS, "dry_yield_t_ha") if c in frame]
    n = int(frame[observed].eq(0).any(axis=1).sum())
    zero = f", {n} because nothing grew or was cut" if n else ""
    said = f"Left out without every component and a yield: {missing} of {n_of(len(frame), 'plot')}{zero}."
    return said if missing else ""


def contributions(shares: pd.DataFrame, n: int, level: float) -> str:
    """Which component the differences between hybrids come from."""
    own = shares[shares["among"].eq(HYBRIDS) & shares["component"].ne("rest")]
    words = [
        f"{label_of(r.component).lower()} {fmt_share(r.share)} ({fmt_interval(r.lower, r.upper)})"
        for r in own.sort_values("share", ascending=False).itertuples()
    ]
    return joined(
        f"Differences in yield among these {n} hybrids, shared out: {fmt_list(words)}, together "
        f"{fmt_share(own['share'].sum())} ({fmt_share(level)} intervals).",
        "A negative share works against the others." if (own["share"] < 0).any() else "",
    )


def paths(effects: pd.DataFrame, level: float) -> str:
    """Which components act on the yield directly among hybrids; blank where there are no such
    paths.
    """
    own = effects[effects["among"].eq(HYBRIDS)].sort_values("direct", ascending=False)
    told = [
        f"{label_of(r.component).lower()} {fmt_number(r.direct, 2)} "
        f"({fmt_interval(r.lower, r.upper, 2, share=False)})"
        for r in own.itertuples()
    ]
    clear = [t for t, low, high in zip(told, own["lower"], own["upper"]) if low > 0 or high < 0]
    if not told:
        return ""
    largest = f" no component's direct effect on yield is clear of 0; the largest is {told[0]}"
    held = f", with the other components held still, yield goes directly with {fmt_list(clear)}"
    return (
        f"Among hybrids{held if clear else largest} (standard deviations of log yield per standard "
        f"deviation of the log component, {fmt_share(level)} intervals)."
    )


def gives_way(row, level: float) -> str:
    """How one component changes where a hybrid's plots have more plants."""
    name = {"stems_per_plant": "number of stems per plant"}.get(row.second, "mass per stem")
    if row.slope_lower <= 0 <= row.slope_upper:
        return f"Where plots of a hybrid had more plants, the {name} did not clearly change."
    slopes = (row.slope, row.slope_lower, row.slope_upper)
    change, *limits = (100 * (1.1**slope - 1) for slope in slopes)
    low, high = sorted(map(abs, limits))
    return (
        f"Where plots of a hybrid had 10 % more plants, the {name} was {fmt_number(abs(change), 1)} % "
        f"{'lower' if change < 0 else 'higher'} ({fmt_share(level)} interval "
        f"{fmt_interval(low, high, 1, share=False, unit='%')}; {n_of(row.n_plots, 'plot')})."
    )


def measured(predictors: str) -> str:
    """A set of predictors in words: 'stems per m² and stem height'."""
    return fmt_list([label_of(p).lower() for p in predictors.split(" + ")])


def prediction(errors: pd.DataFrame) -> str:
    """Errors of the best set of measurements, its name once where it is the best in every crop
    type.
    """
    best = errors.loc[errors.groupby("crop_type", sort=False)["rmse_log"].idxmin()]
    is_one = best["predictors"].nunique() == 1
    what = f"from {measured(best['predictors'].iloc[0])} " if is_one else ""
    parts = [
        f"{fmt_number(100 * r.rmse_log, 0)} % in {r.crop_type}"
        + ("" if is_one else f" from {measured(r.predictors)}")
        + f" ({fmt_number(r.rmse_t_ha, 1)} t/ha; {n_of(r.n_plots, 'cut plot')} in {r.n_site_years} "
        "site-years)"
        for r in best.itertuples()
    ]
    cheap = errors.drop_duplicates("crop_type")
    alone = fmt_list([fmt_number(100 * error, 0) for error in cheap["rmse_log"]])
    return (
        f"Predicting a plot's yield in an unseen site-year {what}erred by about {fmt_list(parts)}. "
        f"With {measured(cheap['predictors'].iloc[0])} alone the error was {alone} %."
    )


def no_measurement(errors: pd.DataFrame) -> str:
    """The error without any measurement, for the note of the errors' table."""
    parts = [
        f"{kind} {fmt_number(rows['rmse_none_log'].iloc[0], 2)} ({rows['n_site_years'].max()} site-years)"
        for kind, rows in errors.groupby("crop_type", sort=False)
    ]
    return (
        f"Without any measurement the error on the log scale is: {'; '.join(parts)}. A site-year is a "
        "site in a season; all plantings count."
    )


def plan(steps: pd.DataFrame) -> str:
    """What twice the plants would bring, for the first two measurements.

    Parameters
    ----------
    steps : DataFrame
        From :func:`culmbook.yields.components.plan_plants`, with the plants measured now and with more.
    """
    parts = []
    for name, own in steps.groupby("measurement", sort=False):
        (now, more), (low, high) = own["plants"], own["se_hybrid"] * 100
        parts.append(f"from {low:.1f} to {high:.1f} % for {name.lower()}")
    return (
        f"Next season {more} plants of a plot instead of {now} would bring the standard error of a "
        f"hybrid's mean at one site down {fmt_list(parts[:2])}."
    )


def lodging(lodged: pd.DataFrame, sites: str) -> str:
    """How many plots lodged, most often of which hybrids.

    Raises
    ------
    Refusal
        Lodging was not recorded, or no plot lodged.
    """
    if lodged.empty:
        raise Refusal("Lodging was not recorded at this harvest, so nothing is said of it.")
    n, down = n_of(lodged["n_plots"].sum(), "plot"), int(lodged["n_lodged"].sum())
    if not down:
        raise Refusal(f"None of {n} looked at for lodging had lodged.")
    share = lodged["n_lodged"] / lodged["n_plots"]
    top = list(lodged.loc[share.eq(share.max()), "hybrid"])
    return (
        f"{down} of {n}{sites} had lodged at the cut, most often those of {fmt_list(top)} "
        f"({fmt_share(share.max())} of {'their' if len(top) > 1 else 'its'} plots)."
    )


def flowering(traits: pd.DataFrame) -> str:
    """How many plots flowered, and which hybrids never did; refuses where nobody looked."""
    seen = traits.dropna(subset="flowered")
    if seen.empty:
        raise Refusal("Nobody noted which plots flowered.")
    is_out = seen["flowered"].eq("yes")
    did = is_out.groupby(seen["hybrid"]).any()
    never = f" No plot of {fmt_list(list(did[~did].index))} did." if not did.all() else ""
    share = fmt_share(is_out.mean())
    return f"{is_out.sum()} of {n_of(len(seen), 'plot')} with an answer flowered ({share}).{never}"
