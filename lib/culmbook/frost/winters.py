"""How cold does a site get where the rhizomes lie: the lowest soil temperature of every winter,
and return levels.

A winter of growing season Y runs from 1 July of Y to 30 June of Y + 1. Where the soil was read, the
readings count. Where only the air was, the soil is an approximation: the running mean of the air,
and the deviations from it damped on their way down, those of a cold spell and those of a night.
Minima are negated and become maxima for the extreme value distribution, see
:mod:`culmbook.stats.extremes`. The winters are taken as draws from one climate: a warming one makes
the levels too cold, which :func:`trend` shows.
"""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy import stats

from culmbook.season.weather import MAX_C, MIN_C, SOIL_C, WINTER, Thresholds, season_indices
from culmbook.stats.extremes import chance_above, fit_gev, return_level
from culmbook.text.numbers import fmt_count
from culmbook.text.refusal import Refusal, where_possible
from culmbook.text.words import is_are

PROBE_DEPTH_CM = 5.0
DAY_S = 86_400
# Months in which the lowest temperature of a winter is expected; only their missing days matter.
FIRST_MONTH, LAST_MONTH = 10, 4
# Period of a cold spell [d]: twice the days from its beginning to its end.
SPELL_DAYS = 10.0
DIFFUSIVITY_MM2_S = 0.5
"""Thermal diffusivity of the soil [mm²/s]; moist mineral soils lie at about 0.3 to 0.8."""
# Days of the running mean [d] where no soil was read; the mean runs over the days before.
FORMULA_WINDOW_D = 31
MIN_CALIBRATION_WINTERS, MIN_CALIBRATION_DAYS = 3, 30
# Fewest winters with both kinds of minimum from which their spread is matched, not only their mean.
MIN_SPREAD_WINTERS = 5
WINDOWS_D = (11, 15, 21, 31, 45)
OWN, BORROWED = "estimated, own readings", "estimated, readings of other sites"
FORMULA = "estimated, formula alone"
MEASURED, DAMPED = "measured", "measured at 5 cm, damped to the depth"
HOW = {MEASURED: "read", DAMPED: "read at 5 cm", OWN: "from air", BORROWED: "from air, other sites"}
SEVERITY = ["min_air_c", "frost_days", "hard_frost_days", "snow_days"]
# Fewest years with which a return level is given.
MIN_YEARS = 15
PERIODS = (2, 5, 10, 20)


def damping_depth_cm(period_days):
    """Depth at which a temperature wave has shrunk to 1/e of what it is at the surface [cm].

    Parameters
    ----------
    period_days : float
        Period of the wave [d], above 0: 1 for day and night, 365 for the year.

    Returns
    -------
    float

    Notes
    -----
    ``d = sqrt(2 k / w)``, ``w = 2 pi / period``. It holds for a sine in even soil without frost or
    snow: water that freezes gives off heat and snow insulates, so real ground is warmer in a cold
    spell.

    References
    ----------
    Hillel, D. 1982, Introduction to Soil Physics, Academic Press, chapter 9.

    Examples
    --------
    >>> round(damping_depth_cm(1), 1), round(damping_depth_cm(365))
    (11.7, 224)
    """
    omega = 2 * np.pi / (period_days * DAY_S)
    return float(np.sqrt(2 * DIFFUSIVITY_MM2_S / omega) / 10)


def damped(depth_cm, period_days, from_cm=0.0):
    """Share of a wave's amplitude that is left at a depth: A(z)/A(z0) = exp(-(z - z0)/d).

    Examples
    --------
    >>> round(damped(damping_depth_cm(1), 1), 4)
    0.3679
    """
    return float(np.exp(-(depth_cm - from_cm) / damping_depth_cm(period_days)))


@dataclass(frozen=True)
class Damping:
    """How the air's deviations reach the soil at 5 cm.

    ``spell`` and ``day`` are the shares (0 and up) of a cold spell's and of a night's deviation
    that are left; ``shift_c`` is added to every day [°C]. ``mean_air_c, mean_soil_c`` and
    ``stretch`` line winter minima up: minimum = mean_soil_c + stretch (estimate - mean_air_c).
    ``error_c`` is the root mean square error of a winter minimum that was left out of the fit [°C],
    with its winter or, when several sites were used, with its site. ``n_winters`` with both
    readings; ``kind`` says where it is from.
    """

    window_days: int
    spell: float
    day: float
    shift_c: float = 0.0
    mean_air_c: float = 0.0
    mean_soil_c: float = 0.0
    stretch: float = 1.0
    error_c: float = np.nan
    n_winters: int = 0
    kind: str = FORMULA

    def lined_up(self, minima):
        """Winter minima with the calibration's mean and spread [°C]."""
        return self.mean_soil_c + self.stretch * (minima - self.mean_air_c)


def fit_damping(weather):
    """Fit the damping to days on which both air and soil were read.

    Parameters
    ----------
    weather : pandas.DataFrame
        Table ``weather`` of one site, or of several to lend a damping to a site without soil
        readings.

    Returns
    -------
    Damping or None
        None when fewer than 3 complete winters have both, or fewer than 30 frost days.

    Notes
    -----
    On frost days of the cold months: soil - m = shift + spell (a - m) - day r/2, least squares,
    with the air's mean a, daily range r, and running mean m over the days before, whose length is
    the one with the smallest residuals. The standard errors treat days as independent and are too
    small. Minima are then lined up: their mean, and from 5 winters on their spread (sd matched to
    sd, which keeps extremes as wide as measured).
    """
    frames = {site: daily(days) for site, days in weather.groupby("site")}
    frames = {site: days for site, days in frames.items() if days["soil"].notna().any()}
    if not frames:
        return None
    window = min(WINDOWS_D, key=lambda w: _day_fit(frames.values(), w)[1])
    coefficient, spread = _day_fit(frames.values(), window)
    both = _both(frames, window, coefficient)
    if len(both) < MIN_CALIBRATION_WINTERS or not np.isfinite(spread):
        return None
    unit, kind = ("site", BORROWED) if len(frames) > 1 else ("winter", OWN)
    error = _left_out_error(frames, window, both, unit)
    return replace(_calibrated(frames, window, both, kind), error_c=error)


def daily(days):
    """One site's days in order without holes: air mean, half range, soil, winter, whether in cold
    months.
    """
    days = days.set_index("date").sort_index().asfreq("D")
    low, high, soil = (days[name] if name in days else np.nan for name in (MIN_C, MAX_C, SOIL_C))
    month, year = days.index.month, days.index.year
    columns = {"low": low, "air": (low + high) / 2, "half": (high - low) / 2, "soil": soil}
    is_cold = (month >= FIRST_MONTH) | (month <= LAST_MONTH)
    return pd.DataFrame(columns | {"winter": year - (month < 7), "is_cold": is_cold}, days.index)


def _running_mean(series, window):
    """Mean over the days before and with a day; up to a fifth of them may be missing."""
    return series.rolling(window, min_periods=int(np.ceil(0.8 * window))).mean()


def _day_fit(frames, window):
    """Coefficients (shift, spell, day) and the residual sd [°C]."""
    rows = []
    for days in frames:
        mean = _running_mean(days["air"], window)
        table = np.c_[np.ones(len(days)), days["air"] - mean, -days["half"], days["soil"] - mean]
        rows.append(table[(days["is_cold"] & (days["low"] < 0)).to_numpy()])
    table = np.concatenate(rows)
    table = table[~np.isnan(table).any(axis=1)]
    if len(table) < MIN_CALIBRATION_DAYS:
        return np.zeros(3), np.inf
    x, y = table[:, :3], table[:, 3]
    coefficient = np.linalg.pinv(x.T @ x) @ x.T @ y
    return coefficient, np.sqrt(((y - x @ coefficient) ** 2).sum() / (len(y) - 3))


def soil_from_air(days, window, shift, spell, day):
    """Soil's daily minimum at 5 cm from the days of :func:`daily` [°C]."""
    mean = _running_mean(days["air"], window)
    return mean + shift + spell * (days["air"] - mean) - day * days["half"]


def _both(frames, window, coefficient):
    """Winters with both minima complete: site, winter, air (estimate), soil (measured)."""
    parts = []
    for site, days in frames.items():
        air = cold_minima(soil_from_air(days, window, *coefficient), days)["value"]
        soil = cold_minima(days["soil"], days)["value"]
        parts.append(pd.DataFrame({"winter": air.index, "site": site, "air": air, "soil": soil}))
    return pd.concat(parts, ignore_index=True).dropna()


def cold_minima(series, days):
    """Lowest value of each winter, its day, and how many days of its cold months are missing.

    The cold months must be whole; a colder reading outside them counts too.
    """
    rows, cold = {}, days["is_cold"]
    for winter in sorted(set(days.loc[cold, "winter"])):
        last = pd.Timestamp(winter + 1, LAST_MONTH, 1) + pd.offsets.MonthEnd(0)
        n_days = (last - pd.Timestamp(winter, FIRST_MONTH, 1)).days + 1
        values = series[days["winter"] == winter].dropna()
        n_missing = n_days - int(cold[values.index].sum())
        lowest = (np.nan, pd.NaT) if n_missing else (values.min(), values.idxmin())
        rows[winter] = (n_days, n_missing, *lowest)
    columns = ["n_days", "n_missing", "value", "on"]
    return pd.DataFrame.from_dict(rows, "index", columns=columns)


def _calibrated(frames, window, both, kind):
    shift, spell, day = map(float, _day_fit(frames.values(), window)[0])
    mean, sd = both[["air", "soil"]].mean(), both[["air", "soil"]].std()
    has_spread = len(both) >= MIN_SPREAD_WINTERS and sd["air"] > 0
    stretch = float(sd["soil"] / sd["air"]) if has_spread else 1.0
    centre = float(mean["air"]), float(mean["soil"])
    return Damping(window, spell, day, shift, *centre, stretch, n_winters=len(both), kind=kind)


def _left_out_error(frames, window, both, unit):
    """Root mean square error of winter minima predicted by a fit that did not see their winter (or
    site).
    """
    errors = []
    for left in both[unit].unique():
        if unit == "site":
            rest, own = {s: d for s, d in frames.items() if s != left}, {left: frames[left]}
        else:
            rest, own = {s: d[d["winter"] != left] for s, d in frames.items()}, frames
        fit = _calibrated(rest, window, both[both[unit] != left], "")
        held = _both(own, window, (fit.shift_c, fit.spell, fit.day))
        held = held[held[unit] == left]
        errors.extend(fit.lined_up(held["air"]) - held["soil"])
    return float(np.sqrt(np.mean(np.square(errors))))


def site_damping(weather, borrowed=None):
    """The damping used for one site: its own, else a borrowed one, else that of physics alone."""
    shares = damped(PROBE_DEPTH_CM, SPELL_DAYS), damped(PROBE_DEPTH_CM, 1)
    formula = Damping(FORMULA_WINDOW_D, *shares)
    return fit_damping(weather) or borrowed or formula


def at_depth(soil, depth_cm, damping):
    """Soil temperature at a depth from that at 5 cm [°C]: its running mean, and deviations damped
    further.
    """
    if depth_cm == PROBE_DEPTH_CM:
        return soil
    mean = _running_mean(soil, damping.window_days)
    return mean + damped(depth_cm, SPELL_DAYS, PROBE_DEPTH_CM) * (soil - mean)


# -- winter minima -------------------------------------------------------------------------------


def winter_minima(weather, depth_cm=PROBE_DEPTH_CM, borrowed=None):
    """Lowest temperature at rhizome depth of every winter on record, with how it is known.

    Parameters
    ----------
    weather : pandas.DataFrame
        Table ``weather``: site, date, air_temperature_min_c, air_temperature_max_c [°C] and, where
        the soil was read, soil_temperature_5cm_min_c [°C]. An absent row and a blank cell are a
        missing day.
    depth_cm : float
        Depth of the rhizomes [cm], 0 to 50.
    borrowed : Damping, optional
        From :func:`fit_damping` on other sites, for sites without readings of their own. Without it
        their soil comes from the formula alone.

    Returns
    -------
    pandas.DataFrame
        One row per site and winter: site, winter (growing season that it ends), label, n_days (of
        the cold months), n_missing_soil, n_missing_air (days without a reading; without an
        estimate), measured_c, estimated_c, minimum_c (the measured one where it is complete, else
        the estimate) [°C], on (its day), kind (how it is known), reason (why a winter is left out,
        else missing).

    Notes
    -----
    Estimate at 5 cm: see :func:`fit_damping`. From 5 cm to another depth z the deviation from the
    running mean of the soil shrinks (or, above 5 cm, grows) by exp(-(z - 5)/d), d of the spell's
    period.
    """
    if not 0 <= depth_cm <= 50:
        raise ValueError(f"depth_cm = {depth_cm}: rhizomes lie from 0 to 50 cm deep")
    if weather.duplicated(["site", "date"]).any():
        raise ValueError("weather: a date is given twice; keep one row per site and date")
    parts = [
        _site_minima(site, daily(days), site_damping(days, borrowed), depth_cm)
        for site, days in weather.groupby("site", sort=True)
    ]
    if not parts:
        columns = (
            "site winter label n_days n_missing_soil n_missing_air measured_c estimated_c minimum_c"
        )
        return pd.DataFrame(columns=[*columns.split(), "on", "kind", "reason"])
    return pd.concat(parts, ignore_index=True).astype({"kind": "str", "reason": "str"})


def _site_minima(site, days, damping, depth_cm):
    soil = cold_minima(at_depth(days["soil"], depth_cm, damping), days)
    air = soil_from_air(days, damping.window_days, damping.shift_c, damping.spell, damping.day)
    air = cold_minima(at_depth(air, depth_cm, damping), days)
    is_read, estimate = soil["value"].notna(), damping.lined_up(air["value"])
    is_known, missing = is_read | estimate.notna(), np.minimum(air["n_missing"], soil["n_missing"])
    days_missing = missing.astype(str) + " of " + soil["n_days"].astype(str) + " days missing"
    reason = days_missing.mask(missing.eq(soil["n_days"]), "no reading")
    how = np.where(is_read, MEASURED if depth_cm == PROBE_DEPTH_CM else DAMPED, damping.kind)
    gaps = {"n_missing_soil": soil["n_missing"], "n_missing_air": air["n_missing"]}
    table = soil[["n_days"]].assign(**gaps)
    table = table.rename_axis("winter").reset_index().set_axis(soil.index)
    table.insert(0, "site", site)
    table.insert(2, "label", table["winter"].map(WINTER.label))
    return table.assign(
        measured_c=soil["value"],
        estimated_c=estimate,
        minimum_c=soil["value"].where(is_read, estimate),
        on=soil["on"].where(is_read, air["on"]),
        kind=pd.Series(how, soil.index).where(is_known),
        reason=reason.mask(is_known, None),
    )


def site_winters(weather, depth_cm, season):
    """Winter minima up to a season's, of sites that lend each other the damping of their soil.

    Parameters
    ----------
    weather : pandas.DataFrame
        Table ``weather``.
    depth_cm : float
        Depth of the rhizomes [cm].
    season : int
        Last growing season whose winter counts.

    Returns
    -------
    pandas.DataFrame
        As :func:`winter_minima`.
    """
    minima = winter_minima(weather, depth_cm, borrowed=lent_damping(weather))
    return minima[minima["winter"] <= season].reset_index(drop=True)


def lent_damping(weather):
    """The damping of the sites whose soil was read, for those whose soil never was; None where
    none lacks it.
    """
    read = weather.groupby("site")["soil_temperature_5cm_min_c"].count()
    if (read > 0).all() or (read == 0).all():
        return None
    lent = fit_damping(weather)
    return lent and replace(lent, kind=BORROWED)


def known_minima(minima):
    """Winters whose minimum at rhizome depth is known well enough to calculate with.

    Parameters
    ----------
    minima : pandas.DataFrame
        From :func:`site_winters`.

    Returns
    -------
    pandas.DataFrame

    Raises
    ------
    Refusal
        None, at any site.
    """
    found = minima[minima["minimum_c"].notna() & minima["kind"].ne(FORMULA)]
    if found.empty:
        why = [why_no_depth(rows) for _, rows in minima.groupby("site", sort=True)]
        raise Refusal(" ".join(why) or "There is no winter on record.")
    return found


def why_no_depth(minima):
    """Why nothing is calculated from the winters of one site at rhizome depth; blank where it can
    be.
    """
    site, known = minima["site"].iloc[0], minima[minima["minimum_c"].notna()]
    if known.empty:
        return f"No winter of {site} has a complete record, so its minimum is not known."
    if known["kind"].eq(FORMULA).all():
        return (
            f"At {site} the soil was never read, and the air and a formula for bare ground give minima too"
            " cold by an unknown amount: no return level and no expected survival is given. A report on the"
            " whole network borrows the soil readings of other sites, where there are any."
        )
    return ""


def winter_severity(minima, weather, season):
    """Set each winter's minimum beside its frost days, hard-frost days, snow days and lowest air
    temperature.

    Parameters
    ----------
    minima : pandas.DataFrame
        From :func:`winter_minima`.
    weather : pandas.DataFrame
        Table ``weather``.
    season : int
        Last growing season whose winter counts.

    Returns
    -------
    pandas.DataFrame
        `minima` up to `season` with how (how the minimum is known; missing, and the minimum with
        it, where a formula alone would be too cold), min_air_c [°C], frost_days, hard_frost_days,
        snow_days [d] of October to March; missing where
        :func:`culmbook.season.weather.season_indices` gives none.
    """
    if minima.empty:
        return minima.reindex(columns=[*minima.columns, "how", *SEVERITY])
    values = season_indices(weather, season, Thresholds())
    values = values[values["index"].isin(SEVERITY)]
    wide = values.pivot(index=["site", "season"], columns="index", values="value")
    wide = wide.reindex(columns=SEVERITY).reset_index().rename(columns={"season": "winter"})
    minima = minima[minima["winter"] <= season].assign(how=minima["kind"].map(HOW))
    minima = minima.assign(minimum_c=minima["minimum_c"].where(minima["how"].notna()))
    return minima.merge(wide, on=["site", "winter"], how="left")


# -- return levels -------------------------------------------------------------------------------


def why_no_levels(values, *, n_censored=0, what="winter"):
    """Why no return level is given, or None when one can be.

    Parameters
    ----------
    values : array_like
        One value per year, none missing.
    n_censored : int
        Further years known to lie below the smallest that is recorded.
    what : str
        What a block is called: 'winter' or 'year'.

    Returns
    -------
    str or None

    Examples
    --------
    >>> why_no_levels([-4.0, -3.0], what="winter")
    'There are 2 complete winters, and return levels need 15: none is given.'
    """
    values = np.asarray(values, dtype=float)
    years = len(values) + n_censored
    if years < MIN_YEARS:
        blocks = f"{fmt_count(years) if years else 'no'} complete {what}{'' if years == 1 else 's'}"
        there = f"There {is_are(years)} {blocks}"
        return f"{there}, and return levels need {MIN_YEARS}: none is given."
    if len(values) < MIN_YEARS / 3:
        n = f"Only {fmt_count(len(values))} of {fmt_count(years)} {what}s have a value"
        return f"{n}: too few to fit how it is distributed, so no return level is given."
    if np.ptp(values) == 0:
        return (
            f"All {what}s have the same value, so no return level is given: look at the readings."
        )
    return None


def cold_levels(minima, periods=PERIODS, *, level=0.95):
    """Return levels of the winter minimum: how cold once in so many winters.

    Parameters
    ----------
    minima : array_like
        One minimum per complete winter [°C], none missing.
    periods : sequence of float
        Return periods [winters].
    level : float
        Confidence level, 0–1.

    Returns
    -------
    pandas.DataFrame
        One row per period: period, minimum_c, lower_c, upper_c [°C], n_winters, beyond (whether the
        period is longer than the record, so that the level is extrapolated).

    Raises
    ------
    Refusal
        With the sentence of :func:`why_no_levels`.
    """
    fit, rows = _fitted(minima), []
    for period in periods:
        estimate, low, high = return_level(fit, period, level=level)
        rows.append((period, -estimate, -high, -low, fit.n, period > fit.n))
    columns = ["period", "minimum_c", "lower_c", "upper_c", "n_winters", "beyond"]
    return pd.DataFrame(rows, columns=columns)


def _fitted(minima):
    """Extreme value distribution of the negated minima."""
    minima = np.asarray(minima, dtype=float)
    if reason := why_no_levels(minima):
        raise Refusal(reason)
    return fit_gev(-minima)


def site_levels(minima, *, level=0.95):
    """Return levels of every site that has enough winters.

    Parameters
    ----------
    minima : pandas.DataFrame
        From :func:`site_winters`.
    level : float
        Confidence level, 0–1.

    Returns
    -------
    pandas.DataFrame
        site, the columns of :func:`cold_levels`, how (how the minima are known), coldest_c,
        median_c [°C].

    Raises
    ------
    Refusal
        No site has them, with the reasons.
    """
    rows = dict(list(minima.groupby("site")))

    def find(site):
        known = known_minima(rows[site])
        coldest, median = known["minimum_c"].min(), known["minimum_c"].median()
        given = {"how": how_known(known), "coldest_c": coldest, "median_c": median}
        return cold_levels(known["minimum_c"], level=level).assign(site=site, **given)

    found, _ = where_possible(rows, find)
    return pd.concat(found.values(), ignore_index=True)


def how_known(known):
    """How a site's minima are known, in a word or two."""
    if known["kind"].eq(BORROWED).any():
        return "from air, readings of other sites"
    return "read, some from air" if known["kind"].eq(OWN).any() else "read"


def level_curve(minima, *, level=0.95):
    """Return levels over the return periods 1.05 to 30 winters, to draw.

    Parameters
    ----------
    minima : array_like
        One minimum per complete winter [°C], none missing; 15 or more.
    level : float
        Confidence level, 0–1.

    Returns
    -------
    pandas.DataFrame
        period, minimum_c, lower_c, upper_c [°C]; an unbounded limit lies 1 °C beyond all others.
    """
    table = cold_levels(minima, np.geomspace(1.05, 30, 14), level=level)
    limits = table[["lower_c", "upper_c"]].replace([-np.inf, np.inf], np.nan)
    low, high = limits.min(axis=None) - 1, limits.max(axis=None) + 1
    lower, upper = table["lower_c"].clip(low), table["upper_c"].clip(upper=high)
    return table.assign(lower_c=lower, upper_c=upper)


def chance_colder(minima, value_c, *, level=0.95):
    """Chance that a winter is colder than a temperature, such as an LT50, from the fitted
    distribution.

    Parameters
    ----------
    minima : array_like
        One minimum per complete winter [°C], none missing.
    value_c : float
        Temperature [°C].
    level : float
        Confidence level, 0–1.

    Returns
    -------
    tuple of float
        Estimate, lower and upper limit, 0–1; see :func:`culmbook.stats.extremes.chance_above`.

    Raises
    ------
    Refusal
        With the sentence of :func:`why_no_levels`.
    """
    return chance_above(_fitted(minima), -value_c, level=level)


def plotting_positions(values):
    """Empirical return period of each yearly maximum: (n + 0.12)/(rank - 0.44) years, largest rank
    1.

    References
    ----------
    Gringorten, I. 1963, Journal of Geophysical Research 68: 813–814.

    Examples
    --------
    >>> plotting_positions([2.0, 5.0, 3.0]).round(2).tolist()
    [1.22, 5.57, 2.0]
    """
    rank = stats.rankdata(-np.asarray(values, dtype=float), method="ordinal")
    return (len(rank) + 0.12) / (rank - 0.44)


def trend(values, years, *, level=0.95):
    """Change of a yearly value over the record, which return levels take to be none.

    Parameters
    ----------
    values, years : array_like
        At least 5, none missing.
    level : float
        Confidence level, 0–1.

    Returns
    -------
    tuple of float
        Change per ten years with lower and upper limit (median of pairwise slopes), and p of
        Kendall's test.

    References
    ----------
    Sen, P. K. 1968, Journal of the American Statistical Association 63: 1379–1389.
    """
    slope = stats.theilslopes(values, years, alpha=level)
    p_value = stats.kendalltau(years, values).pvalue
    return 10 * float(slope[0]), 10 * float(slope[2]), 10 * float(slope[3]), float(p_value)
