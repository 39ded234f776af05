"""Outdoor forecasts: the responses of three public services as one hourly series. Pure.

Understood, told apart by their shape: api.weather.gov (hourly periods, and the raw grid with
its runs of hours), MET Norway locationforecast 2.0 (hourly at first, then six-hourly) and
Open-Meteo (local times without an offset, in the units that were asked for). What a service
does not say is worked out where it can be: dew point and humidity from each other, sun from
a clear sky and cloud.
"""

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from collector.clock import from_us, to_us
from collector.errors import InputError
from forecast.air import dew_point_c, saturation_pressure_pa
from forecast.past import Array, Times
from forecast.sky import clear_sky_w_m2, cloudy_sky_w_m2, sun_height_deg
from forecast.weather_services import Points, met_norway, open_meteo, weather_gov_grid, weather_gov_hourly

SCHEMA = "layday/outdoor/1"
HOUR_US = 3_600_000_000
QUANTITIES = ("air_c", "dew_point_c", "humidity_pct", "cloud_pct", "wind_m_s", "sun_w_m2")
# Six-hourly is the coarsest that a service gives; over anything longer nothing is known.
_LONGEST_GAP_US = 6 * HOUR_US
_POLE_DEG = 90.0
_HALF_TURN_DEG = 180.0
_CAN_BE = {
    "air_c": (-60.0, 60.0),
    "dew_point_c": (-60.0, 60.0),
    "humidity_pct": (0.0, 100.0),
    "cloud_pct": (0.0, 100.0),
    "wind_m_s": (0.0, 75.0),
    "sun_w_m2": (0.0, 1500.0),
}


@dataclass(frozen=True, slots=True)
class Place:
    """Where the shed stands: degrees, north and east positive.

    Raises
    ------
    ValueError
        If it is not on Earth.
    """

    latitude_deg: float
    longitude_deg: float

    def __post_init__(self) -> None:
        if not (abs(self.latitude_deg) <= _POLE_DEG and abs(self.longitude_deg) <= _HALF_TURN_DEG):
            raise ValueError(f"latitude {self.latitude_deg:g}, longitude {self.longitude_deg:g} is nowhere")


@dataclass(frozen=True, slots=True)
class Outdoor:
    """What a service expects outdoors.

    `times_us` (n,) whole hours [microseconds since 1970 UTC]; `columns` maps each of
    `QUANTITIES` to (n,) values in the unit its name ends in, NaN where unknown. `issued_at`
    is when the service made it, None where it does not say.
    """

    service: str
    issued_at: datetime | None
    times_us: Times
    columns: Mapping[str, Array]

    def at(self, quantity: str, times_us: Times) -> Array:
        """Return a quantity at other times, in its own unit; NaN outside and where unknown."""
        return _between(self.times_us, self.columns[quantity], times_us)


def read_weather(text: str, place: Place | None = None) -> Outdoor:
    """Return the outdoor series in a service's JSON response.

    Parameters
    ----------
    text : str
        The response's body.
    place : Place, optional
        For the sun; left out, the response's own coordinates are taken where it has them.

    Raises
    ------
    InputError
        If it is no JSON, no response of a service that is understood, or has no usable hour.
    """
    try:
        document = json.loads(text)
    except ValueError as error:
        raise InputError(f"the weather is no JSON ({error}); was it cut short?") from error
    read = _reader(document)
    try:
        points = read(document)
        where = place or (Place(*points.place) if points.place else None)
    except (KeyError, TypeError, ValueError, AttributeError, IndexError) as error:
        raise InputError(f"the weather cannot be read: {type(error).__name__} {error}") from error
    return _series(points, where)


def grid_address(text: str, home: str = "") -> str:
    """Return where api.weather.gov keeps the raw grid, from its answer about a place.

    `home`, where given, takes the place of the service's own scheme and host.

    Raises
    ------
    InputError
        If the answer names no grid.
    """
    try:
        found = json.loads(text)["properties"]["forecastGridData"]
    except (ValueError, KeyError, TypeError) as error:
        raise InputError(
            f"api.weather.gov names no forecast for this place ({error}); is it in the US?"
        ) from error
    if not isinstance(found, str) or not found.startswith("https://"):
        raise InputError(f"api.weather.gov sends us to {found!r}, which is no address")
    return home.rstrip("/") + "/" + found.split("/", 3)[3] if home else found


def dump_outdoor(outdoor: Outdoor) -> str:
    """Return the series as JSON text, values rounded to what a forecast can know."""
    columns = {
        name: [None if np.isnan(value) else round(float(value), 2) for value in values]
        for name, values in outdoor.columns.items()
    }
    return json.dumps(
        {
            "schema": SCHEMA,
            "service": outdoor.service,
            "issued_us": None if outdoor.issued_at is None else to_us(outdoor.issued_at),
            "times_us": outdoor.times_us.tolist(),
            **columns,
        }
    )


def load_outdoor(text: str) -> Outdoor:
    """Return the series that `dump_outdoor` wrote.

    Raises
    ------
    InputError
        If it is of another kind or version.
    """
    found = json.loads(text)
    if found.get("schema") != SCHEMA:
        raise InputError(f"this is {found.get('schema')!r}, not {SCHEMA!r}")
    issued_us = found["issued_us"]
    columns = {name: np.array(found[name], dtype=np.float64) for name in QUANTITIES}
    issued_at = None if issued_us is None else from_us(issued_us)
    return Outdoor(found["service"], issued_at, np.array(found["times_us"], dtype=np.int64), columns)


def _reader(document: object) -> Callable[[Mapping[str, object]], Points]:
    """Tell the services apart by what only they have."""
    if isinstance(document, Mapping):
        if isinstance(document.get("hourly"), Mapping):
            return open_meteo
        inner = document.get("properties")
        if isinstance(inner, Mapping):
            for key, read in (
                ("timeseries", met_norway),
                ("periods", weather_gov_hourly),
                ("temperature", weather_gov_grid),
            ):
                if key in inner:
                    return read
            if "forecastGridData" in inner:
                raise InputError(
                    f"this only says where the forecast is: fetch {inner['forecastGridData']} instead"
                )
    raise InputError(
        "this is no forecast that layday can read: it knows api.weather.gov (hourly, grid), "
        "MET Norway locationforecast 2.0 and Open-Meteo (hourly)"
    )


def _series(points: Points, place: Place | None) -> Outdoor:
    """Put all quantities on whole hours, and work out what is missing."""
    heard = {name: series for name, series in points.series.items() if len(series[0])}
    if "air_c" not in heard:
        raise InputError(f"{points.service}: no hour with an air temperature in it")
    first = min(int(times[0]) for times, _ in heard.values())
    last = max(int(times[-1]) for times, _ in heard.values())
    hours = np.arange(-(-first // HOUR_US) * HOUR_US, last + 1, HOUR_US, dtype=np.int64)
    if not len(hours):
        raise InputError(f"{points.service}: not one whole hour in it")
    columns = {name: np.full(len(hours), np.nan) for name in QUANTITIES}
    for name, (times, values) in heard.items():
        low, high = _CAN_BE[name]
        possible = np.where((values >= low) & (values <= high), values, np.nan)
        known = np.isfinite(possible)
        columns[name] = _between(times[known], possible[known], hours)
    _moisture(columns)
    if place is not None:
        clear = clear_sky_w_m2(sun_height_deg(hours, place.latitude_deg, place.longitude_deg))
        worked_out = cloudy_sky_w_m2(clear, columns["cloud_pct"])
        columns["sun_w_m2"] = np.where(np.isfinite(columns["sun_w_m2"]), columns["sun_w_m2"], worked_out)
    return Outdoor(points.service, points.issued_at, hours, columns)


def _moisture(columns: dict[str, Array]) -> None:
    """Work out dew point and humidity from each other where only one is known."""
    air, dew, humidity = columns["air_c"], columns["dew_point_c"], columns["humidity_pct"]
    wet = np.isfinite(air) & np.isnan(humidity) & np.isfinite(dew)
    part = saturation_pressure_pa(np.minimum(dew[wet], air[wet])) / saturation_pressure_pa(air[wet])
    humidity[wet] = 100.0 * part
    dry = np.isfinite(air) & np.isfinite(humidity) & np.isnan(dew)
    dew[dry] = dew_point_c(air[dry], np.maximum(humidity[dry], 1.0))


def _between(times_us: Times, values: Array, at_us: Times) -> Array:
    """Interpolate straight between points at most six hours apart; NaN elsewhere."""
    if not len(times_us):
        return np.full(len(at_us), np.nan)
    right = np.clip(np.searchsorted(times_us, at_us), 0, len(times_us) - 1)
    left = np.clip(np.searchsorted(times_us, at_us, side="right") - 1, 0, len(times_us) - 1)
    inside = (at_us >= times_us[0]) & (at_us <= times_us[-1])
    inside &= times_us[right] - times_us[left] <= _LONGEST_GAP_US
    return np.where(inside, np.interp(at_us, times_us, values), np.nan)
