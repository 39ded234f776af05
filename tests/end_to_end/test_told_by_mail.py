"""A simulated tent on a real broker, a daemon's processes beside it, a mailbox: from a flame to a mail."""

from collections.abc import Iterator
from contextlib import ExitStack
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collector.clock import QuickClock, from_us
from collector.config import load_config
from collector.domain import Reading
from collector.journal import Told, open_journal
from collector.journal_book import Batch
from collector.service import Daemon
from collector.store.opening import open_store
from dashboards.beside import Beside
from dashboards.session import Session
from hardware.tent.node import sensor_entries
from hardware.tent.parameters import Tent
from hardware.tent.publisher import TentPublisher
from hardware.tent.scenario import Event, Kind, Scenario
from hardware.tent.simulation import Simulation
from tests.dashboards.notify.servers import Mailbox, mail_server
from tests.dashboards.notify.test_tent_alarms import words
from tests.end_to_end.layday import until
from tests.forecast.shed_data import series_of
from tests.mosquitto import Mosquitto

START = datetime(2026, 3, 21, 14, 0, tzinfo=UTC)
PAST = timedelta(hours=40)
OUT_AT = START - timedelta(hours=1)
SPEED = 60.0


def configured(folder: Path, broker: Mosquitto, mail_port: int) -> Path:
    """Write a shed's configuration as its user would."""
    sensors = "".join(
        "[[sensor]]\n" + "".join(f'{key} = "{value}"\n' for key, value in entry.items())
        for entry in sensor_entries()
    )
    path = folder / "layday.toml"
    path.write_text(
        '[shed]\nname = "tunnel"\n[store]\npath = "layday.sqlite"\n[listener]\nenabled = false\n'
        f'[broker]\nhost = "127.0.0.1"\nport = {broker.port}\n[heater]\npower_kw = 9.0\n'
        '[notify]\nfirst = ["mail"]\nevening = ""\n'
        f'[[channel]]\nname = "mail"\nkind = "email"\nhost = "127.0.0.1"\nport = {mail_port}\ntls = "off"\n'
        f'sender = "shed@example.org"\nto = "first@example.org"\n{sensors}'
    )
    return path


@pytest.fixture
def box(tmp_path: Path) -> Iterator[Mailbox]:
    """The mailbox of a shed at work, whose flame went out an hour ago."""
    out = Event(Kind.HEATER_OUT, OUT_AT.timestamp())
    simulation = Simulation(Tent(), START - PAST, 52, Scenario((out,), dropouts_per_day=0.0))
    box = Mailbox()
    with ExitStack() as undo:
        broker = undo.enter_context(Mosquitto(tmp_path / "broker"))
        config_path = configured(tmp_path, broker, undo.enter_context(mail_server(box)))
        config = load_config(config_path)
        store = open_store(Path(config.store.path))
        undo.callback(store.close)
        for name, (times_us, values) in series_of(simulation.record(START, 60)).items():
            pairs = zip(times_us.tolist(), values.tolist(), strict=True)
            store.add([Reading(name, from_us(at), value, from_us(at)) for at, value in pairs])
        clock = QuickClock(START, SPEED)
        session = Session(config, config_path, clock=clock)
        journal = open_journal(session.journal_path)
        assert journal is not None
        laid_at = START - timedelta(hours=3)
        journal.start(Batch("keel", "hull", "generic-vinyl-ester", 1.75), Told(laid_at, laid_at))
        journal.close()
        daemon = Daemon(config, store, clock)
        daemon.start()
        undo.callback(daemon.stop)
        beside = Beside(session)
        beside.start()
        undo.callback(beside.stop)
        tent = TentPublisher("127.0.0.1", broker.port, start=START, simulation=simulation, now=clock.now)
        tent.start()
        undo.callback(tent.stop)
        yield box


@pytest.mark.slow
def test_a_stopped_heater_is_told_by_mail(box: Mailbox) -> None:
    def subjects() -> list[str]:
        return [mail["Subject"] for mail in box.mails]

    head = "the heater has stopped: light it again"
    until(lambda: head in subjects(), "the mail", 120.0)
    mail = box.mails[subjects().index(head)]
    assert mail["Importance"] == "high"
    assert "air the shed before you light it again" in words(mail)
    assert "How sure: by the course of the air; go and see." in words(mail)
    assert subjects().count(head) == 1
