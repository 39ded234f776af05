"""What is remembered of one sensor: a few numbers, however long it runs."""

from datetime import UTC, datetime, timedelta

from collector.domain import Flag
from collector.quality.limits import TRAITS, Amount, Traits

NEVER = datetime.min.replace(tzinfo=UTC)
GAP = timedelta(hours=1)
LOOK_EVERY = timedelta(minutes=10)
LATE = timedelta(minutes=5)
_FIRST_LONGEST_S = 4 * 3600.0
_OUTDOORS = "outdoor"


class Track:
    """One sensor's past in short.

    `at` and `value` are those of its newest sound reading (`value` None while there is none, or none within
    an hour); it stands at that value since `changed_at`. `low` and `high` bound what needs no closer look
    until `look_at`, while `quiet`, if it comes no later than `latest_quiet`; `promptest` is the least late
    since the last look. `standing` are the flags that hold until something lifts them.
    """

    __slots__ = (
        "anchor",
        "apart_since",
        "at",
        "changed_at",
        "high",
        "is_slow",
        "latest_quiet",
        "longest_s",
        "look_at",
        "looked_at",
        "looks",
        "low",
        "name",
        "noted_run_s",
        "noted_start",
        "pending",
        "pinned_since",
        "place",
        "promptest",
        "quiet",
        "standing",
        "swapped_at",
        "traits",
        "usual",
        "value",
    )

    def __init__(self, name: str) -> None:
        self.name = name
        self.place, _, quantity = name.rpartition(".")
        self.traits: Traits | None = TRAITS.get(quantity)
        self.at = NEVER
        self.value: Amount | None = None
        self.changed_at = NEVER
        self.low, self.high = float("-inf"), float("inf")
        self.look_at = NEVER
        self.looked_at = NEVER
        self.quiet = False
        self.standing = Flag.NONE
        self.pending: tuple[datetime, Amount] | None = None
        self.pinned_since: datetime | None = None
        self.apart_since: datetime | None = None
        self.usual: Amount | None = None
        self.swapped_at = NEVER
        self.longest_s = _FIRST_LONGEST_S
        self.noted_start, self.noted_run_s, self.looks = NEVER, 0.0, 0
        self.anchor: tuple[datetime, timedelta] | None = None
        self.is_slow = False
        self.latest_quiet, self.promptest = LATE, timedelta.max

    @property
    def is_outdoors(self) -> bool:
        """Whether fog may truly stand at this sensor for days."""
        return self.place == _OUTDOORS

    def keep(self, at: datetime, value: Amount) -> None:
        """Take a sound reading for the newest one."""
        if value != self.value:
            self.changed_at = at
            self.value = value
            if self.traits is not None:
                self.low = value - self.traits.swap
                self.high = min(value + self.traits.swap, self.traits.ceiling)
        self.at = at

    def forget(self) -> None:
        """After a gap begin afresh; what was learned of the sensor stays."""
        self.value, self.pending, self.pinned_since, self.apart_since = None, None, None, None
        self.changed_at = NEVER

    def settle(self, at: datetime) -> None:
        """Say until when the next readings need no closer look."""
        self.quiet = not self.standing and self.pending is None and self.pinned_since is None
        self.look_at = at + LOOK_EVERY
