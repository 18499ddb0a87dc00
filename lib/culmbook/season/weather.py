"""The season's weather, and how it compares with the same site's other years.

Two periods belong to growing season Y: the growing season itself (1 April to 30 September of Y) and
the winter that ends it (1 October of Y to 31 March of Y + 1). They suit the temperate north.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from culmbook.text.refusal import Refusal

MIN_C, MAX_C = "air_temperature_min_c", "air_temperature_max_c"
RAIN_MM, SOIL_C, SNOW_CM = "precipitation_mm", "soil_temperature_5cm_min_c", "snow_depth_cm"
MAX_MISSING_SHARE = 15 / 365
"""A period with more of its days missing than this is not summed: 15 days in a year, 7 in a
winter.
"""
MIN_YEARS_FOR_RANGE = 10
"""Fewest other years behind a 10–90 % range."""
SEVERITY = ("min_soil_c", "min_air_c")
"""What a winter's severity is told by: the first that was recorded."""
_OF_SEASON = (
    "site index label unit digits period first_day last_day is_over n_days n_missing value reason"
)
_PLACE = "rank_low rank_high n_tied n_years first_season last_season"


@dataclass(frozen=True)
class Period:
    """A stretch of the calendar, both ends included; one whose end comes first runs into the next
    year.

    Parameters
    ----------
    name : str
    start, end : tuple of int
        Month and day.
    """

    name: str
    start: tuple[int, int]
    end: tuple[int, int]

    def first(self, year):
        """Return the period's first day in growing season `year`."""
        return pd.Timestamp(year, *self.start)

    def last(self, year):
        """Return the period's last day in growing season `year`."""
        return pd.Timestamp(year + (self.end < self.start), *self.end)

    def label(self, year):
        """Return how the period of growing season `year` is called on the page.

        Examples
        --------
        >>> WINTER.label(2025), GROWING.label(2025)
        ('winter 2025/26', 'growing season 2025')
        """
        tail = f"/{(year + 1) % 100:02d}" if self.end < self.start else ""
        return f"{self.name} {year}{tail}"

    def cut_to(self, day, year):
        """Return the period ending on `day` of growing season `year`, to compare unfinished
        periods.
        """
        if not self.first(year) <= day < self.last(year):
            raise ValueError(f"{day:%Y-%m-%d} lies outside the {self.label(year)}")
        # 29 February exists in one year of four: the day before stands for it in all of them
        end = (2, 28) if (day.month, day.day) == (2, 29) else (day.month, day.day)
        return Period(self.name, self.start, end)


WINTER = Period("winter", (10, 1), (3, 31))
GROWING = Period("growing season", (4, 1), (9, 30))
SPRING = Period("spring", (4, 1), (6, 30))
YEAR = Period("year", (1, 1), (12, 31))


@dataclass(frozen=True)
class Thresholds:
    """Temperatures that the counts refer to [°C].

    Parameters
    ----------
    frost_c, hard_frost_c : float
        A day is a frost day when its minimum lies *below* the first, a hard-frost day below the
        second.
    base_c, upper_c : float, float or None
        Lower threshold of the degree days, and the temperature above which more warmth adds
        nothing.
    chill_low_c, chill_high_c : float
        An hour between the two counts as chilling.
    growth_c : float
        Daily mean that opens and closes the thermal growing season.

    Raises
    ------
    ValueError
        When an upper value is not above its lower one.
    """

    frost_c: float = 0.0
    hard_frost_c: float = -4.0
    base_c: float = 10.0
    upper_c: float | None = None
    chill_low_c: float = 0.0
    chill_high_c: float = 7.2
    growth_c: float = 5.0

    def __post_init__(self):
        for low, high in [
            ("hard_frost_c", "frost_c"),
            ("chill_low_c", "chill_high_c"),
            ("base_c", "upper_c"),
        ]:
            a, b = getattr(self, low), getattr(self, high)
            if b is not None and not a < b:
                raise ValueError(f"{low} = {a} must lie below {high} = {b}")


def growing_season_days(mean_c, dates, growth_c=5.0):
    """Length of the thermal growing season of one calendar year [d].

    Parameters
    ----------
    mean_c : array_like
        Daily mean temperatures [°C] of one calendar year in order; a missing day breaks a run.
    dates : pandas.DatetimeIndex
        Their dates.
    growth_c : float
        Threshold [°C].

    Returns
    -------
    int
        Days from the first of six days in a row above the threshold to the day before the first six
        in a row below it that begin after 30 June; 0 when no such warm run exists.

    References
    ----------
    Index GSL of the Expert Team on Climate Change Detection and Indices: Zhang, X. et al. 2011,
    WIREs Climate Change 2: 851–870, doi:10.1002/wcc.147 (northern hemisphere form).
    """
    mean_c = np.asarray(mean_c, dtype=float)
    warm = _first_run(mean_c > growth_c)
    if warm is None:
        return 0
    second_half = (dates.month >= 7) & (np.arange(len(dates)) > warm)
    cold = _first_run((mean_c < growth_c) & second_half)
    end = dates[-1] + pd.Timedelta(days=1) if cold is None else dates[cold]
    return (end - dates[warm]).days


def _first_run(is_true, length=6):
    """Position where the first `length` true values in a row begin, or None."""
    if len(is_true) < length:
        return None
    runs = np.lib.stride_tricks.sliding_window_view(is_true, length).all(axis=1)
    return int(runs.argmax()) if runs.any() else None


@dataclass(frozen=True)
class Index:
    """One number per period: what it is called, what it needs, and how it comes from the days.

    ``compute`` takes the days without a blank; ``is_whole`` says that it has no meaning before the
    period is over.
    """

    name: str
    label: str
    unit: str
    period: Period
    needs: tuple[str, ...]
    compute: object
    digits: int = 0
    is_whole: bool = False


def indices(t=Thresholds()):
    """List what is computed for a season, in the order of the page; `t` are the thresholds."""
    frost, hard, base = _c(t.frost_c), _c(t.hard_frost_c), _c(t.base_c)
    base += "" if t.upper_c is None else f", cut off at {_c(t.upper_c)}"
    chill = f"{t.chill_low_c:g} to {_c(t.chill_high_c)}"
    both = (MIN_C, MAX_C)

    def below(limit):
        return lambda day: (day[MIN_C] < limit).sum()

    def chilling(day):
        return hours_between(day[MIN_C], day[MAX_C], t.chill_low_c, t.chill_high_c).sum()

    def warmth(method):
        return lambda day: method(day[MIN_C], day[MAX_C], t.base_c, t.upper_c).sum()

    def growing(day):
        return growing_season_days(day[list(both)].mean(axis=1), day.index, t.growth_c)

    def lowest(column):
        return lambda day: day[column].min()

    def rain(day):
        return day[RAIN_MM].sum()

    def snow(day):
        return (day[SNOW_CM] >= 1).sum()

    sine, triangle = warmth(degree_days_sine), warmth(degree_days_triangle)
    rows = [
        ("frost_days", f"Winter frost days (below {frost})", "d", WINTER, (MIN_C,), below(t.frost_c)),
        ("hard_frost_days", f"Winter hard-frost days (below {hard})", "d", WINTER, (MIN_C,), below(t.hard_frost_c)),
        ("min_air_c", "Lowest air temperature", "°C", WINTER, (MIN_C,), lowest(MIN_C), 1),
        ("min_soil_c", "Lowest soil temperature at 5\u00a0cm", "°C", WINTER, (SOIL_C,), lowest(SOIL_C), 1),
        ("snow_days", "Winter days with 1\u00a0cm of snow or more", "d", WINTER, (SNOW_CM,), snow),
        ("chill_hours", f"Winter chilling ({chill})", "h", WINTER, both, chilling),
        ("winter_rain_mm", "Winter precipitation", "mm", WINTER, (RAIN_MM,), rain),
        ("spring_frost_days", f"Frost days of April to June (below {frost})", "d", SPRING, (MIN_C,), below(t.frost_c)),
        ("degree_days_sine", f"Degree days above {base} (single sine)", "°C d", GROWING, both, sine),
        ("degree_days_triangle", f"Degree days above {base} (single triangle)", "°C d", GROWING, both, triangle),
        ("rain_mm", "Precipitation of the growing season", "mm", GROWING, (RAIN_MM,), rain),
        ("growing_season_days", f"Thermal growing season (mean above {_c(t.growth_c)})", "d", YEAR, both, growing, 0, True),
    ]  # fmt: skip
    return tuple(Index(*row) for row in rows)


def thresholds_of(settings, **given):
    """Take thresholds from what a notebook gives, else from the network's settings, else from the
    defaults.

    Parameters
    ----------
    settings : culmbook.sheets.settings.Settings
    **given : float or None
        Fields of :class:`Thresholds`; None leaves the choice to the settings.

    Returns
    -------
    Thresholds
    """
    frost, base_c = settings.frost, settings.degree_days.base_c
    chosen = {"frost_c": frost.frost_c, "hard_frost_c": frost.hard_frost_c, "base_c": base_c}
    return Thresholds(**chosen | {k: value for k, value in given.items() if value is not None})


def _c(temperature):
    """A temperature as it stands in a label, kept on one line with its unit."""
    return f"{temperature:g}\u00a0°C".replace("-", "\u2212")


def season_indices(weather, season, thresholds=Thresholds(), max_missing_share=MAX_MISSING_SHARE):
    """Compute every index for every season of each site's record up to the report's.

    Parameters
    ----------
    weather : pandas.DataFrame
        One row per site and date: site, date, air_temperature_min_c, air_temperature_max_c [°C],
        precipitation_mm [mm], and where kept soil_temperature_5cm_min_c [°C], snow_depth_cm [cm].
        An absent row and a blank cell both count as a missing day.
    season : int
        The growing season of the report. Where its period runs beyond the last day of the record,
        all years are computed up to the same day of the year.
    thresholds : Thresholds
    max_missing_share : float
        Largest share of missing days (0–1) with which a period is still computed.

    Returns
    -------
    pandas.DataFrame
        One row per site, index and season: site, index, label, unit, digits, period, season,
        first_day, last_day, is_over, n_days, n_missing, value, reason. `value` is missing where
        `reason` says why. Days missing within the limit are left out of sums and counts, never
        filled.

    Raises
    ------
    ValueError
        When a site has two rows for one date, or `max_missing_share` lies outside 0–1.
    """
    if not 0 <= max_missing_share <= 1:
        raise ValueError(f"max_missing_share = {max_missing_share}: a share lies between 0 and 1")
    double = weather[weather.duplicated(["site", "date"])]
    if len(double):
        first = f"{double['site'].iloc[0]} {double['date'].iloc[0]:%Y-%m-%d}"
        raise ValueError(
            f"weather: {len(double)} dates are given twice, first {first}; keep one row per site and date"
        )
    rows = [
        row
        for site, days in weather.groupby("site", sort=True)
        for index in indices(thresholds)
        for row in _years(
            index, days.set_index("date").sort_index(), season, max_missing_share, site
        )
    ]
    columns = [*_OF_SEASON.split(), "season"]
    return pd.DataFrame(rows, columns=columns).astype({"value": "float64", "reason": "str"})


def _years(index, days, season, max_missing_share, site):
    """One index of one site in every season of the record up to the report's."""
    first_day, last_day = days.index[0], days.index[-1]
    ends_early = index.period.first(season) <= last_day < index.period.last(season)
    period = index.period.cut_to(last_day, season) if ends_early else index.period
    for year in range(min(first_day.year - 1, season), season + 1):
        first, last = period.first(year), period.last(year)
        if year != season and (last < first_day or first > last_day):
            continue  # the record holds no day of it
        n_days = (last - first).days + 1
        day = days.loc[first:last].dropna(subset=[c for c in index.needs if c in days])
        n_missing = n_days if set(index.needs) - set(days) else n_days - len(day)
        reason = _why_not(index, ends_early, n_days, n_missing, max_missing_share)
        value = index.compute(day) if reason is None else np.nan
        named = (site, index.name, index.label, index.unit, index.digits, index.period.label(year))
        yield (*named, first, last, not ends_early, n_days, n_missing, value, reason, year)


def _why_not(index, ends_early, n_days, n_missing, max_missing_share):
    if n_missing == n_days:
        return "not recorded"
    if index.is_whole and ends_early:
        return f"the {index.period.name} is not over in these data"
    if n_missing > max_missing_share * n_days:
        return f"{n_missing} of {n_days} days missing"
    return None


def against_record(values, season, min_years=MIN_YEARS_FOR_RANGE):
    """Set the season's values against the other years of the same site.

    Parameters
    ----------
    values : pandas.DataFrame
        From :func:`season_indices`.
    season : int
        The season to judge; it is left out of the median and the range it is compared with.
    min_years : int
        Fewest other years for a 10–90 % range.

    Returns
    -------
    pandas.DataFrame
        One row per site and index: site, index, label, unit, digits, period, first_day, last_day,
        is_over, value, n_days, n_missing, reason, rank_low (1 = lowest of `n_years`), rank_high (1
        = highest), n_tied (other years with the very same value), n_years (this one included),
        median, low, high (10 and 90 % quantiles, linear between order statistics), first_season,
        last_season (of the others).

    Raises
    ------
    Refusal
        No index has a value in the season.
    """
    places = [
        _place(years[years["season"] == season], years[years["season"] != season], min_years)
        for _, years in values.groupby(["site", "index"], sort=False)
    ]
    columns = [*_OF_SEASON.split(), *_PLACE.split(), "median", "low", "high"]
    whole = dict.fromkeys(_PLACE.split(), "Int64")
    place = pd.concat(places) if places else pd.DataFrame(columns=columns)
    if len(place) and place["value"].isna().all():
        reasons = "; ".join(dict.fromkeys(place["reason"]))
        raise Refusal(
            f"The weather record holds too little of season {season} for any index: {reasons}."
        )
    return place.reindex(columns=columns).astype({**whole, "reason": "str"}).reset_index(drop=True)


def _place(now, others, min_years):
    others = others[others["value"].notna()]
    x, value = others["value"], now["value"].iloc[0]
    low, high = x.quantile([0.1, 0.9]) if len(x) >= min_years else (np.nan, np.nan)
    known = value == value
    return now.assign(
        rank_low=1 + (x < value).sum() if known else pd.NA,
        rank_high=1 + (x > value).sum() if known else pd.NA,
        n_tied=(x == value).sum() if known else pd.NA,
        n_years=len(x) + known,
        median=x.median(),
        low=low,
        high=high,
        first_season=others["season"].min() if len(x) else pd.NA,
        last_season=others["season"].max() if len(x) else pd.NA,
    )


def severity_rows(place):
    """Choose for each site the index that tells its winter's severity.

    Parameters
    ----------
    place : pandas.DataFrame
        From :func:`against_record`.

    Returns
    -------
    pandas.DataFrame
        One row per site: its lowest soil temperature, or its lowest air temperature where the first
        has no value.
    """
    rows = place[place["index"].isin(SEVERITY)]
    choice = rows["index"].map(SEVERITY.index) + 2 * rows["value"].isna()
    rows = rows.loc[choice.sort_values(kind="stable").index]
    return rows.drop_duplicates("site").sort_values("site", ignore_index=True)


def degree_days_sine(min_c, max_c, base_c, upper_c=None):
    """Degree days of each day by the single-sine method.

    Parameters
    ----------
    min_c, max_c : array_like
        Daily extremes of the air temperature [°C]; missing gives missing.
    base_c : float
        Lower threshold [°C].
    upper_c : float, optional
        Upper threshold [°C] with a horizontal cut-off: warmth above it counts as `upper_c`.

    Returns
    -------
    numpy.ndarray
        Degree days [°C d], 0 or more.

    Raises
    ------
    ValueError
        When a day's minimum lies above its maximum, or `upper_c` is not above `base_c`.

    Notes
    -----
    With mean m, half range a and s = arcsin((base − m)/a), the area of the sine above the base is
    ((m − base)(π/2 − s) + a cos s)/π while the base lies within the day's range. The curve is taken
    as symmetric around noon, so days whose extremes fall at the wrong hours (a passing front) are
    off.

    References
    ----------
    Baskerville, G. L. & Emin, P. 1969, Ecology 50: 514–517, doi:10.2307/1933912. Zalom, F. G. et
    al. 1983, Degree-days: the calculation and use of heat units in pest management, University of
    California leaflet 21373.

    Examples
    --------
    >>> degree_days_sine([10, 15, 2], [20, 25, 8], 14).round(3)
    array([2.123, 6.   , 0.   ])
    """
    return _between(_sine_above, min_c, max_c, base_c, upper_c)


def degree_days_triangle(min_c, max_c, base_c, upper_c=None):
    """Degree days of each day by the single-triangle method.

    Parameters, returns and errors are those of :func:`degree_days_sine`.

    Notes
    -----
    The day runs straight from minimum to maximum and back; while the base lies between them the
    area above it is (max − base)² / (2 (max − min)).

    References
    ----------
    Lindsey, A. A. & Newman, J. E. 1956, Ecology 37: 812–823, doi:10.2307/1933072. Zalom et al.
    1983, as for the sine.

    Examples
    --------
    >>> degree_days_triangle([10, 15, 2], [20, 25, 8], 14)
    array([1.8, 6. , 0. ])
    """
    return _between(_triangle_above, min_c, max_c, base_c, upper_c)


def hours_between(min_c, max_c, low_c, high_c):
    """Hours of each day with a temperature between two limits, on a single-sine day.

    Parameters
    ----------
    min_c, max_c : array_like
        Daily extremes [°C]; missing gives missing.
    low_c, high_c : float
        Limits [°C], `low_c` below `high_c`.

    Returns
    -------
    numpy.ndarray
        Hours, 0 to 24.

    Raises
    ------
    ValueError
        When a day's minimum lies above its maximum, or the limits are not in order.

    Notes
    -----
    The sine is below t for the share 1/2 + arcsin((t − m)/a)/π of the day. With 0 and 7.2 °C this
    is the usual chilling hour (Weinberger, J. H. 1950, Proc. Amer. Soc. Hort. Sci. 56: 122–128; the
    lower limit is common practice).

    Examples
    --------
    >>> hours_between([0, 3, -5], [7.2, 3, -1], 0, 7.2)
    array([24., 24.,  0.])
    """
    if not low_c < high_c:
        raise ValueError(f"low_c = {low_c} must lie below high_c = {high_c}")
    mean, half = _mean_and_half_range(min_c, max_c)
    return 24 * (_share_below(mean, half, high_c) - _share_below(mean, half, low_c))


def _between(above, min_c, max_c, base_c, upper_c):
    mean, half = _mean_and_half_range(min_c, max_c)
    total = above(mean, half, base_c)
    if upper_c is None:
        return total
    if not base_c < upper_c:
        raise ValueError(f"base_c = {base_c} must lie below upper_c = {upper_c}")
    return total - above(mean, half, upper_c)


def _mean_and_half_range(min_c, max_c):
    low, high = np.asarray(min_c, dtype=float), np.asarray(max_c, dtype=float)
    if (wrong := np.flatnonzero(np.atleast_1d(low > high))).size:
        where = f"on {wrong.size} days, first at position {wrong[0]}"
        raise ValueError(f"the day's minimum lies above its maximum {where}: swap or fix the two")
    return (low + high) / 2, (high - low) / 2


def _position(mean, half, limit_c):
    """Place of the limit within the day's range: −1 at the minimum, 1 at the maximum, cut off
    there.
    """
    flat = np.where(limit_c > mean, 1.0, -1.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        place = np.where(half > 0, (limit_c - mean) / half, flat)
    return np.where(np.isnan(mean), np.nan, np.clip(place, -1, 1))


def _sine_above(mean, half, base_c):
    turn = np.arcsin(_position(mean, half, base_c))
    return np.maximum((mean - base_c) * (np.pi / 2 - turn) + half * np.cos(turn), 0) / np.pi


def _triangle_above(mean, half, base_c):
    left = 1 - _position(mean, half, base_c)  # twice the share of the day spent above the base
    # the base at or below the minimum: the mean's distance, else the triangle's tip
    return np.where(left >= 2, mean - base_c, half * left**2 / 4)


def _share_below(mean, half, limit_c):
    return 0.5 + np.arcsin(_position(mean, half, limit_c)) / np.pi
