"""The heater in words that are read in two seconds, and in JSON."""

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from dashboards.heater_view import headline, heater_json, heater_lines, heater_sentence, heater_verdict
from dashboards.view import Reader
from forecast.heater_state import (
    Action,
    Fuel,
    HeaterAdvice,
    HeaterNow,
    HeaterOutlook,
    Overshoot,
    Running,
    Sign,
    WarmUp,
    WorkTime,
)  # fmt: skip
from forecast.verdict import Verdict

AT = datetime(2026, 4, 2, 13, 5, tzinfo=UTC)


def after(minutes: int) -> datetime:
    return AT + timedelta(minutes=minutes)


SET = HeaterAdvice(Action.SET, 18.0, after(15), after(65), 41.0, 19.2, 0.93)
OUTLOOK = HeaterOutlook(
    at=AT,
    bay="keel",
    now=HeaterNow("keel", Running.BURNING, after(-9), 22.0, 1.02, 2.4, 19.1, 22.8, 36.4, "heater input"),
    sign=Sign.NONE,
    sign_since=None,
    overshoot=Overshoot("keel", 24.6, 24.2, 25.0, after(40), after(36), after(55), 20.4, 23.0, 0.97),
    work=WorkTime("generic-polyester", 1.0, 18.0, 40.0, after(30), 31.4, 8.6),
    advice=SET,
    warm_up=WarmUp(16.0, 22.0, after(25), after(20), after(35), 0.24, 0.0, 2.6),
    fuel=Fuel("propane", 6.24, 0.31, 20.1, after(1206), after(1080), after(1330), "scale"),
    cautions=("the resin maker's data sheet and local rules decide",),
    notes=("no wind was measured: its part in the loss is a guess",),
)


def test_what_to_do_stands_first_then_why() -> None:
    assert list(heater_lines(OUTLOOK, Reader())) == [
        "keel: Set 18.0 °C by 13:20. Mix at 14:10: 41 min of work time, 93 % sure.",
        (
            "As it runs the air peaks at 24.6 °C, 13:45 (24.2 °C to 25.0 °C); above 23.0 °C with odds 97 %. "
            "The part gets to 20.4 °C."
        ),
        (
            "At worst, mixed at 13:35, a pot (generic-polyester, 1 %) lasts 31 of 40 min planned at 18.0 °C: "
            "9 min lost."
        ),
        (
            "Heater burning since 12:56, set to 22.0 °C, air in keel 19.1 °C to 22.8 °C, "
            "burned 36 % of the last 3 h, thermostat 1.0 °C wide, 2 min late."
        ),
        (
            "The part is at 16.0 °C from 13:30 (13:25 to 13:40), its heart 0.2 °C behind; "
            "margin stays above 2.6 °C."
        ),
        (
            "Propane: 6.2 kg left (scale), 0.31 kg/h over the last 6 h; empty about Fri 09:11, "
            "at the earliest Fri 07:05. Change the bottle with the flame out and nothing lit near it."
        ),
        "? no wind was measured: its part in the loss is a guess",
        "- the resin maker's data sheet and local rules decide",
    ]


@pytest.mark.parametrize(
    ("advice", "words"),
    [
        (HeaterAdvice(Action.OFF, None, after(35), after(65), 38.0, 20.0, 0.9),
         "Off at 13:40. Mix at 14:10: 38 min of work time, 90 % sure."),
        (HeaterAdvice(Action.KEEP, mix_at=after(10), work_min=40.0, kept_odds=1.0),
         "Leave the heater as it is. Mix at 13:15: 40 min of work time, 99 % sure."),
        (HeaterAdvice(Action.WAIT, mix_at=after(90), work_min=40.0, kept_odds=0.95),
         "Leave the heater, wait. Mix at 14:35: 40 min of work time, 95 % sure."),
        (HeaterAdvice(Action.SET, 15.0, after(10), after(20), 33.0, 22.0, 0.68),
         ("Set 15.0 °C by 13:15. Mix at 13:25: 33 min of work time, 68 % sure. "
         "Too unsure to plan on: have less catalyst or smaller pots ready.")),
        (HeaterAdvice(Action.SET, 15.0, after(10), after(20), 69.0, 22.0, 0.68),
         ("Set 15.0 °C by 13:15. Mix at 13:25: 69 min of work time, 68 % sure. "
         "Too unsure to plan on: it may go off later.")),
        (HeaterAdvice(Action.WAIT),
         "Do not mix: the part stays too cold for the next hours. More heat under it, and time."),
        (HeaterAdvice(Action.SET, 15.0, after(10), after(20), 28.0, 22.0, 0.1),
         ("Nothing done to the heater keeps the plan: reckon with about 28 min of work time, "
         "less catalyst or smaller pots.")),
        (HeaterAdvice(Action.SET, 15.0, after(10), after(20), 52.0, 22.0, 0.1),
         ("Nothing done to the heater keeps the plan: reckon with about 52 min of work time, "
         "more than planned, and a later gel.")),
        (HeaterAdvice(Action.NO_NEWS), "No news: nothing can be said of the next hours."),
    ],
)  # fmt: skip
def test_each_advice_is_one_line(advice: HeaterAdvice, words: str) -> None:
    assert headline(replace(OUTLOOK, advice=advice), Reader()) == words


def test_a_heater_known_by_its_pipe_is_not_said_to_have_been_tried_otherwise() -> None:
    pipe = replace(
        OUTLOOK,
        now=HeaterNow("keel", Running.UNKNOWN, None, 18.0, None, None, 17.0, 18.5, None, "pipe", 41.0),
        advice=HeaterAdvice(Action.KEEP, None, None, after(20), 28.0, 22.0, 0.1),
    )
    assert headline(pipe, Reader()) == (
        "As the heater runs the plan is not kept: reckon with about 28 min of work time, "
        "less catalyst or smaller pots."
    )
    told = list(heater_lines(pipe, Reader()))
    assert "Heater: pipe at 41.0 °C, set to 18.0 °C, air in keel 17.0 °C to 18.5 °C." in told
    stopped = replace(pipe, now=replace(pipe.now, running=Running.STOPPED))
    assert any(line.startswith("Heater stopped, pipe at 41.0 °C") for line in heater_lines(stopped, Reader()))


def test_air_that_still_rises_at_the_end_of_what_is_looked_at_is_no_peak() -> None:
    assert OUTLOOK.overshoot is not None
    late = replace(OUTLOOK, overshoot=replace(OUTLOOK.overshoot, peak_at=after(115)))
    assert list(heater_lines(late, Reader()))[1].startswith(
        "As it runs the air still rises in two hours: 24.6 °C by 15:00 (24.2 °C to 25.0 °C); above"
    )
    soon = replace(OUTLOOK, overshoot=replace(OUTLOOK.overshoot, peak_at=after(105)))
    assert "the air peaks at 24.6 °C, 14:50" in list(heater_lines(soon, Reader()))[1]


def test_nothing_ahead_is_certain() -> None:
    assert OUTLOOK.overshoot is not None
    sure = replace(OUTLOOK, overshoot=replace(OUTLOOK.overshoot, over_odds=1.0))
    assert "with odds 99 %" in list(heater_lines(sure, Reader()))[1]


def test_a_stopped_heater_comes_before_all_advice_and_is_no_go() -> None:
    stopped = replace(OUTLOOK, sign=Sign.HEATER_STOPPED, sign_since=after(-25))
    assert headline(stopped, Reader()).startswith("HEATER STOPPED, since 12:40: see to the flame")
    assert heater_verdict(stopped) is Verdict.NO_GO
    assert heater_verdict(OUTLOOK) is Verdict.TIGHT
    assert heater_verdict(replace(OUTLOOK, advice=HeaterAdvice(Action.KEEP))) is Verdict.GO
    assert heater_verdict(replace(OUTLOOK, advice=HeaterAdvice(Action.NO_NEWS))) is Verdict.NO_NEWS


def test_who_goes_to_light_it_again_is_told_of_gas_first_and_plain_words_keep_the_cautions() -> None:
    stopped = replace(OUTLOOK, sign=Sign.HEATER_STOPPED)
    assert list(heater_lines(stopped, Reader()))[1].startswith("Where it smells of gas: touch no switch")
    assert "smells of gas" in heater_sentence(stopped, Reader())
    assert "smells of gas" not in heater_sentence(OUTLOOK, Reader())
    assert heater_sentence(OUTLOOK, Reader()).endswith("The resin maker's data sheet and local rules decide.")


def test_fahrenheit_for_those_who_think_in_it() -> None:
    assert heater_sentence(OUTLOOK, Reader(units="us")).startswith("keel: Set 64.4 °F by 13:20.")


def test_json_keeps_units_in_names_and_nothing_that_json_cannot_say() -> None:
    told = json.loads(json.dumps(heater_json(OUTLOOK), allow_nan=False))
    assert told["schema"] == "layday/heater/1"
    assert told["advice"] == {
        "action": "set", "setpoint_c": 18.0, "by_at": "2026-04-02T13:20:00Z",
        "mix_at": "2026-04-02T14:10:00Z", "work_min": 41.0, "peak_c": 19.2, "kept_odds": 0.93,
    }  # fmt: skip
    assert told["fuel"]["runs_out_at"] == "2026-04-03T09:11:00Z"
    none = replace(OUTLOOK, overshoot=None, work=None, warm_up=None, fuel=None)
    told = json.loads(json.dumps(heater_json(none), allow_nan=False))
    assert told["overshoot"] is None
    assert told["verdict"] == "tight"
