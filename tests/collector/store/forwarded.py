"""Stores whose readings go through a shed's SQLite and the forwarder to a central store, and come back."""

from collections.abc import Sequence
from itertools import count
from pathlib import Path
from typing import Any

from collector.clock import SystemClock, from_us, to_us
from collector.domain import Reading, Rejected
from collector.forward.forwarder import Forwarder, Note
from collector.forward.sender import Sender
from collector.forward.spool import Spool
from collector.store.address import NO_ACCESS
from collector.store.base import Added, Mark, Store
from collector.store.opening import open_central, open_store
from tests.central import Central

_numbers = count()


class ForwardedStore:
    """Takes readings like a shed, forwards each batch, and answers from the central store."""

    def __init__(self, central: Central, path: Path) -> None:
        number = next(_numbers)
        clock = SystemClock()
        self._notes: list[Note] = []
        address = central.make_bucket("contract").of(f"shed{number}")
        self._central = central
        self._shed = open_store(path)
        self._spool = Spool(path)
        self._spool.begin(str(address))
        self._sender = Sender(address, NO_ACCESS, "layday", clock)
        self._forwarder = Forwarder(
            self._spool,
            self._sender,
            clock,
            shed=address.shed,
            address=str(address),
            notes=lambda: self._notes,
            every_s=0.0,
        )
        self.reader = open_central(address, NO_ACCESS, clock)

    def add(
        self, readings: Sequence[Reading], rejected: Sequence[Rejected] = (), marks: Sequence[Mark] = ()
    ) -> Added:
        """Add to the shed's store, and forward until nothing waits."""
        added = self._shed.add(readings, rejected, marks)
        self._forward()
        return added

    def tell(self, key: str, text: str) -> None:
        """Forward a text."""
        self._notes = [Note(key, text)]
        self._forward()

    def another(self, path: Path) -> "ForwardedStore":
        """Return another shed on the same central store."""
        return ForwardedStore(self._central, path)

    @property
    def grain_us(self) -> int:
        """The step of time that the central store keeps."""
        return 1000 if self._central.kind == "victoria" else 1

    def _forward(self) -> None:
        while self._forwarder.step():
            pass
        self._central.settled()

    def close(self) -> None:
        """Close all of them."""
        for each in (self._shed, self._spool, self._sender, self.reader):
            each.close()

    def __getattr__(self, name: str) -> Any:  # noqa: ANN401  the rest is the reader's own
        return getattr(self.reader, name)


def as_kept(store: Store, told: Reading) -> Reading:
    """Return a reading as a store keeps it: VictoriaMetrics to the millisecond and to 14 digits."""
    if not isinstance(store, ForwardedStore) or store.grain_us == 1:
        return told
    at, received_at = (
        from_us(to_us(time) // store.grain_us * store.grain_us) for time in (told.at, told.received_at)
    )
    return told._replace(at=at, received_at=received_at, value=float(f"{told.value:.14g}"))
