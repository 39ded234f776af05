"""Simulated time. No time(): a node must not depend on its board's epoch."""

import world

_WRAP = 1 << 30


def ticks_ms():
    return world.up_ms & (_WRAP - 1)


def ticks_diff(late, early):
    return ((late - early + (_WRAP >> 1)) & (_WRAP - 1)) - (_WRAP >> 1)


def sleep_ms(span_ms):
    world.up_ms += span_ms
