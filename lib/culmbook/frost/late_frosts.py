"""How late does a damaging frost come, and does it find shoots above ground?

One number per spring: the last day on which the air fell below the damaging temperature. A spring
without such a frost is an answer too and is counted.
"""

import numpy as np
import pandas as pd
from scipy import stats

from culmbook.frost.winters import PERIODS, why_no_levels
from culmbook.season.weather import MIN_C
from culmbook.stats.extremes import chance_above, fit_gev, return_level
from culmbook.text.numbers import fmt_count
from culmbook.text.refusal import Refusal

# Air temperature at 2 m below which young shoots are damaged [°C]: common practice, no source.
DAMAGING_C = -2.0
SPRING_START, SPRING_END = "03-01", "06-30"


def latest_frosts(weather, damaging_c=DAMAGING_C):
    """Last damaging frost of every spring on record.

    Parameters
    ----------
    weather : pandas.DataFrame
        Table ``weather``: site, date, air_temperature_min_c [°C]; an absent row or a blank is a
        missing day.
    damaging_c : float
        A frost counts when the day's minimum lies below this [°C].

    Returns
    -------
    pandas.DataFrame
        One row per site and year: site, year, latest_on (date of the last damaging frost; missing
        when there was none), latest_day (day of the year, 29 February counted as 1 March so that
        dates agree between years), minimum_c (of that day), n_frosts, n_missing (days after the
        last frost that were not read), is_known, first_day (common day on which the window opens).

    Notes
    -----
    A missing day before the last frost changes nothing. One after it may have been a later frost:
    then the year is not known, unless the record alone shows a frost on the window's last day.
    Springs run from 1 March to 30 June.

    Raises
    ------
    ValueError
        A date given twice.
    Refusal
        No spring on record.
    """
    if weather.duplicated(["site", "date"]).any():
        raise ValueError("weather: a date is given twice; keep one row per site and date")
    springs = weather[weather["date"].dt.strftime("%m-%d").between(SPRING_START, SPRING_END)]
    springs = springs.dropna(subset=[MIN_C]).assign(year=springs["date"].dt.year)
    if springs.empty:
        raise Refusal(
            "There is no weather record of a spring, so nothing is said about late frosts."
        )
    groups = springs.groupby(["site", "year"], sort=True)
    rows = [_spring(site, year, days, damaging_c) for (site, year), days in groups]
    columns = "site year latest_on latest_day minimum_c n_frosts n_missing is_known first_day"
    kinds = {"latest_on": "datetime64[us]", "latest_day": "float64", "minimum_c": "float64"}
    return pd.DataFrame(rows, columns=columns.split()).astype(kinds)


def _spring(site, year, days, damaging_c):
    window = pd.date_range(f"{year}-{SPRING_START}", f"{year}-{SPRING_END}", name="date")
    low = days.set_index("date")[MIN_C].reindex(window)
    frosts = low[low < damaging_c]
    last = (frosts.index[-1], common_day(frosts.index[-1]), frosts.iloc[-1]) if len(frosts) else ()
    n_missing = int(low.loc[last[0] if last else window[0] :].isna().sum())
    found = last or (None, np.nan, np.nan)
    return site, year, *found, len(frosts), n_missing, n_missing == 0, common_day(window[0])


def common_day(dates):
    """Day of the year as in a year of 365 days: the same date has the same number every year.

    Examples
    --------
    >>> common_day(pd.Timestamp("2024-03-01")), common_day(pd.Timestamp("2025-03-01"))
    (60, 60)
    """
    parts = dates.dt if isinstance(dates, pd.Series) else dates
    return parts.day_of_year - (parts.is_leap_year & (parts.month > 2))


def day_name(day):
    """Date of a common day of the year, as it stands in a sentence.

    Examples
    --------
    >>> day_name(134.4)
    '14 May'
    """
    date = pd.Timestamp(2025, 1, 1) + pd.Timedelta(days=round(float(day)) - 1)
    return f"{date.day} {date:%B}"


def emergence_days(phenology, plots):
    """When each hybrid comes up, at a site.

    Parameters
    ----------
    phenology : pandas.DataFrame
        Table ``phenology``: site, plot, growing_season, emerged_on. Blanks are plots not looked at.
    plots : pandas.DataFrame
        Table ``plots``: site, plot, hybrid; of the hybrids wanted.

    Returns
    -------
    pandas.DataFrame
        One row per site and hybrid: site, hybrid, day (common day of the year, mean of the seasons'
        means), earliest, latest (lowest and highest season's mean), n_seasons, n_plots (plots ×
        seasons).

    Raises
    ------
    Refusal
        Nothing was noted.
    """
    seen = phenology.dropna(subset=["emerged_on"])
    seen = seen.merge(plots[["site", "plot", "hybrid"]], on=["site", "plot"])
    if seen.empty:
        raise Refusal("No date of emergence was noted to compare late frosts with.")
    seen = seen.assign(day=common_day(seen["emerged_on"]).astype("float64"))
    by_season = seen.groupby(["site", "hybrid", "growing_season"])["day"].agg(["mean", "size"])
    hybrids = by_season.groupby(["site", "hybrid"])
    table = hybrids["mean"].agg(["mean", "min", "max", "size"])
    table.columns = ["day", "earliest", "latest", "n_seasons"]
    return table.assign(n_plots=hybrids["size"].sum()).reset_index()


def frost_after(latest, emergence, *, level=0.95):
    """Chance per year that a damaging frost comes after a hybrid's emergence.

    Parameters
    ----------
    latest : pandas.DataFrame
        From :func:`latest_frosts`. Years that are not known are left out, years without frost count
        as safe.
    emergence : pandas.DataFrame
        From :func:`emergence_days`.
    level : float
        Confidence level, 0–1.

    Returns
    -------
    pandas.DataFrame
        One row per site and hybrid of `emergence` whose site has springs on record: its columns,
        n_years, n_after (years whose last damaging frost fell after that day), chance (their
        share), lower, upper (Jeffreys' interval); chance_earliest, chance_latest (shares for the
        season with the earliest and the latest emergence); fitted, fitted_lower, fitted_upper (from
        the extreme value distribution; missing where it cannot be fitted). Shares 0–1.

    Raises
    ------
    Refusal
        No spring is known where emergence was noted.

    Notes
    -----
    The intervals are about the years, for emergence on that very day. Springs differ in emergence
    too: the chances at the earliest and latest season seen show how much that matters. Where warm
    springs bring shoots up early and leave late frosts as they are, the chance of a hybrid is
    higher than for its mean day.

    References
    ----------
    Brown, L., Cai, T. & DasGupta, A. 2001, Statistical Science 16: 101–133, for Jeffreys' interval.
    """
    parts = []
    for site, rows in emergence.groupby("site", sort=True):
        years = latest[(latest["site"] == site) & latest["is_known"]]
        if len(years):
            parts.append(_site_chances(rows, years, level))
    if not parts:
        raise Refusal("No spring on record can be judged at the sites where emergence was noted.")
    return pd.concat(parts, ignore_index=True)


def _site_chances(rows, years, level):
    days, n = years["latest_day"], len(years)
    after, *seasons = (
        rows[name].map(lambda day: (days > day).sum()) for name in ("day", "earliest", "latest")
    )
    lower, upper = jeffreys(after, n, level)
    fit = None if why_no_latest_level(years) else fit_latest(years)
    whole = rows["day"].round()  # frosts fall on whole days, and hybrids share them
    chances = {day: chance_above(fit, day, level=level) for day in whole.unique()} if fit else {}
    fitted = np.array([chances.get(day, (np.nan,) * 3) for day in whole]).T
    found = dict(zip(("fitted", "fitted_lower", "fitted_upper"), fitted, strict=True))
    found |= {"chance_earliest": seasons[0] / n, "chance_latest": seasons[1] / n}
    given = {"n_years": n, "n_after": after, "chance": after / n, "lower": lower, "upper": upper}
    return rows.assign(**given, **found)


def jeffreys(successes, n, level=0.95):
    """Jeffreys' interval of a share: quantiles of Beta(x + 1/2, n - x + 1/2), with 0 and 1 kept at
    the ends.

    Examples
    --------
    >>> low, high = jeffreys(2, 20)
    >>> round(float(low), 4), round(float(high), 4)
    (0.0214, 0.2839)
    """
    x = np.asarray(successes, dtype=float)
    tails = ((1 - level) / 2, (1 + level) / 2)
    low, high = (stats.beta.ppf(q, x + 0.5, n - x + 0.5) for q in tails)
    return np.where(x == 0, 0.0, low), np.where(x == n, 1.0, high)


def why_no_latest_level(years):
    """Why no return level of the latest damaging frost is given, or None; `years` of one site,
    known ones.
    """
    frost = years["latest_day"].dropna()
    if len(frost) == 0 and len(years):
        n = fmt_count(len(years))
        return f"No spring of {n} on record had a damaging frost: there is no distribution to fit."
    return why_no_levels(frost, n_censored=len(years) - len(frost), what="spring")


def fit_latest(years):
    """Extreme value distribution of the last damaging frost [common day of the year].

    Parameters
    ----------
    years : pandas.DataFrame
        Known years of one site from :func:`latest_frosts`.

    Returns
    -------
    culmbook.stats.extremes.GevFit

    Raises
    ------
    Refusal
        With the sentence of :func:`why_no_latest_level`.

    Notes
    -----
    Of a year without a damaging frost is known that its last one lies before the window opened: it
    is censored there, not dropped.
    """
    if reason := why_no_latest_level(years):
        raise Refusal(reason)
    frost, opens = years["latest_day"].dropna(), float(years["first_day"].iloc[0])
    return fit_gev(frost, n_censored=len(years) - len(frost), censored_at=opens)


def latest_levels(years, periods=PERIODS, *, level=0.95):
    """Return levels of the last damaging frost: how late once in so many years.

    Parameters
    ----------
    years : pandas.DataFrame
        Known years of one site from :func:`latest_frosts`.
    periods : sequence of float
        Return periods [years].
    level : float
        Confidence level, 0–1.

    Returns
    -------
    pandas.DataFrame
        period, day, lower, upper (common day of the year; missing where it lies before the window),
        n_years, n_without (years without a damaging frost), beyond.

    Raises
    ------
    Refusal
        With the sentence of :func:`why_no_latest_level`.
    """
    fit, rows = fit_latest(years), []
    start = fit.censored_at if fit.n_censored else -np.inf
    for period in periods:
        found = (x if x >= start else np.nan for x in return_level(fit, period, level=level))
        rows.append((period, *found, len(years), fit.n_censored, period > len(years)))
    columns = ["period", "day", "lower", "upper", "n_years", "n_without", "beyond"]
    return pd.DataFrame(rows, columns=columns)
