"""The daemon: it starts the threads, listens for signals, and stops in good order. No logic."""

import json
import logging
import os
import queue
import signal
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict
from datetime import datetime
from types import FrameType

from collector.clock import Clock
from collector.config import Config
from collector.errors import SourceError
from collector.intake import Intake, IntakeStatus
from collector.listener import Listener
from collector.payload import build_routes
from collector.proof import Flow
from collector.quality import STATE_KEY as QUALITY_KEY
from collector.quality import seeded_judge
from collector.source import Source, SourceStatus
from collector.store.base import State, Store
from collector.systemd import tell_systemd

STATE_KEY = "daemon"
STATE_EVERY_S = 10.0
VERDICT_S = 1800.0
"""Verdicts come every five minutes; a long fit on a slow board may take some of them."""
_LEARNED_EVERY_S = 3600.0

_log = logging.getLogger(__name__)


class Daemon:
    """Sources, intake and store at work together.

    `verdict_mark` returns what changes with every verdict worked out beside the daemon; systemd's watchdog
    is fed while both it and the readings go on (`collector.proof`).
    """

    def __init__(
        self,
        config: Config,
        store: Store,
        clock: Clock,
        verdict_mark: Callable[[], object] = lambda: None,
    ) -> None:
        self._store = store
        self._verdict_mark = verdict_mark
        self._samples, self._verdicts = Flow(enough=10), Flow(enough=3, least_s=VERDICT_S)
        self._clock = clock
        self._orders: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._judge = seeded_judge(store, clock.now())
        self._intake = Intake(
            store,
            build_routes(config.sensor, config.feed),
            clock,
            self._judge,
            redelivery_window_s=config.intake.redelivery_window_s,
            commit_every_s=config.intake.commit_every_s,
        )
        self._sources = _sources(config, clock)
        self._left_word_s = float("-inf")
        self._learned_s = time.monotonic()

    def start(self) -> None:
        """Start intake, then the sources.

        Raises
        ------
        SourceError
            If a source can never work as configured; what had started is stopped again.
        """
        self._intake.start()
        started: list[Source] = []
        try:
            for source in self._sources:
                source.start(self._intake.sink(source))
                started.append(source)
        except SourceError:
            for source in started:
                source.stop()
            self._intake.stop()
            raise
        self._leave_word()
        tell_systemd("READY=1")

    def run(self) -> None:
        """Work until `request_stop` or a signal handed over by `take_signals`, then stop."""
        while True:
            try:
                order = self._orders.get(timeout=1.0)
            except queue.Empty:
                self._each_second()
                continue
            _log.info("stopping: %s", order)
            break
        self.stop()

    def take_signals(self) -> None:
        """Let SIGTERM and SIGINT stop `run`; the handlers only put a word in a queue."""
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, self._on_signal)

    def request_stop(self, why: str = "asked to") -> None:
        """Make `run` return soon; from any thread."""
        self._orders.put(why)

    def stop(self) -> None:
        """Stop the sources' reading, commit and acknowledge the rest, close the sources."""
        tell_systemd("STOPPING=1")
        self._intake.stop()
        for source in self._sources:
            source.stop()
        self._leave_learned()
        self._leave_word(stopped=True)

    def statuses(self) -> tuple[Sequence[SourceStatus], IntakeStatus]:
        """Return the sources' and intake's statuses."""
        return [source.status() for source in self._sources], self._intake.status()

    def _on_signal(self, number: int, frame: FrameType | None) -> None:  # noqa: ARG002  Python's signature
        self._orders.put(signal.Signals(number).name)

    def _each_second(self) -> None:
        if self._intake.is_alive() and self._goes_on():
            tell_systemd("WATCHDOG=1")
        if time.monotonic() - self._left_word_s >= STATE_EVERY_S:
            self._leave_word()
        if time.monotonic() - self._learned_s >= _LEARNED_EVERY_S:
            self._leave_learned()

    def _goes_on(self) -> bool:
        """Say whether readings and verdicts flow as they did; what never flowed is not asked of."""
        now_s = time.monotonic()
        self._samples.seen(self._intake.status().kept_count, now_s)
        self._verdicts.seen(self._verdict_mark(), now_s)
        return not (self._samples.has_stopped(now_s) or self._verdicts.has_stopped(now_s))

    def _leave_learned(self) -> None:
        """Leave what was learned of each sensor for the next start."""
        self._learned_s = time.monotonic()
        self._write_state(QUALITY_KEY, self._judge.learned())

    def _leave_word(self, *, stopped: bool = False) -> None:
        """Leave the daemon's state in the store for `layday check`; a full disk must not end the daemon."""
        sources, intake = self.statuses()
        text = json.dumps(
            {
                "schema": "layday/daemon/1",
                "pid": os.getpid(),
                "stopped": stopped,
                "sources": [asdict(source) for source in sources],
                "intake": asdict(intake),
            },
            default=_plain,
        )
        self._left_word_s = time.monotonic()
        self._write_state(STATE_KEY, text, durable=stopped)

    def _write_state(self, key: str, text: str, *, durable: bool = True) -> None:
        try:
            self._store.write_state(key, State(text, self._clock.now(), durable))
        except Exception as error:  # noqa: BLE001  word of oneself is a courtesy, readings are the duty
            _log.warning("cannot leave word in the store: %s", error)


def _plain(value: object) -> str:
    if isinstance(value, datetime):
        return value.isoformat()
    raise TypeError(type(value).__name__)


def _sources(config: Config, clock: Clock) -> list[Source]:
    sources: list[Source] = []
    if config.listener.enabled:
        sources.append(Listener(config.listener, clock))
    if config.broker is not None:
        topics = [config.broker.subscription(each) for each in config.topic_filters]
        from collector.broker_client import BrokerClient  # a shed without a broker has no use for it

        sources.append(BrokerClient(config.broker, topics, clock))
    return sources
