"""What a command needs to work: configuration, clock, store, and how to answer."""

import os
import sys
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Literal, overload

import platformdirs
from rich.console import Console

from collector.calibration import corrected
from collector.clock import Clock, SystemClock
from collector.config import Config, load_config
from collector.errors import ConfigError
from collector.store.base import Store
from collector.store.opening import open_store
from collector.store.sqlite import SqliteStore
from dashboards.told_time import told_time
from dashboards.view import Reader
from forecast.outlook_order import Files
from forecast.shed_limits import limits_of
from forecast.verdict import Limits, Verdict

CONFIG_VARIABLE = "LAYDAY_CONFIG"
EXIT_CODES = {Verdict.GO: 0, Verdict.NO_GO: 10, Verdict.TIGHT: 11, Verdict.NO_NEWS: 12}


@dataclass
class Session:
    """One invocation of layday.

    `config_path` is None where neither ``--config`` nor the variable names a file and the
    user's folder holds none: then every default holds.
    """

    config: Config
    config_path: Path | None
    json: bool = False
    plain: bool = False
    clock: Clock = field(default_factory=SystemClock)
    console: Console = field(default_factory=lambda: Console(highlight=False, soft_wrap=False))

    @property
    def store_path(self) -> Path:
        """The store's file."""
        named = self.config.store.path
        return Path(named) if named else platformdirs.user_data_path("layday") / "layday.sqlite"

    @property
    def journal_path(self) -> Path:
        """The journal's file, beside the store's."""
        return self.store_path.with_suffix(".journal.sqlite")

    @property
    def outlook_path(self) -> Path:
        """The file of outlooks, beside the store's."""
        return self.store_path.with_suffix(".outlook.sqlite")

    @property
    def files(self) -> Files:
        """Where everything is, for a process of its own."""
        return Files(
            self.config_path, self.store_path, self.journal_path, self.outlook_path, self.card_folders
        )

    @property
    def card_folders(self) -> tuple[Path, ...]:
        """Where the user's own resin cards are: ``cards`` beside the configuration file."""
        folder = self.config_path.parent if self.config_path else platformdirs.user_config_path("layday")
        return (folder / "cards",)

    @property
    def reader(self) -> Reader:
        """Whom the words are for."""
        return Reader(self.config.shed.zone, self.config.shed.units)

    @property
    def limits(self) -> Limits:
        """The limits as the verdict wants them."""
        return limits_of(self.config.limits)

    @overload
    def open_store(self, *, read_only: Literal[True]) -> Store: ...

    @overload
    def open_store(self) -> SqliteStore: ...

    def open_store(self, *, read_only: bool = False) -> Store:
        """Open the store: to write, with readings as measured; read-only, with calibrated ones corrected.

        Raises
        ------
        StoreError
            If it cannot be opened; read-only, also if there is none yet.
        """
        store = open_store(self.store_path, read_only=read_only)
        return corrected(store, self.config.corrections) if read_only else store

    def open_raw_store(self) -> SqliteStore:
        """Open the store read-only, with every reading as measured.

        Raises
        ------
        StoreError
            If it cannot be opened, or there is none yet.
        """
        return open_store(self.store_path, read_only=True)

    def moment(self, text: str | None, option: str = "--at") -> datetime:
        """Return the time that an option names, or now; how a doubtful one was read goes to standard error.

        Raises
        ------
        InputError
            If the text is no time.
        """
        if text is None:
            return self.clock.now()
        told = told_time(text, self.clock.now(), self.config.shed.zone, option)
        if told.remark:
            print(f"layday: {told.remark}", file=sys.stderr)  # noqa: T201  the answer itself may be JSON
        return told.at


def open_session(config_file: str | None, *, json: bool = False, plain: bool = False) -> Session:
    """Find and read the configuration: ``--config``, then ``LAYDAY_CONFIG``, then the user's folder.

    Raises
    ------
    ConfigError
        With every mistake of the file, or if a named file is missing.
    """
    named = config_file or os.environ.get(CONFIG_VARIABLE)
    path = Path(named) if named else platformdirs.user_config_path("layday") / "layday.toml"
    if path.is_file():
        return Session(load_config(path), path, json=json, plain=plain)
    if named:
        whence = "--config" if config_file else CONFIG_VARIABLE
        raise ConfigError([f"{path}: (file): does not exist; {whence} names it"])
    return Session(Config(), None, json=json, plain=plain)
