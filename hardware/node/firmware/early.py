"""Readings from before anybody said what time it is: a fixed piece of memory, taken at the start.

A growing list would need a piece in one stretch, which a small board does not have after a while.
"""

import struct

_FORM = "<I8h"
_SIZE = struct.calcsize(_FORM)
_NOTHING = -32768


class Early:
    """The newest `most` readings as (up time in ms, values); the oldest make room."""

    def __init__(self, most=360):
        self._room, self._most = bytearray(most * _SIZE), most
        self._count = 0

    def append(self, up_ms, values):
        """Keep one reading."""
        numbers = [_NOTHING if value is None else value for value in values]
        numbers += [_NOTHING] * (8 - len(numbers))
        struct.pack_into(_FORM, self._room, self._count % self._most * _SIZE, up_ms // 1000, *numbers)
        self._count += 1

    def take(self):
        """Yield and forget all of them, oldest first; values that were not measured are None."""
        first, count = max(0, self._count - self._most), self._count
        self._count = 0
        for i in range(first, count):
            up_s, *numbers = struct.unpack_from(_FORM, self._room, i % self._most * _SIZE)
            yield up_s * 1000, [None if number == _NOTHING else number for number in numbers]
