"""A text as numbers, for stores that keep nothing else: compressed, six bytes a number, one each millisecond.

A float holds 53 bits exactly, so six bytes come back as they were. A text needs no field of another
type, which VictoriaMetrics would drop, and no label that grows in number; `check` tells whether a later
text has run into it.
"""

import zlib
from collections.abc import Mapping
from typing import NamedTuple

WORD_STEP_US = 1000
_WORD_BYTES = 6
_WORD_END = 256**_WORD_BYTES


class PackedText(NamedTuple):
    """A text as numbers; `size_bytes` is its compressed length, `check` the CRC-32 of that."""

    words: tuple[int, ...]
    size_bytes: int
    check: int

    @property
    def span_us(self) -> int:
        """How long it takes, one number a millisecond."""
        return text_span_us(self.size_bytes)


def pack_text(text: str) -> PackedText:
    """Return a text as numbers.

    >>> packed = pack_text("laid at nine")
    >>> unpack_text(packed.size_bytes, packed.check, dict(enumerate(packed.words)))
    'laid at nine'
    """
    data = zlib.compress(text.encode(), 9)
    parts = (data[i : i + _WORD_BYTES] for i in range(0, len(data), _WORD_BYTES))
    return PackedText(tuple(int.from_bytes(part, "little") for part in parts), len(data), zlib.crc32(data))


def text_span_us(size_bytes: int) -> int:
    """Return how long a text of so many compressed bytes takes."""
    return -(-size_bytes // _WORD_BYTES) * WORD_STEP_US


def unpack_text(size_bytes: int, check: int, words: Mapping[int, float]) -> str | None:
    """Return the text whose numbers stand at places 0, 1, … or None where one is missing or was replaced."""
    data = bytearray()
    for i in range(-(-size_bytes // _WORD_BYTES)):
        if i not in words or not 0 <= words[i] < _WORD_END:
            return None
        data += int(words[i]).to_bytes(_WORD_BYTES, "little")
    packed = bytes(data[:size_bytes])
    return zlib.decompress(packed).decode() if zlib.crc32(packed) == check else None
