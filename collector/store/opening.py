"""How a store is opened: a file of the shed's own, or one shed of a central store."""

import os

from collector.clock import Clock, SystemClock
from collector.errors import InputError
from collector.store.address import NO_ACCESS, Access, Address
from collector.store.central import CentralStore, Engine
from collector.store.file import open_file
from collector.store.sqlite import SqliteStore


def open_store(path: str | os.PathLike[str], *, read_only: bool = False) -> SqliteStore:
    """Open the store at `path`; unless `read_only`, make it and its folders where they are missing.

    A store opened to read only never holds up the process that writes.

    Raises
    ------
    StoreError
        If there is none (`read_only`), it was made by a later layday, it is no store, another
        program holds it locked, or this user may not open it.
    """
    return SqliteStore(open_file(path, read_only=read_only))


def open_central(address: Address, access: Access = NO_ACCESS, clock: Clock | None = None) -> CentralStore:
    """Open one shed of a central store, to read.

    Raises
    ------
    InputError
        If the address names no shed and there is not exactly one.
    StoreError
        If it does not answer, or refuses.
    """
    engine = open_engine(address, access, clock or SystemClock())
    try:
        shed = address.shed or _only_shed(engine, address)
    except BaseException:
        engine.close()
        raise
    return CentralStore(engine, shed, str(address.of(shed)))


def open_engine(address: Address, access: Access, clock: Clock) -> Engine:
    """Open a central store itself, with all its sheds.

    Raises
    ------
    StoreError
        If the files that open it cannot be read.
    """
    # loaded only here: intake and the commands on a shed's own store never need them
    from collector.store.http import HttpReader
    from collector.store.influx import InfluxEngine
    from collector.store.victoria import VictoriaEngine

    http = HttpReader(address, access)
    return InfluxEngine(http) if address.kind == "influx" else VictoriaEngine(http, clock)


def _only_shed(engine: Engine, address: Address) -> str:
    sheds = engine.sheds()
    if len(sheds) == 1:
        return sheds[0]
    known = f"one of {', '.join(sheds)}" if sheds else "none has forwarded anything yet"
    raise InputError(f"{address}: name a shed at its end, as in {address.of('gull')}: {known}")
