"""How cold did it get where the rhizomes lie? The lowest soil temperature of every winter on record.

A winter of growing season Y runs from 1 July of Y to 30 June of Y + 1. Where the soil was read, the readings
count. Where only the air was, the soil is an approximation: the running mean of the air temperature, and
the deviations from it damped on their way down.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from culmbook.formats import fmt_count, fmt_list, fmt_number
from culmbook.weather import MAX_C, MIN_C, SOIL_C, WINTER

PROBE_DEPTH_CM = 5.0
DAY_S = 86_400
MIN_CALIBRATION_WINTERS = 3
MIN_SPREAD_WINTERS = 5
"""Fewest winters with both kinds of minimum from which their spread is matched, not only their mean."""
WINDOWS_D = (11, 15, 21, 31, 45)
MEASURED, DAMPED = "measured", "measured at 5 cm, damped to the depth"
OWN, BORROWED, FORMULA = "estimated, own readings", "estimated, readings of other sites", "estimated, formula alone"


@dataclass(frozen=True)
class WinterRules:
    """Which winters count, and how deviations of the air are damped in the soil.

    Parameters
    ----------
    first_month, last_month : int
        Months in which the lowest temperature of a winter can fall; only their missing days matter.
    max_missing_days : int
        Most missing days in these months with which a winter still counts.
    spell_days : float
        Period of a cold spell [d]: twice the days from its beginning to its end.
    diffusivity_mm2_s : float
        Thermal diffusivity of the soil [mm²/s]; moist mineral soils lie at about 0.3 to 0.8.
    window_days : int
        Days of the running mean [d] where no soil was read; the mean runs over the days before.

    Raises
    ------
    ValueError
        When one is out of its range.
    """

    first_month: int = 10
    last_month: int = 4
    max_missing_days: int = 0
    spell_days: float = 10.0
    diffusivity_mm2_s: float = 0.5
    window_days: int = 31

    def __post_init__(self):
        if not (7 <= self.first_month <= 12 and 1 <= self.last_month <= 6):
            raise ValueError("first_month lies from 7 to 12 and last_month from 1 to 6")
        if min(self.spell_days, self.diffusivity_mm2_s) <= 0 or self.window_days < 2 or self.max_missing_days < 0:
            raise ValueError("spell_days and diffusivity_mm2_s are above 0, window_days 2 or more, "
                             "max_missing_days 0 or more")


def damping_depth_cm(period_days, diffusivity_mm2_s=0.5):
    """Depth at which a temperature wave has shrunk to 1/e of what it is at the surface [cm].

    Parameters
    ----------
    period_days : float
        Period of the wave [d], above 0: 1 for day and night, 365 for the year.
    diffusivity_mm2_s : float
        Thermal diffusivity [mm²/s], above 0.

    Returns
    -------
    float

    Notes
    -----
    ``d = sqrt(2 k / w)``, ``w = 2 pi / period``. It holds for a sine in even soil without frost or snow: water
    that freezes gives off heat and snow insulates, so real ground is warmer in a cold spell.

    References
    ----------
    Hillel, D. 1982, Introduction to Soil Physics, Academic Press, chapter 9.

    Examples
    --------
    >>> round(damping_depth_cm(1), 1), round(damping_depth_cm(365))
    (11.7, 224)
    """
    omega = 2 * np.pi / (period_days * DAY_S)
    return float(np.sqrt(2 * diffusivity_mm2_s / omega) / 10)


def damped(depth_cm, period_days, diffusivity_mm2_s=0.5, from_cm=0.0):
    """Share of a wave's amplitude that is left at a depth: A(z)/A(z0) = exp(-(z - z0)/d).

    Examples
    --------
    >>> round(damped(damping_depth_cm(1), 1), 4)
    0.3679
    """
    return float(np.exp(-(depth_cm - from_cm) / damping_depth_cm(period_days, diffusivity_mm2_s)))


@dataclass(frozen=True)
class Damping:
    """How the air's deviations reach the soil at 5 cm.

    ``spell`` and ``day`` are the shares (0 and up) of a cold spell's and of a night's deviation that are left;
    ``spell_se, day_se`` their standard errors; ``shift_c`` is added to every day [°C]. ``mean_air_c, mean_soil_c``
    and ``stretch`` line winter minima up: minimum = mean_soil_c + stretch (estimate - mean_air_c). ``error_c`` is
    the root mean square error of a winter minimum that was left out of the fit [°C], with its winter or, when
    several sites were used, with its site. ``n_winters`` with both readings; ``kind`` says where it is from.
    """

    window_days: int
    spell: float
    day: float
    shift_c: float = 0.0
    spell_se: float = np.nan
    day_se: float = np.nan
    mean_air_c: float = 0.0
    mean_soil_c: float = 0.0
    stretch: float = 1.0
    error_c: float = np.nan
    n_winters: int = 0
    kind: str = FORMULA

    def lined_up(self, minima):
        """Winter minima with the calibration's mean and spread [°C]."""
        return self.mean_soil_c + self.stretch * (minima - self.mean_air_c)


def formula_damping(rules=WinterRules()):
    """Damping to 5 cm from physics alone, for sites where no soil was ever read.

    Parameters
    ----------
    rules : WinterRules

    Returns
    -------
    Damping
        Its error is not known.
    """
    spell, day = (damped(PROBE_DEPTH_CM, period, rules.diffusivity_mm2_s) for period in (rules.spell_days, 1))
    return Damping(rules.window_days, spell, day)


def fit_damping(weather, rules=WinterRules()):
    """Fit the damping to days on which both air and soil were read.

    Parameters
    ----------
    weather : pandas.DataFrame
        Table ``weather`` of one site, or of several to lend a damping to a site without soil readings.
    rules : WinterRules

    Returns
    -------
    Damping or None
        None when fewer than 3 complete winters have both.

    Notes
    -----
    On frost days of the cold months: soil - m = shift + spell (a - m) - day r/2, least squares, with the air's
    mean a, daily range r, and running mean m over the days before, whose length is the one with the smallest
    residuals. The standard errors treat days as independent and are too small. Minima are then lined up: their
    mean, and from 5 winters on their spread (sd matched to sd, which keeps extremes as wide as measured).
    """
    frames = {site: _daily(days, rules) for site, days in weather.groupby("site")}
    frames = {site: days for site, days in frames.items() if days["soil"].notna().any()}
    if not frames:
        return None
    window = min(WINDOWS_D, key=lambda w: _day_fit(frames.values(), w)[2])
    several = len(frames) > 1
    both = _both(frames, window, _day_fit(frames.values(), window)[0], rules)
    if len(both) < MIN_CALIBRATION_WINTERS:
        return None
    fit = _calibrated(frames, window, both, BORROWED if several else OWN)
    error = _left_out_error(frames, window, both, rules, "site" if several else "winter")
    return Damping(**{**vars(fit), "error_c": error})


def _daily(days, rules):
    """One site's days in order without holes: air mean, half range, soil, winter, whether in cold months."""
    days = days.set_index("date").sort_index().asfreq("D")
    days = days.reindex(columns=[MIN_C, MAX_C, SOIL_C])
    month, year = days.index.month, days.index.year
    return pd.DataFrame({
        "low": days[MIN_C], "air": (days[MIN_C] + days[MAX_C]) / 2, "half": (days[MAX_C] - days[MIN_C]) / 2,
        "soil": days[SOIL_C], "winter": year - (month < 7),
        "is_cold": (month >= rules.first_month) | (month <= rules.last_month)}, index=days.index)


def _running_mean(series, window):
    """Mean over the days before and with a day; up to a fifth of them may be missing."""
    return series.rolling(window, min_periods=int(np.ceil(0.8 * window))).mean()


def _day_fit(frames, window):
    """Coefficients (shift, spell, day), their standard errors and the residual sd [°C]."""
    rows = []
    for days in frames:
        mean = _running_mean(days["air"], window)
        rows.append(np.c_[np.ones(len(days)), days["air"] - mean, -days["half"], days["soil"] - mean][
            (days["is_cold"] & (days["low"] < 0)).to_numpy()])
    table = np.concatenate(rows)
    table = table[~np.isnan(table).any(axis=1)]
    if len(table) < 30:
        return np.zeros(3), np.full(3, np.nan), np.inf
    x, y = table[:, :3], table[:, 3]
    inverse = np.linalg.pinv(x.T @ x)
    coefficient = inverse @ x.T @ y
    sd = np.sqrt(((y - x @ coefficient) ** 2).sum() / (len(y) - 3))
    return coefficient, sd * np.sqrt(np.diag(inverse)), sd


def _soil_from_air(days, window, shift, spell, day):
    mean = _running_mean(days["air"], window)
    return mean + shift + spell * (days["air"] - mean) - day * days["half"]


def _both(frames, window, coefficient, rules):
    """Winters with both minima complete: site, winter, air (estimate), soil (measured)."""
    parts = [pd.DataFrame({"site": site, "air": _minima(_soil_from_air(days, window, *coefficient), days, rules)["value"],
                           "soil": _minima(days["soil"], days, rules)["value"]}).rename_axis("winter").reset_index()
             for site, days in frames.items()]
    return pd.concat(parts).dropna()


def _minima(series, days, rules):
    """Lowest value of each winter's cold months, its day and the number of days missing."""
    cold = days["is_cold"]
    winters = sorted(set(days.loc[cold, "winter"]))
    rows = []
    for winter in winters:
        first, last = _cold_span(winter, rules)
        values = series[(days["winter"] == winter) & cold].dropna()
        n_days = (last - first).days + 1
        is_good = n_days - len(values) <= rules.max_missing_days and len(values) > 0
        rows.append((n_days, n_days - len(values), values.min() if is_good else np.nan,
                     values.idxmin() if is_good else pd.NaT))
    return pd.DataFrame(rows, index=winters, columns=["n_days", "n_missing", "value", "on"])


def _cold_span(winter, rules):
    after = pd.Timestamp(winter + 1, rules.last_month, 1) + pd.offsets.MonthEnd(0)
    return pd.Timestamp(winter, rules.first_month, 1), after


def _calibrated(frames, window, both, kind):
    coefficient, error, _ = _day_fit(frames.values(), window)
    stretch = both["soil"].std() / both["air"].std() if len(both) >= MIN_SPREAD_WINTERS and both["air"].std() > 0 else 1.0
    numbers = (coefficient[1], coefficient[2], coefficient[0], error[1], error[2], both["air"].mean(),
               both["soil"].mean(), stretch)
    return Damping(window, *map(float, numbers), n_winters=len(both), kind=kind)


def _left_out_error(frames, window, both, rules, unit):
    """Root mean square error of winter minima predicted by a fit that did not see their winter (or site)."""
    errors = []
    for left in both[unit].unique():
        rest = {s: d[d["winter"] != left] if unit == "winter" else d for s, d in frames.items() if unit == "winter" or s != left}
        fit = _calibrated(rest, window, both[both[unit] != left], "")
        held = _both({s: frames[s] for s in frames if unit == "winter" or s == left}, window,
                     (fit.shift_c, fit.spell, fit.day), rules)
        held = held[held[unit] == left]
        errors.extend(fit.lined_up(held["air"]) - held["soil"])
    return float(np.sqrt(np.mean(np.square(errors))))


def winter_minima(weather, depth_cm=PROBE_DEPTH_CM, rules=WinterRules(), borrowed=None):
    """Lowest temperature at rhizome depth of every winter on record, with how it is known.

    Parameters
    ----------
    weather : pandas.DataFrame
        Table ``weather``: site, date, air_temperature_min_c, air_temperature_max_c [°C] and, where the soil was
        read, soil_temperature_5cm_min_c [°C]. An absent row and a blank cell are a missing day.
    depth_cm : float
        Depth of the rhizomes [cm], 0 to 50.
    rules : WinterRules
    borrowed : Damping, optional
        From :func:`fit_damping` on other sites, for sites without readings of their own. Without it their
        soil comes from the formula alone.

    Returns
    -------
    pandas.DataFrame
        One row per site and winter: site, winter (growing season that it ends), label, n_days (of the cold
        months), n_missing_soil, n_missing_air (days without a reading; without an estimate), measured_c,
        estimated_c, minimum_c (the measured one where it is complete, else the estimate) [°C], on (its day),
        kind (how it is known), reason (why a winter is left out, else missing).

    Raises
    ------
    ValueError
        A date given twice, or a depth outside 0–50 cm.

    Notes
    -----
    Estimate at 5 cm: see :func:`fit_damping`. From 5 cm to another depth z the deviation from the running mean
    of the soil shrinks (or, above 5 cm, grows) by exp(-(z - 5)/d), d of the spell's period.
    """
    if not 0 <= depth_cm <= 50:
        raise ValueError(f"depth_cm = {depth_cm}: rhizomes lie from 0 to 50 cm deep")
    if weather.duplicated(["site", "date"]).any():
        raise ValueError("weather: a date is given twice; keep one row per site and date")
    parts = [_site_minima(site, _daily(days, rules), days, depth_cm, rules, borrowed)
             for site, days in weather.groupby("site", sort=True)]
    columns = ["site", "winter", "label", "n_days", "n_missing_soil", "n_missing_air", "measured_c", "estimated_c",
               "minimum_c", "on", "kind", "reason"]
    table = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)
    return table[columns].astype({"kind": "str", "reason": "str"})


def site_damping(weather, rules=WinterRules(), borrowed=None):
    """The damping that is used for one site: its own, else a borrowed one, else the formula's."""
    return fit_damping(weather, rules) or borrowed or formula_damping(rules)


def _site_minima(site, days, weather, depth_cm, rules, borrowed):
    damping = site_damping(weather, rules, borrowed)
    soil = _minima(_at_depth(days["soil"], depth_cm, damping, rules), days, rules)
    air = _soil_from_air(days, damping.window_days, damping.shift_c, damping.spell, damping.day)
    air = _minima(_at_depth(air, depth_cm, damping, rules), days, rules)
    table = pd.DataFrame({
        "site": site, "winter": soil.index, "label": [WINTER.label(w) for w in soil.index], "n_days": soil["n_days"],
        "n_missing_soil": soil["n_missing"], "n_missing_air": air["n_missing"], "measured_c": soil["value"],
        "estimated_c": damping.lined_up(air["value"])})
    is_measured = table["measured_c"].notna()
    is_known = is_measured | table["estimated_c"].notna()
    measured = MEASURED if depth_cm == PROBE_DEPTH_CM else DAMPED
    return table.assign(
        minimum_c=table["measured_c"].where(is_measured, table["estimated_c"]),
        on=soil["on"].where(is_measured, air["on"]),
        kind=pd.Series(np.where(is_measured, measured, damping.kind), table.index).where(is_known),
        reason=[None if known else _missing_words(row) for known, row in zip(is_known, table.itertuples())])


def _at_depth(soil, depth_cm, damping, rules):
    if depth_cm == PROBE_DEPTH_CM:
        return soil
    mean = _running_mean(soil, damping.window_days)
    return mean + damped(depth_cm, rules.spell_days, rules.diffusivity_mm2_s, PROBE_DEPTH_CM) * (soil - mean)


def _missing_words(row):
    if row.n_missing_air == row.n_days and row.n_missing_soil == row.n_days:
        return "no reading"
    return f"{min(row.n_missing_air, row.n_missing_soil)} of {row.n_days} days missing"


def minima_words(minima, damping=None):
    """What stands behind one site's winter minima, in sentences.

    Parameters
    ----------
    minima : pandas.DataFrame
        Rows of one site from :func:`winter_minima`.
    damping : Damping, optional
        From :func:`site_damping`; used where winters are estimates.

    Returns
    -------
    list of str
    """
    if minima.empty:
        return ["There is no weather record, so nothing is said about winters at rhizome depth."]
    known, out = minima[minima["reason"].isna()], minima[minima["reason"].notna()]
    told = [f"{_winters(len(known))} on record can be used."]
    if len(out):
        named = fmt_list([f"{r.label} ({r.reason})" for r in out.itertuples()])
        told.append(f"Left out because days are missing, of which one may have been the coldest: {named}.")
    estimated = known["kind"].isin([OWN, BORROWED, FORMULA])
    if estimated.any():
        told.append(_estimate_words(int(estimated.sum()), len(known), damping))
    if known["kind"].eq(DAMPED).any():
        told.append("The soil was read at 5 cm; the temperature at rhizome depth is an approximation from it.")
    return told


def _winters(n):
    return "1 winter" if n == 1 else f"{fmt_count(n)} winters"


def _estimate_words(n, of, damping):
    start = f"In {fmt_count(n)} of them" if n < of else "In all of them"
    words = f"{start} the soil was not read (or not every day): its temperature is an approximation from the air"
    if damping is None or damping.kind == FORMULA:
        return (f"{words} by the damping of heat in even, bare, unfrozen ground. Snow and freezing water keep real ground warmer, "
                "so these minima are too cold by an unknown amount, often by several degrees.")
    where = "this site's own soil readings" if damping.kind == OWN else "the soil readings of other sites"
    return (f"{words}, fitted to {where}; a winter's minimum is uncertain by about {fmt_number(damping.error_c, 1)} °C "
            "(winters left out and predicted). Snow is not in it.")
