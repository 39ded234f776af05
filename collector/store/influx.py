"""Reading a yard's InfluxDB by InfluxQL over ``/query``: 1.8, 2.x with a DBRP mapping, 3 Core."""

from collections.abc import Mapping, Sequence
from itertools import starmap
from typing import Any

import numpy as np

from collector.errors import StoreError
from collector.store.central import Newest, Start, as_reading, empty_block, sensor_name, split_name
from collector.store.codec import Block
from collector.store.http import HttpReader

_LOWEST_US = -(2**63) // 1000 + 2  # InfluxDB counts nanoseconds in 64 bits: 1677 to 2262
_HIGHEST_US = 2**63 // 1000 - 2
_RECENT_TEXTS = 3
_NUMBERS = "layday_shed"


class InfluxEngine:
    """One bucket (database) of an InfluxDB."""

    def __init__(self, http: HttpReader) -> None:
        self._http = http

    def sheds(self) -> Sequence[str]:
        """Return every shed that has readings there."""
        found = self._series("SHOW TAG VALUES FROM layday_reading WITH KEY = shed")
        return sorted(value for _, value in found[0]["values"]) if found else []

    def spans(self, shed: str) -> Mapping[str, tuple[int, int]]:
        """Return the first and the last time of each sensor, by name."""
        where = _where(shed=shed)
        ends = []
        for which in ("first", "last"):
            query = f"SELECT {which}(value) FROM layday_reading WHERE {where} GROUP BY place, quantity"
            ends.append({sensor_name(s["tags"]): s["values"][0][0] for s in self._series(query)})
        return {name: (first, ends[1][name]) for name, first in ends[0].items() if name in ends[1]}

    def newest(self, shed: str, oldest_us: int, newest_us: int) -> Sequence[Newest]:
        """Return each sensor's newest reading in (oldest, newest]; of every shed where none is named."""
        where = _where(shed=shed, after_us=oldest_us + 1, until_us=newest_us + 1)
        query = (
            f"SELECT value, delay_us, flags FROM layday_reading WHERE {where}"
            " GROUP BY shed, place, quantity ORDER BY time DESC LIMIT 1"
        )
        return [
            Newest(series["tags"]["shed"], as_reading(sensor_name(series["tags"]), *series["values"][0]))
            for series in self._series(query)
        ]

    def block(self, shed: str, sensor: str, start_us: int, end_us: int) -> Block:
        """Return a sensor's readings in [start, end), in order of time."""
        place, quantity = split_name(sensor)
        where = _where(shed=shed, place=place, quantity=quantity, after_us=start_us, until_us=end_us)
        found = self._series(f"SELECT value, delay_us, flags FROM layday_reading WHERE {where}")
        if not found:
            return empty_block()
        at_us, value, delay_us, flags = zip(*found[0]["values"], strict=True)
        return Block(
            np.array(at_us, dtype=np.int64),
            np.array(value, dtype=np.float64),
            np.array([int(one or 0) for one in delay_us], dtype=np.int64),
            np.array([int(one or 0) for one in flags], dtype=np.int64),
        )

    def text_starts(self, shed: str, key: str) -> Sequence[Start]:
        """Return where the newest few texts under a key begin, newest first."""
        found = self._series(
            f'SELECT start, "check" FROM layday_text WHERE {_where(shed=shed, key=key)}'
            f" ORDER BY time DESC LIMIT {_RECENT_TEXTS}"
        )
        return list(starmap(Start, found[0]["values"])) if found else []

    def words(self, shed: str, key: str, start_us: int, end_us: int) -> Mapping[int, float]:
        """Return the words of texts in [start, end), by time."""
        where = _where(shed=shed, key=key, after_us=start_us, until_us=end_us)
        found = self._series(f"SELECT word FROM layday_text WHERE {where}")
        return dict(found[0]["values"]) if found else {}

    def numbers(self, until_us: int) -> Mapping[str, Mapping[str, float]]:
        """Return the newest numbers of every shed up to a time, by shed and field."""
        where = _where(until_us=until_us + 1)
        found = {}
        for series in self._series(f"SELECT last(*) FROM {_NUMBERS} WHERE {where} GROUP BY shed"):
            names = [name.removeprefix("last_") for name in series["columns"]]
            fields = zip(names[1:], series["values"][0][1:], strict=True)
            found[series["tags"]["shed"]] = {name: value for name, value in fields if value is not None}
        return found

    def close(self) -> None:
        """Close the connections."""
        self._http.close()

    def _series(self, query: str) -> list[dict[str, Any]]:
        answer = self._http.json("/query", {"db": self._http.address.bucket, "epoch": "u", "q": query})
        result = (answer.get("results") or [{}])[0]
        wrong = answer.get("error") or result.get("error")
        if wrong:
            raise StoreError(f"{self._http.address}: {wrong}")
        series: list[dict[str, Any]] = result.get("series", [])
        return series


def _where(*, after_us: int = _LOWEST_US, until_us: int = _HIGHEST_US, **tags: str) -> str:
    """Return a condition on time in [after, until) and on tags; an empty tag is not asked about."""
    parts = [
        f"time >= {min(max(after_us, _LOWEST_US), _HIGHEST_US)}u",
        f"time < {min(max(until_us, _LOWEST_US), _HIGHEST_US)}u",
    ]
    parts += [f'"{name}" = {_quoted(value)}' for name, value in tags.items() if value or name != "shed"]
    return " AND ".join(parts)


def _quoted(text: str) -> str:
    """Return an InfluxQL string: what a name holds must stay a name."""
    escaped = text.replace("\\", "\\\\").replace("'", "\\'").replace("\n", "\\n")
    return f"'{escaped}'"
