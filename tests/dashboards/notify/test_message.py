"""Messages read at three in the morning: what, what to do, until when, how sure."""

from dataclasses import replace
from datetime import timedelta

import pytest

from collector.domain import Flag
from dashboards.notify.causes import AlarmCause
from dashboards.notify.finding import Facts, Finding, Sight, Spot
from dashboards.notify.message import Weight, message_of
from dashboards.notify.sayings import saying
from dashboards.notify.states import Alarm, Standing
from dashboards.notify.watch import Kind, Notice
from dashboards.view import Reader
from tests.dashboards.notify.support import LATE, MIDNIGHT

READER = Reader()
FACTS = Facts(
    part="hull",
    stage="sandable",
    remedy="heater on",
    sensors=("part_c",),
    flags=int(Flag.STUCK),
    odds=0.72,
    remedy_odds=0.93,
    since_at=MIDNIGHT + timedelta(hours=7),
    when_at=MIDNIGHT + timedelta(hours=9, minutes=40),
    by_at=MIDNIGHT + timedelta(hours=2, minutes=10),
    until_at=MIDNIGHT + timedelta(hours=9),
    temp_c=11.2,
    limit_c=18.0,
    warmer_k=6.0,
    humidity_pct=81.0,
    limit_pct=75.0,
    work_min=38.0,
    lost_min=14.0,
    gas_ppm=52.0,
    fuel_kg=2.4,
)


def an_alarm(spot: Spot = LATE, facts: Facts = FACTS) -> Alarm:
    return Alarm(
        spot,
        MIDNIGHT,
        Standing.RAISED,
        12,
        thread="k1",
        finding=Finding(spot, Sight.THERE, wakes=True, facts=facts),
        raised_at=MIDNIGHT,
        told_at=MIDNIGHT,
    )


def test_a_wake_up_says_what_to_do_first() -> None:
    notice = Notice(Kind.RAISED, "k1", (an_alarm(),), MIDNIGHT, urgent=True, until_at=FACTS.until_at)
    message = message_of(notice, "tunnel", READER, MIDNIGHT + timedelta(minutes=25))
    assert message.head == "hull (keel): warm it by 02:10"
    assert message.weight is Weight.URGENT
    assert message.text == (
        "Hull (keel) will not be sandable by 07:00: likely at 09:40; "
        "the coldest hour ahead is about 11.2 °C.\n"
        "What to do: bring heat, but no flame or glowing wire, to the part itself by 02:10 "
        "(about 6 °C warmer); "
        "it is then 93 % likely to be ready.\n"
        "How sure: 72 % likely, by the forecast.\n\n"
        "This holds until 09:00.\n\n"
        "When you have seen to it: layday alarms ack a12\n"
        "Without an answer by 00:25 this is told again.\n\n"
        "tunnel, 00:00. layday advises; it switches nothing."
    )


def test_what_cannot_be_helped_says_so() -> None:
    said = saying(
        an_alarm(facts=Facts(part="hull", stage="sandable", since_at=FACTS.since_at)), READER, MIDNIGHT
    )
    assert said.head == "hull (keel): not sandable by 07:00"
    assert "nothing that layday knows of" in said.do
    assert "there is no forecast" in said.sure
    assert "as cold as it was of late it stands still" in said.what


def test_the_second_person_learns_that_nobody_answered() -> None:
    message = message_of(Notice(Kind.ESCALATED, "k1", (an_alarm(),), MIDNIGHT, second=True), "tunnel", READER)
    assert message.head.startswith("No answer: hull (keel)")
    assert message.text.startswith("Told again, since nobody has answered it from 00:00 on.")


def test_what_is_over_needs_nothing_done() -> None:
    message = message_of(Notice(Kind.CLEARED, "k1", (an_alarm(),), MIDNIGHT), "tunnel", READER)
    assert message.weight is Weight.QUIET
    assert message.alarms == ()
    assert message.text.startswith("Over: stage at risk, hull (keel). You need do nothing.")


def test_a_late_message_says_how_late() -> None:
    message = message_of(Notice(Kind.RAISED, "k1", (an_alarm(),), MIDNIGHT), "tunnel", READER)
    assert message.text_at(MIDNIGHT + timedelta(minutes=5), READER) == message.text
    late = message.text_at(MIDNIGHT + timedelta(hours=3), READER)
    assert late.startswith("LATE: written at 00:00, could not be sent for 3 h")


def test_what_waited_for_the_morning_is_not_late() -> None:
    notice = Notice(Kind.RAISED, "k1", (an_alarm(),), MIDNIGHT, hold_until=MIDNIGHT + timedelta(hours=6))
    message = message_of(notice, "tunnel", READER)
    assert message.text_at(MIDNIGHT + timedelta(hours=6), READER) == message.text


@pytest.mark.parametrize("cause", AlarmCause)
def test_every_cause_says_what_and_what_to_do(cause: AlarmCause) -> None:
    for facts in (FACTS, Facts()):
        said = saying(an_alarm(Spot(cause, "keel", "k1"), facts), READER, MIDNIGHT)
        assert said.what
        assert said.do
        assert "None" not in f"{said.head} {said.what} {said.do} {said.sure}"
    said = saying(an_alarm(Spot(cause, "keel", "k1")), READER, MIDNIGHT)
    assert len(said.head) <= 60


@pytest.mark.parametrize(
    ("action", "words"),
    [
        (
            "set",
            "set the heater to 18.0 °C by 02:10, and mix at 03:00; a pot then lasts as planned 93 % likely",
        ),
        ("off", "turn the heater off by 02:10, and mix at 03:00"),
        ("wait", "wait, and mix at 03:00"),
        ("keep", "mix smaller pots"),
    ],
)
def test_an_overshoot_says_what_the_heater_is_to_be_set_to(action: str, words: str) -> None:
    facts = replace(FACTS, remedy=action, mix_at=MIDNIGHT + timedelta(hours=3), low_c=28.0, high_c=30.5)
    said = saying(an_alarm(Spot(AlarmCause.WORK_TIME_SHORT, "keel"), facts), READER, MIDNIGHT)
    assert words in said.do
    assert said.sure == "8 times in 10 it peaks between 28.0 °C and 30.5 °C"


def test_an_empty_bottle_is_called_empty() -> None:
    spot = Spot(AlarmCause.FUEL_LOW, "keel")
    assert saying(an_alarm(spot, replace(FACTS, fuel_kg=0.1)), READER, MIDNIGHT).do.startswith("put a full")
    late = replace(FACTS, by_at=MIDNIGHT - timedelta(minutes=5))
    assert "as good as gone" in saying(an_alarm(spot, late), READER, MIDNIGHT).head


def test_a_part_that_stands_still_is_to_be_warmed_to_what_its_sheet_answers_for() -> None:
    facts = replace(FACTS, remedy="warm", by_at=None, warmer_k=0.4, limit_c=15.0)
    said = saying(an_alarm(facts=facts), READER, MIDNIGHT)
    assert said.do == "bring the part to 15.0 °C or more; colder, little or nothing of it counts"


def test_carbon_monoxide_is_no_safety_device() -> None:
    said = saying(an_alarm(Spot(AlarmCause.CARBON_MONOXIDE, "keel")), READER, MIDNIGHT)
    assert "do not go in" in said.head
    assert "no carbon monoxide alarm" in said.sure


def test_people_read_their_own_units() -> None:
    said = saying(an_alarm(), Reader(units="us"), MIDNIGHT)
    assert "52.2 °F" in said.what
