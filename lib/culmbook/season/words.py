"""Sentences about a season's data: each true of the numbers it is given, none and one included."""

from culmbook.season.received import OTHER, STAGES, round_name
from culmbook.season.weather import severity_rows
from culmbook.text.numbers import (
    fmt_count,
    fmt_date,
    fmt_interval,
    fmt_list,
    fmt_number,
    fmt_p,
    fmt_share,
)
from culmbook.text.words import at_sites, is_are, n_of, ordinal

PERIODS = {"winter": "winters", "growing": "growing seasons", "spring": "springs", "year": "years"}
ENDS = {True: ("coldest", "mildest"), False: ("coolest", "warmest")}


def received_words(sheets):
    """How many tables and rows came, what was refused, and which tables are not there.

    Parameters
    ----------
    sheets : pandas.DataFrame
        From :func:`culmbook.season.received.sheets_received`.

    Returns
    -------
    list of str
    """
    total = sheets[["n_kept", "n_refused", "n_files_refused"]].sum()
    sheets = sheets[sheets["table"] != OTHER]
    absent = list(sheets.loc[sheets["n_files"] == 0, "table"])
    rows, files = total["n_refused"], total["n_files_refused"]
    counted = [n_of(n, noun) for n, noun in ((files, "whole file"), (rows, "row")) if n]
    words = [
        f"{len(sheets) - len(absent)} of {n_of(len(sheets), 'table')} came in and gave "
        f"{n_of(total['n_kept'], 'row')} that can be used.",
        f"{fmt_list(counted)} {is_are(rows + files, 'was', 'were')} refused; what is wrong and what "
        "fixes it stands in the appendix."
        if counted
        else "Nothing was refused.",
    ]
    return words + ([f"No file came for {fmt_list(absent, 12)}."] if absent else [])


def facts_of(tables):
    """Facts for the title block: sites, trials, plots, entries by role, latest stand count."""
    plots, hybrids = tables["plots"], tables["hybrids"]
    roles = hybrids.loc[hybrids["hybrid"].isin(plots["hybrid"]), "role"].value_counts()
    trials = plots.groupby(["site", "trial"])["planted_on"].min().dt.year.sort_index()
    named = fmt_list([trial for _, trial in trials.index])
    if len(trials) > 3:
        years = [int(year) for year in sorted(trials.dropna().unique())]
        named = f"{len(trials)}{f', planted in {fmt_list(years)}' if years else ''}"
    sites, counted = sorted(set(plots["site"])), tables["stand_counts"]["counted_on"].max()
    facts = {
        "Sites": fmt_list(sites, 12) if len(sites) > 1 else "",
        "Trials": named or "none",
        "Plots": fmt_count(len(plots)),
        "Entries": fmt_list([n_of(n, role) for role, n in roles.items()]) or "none",
        "Latest stand count": fmt_date(counted) if counted == counted else "",
    }
    return {name: value for name, value in facts.items() if value}


def plots_words(status):
    """How many plots there are and how many are left out.

    Parameters
    ----------
    status : pandas.DataFrame
        From :func:`culmbook.season.received.plots_by_status`, at least one row.

    Returns
    -------
    list of str
    """
    total = status[["n_plots", "n_ok", "n_damaged", "n_abandoned", "n_plant"]].sum()
    trials = f"{n_of(len(status), 'trial')}{at_sites(status)}"
    words = [f"{n_of(total['n_plots'], 'plot')} in {trials}."]
    lost = total["n_plots"] - total["n_ok"]
    if lost == 0:
        return [*words, "All have the status ok."]
    kinds = [n_of(total[f"n_{k}"], k, k) for k in ("damaged", "abandoned") if total[f"n_{k}"]]
    share = fmt_share(lost / total["n_plots"])
    cause = f"{total['n_plant'] or 'none'} lost by the hybrid itself"
    said = f"{n_of(lost, 'plot')} ({share}) {is_are(lost)} not ok: {fmt_list(kinds)}; {cause}."
    return [*words, said]


def stand_words(latest):
    """How many plants are missing, from which counts, over plots with the status ok.

    Parameters
    ----------
    latest : pandas.DataFrame
        From :func:`culmbook.season.received.latest_stand`.

    Returns
    -------
    list of str
    """
    kept = latest[latest["status"] == "ok"]
    counted = kept[kept["missing_share"].notna()]
    if counted.empty:
        return ["No plot has been counted."]
    days = list(dict.fromkeys(fmt_date(day) for day in sorted(counted["counted_on"])))
    span, missing = (
        " to ".join(dict.fromkeys([days[0], days[-1]])),
        fmt_share(missing_share(latest)),
    )
    words = [f"In the latest counts ({span}) {missing} of the plants are missing."]
    left = len(kept) - len(counted)
    never = f"{n_of(left, 'plot')} {is_are(left, 'has', 'have')} never been counted."
    return [*words, never] if left else words


def missing_share(latest):
    """Share of plants missing over counted plots with the status ok; missing when there are none."""
    counted = latest[(latest["status"] == "ok") & latest["missing_share"].notna()]
    planted = counted["plants_planted"].sum()
    return counted["n_missing"].sum() / planted if planted else None


def reasons(rows, named):
    """Note ``named: why``, of rows that lack a value; blank where none does.

    Examples
    --------
    >>> import pandas as pd
    >>> reasons(pd.DataFrame({"reason": [None, "not recorded"]}), "Without a value")
    'Without a value: not recorded.'
    """
    found = rows["reason"].dropna().unique()
    return f"{named}: {'; '.join(found)}." if len(found) else ""


# -- weather --------------------------------------------------------------------------------------


def index_words(row, with_label=True, with_spread=True):
    """One index of one site with its place among the other years.

    Parameters
    ----------
    row : namedtuple
        A row of :func:`culmbook.season.weather.against_record`.
    with_label, with_spread : bool
        Whether the index is named, and whether median and range of the other years are told.

    Returns
    -------
    str
    """
    if row.value != row.value:
        return f"{row.label} without a value for the {row.period}: {row.reason}."
    value = f"{fmt_number(row.value, row.digits)} {row.unit}".replace(" ", "\u00a0")
    so_far = "" if row.is_over else f" from {fmt_date(row.first_day)} to {fmt_date(row.last_day)}"
    missing = f"; {n_of(row.n_missing, 'day')} missing" if row.n_missing else ""
    spread = ""
    if with_spread and row.n_years > 1:
        spread = f"median of the others {fmt_number(row.median, row.digits)}"
        if row.low == row.low:
            limits = fmt_interval(row.low, row.high, row.digits, share=False)
            spread += f", 10–90 % range {limits}"
        spread = f" ({spread})"
    label = f"{row.label} " if with_label else ""
    return f"{label}{value}{so_far}, {rank_words(row)}{spread}{missing}."


def rank_words(row):
    """Where a value stands: ``the 3rd lowest of 20 winters``."""
    if row.n_years < 2:
        return "with no other year to compare"
    low = row.rank_low <= row.rank_high
    place = f"the {ordinal(row.rank_low if low else row.rank_high)}{'lowest' if low else 'highest'}"
    if row.n_tied + 1 == row.n_years:
        place = "the same as in all the others"
    tied = f", shared with {n_of(row.n_tied, 'other')}" if 0 < row.n_tied < row.n_years - 1 else ""
    return f"{place} of {row.n_years} {PERIODS[row.period.split()[0]]}{tied}"


def ranks(place):
    """Place among the years for a table: '3 of 20, tied'; missing where there is no value or no
    other year.
    """
    tied = place["n_tied"].gt(0).fillna(False).map({True: ", tied", False: ""})
    ranks = place["rank_low"].astype("str") + " of " + place["n_years"].astype("str") + tied
    return ranks.where(place["rank_low"].notna() & place["n_years"].gt(1))


def winter_words(place):
    """How severe the winter was: at the one site, or at the two ends of several sites.

    Parameters
    ----------
    place : pandas.DataFrame
        From :func:`culmbook.season.weather.against_record`, at least one row.

    Returns
    -------
    list of str
    """
    return _by_site(severity_rows(place))


def growing_words(place):
    """How warm the growing season was by degree days, as `winter_words` says the winter."""
    return _by_site(place[place["index"] == "degree_days_sine"])


def _by_site(rows):
    """One sentence: the value of one site, or the coldest and mildest of several, each among its
    own years.
    """
    if rows.empty:
        return []
    period = rows["period"].iloc[0]
    start, is_winter = period[0].upper() + period[1:], period.startswith("winter")
    if rows["site"].nunique() == 1:
        return [f"{start}: {_told(next(rows.itertuples(index=False)))}."]
    known = rows[rows["value"].notna() & (rows["n_years"] > 1)]
    left = list(rows.loc[~rows["site"].isin(known["site"]), "site"])
    unknown = f" Not ranked: {fmt_list(left, 12)}." if left else ""
    if known.empty:
        return [f"{start}: no site has a value to rank."]
    standing = (known["rank_low"] - known["rank_high"]) / known["n_years"]
    known = known.assign(standing=standing).sort_values("standing", kind="stable")
    one_label = len(known) > 1 and known["label"].nunique() == 1
    start += f" by {_lower(known['label'].iloc[0])}" if one_label else ""
    ends = [next(known.iloc[[i]].itertuples(index=False)) for i in (0, -1)]
    cold, mild = (f"{row.site} ({_told(row, not one_label)})" for row in ends)
    if ends[0].standing == ends[1].standing:
        others = "the only site ranked" if len(known) == 1 else "no site stands out"
        return [f"{start}: {others}, {cold}.{unknown}"]
    least, most = ENDS[is_winter]
    own = ", by rank among each site's own years" if is_winter else ""  # said once is enough
    return [f"{start}{own}: {least} at {cold}, {most} at {mild}.{unknown}"]


def _lower(text):
    return text[0].lower() + text[1:]


def _told(row, with_label=True):
    if row.value != row.value:
        return f"{_lower(row.label)} without a value ({row.reason})"
    return _lower(index_words(row, with_label, with_spread=False)).removesuffix(".")


# -- observers ------------------------------------------------------------------------------------


def agreement_words(overall, apart, n_scored):
    """How well observers agree and who stands apart.

    Parameters
    ----------
    overall, apart : pandas.DataFrame
        From :func:`culmbook.season.observers.overall_agreement` and
        :func:`culmbook.season.observers.observers_apart`.
    n_scored : int
        Plots scored after a frost, each counted once per frost.

    Returns
    -------
    list of str
    """
    n, several = overall["n_scored"].sum(), len(overall) > 1
    scored = f"{n_of(n, 'plot')} of {fmt_count(n_scored)} ({fmt_share(n / n_scored)})"
    scored = (
        f"{scored} {is_are(n, 'was', 'were')} scored by two observers: equal on "
        f"{overall['n_equal'].sum()}, at most one class apart on {overall['n_within_1'].sum()}"
    )
    known = overall[overall["icc"].notna()].sort_values("icc", kind="stable")
    left = overall[overall["icc"].isna()]
    agreed = []
    if several and len(known):
        ends = [f"{fmt_number(row.icc, 2)} at {row.site}" for row in known.itertuples(index=False)]
        span = " to ".join(dict.fromkeys([ends[0], ends[-1]]))
        agreed.append(f"agreement (intraclass correlation) {span}")
    elif len(known):
        row = known.iloc[0]
        limits = fmt_interval(row["low"], row["high"], 2, share=False)
        interval = f", 95 % interval {limits}" if row["low"] == row["low"] else ""
        agreed.append(f"agreement {fmt_number(row['icc'], 2)} (intraclass correlation{interval})")
    if len(left):
        why = (
            f" for {fmt_list(list(left['site']), 12)}" if several else f": {left['reason'].iloc[0]}"
        )
        agreed.append(f"no coefficient of agreement{why}")
    return [f"{scored}; {', '.join(agreed)}.", *_apart_words(apart, several)]


def _apart_words(apart, several):
    far = apart[apart["adjusted_p"] < 0.05]
    if far.empty:
        return ["No observer scored clearly higher or lower this season (sign tests at 5 %)."]
    far = far.assign(more=(far["n_higher"] > far["n_lower"]).map({True: "higher", False: "lower"}))
    if several:
        named = (far["observer"] + " at " + far["site"]).groupby(far["more"]).agg(list)
        return [
            f"Clearly {more} than the other (sign tests at 5 %): {fmt_list(names, 6)}."
            for more, names in named.items()
        ]
    return [
        f"{row.observer} scored {row.more} than the other on {max(row.n_higher, row.n_lower)} of the "
        f"{n_of(row.n_higher + row.n_lower, 'plot')} that differ (sign test, {fmt_p(row.adjusted_p)})."
        for row in far.itertuples(index=False)
    ]


# -- what is to do --------------------------------------------------------------------------------


def progress_words(rounds):
    """What is complete, under way and not begun.

    Parameters
    ----------
    rounds : pandas.DataFrame
        From :func:`culmbook.season.received.progress`, at least one row.

    Returns
    -------
    list of str
    """
    complete, begun, later = (rounds[rounds["stage"] == stage] for stage in STAGES)
    if len(complete) == len(rounds):
        return ["Nothing is left to measure: every round that is due or was begun is complete."]
    verb, total = is_are(max(len(complete), 1)), n_of(len(rounds), "round")
    words = [f"{len(complete) or 'None'} of {total} {verb} complete."]
    if len(begun):
        left = begun["n_to_measure"].sum()
        named = _named(begun, lambda row: f"{row.trial}, {n_of(row.n_to_measure, 'plot')}")
        words.append(f"{n_of(left, 'plot')} {is_are(left)} left in rounds under way: {named}.")
    if len(later):
        words.append(f"Not begun: {_named(later, lambda row: row.trial)}.")
    return words


def _named(rounds, of_trial):
    rows = rounds.itertuples(index=False)
    return fmt_list([f"{round_name(row.table, row.occasion)} ({of_trial(row)})" for row in rows], 6)


def look_words(listed):
    """How many places need a look and why.

    Parameters
    ----------
    listed : pandas.DataFrame
        From :func:`culmbook.season.received.rows_to_look_at`.
    """
    kinds = "; ".join(f"{why}: {n}" for why, n in listed.groupby("why", sort=False).size().items())
    places = f"{n_of(len(listed), 'place')} {is_are(len(listed), 'calls', 'call')}"
    return f"{places} for a look ({kinds})." if kinds else "No row calls for a look."
