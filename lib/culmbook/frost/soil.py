"""How does the cold of the air reach the soil? Damping with depth, from physics or fitted to readings.

The soil is the running mean of the air temperature, and the deviations from it damped on their way down:
those of a cold spell, and those of a night.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from culmbook.season.weather import MAX_C, MIN_C, SOIL_C

PROBE_DEPTH_CM = 5.0
DAY_S = 86_400
MIN_CALIBRATION_WINTERS, MIN_CALIBRATION_DAYS = 3, 30
MIN_SPREAD_WINTERS = 5
"""Fewest winters with both kinds of minimum from which their spread is matched, not only their mean."""
WINDOWS_D = (11, 15, 21, 31, 45)
OWN, BORROWED = "estimated, own readings", "estimated, readings of other sites"
FORMULA = "estimated, formula alone"


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
        if (
            min(self.spell_days, self.diffusivity_mm2_s) <= 0
            or self.window_days < 2
            or self.max_missing_days < 0
        ):
            raise ValueError(
                "spell_days and diffusivity_mm2_s are above 0, window_days 2 or more, "
                "max_missing_days 0 or more"
            )


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
    ``d = sqrt(2 k / w)``, ``w = 2 pi / period``. It holds for a sine in even soil without frost or snow:
    water that freezes gives off heat and snow insulates, so real ground is warmer in a cold spell.

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

    ``spell`` and ``day`` are the shares (0 and up) of a cold spell's and of a night's deviation that are
    left; ``spell_se, day_se`` their standard errors; ``shift_c`` is added to every day [°C]. ``mean_air_c,
    mean_soil_c`` and ``stretch`` line winter minima up: minimum = mean_soil_c + stretch (estimate -
    mean_air_c). ``error_c`` is the root mean square error of a winter minimum that was left out of the fit
    [°C], with its winter or, when several sites were used, with its site. ``n_winters`` with both readings;
    ``kind`` says where it is from.
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
    spell, day = (
        damped(PROBE_DEPTH_CM, period, rules.diffusivity_mm2_s) for period in (rules.spell_days, 1)
    )
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
        None when fewer than 3 complete winters have both, or fewer than 30 frost days.

    Notes
    -----
    On frost days of the cold months: soil - m = shift + spell (a - m) - day r/2, least squares, with the
    air's mean a, daily range r, and running mean m over the days before, whose length is the one with the
    smallest residuals. The standard errors treat days as independent and are too small. Minima are then
    lined up: their mean, and from 5 winters on their spread (sd matched to sd, which keeps extremes as wide
    as measured).
    """
    frames = {site: daily(days, rules) for site, days in weather.groupby("site")}
    frames = {site: days for site, days in frames.items() if days["soil"].notna().any()}
    if not frames:
        return None
    window = min(WINDOWS_D, key=lambda w: _day_fit(frames.values(), w)[2])
    coefficient, _, spread = _day_fit(frames.values(), window)
    both = _both(frames, window, coefficient, rules)
    if len(both) < MIN_CALIBRATION_WINTERS or not np.isfinite(spread):
        return None
    several = len(frames) > 1
    fit = _calibrated(frames, window, both, BORROWED if several else OWN)
    error = _left_out_error(frames, window, both, rules, "site" if several else "winter")
    return Damping(**{**vars(fit), "error_c": error})


def daily(days, rules):
    """One site's days in order without holes: air mean, half range, soil, winter, whether in cold months."""
    days = days.set_index("date").sort_index().asfreq("D")
    days = days.reindex(columns=[MIN_C, MAX_C, SOIL_C])
    month, year = days.index.month, days.index.year
    return pd.DataFrame(
        {
            "low": days[MIN_C],
            "air": (days[MIN_C] + days[MAX_C]) / 2,
            "half": (days[MAX_C] - days[MIN_C]) / 2,
            "soil": days[SOIL_C],
            "winter": year - (month < 7),
            "is_cold": (month >= rules.first_month) | (month <= rules.last_month),
        },
        index=days.index,
    )


def _running_mean(series, window):
    """Mean over the days before and with a day; up to a fifth of them may be missing."""
    return series.rolling(window, min_periods=int(np.ceil(0.8 * window))).mean()


def _day_fit(frames, window):
    """Coefficients (shift, spell, day), their standard errors and the residual sd [°C]."""
    rows = []
    for days in frames:
        mean = _running_mean(days["air"], window)
        table = np.c_[np.ones(len(days)), days["air"] - mean, -days["half"], days["soil"] - mean]
        rows.append(table[(days["is_cold"] & (days["low"] < 0)).to_numpy()])
    table = np.concatenate(rows)
    table = table[~np.isnan(table).any(axis=1)]
    if len(table) < MIN_CALIBRATION_DAYS:
        return np.zeros(3), np.full(3, np.nan), np.inf
    x, y = table[:, :3], table[:, 3]
    inverse = np.linalg.pinv(x.T @ x)
    coefficient = inverse @ x.T @ y
    sd = np.sqrt(((y - x @ coefficient) ** 2).sum() / (len(y) - 3))
    return coefficient, sd * np.sqrt(np.diag(inverse)), sd


def soil_from_air(days, window, shift, spell, day):
    """Soil's daily minimum at 5 cm from the days of :func:`daily` [°C]."""
    mean = _running_mean(days["air"], window)
    return mean + shift + spell * (days["air"] - mean) - day * days["half"]


def _both(frames, window, coefficient, rules):
    """Winters with both minima complete: site, winter, air (estimate), soil (measured)."""
    parts = []
    for site, days in frames.items():
        air = cold_minima(soil_from_air(days, window, *coefficient), days, rules)["value"]
        soil = cold_minima(days["soil"], days, rules)["value"]
        parts.append(pd.DataFrame({"winter": air.index, "site": site, "air": air, "soil": soil}))
    return pd.concat(parts, ignore_index=True).dropna()


def cold_minima(series, days, rules):
    """Lowest value of each winter's cold months, its day and the number of days missing."""
    cold = days["is_cold"]
    winters = sorted(set(days.loc[cold, "winter"]))
    rows = []
    for winter in winters:
        first, last = _cold_span(winter, rules)
        values = series[(days["winter"] == winter) & cold].dropna()
        n_days = (last - first).days + 1
        is_good = n_days - len(values) <= rules.max_missing_days and len(values) > 0
        lowest = (values.min(), values.idxmin()) if is_good else (np.nan, pd.NaT)
        rows.append((n_days, n_days - len(values), *lowest))
    return pd.DataFrame(rows, index=winters, columns=["n_days", "n_missing", "value", "on"])


def _cold_span(winter, rules):
    after = pd.Timestamp(winter + 1, rules.last_month, 1) + pd.offsets.MonthEnd(0)
    return pd.Timestamp(winter, rules.first_month, 1), after


def _calibrated(frames, window, both, kind):
    coefficient, error, _ = _day_fit(frames.values(), window)
    mean, sd = both[["air", "soil"]].mean(), both[["air", "soil"]].std()
    has_spread = len(both) >= MIN_SPREAD_WINTERS and sd["air"] > 0
    shift, spell, day = map(float, coefficient)
    return Damping(
        window,
        spell,
        day,
        shift,
        float(error[1]),
        float(error[2]),
        float(mean["air"]),
        float(mean["soil"]),
        float(sd["soil"] / sd["air"]) if has_spread else 1.0,
        n_winters=len(both),
        kind=kind,
    )


def _left_out_error(frames, window, both, rules, unit):
    """Root mean square error of winter minima predicted by a fit that did not see their winter (or site)."""
    errors = []
    for left in both[unit].unique():
        if unit == "site":
            rest, own = {s: d for s, d in frames.items() if s != left}, {left: frames[left]}
        else:
            rest, own = {s: d[d["winter"] != left] for s, d in frames.items()}, frames
        fit = _calibrated(rest, window, both[both[unit] != left], "")
        held = _both(own, window, (fit.shift_c, fit.spell, fit.day), rules)
        held = held[held[unit] == left]
        errors.extend(fit.lined_up(held["air"]) - held["soil"])
    return float(np.sqrt(np.mean(np.square(errors))))


def site_damping(weather, rules=WinterRules(), borrowed=None):
    """The damping that is used for one site: its own, else a borrowed one, else the formula's."""
    return fit_damping(weather, rules) or borrowed or formula_damping(rules)


def at_depth(soil, depth_cm, damping, rules):
    """Soil temperature at a depth from that at 5 cm [°C]: its running mean, and deviations damped further."""
    if depth_cm == PROBE_DEPTH_CM:
        return soil
    mean = _running_mean(soil, damping.window_days)
    return mean + damped(depth_cm, rules.spell_days, rules.diffusivity_mm2_s, PROBE_DEPTH_CM) * (
        soil - mean
    )
