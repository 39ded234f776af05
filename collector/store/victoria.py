"""Reading a yard's VictoriaMetrics: raw samples by ``/api/v1/export``.

It keeps milliseconds and about 14 digits, and the three fields of a reading as three series. It
must run with ``-dedup.minScrapeInterval=1ms`` (what is copied twice counts once) and a long
``-retentionPeriod`` (the default drops readings after a month).
"""

import json
import re
from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from collector.clock import Clock, to_us
from collector.domain import Reading
from collector.errors import StoreError
from collector.store.address import Access, Address
from collector.store.central import Newest, Start, as_reading, empty_block, sensor_name, split_name
from collector.store.codec import Block
from collector.store.http import HttpReader

_MS_US = 1000
_RECENT_TEXTS = 3
_TEXT_LOOK_BACK_S = 400 * 86_400
_EARLIEST_S = 10 * 86_400
_DAY_US = 86_400_000_000
_AHEAD_US = 2 * _DAY_US  # it takes nothing from further ahead than two days
_ALL_FIELDS = "layday_reading_(value|delay_us|flags)"
_PREFIX = re.compile("^layday_(reading|text)_")
_FIRST_STEP_US = 120_000_000
_FEW = 20
_RUN = re.compile(r"^vm_app_start_timestamp(?:\{[^}]*\})? (\S+)$", re.MULTILINE)

_Samples = dict[str, dict[int, float]]
_Key = tuple[str, str]


class VictoriaEngine:
    """A VictoriaMetrics server; `clock` says up to when there can be readings."""

    def __init__(self, http: HttpReader, clock: Clock) -> None:
        self._http = http
        self._clock = clock

    def sheds(self) -> Sequence[str]:
        """Return every shed that has readings there."""
        newest_us = to_us(self._clock.now()) + _AHEAD_US
        asked = {"match[]": "layday_reading_value", "start": "0", "end": f"{newest_us / 1e6:.3f}"}
        return sorted(self._http.json("/api/v1/label/shed/values", asked)["data"])

    def spans(self, shed: str) -> Mapping[str, tuple[int, int]]:
        """Return the first and the last time of each sensor, by name."""
        at_us = to_us(self._clock.now()) + _AHEAD_US
        # all since 1970, and some days less: for a stretch that begins earlier it answers with nothing
        which = f"layday_reading_value{_matcher(shed=shed)}[{at_us // 1_000_000 - _EARLIEST_S}s]"
        first = self._instant(f"tfirst_over_time({which})", at_us)
        last = self._instant(f"tlast_over_time({which})", at_us)
        ends = {sensor_name(tags): _from_s(value) for tags, value in last}
        return {
            sensor_name(tags): (_from_s(value), ends[sensor_name(tags)])
            for tags, value in first
            if sensor_name(tags) in ends
        }

    def newest(self, shed: str, oldest_us: int, newest_us: int) -> Sequence[Newest]:
        """Return each sensor's newest reading in (oldest, newest]; of every shed where none is named.

        Sought backwards in growing steps, in raw samples: whether MetricsQL counts a sample at the very
        moment asked about differs from version to version.
        """
        found: dict[_Key, Reading] = {}
        missing = self._heard(shed, oldest_us, newest_us)
        high_us, step_us = newest_us + 1, _FIRST_STEP_US
        while missing and high_us > oldest_us + 1:
            low_us = max(oldest_us + 1, high_us - step_us)
            few = missing if len(missing) <= _FEW else {(shed, "")}
            for key in few:
                found.update(self._last_readings(key, low_us, high_us))
            missing -= found.keys()
            high_us, step_us = low_us, step_us * 8
        return [Newest(key[0], reading) for key, reading in found.items()]

    def block(self, shed: str, sensor: str, start_us: int, end_us: int) -> Block:
        """Return a sensor's readings in [start, end), in order of time."""
        place, quantity = split_name(sensor)
        tags = {"shed": shed, "place": place, "quantity": quantity}
        found = self._export(_ALL_FIELDS, tags, start_us, end_us)
        values = found.get("value")
        if not values:
            return empty_block()
        at_us = sorted(values)
        extra = [found.get(field, {}) for field in ("delay_us", "flags")]
        return Block(
            np.array(at_us, dtype=np.int64),
            np.array([values[at] for at in at_us], dtype=np.float64),
            *(np.array([int(one.get(at, 0)) for at in at_us], dtype=np.int64) for one in extra),
        )

    def text_starts(self, shed: str, key: str) -> Sequence[Start]:
        """Return where the newest few texts under a key begin, newest first."""
        newest_us = to_us(self._clock.now()) + _AHEAD_US
        oldest_us = newest_us - _TEXT_LOOK_BACK_S * 1_000_000
        found = self._export("layday_text_(start|check)", {"shed": shed, "key": key}, oldest_us, newest_us)
        starts, checks = found.get("start", {}), found.get("check", {})
        whole = [at_us for at_us in sorted(starts, reverse=True) if at_us in checks]
        return [Start(at_us, int(starts[at_us]), int(checks[at_us])) for at_us in whole[:_RECENT_TEXTS]]

    def words(self, shed: str, key: str, start_us: int, end_us: int) -> Mapping[int, float]:
        """Return the words of texts in [start, end), by time."""
        found = self._export("layday_text_word", {"shed": shed, "key": key}, start_us, end_us)
        return found.get("word", {})

    def numbers(self, until_us: int) -> Mapping[str, Mapping[str, float]]:
        """Return the newest numbers of every shed up to a time, by shed and field."""
        which = f'{{__name__=~"layday_shed_.+"}}[{until_us // 1_000_000 - _EARLIEST_S}s]'
        found: dict[str, dict[str, float]] = {}
        # a millisecond on: whether a sample at the very moment counts differs from version to version
        for tags, value in self._instant(f"last_over_time({which})", until_us + _MS_US):
            field = tags["__name__"].removeprefix("layday_shed_")
            found.setdefault(tags["shed"], {})[field] = value
        return found

    def close(self) -> None:
        """Close the connections."""
        self._http.close()

    def _heard(self, shed: str, oldest_us: int, newest_us: int) -> set[_Key]:
        """Return the sensors that have readings in a stretch, or at least near it."""
        asked = {
            "match[]": f"layday_reading_value{_matcher(shed=shed)}",
            "start": f"{max(oldest_us - _DAY_US, _DAY_US) / 1e6:.3f}",  # it looks at whole days
            "end": f"{max(newest_us + _DAY_US, _DAY_US) / 1e6:.3f}",
        }
        return {_key(tags) for tags in self._http.json("/api/v1/series", asked)["data"]}

    def _last_readings(self, key: _Key, start_us: int, end_us: int) -> dict[_Key, Reading]:
        """Return the last reading in [start, end) of one sensor, or of all of a shed, or of all."""
        shed, sensor = key
        tags = dict(zip(("place", "quantity"), split_name(sensor), strict=True)) if sensor else {}
        samples: dict[_Key, dict[str, dict[int, float]]] = {}
        for there, field, by_time in self._raw(_ALL_FIELDS, {"shed": shed, **tags}, start_us, end_us):
            samples.setdefault(there, {}).setdefault(field, {}).update(by_time)
        readings = {}
        for there, fields in samples.items():
            if values := fields.get("value"):
                at_us = max(values)
                rest = (fields.get(name, {}).get(at_us) for name in ("delay_us", "flags"))
                readings[there] = as_reading(there[1], at_us, values[at_us], *rest)
        return readings

    def _instant(self, query: str, at_us: int) -> list[tuple[Mapping[str, str], float]]:
        """Ask MetricsQL about one moment; `nocache` also turns off its reserve about the last 30 s."""
        asked = {"query": query, "time": f"{at_us // _MS_US / 1000:.3f}", "nocache": "1"}
        answer = self._http.json("/api/v1/query", asked)
        if answer.get("status") != "success":
            raise StoreError(f"{self._http.address}: {answer.get('error', 'cannot answer')}")
        return [(one["metric"], float(one["value"][1])) for one in answer["data"]["result"]]

    def _export(self, names: str, tags: Mapping[str, str], start_us: int, end_us: int) -> _Samples:
        """Return raw samples of one sensor or text in [start, end) by field and time."""
        found: _Samples = {}
        for _, field, by_time in self._raw(names, tags, start_us, end_us):
            found.setdefault(field, {}).update(by_time)
        return found

    def _raw(
        self, names: str, tags: Mapping[str, str], start_us: int, end_us: int
    ) -> Iterator[tuple[_Key, str, dict[int, float]]]:
        """Yield raw samples in [start, end) by sensor and field; a series may come in several parts."""
        first_ms, last_ms = max(-(-start_us // _MS_US), 0), -(-end_us // _MS_US) - 1
        if last_ms < first_ms:
            return
        asked = {
            "match[]": f'{{__name__=~"{names}",{_matcher(**tags)[1:]}',
            "start": f"{first_ms / 1000:.3f}",
            # it looks at the days up to its end, and not at one that begins there
            "end": f"{(last_ms + 1) / 1000:.3f}",
            "reduce_mem_usage": "1",
        }
        for line in self._http.text("/api/v1/export", asked).splitlines():
            series = json.loads(line)
            found = zip(series["timestamps"], series["values"], strict=True)
            by_time = {at_ms * _MS_US: value for at_ms, value in found if at_ms <= last_ms}
            yield _key(series["metric"]), _PREFIX.sub("", series["metric"]["__name__"]), by_time


def server_run(address: Address, access: Access) -> str:
    """Return which run of itself a server is: when it started.

    VictoriaMetrics says yes some seconds before what it took is on disk, so what it took
    before a restart must be sent again.

    Raises
    ------
    StoreError
        If it does not answer.
    """
    http = HttpReader(address, access)
    try:
        found = _RUN.search(http.text("/metrics", {}))
    finally:
        http.close()
    if found is None:
        raise StoreError(f"{address}: does not say when it started; is it VictoriaMetrics?")
    return found[1]


def _matcher(**tags: str) -> str:
    listed = ",".join(
        f"{name}={json.dumps(value)}" for name, value in tags.items() if value or name != "shed"
    )
    return f"{{{listed}}}"


def _key(tags: Mapping[str, str]) -> tuple[str, str]:
    return tags.get("shed", ""), sensor_name(tags)


def _from_s(at_s: float) -> int:
    return round(at_s * 1000) * _MS_US
