"""Run the node's own main for some rounds in the world that plan.json tells, and say how it went."""

import gc
import json
import os

import machine
import main
import world
from settings import read

settings = read(json.dumps(world.plan["settings"]))
heard = []


def listen(node):
    """Remember the faults the sensors told of."""
    said = node._sensors.read

    def reading():
        values = said()
        for name, fault in node._sensors.faults.items():
            if (name, fault) not in heard:
                heard.append((name, fault))
        return values

    node._sensors.read = reading


built = main.build


def build(given):
    node, clock, ring = built(given)
    listen(node)
    world.ring = ring
    return node, clock, ring


main.build = build
gc.collect()
free_bytes = gc.mem_free()
if settings["battery"]:
    for _ in range(world.plan["rounds"]):
        try:
            main.run(settings, 1)
        except machine.DeepSleep:
            pass
else:
    main.run(settings, world.plan["rounds"])
gc.collect()
print(
    json.dumps(
        {
            "faults": heard,
            "left": len(world.ring),
            "lost": world.ring.lost,
            "files": len(os.listdir("ring")),
            "heat_pulses": world.heat_pulses,
            "lamp": getattr(world, "lamp", None),
            "fed": world.fed,
            "free_at_start": free_bytes,
            "free_at_end": gc.mem_free(),
        }
    )
)
