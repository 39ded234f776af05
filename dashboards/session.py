"""What a command needs to work: configuration, clock, store, and how to answer."""

import os
import sys
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Literal, overload

import platformdirs

from collector.central_config import CentralConfig
from collector.clock import Clock, SystemClock
from collector.config import Config, load_config
from collector.errors import ConfigError, InputError
from collector.shared_settings import with_settings
from collector.store.address import Access, Address, is_address, parse_address
from dashboards.terminal.signs import has_signs
from dashboards.told_time import told_time
from dashboards.view import Reader
from forecast.outlook_order import Files
from forecast.shed_limits import limits_of
from forecast.verdict import Limits, Verdict

if TYPE_CHECKING:
    from rich.console import Console

    from collector.store.base import Store
    from collector.store.sqlite import SqliteStore

CONFIG_VARIABLE = "LAYDAY_CONFIG"
EXIT_CODES = {Verdict.GO: 0, Verdict.NO_GO: 10, Verdict.TIGHT: 11, Verdict.NO_NEWS: 12}


@dataclass
class Session:
    """One invocation of layday.

    `config_path` is None where neither ``--config`` nor the variable names a file and the
    user's folder holds none: then every default holds. `central` is where ``--store`` names a
    central store; `config` then has the shed's own settings, as far as they were forwarded.
    """

    config: Config
    config_path: Path | None
    json: bool = False
    plain: bool = False
    central: Address | None = None
    clock: Clock = field(default_factory=SystemClock)

    @cached_property
    def console(self) -> "Console":
        """Where answers go; loaded when there is one, for the daemon has none and would keep 3 MB for it."""
        from rich.console import Console

        return Console(highlight=False, soft_wrap=False)

    @property
    def store_path(self) -> Path:
        """The store's file."""
        named = self.config.store.path
        return Path(named) if named else platformdirs.user_data_path("layday") / "layday.sqlite"

    @property
    def journal_path(self) -> Path:
        """The journal's file, beside the store's; `InputError` where the store is a central one."""
        self.need_own_files()
        return self.store_path.with_suffix(".journal.sqlite")

    @property
    def outlook_path(self) -> Path:
        """The file of outlooks, beside the store's; `InputError` where the store is a central one."""
        self.need_own_files()
        return self.store_path.with_suffix(".outlook.sqlite")

    def need_own_files(self) -> None:
        """See that nobody puts a shed's readings from afar beside this desk's own journal.

        Raises
        ------
        InputError
            If ``--store`` names a central store.
        """
        if self.central is not None:
            raise InputError(
                f"--store {self.central}: this needs the shed's own files; of a shed afar, ask now, tonight, "
                "ahead, windows or hindcast"
            )

    @property
    def files(self) -> Files:
        """Where everything is, for a process of its own."""
        return Files(
            self.config_path, self.store_path, self.journal_path, self.outlook_path, self.card_folders
        )

    @property
    def card_folders(self) -> tuple[Path, ...]:
        """Where the user's own resin cards are: ``cards`` beside the configuration file."""
        return ((self.config_path or usual_config_path()).parent / "cards",)

    @property
    def reader(self) -> Reader:
        """Whom the words are for."""
        return Reader(self.config.shed.zone, self.config.shed.units, not has_signs(self.console.encoding))

    @property
    def limits(self) -> Limits:
        """The limits as the verdict wants them."""
        return limits_of(self.config.limits)

    @property
    def central_access(self) -> Access:
        """The files that open the central store."""
        return central_access(self.config)

    @overload
    def open_store(self, *, read_only: Literal[True]) -> "Store": ...

    @overload
    def open_store(self) -> "SqliteStore": ...

    def open_store(self, *, read_only: bool = False) -> "Store":
        """Open the store: to write, with readings as measured; read-only, with calibrated ones corrected.

        Read-only, it may be a shed's at a central store.

        Raises
        ------
        InputError
            If a central store is to be written, or its address names none of several sheds.
        StoreError
            If it cannot be opened; read-only, also if there is none yet.
        """
        if read_only:
            from collector.calibration import corrected  # here, as it loads numpy, and so does a whole store

            return corrected(self.open_raw_store(), self.config.corrections)
        if self.central is not None:
            raise InputError(f"--store {self.central}: is only read from here; give a file to write to")
        from collector.store.opening import open_store

        return open_store(self.store_path)

    def open_raw_store(self) -> "Store":
        """Open the store read-only, with every reading as measured.

        Raises
        ------
        StoreError
            If it cannot be opened, or there is none yet.
        """
        from collector.store.opening import open_central, open_store

        if self.central is not None:
            return open_central(self.central, self.central_access, self.clock)
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


def usual_config_path() -> Path:
    """Return where a user's configuration is looked for when none is named."""
    return platformdirs.user_config_path("layday") / "layday.toml"


def central_access(config: Config) -> Access:
    """Return the files that open the central store: the desk's, else those that the shed forwards with."""
    return config.central.access if config.central != CentralConfig() else config.forward.access


def open_session(
    config_file: str | None, *, store: str | None = None, json: bool = False, plain: bool = False
) -> Session:
    """Find and read the configuration: ``--config``, then ``LAYDAY_CONFIG``, then the user's folder.

    `store` is another store to use: a file, or a central store's address.

    Raises
    ------
    ConfigError
        With every mistake of the file, or if a named file is missing.
    InputError, StoreError
        If `store` is no address, or that central store does not answer.
    """
    session = _configured(config_file, json=json, plain=plain)
    if store is None:
        return session
    if not is_address(store):
        kept = session.config.store.model_copy(update={"path": str(Path(store).expanduser().absolute())})
        return replace(session, config=session.config.model_copy(update={"store": kept}))
    return _at_central(session, parse_address(store))


def _at_central(session: Session, address: Address) -> Session:
    """Point a session at a central store, and take the shed's own settings from it where it names one."""
    session = replace(session, central=address)
    if not address.shed:
        return session
    store = session.open_store(read_only=True)
    try:
        state = store.read_state("settings")
    finally:
        store.close()
    if state is None:
        return session
    try:
        return replace(session, config=with_settings(session.config, state.text))
    except InputError as error:
        print(f"layday: {error}; this desk's are used", file=sys.stderr)  # noqa: T201  the answer may be JSON
        return session


def _configured(config_file: str | None, *, json: bool, plain: bool) -> Session:
    named = config_file or os.environ.get(CONFIG_VARIABLE)
    path = Path(named) if named else usual_config_path()
    if path.is_file():
        return Session(load_config(path), path, json=json, plain=plain)
    if named:
        whence = "--config" if config_file else CONFIG_VARIABLE
        raise ConfigError([f"{path}: (file): does not exist; {whence} names it"])
    return Session(Config(), None, json=json, plain=plain)
