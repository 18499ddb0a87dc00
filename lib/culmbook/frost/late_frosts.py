"""How late does a damaging frost come, and does it find shoots above ground?

One number per spring: the last day on which the air fell below the damaging temperature. A spring without
such a frost is an answer too and is counted.
"""

import numpy as np
import pandas as pd
from scipy import stats

from culmbook.frost.return_levels import PERIODS, why_no_levels
from culmbook.season.weather import MIN_C
from culmbook.stats.extremes import SHAPE_PRIOR, chance_above, fit_gev, return_level
from culmbook.text.numbers import fmt_count, fmt_list

DAMAGING_C = -2.0
"""Air temperature at 2 m below which young shoots are damaged [°C]: common practice, no source."""
SPRING_START, SPRING_END = (3, 1), (6, 30)


def latest_frosts(weather, damaging_c=DAMAGING_C, start=SPRING_START, end=SPRING_END):
    """Last damaging frost of every spring on record.

    Parameters
    ----------
    weather : pandas.DataFrame
        Table ``weather``: site, date, air_temperature_min_c [°C]; an absent row or a blank is a missing day.
    damaging_c : float
        A frost counts when the day's minimum lies below this [°C].
    start, end : tuple of int
        Month and day of the first and last day looked at.

    Returns
    -------
    pandas.DataFrame
        One row per site and year: site, year, latest_on (date of the last damaging frost; missing when
        there was none), latest_day (day of the year, 29 February counted as 1 March so that dates agree
        between years), minimum_c (of that day), n_frosts, n_missing (days after the last frost that were
        not read), is_known, first_day (common day on which the window opens).

    Notes
    -----
    A missing day before the last frost changes nothing. One after it may have been a later frost: then the
    year is not known, unless the record alone shows a frost on the window's last day.

    Raises
    ------
    ValueError
        A date given twice, or a window that does not run forwards.
    """
    if not start < end:
        raise ValueError(
            f"start {start} must lie before end {end}, both as month and day of one year"
        )
    if weather.duplicated(["site", "date"]).any():
        raise ValueError("weather: a date is given twice; keep one row per site and date")
    rows = [
        _spring(site, year, days, damaging_c, start, end)
        for site, days in weather.groupby("site", sort=True)
        for year in range(days["date"].dt.year.min(), days["date"].dt.year.max() + 1)
    ]
    columns = [
        "site",
        "year",
        "latest_on",
        "latest_day",
        "minimum_c",
        "n_frosts",
        "n_missing",
        "is_known",
        "first_day",
    ]
    table = pd.DataFrame([row for row in rows if row], columns=columns)
    return table.astype(
        {"latest_on": "datetime64[us]", "latest_day": "float64", "minimum_c": "float64"}
    )


def _spring(site, year, days, damaging_c, start, end):
    window = pd.date_range(pd.Timestamp(year, *start), pd.Timestamp(year, *end), name="date")
    low = days.set_index("date")[MIN_C].reindex(window)
    if low.isna().all():
        return None
    frosts = low[low < damaging_c]
    last = frosts.index[-1] if len(frosts) else None
    after = low if last is None else low.loc[last:]
    n_missing = int(after.isna().sum())
    return (
        site,
        year,
        last,
        np.nan if last is None else common_day(last),
        np.nan if last is None else frosts.iloc[-1],
        len(frosts),
        n_missing,
        n_missing == 0,
        common_day(window[0]),
    )


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


def emergence_days(phenology, plots, hybrids=None):
    """When each hybrid comes up, at a site.

    Parameters
    ----------
    phenology : pandas.DataFrame
        Table ``phenology``: site, plot, growing_season, emerged_on. Blanks are plots not looked at.
    plots : pandas.DataFrame
        Table ``plots``: site, plot, hybrid.
    hybrids : collection of str, optional
        Hybrids to keep; all when left out.

    Returns
    -------
    pandas.DataFrame
        One row per site and hybrid: site, hybrid, day (common day of the year, mean of the seasons' means),
        earliest, latest (lowest and highest season's mean), n_seasons, n_plots (plots × seasons). Empty
        when nothing was noted.
    """
    seen = phenology.dropna(subset=["emerged_on"]).merge(
        plots[["site", "plot", "hybrid"]], on=["site", "plot"]
    )
    if hybrids is not None:
        seen = seen[seen["hybrid"].isin(hybrids)]
    seen = seen.assign(day=common_day(seen["emerged_on"]).astype("float64"))
    by_season = (
        seen.groupby(["site", "hybrid", "growing_season"])["day"]
        .agg(["mean", "size"])
        .reset_index()
    )
    table = by_season.groupby(["site", "hybrid"]).agg(
        day=("mean", "mean"),
        earliest=("mean", "min"),
        latest=("mean", "max"),
        n_seasons=("mean", "size"),
        n_plots=("size", "sum"),
    )
    return table.reset_index()


def frost_after(latest, emergence, *, level=0.95, shape_prior=SHAPE_PRIOR):
    """Chance per year that a damaging frost comes after a hybrid's emergence.

    Parameters
    ----------
    latest : pandas.DataFrame
        From :func:`latest_frosts`. Years that are not known are left out, years without frost count as safe.
    emergence : pandas.DataFrame
        From :func:`emergence_days`.
    level : float
        Confidence level, 0–1.
    shape_prior : tuple of float or None
        For the fitted distribution, see :func:`culmbook.frost.return_levels.fit_gev`.

    Returns
    -------
    pandas.DataFrame
        One row per site and hybrid of `emergence` whose site has springs on record: its columns, n_years,
        n_after (years whose last damaging frost fell after that day), chance (their share), lower, upper
        (Jeffreys' interval); chance_earliest, chance_latest (shares for the season with the earliest and
        the latest emergence); fitted, fitted_lower, fitted_upper (from the extreme value distribution;
        missing where it cannot be fitted). Shares 0–1.

    Notes
    -----
    The intervals are about the years, for emergence on that very day. Springs differ in emergence too: the
    chances at the earliest and latest season seen show how much that matters. Where warm springs bring
    shoots up early and leave late frosts as they are, the chance of a hybrid is higher than for its mean
    day.

    References
    ----------
    Brown, L., Cai, T. & DasGupta, A. 2001, Statistical Science 16: 101–133, for Jeffreys' interval.
    """
    parts = []
    for site, rows in emergence.groupby("site", sort=True):
        years = latest[(latest["site"] == site) & latest["is_known"]]
        if len(years):
            parts.append(_site_chances(rows, years, level, shape_prior))
    names = [
        "n_years",
        "n_after",
        "chance",
        "lower",
        "upper",
        "chance_earliest",
        "chance_latest",
        "fitted",
        "fitted_lower",
        "fitted_upper",
    ]
    return (
        pd.concat(parts, ignore_index=True)
        if parts
        else emergence.iloc[:0].reindex(columns=[*emergence.columns, *names])
    )


def _site_chances(rows, years, level, shape_prior):
    days, n = years["latest_day"], len(years)
    after = np.array([(days > day).sum() for day in rows["day"]])
    lower, upper = jeffreys(after, n, level)
    share = {
        f"chance_{name}": [(days > day).mean() for day in rows[name]]
        for name in ("earliest", "latest")
    }
    fit = fit_latest(years, shape_prior) if why_no_latest_level(years) is None else None
    whole = rows["day"].round()  # frosts fall on whole days, and hybrids share them
    chances = {
        day: (np.nan,) * 3 if fit is None else chance_above(fit, day, level=level)
        for day in whole.unique()
    }
    fitted = np.array([chances[day] for day in whole])
    return rows.assign(
        n_years=n,
        n_after=after,
        chance=after / n,
        lower=lower,
        upper=upper,
        **share,
        fitted=fitted[:, 0],
        fitted_lower=fitted[:, 1],
        fitted_upper=fitted[:, 2],
    )


def jeffreys(successes, n, level=0.95):
    """Jeffreys' interval of a share: quantiles of Beta(x + 1/2, n - x + 1/2), with 0 and 1 kept at the ends.

    Examples
    --------
    >>> low, high = jeffreys(2, 20)
    >>> round(float(low), 4), round(float(high), 4)
    (0.0214, 0.2839)
    """
    x = np.asarray(successes, dtype=float)
    low, high = (
        stats.beta.ppf(q, x + 0.5, n - x + 0.5) for q in ((1 - level) / 2, (1 + level) / 2)
    )
    return np.where(x == 0, 0.0, low), np.where(x == n, 1.0, high)


def why_no_latest_level(years):
    """Why no return level of the latest damaging frost is given, or None; `years` of one site, known ones."""
    frost = years["latest_day"].dropna()
    if len(frost) == 0 and len(years):
        n = fmt_count(len(years))
        return f"No spring of {n} on record had a damaging frost: there is no distribution to fit."
    return why_no_levels(frost, n_censored=len(years) - len(frost), what="spring")


def fit_latest(years, shape_prior=SHAPE_PRIOR):
    """Extreme value distribution of the last damaging frost [common day of the year].

    Parameters
    ----------
    years : pandas.DataFrame
        Known years of one site from :func:`latest_frosts`.
    shape_prior : tuple of float or None

    Returns
    -------
    culmbook.frost.return_levels.GevFit

    Raises
    ------
    ValueError
        With the sentence of :func:`why_no_latest_level`.

    Notes
    -----
    Of a year without a damaging frost is known that its last one lies before the window opened: it is
    censored there, not dropped.
    """
    reason = why_no_latest_level(years)
    if reason:
        raise ValueError(reason)
    frost = years["latest_day"].dropna()
    return fit_gev(
        frost,
        n_censored=len(years) - len(frost),
        censored_at=float(years["first_day"].iloc[0]),
        shape_prior=shape_prior,
    )


def latest_levels(years, periods=PERIODS, *, level=0.95, shape_prior=SHAPE_PRIOR):
    """Return levels of the last damaging frost: how late once in so many years.

    Parameters
    ----------
    years : pandas.DataFrame
        Known years of one site from :func:`latest_frosts`.
    periods : sequence of float
        Return periods [years].
    level : float
        Confidence level, 0–1.
    shape_prior : tuple of float or None

    Returns
    -------
    pandas.DataFrame
        period, day, lower, upper (common day of the year; missing where it lies before the window),
        n_years, n_without (years without a damaging frost), beyond.

    Raises
    ------
    ValueError
        With the sentence of :func:`why_no_latest_level`.
    """
    fit = fit_latest(years, shape_prior)
    start = fit.censored_at if fit.n_censored else -np.inf
    rows = [
        (
            period,
            *(x if x >= start else np.nan for x in return_level(fit, period, level=level)),
            len(years),
            fit.n_censored,
            period > len(years),
        )
        for period in periods
    ]
    return pd.DataFrame(
        rows, columns=["period", "day", "lower", "upper", "n_years", "n_without", "beyond"]
    )


def frost_words(latest, damaging_c=DAMAGING_C):
    """What stands behind one site's springs, in sentences.

    Parameters
    ----------
    latest : pandas.DataFrame
        Rows of one site from :func:`latest_frosts`.
    damaging_c : float

    Returns
    -------
    list of str
    """
    if latest.empty:
        return ["There is no weather record of a spring, so nothing is said about late frosts."]
    known, unknown = latest[latest["is_known"]], latest[~latest["is_known"]]
    below = f"{damaging_c:g} °C".replace("-", "−")
    n, without = len(known), int(known["latest_day"].isna().sum())
    some = fmt_count(n - without) if n > without else "None"
    opens = day_name(latest["first_day"].iloc[0])
    told = [f"{some} of {fmt_count(n)} springs on record had a frost below {below} after {opens}."]
    if len(unknown):
        named = fmt_list([f"{r.year} ({_days(r.n_missing)})" for r in unknown.itertuples()])
        told.append(f"Left out, because days after the last frost found are missing: {named}.")
    return told


def _days(n):
    return "1 day" if n == 1 else f"{fmt_count(n)} days"


def latest_words(levels):
    """How late frosts come, in a sentence for the page.

    Parameters
    ----------
    levels : pandas.DataFrame
        From :func:`latest_levels`, with the period 10.

    Returns
    -------
    str
    """
    row = levels[levels["period"] == 10].iloc[0]
    limits = [
        day_name(row[name]) if row[name] == row[name] else None for name in ("lower", "upper")
    ]
    between = f" ({limits[0] or 'before the window'} to {limits[1]})" if limits[1] else ""
    when = (
        f"after {day_name(row['day'])}"
        if row["day"] == row["day"]
        else "before the window looked at"
    )
    return f"In one spring in ten the last damaging frost is expected {when}{between}."
