"""All that hangs on this node, read one after the other; a silent sensor leaves its value out."""

from ds18b20 import ProbeError
from hx711 import ScaleError
from sht4x import SensorError

_WET = 9990  # hundredths of a per cent: water on the sensor, or fog
_WET_READINGS = 30
_REST_READINGS = 6  # after a heat pulse the sensor is warm: what it says is not the air
_PULSE_AGAIN = 180


class Sensors:
    """What is connected (None: not there) and the names of the values, in a fixed order.

    `probes` is (bus, {address in hex: name}). Probes without a name are called part_c, part2_c, ...
    """

    def __init__(self, air=None, probes=None, heater_input=None, scale=None):
        self._air, self._heater, self._scale = air, heater_input, scale
        self._bus, names = probes or (None, {})
        self._roms = self._named(names) if self._bus else []
        self.names = ["air_c", "humidity_pct"] if air else []
        self.names += [name for name, _ in self._roms]
        self.names += (["on"] if heater_input else []) + (["gas_kg"] if scale else [])
        self.faults = {}
        self._wet = 0
        self._rest = 0
        self._since_pulse = _PULSE_AGAIN

    def read(self):
        """Return the values in hundredths, in the order of `names`; None where a sensor failed."""
        values = []
        if self._air:
            values += self._read_air()
        if self._roms:
            self._bus.convert()
        for name, rom in self._roms:
            values.append(self._tried(name, ProbeError, self._bus.read, rom))
        if self._heater:
            values.append(100 if self._heater() else 0)
        if self._scale:
            values.append(self._tried("gas_kg", ScaleError, self._scale.read))
        return values

    def _named(self, names):
        found, free = [], 0
        for rom in self._bus.scan():
            name = names.get("".join("%02x" % byte for byte in rom))
            if name is None:
                free += 1
                name = "part_c" if free == 1 else "part%d_c" % free
            found.append((name, rom))
        return found

    def _read_air(self):
        both = self._tried("air_c", SensorError, self._air.read)
        if both is None:
            return [None, None]
        self._since_pulse += 1
        if self._rest:
            self._rest -= 1
            return [None, None]
        self._wet = self._wet + 1 if both[1] >= _WET else 0
        if self._wet >= _WET_READINGS and self._since_pulse >= _PULSE_AGAIN:
            self._tried("air_c", SensorError, self._air.heat)
            self._wet, self._rest, self._since_pulse = 0, _REST_READINGS, 0
        return list(both)

    def _tried(self, name, kind, read, *args):
        try:
            found = read(*args)
        except kind as error:
            self.faults[name] = str(error)
            return None
        self.faults.pop(name, None)
        return found
