"""Invented weather: a function of seed and time alone, so that a past and a present with one seed join up.

Temperature, moisture, cloud and wind are autoregressive processes (second order for what changes smoothly)
written as finite sums over seeded hourly noise, on top of season and time of day. Sunshine is a clear sky by
latitude and day, dimmed by cloud.
"""

import math
from collections.abc import Callable
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hardware.tent import moist
from hardware.tent.parameters import Climate

DAY_S = 86_400
_Floats = NDArray[np.float64]
_MEMORY_DAYS = 12
_GRID_S = 600
_DAWN_H, _PEAK_H = 5.5, 14.5
_COLDEST_DAY = 25.0
_HORIZON = 1e-3  # sine of the elevation below which there is no sun


class Outdoor(NamedTuple):
    """The weather at one moment; `cloud_share` runs from 0 (clear) to 1, `ground_c` is the deep soil."""

    air_c: float
    humidity_pct: float
    vapour_kg_m3: float
    sun_w_m2: float
    wind_m_s: float
    cloud_share: float
    ground_c: float


Weather = Callable[[float], Outdoor]
"""The weather by seconds since 1970."""


def steady(air_c: float, humidity_pct: float, sun_w_m2: float = 0.0, wind_m_s: float = 0.0) -> Weather:
    """Return weather that never changes, under an overcast sky, over ground as warm as the air (for tests).

    >>> steady(10.0, 50.0)(0.0).air_c
    10.0
    """
    vapour_kg_m3 = moist.saturation_kg_m3(air_c) * humidity_pct / 100.0
    always = Outdoor(air_c, humidity_pct, vapour_kg_m3, sun_w_m2, wind_m_s, 1.0, air_c)
    return lambda _t_s: always


def generated(climate: Climate, seed: int) -> Weather:
    """Return the weather of `climate` and `seed`.

    >>> generated(Climate(), 1)(1.79e9) == generated(Climate(), 1)(1.79e9)
    True
    """

    @lru_cache(maxsize=4)
    def day_rows(day: int) -> list[Outdoor]:
        return _day(climate, seed, day)

    def weather(t_s: float) -> Outdoor:
        day, into_s = divmod(t_s, DAY_S)
        rows = day_rows(int(day))
        i, rest_s = divmod(into_s, _GRID_S)
        low, high, w = rows[int(i)], rows[int(i) + 1], rest_s / _GRID_S
        return Outdoor(*[a + w * (b - a) for a, b in zip(low, high, strict=True)])

    return weather


@lru_cache(maxsize=1024)
def _noise(seed: int, stream: int, day: int) -> _Floats:
    return np.random.default_rng([seed, stream, day]).standard_normal(24)


@lru_cache(maxsize=16)
def _kernel(memory_h: float, order: int) -> _Floats:
    lag_h = np.arange(_MEMORY_DAYS * 24, dtype=np.float64)
    weight = (1.0 + lag_h) ** (order - 1) * np.exp(-lag_h / memory_h)
    return np.asarray(weight / np.sqrt(np.sum(weight**2)), dtype=np.float64)


def _process(seed: int, stream: int, day: int, memory_h: float, order: int) -> _Floats:
    """Return an autoregressive process of unit variance on the day's grid, 24:00 included."""
    noise = np.concatenate([_noise(seed, stream, d) for d in range(day - _MEMORY_DAYS, day + 2)])
    hourly = np.convolve(noise, _kernel(memory_h, order), mode="valid")[:26]
    # the first full window ends one hour before midnight
    hours = np.arange(0, DAY_S + 1, _GRID_S) / 3600.0
    return np.asarray(np.interp(hours, np.arange(25.0), hourly[1:26]), dtype=np.float64)


def _day(climate: Climate, seed: int, day: int) -> list[Outdoor]:
    """Return a day's weather every ten minutes, both midnights included."""
    into_s = np.arange(0, DAY_S + 1, _GRID_S, dtype=np.float64)
    day_of_year = (day + into_s / DAY_S) % 365.25
    season = np.cos(2.0 * math.pi * (day_of_year - _COLDEST_DAY) / 365.25)
    cloud = 1.0 / (1.0 + np.exp(-(0.5 + 2.4 * _process(seed, 1, day, 7.0, 2))))
    overcast = 1.0 / (1.0 + np.exp(-(0.5 + 1.8 * _process(seed, 1, day, 20.0, 2))))
    swing_k = climate.day_swing_k * (1.25 - overcast) * (1.0 - 0.45 * season)
    solar_h = _solar_hour(climate, day_of_year, into_s)
    base_c = climate.mean_c - climate.season_k * season + climate.synoptic_k * _process(seed, 2, day, 16.0, 2)
    air_c = base_c + swing_k * _day_shape(solar_h)
    drier = np.exp(0.55 * _process(seed, 3, day, 14.0, 2) + 0.5 * (0.6 - overcast))
    dew_c = np.minimum(base_c - climate.dew_depression_k * drier, air_c - 0.15)
    gust = np.exp(0.5 * _process(seed, 4, day, 8.0, 2) + 0.12 * _process(seed, 5, day, 1.0, 1))
    wind_m_s = climate.wind_m_s * gust * (0.85 + 0.25 * _day_shape(solar_h))
    clear_w_m2 = _clear_sky_w_m2(_sin_elevation(climate, day_of_year, solar_h))
    sun_w_m2 = clear_w_m2 * (1.0 - 0.75 * cloud**3.4)  # Kasten and Czeplak 1980 (from memory)
    ground_c = climate.mean_c - 0.5 * climate.season_k * np.cos(
        2.0 * math.pi * (day_of_year - _COLDEST_DAY - 40.0) / 365.25
    )
    return [
        _outdoor(*row)
        for row in np.stack([air_c, dew_c, sun_w_m2, wind_m_s, cloud, ground_c], axis=1).tolist()
    ]


def _outdoor(
    air_c: float, dew_c: float, sun_w_m2: float, wind_m_s: float, cloud: float, soil_c: float
) -> Outdoor:
    humidity_pct = 100.0 * moist.saturation_hpa(dew_c) / moist.saturation_hpa(air_c)
    vapour_kg_m3 = moist.saturation_kg_m3(air_c) * humidity_pct / 100.0
    return Outdoor(air_c, humidity_pct, vapour_kg_m3, sun_w_m2, wind_m_s, cloud, soil_c)


def _day_shape(solar_h: _Floats) -> _Floats:
    """Return -1 at dawn, +1 in mid-afternoon: a quick rise and a slow fall."""
    since_dawn_h = (solar_h - _DAWN_H) % 24.0
    rise_h = _PEAK_H - _DAWN_H
    rising = -np.cos(math.pi * since_dawn_h / rise_h)
    falling = np.cos(math.pi * (since_dawn_h - rise_h) / (24.0 - rise_h))
    return np.where(since_dawn_h < rise_h, rising, falling)


def _solar_hour(climate: Climate, day_of_year: _Floats, into_s: _Floats) -> _Floats:
    """Return true solar time [h], with the equation of time after Spencer 1971."""
    angle = 2.0 * math.pi * (day_of_year - 1.0) / 365.25
    late_min = 229.18 * (
        0.000075 + 0.001868 * np.cos(angle) - 0.032077 * np.sin(angle)
        - 0.014615 * np.cos(2 * angle) - 0.040849 * np.sin(2 * angle)
    )  # fmt: skip
    return np.asarray((into_s / 3600.0 + climate.longitude_deg / 15.0 + late_min / 60.0) % 24.0)


def _sin_elevation(climate: Climate, day_of_year: _Floats, solar_h: _Floats) -> _Floats:
    """Return the sine of the sun's elevation, with Cooper's 1969 declination."""
    declination = np.radians(23.45) * np.sin(2.0 * math.pi * (284.0 + day_of_year) / 365.0)
    latitude = math.radians(climate.latitude_deg)
    hour_angle = (solar_h - 12.0) * math.pi / 12.0
    return np.asarray(
        math.sin(latitude) * np.sin(declination)
        + math.cos(latitude) * np.cos(declination) * np.cos(hour_angle)
    )


def _clear_sky_w_m2(sin_elevation: _Floats) -> _Floats:
    """Return clear-sky sunshine on a level surface: Haurwitz 1945, J. Meteorology 2, 154."""
    up = np.maximum(sin_elevation, _HORIZON)
    return np.where(sin_elevation > _HORIZON, 1098.0 * up * np.exp(-0.059 / up), 0.0)
