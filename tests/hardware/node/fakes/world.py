"""The world round a node under test: its hours, its weather, its faults, its flash and its radio."""

import json

with open("plan.json") as _file:
    plan = json.loads(_file.read())
base_ms = plan.get("base_s", 1790000000) * 1000
up_ms = 0
heat_pulses = 0
fed = 0


def during(kind):
    """Say whether a fault of this kind holds now; `plan` maps kinds to spans in minutes since start."""
    minute = up_ms / 60000
    return any(start <= minute < end for start, end in plan.get(kind, ()))


def air_hundredths():
    """Return what the air is: warming by a hundredth a reading, so that every reading differs."""
    return 1500 + up_ms // 10000 % 1000


def humidity_hundredths():
    return 6000


def part_sixteenths():
    return 14 * 16 + up_ms // 60000 % 64
