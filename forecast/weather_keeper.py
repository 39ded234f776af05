"""Keep an outdoor forecast at hand: ask when due, keep each issue, and put it beside the readings."""

from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from collector.clock import Clock, from_us, to_us
from collector.errors import InputError, StoreError
from collector.source_config import BrokerConfig
from collector.weather_config import WeatherConfig
from forecast.past import AHEAD_STEPS, STEP_US, Array, History, Times
from forecast.weather import Outdoor, Place, grid_address, read_weather
from forecast.weather_book import WeatherBook
from forecast.weather_fetch import Fetcher, address
from forecast.weather_topic import retained

# What the experts look at, as columns of a history.
FOR_EXPERTS = ("air_c", "humidity_pct", "sun_w_m2", "wind_m_s")
# For hours that are past, what was expected at least a day before counts: a fit must not learn to
# trust a forecast more than it can be trusted a day ahead.
_BEFORE = timedelta(hours=24)
_REACH = timedelta(days=8)  # no service looks further ahead by the hour
_OLD = timedelta(hours=12)


def weather_book_path(store_path: Path) -> Path:
    """Return where a store's weather book lies: beside it."""
    return store_path.with_suffix(".weather.sqlite")


class WeatherKeeper:
    """Asks the configured service, keeps what it says in a book, and tells what is known ahead.

    `notes` says in words what is wrong with the weather; it is empty while all is well, or
    while no service is configured.
    """

    def __init__(
        self, config: WeatherConfig, book_path: Path, clock: Clock, broker: BrokerConfig | None = None
    ) -> None:
        self._config = config
        self._clock = clock
        self._broker = broker
        self._fetcher = Fetcher(book_path.with_suffix(".cache"), config.contact, clock)
        self._book: WeatherBook | None = None
        self.notes: tuple[str, ...] = ()
        if config.service != "off":
            try:
                self._book = WeatherBook(book_path)
            except StoreError as error:
                self.notes = (f"no outdoor forecast: {error}",)

    def refresh(self) -> None:
        """Ask where it is time to; whatever goes wrong becomes a note."""
        if self._book is None:
            return
        now = self._clock.now()
        try:
            outdoor = read_weather(self._ask(), self._place())
            self._book.keep(outdoor, now)
        except (InputError, StoreError) as error:
            self.notes = (f"no new outdoor forecast: {error}",)
            return
        self.notes = _age_notes(outdoor, now)

    def known(self, history: History) -> History:
        """Return `history` with what was known of the outdoors at its end, and day-old forecasts before.

        Without a forecast it is returned as it was.
        """
        if self._book is None or not len(history):
            return history
        start, end = from_us(int(history.times_us[0])), from_us(int(history.times_us[-1]))
        try:
            issues = self._book.issues(start - _REACH, end + timedelta(microseconds=STEP_US))
        except StoreError as error:
            self.notes = (f"no outdoor forecast: {error}",)
            return history
        ahead = outdoor_ahead(history, issues)
        return replace(history, ahead={**history.ahead, **ahead}) if ahead else history

    def _place(self) -> Place | None:
        north, east = self._config.latitude_deg, self._config.longitude_deg
        return None if north is None or east is None else Place(north, east)

    def _ask(self) -> str:
        if self._config.service == "file":
            return self._from_file()
        if self._config.service == "mqtt":
            return self._from_topic()
        return self._from_service()

    def _from_service(self) -> str:
        first = address(self._config)
        text = self._fetcher.get(first)
        if self._config.service != "weather_gov":
            return text
        # Which grid cell a place is in hardly ever changes, but it may: the points document expires too.
        return self._fetcher.get(grid_address(text, self._config.url))

    def _from_file(self) -> str:
        try:
            return Path(self._config.file).read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise InputError(f"{self._config.file}: {error}") from error

    def _from_topic(self) -> str:
        if self._broker is None:
            raise InputError("a weather topic needs a [broker]")
        return retained(self._broker, self._config.topic)


def outdoor_ahead(history: History, issues: list[tuple[datetime, Outdoor]]) -> dict[str, Array]:
    """Return the columns of `History.ahead` from forecasts by when they were heard, oldest first.

    Targets up to the last step take what was heard a day before them; later ones the newest.
    Quantities that no forecast has are left out.
    """
    count = len(history)
    last_us = int(history.times_us[-1])
    later = last_us + STEP_US * np.arange(1, AHEAD_STEPS + 1, dtype=np.int64)
    times = np.concatenate([history.times_us, later])
    columns = {name: np.full(count + AHEAD_STEPS, np.nan) for name in FOR_EXPERTS}
    for heard_at, outdoor in issues:
        for name, column in columns.items():
            _lay_over(column, outdoor.at(name, times), _first_target(heard_at, last_us, times))
    return {f"outdoor.{name}": column for name, column in columns.items() if np.isfinite(column).any()}


def _first_target(heard_at: datetime, last_us: int, times: Times) -> int:
    """Return the first step that this issue may speak for."""
    a_day_on = heard_at + _BEFORE
    at_us = min(to_us(a_day_on), last_us + STEP_US)
    return int(np.searchsorted(times, at_us))


def _lay_over(column: Array, values: Array, first: int) -> None:
    """Put a newer issue over an older one from step `first` on, where it says anything."""
    known = np.isfinite(values)
    known[:first] = False
    column[known] = values[known]


def _age_notes(outdoor: Outdoor, now: datetime) -> tuple[str, ...]:
    last = from_us(int(outdoor.times_us[-1]))
    if last <= now:
        return (f"the outdoor forecast ended at {last:%d %b %H:%M} UTC: it is not used",)
    if outdoor.issued_at is not None and now - outdoor.issued_at > _OLD:
        return (f"the outdoor forecast is of {outdoor.issued_at:%d %b %H:%M} UTC, and no newer one came",)
    return ()
