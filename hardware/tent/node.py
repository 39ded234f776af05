"""What a node says over MQTT: its topics and, in one place, the bytes of its messages."""

import json
import math
from collections.abc import Mapping

from hardware.tent.sensors import NODES

ONLINE, OFFLINE = b"online", b"offline"
"""A node's status, retained; the broker says `OFFLINE` for a node that vanishes."""

_DECIMALS = 2


def readings_topic(node: str) -> str:
    """Return the topic on which a node publishes its readings.

    >>> readings_topic("keel")
    'tunnel/keel/node'
    """
    return f"tunnel/{node}/node"


def status_topic(node: str) -> str:
    """Return the topic of a node's retained status and last will.

    >>> status_topic("keel")
    'tunnel/keel/status'
    """
    return f"tunnel/{node}/status"


def payload(t_s: int, values: Mapping[str, float | None]) -> bytes:
    """Return a message: plain JSON with the node's time as whole seconds since 1970.

    Two decimals; a number without a fraction is written without one. What a silent sensor would have said is
    left out. Time is an integer because a 32-bit float of an epoch second has 128 s of grain.

    Raises
    ------
    ValueError
        If a value is not a finite number: JSON has none such.

    >>> payload(1790000000, {"air_c": 17.234, "humidity_pct": 61.4, "part_c": None})
    b'{"t": 1790000000, "air_c": 17.23, "humidity_pct": 61.4}'
    """
    message: dict[str, int | float] = {"t": int(t_s)}
    for quantity, value in values.items():
        if value is not None:
            if not math.isfinite(value):
                raise ValueError(f"{quantity} is {value}, which JSON cannot say")
            shown = round(value, _DECIMALS)
            message[quantity] = int(shown) if shown == int(shown) else shown
    return json.dumps(message).encode()


def node_values(node: str, reported: Mapping[str, float | None]) -> dict[str, float | None]:
    """Return a node's own share of what all channels report, by quantity.

    >>> node_values("heater", {"heater.on": 1.0, "heater.setpoint_c": 17.5, "heater.gas_kg": None})["on"]
    1.0
    """
    return {quantity: reported[f"{node}.{quantity}"] for quantity in NODES[node]}


def sensor_entries() -> list[dict[str, str]]:
    """Return one ``[[sensor]]`` table of layday's configuration for every channel.

    >>> sensor_entries()[0]["pointer"]
    '/air_c'
    """
    return [
        {
            "place": node,
            "quantity": quantity,
            "topic": readings_topic(node),
            "pointer": f"/{quantity}",
            "time_pointer": "/t",
            "time_unit": "s",
        }
        for node, quantities in NODES.items()
        for quantity in quantities
    ]
