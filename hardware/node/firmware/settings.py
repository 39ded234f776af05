"""The node's one configuration file, `node.json`, checked before anything starts."""

import json

_PINS = {"sda": 21, "scl": 22, "one_wire": 4, "heater_input": None, "scale_clock": None, "scale_data": None, "lamp": None}
_DEFAULTS = {
    "name": "keel",
    "topic": "tunnel/keel",
    "period_s": 10,
    "wifi": {"ssid": "", "password": ""},
    "server": {"host": "", "port": 1883, "user": "", "password": "", "ca_file": ""},
    "ntp_host": "",
    "pins": _PINS,
    "probes": {},
    "air": True,
    "scale": {"zero": 0, "per_kg": 1},
    "lamp_margin_k": 3,
    "ring_kb": 512,
    "battery": False,
    "send_every": 30,
}


class SettingsError(Exception):
    """What is wrong in node.json, and where."""


def _merged(given, defaults, where):
    if not isinstance(given, dict):
        raise SettingsError("node.json: %s: must be a group {...}" % where)
    found = dict(defaults)
    for key, value in given.items():
        place = where + "." + key if where else key
        if where != "probes" and key not in defaults:
            raise SettingsError("node.json: %s: no such setting; there are: %s" % (place, ", ".join(sorted(defaults))))
        default = defaults.get(key)
        if isinstance(default, dict):
            value = _merged(value, default, place)
        elif where == "pins":
            if not (value is None or type(value) is int):
                raise SettingsError("node.json: %s: must be a pin's number, or null" % place)
        elif default is not None and type(value) is not type(default):
            raise SettingsError("node.json: %s: must be like %s, not %s" % (place, repr(default), repr(value)))
        found[key] = value
    return found


def read(text):
    """Return the settings in a file's text. Raises SettingsError, naming what is wrong and where."""
    try:
        given = json.loads(text)
    except ValueError:
        raise SettingsError("node.json: is no JSON: look for a comma or a quote too much or too few")
    found = _merged(given, _DEFAULTS, "")
    if not found["server"]["host"]:
        raise SettingsError("node.json: server.host: say where layday or the broker is, as in \"192.168.1.10\"")
    if not 1 <= found["period_s"] <= 3600:
        raise SettingsError("node.json: period_s: from 1 to 3600")
    if found["scale"]["per_kg"] == 0:
        raise SettingsError("node.json: scale.per_kg: weigh a known mass first; it is not 0")
    return found
