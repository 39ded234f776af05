"""A 1-wire bus with two probes, byte by byte as they answer."""

import world

_CRC8 = []
for _value in range(256):
    for _ in range(8):
        _value = _value >> 1 ^ 0x8C if _value & 1 else _value >> 1
    _CRC8.append(_value)
ROMS = (bytes.fromhex("28aa112233440003"), bytes.fromhex("28bb112233440007"))


class OneWire:
    def __init__(self, pin):
        self._left = []
        self._rom = None

    def reset(self):
        self._left = []
        return not world.during("probe_absent")

    def scan(self):
        return [bytearray(rom) for rom in ROMS]

    def select_rom(self, rom):
        self._rom = bytes(rom)

    def writebyte(self, byte):
        if byte == 0xBE:
            self._left = list(self._scratchpad())

    def readbyte(self):
        return self._left.pop(0) if self._left else 0xFF

    def crc8(self, data):
        crc = 0
        for byte in data:
            crc = _CRC8[crc ^ byte]
        return crc

    def _scratchpad(self):
        if world.during("probe_zero"):
            return bytes(9)
        raw = world.part_sixteenths() + (32 if self._rom == ROMS[1] else 0)
        if world.during("probe_power_on"):
            raw = 0x0550
        body = bytes((raw & 0xFF, raw >> 8 & 0xFF, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10))
        crc = self.crc8(body)
        return body + bytes((crc ^ 1 if world.during("probe_garbled") else crc,))
