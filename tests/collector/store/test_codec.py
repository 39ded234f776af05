"""Readings to compressed bytes and back, to the last bit."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.store.codec import Block, DamagedError, pack, unpack

_WIDE = st.integers(-(2**63), 2**63 - 1)
_rows = st.lists(
    st.tuples(
        st.one_of(st.integers(0, 10**10), _WIDE),
        st.one_of(
            st.floats(allow_nan=False, allow_infinity=False),
            st.decimals(-50, 150, places=2).map(float),
            st.integers(0, 1).map(float),
        ),
        st.one_of(st.integers(0, 10**6), _WIDE),
        st.integers(0, 1023),
    ),
    min_size=1,
    max_size=50,
)


def block_of(rows: list[tuple[int, float, int, int]]) -> Block:
    """Return the rows' columns."""
    at_us, value, delay_us, flags = zip(*rows, strict=True)
    return Block(
        np.array(at_us, dtype=np.int64),
        np.array(value, dtype=np.float64),
        np.array(delay_us, dtype=np.int64),
        np.array(flags, dtype=np.int64),
    )


@given(rows=_rows, origin_us=st.integers(0, 2**52))
def test_a_block_comes_back_whatever_is_in_it(
    rows: list[tuple[int, float, int, int]], origin_us: int
) -> None:
    """Even times out of order and sums beyond 64 bits, which wrap round and back."""
    block = block_of(rows)
    again = unpack(pack(block, origin_us), len(rows), origin_us)
    for before, after in zip(block, again, strict=True):
        assert before.dtype == after.dtype
        np.testing.assert_array_equal(before, after)


def test_a_steady_sensor_takes_under_four_bytes_a_reading() -> None:
    """Every 10 s, in hundredths of a degree, milliseconds late; an earlier trial of chunks took 3.8 bytes."""
    rng = np.random.default_rng(20240205)
    at_us = np.arange(2160, dtype=np.int64) * 10_000_000
    value = np.round(18 + np.cumsum(rng.normal(0, 0.02, 2160)), 2)
    delay_us = rng.integers(2_000, 30_000, 2160)
    data = pack(Block(at_us, value, delay_us, np.zeros(2160, dtype=np.int64)), 0)
    assert len(data) / 2160 < 3.8


@given(rows=_rows, where=st.floats(0, 1), bit=st.integers(0, 7))
def test_spoilt_bytes_are_noticed(rows: list[tuple[int, float, int, int]], where: float, bit: int) -> None:
    """One flipped bit anywhere after the six bytes of the head, which zlib's checksum covers."""
    data = bytearray(pack(block_of(rows), 0))
    data[6 + int(where * (len(data) - 7))] ^= 1 << bit
    try:
        again = unpack(bytes(data), len(rows), 0)
    except DamagedError:
        return
    # zlib's own head has a few bits without meaning for what comes out
    for before, after in zip(block_of(rows), again, strict=True):
        np.testing.assert_array_equal(before, after)


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (b"", "unknown form"),
        (b"\x01\x00", "unknown form 01"),
        (b"\x02\x00\x00\x00\x00\x00xx", "unknown form 02"),
        (b"\x01\x00\x00\x00\x00\x00not zlib", "incorrect header check"),
        (pack(block_of([(1, 2.0, 3, 0)]), 0)[:-3], "incomplete or truncated"),
    ],
)
def test_what_is_no_block_is_refused(data: bytes, what: str) -> None:
    with pytest.raises(DamagedError, match=what):
        unpack(data, 1, 0)


def test_a_wrong_count_is_noticed() -> None:
    with pytest.raises(DamagedError, match="bytes for 2 readings"):
        unpack(pack(block_of([(1, 2.0, 3, 0)]), 0), 2, 0)
