"""Alarms in tests: findings by name, and nights in minutes."""

from collections.abc import Iterable
from datetime import UTC, datetime, time, timedelta

from dashboards.notify.causes import AlarmCause
from dashboards.notify.finding import Facts, Finding, Sight, Spot
from dashboards.notify.quiet import QuietHours
from dashboards.notify.watch import Notice, Policy, Step, Watch, step

EVENING = datetime(2026, 4, 2, 20, 0, tzinfo=UTC)
MIDNIGHT = datetime(2026, 4, 3, 0, 0, tzinfo=UTC)
POLICY = Policy(QuietHours(time(22), time(6, 30)))
LATE = Spot(AlarmCause.STAGE_AT_RISK, "keel", "k1")
STALL = Spot(AlarmCause.STALL_AHEAD, "keel", "k1")
DEW = Spot(AlarmCause.DEW_AHEAD, "keel", "k1")
LOST = Spot(AlarmCause.SENSOR_LOST, "keel")
NO_HEAT = Spot(AlarmCause.HEATER_STOPPED, "keel")
RECOAT = Spot(AlarmCause.RECOAT_CLOSING, "keel", "k1")


def sees(
    spot: Spot, sight: Sight = Sight.THERE, *, wakes: bool = False, facts: Facts | None = None
) -> Finding:
    return Finding(spot, sight, wakes, facts or Facts(part="hull"))


class Night:
    """Alarms followed in steps of five minutes."""

    def __init__(self, at: datetime = MIDNIGHT, policy: Policy = POLICY) -> None:
        self.at = at
        self.policy = policy
        self.watch = Watch()
        self.notices: list[Notice] = []
        self.steps: list[Step] = []

    def look(self, *found: Finding, minutes: int = 5) -> list[Notice]:
        """See the same for so many minutes; return what was told in them."""
        told: list[Notice] = []
        for _ in range(max(minutes // 5, 1)):
            self.steps.append(step(self.watch, found, self.at, self.policy))
            self.watch = self.steps[-1].watch
            told += self.steps[-1].notices
            self.at += timedelta(minutes=5)
        self.notices += told
        return told

    def change(self, alarms: Iterable[object]) -> None:
        """Put alarms changed by people in their place."""
        self.watch = Watch(tuple(alarms), self.watch.next_number, self.watch.woken)  # type: ignore[arg-type]
