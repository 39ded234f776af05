"""A stretch of one sensor's readings as compressed bytes, and back, exactly.

Times are stored as differences of differences (zero where a sensor keeps its pace), values as
decimal steps where they are decimals of a few places, as most sensors send, else as the bits that
changed. Each column is split into byte planes, so that zlib sees like beside like.

::

    byte 0     form, 1
    byte 1     decimal places of the values, or 255 for bits
    bytes 2-5  byte planes kept of times, values, delays, flags (the planes above are all zero)
    rest       zlib: the planes, least significant first, column after column
"""

import zlib
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

_FORM = 1
_BITS = 255
_MAX_PLACES = 6
_HEAD = 6
_LARGEST_EXACT = float(2**53)

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
_Words = npt.NDArray[np.uint64]


class DamagedError(ValueError):
    """Bytes that are no block of readings, or no longer."""


class Block(NamedTuple):
    """Readings of one sensor in order of time: equally long arrays; delay is receive time minus time."""

    at_us: Ints
    value: Floats
    delay_us: Ints
    flags: Ints

    def pick(self, index: slice | Ints) -> "Block":
        """Return the readings at an index or a slice."""
        return Block(self.at_us[index], self.value[index], self.delay_us[index], self.flags[index])


def pack(block: Block, origin_us: int) -> bytes:
    """Return the bytes of a block of at least one reading; `origin_us` is not in them.

    >>> block = Block(np.array([5, 6]), np.array([18.5, 18.6]), np.array([0, 0]), np.array([0, 0]))
    >>> unpack(pack(block, 5), 2, 5).value.tolist()
    [18.5, 18.6]
    """
    places, values = _pack_values(block.value)
    columns = (
        _zigzag(_steps(_steps(block.at_us - origin_us))),
        values,
        _zigzag(_steps(block.delay_us)),
        _zigzag(block.flags),
    )
    widths = [(int(column.max()).bit_length() + 7) // 8 for column in columns]
    planes = b"".join(_planes(column, width) for column, width in zip(columns, widths, strict=True))
    return bytes([_FORM, places, *widths]) + zlib.compress(planes, 6)


def unpack(data: bytes, count: int, origin_us: int) -> Block:
    """Return the block of `count` readings that `pack` made into `data`.

    Raises
    ------
    DamagedError
        If the bytes are damaged or in a form that this program does not know.
    """
    if len(data) < _HEAD or data[0] != _FORM:
        raise DamagedError(f"unknown form {data[:1].hex() or '(empty)'}")
    places, widths = data[1], data[2:_HEAD]
    try:
        planes = zlib.decompress(data[_HEAD:])
    except zlib.error as error:
        raise DamagedError(str(error)) from error
    if len(planes) != count * sum(widths):
        raise DamagedError(f"{len(planes)} bytes for {count} readings")
    columns, offset = [], 0
    for width in widths:
        columns.append(_words(planes, offset, count, width))
        offset += count * width
    times, values, delays, flags = columns
    return Block(
        np.cumsum(np.cumsum(_unzigzag(times))) + origin_us,
        _unpack_values(places, values),
        np.cumsum(_unzigzag(delays)),
        _unzigzag(flags),
    )


def _pack_values(value: Floats) -> tuple[int, _Words]:
    """Take the fewest decimal places that give every value back to the last bit."""
    with np.errstate(over="ignore"):  # far too large for decimal steps is found out below
        for places in range(_MAX_PLACES + 1):
            scaled = np.rint(value * 10.0**places)
            exact = (np.abs(scaled) < _LARGEST_EXACT) & (scaled / 10.0**places == value)
            if exact.all():
                return places, _zigzag(_steps(scaled.astype(np.int64)))
    bits = value.view(np.uint64)
    return _BITS, np.concatenate((bits[:1], bits[1:] ^ bits[:-1]))


def _unpack_values(places: int, words: _Words) -> Floats:
    if places == _BITS:
        return np.bitwise_xor.accumulate(words).view(np.float64)
    return np.cumsum(_unzigzag(words)) / 10.0**places


def _steps(column: Ints) -> Ints:
    """Return differences, the first one from zero; sums that overflow wrap round, and back again."""
    return np.diff(column, prepend=np.int64(0))


def _zigzag(column: Ints) -> _Words:
    """Fold the sign into the lowest bit, so that small steps down are small numbers too."""
    return ((column << 1) ^ (column >> 63)).view(np.uint64)


def _unzigzag(words: _Words) -> Ints:
    return ((words >> np.uint64(1)) ^ (np.uint64(0) - (words & np.uint64(1)))).view(np.int64)


def _planes(words: _Words, width: int) -> bytes:
    return words.astype("<u8").view(np.uint8).reshape(-1, 8)[:, :width].T.tobytes()


def _words(planes: bytes, offset: int, count: int, width: int) -> _Words:
    table = np.zeros((count, 8), dtype=np.uint8)
    flat = np.frombuffer(planes, dtype=np.uint8, count=count * width, offset=offset)
    table[:, :width] = flat.reshape(width, count).T
    return table.view("<u8").reshape(count).astype(np.uint64, copy=False)
