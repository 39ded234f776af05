"""Fixed points for `layday salt`: from values given, from the store, or from a sensor as it comes to rest."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import hypot

from collector.clock import Clock
from collector.domain import Quantity
from collector.errors import InputError
from collector.store.base import Store
from forecast.salt import (
    ICE_C,
    ICE_UNCERTAINTY_K,
    SALTS,
    Amount,
    Point,
    Settling,
    is_too_far,
    salt_humidity_pct,
    salt_uncertainty_pct,
    settling,
)

ICE = "ice"
_LOOK_BACK = timedelta(hours=2)
_LOOK_EVERY = timedelta(seconds=15)
_INSTANT = timedelta(microseconds=1)
_ASKED = re.compile(r"(?P<name>[a-z0-9]+)(?:=(?P<value>-?\d+(?:[.,]\d+)?))?(?:@(?P<time>.+))?", re.IGNORECASE)

Moment = Callable[[str], datetime]
Say = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Asked:
    """One point as asked for: the salt (or ``ice``), and a value, a time, or neither (wait for rest)."""

    name: str
    measured: Amount | None = None
    at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Found:
    """One point as found: at which temperature [°C], and what is true and measured there."""

    name: str
    temp_c: float
    point: Point


def read_asked(text: str, quantity: Quantity, moment: Moment) -> Asked:
    """Read ``nacl``, ``nacl=72.4`` or ``nacl@21:40``.

    Raises
    ------
    InputError
        If it is none of these, or the point does not suit the quantity.
    """
    match = _ASKED.fullmatch(text.strip())
    points = tuple(SALTS) if quantity.unit == "%" else (ICE,)
    name = match["name"].lower() if match else ""
    if match is None or name not in points or (match["value"] and match["time"]):
        raise InputError(
            f"--point {text}: write one of {', '.join(points)} (for {quantity.words}), alone, with its "
            f"reading, as in {points[0]}=1.5, or with a time, as in {points[0]}@21:40"
        )
    value = float(match["value"].replace(",", ".")) if match["value"] else None
    return Asked(name, value, moment(match["time"]) if match["time"] else None)


class Bench:
    """A sensor on the bench: takes its points from a store, the readings as measured.

    `temp_c` is the slurry's temperature; None takes it from the air sensor of the same place.
    """

    def __init__(self, store: Store | None, sensor: str, quantity: Quantity, temp_c: float | None) -> None:
        self._store = store
        self._sensor = sensor
        self._quantity = quantity
        self._temp_c = temp_c

    def find(
        self, asked: Asked, clock: Clock, wait: timedelta, say: Say, pause: Callable[[float], None]
    ) -> Found:
        """Return a point, waiting for the sensor to come to rest where neither value nor time is given.

        Raises
        ------
        InputError
            If there are no readings, it has not come to rest, or it is so far off that the point is in doubt.
        """
        if asked.measured is not None:
            return self._point(asked, asked.measured, 0.0, clock.now())
        if asked.at is not None:
            found = self._rest(asked.at)
            if found is None or not found.is_settled:
                raise InputError(f"{self._sensor}: {self._why(found)} at that time; give a later one")
            return self._point(asked, found.mean, found.spread / 2, asked.at)
        began_at = clock.now()
        while True:
            now = clock.now()
            found = self._rest(now, since=began_at)
            if found is not None and found.is_settled:
                return self._point(asked, found.mean, found.spread / 2, now)
            say(self._why(found))
            if now - began_at >= wait:
                raise InputError(f"{self._sensor}: {self._why(found)} after {wait}; leave it longer (--wait)")
            pause(clock.real_seconds(_LOOK_EVERY))

    def _rest(self, at: datetime, since: datetime | None = None) -> Settling | None:
        start = at - _LOOK_BACK if since is None else since
        samples = self._need_store().window(self._sensor, start, at + _INSTANT)
        return settling(samples.times_us, samples.values, self._quantity.unit)

    def _why(self, found: Settling | None) -> str:
        if found is None:
            return "too few readings to tell whether it is at rest"
        unit = self._quantity.unit
        return f"reads {found.mean:.2f} {unit}, moving by {found.drift_per_h:+.1f} {unit} an hour"

    def _point(self, asked: Asked, measured: float, spread: float, at: datetime) -> Found:
        if asked.name == ICE:
            temp_c, true, unsure = ICE_C, ICE_C, ICE_UNCERTAINTY_K
        else:
            temp_c = self._slurry_c(at)
            try:
                true = salt_humidity_pct(asked.name, temp_c)
                unsure = salt_uncertainty_pct(asked.name, temp_c)
            except ValueError as error:
                raise InputError(f"{asked.name}: {error}") from error
        point = Point(true, measured, hypot(unsure, spread))
        if is_too_far(self._quantity.unit, point):
            raise InputError(
                f"{self._sensor}: reads {measured:g} {self._quantity.unit} where {asked.name} makes "
                f"{true:.1f}: the slurry is not that salt, or dry, or the sensor is broken"
            )
        return Found(asked.name, temp_c, point)

    def _slurry_c(self, at: datetime) -> float:
        if self._temp_c is not None:
            return self._temp_c
        beside = f"{self._sensor.rpartition('.')[0]}.air_c"
        found = self._store.latest(at, _LOOK_BACK).get(beside) if self._store else None
        if found is None:
            raise InputError(
                f"no reading of {beside} tells how warm the slurry is; give --temp, as in --temp 20"
            )
        return found.value

    def _need_store(self) -> Store:
        if self._store is None:
            raise InputError(
                "there is no store to take readings from; give the values, as in --point nacl=72.4"
            )
        return self._store
