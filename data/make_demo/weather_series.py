"""Invented daily weather: an annual cycle, autocorrelated anomalies, rain, snow and soil."""

import numpy as np
import pandas as pd
from scipy.signal import lfilter

from make_demo.scenario import SITES, WEATHER_END, WEATHER_START, part_rng

COLDEST_DAY = 22
ANOMALY_CARRY = 0.80


def simulate_weather(climate, latitude, rng, start=WEATHER_START, end=WEATHER_END):
    """Draw a daily series for one climate.

    Parameters
    ----------
    climate : make_demo.scenario.Climate
    latitude : float
        Degrees north, for the radiation.
    rng : numpy.random.Generator
    start, end : datetime.date
        First and last day.

    Returns
    -------
    pandas.DataFrame
        ``date`` and the columns of the weather table [units in the names], unrounded.

    Notes
    -----
    The soil at 5 cm follows the air's daily mean through first-order damping
    ``s[t] = s[t-1] + a (air[t] - s[t-1])``. Snow and freezing water slow it (`a` falls),
    which is why a snowy cold spell is milder below ground than a bare one.
    """
    days = pd.date_range(start, end, freq="D")
    warmth = _warmth(days)
    wet = _wet_days(climate, warmth, rng)
    rain = np.where(wet, rng.gamma(0.75, _between(climate.rain_mm, warmth) / 0.75), 0.0)
    rain = np.where(wet, np.maximum(rain, 0.1), 0.0)
    mean = _air_mean(climate, days, warmth, wet, rng)
    spread = _between(climate.daily_range_c, warmth) * np.where(wet, 0.72, 1.12)
    spread = spread * rng.lognormal(0, 0.18, len(days))
    snow = _snow_depth(rain, mean)
    soil = soil_minimum(climate, mean, spread, snow)
    return pd.DataFrame(
        {
            "date": days,
            "air_temperature_min_c": mean - spread / 2,
            "air_temperature_max_c": mean + spread / 2,
            "precipitation_mm": rain,
            "soil_temperature_5cm_min_c": soil,
            "relative_humidity_pct": np.clip(
                climate.humidity_pct - 7 * warmth + 6 * wet + rng.normal(0, 5, len(days)), 25, 100
            ),
            "wind_speed_2m_m_s": climate.wind_m_s
            * (1 - 0.15 * warmth)
            * rng.gamma(6, 1 / 6, len(days)),
            "shortwave_mj_m2": _shortwave(days, latitude, wet, rng),
            "snow_depth_cm": snow,
        }
    )


def winter_minimum(weather):
    """Lowest soil temperature of each winter.

    Parameters
    ----------
    weather : pandas.DataFrame
        ``date`` and ``soil_temperature_5cm_min_c`` [°C].

    Returns
    -------
    pandas.Series
        Minimum over 1 October to 30 April [°C], indexed by ``winter``, the growing season
        that the winter ends (2025 for the winter 2025/26).
    """
    month = weather["date"].dt.month
    inside = (month >= 10) | (month <= 4)
    winter = weather["date"].dt.year - (month <= 4)
    return (
        weather.loc[inside, "soil_temperature_5cm_min_c"]
        .groupby(winter[inside].rename("winter"))
        .min()
        .rename("soil_min_c")
    )


def network_weather(seed):
    """The unrounded series of every demo site: dict of site code to frame."""
    return {
        site.code: simulate_weather(
            site.climate, site.latitude, part_rng(seed, f"weather {site.code}")
        )
        for site in SITES
    }


def _warmth(days):
    """-1 on the coldest day of the year, +1 half a year later."""
    return -np.cos(2 * np.pi * (days.day_of_year.to_numpy() - COLDEST_DAY) / 365.25)


def _between(winter_summer, warmth):
    winter, summer = winter_summer
    return winter + (summer - winter) * (warmth + 1) / 2


def _autocorrelated(n, carry, rng):
    """Stationary first-order series with unit variance."""
    shocks = rng.normal(0, np.sqrt(1 - carry**2), n)
    shocks[0] /= np.sqrt(1 - carry**2)
    return lfilter([1], [1, -carry], shocks)


def _wet_days(climate, warmth, rng):
    """Two-state chain: wet follows wet more often than the long-run share says."""
    share = _between(climate.wet, warmth)
    draw = rng.random(len(warmth))
    wet = np.zeros(len(warmth), dtype=bool)
    for t in range(1, len(wet)):
        persistence = 0.35
        chance = share[t] + persistence * ((1 - share[t]) if wet[t - 1] else -share[t])
        wet[t] = draw[t] < chance
    return wet


def _air_mean(climate, days, warmth, wet, rng):
    anomaly = _autocorrelated(len(days), ANOMALY_CARRY, rng) * _between(climate.anomaly_sd, warmth)
    year = days.year.to_numpy() - (days.month.to_numpy() <= 6)
    shift = rng.normal(0, climate.winter_sd_c, year.max() - year.min() + 1)[year - year.min()]
    # wet winter days are mild, wet summer days cool
    rainy = np.where(wet, -0.9 * warmth, 0.0)
    return (
        climate.mean_c + climate.amplitude_c * warmth + anomaly + shift * (1 - warmth) / 2 + rainy
    )


def _snow_depth(rain, mean):
    depth = np.zeros(len(rain))
    for t in range(1, len(rain)):
        fresh = rain[t] if mean[t] < 0.5 else 0.0
        melt = 1.0 + 1.6 * mean[t] + 0.1 * rain[t] if mean[t] > 0 else 0.0
        depth[t] = max(0.0, depth[t - 1] * 0.96 + fresh - max(melt, 0.0))
    return np.where(depth < 0.5, 0.0, depth)


def soil_minimum(climate, mean, spread, snow):
    soil = np.empty(len(mean))
    soil[0] = mean[0]
    for t in range(1, len(mean)):
        response = climate.soil_response * (0.35 if snow[t] >= 3 else 1.0)
        if soil[t - 1] < 0.5 and mean[t] < 0.5:
            response *= 0.5
        soil[t] = soil[t - 1] + response * (mean[t] - soil[t - 1])
    covered = np.where(snow >= 3, 0.2, 1.0)
    return soil - 0.13 * spread * covered


def radiation_above(day_of_year, latitude):
    """Daily radiation above the air.

    Parameters
    ----------
    day_of_year : array_like
        1–366.
    latitude : float
        Degrees, north positive; not beyond the polar circles.

    Returns
    -------
    numpy.ndarray
        MJ/m² and day.

    References
    ----------
    Allen, Pereira, Raes & Smith 1998, FAO Irrigation and Drainage Paper 56, equations 21 and 23–25.
    """
    day = np.asarray(day_of_year)
    phi = np.radians(latitude)
    tilt = 0.409 * np.sin(2 * np.pi * day / 365 - 1.39)
    sunset = np.arccos(np.clip(-np.tan(phi) * np.tan(tilt), -1, 1))
    distance = 1 + 0.033 * np.cos(2 * np.pi * day / 365)
    return (
        24
        * 60
        / np.pi
        * 0.0820
        * distance
        * (sunset * np.sin(phi) * np.sin(tilt) + np.cos(phi) * np.cos(tilt) * np.sin(sunset))
    )


def _shortwave(days, latitude, wet, rng):
    clear = np.where(wet, rng.beta(2, 4, len(days)), rng.beta(4, 2.2, len(days)))
    return radiation_above(days.day_of_year.to_numpy(), latitude) * (0.22 + 0.53 * clear)
