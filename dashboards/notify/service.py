"""The process that watches: looks at each new outlook, keeps alarms, and sends what is to be told.

Started beside the daemon by `collector.child`. It reads store and outlooks, and writes only its own file.
When the daemon stops as planned, it says so and leaves in good order; when the daemon is killed, this process
ends at once, so that the broker gives its last will and the push server tells of the silence.
"""

import json
import logging
import os
import threading
import time as clocks
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from pathlib import Path

from collector.calibration import corrected
from collector.child_pipe import read_order
from collector.clock import Clock
from collector.config import Config, load_config
from collector.domain import Flag
from collector.errors import LaydayError, SourceError
from collector.file_mark import file_mark
from collector.notify_config import NotifyConfig
from collector.store.base import Store
from collector.store.opening import open_store
from dashboards.notify.alarm_file import AlarmFile, alarm_path, open_alarm_file
from dashboards.notify.channels import open_senders
from dashboards.notify.courier import Courier, Letterhead
from dashboards.notify.desk import Desk, alarms_json
from dashboards.notify.heartbeat import Hours, SilenceGuard, words_due
from dashboards.notify.heater_seen import heater_seen
from dashboards.notify.outbox import Outbox
from dashboards.notify.quiet import QuietHours
from dashboards.notify.scene import Gas, Scene
from dashboards.notify.senders.http import PushSender
from dashboards.notify.senders.mqtt import MqttSender, watch_json
from dashboards.notify.watch import Policy
from dashboards.view import Reader
from forecast.outlook import Outlook
from forecast.outlook_book import open_outlooks
from forecast.outlook_order import read_order as order_in

LOOK_EVERY = timedelta(minutes=1)
QUICKEST_LOOK_S = 2.0  # however fast the clock runs
_PACE_S = 1.0
_GAS = timedelta(minutes=15)
_A_DAY_S = 86_400.0
_A_US = timedelta(microseconds=1)

_log = logging.getLogger(__name__)


def policy_of(config: Config) -> Policy:
    """Return when people may be disturbed, as the configuration has it."""
    notify = config.notify
    quiet = None
    if notify.quiet_from:
        quiet = QuietHours(_clock(notify.quiet_from), _clock(notify.quiet_to), config.shed.zone)
    return Policy(quiet, timedelta(minutes=notify.escalate_min))


def _clock(text: str) -> time:
    return time.fromisoformat(text)


def people_of(notify: NotifyConfig) -> list[tuple[str, ...]]:
    """Return each person's channels; those who have none are not there."""
    return [channels for channels in (notify.first, notify.second) if channels]


def letterhead_of(config: Config) -> Letterhead:
    """Return whom messages come from and whom they are for."""
    return Letterhead(config.shed.name, Reader(config.shed.zone, config.shed.units))


def desk_of(file: AlarmFile, config: Config) -> Desk:
    """Return the desk of a shed, as the configuration has it."""
    return Desk(file, letterhead_of(config), policy_of(config), len(people_of(config.notify)))


@dataclass(frozen=True, slots=True)
class Sources:
    """Where scenes come from; the outlooks' file may not be there yet."""

    store: Store
    outlook_file: Path

    def scene(self, at: datetime, *, jobs_wait: bool) -> Scene | None:
        """Return what there is to judge at a moment; None where nobody made an outlook yet.

        `jobs_wait` says whether somebody configured jobs, so that windows are worth telling.
        """
        book = open_outlooks(self.outlook_file, read_only=True)
        if book is None:
            return None
        try:
            outlook = book.newest(at)
            if outlook is None:
                return None
            before = book.newest(outlook.issued_at - _A_US)
        finally:
            book.close()
        return scene_of(outlook, before, at, self._gas(at), jobs_wait=jobs_wait)

    def _gas(self, at: datetime) -> tuple[Gas, ...]:
        latest = self.store.latest(at, _GAS)
        return tuple(
            Gas(name.rpartition(".")[0], reading.value, reading.at)
            for name, reading in latest.items()
            if name.endswith(".co_ppm") and reading.flags == Flag.NONE
        )


def scene_of(
    outlook: Outlook,
    before: Outlook | None,
    at: datetime,
    gas: Sequence[Gas] = (),
    *,
    jobs_wait: bool = False,
) -> Scene:
    """Return the scene of an outlook, and of the one made before it."""
    windows = [one for bay in outlook.bays for one in bay.windows] if jobs_wait else []
    return Scene(
        at,
        outlook,
        None if before is None else before.heard_at,
        heaters=tuple(heater_seen(bay.heater) for bay in outlook.bays if bay.heater is not None),
        windows=tuple(windows),
        gas=tuple(gas),
    )


class WatchService:
    """Looks, and lets everybody know; `look` is to be called about once a second."""

    def __init__(self, desk: Desk, sources: Sources, config: Config, clock: Clock) -> None:
        self._desk = desk
        self._sources = sources
        self._config = config
        self._clock = clock
        self._every_s = max(clock.real_seconds(LOOK_EVERY), QUICKEST_LOOK_S)
        notify = config.notify
        self._hours = Hours(
            _clock(notify.evening) if notify.evening else None,
            _clock(notify.morning) if notify.morning else None,
            config.shed.zone,
            quiet=bool(notify.quiet_from),
        )
        self._looked_s = float("-inf")
        self._mark: object = None

    def look(self) -> Scene | None:
        """Judge the newest outlook if it is new, or a minute after the last look; None if it was not due."""
        mark = file_mark(self._sources.outlook_file)
        since_s = clocks.monotonic() - self._looked_s
        if since_s < QUICKEST_LOOK_S or (mark == self._mark and since_s < self._every_s):
            return None
        self._mark, self._looked_s = mark, clocks.monotonic()
        at = self._clock.now()
        scene = self._sources.scene(at, jobs_wait=bool(self._config.job))
        if scene is not None:
            made = self._desk.look(scene)
            for message in words_due(scene.outlook, made.watch, at, self._hours, letterhead_of(self._config)):
                self._desk.post(message)
        return scene


class Office:
    """Everything of this process that works on its own: couriers, broker, the guard against silence."""

    def __init__(self, desk: Desk, file: AlarmFile, config: Config, clock: Clock) -> None:
        self._desk = desk
        self._clock = clock
        self._senders = open_senders(config, self._acknowledge)
        outbox, letterhead = Outbox(file), letterhead_of(config)
        self._outbox = outbox
        self._couriers = [
            Courier(outbox, person, [(name, self._senders[name]) for name in names], clock, letterhead)
            for person, names in enumerate(people_of(config.notify))
        ]
        named = {name for names in people_of(config.notify) for name in names}
        pushes = [one for name, one in self._senders.items() if name in named and isinstance(one, PushSender)]
        no_word = timedelta(minutes=config.notify.no_word_min)
        self._guard = SilenceGuard(pushes, clock, letterhead, no_word)
        self._tidied_s = float("-inf")

    def start(self) -> None:
        """Begin."""
        for courier in self._couriers:
            courier.start()
        self._guard.start()

    def after(self, scene: Scene) -> None:
        """Show what stands after a look, and have silence told of while a cure is live."""
        watched = bool(scene.outlook.cures) and not scene.is_stale
        self._guard.want(on=watched)
        self.show("no news" if scene.is_stale else "on")
        if clocks.monotonic() - self._tidied_s > _A_DAY_S:
            self._tidied_s = clocks.monotonic()
            self._outbox.tidy(scene.at)
            self._desk.tidy(scene.at)

    def show(self, state: str) -> None:
        """Keep what stands on every broker."""
        for sender in self._senders.values():
            if isinstance(sender, MqttSender):
                sender.show("watch", watch_json(state))
                sender.show("alarms", json.dumps(alarms_json(self._desk.watch()), ensure_ascii=False))

    def stop(self) -> None:
        """Leave in good order."""
        for sender in self._senders.values():
            sender.close()  # first, so that the broker learns of it however long the others take
        self._guard.stop()
        for courier in self._couriers:
            courier.stop()

    def _acknowledge(self, names: list[str], by: str) -> None:
        self._desk.acknowledge(names, by, self._clock.now())


def serve(service: WatchService, office: Office, stopping: threading.Event) -> None:
    """Watch until told to stop."""
    office.start()
    office.show("on")
    while not stopping.wait(_PACE_S):
        try:
            scene = service.look()
            if scene is not None:
                office.after(scene)
        except LaydayError as error:
            _log.warning("alarms are not judged: %s", error)
    office.stop()


def main() -> None:
    """Read the order from standard input, and work until the daemon says stop or is gone."""
    stopping = threading.Event()
    order = order_in(read_order(stopping.set, orphaned=lambda: os._exit(0)).encode())
    logging.basicConfig(level=order.log_level, format="%(levelname)s %(name)s: %(message)s")
    config = load_config(Path(order.config_file)) if order.config_file else Config()
    clock = order.clock()
    with ExitStack() as undo:
        file = open_alarm_file(alarm_path(Path(order.store_file)))
        if file is None:
            raise SourceError("the file of alarms cannot be made")
        undo.callback(file.close)
        store = open_store(Path(order.store_file), read_only=True)
        undo.callback(store.close)
        desk = desk_of(file, config)
        sources = Sources(corrected(store, config.corrections), Path(order.outlook_file))
        serve(WatchService(desk, sources, config, clock), Office(desk, file, config, clock), stopping)
