"""`layday run` with something broken in it: ``python -m tests.faults.broken DEFECTS WORDS``.

DEFECTS are names of functions here, with commas between. Each is a mistake that collectors of readings
are known for, put into a real daemon before it starts. `hurry` and `tidy` are none: they only shorten
waits. `killer` lets SIGUSR1 end the broker's network thread, and `jumpy` lets SIGUSR1 and SIGUSR2 put the
daemon's clock an hour on and back.
"""

import json
import signal
import socket
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import Any

import collector.broker_client
import collector.broker_link
import collector.broker_retry
import collector.broker_wire
import collector.clock
import collector.intake
import collector.service
import collector.store.connection
import collector.store.opening
import collector.store.rows
import collector.systemd
from collector.broker_client import BrokerClient
from collector.broker_link import Link
from collector.broker_retry import Backoff, End, EndKind
from collector.broker_wire import Deliveries
from collector.clock import from_us, to_us
from collector.domain import Reading, Rejected
from collector.errors import StoreError
from collector.housekeeping import Housekeeper
from collector.intake import Delivery, Intake
from collector.payload import Decoded, Routes
from collector.source import Message, Source
from collector.store.base import Added, Mark

Decode = Callable[[Message, Routes, str], Decoded]
_HOUR = timedelta(hours=1)


def hurry() -> None:
    """Wait less for a lock and between tries, and leave word more often."""
    _swap(collector.service, "STATE_EVERY_S", 0.5)
    _swap(collector.store.connection, "BUSY_S", 0.3)
    _swap(collector.intake, "_RETRY_LAST_S", 0.5)
    quick = replace(collector.broker_retry.DEFAULT_PACE, base_s=0.3, cap_s=1.0, settled_s=1.0)
    _replace_default(BrokerClient.__init__, "pace", quick)


def killer() -> None:
    """Let SIGUSR1 end the network thread, as an exception in a callback would."""
    links: list[Link] = []
    opened = Link._open

    def remembered(self: Link) -> None:
        opened(self)
        links.append(self)

    def die() -> None:
        raise SystemExit

    def kill(*_: object) -> None:
        _swap(links[-1]._client, "loop_misc", die)

    _swap(Link, "_open", remembered)
    signal.signal(signal.SIGUSR1, kill)


def jumpy() -> None:
    """Let signals set the daemon's clock."""
    offset = [timedelta(0)]
    now = collector.clock.SystemClock.now

    def jump(number: int, *_: object) -> None:
        offset[0] += _HOUR if number == signal.SIGUSR1 else -_HOUR

    _swap(collector.clock.SystemClock, "now", lambda self: now(self) + offset[0])
    signal.signal(signal.SIGUSR1, jump)
    signal.signal(signal.SIGUSR2, jump)


def tidy() -> None:
    """Move closed windows into chunks every 5 s."""
    _replace_default(Housekeeper.__init__, "every_s", 5.0)


def no_watchdog() -> None:
    """Nobody looks whether the network thread lives."""
    _swap(BrokerClient, "_look", lambda _self: None)


def trusting() -> None:
    """A message that is not as expected raises where it is read."""

    def decode(
        self: Intake, source: Source, items: Sequence[Message], readings: list[Reading], *_: object
    ) -> None:
        for message in items:
            (route,) = self._routes.exact[message.topic]
            value = float(json.loads(message.payload)[route.pointer[0]])
            readings.append(Reading(route.sensor, message.received_at, value, message.received_at))

    _swap(Intake, "_decode", decode)


def subscribes_once() -> None:
    """Only the first connection subscribes."""
    subscribe = Link._subscribe

    def first_time(self: Link) -> None:
        if self._memory.connections == 1:
            subscribe(self)

    _swap(Link, "_subscribe", first_time)


def no_back_off() -> None:
    """A lost connection is made again at once, for ever."""
    _swap(Backoff, "wait_s", lambda _self, _kind, _stood_s: 0.0)


def silent_about_clashes() -> None:
    """A second client under our id is not spoken of, nor is a connection that ends at once."""
    _swap(BrokerClient, "_clash_words", lambda _self: "")
    work = BrokerClient._learn

    def learn(self: BrokerClient, end: End, stood_s: float) -> None:
        work(self, End(EndKind.LOST, end.words), 0.0)

    _swap(BrokerClient, "_learn", learn)
    _swap(collector.broker_retry, "taken_over_words", lambda *_, **__: "connection lost")
    _swap(collector.broker_client, "taken_over_words", lambda *_, **__: "connection lost")


def acknowledges_good_ones_only() -> None:
    """What gives no reading is never acknowledged."""
    keep = Intake._keep
    decode: Decode = vars(collector.intake)["decode"]

    def kept(self: Intake, batch: Sequence[Delivery]) -> None:
        for delivery in batch:
            for item in delivery.items:
                if isinstance(item, Message) and not decode(item, self._routes, "").readings:
                    keep(self, [delivery._replace(items=[item._replace(token=None)])])
                else:
                    keep(self, [delivery._replace(items=[item])])

    _swap(Intake, "_keep", kept)


def waits_for_outputs() -> None:
    """The thread that keeps readings also serves an output, and the output is dead."""
    keep = Intake._keep

    def kept(self: Intake, batch: Sequence[Delivery]) -> None:
        time.sleep(5.0)
        keep(self, batch)

    _swap(Intake, "_keep", kept)


def waits_for_systemd() -> None:
    """A word to systemd is sent by a call that waits until it is taken."""

    class Patient(socket.socket):
        def setblocking(self, flag: bool, /) -> None:  # noqa: FBT001  as the method it stands for
            super().setblocking(True)

    _swap(collector.systemd, "socket", SimpleNamespace(**{**vars(socket), "socket": Patient}))


def gives_up() -> None:
    """A batch that the store does not take is dropped, and acknowledged all the same."""

    def insist(self: Intake, write: Callable[[], Added]) -> Added:
        try:
            return write()
        except StoreError:
            return Added(0, 0, 0)

    _swap(Intake, "_insist", insist)


def acknowledges_first() -> None:
    """Messages are acknowledged when they arrive, and committed later."""
    put = Intake._put

    def eager(self: Intake, source: Source, items: Sequence[Message | Rejected]) -> None:
        put(self, source, items)
        source.acknowledge([i.token for i in items if isinstance(i, Message) and i.token is not None])

    _swap(Intake, "_put", eager)


def never_acknowledges() -> None:
    """As a kill between COMMIT and PUBACK: everything is stored, nobody is told."""
    keep = Intake._keep

    def unasked(item: Message | Rejected) -> Message | Rejected:
        return item if isinstance(item, Rejected) else item._replace(token=None)

    def kept(self: Intake, batch: Sequence[Delivery]) -> None:
        keep(self, [each._replace(items=[unasked(item) for item in each.items]) for each in batch])

    _swap(Intake, "_keep", kept)


def receive_time_for_all() -> None:
    """The key is the receive time, so a message that comes again is another reading."""
    _change_readings(lambda reading: reading._replace(at=reading.received_at))


def drops_duplicates() -> None:
    """The wrong cure for redelivery: what is marked as a duplicate is thrown away."""
    put = Intake._put

    def sifted(self: Intake, source: Source, items: Sequence[Message | Rejected]) -> None:
        twice = [i for i in items if isinstance(i, Message) and i.duplicate]
        put(self, source, [i for i in items if i not in twice])
        source.acknowledge([i.token for i in twice])

    _swap(Intake, "_put", sifted)


def retained_is_live() -> None:
    """A retained message is taken for one measured just now."""
    _change_messages(lambda message: message._replace(retained=False))


def subscribes_afresh() -> None:
    """Each start asks the broker for its retained messages again."""
    connect: Any = Link._on_connect

    def afresh(self: Link, *rest: Any) -> None:  # noqa: ANN401  paho's own signature
        self._memory.subscribed = False
        connect(self, *rest)

    def always(*, qos: int, **_: int) -> object:
        return options(qos=qos, retainHandling=0)  # MQTT 5, section 3.8.3.1: send at every subscribe

    options: Any = vars(collector.broker_link)["SubscribeOptions"]
    always.RETAIN_SEND_IF_NEW_SUB = 0  # type: ignore[attr-defined]
    _swap(collector.broker_link, "SubscribeOptions", always)
    _swap(Link, "_on_connect", afresh)


def times_through_a_double() -> None:
    """Nanoseconds are counted in a double, which has no room for them."""
    _change_readings(lambda reading: reading._replace(at=from_us(int(reading.at.timestamp() * 1e9) // 1000)))


def milliseconds_are_seconds() -> None:
    """A time is taken for seconds, whatever its size."""

    def change(reading: Reading) -> Reading:
        far = from_us(to_us(reading.at) * 1000 % to_us(datetime(2200, 1, 1, tzinfo=UTC)))
        return reading._replace(at=far)

    _change_readings(change)


def no_zone_is_utc() -> None:
    """A time without a zone is taken for UTC."""
    _change_messages(lambda message: message._replace(payload=message.payload.replace(b':00"', b':00Z"')))


def last_one_wins() -> None:
    """A second value for a stamp takes the place of the first."""
    insert = collector.store.rows.insert

    def replacing(con: Any, rows: Any) -> Added:  # noqa: ANN401  as the function it stands for
        con.executemany("DELETE FROM reading WHERE at_us = ? AND sensor = ?", [row[:2] for row in rows])
        return insert(con, rows)

    _swap(collector.store.rows, "insert", replacing)


def all_or_nothing() -> None:
    """One bad message in a batch, and the batch is refused."""
    commit = Intake._commit

    def picky(
        self: Intake, count: int, readings: list[Reading], rejected: list[Rejected], marks: list[Mark]
    ) -> bool:
        return commit(self, count, [] if rejected else readings, rejected, marks)

    _swap(Intake, "_commit", picky)


def hoarding() -> None:
    """Messages are taken in however many wait."""
    from collector.listener.limits import Limits

    _swap(collector.intake, "_ROOM_MESSAGES", 10**12)
    _swap(collector.intake, "_ROOM_BYTES", 10**12)
    _replace_default(Limits.__init__, "unacked_bytes", 10**12)
    _replace_default(Limits.__init__, "receive_maximum", 10**9)


def starts_afresh() -> None:
    """A store that cannot be opened is thrown away, and an empty one takes its place."""
    opened = collector.store.opening.open_store

    def anyhow(path: Any, *, read_only: bool = False) -> Any:  # noqa: ANN401  as the function it stands for
        try:
            return opened(path, read_only=read_only)
        except StoreError:
            path.unlink()
            return opened(path)

    _swap(collector.store.opening, "open_store", anyhow)


def acknowledges_stale_ids() -> None:
    """An acknowledgement kept over from an earlier connection is sent on the next."""

    def settle(self: Deliveries, tokens: Any) -> None:  # noqa: ANN401  as the function it stands for
        self.settled += [token[1] for token in tokens]

    _swap(Deliveries, "settle", settle)


def _change_messages(change: Callable[[Message], Message]) -> None:
    decode: Decode = vars(collector.intake)["decode"]
    _swap(collector.intake, "decode", lambda message, *rest: decode(change(message), *rest))


def _change_readings(change: Callable[[Reading], Reading]) -> None:
    decode: Decode = vars(collector.intake)["decode"]

    def changed(message: Message, routes: Routes, source: str) -> Decoded:
        found = decode(message, routes, source)
        return found._replace(readings=[change(reading) for reading in found.readings])

    _swap(collector.intake, "decode", changed)


def _swap(owner: Any, name: str, new: Any) -> None:  # noqa: ANN401  anything may be broken
    """Put something else in place of a part, which must be there: a renamed one would heal the defect."""
    assert hasattr(owner, name), f"{owner} has no {name}; let this defect be in the part that took its place"
    setattr(owner, name, new)


def _replace_default(function: Any, name: str, value: object) -> None:  # noqa: ANN401  any signature
    assert name in function.__kwdefaults__
    function.__kwdefaults__[name] = value


def main() -> None:
    """Break what is asked for, then be layday."""
    from dashboards.cli import main as layday

    defects, sys.argv = sys.argv[1], ["layday", *sys.argv[2:]]
    for name in filter(None, defects.split(",")):
        globals()[name]()
    layday()


if __name__ == "__main__":
    main()
