"""HX711: the scale under the gas bottle, read bit by bit."""

import time

_READY_MS = 500


class ScaleError(Exception):
    """The scale did not answer."""


class HX711:
    """A load cell; `zero` is what it reads empty, `per_kg` by how much more with a kilogram on it."""

    def __init__(self, clock_pin, data_pin, zero, per_kg, sleep_ms=None):
        self._clock, self._data = clock_pin, data_pin
        self._zero, self._per_kg = zero, per_kg
        self._sleep_ms = sleep_ms or time.sleep_ms
        clock_pin.value(0)

    def read_raw(self):
        """Return the 24-bit reading. Raises ScaleError if none is ready in time, or it is at its end."""
        for _ in range(_READY_MS // 10):
            if not self._data.value():
                break
            self._sleep_ms(10)
        else:
            raise ScaleError("not ready")
        raw = 0
        for _ in range(24):
            self._clock.value(1)
            self._clock.value(0)
            raw = raw << 1 | self._data.value()
        self._clock.value(1)  # the 25th pulse: same channel and gain again
        self._clock.value(0)
        if raw in (0x7FFFFF, 0x800000):
            raise ScaleError("beyond its range")
        return raw - 0x1000000 if raw & 0x800000 else raw

    def read(self):
        """Return the mass in hundredths of a kilogram."""
        return (self.read_raw() - self._zero) * 100 // self._per_kg
