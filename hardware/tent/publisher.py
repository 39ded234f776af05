"""The whole shed on the air: every node measures in simulated time and publishes in real time."""

import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

from hardware.tent.link import Link
from hardware.tent.node import node_values, payload
from hardware.tent.parameters import Tent
from hardware.tent.scenario import Kind, Scenario
from hardware.tent.sensors import NODES
from hardware.tent.simulation import Simulation

_TURN_S = 0.02


class TentPublisher:
    """The whole shed on the air, on its own quickened clock or on one that is given.

    Parameters
    ----------
    host, port
        A broker, or layday's own listener.
    username, password : str, optional
        The nodes' login.
    tent, scenario, start, speed, seed
        The shed, what goes wrong, the simulated time at which it starts, simulated seconds per real second.
    period_s : int
        Simulated seconds between a node's readings, a multiple of ``tent.step_s``.
    simulation : Simulation, optional
        A shed that has lived already (its history recorded); it goes on from where it is, instead of a fresh
        one at `start`.
    now : callable, optional
        The simulated time, shared with others; `speed` is then not used.

    Raises
    ------
    ValueError
        If `speed` or `period_s` cannot be.
    """

    def __init__(  # noqa: PLR0913  all but the address have defaults
        self,
        host: str,
        port: int,
        *,
        start: datetime,
        username: str | None = None,
        password: str | None = None,
        tent: Tent | None = None,
        scenario: Scenario | None = None,
        speed: float = 60.0,
        seed: int = 0,
        period_s: int = 60,
        simulation: Simulation | None = None,
        now: Callable[[], datetime] | None = None,
    ) -> None:
        if not speed > 0:
            raise ValueError(f"speed must be above 0, not {speed}")
        self.simulation = simulation or Simulation(tent or Tent(), start, seed, scenario)
        step_s = self.simulation.tent.step_s
        if period_s <= 0 or period_s % step_s:
            raise ValueError(f"period_s must be a multiple of {step_s}, not {period_s}")
        login = (username, password or "") if username is not None else None
        self._period_s = period_s
        self._now = now or _quick_clock(start, speed)
        self._links = {node: Link(node, (host, port), login) for node in NODES}
        self._next_s = -(-self.simulation.time_s // period_s) * period_s
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="tent", daemon=True)
        self._measured = 0

    def start(self) -> None:
        """Begin to measure and publish; returns at once."""
        for link in self._links.values():
            link.start()
        self._thread.start()

    def stop(self, within_s: float = 2.0) -> None:
        """Stop measuring, let what is on its way arrive, say ``offline`` and disconnect."""
        self._stopping.set()
        self._thread.join()
        deadline_s = time.monotonic() + within_s
        for link in self._links.values():
            link.stop(max(0.0, deadline_s - time.monotonic()))

    @property
    def acked(self) -> int:
        """Messages that the receiver has acknowledged."""
        return sum(link.acked for link in self._links.values())

    @property
    def measured(self) -> int:
        """Messages made so far."""
        return self._measured

    @property
    def waiting(self) -> int:
        """Messages kept because nobody has acknowledged them yet."""
        return sum(link.waiting for link in self._links.values())

    @property
    def lost(self) -> int:
        """Messages that fell out of a full ring."""
        return sum(link.lost for link in self._links.values())

    @property
    def connected(self) -> bool:
        """Whether every node is connected."""
        return all(link.connected for link in self._links.values())

    def _run(self) -> None:
        while not self._stopping.is_set():
            now_s = self._now().timestamp()
            while self._next_s <= now_s and not self._stopping.is_set():
                self._measure(self._next_s)
                self._next_s += self._period_s
            self._stopping.wait(_TURN_S)

    def _measure(self, t_s: int) -> None:
        shed = self.simulation
        shed.advance(t_s)
        reported = shed.reported()
        for node, link in self._links.items():
            silent = shed.sensors.silent(node, t_s)
            link.be_away(silent or shed.scenario.active(Kind.OFFLINE, t_s, node) is not None)
            if not silent:
                fast = shed.scenario.active(Kind.CLOCK_OFF, t_s, node)
                error_s = int(fast.value_c_or_s or 0) if fast else 0
                link.put(payload(t_s + error_s, node_values(node, reported)))
                self._measured += 1


def _quick_clock(start: datetime, speed: float) -> Callable[[], datetime]:
    began_s = time.monotonic()
    at = start.astimezone(UTC)
    return lambda: at + timedelta(seconds=(time.monotonic() - began_s) * speed)
