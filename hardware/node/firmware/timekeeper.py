"""True time as whole numbers. A 32-bit float of an epoch second has 128 s of grain; none is used here.

The board's own time() is not used either: its epoch is 1970 on some boards and 2000 on others.
"""

import socket
import time

_FROM_1900_S = 2208988800
_ERA_S = 4294967296
_OLDEST_S = 1735689600  # 2025: a clock before this was never set


def epoch_s(year, month, day, hour, minute, second):
    """Return seconds since 1970 UTC of a date, by days alone.

    >>> epoch_s(2000, 3, 1, 0, 0, 0)
    951868800
    """
    if month <= 2:
        year, month = year - 1, month + 12
    days = 365 * year + year // 4 - year // 100 + year // 400 + (153 * (month - 3) + 2) // 5 + day - 719469
    return ((days * 24 + hour) * 60 + minute) * 60 + second


def date_of(at_s):
    """Return (year, month, day, hour, minute, second) of seconds since 1970 UTC.

    >>> date_of(951868800)
    (2000, 3, 1, 0, 0, 0)
    """
    days, second = at_s // 86400 + 719468, at_s % 86400
    era, day = days // 146097, days % 146097
    year = (day - day // 1460 + day // 36524 - day // 146096) // 365
    day -= 365 * year + year // 4 - year // 100
    month = (5 * day + 2) // 153
    day -= (153 * month + 2) // 5 - 1
    year += 400 * era + (1 if month >= 10 else 0)
    return year, month + 3 if month < 10 else month - 9, day, second // 3600, second // 60 % 60, second % 60


def ntp_ms(reply):
    """Return milliseconds since 1970 UTC that a time server's reply says; None if it is no answer."""
    if len(reply) < 48 or reply[0] & 7 != 4 or reply[1] == 0 or reply[0] >> 6 == 3:
        return None  # not a server, a refusal, or a server that is not set itself
    seconds = int.from_bytes(reply[40:44], "big")
    if seconds < 0x80000000:
        seconds += _ERA_S  # from February 2036 on
    found = (seconds - _FROM_1900_S) * 1000 + (int.from_bytes(reply[44:48], "big") * 1000 >> 32)
    return found if found >= _OLDEST_S * 1000 else None


def ask_ntp(host, port=123, timeout_s=2):
    """Ask a time server; return milliseconds since 1970 UTC, or None."""
    query = bytearray(48)
    query[0] = 0x23  # version 4, client
    try:
        address = socket.getaddrinfo(host, port)[0][-1]
        sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    except OSError:
        return None
    try:
        sock.settimeout(timeout_s)
        sock.sendto(query, address)
        return ntp_ms(sock.recv(48))
    except OSError:
        return None
    finally:
        sock.close()


class Timekeeper:
    """Time since start, and true time once somebody said it.

    Ticks wrap after days; `up_ms` must be called more often than that, and is.
    """

    def __init__(self, ticks_ms=None, ticks_diff=None):
        self._ticks, self._diff = ticks_ms or time.ticks_ms, ticks_diff or time.ticks_diff
        self._last, self._up_ms, self._began_ms = self._ticks(), 0, None

    def up_ms(self):
        """Return milliseconds since start."""
        now = self._ticks()
        self._up_ms += self._diff(now, self._last)
        self._last = now
        return self._up_ms

    def set_ms(self, true_ms):
        """Take a true time, in milliseconds since 1970."""
        self._began_ms = true_ms - self.up_ms()

    def set_from_rtc(self, moment):
        """Take the board's clock (year, month, day, weekday, hour, minute, second, ...) if it was ever set."""
        found = epoch_s(*moment[0:3], *moment[4:7])
        if found >= _OLDEST_S:
            self.set_ms(found * 1000)

    @property
    def known(self):
        """Whether true time is known."""
        return self._began_ms is not None

    def at_s(self, up_ms):
        """Return the true time of a moment, in whole seconds since 1970; None if it is not known."""
        return None if self._began_ms is None else (self._began_ms + up_ms) // 1000
