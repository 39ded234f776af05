"""DS18B20 part probes over 1-wire, as whole hundredths. Stock drivers take an all-zero scratchpad for 0.0 °C."""

import time

_CONVERT, _READ, _SKIP = 0x44, 0xBE, 0xCC
_CONVERT_MS = 750
_POWER_ON = 0x0550  # 85 °C: what it says when nothing was measured since power came
_FAMILY = 0x28
_TRIES = 3


class ProbeError(Exception):
    """The probe did not answer, or not with what it measured."""


def hundredths(scratchpad, crc8):
    """Return the temperature of a nine-byte scratchpad in 0.01 °C.

    Raises ProbeError for a wrong checksum, for all zeros (whose checksum is right: a shorted bus),
    and for the power-on value.
    """
    if len(scratchpad) != 9 or crc8(scratchpad):
        raise ProbeError("checksum")
    if scratchpad[4] & 0x1F != 0x1F:
        raise ProbeError("all zero: is the bus shorted?")  # the register's low bits are always ones
    raw = scratchpad[1] << 8 | scratchpad[0]
    if raw == _POWER_ON:
        raise ProbeError("85 degrees: the probe lost its power")
    if raw & 0x8000:
        raw -= 0x10000
    return (raw * 25 + 2) // 4


class Probes:
    """All probes of one bus; `bus` is a stock onewire.OneWire."""

    def __init__(self, bus, sleep_ms=None):
        self._bus, self._sleep_ms = bus, sleep_ms or time.sleep_ms

    def scan(self):
        """Return the probes' addresses, in order."""
        return sorted(bytes(rom) for rom in self._bus.scan() if rom[0] == _FAMILY)

    def convert(self):
        """Let all probes measure, and wait for them."""
        if self._bus.reset():
            self._bus.writebyte(_SKIP)
            self._bus.writebyte(_CONVERT)
            self._sleep_ms(_CONVERT_MS)

    def read(self, rom):
        """Return one probe's temperature in 0.01 °C; tries three times. Raises ProbeError."""
        for left in range(_TRIES - 1, -1, -1):
            try:
                if not self._bus.reset():
                    raise ProbeError("nobody on the bus")
                self._bus.select_rom(rom)
                self._bus.writebyte(_READ)
                return hundredths(bytes(self._bus.readbyte() for _ in range(9)), self._bus.crc8)
            except ProbeError:
                if not left:
                    raise
