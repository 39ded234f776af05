"""What the listener counts, and the words for it. Written by its thread, read by any."""

from collections import Counter
from dataclasses import dataclass, field
from datetime import datetime

_CLASH_WITHIN_S = 60.0
_CLASH_SHOWN_S = 600.0
_CLASH_COUNT = 3
_REMEMBERED_IDS = 1_000


@dataclass(slots=True)
class Tally:
    """Counts since the start. `complaints` are by fixed words, so there are few."""

    name: str
    last_packet_at: datetime | None = None
    connected_count: int = 0
    received_count: int = 0
    dropped_count: int = 0
    silent_count: int = 0
    is_full: bool = False
    complaints: Counter[str] = field(default_factory=Counter)
    _clashes: dict[str, tuple[int, float]] = field(default_factory=dict)

    def taken_over(self, client_id: str, age_s: float, now_s: float) -> None:
        """Count a connection that another of the same id took the place of.

        A sensor that comes back after a while is no clash; two that share an id throw each
        other out within seconds, again and again.
        """
        if age_s > _CLASH_WITHIN_S:
            return
        count, last_s = self._clashes.get(client_id, (0, now_s))
        if len(self._clashes) > _REMEMBERED_IDS:
            self._clashes.clear()
        self._clashes[client_id] = (count + 1 if now_s - last_s < _CLASH_SHOWN_S else 1, now_s)

    def words(self, now_s: float) -> str:
        """Return one line that says how things are; quoted ids can't carry control characters."""
        parts = [f"{self.connected_count} connected" if self.connected_count else "waiting for sensors"]
        if self.is_full:
            parts.append("not reading: the store is behind")
        for client_id, (count, last_s) in list(self._clashes.items()):
            if count >= _CLASH_COUNT and now_s - last_s < _CLASH_SHOWN_S:
                parts.append(
                    f"client id {client_id[:64]!r} was taken over {count} times: "
                    "two devices seem to share it; give each its own"
                )
        if self.silent_count:
            parts.append(f"{self.silent_count} closed after silence")
        parts += [f"{count} times: {what}" for what, count in list(self.complaints.items())]
        return "; ".join(parts)
