"""The weather sections of a report: the winter and the growing season against the site's own record."""

import pandas as pd

from culmbook.pages.weather_figure import record_figure
from culmbook.season.weather import MIN_YEARS_FOR_RANGE
from culmbook.season.words import growing_words, one_reason, winter_words
from culmbook.show.page import Column, figure, finding, say, table
from culmbook.text.words import n_of

NETWORK_INDICES = ("min_soil_c", "min_air_c", "hard_frost_days", "degree_days_sine", "rain_mm")
"""What the table shows when there are several sites."""
SITES_ON_A_PAGE = 5


def weather_section(values, place, season, why=None):
    """Show how the season's weather compares with the site's other years.

    Parameters
    ----------
    values : pandas.DataFrame
        From :func:`culmbook.season.weather.season_indices`.
    place : pandas.DataFrame
        From :func:`culmbook.season.weather.against_record`.
    season : int
    why : str or None
        Why it cannot be shown.

    Returns
    -------
    list
        A finding, tables and figures; or why there are none.
    """
    if why or place.empty:
        return [say(why or "There is no weather record.", kind="refusal")]
    if place["value"].isna().all():
        reasons = "; ".join(dict.fromkeys(place["reason"]))
        return [
            say(
                f"The weather record holds too little of season {season} for any index: {reasons}.",
                kind="refusal",
            )
        ]
    several = place["site"].nunique() > 1
    shown = place[place["index"].isin(NETWORK_INDICES)] if several else place
    said = finding(
        *winter_words(place),
        *growing_words(place),
        rank=40,
        label="Weather",
        see="weather-record-1",
    )
    return [said, *_unfinished(place), *_tables(shown, several), *_records(values, place, season)]


def _unfinished(place):
    """Warn when a period is not over in the record."""
    left = place[~place["is_over"]]
    if left.empty:
        return []
    names = " and ".join(dict.fromkeys(left["period"]))
    return [
        say(
            f"Not over in these data: {names}. Values run to the last day of the record and are compared "
            "with the same part of the other years.",
            kind="caution",
        )
    ]


def _tables(shown, several):
    """One table of temperatures, one of days and sums, since they are rounded differently."""
    named = shown.assign(rank=[_rank(row) for row in shown.itertuples(index=False)])
    if several:
        named = named.sort_values(["label", "site"], kind="stable")
    is_fine = named["digits"] > 0
    parts = (
        (named[is_fine], 1, "temperatures", "Lowest temperatures of the winter"),
        (named[~is_fine], 0, "weather-sums", "Days and sums of the season"),
    )
    parts = [part for part in parts if len(part[0])]
    return [
        table(
            rows,
            label=label,
            caption=f"{start} among the other years of the site.",
            note=f"{'' if i else _NOTE}{one_reason(rows, 'Without a value')}".strip(),
            columns=_columns(rows, digits, several),
        )
        for i, (rows, digits, label, start) in enumerate(parts)
    ]


def _columns(rows, digits, several):
    number = {"kind": "number", "digits": digits}
    site = {"site": Column("Site")} if several else {}
    columns = {
        **site,
        "label": Column("Index"),
        "unit": Column("Unit"),
        "value": Column("Value", **number),
        "rank": Column(
            "Rank", meaning="1 is the lowest; tied: other years have the very same value"
        ),
        "median": Column("Median", meaning="Of the other years", **number),
        "low": Column("10 %", meaning="Quantile of the other years", **number),
        "high": Column("90 %", meaning="Quantile of the other years", **number),
        "n_missing": Column("Days missing", kind="count"),
        "reason": Column("Why none"),
    }
    if one_reason(rows, "Without a value"):
        del columns["reason"]  # the note says it
    return {
        name: column
        for name, column in columns.items()
        if name == "value" or rows[name].notna().any()
    }


_NOTE = (
    "Winter: 1 October to 31 March; growing season: 1 April to 30 September. Rank 1 is the lowest. "
    "Missing days are left out, not filled; a period with too many of them gets no value. Median and 10 "
    f"and 90 % quantiles are of the other years; quantiles need {MIN_YEARS_FOR_RANGE} of them."
)


def _rank(row):
    if pd.isna(row.rank_low) or row.n_years < 2:
        return None
    return f"{row.rank_low} of {row.n_years}{', tied' if row.n_tied else ''}"


def _records(values, place, season):
    """The record of all years, a page's worth of sites in each figure."""
    sites = list(values.loc[values["value"].notna(), "site"].unique())
    parts = [sites[i : i + SITES_ON_A_PAGE] for i in range(0, len(sites), SITES_ON_A_PAGE)]
    return [
        _record(values[values["site"].isin(part)], place[place["site"].isin(part)], season, number)
        for number, part in enumerate(parts, 1)
    ]


def _record(values, place, season, number):
    years = values.loc[values["value"].notna(), "season"]
    caption = (
        f"Season {season} (diamond) among the other years of the record (dots, from {years.min()}). "
        "Dashed line: median; band: 10–90 % range of the other years, where there are "
        f"{MIN_YEARS_FOR_RANGE} or more."
    )
    alt = (
        f"Small panels of weather indices by year for {n_of(place['site'].nunique(), 'site')}; "
        f"season {season} is marked. " + " ".join(winter_words(place))
    )
    columns = {
        "site": Column("Site"),
        "label": Column("Index"),
        "unit": Column("Unit"),
        "period": Column("Period"),
        "n_missing": Column("Days missing", kind="count"),
        "value": Column("Value", kind="number", digits=1),
        "reason": Column("Why none"),
    }
    return figure(
        record_figure(values, place, season),
        label=f"weather-record-{number}",
        caption=caption,
        alt=alt,
        data=values,
        columns=columns,
    )
