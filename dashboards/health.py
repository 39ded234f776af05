"""How layday itself is: daemon, sources, sensors, what was put aside. Facts for `layday check`."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from collector.domain import Flag, Reading, Rejected, Sensor
from collector.quality.heard import newest_heard, suspect_s
from collector.service import STATE_EVERY_S, STATE_KEY
from collector.store.base import Store
from dashboards.view import age_words
from forecast.shed_now import OUTLOOK_STALE

_LOOK_BACK = timedelta(days=2)
_DAEMON_SILENT_S = 6 * STATE_EVERY_S
_CLOCK_OFF_S = 120.0
_NEWEST_REJECTED = 5


@dataclass(frozen=True, slots=True)
class SensorHealth:
    """One sensor: configured or not, its newest value, that value's age and quality.

    `skew_s` is device time minus receive time of the newest reading; `state` is one of
    ``good``, ``silent``, ``never heard``, ``suspect``, ``clock off``. `flag_bits` are the same flags as
    `collector.domain.Flag`, and `suspect_s` is for how long it has been suspect.
    """

    name: str
    configured: bool
    state: str
    value: float | None
    age_s: float | None
    skew_s: float | None
    flags: tuple[str, ...]
    suspect_s: float | None = None
    flag_bits: int = 0


@dataclass(frozen=True, slots=True)
class Age:
    """How old something is in words, and whether that is well."""

    words: str
    well: bool


def outlook_age(made_at: datetime | None, at: datetime) -> Age:
    """Return how old the newest outlook is; None is said to be none."""
    if made_at is None:
        return Age("none yet; it comes from 'layday run'", well=False)
    age = age_words((at - made_at).total_seconds())
    if at - made_at > OUTLOOK_STALE:
        return Age(f"made {age} ago, so its process does not work; the daemon's log says why", well=False)
    return Age(f"made {age} ago", well=True)


@dataclass(frozen=True, slots=True)
class Health:
    """Everything that `layday check` tells."""

    at: datetime
    daemon_words: str
    daemon_well: bool
    source_words: tuple[str, ...]
    sensors: tuple[SensorHealth, ...]
    rejected_counts: Mapping[str, int]
    newest_rejected: Sequence[Rejected]
    clock_words: str

    @property
    def is_well(self) -> bool:
        """Whether the daemon works and every configured sensor is good."""
        return self.daemon_well and all(s.state == "good" for s in self.sensors if s.configured)


def examine(
    store: Store,
    sensors: Mapping[str, Sensor],
    stale_after_s: float,
    at: datetime,
    *,
    has_feeds: bool = False,
) -> Health:
    """Look at everything that the store knows about layday's own health at `at`.

    With feeds, a sensor that nobody lists but that was heard of late is a configured one.
    """
    latest = newest_heard(store, at, _LOOK_BACK)
    names = sorted({*sensors, *store.sensors()})
    words, well, sources = _daemon(store, at)
    healths = tuple(
        _sensor(
            store,
            name,
            latest.get(name),
            stale_after_s,
            at,
            configured=name in sensors or (has_feeds and name in latest),
        )
        for name in names
    )
    return Health(
        at=at,
        daemon_words=words,
        daemon_well=well,
        source_words=sources,
        sensors=healths,
        rejected_counts=store.rejected_counts(),
        newest_rejected=store.rejected(_NEWEST_REJECTED),
        clock_words=_clock(healths),
    )


def _daemon(store: Store, at: datetime) -> tuple[str, bool, tuple[str, ...]]:
    state = store.read_state(STATE_KEY)
    if state is None:
        return "layday run has never used this store", False, ()
    word = json.loads(state.text)
    sources = tuple(f"{source['name']}: {source['words']}" for source in word["sources"])
    silent_s = (at - state.at).total_seconds()
    if word["stopped"]:
        return "layday run was stopped", False, sources
    if silent_s > _DAEMON_SILENT_S:
        return f"layday run has left no word for {silent_s:.0f} s: it was killed, or hangs", False, sources
    if word["intake"]["trouble"]:
        return f"nothing can be kept: {word['intake']['trouble']}", False, sources
    kept, put_aside = word["intake"]["kept_count"], word["intake"]["rejected_count"]
    return f"layday run works: {kept} readings kept, {put_aside} messages put aside", True, sources


def _sensor(
    store: Store, name: str, found: Reading | None, stale_after_s: float, at: datetime, *, configured: bool
) -> SensorHealth:
    if found is None:
        return SensorHealth(name, configured, "never heard" if configured else "silent", None, None, None, ())
    age_s = (at - found.at).total_seconds()
    skew_s = (found.at - found.received_at).total_seconds()
    since_s = suspect_s(store, found) if found.flags else None
    flags = tuple(flag.name.lower().replace("_", " ") for flag in found.flags if flag.name)
    if Flag.CLOCK_OFF in found.flags:
        state = "clock off"
    elif found.flags != Flag.NONE:
        state = "suspect"
    elif age_s > stale_after_s:
        state = "silent"
    elif skew_s > _CLOCK_OFF_S or age_s < -_CLOCK_OFF_S:
        state = "clock off"
    else:
        state = "good"
    return SensorHealth(name, configured, state, found.value, age_s, skew_s, flags, since_s, int(found.flags))


def _clock(sensors: Sequence[SensorHealth]) -> str:
    ahead = [sensor for sensor in sensors if sensor.state == "clock off"]
    if not ahead:
        return "this computer's clock and the sensors' agree"
    worst = max(abs(sensor.skew_s or 0.0) for sensor in ahead)
    ways = {"ahead" if (sensor.skew_s or 0.0) > 0 else "behind" for sensor in ahead}
    off = f"up to {worst:.0f} s {' or '.join(sorted(ways))}"
    if len(ahead) == sum(sensor.age_s is not None for sensor in sensors):
        return f"every sensor is {off}: set this computer's clock"
    return f"{', '.join(sensor.name for sensor in ahead)}: clock {off}; set it"
