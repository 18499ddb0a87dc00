"""Sentences about a season's data: each true of the numbers it is given, none and one included."""

from culmbook.season.received import OTHER
from culmbook.text.numbers import (
    fmt_count,
    fmt_date,
    fmt_interval,
    fmt_list,
    fmt_number,
    fmt_p,
    fmt_share,
)
from culmbook.text.words import is_are, n_of, ordinal

ROUNDS = {
    "stand_counts": "stand count",
    "frost_scores": "frost scores",
    "stem_measures": "stem measures",
    "harvests": "harvest",
    "phenology": "phenology",
}
OCCASIONS = {
    "after_planting": "after planting",
    "autumn": "in autumn",
    "spring": "in spring",
    "summer": "in early summer",
}
PERIODS = {"winter": "winters", "growing": "growing seasons", "spring": "springs", "year": "years"}
SEVERITY = ("min_soil_c", "min_air_c")
"""What a winter's severity is told by: the first that was recorded."""


def received_words(sheets):
    """Say how many tables and rows came, what was refused, and which tables are not there.

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
    came = sheets["n_files"] > 0
    words = [
        f"{came.sum()} of {n_of(len(sheets), 'table')} came in and gave "
        f"{n_of(total['n_kept'], 'row')} that can be used."
    ]
    n_rows, n_files = total["n_refused"], total["n_files_refused"]
    refused = fmt_list(
        [n_of(n, noun) for n, noun in ((n_files, "whole file"), (n_rows, "row")) if n]
    )
    were = is_are(n_rows + n_files, "was", "were")
    words.append(
        f"{refused} {were} refused; what is wrong and what mends it stands in the appendix."
        if refused
        else "Nothing was refused."
    )
    if not came.all():
        words.append(f"No file came for {fmt_list(list(sheets.loc[~came, 'table']), 12)}.")
    return words


def plots_words(status):
    """Say how many plots there are and how many are left out.

    Parameters
    ----------
    status : pandas.DataFrame
        From :func:`culmbook.season.received.plots_by_status`, at least one row.

    Returns
    -------
    list of str
    """
    total = status[["n_plots", "n_ok", "n_damaged", "n_abandoned", "n_plant"]].sum()
    sites = status["site"].nunique()
    where = f" at {n_of(sites, 'site')}" if sites > 1 else ""
    words = [f"{n_of(total['n_plots'], 'plot')} in {n_of(len(status), 'trial')}{where}."]
    lost = total["n_plots"] - total["n_ok"]
    if lost == 0:
        return [*words, "All have the status ok."]
    kinds = [
        n_of(total[f"n_{kind}"], kind, kind)
        for kind in ("damaged", "abandoned")
        if total[f"n_{kind}"]
    ]
    share = fmt_share(lost / total["n_plots"])
    return [
        *words,
        f"{n_of(lost, 'plot')} ({share}) {is_are(lost)} not ok: {fmt_list(kinds)}, "
        f"{_cause_words(total['n_plant'], lost)}.",
    ]


def _cause_words(n_plant, n_lost):
    """Say how many of the plots that are not ok the hybrid itself lost: these still count as its loss."""
    if n_plant < n_lost:
        return (
            f"{n_plant or 'none'} of them lost by the hybrid itself"
            if n_lost > 1
            else "not lost by the hybrid itself"
        )
    return "lost by the hybrid itself" if n_lost == 1 else "all lost by the hybrids themselves"


def stand_words(latest):
    """Say how many plants are missing, from which counts, over plots with the status ok.

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
    days = sorted({fmt_date(day) for day in counted["counted_on"]})
    words = [
        f"In the latest counts ({days[0]}{'' if len(days) == 1 else ' to ' + days[-1]}) "
        f"{fmt_share(missing_share(latest))} of the plants are missing."
    ]
    left = len(kept) - len(counted)
    if left:
        words.append(f"{n_of(left, 'plot')} {is_are(left, 'has', 'have')} never been counted.")
    return words


def missing_share(latest):
    """Give the share of plants missing over counted plots with the status ok; missing when there are none."""
    counted = latest[(latest["status"] == "ok") & latest["missing_share"].notna()]
    planted = counted["plants_planted"].sum()
    return counted["n_missing"].sum() / planted if planted else None


# ---------------------------------------------------------------- weather


def one_reason(rows, named):
    """Give the note ``'named': why`` where all rows without a value lack it for one and the same reason.

    Examples
    --------
    >>> import pandas as pd
    >>> one_reason(pd.DataFrame({"reason": [None, "not recorded"]}), "Without a value")
    ' Without a value: not recorded.'
    """
    reasons = rows["reason"].dropna().unique()
    return f" {named}: {reasons[0]}." if len(reasons) == 1 else ""


def index_words(row):
    """Say one index of one site with its place among the other years.

    Parameters
    ----------
    row : namedtuple
        A row of :func:`culmbook.season.weather.against_record`.

    Returns
    -------
    str
    """
    if row.value != row.value:
        return f"{row.label} without a value for the {row.period}: {row.reason}."
    value = with_unit(row.value, row.digits, row.unit)
    so_far = "" if row.is_over else f" from {fmt_date(row.first_day)} to {fmt_date(row.last_day)}"
    missing = f"; {n_of(row.n_missing, 'day')} missing" if row.n_missing else ""
    return f"{row.label} {value}{so_far}, {rank_words(row)}{_spread(row)}{missing}."


def with_unit(value, digits, unit):
    """Give a value with its unit."""
    return f"{fmt_number(value, digits)} {unit}".replace(" ", "\u00a0")


def rank_words(row):
    """Say where a value stands: ``the 3rd lowest of 20 winters``."""
    if row.n_years < 2:
        return "with no other year to compare"
    low = row.rank_low <= row.rank_high
    place = f"the {ordinal(row.rank_low if low else row.rank_high)}{'lowest' if low else 'highest'}"
    if row.n_tied + 1 == row.n_years:
        place = "the same as in all the others"
    tied = f", shared with {n_of(row.n_tied, 'other')}" if 0 < row.n_tied < row.n_years - 1 else ""
    return f"{place} of {row.n_years} {PERIODS[row.period.split()[0]]}{tied}"


def _spread(row):
    if row.n_years < 2:
        return ""
    middle = f"median of the others {fmt_number(row.median, row.digits)}"
    if row.low != row.low:
        return f" ({middle})"
    return f" ({middle}, 10–90 % range {fmt_interval(row.low, row.high, row.digits, share=False)})"


def severity_rows(place):
    """Choose for each site the index that tells its winter's severity.

    Parameters
    ----------
    place : pandas.DataFrame
        From :func:`culmbook.season.weather.against_record`.

    Returns
    -------
    pandas.DataFrame
        One row per site: its lowest soil temperature, or its lowest air temperature where the first has no
        value.
    """
    rows = place[place["index"].isin(SEVERITY)]
    order = {name: i for i, name in enumerate(SEVERITY)}
    rows = rows.assign(_blank=rows["value"].isna(), _choice=rows["index"].map(order))
    rows = rows.sort_values(["site", "_blank", "_choice"], kind="stable").drop_duplicates("site")
    return rows.drop(columns=["_blank", "_choice"])


def winter_words(place):
    """Say how severe the winter was: at the one site, or at the two ends of several sites.

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
    """Say how warm the growing season was by degree days, as `winter_words` says the winter."""
    return _by_site(place[place["index"] == "degree_days_sine"])


def _by_site(rows):
    """One sentence: the value of one site, or the coldest and mildest of several, each among its own years."""
    if rows.empty:
        return []
    period = rows["period"].iloc[0]
    start = f"{period[0].upper()}{period[1:]}"
    if rows["site"].nunique() == 1:
        return [f"{start}: {_value_and_rank(next(rows.itertuples(index=False)))}."]
    known = rows[rows["value"].notna() & (rows["n_years"] > 1)]
    left = list(rows.loc[~rows["site"].isin(known["site"]), "site"])
    unknown = f" Not ranked: {fmt_list(left, 12)}." if left else ""
    if known.empty:
        return [f"{start}: no site has a value to rank."]
    standing = (known["rank_low"] - known["rank_high"]) / known["n_years"]
    known = known.assign(standing=standing).sort_values("standing", kind="stable")
    one_label = len(known) > 1 and known["label"].nunique() == 1
    by = f" by {_lower(known['label'].iloc[0])}" if one_label else ""
    ends = [next(known.iloc[[i]].itertuples(index=False)) for i in (0, -1)]
    cold, mild = (f"{row.site} ({_value_and_rank(row, not one_label)})" for row in ends)
    if ends[0].standing == ends[1].standing:
        others = "the only site ranked" if len(known) == 1 else "no site stands out"
        return [f"{start}{by}: {others}, {cold}.{unknown}"]
    least, most = ("coldest", "mildest") if period.startswith("winter") else ("coolest", "warmest")
    own = (
        ", by rank among each site's own years" if period.startswith("winter") else ""
    )  # said once is enough
    return [f"{start}{by}{own}: {least} at {cold}, {most} at {mild}.{unknown}"]


def _lower(text):
    return text[0].lower() + text[1:]


def _value_and_rank(row, with_label=True):
    label = _lower(row.label)
    if row.value != row.value:
        return f"{label} without a value ({row.reason})"
    so_far = "" if row.is_over else f" from {fmt_date(row.first_day)} to {fmt_date(row.last_day)}"
    missing = f"; {n_of(row.n_missing, 'day')} missing" if row.n_missing else ""
    named = f"{label} " if with_label else ""
    return (
        f"{named}{with_unit(row.value, row.digits, row.unit)}{so_far}, {rank_words(row)}{missing}"
    )


# ---------------------------------------------------------------- observers


def agreement_words(overall, apart, n_scored):
    """Say how well observers agree and who stands apart.

    Parameters
    ----------
    overall, apart : pandas.DataFrame
        From :func:`culmbook.season.observers.overall_agreement` and :func:`culmbook.season.observers.observers_apart`.
    n_scored : int
        Plots scored after a frost, each counted once per frost.

    Returns
    -------
    list of str
    """
    n = overall["n_scored"].sum()
    if n == 0:
        return [
            "No plot was scored by two observers after the same frost: agreement cannot be judged."
        ]
    several = overall["site"].nunique() > 1
    scored = (
        f"{n_of(n, 'plot')} of {fmt_count(n_scored)} ({fmt_share(n / n_scored)}) "
        f"{is_are(n, 'was', 'were')} scored by two observers: equal on {overall['n_equal'].sum()}, at most "
        f"one class apart on {overall['n_within_1'].sum()}"
    )
    agreed = (
        _agreement_of_sites(overall)
        if several
        else _agreement_of_one(next(overall.itertuples(index=False)))
    )
    far = apart[apart["adjusted_p"] < 0.05]
    if far.empty:
        tail = ["No observer scored clearly higher or lower this season (sign tests at 5 %)."]
    else:
        tail = (
            _apart_at_sites(far)
            if several
            else [_one_observer(row) for row in far.itertuples(index=False)]
        )
    return [f"{scored}; {agreed}.", *tail]


def _agreement_of_one(row):
    if row.icc != row.icc:
        return f"no coefficient of agreement: {row.reason}"
    limits = fmt_interval(row.low, row.high, 2, share=False)
    interval = "" if row.low != row.low else f", 95 % interval {limits}"
    return f"agreement {fmt_number(row.icc, 2)} (intraclass correlation{interval})"


def _agreement_of_sites(overall):
    """The lowest and highest coefficient; the sites without one are named."""
    known = overall[overall["icc"].notna()].sort_values("icc", kind="stable")
    left = list(overall.loc[overall["icc"].isna(), "site"])
    ends = [f"{fmt_number(row.icc, 2)} at {row.site}" for row in known.itertuples(index=False)]
    said = (
        f"agreement (intraclass correlation) {' to '.join(dict.fromkeys([ends[0], ends[-1]]))}"
        if ends
        else ""
    )
    none = f"no coefficient of agreement for {fmt_list(left, 12)}" if left else ""
    return ", ".join(filter(None, [said, none]))


def _one_observer(row):
    n, more = max(row.n_higher, row.n_lower), "higher" if row.n_higher > row.n_lower else "lower"
    return (
        f"{row.observer} scored {more} than the other on {n} of the "
        f"{n_of(row.n_higher + row.n_lower, 'plot')} that differ (sign test, {fmt_p(row.adjusted_p)})."
    )


def _apart_at_sites(far):
    """Name the observers apart at several sites; their counts stand in the table."""
    is_higher = far["n_higher"] > far["n_lower"]
    named = far["observer"].astype(str) + " at " + far["site"].astype(str)
    return [
        f"Clearly {more} than the other (sign tests at 5 %): {fmt_list(list(named[which]), 6)}."
        for more, which in (("higher", is_higher), ("lower", ~is_higher))
        if which.any()
    ]


# ---------------------------------------------------------------- what is to do


def round_name(table, occasion):
    """Name a round of measuring.

    Examples
    --------
    >>> round_name("stand_counts", "autumn"), round_name("frost_scores", "2025-05-02")
    ('stand count in autumn', 'frost scores of the frost of 2025-05-02')
    """
    if table == "frost_scores":
        return f"{ROUNDS[table]} of the frost of {occasion}"
    return f"{ROUNDS[table]} {OCCASIONS.get(occasion, occasion)}".strip()


def progress_words(rounds):
    """Say what is complete, under way and not begun.

    Parameters
    ----------
    rounds : pandas.DataFrame
        From :func:`culmbook.season.received.progress`, at least one row.

    Returns
    -------
    list of str
    """
    n = {
        stage: (rounds["stage"] == stage).sum() for stage in ("complete", "under way", "not begun")
    }
    if n["complete"] == len(rounds):
        return ["Nothing is left to measure: every round that is due or was begun is complete."]
    verb = is_are(max(n["complete"], 1))
    words = [f"{n['complete'] or 'None'} of {n_of(len(rounds), 'round')} {verb} complete."]
    begun = rounds[rounds["stage"] == "under way"]
    if len(begun):
        left = begun["n_to_measure"].sum()
        words.append(
            f"{n_of(left, 'plot')} {is_are(left)} left in rounds under way: {_list_rounds(begun)}."
        )
    later = rounds[rounds["stage"] == "not begun"]
    if len(later):
        words.append(f"Not begun: {_list_rounds(later)}.")
    return words


def _list_rounds(rounds):
    return fmt_list(
        [
            f"{round_name(row.table, row.occasion)} ({row.trial}"
            + (f", {n_of(row.n_to_measure, 'plot')})" if row.stage == "under way" else ")")
            for row in rounds.itertuples(index=False)
        ],
        6,
    )


def look_words(listed):
    """Say how many places need a look and why.

    Parameters
    ----------
    listed : pandas.DataFrame
        From :func:`culmbook.season.suspect_rows.rows_to_look_at`.

    Returns
    -------
    list of str
    """
    if listed.empty:
        return ["No row calls for a look."]
    kinds = listed.groupby("why", sort=False).size()
    return [
        f"{n_of(len(listed), 'place')} {is_are(len(listed), 'calls', 'call')} for a look ("
        + "; ".join(f"{why}: {n}" for why, n in kinds.items())
        + ")."
    ]
