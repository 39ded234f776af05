"""The desk: alarms survive a restart, answers come from anywhere, signs of life come once."""

import json
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import time as clock_time
from datetime import timedelta
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.clock import ManualClock
from collector.config import Config, parse_config
from collector.journal import Journal, Told, open_journal
from collector.notify_config import ChannelConfig
from collector.source_config import BrokerConfig
from dashboards.notify.alarm_file import AlarmFile, open_alarm_file
from dashboards.notify.alarm_view import alarm_lines, history_json, messages_json
from dashboards.notify.courier import Courier, Letterhead
from dashboards.notify.desk import Desk, alarms_json
from dashboards.notify.heartbeat import Hours, SilenceGuard, words_due
from dashboards.notify.message import Weight
from dashboards.notify.outbox import Outbox, State
from dashboards.notify.scene import Scene
from dashboards.notify.senders.http import PushSender
from dashboards.notify.senders.mqtt import MqttSender, names_in, watch_json
from dashboards.notify.service import desk_of
from dashboards.notify.states import Standing
from dashboards.notify.watch import Policy, Watch
from dashboards.view import Reader
from forecast.outlook import Outlook
from forecast.outlook_maker import make_outlook
from forecast.verdict import Verdict
from tests.dashboards.notify.servers import WebServer
from tests.dashboards.notify.support import EVENING, POLICY
from tests.dashboards.notify.test_outbox import Recorder
from tests.forecast.test_outlook_maker import AT, BATCH, SHED, a_forecast, a_store
from tests.mosquitto import Mosquitto
from tests.published import complaint, spoilt

HEAD = Letterhead("tunnel", Reader())


@pytest.fixture
def file(tmp_path: Path) -> Iterator[AlarmFile]:
    """An empty file of alarms."""
    found = open_alarm_file(tmp_path / "a.sqlite")
    assert found is not None
    yield found
    found.close()


@pytest.fixture
def cold(tmp_path: Path) -> Iterator[Outlook]:
    """A cure that will be late, and can be helped."""
    journal: Journal | None = open_journal(tmp_path / "j.sqlite")
    assert journal is not None
    laid_at = AT - timedelta(hours=1)
    journal.start(replace(BATCH, ready_by=AT + timedelta(hours=10)), Told(laid_at, laid_at))
    yield make_outlook(a_store(part_c=16.5), SHED, AT, forecast=a_forecast(AT, 16.5), book=journal.book())
    journal.close()


def look_for(desk: Desk, outlook: Outlook, minutes: int) -> None:
    """Look every minute at outlooks that say the same."""
    for minute in range(minutes + 1):
        at = AT + timedelta(minutes=minute)
        desk.look(Scene(at, replace(outlook, issued_at=at)))


def test_alarms_survive_a_restart_and_are_not_told_twice(file: AlarmFile, cold: Outlook) -> None:
    look_for(Desk(file, HEAD, Policy(), 1), cold, 20)
    look_for(Desk(file, HEAD, Policy(), 1), cold, 40)
    heads = [one.message.head for one in Outbox(file).all()]
    assert len(heads) == 1
    assert heads[0].startswith("hull (keel): warm it by")
    picture = ET.fromstring(Outbox(file).all()[0].message.picture_svg)  # noqa: S314  our own
    words = "".join(picture.itertext())
    assert "keel: part ahead, °C" in words
    assert "06:00" in words


def test_an_answer_cancels_what_is_unsent_and_is_timed(file: AlarmFile, cold: Outlook) -> None:
    desk = Desk(file, HEAD, Policy(), 1)
    look_for(desk, cold, 20)
    at = AT + timedelta(minutes=27)
    (alarm,) = desk.acknowledge(["a1"], "phone", at)
    assert alarm.standing is Standing.ACKNOWLEDGED
    assert desk.acknowledge(["a1"], "phone", at) == []
    assert Outbox(file).all()[0].state is State.CANCELLED
    line = desk.history(1)[0]
    assert (line.turn, line.by) == ("acknowledged", "phone")
    assert line.answer_s == pytest.approx(12 * 60, abs=60)


@pytest.mark.parametrize("went", [True, False])
def test_nobody_sleeps_on_a_word_that_could_not_be_sent(
    file: AlarmFile, cold: Outlook, *, went: bool
) -> None:
    """Told an hour before the quiet hours, and pressing three hours later."""
    desk = Desk(file, HEAD, POLICY, 1)
    look_for(desk, cold, 20)
    if went:
        clock, mail = ManualClock(AT + timedelta(minutes=21)), Recorder()
        assert Courier(Outbox(file), 0, [("mail", mail)], clock, HEAD).once()
        assert "nobody will be woken for this unless it gets much worse" in mail.got[0].text
    for minutes in range(30, 300, 15):
        desk.look(
            Scene(AT + timedelta(minutes=minutes), replace(cold, issued_at=AT + timedelta(minutes=minutes)))
        )
    urgent = [one for one in Outbox(file).all() if one.message.weight is Weight.URGENT]
    assert bool(urgent) is not went


def test_what_got_much_worse_takes_the_place_of_what_was_not_sent_yet(file: AlarmFile, cold: Outlook) -> None:
    desk = Desk(file, HEAD, POLICY, 1)
    look_for(desk, cold, 20)
    (cure,) = cold.cures
    never = tuple(replace(one, when=replace(one.when, likely_at=None)) for one in cure.ahead)
    worse = replace(cold, cures=(replace(cure, ahead=never),))
    for minutes in range(21, 41):
        at = AT + timedelta(minutes=minutes)
        desk.look(Scene(at, replace(worse, issued_at=at)))
    newer, older = Outbox(file).all()
    assert (newer.message.alarms, newer.state) == (("a2",), State.WAITING)
    assert (older.message.alarms, older.state) == (("a1",), State.CANCELLED)
    assert "nor in the three days after" in newer.message.text
    assert "told anew" in [line.turn for line in desk.history(9)]


def test_set_aside_keeps_its_end(file: AlarmFile, cold: Outlook) -> None:
    desk = Desk(file, HEAD, Policy(), 1)
    look_for(desk, cold, 20)
    until = AT + timedelta(hours=2)
    desk.set_aside(["all"], until, "cli", AT + timedelta(minutes=20))
    (alarm,) = desk.watch().live
    assert (alarm.standing, alarm.aside_until) == (Standing.SET_ASIDE, until)


def test_where_nobody_has_channels_alarms_stand_all_the_same(file: AlarmFile, cold: Outlook) -> None:
    desk = desk_of(file, Config())
    look_for(desk, cold, 20)
    assert desk.watch().live
    assert Outbox(file).all() == []


def test_what_stands_is_said_with_what_to_do_and_how_sure_that_is(file: AlarmFile, cold: Outlook) -> None:
    desk = Desk(file, HEAD, Policy(), 1)
    look_for(desk, cold, 20)
    first, do, sure, *_ = alarm_lines(desk.watch(), HEAD.reader, AT)
    assert first.startswith("a1  raised since ")
    assert do.startswith("     What to do: bring ")
    assert sure.startswith("     How sure: ")


def test_what_stands_is_json(file: AlarmFile, cold: Outlook) -> None:
    desk = Desk(file, HEAD, Policy(), 1)
    look_for(desk, cold, 20)
    answer = json.loads(json.dumps(alarms_json(desk.watch())))
    assert complaint(answer) == ""
    assert [words for words, worse in spoilt(answer) if complaint(worse) == ""] == []
    (alarm,) = answer["alarms"]
    assert (alarm["name"], alarm["standing"], alarm["spot"]["cause"]) == ("a1", "raised", "stage at risk")
    desk.acknowledge(["a1"], "cli", AT + timedelta(minutes=30))
    for told in (history_json(desk.history(20)), messages_json(Outbox(file).all())):
        assert complaint(told) == ""
        assert [words for words, worse in spoilt(told) if complaint(worse) == ""] == []


HOURS = Hours(clock_time(21, 0), clock_time(6, 30), POLICY.quiet.zone if POLICY.quiet else None)  # type: ignore[arg-type]


def test_one_word_in_the_evening_and_one_in_the_morning(file: AlarmFile, cold: Outlook) -> None:
    desk = Desk(file, HEAD, Policy(), 1)
    for minute in range(0, 24 * 60, 10):
        at = EVENING + timedelta(minutes=minute)
        for message in words_due(replace(cold, issued_at=at), Watch(), at, HOURS, HEAD):
            desk.post(message)
    evening, morning = reversed(Outbox(file).all())
    assert evening.message.head == "tunnel: the watch is on"
    assert "hull (keel): off track" in evening.message.text
    assert morning.message.head == "tunnel: how the night went"
    assert morning.message.made_at.hour == 6


@pytest.mark.parametrize("verdict", Verdict)
def test_all_is_well_only_where_every_cure_is_on_track(cold: Outlook, verdict: Verdict) -> None:
    at = EVENING + timedelta(hours=1)
    cures = tuple(replace(one, verdict=verdict) for one in cold.cures)
    (word,) = words_due(replace(cold, issued_at=at, cures=cures), Watch(), at, HOURS, HEAD)
    assert ("all is well" in word.head) is (verdict is Verdict.GO)


def test_the_evening_word_says_what_nobody_will_be_woken_for(file: AlarmFile, cold: Outlook) -> None:
    desk = Desk(file, HEAD, POLICY, 1)
    look_for(desk, cold, 20)
    at = AT + timedelta(minutes=21)
    (word,) = words_due(replace(cold, issued_at=at), desk.watch(), at, replace(HOURS, quiet=True), HEAD)
    assert word.head == "tunnel: the watch is on"
    assert "hull (keel): warm it by Fri 02:34." in word.text
    assert "nobody will be woken for this unless it gets much worse." in word.text
    assert "If you want to be: layday alarms aside a1 --until 01:34" in word.text


def test_no_word_without_a_cure_or_with_stale_news(cold: Outlook) -> None:
    at = EVENING + timedelta(hours=1)
    assert not words_due(replace(cold, issued_at=at, cures=()), Watch(), at, HOURS, HEAD)
    assert not words_due(replace(cold, issued_at=at - timedelta(minutes=30)), Watch(), at, HOURS, HEAD)


def test_silence_is_told_unless_it_is_put_off_or_planned() -> None:
    clock = ManualClock(EVENING)
    with WebServer() as server:
        channel = ChannelConfig(name="push", kind="push", url=server.url, topic="tunnel")
        guard = SilenceGuard([PushSender(channel)], clock, HEAD, timedelta(hours=1))
        guard.once()  # one that a killed layday may have left behind
        guard.want(on=True)
        for _ in range(60):
            guard.once()
            clock.advance(timedelta(minutes=1))
        guard.want(on=False)
        guard.once()
        guard.once()
    methods = [method for method, *_ in server.got]
    assert methods == ["DELETE", "POST", "POST", "POST", "POST", "DELETE"]
    ends = [int(body["delay"]) for method, _, _, body in server.got if method == "POST"]
    assert ends == [int((EVENING + timedelta(hours=1, minutes=15 * i)).timestamp()) for i in range(4)]
    assert "no word since 20:00" in server.got[1][3]["title"]


def test_a_guard_whose_server_is_away_tries_again() -> None:
    clock = ManualClock(EVENING)
    with WebServer() as server:
        server.answers = [500, 200]
        channel = ChannelConfig(name="push", kind="push", url=server.url, topic="tunnel")
        guard = SilenceGuard([PushSender(channel)], clock, HEAD, timedelta(hours=1))
        guard.want(on=True)
        assert not guard.once()
        assert guard.once()


def until(holds: Callable[[], object], timeout_s: float = 10.0) -> None:
    deadline_s = time.monotonic() + timeout_s
    while not holds():
        assert time.monotonic() < deadline_s
        time.sleep(0.02)


def test_an_answer_over_the_broker_acknowledges_and_nothing_else(tmp_path: Path) -> None:
    answers: list[tuple[list[str], str]] = []
    heard = threading.Event()

    def take(names: list[str], by: str) -> None:
        answers.append((names, by))
        heard.set()

    with Mosquitto(tmp_path / "broker") as broker:
        broker.publish("layday/tunnel/alarms/ack", "a9", "-r")  # retained: of an alarm long past
        sender = MqttSender(BrokerConfig(host="127.0.0.1", port=broker.port), "tunnel", take)
        sender.show("watch", watch_json("on"))
        until(lambda: "layday/tunnel/watch" in broker.log())
        for odd in ("heater off", '{"set": 20}', "a1; rm -rf /", "a0", "x" * 500):
            broker.publish("layday/tunnel/alarms/ack", odd)
        broker.publish("layday/tunnel/alarms/ack", "a12 a13")
        assert heard.wait(10)
        sender.close()
    assert answers == [(["a12", "a13"], "mqtt")]


@given(st.binary(max_size=300))
def test_only_names_of_alarms_are_read_from_a_message(payload: bytes) -> None:
    for name in names_in(payload):
        assert name == "all" or (name[0] == "a" and name[1:].isdigit())


def test_settings_reach_the_policy() -> None:
    raw = {"notify": {"quiet_from": "", "quiet_to": "", "escalate_min": 40.0}}
    config = parse_config(raw, "layday.toml")
    assert config.notify.escalate_min == 40.0
