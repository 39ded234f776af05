"""What proves to systemd's watchdog that layday works: readings still come in, verdicts still come out.

A restart mends a process that has gone deaf or stuck; it cannot mend a shed whose sensors are all silent, and
must not be tried for ever. So only what has flowed in this life and then stopped withholds the sign of life:
each silence brings one restart at most, and the next life, in which nothing has flowed yet, is left in peace.
People hear of the silence through alarms.
"""

LEAST_S = 900.0
_TIMES_LONGEST = 4.0


class Flow:
    """One thing that goes on: its mark changes again and again.

    Parameters
    ----------
    enough : int
        After so many changes it counts as flowing, so that sensors which send once an hour are given time.
    least_s : float
        For how long it may rest at least [s], and for four times its longest rest so far.
    """

    def __init__(self, enough: int, least_s: float = LEAST_S) -> None:
        self._enough = enough
        self._least_s = least_s
        self._mark: object = None
        self._moved_s: float | None = None
        self._longest_s = 0.0
        self._moves = 0

    def seen(self, mark: object, now_s: float) -> None:
        """Take in what its mark is at a moment [s of a monotonic clock]; the first is where it begins."""
        if self._mark is None:
            self._mark = mark
        elif mark != self._mark:
            if self._moved_s is not None:
                self._longest_s = max(self._longest_s, now_s - self._moved_s)
            self._mark, self._moved_s = mark, now_s
            self._moves += 1

    def has_stopped(self, now_s: float) -> bool:
        """Say whether it flowed, and has rested for too long by a moment [s].

        >>> flow = Flow(enough=2)
        >>> for moment in (0.0, 60.0, 120.0):
        ...     flow.seen(moment, moment)
        >>> flow.has_stopped(1000.0), flow.has_stopped(1100.0)
        (False, True)
        """
        if self._moved_s is None or self._moves < self._enough:
            return False
        return now_s - self._moved_s > max(self._least_s, _TIMES_LONGEST * self._longest_s)
