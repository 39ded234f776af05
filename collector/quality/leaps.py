"""Spikes, impossible rates, and what broken probes report. Pure but for the track in hand."""

from datetime import datetime

from collector.domain import Flag
from collector.quality.limits import Amount
from collector.quality.track import Track

_SAME = 1e-6
_GENTLY_PER_MIN = 0.2  # K or %; a frosty evening is slower


def leap_flag(track: Track, at: datetime, value: Amount) -> Flag:
    """Flag a value that its sensor cannot have come to since its last sound one; nothing if it can.

    A first leap is a `JUMP`. If the next reading stays there it was a step, taken for true from then on;
    if it goes elsewhere, as with a loose contact, that is a `RATE` no shed has. 85 °C and 0 °C exactly are
    what broken probes report, and believed only where the readings led there (or outdoors, at the start).
    """
    traits = track.traits
    if traits is None:
        return Flag.NONE
    since_s = (at - track.at).total_seconds() if track.value is not None else 0.0
    away = abs(value - track.value) if track.value is not None else float("inf")
    led_there = away <= traits.swap + _GENTLY_PER_MIN * since_s / 60.0
    for reset, flag in traits.resets:
        if abs(value - reset) < _SAME and not led_there and not (track.value is None and track.is_outdoors):
            return flag
    if track.value is None or away <= traits.reach(since_s):
        track.pending = None
        return Flag.NONE
    before, track.pending = track.pending, (at, value)
    if before is None:
        return Flag.JUMP
    if abs(value - before[1]) <= traits.reach((at - before[0]).total_seconds()) / 2:
        track.pending = None
        return Flag.NONE
    return Flag.RATE
