"""What was heard last, also from sensors whose clocks run ahead, and since when one has been suspect."""

from collections.abc import Mapping
from datetime import datetime, timedelta

from collector.clock import to_us
from collector.domain import Flag, Reading
from collector.quality.clocks import AHEAD
from collector.store.base import Newest, Store

_FURTHEST = timedelta(days=366)
_ON_ITS_WAY = timedelta(minutes=1)
_LOOK_BACK = timedelta(days=2)
_ABOUT = 0.6


def newest_heard(store: Newest, at: datetime, within: timedelta) -> Mapping[str, Reading]:
    """Return each sensor's newest reading in (at - within, at], or a later one whose clock runs ahead.

    A sensor that dates its readings two hours ahead would else be taken for a silent one. Readings that
    were only received after `at` are left out, so that the past can be asked about.
    """
    found = dict(store.latest(at, within))
    if not any(span.last_at > at - AHEAD for span in store.sensors().values()):
        return found
    for name, reading in store.latest(at + _FURTHEST, _FURTHEST).items():
        known = found.get(name)
        is_heard = Flag.CLOCK_OFF in reading.flags and reading.received_at <= at + _ON_ITS_WAY
        if is_heard and (known is None or known.received_at < reading.received_at):
            found[name] = reading
    return found


def suspect_s(store: Store, reading: Reading) -> float:
    """Return for how long [s] a suspect sensor has been as it is, up to two days.

    A stuck or wet sensor: since it first stood at this value. Others: since the first of the readings
    on end that are flagged.
    """
    samples = store.window(reading.sensor, reading.at - _LOOK_BACK, reading.at + timedelta(microseconds=1))
    standing = Flag.STUCK in reading.flags or Flag.PINNED in reading.flags
    about = 0.0 if Flag.STUCK in reading.flags else _ABOUT
    since_us = to_us(reading.at)
    newest_first = zip(samples.times_us[::-1], samples.values[::-1], samples.flags[::-1], strict=True)
    for at_us, value, flags in newest_first:
        if not (abs(value - reading.value) <= about if standing else flags):
            break
        since_us = int(at_us)
    return (to_us(reading.at) - since_us) / 1e6
