"""A board whose buses carry the frames that the real parts send."""

import world

_CRC8 = []
for _value in range(256):
    for _ in range(8):
        _value = (_value << 1) ^ 0x131 if _value & 0x80 else _value << 1
    _CRC8.append(_value & 0xFF)


def _word(raw):
    crc = 0xFF
    for byte in (raw >> 8, raw & 0xFF):
        crc = _CRC8[crc ^ byte]
    return bytes((raw >> 8, raw & 0xFF, crc))


class Pin:
    IN, OUT, PULL_UP = 0, 1, 2

    def __init__(self, number, mode=None, pull=None):
        self.number = number

    def value(self, level=None):
        if self.number == 30:  # the scale's clock
            return scale.clock(level)
        if self.number == 31:  # and its data
            return scale.data()
        if self.number == 25 and level is not None:
            world.lamp = level
        if self.number == 26:  # the heater's contact, closed to ground while it burns
            return 0 if world.during("heater_on") else 1
        return 1


class _Scale:
    """An HX711 with 2,000 counts a kilogram, empty at 5,000."""

    def __init__(self):
        self._bits, self._out = 0, 0

    def clock(self, level):
        if level:
            raw = (5000 + 2000 * 11) & 0xFFFFFF
            self._out = raw >> (23 - self._bits) & 1 if self._bits < 24 else 1
            self._bits = (self._bits + 1) % 25
        return None

    def data(self):
        if world.during("scale_absent"):
            return 1
        return self._out if self._bits else 0


scale = _Scale()


class I2C:
    def __init__(self, bus, scl=None, sda=None, freq=0):
        self._asked = None

    def writeto(self, address, data):
        if world.during("air_absent"):
            raise OSError(19)
        if data[0] == 0x39:
            world.heat_pulses += 1
        self._asked = data[0]

    def readfrom(self, address, count):
        if world.during("air_absent") or self._asked not in (0xFD, 0x39):
            raise OSError(19)
        humidity = 10600 if world.during("wet") else world.humidity_hundredths()
        raw_t = (world.air_hundredths() + 4500) * 65535 // 17500
        frame = _word(raw_t) + _word(min((humidity + 600) * 65535 // 12500, 65535))
        if world.during("air_garbled"):
            frame = frame[:2] + bytes((frame[2] ^ 1,)) + frame[3:]
        return frame


class WDT:
    def __init__(self, timeout):
        self.timeout = timeout
        self._fed_ms = world.up_ms

    def feed(self):
        assert world.up_ms - self._fed_ms < self.timeout, "the watchdog would have bitten"
        self._fed_ms = world.up_ms
        world.fed += 1


class RTC:
    _set = None

    def datetime(self, moment=None):
        import timekeeper

        if moment is not None:
            RTC._set = timekeeper.epoch_s(*moment[0:3], *moment[4:7]) * 1000 - world.up_ms
            return None
        if RTC._set is None:
            return (2000, 1, 1, 5, 0, 0, world.up_ms // 1000 % 60, 0)
        year, month, day, *rest = timekeeper.date_of((RTC._set + world.up_ms) // 1000)
        return (year, month, day, 0) + tuple(rest) + (0,)


class DeepSleep(Exception):
    pass


def deepsleep(span_ms):
    world.up_ms += span_ms
    raise DeepSleep
