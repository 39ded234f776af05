"""What makes a calibrated sensor's readings true: a gain and an offset, ``true = gain * measured + offset``.

`collector.calibration` applies it to a store; here it is for one reading, without arrays.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from collector import either
from collector.clock import to_us
from collector.domain import Reading
from collector.either import F

ALWAYS_US = -(2**62)
DRY_PCT, SATURATED_PCT = 0.0, 100.0
_HUMIDITY = "humidity_pct"


@dataclass(frozen=True, slots=True)
class Correction:
    """What makes a sensor's readings from `since` on (None: all of them) true.

    `offset` is in the quantity's unit, `gain` a ratio above 0.
    """

    offset: float = 0.0
    gain: float = 1.0
    since: datetime | None = None


Corrections = Mapping[str, Sequence[Correction]]
"""By sensor; each correction holds until the next one's `since`."""


def since_us(correction: Correction) -> int:
    """Return from when on a correction holds [µs since 1970 UTC]."""
    return ALWAYS_US if correction.since is None else to_us(correction.since)


def is_humidity(sensor: str) -> bool:
    """Say whether a sensor measures humidity, which ends at 0 and at 100 %."""
    return sensor.endswith(f".{_HUMIDITY}")


def true_values(measured: F, gain: F, offset: F, *, humidity: bool) -> F:
    """Return what was truly measured, in the quantity's unit.

    Humidity that comes out beyond 0 or 100 % is told as 0 or 100 %, which is as far as air goes, unless
    it was measured beyond them.

    >>> true_values(98.0, 1.0, 3.0, humidity=True)
    100.0
    """
    true = gain * measured + offset
    if not humidity:
        return true
    within = (measured >= DRY_PCT) & (measured <= SATURATED_PCT)
    return either.where(within, either.between(true, DRY_PCT, SATURATED_PCT), true)


def true_reading(reading: Reading, corrections: Sequence[Correction]) -> Reading:
    """Return a reading as its sensor would have sent it, were it true."""
    at_us = to_us(reading.at)
    holding = [one for one in sorted(corrections, key=since_us) if since_us(one) <= at_us]
    if not holding:
        return reading
    last, humidity = holding[-1], is_humidity(reading.sensor)
    return reading._replace(value=true_values(reading.value, last.gain, last.offset, humidity=humidity))
