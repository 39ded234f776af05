"""What a store keeps of rejected messages: enough to find the culprit, never enough to fill the disk."""

from collector.domain import Rejected

KEPT_REJECTED = 4000
KEPT_MARKS = 50_000
KEPT_MARKS_S = 3600
MAX_REASONS = 200
OTHER_REASONS = "other reasons"
_MAX_TEXT = 300
_MAX_HEAD_BYTES = 512


def clipped(item: Rejected) -> Rejected:
    """Cut over-long parts of a rejected message, and escape what no text file could hold."""
    return Rejected(
        received_at=item.received_at,
        source=_clip(item.source),
        topic=_clip(item.topic),
        reason=_clip(item.reason),
        payload_head=bytes(item.payload_head[:_MAX_HEAD_BYTES]),
        size_bytes=item.size_bytes,
    )


def _clip(text: str) -> str:
    whole = text.encode("utf-8", "backslashreplace").decode("utf-8")
    return whole if len(whole) <= _MAX_TEXT else whole[: _MAX_TEXT - 1] + "…"
