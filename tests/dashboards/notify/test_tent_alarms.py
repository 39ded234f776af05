"""Heater, window and gas alarms from a simulated tent's readings to a real mailbox: what people read."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime, timedelta
from email.message import EmailMessage
from functools import partial
from pathlib import Path
from random import Random
from types import MappingProxyType

import numpy as np
import pytest

from collector.clock import ManualClock, from_us, to_us
from collector.config import Config
from collector.domain import Reading
from collector.journal_book import EMPTY, Batch, Book, Cure
from collector.store.memory import MemoryStore
from dashboards.notify.alarm_file import open_alarm_file
from dashboards.notify.courier import Courier
from dashboards.notify.desk import Desk
from dashboards.notify.outbox import Outbox
from dashboards.notify.scene import Gas
from dashboards.notify.sender import Limits
from dashboards.notify.senders.mail import MailSender
from dashboards.notify.service import desk_of, letterhead_of, scene_of
from forecast.heater_keeper import HeaterKeeper
from forecast.outlook_maker import make_outlook, shed_of
from forecast.paths import Forecast
from hardware.tent.parameters import Tent
from hardware.tent.scenario import Event, Kind, Scenario
from hardware.tent.simulation import History, simulate
from tests.dashboards.notify.servers import Mailbox, mail_server
from tests.dashboards.notify.test_senders import mail_channel
from tests.forecast.shed_data import START, series_of

DAY = START + timedelta(days=1)
OUT_AT, LIT_AT = DAY + timedelta(hours=13), DAY + timedelta(hours=15)
CONFIG = Config.model_validate(
    {
        "shed": {"name": "tunnel"},
        "heater": {"power_kw": 9.0},
        "notify": {"first": ("mail",)},
        "channel": (mail_channel(25).model_dump(),),
        "job": ({"name": "topsides", "work_h": 4.0, "bays": ("keel",)},),
    }
)


class QuickMail(MailSender):
    """Mail without the pause that a server far away is given."""

    limits = Limits(head_chars=120, text_chars=20_000, pictures=True)


class Watched:
    """A tent looked at now and then; everything that is told arrives in a mailbox."""

    def __init__(self, store: MemoryStore, desk: Desk, outbox: Outbox, port: int, box: Mailbox) -> None:
        self.store = store
        self.keeper = HeaterKeeper(CONFIG, ())
        self.desk = desk
        self.box = box
        self.clock = ManualClock(START)
        way = ("mail", QuickMail(mail_channel(port)))
        self.courier = Courier(outbox, 0, [way], self.clock, letterhead_of(CONFIG), Random(1))

    def look(
        self, at: datetime, book: Book = EMPTY, forecast: Forecast | None = None, gas: Sequence[Gas] = ()
    ) -> list[EmailMessage]:
        """Look at a moment; return the mails that came of it."""
        self.clock.set(at)
        heater = self.keeper.look(self.store, at, book)
        cold = None if forecast is None else self.keeper.unheated(forecast)
        shed = shed_of(CONFIG, ())
        outlook = make_outlook(
            self.store, shed, at, forecast=forecast, book=book, heater=heater, unheated=cold
        )
        self.desk.look(scene_of(outlook, None, at, gas, jobs_wait=True))
        before = len(self.box.mails)
        while self.courier.once():
            pass
        return self.box.mails[before:]

    def looks(self, first: datetime, last: datetime, look: Callable[[datetime], list[EmailMessage]]) -> str:
        """Look every twenty minutes; return all that was read, one mail after the other."""
        read = []
        while first <= last:
            read += [f"[{mail['Subject']}]\n{words(mail)}" for mail in look(first)]
            first += timedelta(minutes=20)
        return "\n".join(read)


def words(mail: EmailMessage) -> str:
    body = mail.get_body()
    assert body is not None
    return str(body.get_content()).replace("\r\n", "\n")


@contextmanager
def watched(folder: Path, history: History, burned_kg: float = 0.0) -> Iterator[Watched]:
    """Set up a tent's readings, alarms and a mailbox; `burned_kg` is gone from its bottle already."""
    store, box = MemoryStore(), Mailbox()
    for name, (times_us, values) in series_of(history).items():
        kept = np.maximum(values - burned_kg, 0.0) if name == "heater.gas_kg" else values
        pairs = zip(times_us.tolist(), kept.tolist(), strict=True)
        store.add([Reading(name, from_us(at), value, from_us(at)) for at, value in pairs])
    file = open_alarm_file(folder / "tunnel.alarms.sqlite")
    assert file is not None
    with mail_server(box) as port:
        yield Watched(store, desk_of(file, CONFIG), Outbox(file), port, box)
    file.close()


def hull(laid_at: datetime, card: str = "generic-vinyl-ester", catalyst_pct: float = 1.75) -> Book:
    """Return a journal with one batch in the keel's bay, wanted sandable the next morning."""
    wanted_at = laid_at + timedelta(hours=18)
    batch = Batch("keel", "hull", card, catalyst_pct, ready_stage="sandable", ready_by=wanted_at)
    return Book(MappingProxyType({"k1": Cure("k1", batch, laid_at)}), (), (), 1)


def fine_from(begins_at: datetime, at: datetime) -> Forecast:
    """Return a forecast of cold damp air until an hour, and of good air from then on."""
    step_us = 600_000_000
    times_us = to_us(at) // step_us * step_us + step_us * np.arange(1, 433, dtype=np.int64)
    fine = times_us >= to_us(begins_at)
    spread = np.linspace(-0.25, 0.25, 200)[:, None]
    paths = {
        ("keel", "air_c"): np.where(fine, 21.0, 12.0) + spread,
        ("keel", "humidity_pct"): np.where(fine, 55.0, 85.0) + spread,
        ("keel", "part_c"): np.where(fine, 20.0, 11.0) + spread,
    }
    return Forecast(at, times_us, paths)


@pytest.mark.slow
def test_a_flame_that_goes_out_is_one_message_and_hides_the_cold_it_brings(tmp_path: Path) -> None:
    out = Event(Kind.HEATER_OUT, OUT_AT.timestamp(), LIT_AT.timestamp())
    tent = simulate(Tent(), START, DAY + timedelta(hours=17), 60, 52, Scenario((out,)))
    book = hull(DAY + timedelta(hours=11))
    with watched(tmp_path, tent) as shed:
        read = shed.looks(OUT_AT, LIT_AT + timedelta(hours=1, minutes=20), partial(shed.look, book=book))
    assert read.count("[the heater has stopped: light it again]") == 1
    assert "What to do: look at gas, flame and power; air the shed before you light it again." in read
    assert "kg of fuel are left" in read
    stopped, _, after = read.partition("[hull (keel): over: heater stopped]")
    assert "You need do nothing." in after
    for hidden in ("warm it", "not sandable by", "cover it", "can start"):
        assert hidden not in stopped.partition("[the heater has stopped")[2]


@pytest.mark.slow
def test_a_stopped_heater_is_told_with_what_it_does_to_the_cure_and_by_when_to_light_it(
    tmp_path: Path,
) -> None:
    """As the shed usually goes on, the hull is ready next evening; without the flame it hardly can be."""
    out_at = DAY + timedelta(hours=20)
    out = Event(Kind.HEATER_OUT, out_at.timestamp(), (out_at + timedelta(hours=9)).timestamp())
    tent = simulate(Tent(), START, out_at + timedelta(hours=2), 60, 52, Scenario((out,)))
    laid_at = out_at - timedelta(hours=8)
    batch = Batch(
        "keel",
        "hull",
        "generic-vinyl-ester",
        1.75,
        ready_stage="sandable",
        ready_by=laid_at + timedelta(hours=32),
    )
    book = Book(MappingProxyType({"k1": Cure("k1", batch, laid_at)}), (), (), 1)
    with watched(tmp_path, tent) as shed:
        read = shed.looks(
            out_at, out_at + timedelta(hours=2), lambda at: shed.look(at, book, fine_from(at, at))
        )
    _, _, stopped = read.partition("[the heater has stopped: light it again]")
    assert "if it stays out, sandable by Sun 20:00 is hardly possible." in stopped
    assert "air the shed before you light it again, by Sun 0" in stopped
    assert "at the latest: it is then 9" in stopped


@pytest.mark.slow
def test_overshoot_window_fuel_and_gas_are_told_in_words(tmp_path: Path) -> None:
    """A strong heater with a slow casing overshoots as its programme steps up in the morning."""
    strong = replace(Tent(), heater=replace(Tent().heater, power_w=25_000.0, casing_lag_s=900.0))
    tent = simulate(strong, START, DAY + timedelta(hours=10), 60, 52)
    opens_at = DAY + timedelta(hours=8, minutes=30)
    book = hull(DAY + timedelta(hours=5))
    gas = [Gas("keel", 60.0, DAY + timedelta(hours=9))]
    with watched(tmp_path, tent, burned_kg=24.5) as shed:
        read = shed.looks(
            DAY + timedelta(hours=7), DAY + timedelta(hours=8, minutes=20),
            lambda at: shed.look(at, book, fine_from(opens_at, at)),
        )  # fmt: skip
        bad = shed.look(DAY + timedelta(hours=9), book, gas=gas)
    assert "[keel: the heater will overshoot (and 1 more)]\nThe air in keel will reach about 2" in read
    assert " min.\nWhat to do: " in read
    assert "How sure: 8 times in 10 it peaks between 2" in read
    assert "kg of fuel may be gone by " in read
    assert (
        "[keel: topsides can start at 08:30]\nA window for topsides in keel: start between 08:30 and" in read
    )
    assert "CARBON MONOXIDE 60 ppm in keel: do not go in" in [mail["Subject"] for mail in bad]
    assert all("can start" not in mail["Subject"] for mail in bad)
    assert "layday is no carbon monoxide alarm: hang up a certified one" in words(bad[0])
