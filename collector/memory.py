"""How a process that takes readings for months holds its memory: little of it, and seldom searched."""

import ctypes
import gc
from contextlib import suppress

_ARENAS = 1
_M_ARENA_MAX = -8  # malloc.h


def settle_memory() -> None:
    """Call once, when all is loaded and before threads start.

    Python looks for cycles among new objects each time there are 700 more of them, which a flood of readings
    makes some thousand times a second for nothing; 20,000 leave a seventh more readings a second. And glibc
    would keep a heap for each thread.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000, 20, 20)
    with suppress(OSError, AttributeError):
        ctypes.CDLL(None).mallopt(_M_ARENA_MAX, _ARENAS)
    give_back_memory()


def give_back_memory() -> None:
    """Let go of what a large task used, where the C library can: glibc keeps some 10 MB for the next one."""
    with suppress(OSError, AttributeError):
        ctypes.CDLL(None).malloc_trim(0)
