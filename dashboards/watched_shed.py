"""What the live screen needs to know of the configuration, so that it need not load what reads one.

`layday watch` reads and checks the configuration, writes this down, and gives its place to a process that
loads neither pydantic nor typer: a screen stays for weeks, on a small computer.
"""

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal
from zoneinfo import ZoneInfo

from collector.clock import Clock
from collector.correction import Correction, Corrections
from collector.domain import Sensor
from collector.store.newest import NewestRows, open_newest
from dashboards.view import Reader
from forecast.verdict import Limits

if TYPE_CHECKING:
    from collector.store.base import Store
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

    @property
    def corrections(self) -> Corrections:
        """What makes calibrated sensors true."""
        return {one.sensor: one.corrections for one in self.calibrated}

    def open_newest(self) -> NewestRows:
        """Open the store to read its newest readings, calibrated ones corrected.

        Raises
        ------
        StoreError
            If there is none yet, or it cannot be opened.
        """
        return open_newest(self.store_file, self.corrections)

    def open_store(self) -> "Store":
        """Open the whole store to read, calibrated readings corrected; only this loads arrays.

        Raises
        ------
        StoreError
            If there is none yet, or it cannot be opened.
        """
        from collector.calibration import corrected
        from collector.store.opening import open_store

        store = open_store(self.store_file, read_only=True)
        return corrected(store, self.corrections)

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
