"""What the live screen needs to know of the configuration, so that it need not load what reads one.

`layday watch` reads and checks the configuration, writes this down, and gives its place to a process that
loads neither pydantic nor typer: a screen stays for weeks, on a small computer.
"""

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal
from zoneinfo import ZoneInfo

from collector.calibration import Correction, corrected
from collector.clock import Clock
from collector.domain import Sensor
from collector.store.base import Store
from collector.store.opening import open_store
from dashboards.view import Reader
from forecast.verdict import Limits

if TYPE_CHECKING:
    from dashboards.session import Session


@dataclass(frozen=True, slots=True)
class Calibrated:
    """A calibrated sensor and its corrections."""

    sensor: str
    corrections: tuple[Correction, ...]


@dataclass(frozen=True, slots=True)
class WatchedShed:
    """One shed to watch. `config` and `store` are as given on the command line, for `session`."""

    name: str
    timezone: str
    us_units: bool
    limits: Limits
    sensors: tuple[Sensor, ...]
    calibrated: tuple[Calibrated, ...]
    store_file: str
    journal_file: str
    outlook_file: str
    config: str | None
    store: str | None

    @property
    def reader(self) -> Reader:
        """Whom the words are for."""
        units: Literal["us", "metric"] = "us" if self.us_units else "metric"
        return Reader(ZoneInfo(self.timezone), units)

    def open_store(self) -> Store:
        """Open the store to read, calibrated readings corrected.

        Raises
        ------
        StoreError
            If there is none yet, or it cannot be opened.
        """
        store = open_store(Path(self.store_file), read_only=True)
        return corrected(store, {one.sensor: one.corrections for one in self.calibrated})

    def session(self, clock: Clock) -> "Session":
        """Return the whole session; what it takes is loaded only here.

        Raises
        ------
        ConfigError
            If the configuration is no longer as it was.
        """
        from dashboards.session import open_session

        return replace(open_session(self.config, store=self.store), clock=clock)


def watched_shed(session: "Session") -> WatchedShed:
    """Return what there is to know of a session's shed."""
    config = session.config
    return WatchedShed(
        name=config.shed.name,
        timezone=config.shed.timezone,
        us_units=config.shed.units == "us",
        limits=session.limits,
        sensors=tuple(config.sensors.values()),
        calibrated=tuple(Calibrated(name, tuple(found)) for name, found in config.corrections.items()),
        store_file=str(session.store_path.absolute()),
        journal_file=str(session.journal_path.absolute()),
        outlook_file=str(session.outlook_path.absolute()),
        config=None if session.config_path is None else str(session.config_path.absolute()),
        store=str(session.store_path.absolute()),
    )
