"""What each weather service writes, as points in our own units. Pure; called by `forecast.weather`."""

import re
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from collector.clock import to_us
from collector.domain import QUANTITIES
from collector.errors import InputError
from collector.sensor_units import converter
from forecast.past import Array, Times

_HOUR_US = 3_600_000_000
_LONGEST_RUN_H = 24 * 16
_DURATION = re.compile(r"P(?:(\d+)D)?(?:T(?:(\d+)H)?(?:(\d+)M)?)?")
_NUMBER = re.compile(r"\d+(?:\.\d+)?")
# The services' spellings of units, as ours (`collector.sensor_units.converter`); "" is the quantity's own.
_UNITS = {
    "degC": "C", "degF": "F", "C": "C", "F": "F", "°C": "C", "°F": "F", "celsius": "C", "fahrenheit": "F",
    "percent": "%", "%": "%", "km_h-1": "km/h", "km/h": "km/h", "m_s-1": "m/s", "m/s": "m/s",
    "mph": "mph", "mp/h": "mph", "kn": "kt", "kt": "kt", "W/m²": "",
}  # fmt: skip
_MET_NORWAY = {
    "air_temperature": "air_c",
    "dew_point_temperature": "dew_point_c",
    "relative_humidity": "humidity_pct",
    "cloud_area_fraction": "cloud_pct",
    "wind_speed": "wind_m_s",
}
_GRID = {
    "temperature": "air_c",
    "dewpoint": "dew_point_c",
    "relativeHumidity": "humidity_pct",
    "skyCover": "cloud_pct",
    "windSpeed": "wind_m_s",
}
_OPEN_METEO = {
    "temperature_2m": "air_c",
    "dew_point_2m": "dew_point_c",
    "dewpoint_2m": "dew_point_c",
    "relative_humidity_2m": "humidity_pct",
    "relativehumidity_2m": "humidity_pct",
    "cloud_cover": "cloud_pct",
    "cloudcover": "cloud_pct",
    "wind_speed_10m": "wind_m_s",
    "windspeed_10m": "wind_m_s",
    "shortwave_radiation": "sun_w_m2",
}
# Middle of each class of sky cover in eighths: clear 0, few 1-2, scattered 3-4, broken 5-7, overcast 8
# (WMO 306, aerodrome reports), as the icons of api.weather.gov name them.
_ICON_CLOUD_PCT = {"skc": 0.0, "few": 18.75, "sct": 43.75, "bkn": 75.0, "ovc": 100.0}


@dataclass(frozen=True, slots=True)
class Points:
    """What a response says: per quantity rising times and values, unequally far apart."""

    service: str
    issued_at: datetime | None
    place: tuple[float, float] | None
    series: Mapping[str, tuple[Times, Array]]


class _Gathering:
    """Points as they are found, quantity by quantity."""

    def __init__(self) -> None:
        self._found: dict[str, dict[int, float]] = defaultdict(dict)

    def add(self, quantity: str, at_us: int, value: object, unit: str | None) -> None:
        """Take one value; one that is missing or no number is left out."""
        if isinstance(value, bool) or not isinstance(value, int | float) or not np.isfinite(value):
            return
        self._found[quantity][at_us] = _converted(quantity, float(value), unit)

    def series(self) -> dict[str, tuple[Times, Array]]:
        """Return all of it, each quantity in order of time."""
        found = {}
        for name, values in self._found.items():
            times = np.array(sorted(values), dtype=np.int64)
            found[name] = times, np.array([values[int(at)] for at in times])
        return found


def _converted(quantity: str, value: float, unit: str | None) -> float:
    """Bring a value to the quantity's own unit; a unit that is not known is an error, never a guess."""
    if unit is None:
        return value
    name = unit.rpartition(":")[2].strip()
    if name not in _UNITS:
        raise ValueError(f"{quantity} is in {unit!r}, a unit that layday does not know")
    return converter(_UNITS[name], QUANTITIES[quantity])(value)


def _aware(text: str) -> datetime:
    at = datetime.fromisoformat(text)
    if at.tzinfo is None:
        raise ValueError(f"the time {text!r} has no offset from UTC")
    return at.astimezone(UTC)


def _optional_time(text: object) -> datetime | None:
    return _aware(text) if isinstance(text, str) else None


def met_norway(document: Mapping[str, Any]) -> Points:
    """Read locationforecast 2.0 (compact or complete): hourly for about 56 h, then six-hourly."""
    inner = document["properties"]
    meta = inner.get("meta", {})
    units = meta.get("units", {})
    found = _Gathering()
    for step in inner["timeseries"]:
        at_us = to_us(_aware(step["time"]))
        details = step["data"]["instant"]["details"]
        for theirs, ours in _MET_NORWAY.items():
            found.add(ours, at_us, details.get(theirs), units.get(theirs))
    place = _point_of(document)
    return Points("MET Norway", _optional_time(meta.get("updated_at")), place, found.series())


def _point_of(document: Mapping[str, Any]) -> tuple[float, float] | None:
    """Return (latitude, longitude) of a GeoJSON point; None for any other shape."""
    geometry = document.get("geometry") or {}
    if geometry.get("type") != "Point":
        return None
    longitude, latitude = geometry["coordinates"][:2]
    return float(latitude), float(longitude)


def weather_gov_grid(document: Mapping[str, Any]) -> Points:
    """Read the raw grid of api.weather.gov: runs of hours (``…/PT5H``), null where nothing is known."""
    inner = document["properties"]
    found = _Gathering()
    for theirs, ours in _GRID.items():
        layer = inner.get(theirs) or {}
        unit = layer.get("uom") or layer.get("unitCode")
        for run in layer.get("values", ()):
            start, hours = _run(run["validTime"])
            for hour in range(hours):
                found.add(ours, to_us(start) + hour * _HOUR_US, run["value"], unit)
    issued_at = _optional_time(inner.get("updateTime"))
    return Points("api.weather.gov", issued_at, _corner_mean(document), found.series())


def _run(text: str) -> tuple[datetime, int]:
    """Return where a run begins and how many whole hours it lasts, at least one."""
    start, _, length = text.partition("/")
    match = _DURATION.fullmatch(length)
    if not match:
        raise ValueError(f"the span {text!r} is no ISO 8601 duration")
    days, hours, minutes = (int(part or 0) for part in match.groups())
    whole = timedelta(days=days, hours=hours, minutes=minutes) // timedelta(hours=1)
    return _aware(start), min(max(1, whole), _LONGEST_RUN_H)


def _corner_mean(document: Mapping[str, Any]) -> tuple[float, float] | None:
    """Return about the middle of a grid cell: it is 2.5 km wide, which the sun does not notice."""
    geometry = document.get("geometry") or {}
    shapes = geometry.get("geometries", [geometry])
    for shape in shapes:
        if shape.get("type") == "Point":
            return float(shape["coordinates"][1]), float(shape["coordinates"][0])
        if shape.get("type") == "Polygon":
            corners = np.array(shape["coordinates"][0][:-1], dtype=np.float64)
            return float(corners[:, 1].mean()), float(corners[:, 0].mean())
    return None


def weather_gov_hourly(document: Mapping[str, Any]) -> Points:
    """Read the hourly periods of api.weather.gov: whole °F or °C, "5 to 10 mph", cloud as an icon."""
    inner = document["properties"]
    found = _Gathering()
    for period in inner["periods"]:
        if not isinstance(period.get("startTime"), str):
            continue
        at_us = to_us(_aware(period["startTime"]))
        for theirs, ours in (("dewpoint", "dew_point_c"), ("relativeHumidity", "humidity_pct")):
            value, unit = _valued(period.get(theirs))
            found.add(ours, at_us, value, unit)
        air, unit = _valued(period.get("temperature"))
        found.add("air_c", at_us, air, unit or period.get("temperatureUnit"))
        found.add("wind_m_s", at_us, *_wind(period.get("windSpeed")))
        found.add("cloud_pct", at_us, _icon_cloud_pct(period.get("icon")), None)
    issued_at = _optional_time(inner.get("updateTime"))
    return Points("api.weather.gov", issued_at, _corner_mean(document), found.series())


def _valued(given: object) -> tuple[object, str | None]:
    """Return value and unit of a bare number, or of a number with its unit beside it."""
    if isinstance(given, Mapping):
        return given.get("value"), given.get("unitCode")
    return given, None


def _wind(given: object) -> tuple[object, str | None]:
    """Return the middle of "5 to 10 mph", and its unit."""
    if not isinstance(given, str):
        return _valued(given)
    numbers = [float(number) for number in _NUMBER.findall(given)]
    return (sum(numbers) / len(numbers), given.split()[-1]) if numbers else (None, None)


def _icon_cloud_pct(icon: object) -> float | None:
    """Return the sky cover that an icon's address names; None for rain, snow and the like."""
    if not isinstance(icon, str):
        return None
    words = re.split(r"[/?,_]", icon.partition("?")[0])
    return next((_ICON_CLOUD_PCT[word] for word in words if word in _ICON_CLOUD_PCT), None)


def open_meteo(document: Mapping[str, Any]) -> Points:
    """Read Open-Meteo: local times, one offset (also across a clock change), any units asked for."""
    hourly, units = document["hourly"], document.get("hourly_units", {})
    times_us = _open_meteo_times(hourly["time"], document.get("utc_offset_seconds"))
    found = _Gathering()
    for theirs, ours in _OPEN_METEO.items():
        # Radiation is the mean of the hour before: it belongs to that hour's middle.
        back_us = _HOUR_US // 2 if ours == "sun_w_m2" else 0
        for at_us, value in zip(times_us, hourly.get(theirs, ()), strict=False):
            found.add(ours, at_us - back_us, value, units.get(theirs))
    place = (float(document["latitude"]), float(document["longitude"])) if "latitude" in document else None
    return Points("Open-Meteo", None, place, found.series())


def _open_meteo_times(given: Sequence[object], offset_s: object) -> list[int]:
    times = []
    for text in given:
        if isinstance(text, int):
            times.append(text * 1_000_000)
            continue
        at = datetime.fromisoformat(str(text))
        if at.tzinfo is not None:
            times.append(to_us(at))
            continue
        if not isinstance(offset_s, int | float):
            raise InputError(
                "Open-Meteo: local times, and no utc_offset_seconds: ask for timeformat=unixtime"
            )
        times.append(to_us(at.replace(tzinfo=UTC) - timedelta(seconds=float(offset_s))))
    return times
