"""The process that makes outlooks: reads the store, writes the outlooks' own file, and nothing else.

Started by `forecast.outlook_child`. Every five minutes, and at once after an entry in the journal
or a jump in the readings, it says what is known and expected. It never writes the store.
"""

import contextlib
import logging
import os
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING

from collector.calibration import corrected
from collector.clock import Clock
from collector.config import Config, load_config
from collector.errors import InputError, LaydayError
from collector.file_mark import file_mark
from collector.journal import open_journal
from collector.journal_book import EMPTY, Book
from collector.store.base import Store
from collector.store.opening import open_store
from forecast.forecaster import Forecaster
from forecast.heater_keeper import HeaterKeeper
from forecast.heater_state import Sign
from forecast.learned_odds import LearnedOdds
from forecast.outages import outage_notes, outages, without_outages
from forecast.outlook import Outlook
from forecast.outlook_book import OutlookBook, open_outlooks
from forecast.outlook_json import dump_outlook
from forecast.outlook_maker import Shed, make_outlook, shed_of
from forecast.outlook_order import Order, read_order
from forecast.outlook_topic import OutlookTopic
from forecast.past import read_store
from forecast.programme import with_programme
from forecast.shed_now import ShedNow, shed_now
from forecast.verdict import BayNow
from forecast.weather_keeper import WeatherKeeper, weather_book_path

if TYPE_CHECKING:
    from forecast.heater_state import HeaterOutlook
    from forecast.past import History
    from forecast.paths import Forecast
    from forecast.unheated import Unheated

REFRESH = timedelta(minutes=5)
QUICKEST_REFRESH_S = 10.0  # however fast the clock runs
LOOK_EVERY_S = 1.0
LEARN_EVERY_S = 3600.0  # what the shed's own starts teach changes slowly
CALM_S = 15.0
"""Jumps make at most one outlook in so long."""
JUMPS = {"air_c": 1.5, "part_c": 1.0, "humidity_pct": 6.0}
"""A change in a bay since the last outlook worth another at once, in the quantity's unit: our choice."""
_NICE = 10
_OOM_FIRST = "600"

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Inputs:
    """Where an outlook's readings and entries come from; `setpoint_c` by local hours of `zone`."""

    store: Store
    shed: Shed
    journal: Path
    weather: WeatherKeeper | None = None
    heater: HeaterKeeper | None = None
    setpoint_c: tuple[float, ...] = ()
    zone: tzinfo = UTC

    def book(self) -> Book:
        """Return the journal; nothing where nobody has begun one."""
        found = open_journal(self.journal, read_only=True)
        if found is None:
            return EMPTY
        try:
            return found.book()
        finally:
            found.close()


class OutlookService:
    """Decides when an outlook is due, and makes it.

    `keep` is called with each. `look` is to be called about once a second.
    """

    def __init__(self, inputs: Inputs, clock: Clock, keep: Callable[[Outlook], None]) -> None:
        self._inputs = inputs
        self._clock = clock
        self._keep = keep
        self._every_s = max(clock.real_seconds(REFRESH), QUICKEST_REFRESH_S)
        self._made_s = self._looked_ahead_s = float("-inf")
        self._journal_mark: object = None
        self._basis: ShedNow | None = None
        self._forecast: Forecast | None = None
        self._forecaster = Forecaster()
        self._history: History | None = None
        self._learned: LearnedOdds | None = None
        self._learned_s = float("-inf")
        self._heater: HeaterOutlook | None = None
        self._unheated: Unheated | None = None
        self._out_until_us = 0
        self._told_out: list[tuple[datetime, datetime]] = []
        self._heater_asked = inputs.heater is None
        self._notes: tuple[str, ...] = ("the first forecast is being worked out",)

    def look(self) -> str:
        """Make an outlook if one is due; return why it was, empty if it was not."""
        why = self._due()
        if why in {"time", "jump"}:
            self._look_ahead()
        if why == "heater" or (why in {"time", "jump"} and self._heater_asked):
            self._look_at_heater()
        if why:
            self._make()
        return why

    def forget_forecast(self) -> None:
        """Go by the last hours until the next forecast: what was made of this one cannot be."""
        self._forecast = self._heater = self._unheated = None
        self._forecaster = Forecaster()
        self._learned, self._learned_s = None, float("-inf")
        self._notes = ("the last forecast failed",)
        self._basis = None

    def _due(self) -> str:
        """Return why an outlook is due; the first is made at once, its forecast follows."""
        mark = file_mark(self._inputs.journal)
        if self._basis is None or mark != self._journal_mark:
            self._journal_mark = mark
            return "first" if self._basis is None else "mark"
        if time.monotonic() - self._looked_ahead_s >= self._every_s:
            return "time"
        if not self._heater_asked:  # its first answer takes long; the forecast need not wait for it
            return "heater"
        if time.monotonic() - self._made_s >= CALM_S and jumped(self._basis, self._now()):
            return "jump"
        return ""

    def _now(self) -> ShedNow:
        shed = self._inputs.shed
        return shed_now(self._inputs.store, shed.name, shed.sensors, shed.limits, self._clock.now())

    def _look_ahead(self) -> None:
        """Work out the forecast; where that cannot be done, say why and keep the last one while fresh."""
        self._looked_ahead_s = time.monotonic()
        at = self._clock.now()
        try:
            inputs = self._inputs
            past = read_store(inputs.store, at)
            history = with_programme(without_outages(past, self._told_out), inputs.setpoint_c, inputs.zone)
            if (weather := inputs.weather) is not None:
                weather.refresh()
                history = weather.known(history)
            self._history = history
            self._forget_outage(past)
            self._forecast = self._forecaster.refresh(history, at)
            if time.monotonic() - self._learned_s >= LEARN_EVERY_S:
                self._learned = LearnedOdds(history, self._forecaster.points)
                self._learned_s = time.monotonic()
            self._notes = (*outage_notes(past, self._told_out), *(() if weather is None else weather.notes))
        except InputError as error:
            self._notes = (str(error),)

    def _forget_outage(self, past: "History") -> None:
        """Begin anew once the heater's being out is over: what was said and weighed meanwhile was amiss."""
        out = past.times_us[outages(past, self._told_out)]
        if len(out) and out[-1] > self._out_until_us:
            self._forecaster = Forecaster()
            self._learned_s = float("-inf")
            self._out_until_us = int(out[-1])

    def _look_at_heater(self) -> None:
        """Ask about the heater; what cannot be said of it is said so, and leaves all else as it is."""
        self._heater_asked = True
        keeper = self._inputs.heater
        if keeper is None:
            return
        self._unheated = None
        try:
            self._heater = keeper.look(
                self._inputs.store, self._clock.now(), self._inputs.book(), self._history
            )
            self._note_outage(self._heater)
            if self._forecast is not None:
                self._unheated = keeper.unheated(self._forecast, self._history)
        except (InputError, ValueError) as error:
            self._heater = None
            self._notes = (*self._notes, f"nothing can be said of the heater: {error}")

    def _note_outage(self, heater: "HeaterOutlook | None") -> None:
        """Remember since when it is out: where a relay calls in vain, readings show nothing of it later."""
        if heater is None or heater.sign is not Sign.HEATER_STOPPED or heater.sign_since is None:
            return
        since = heater.sign_since
        if self._told_out and since <= self._told_out[-1][1]:
            since = min(since, self._told_out.pop()[0])
        self._told_out.append((since, heater.at))

    def _make(self) -> None:
        at = self._clock.now()
        inputs = self._inputs
        self._basis = self._now()
        notes = self._notes
        if not self._heater_asked and inputs.heater is not None and inputs.heater.is_there(inputs.store):
            notes = (*notes, "the heater is being measured")
        outlook = make_outlook(
            inputs.store,
            inputs.shed,
            at,
            forecast=self._forecast,
            book=inputs.book(),
            heater=self._heater,
            learned=self._learned,
            unheated=self._unheated,
            notes=notes,
        )
        self._keep(outlook)
        self._made_s = time.monotonic()


def jumped(before: ShedNow, now: ShedNow) -> bool:
    """Say whether bays have come or gone, or one's verdict or readings have changed by more than a little."""
    if [bay.bay for bay in before.bays] != [bay.bay for bay in now.bays]:
        return True
    return any(_jumped(old, new) for old, new in zip(before.bays, now.bays, strict=True))


def _jumped(old: BayNow, new: BayNow) -> bool:
    if old.verdict is not new.verdict:
        return True
    for quantity, least in JUMPS.items():
        was, now = getattr(old, quantity), getattr(new, quantity)
        if (was is None) != (now is None) or (was is not None and abs(now - was) >= least):
            return True
    return False


def serve(order: Order, config: Config, stopping: threading.Event, alive: Callable[[], None]) -> None:
    """Make outlooks until told to stop; `alive` is called about once a second.

    Raises
    ------
    LaydayError
        If the outlooks' file cannot be opened.
    """
    clock = order.clock()
    outlooks = open_outlooks(Path(order.outlook_file))
    topic = OutlookTopic(config.broker, config.shed.name) if config.broker is not None else None
    folders = tuple(Path(folder) for folder in order.card_folders)
    shed = shed_of(config, folders)
    with contextlib.ExitStack() as undo:
        if outlooks is not None:
            undo.callback(outlooks.close)
        if topic is not None:
            undo.callback(topic.close)
        store = corrected(open_store(Path(order.store_file), read_only=True), config.corrections)
        undo.callback(store.close)
        weather_file = weather_book_path(Path(order.store_file))
        weather = WeatherKeeper(config.weather, weather_file, clock, config.broker)
        inputs = Inputs(
            store,
            shed,
            Path(order.journal_file),
            weather,
            HeaterKeeper(config, folders),
            config.heater.setpoint_c,
            config.shed.zone,
        )
        service = OutlookService(inputs, clock, lambda outlook: _keep(outlooks, topic, outlook))
        while not stopping.is_set():
            try:
                if why := service.look():
                    _log.log(logging.INFO if why == "first" else logging.DEBUG, "outlook made: %s", why)
            except LaydayError as error:
                _log.warning("no outlook could be made: %s", error)
                stopping.wait(CALM_S)
            except Exception:  # noqa: BLE001  a fault of ours in one forecast must not end the watch over the cures
                _log.exception("the outlook failed; please report it")
                service.forget_forecast()
                stopping.wait(CALM_S)
            alive()
            stopping.wait(LOOK_EVERY_S)


def _keep(outlooks: OutlookBook | None, topic: OutlookTopic | None, outlook: Outlook) -> None:
    if outlooks is not None:
        outlooks.keep(outlook)
    if topic is not None:
        topic.publish(dump_outlook(outlook))


def main() -> None:
    """Read the order from standard input, and work until that pipe ends."""
    _step_back()
    order = read_order(sys.stdin.buffer.readline())
    logging.basicConfig(level=order.log_level, format="%(levelname)s %(name)s: %(message)s")
    threading.Thread(target=_end_with_parent, name="parent", daemon=True).start()
    try:
        config = load_config(Path(order.config_file)) if order.config_file else Config()
        serve(order, config, threading.Event(), _sign_of_life)
    except LaydayError as error:
        _log.error("no outlooks: %s", error)
        sys.exit(1)


def _step_back() -> None:
    """Let readings go first, for the processor and when memory runs out."""
    with contextlib.suppress(OSError):
        os.nice(_NICE)
    with contextlib.suppress(OSError):
        Path("/proc/self/oom_score_adj").write_text(_OOM_FIRST, encoding="ascii")


def _end_with_parent() -> None:
    """End at once when the pipe does: files are written in transactions, so there is nothing to tidy."""
    with contextlib.suppress(OSError):
        while sys.stdin.buffer.read(4096):
            pass
    os._exit(0)


def _sign_of_life() -> None:
    try:
        os.write(sys.stdout.fileno(), b".")
    except OSError:  # nobody listens any more
        os._exit(0)
