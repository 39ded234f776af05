"""SHT4x: air and humidity over I2C, as whole hundredths. Each word's CRC is checked."""

import time

ADDRESS = 0x44
_MEASURE, _HEAT, _RESET = 0xFD, 0x39, 0x94  # high repeatability; 200 mW for 1 s, then measure; soft reset
_MEASURE_MS, _HEAT_MS = 10, 1110
_TRIES = 3


class SensorError(Exception):
    """The sensor did not answer, or not with a whole frame."""


def crc8(data):
    """Return the checksum of a word: polynomial 0x31, start 0xFF (datasheet: 0xBEEF gives 0x92)."""
    crc = 0xFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1) ^ 0x31 if crc & 0x80 else crc << 1
        crc &= 0xFF
    return crc


def hundredths(frame):
    """Return (air, humidity) of a six-byte frame in 0.01 °C and 0.01 %.

    Datasheet: -45 + 175 raw / 65535 and -6 + 125 raw / 65535, humidity cut to 0..100 as the maker
    says. Raises SensorError for a wrong checksum.
    """
    if len(frame) != 6 or crc8(frame[0:2]) != frame[2] or crc8(frame[3:5]) != frame[5]:
        raise SensorError("checksum")
    raw_t, raw_h = frame[0] << 8 | frame[1], frame[3] << 8 | frame[4]
    air = -4500 + (17500 * raw_t + 32767) // 65535
    humidity = -600 + (12500 * raw_h + 32767) // 65535
    return air, min(max(humidity, 0), 10000)


class SHT4x:
    """One sensor on a bus with writeto() and readfrom()."""

    def __init__(self, i2c, address=ADDRESS, sleep_ms=None):
        self._i2c, self._address = i2c, address
        self._sleep_ms = sleep_ms or time.sleep_ms

    def read(self):
        """Return (air, humidity) in hundredths; tries three times, resets between. Raises SensorError."""
        for left in range(_TRIES - 1, -1, -1):
            try:
                return self._ask(_MEASURE, _MEASURE_MS)
            except (OSError, SensorError) as error:
                if not left:
                    raise SensorError(str(error))
                self._reset()

    def heat(self):
        """Warm the sensor for a second, so that water on it goes. What it measures then is not the air."""
        try:
            self._ask(_HEAT, _HEAT_MS)
        except OSError as error:
            raise SensorError(str(error))

    def _ask(self, command, wait_ms):
        self._i2c.writeto(self._address, bytes([command]))
        self._sleep_ms(wait_ms)
        return hundredths(self._i2c.readfrom(self._address, 6))

    def _reset(self):
        try:
            self._i2c.writeto(self._address, bytes([_RESET]))
            self._sleep_ms(2)
        except OSError:
            pass  # the next try will say
