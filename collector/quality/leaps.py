"""Spikes, impossible rates, and what broken probes report. Pure but for the track in hand."""

from datetime import datetime

from collector.domain import Flag
from collector.quality.limits import Amount
from collector.quality.track import Track

_SAME = 1e-6


def leap_flag(track: Track, at: datetime, value: Amount) -> Flag:
    """Flag a value that its sensor cannot have come to since its last sound one; nothing if it can.

    A first leap is a `JUMP`. If the next reading stays there it was a step, taken for true from then on;
    if it goes elsewhere, as with a loose contact, that is a `RATE` no shed has. 85 °C and 0 °C exactly are
    what broken probes report, and believed only where the readings led there.
    """
    traits = track.traits
    if traits is None:
        return Flag.NONE
    near = traits.reach((at - track.at).total_seconds()) if track.value is not None else 0.0
    away = abs(value - track.value) if track.value is not None else float("inf")
    for reset, flag in traits.resets:
        if abs(value - reset) < _SAME and away > traits.swap:
            return flag
    if away <= near or track.value is None:
        track.pending = None
        return Flag.NONE
    before, track.pending = track.pending, (at, value)
    if before is None:
        return Flag.JUMP
    if abs(value - before[1]) <= traits.reach((at - before[0]).total_seconds()) / 2:
        track.pending = None
        return Flag.NONE
    return Flag.RATE
