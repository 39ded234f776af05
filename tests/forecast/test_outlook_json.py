"""An outlook survives being written and read, and says which version it is."""

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.errors import InputError
from forecast.card import Stage
from forecast.cure_outlook import (
    Arrival,
    Basis,
    ColdestHour,
    CureOutlook,
    Dew,
    Ready,
    Remedy,
    Rescue,
    StageAhead,
    Wanted,
)
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
)
from forecast.limits import Limit
from forecast.outlook import OUTLOOK_STALE, Band, BayOutlook, Outlook
from forecast.outlook_json import dump_outlook, load_outlook, outlook_json
from forecast.tonight import tonight
from forecast.verdict import Limits, Measured, Verdict, judge_bay
from forecast.window_answer import JobWindows, Opening, Window
from forecast.window_answer import Remedy as OpeningRemedy
from tests.forecast.curing import LAID_AT, after
from tests.forecast.test_tonight import LAID, flat, store_with
from tests.published import complaint, spoilt

LIMITS = Limits(16.0, 30.0, 16.0, 30.0, 75.0, 3.0, 900.0)
GOOD = {
    "air_c": Measured(20.0, 5.0),
    "humidity_pct": Measured(55.0, 5.0),
    "part_c": Measured(19.0, 5.0),
}


def a_cure() -> CureOutlook:
    """A cure with every field filled."""
    (found,) = tonight([LAID], store_with(part_c=flat(20.0)), after(3.0))
    when = Arrival(after(4.0), after(5.0), None, 0.75)
    return CureOutlook(
        key="k1",
        bay="keel",
        part="hull",
        card="test",
        card_name="test resin",
        catalyst_pct=1.5,
        lot="A7",
        reference_c=23.0,
        base_c=5.0,
        laid_at=LAID_AT,
        verdict=Verdict.TIGHT,
        basis=Basis.FORECAST,
        state=found.state,
        ahead=(StageAhead(Stage.SANDABLE, when),),
        ready=Ready(Wanted(Stage.SANDABLE, after(11.5)), 0.7, reached=False),
        opens=when,
        closes=Arrival(None, None, None, 0.0),
        coldest=ColdestHour(8.0, 10.0, 12.5, after(9.0), after(11.5)),
        dew=Dew(0.2, after(7.0), None),
        rescues=(Rescue(Remedy.WARM, after(4.5), 3.0, 7.0, 15.0, 0.9), Rescue(Remedy.COVER, after(6.0))),
        notes=("a note",),
    )


def a_heater() -> HeaterOutlook:
    """A heater that will overshoot, with every field filled."""
    now = HeaterNow("keel", Running.BURNING, after(2.0), 18.0, 1.0, 4.0, 17.0, 19.5, 40.0, "heater input")
    peak = Overshoot("keel", 24.0, 23.0, 25.5, after(4.0), after(3.5), after(4.5), 21.0, 18.5, 0.8)
    work = WorkTime("test", 1.5, 18.0, 30.0, after(4.0), 22.0, 8.0)
    advice = HeaterAdvice(Action.OFF, None, after(3.5), after(4.0), 29.0, 20.0, 0.9)
    warm = WarmUp(18.0, 18.0, after(5.0), after(4.5), after(6.0), 1.0, 0.1, 2.5)
    fuel = Fuel("propane", 7.0, 0.5, 14.0, after(17.0), after(15.0), after(20.0), "scale")
    return HeaterOutlook(
        after(3.0), "keel", now, Sign.NONE, None, peak, work, advice, warm, fuel, ("a caution",), ("a note",)
    )


def an_outlook() -> Outlook:
    """An outlook of two bays and a cure."""
    steps = tuple(float(i) for i in range(144))
    band = Band("part_c", after(3.0), 1800.0, steps, steps, steps)
    window = Window(after(12.0), after(14.0), Verdict.GO, 0.9, 0.95, after(13.0), Limit.HUMIDITY, 1.75, 18.5)
    opening = Opening(OpeningRemedy.WARMER_PART, Limit.PART_COLD, after(12.0), shift_k=2.5)
    lay_up = JobWindows(
        "keel", "lay-up", Verdict.GO, Verdict.TIGHT, (window,), after(13.0), 0.95, Limit.NONE,
        240.0, float("inf"), (opening,), ("a note",),
    )  # fmt: skip
    keel = BayOutlook(judge_bay("keel", GOOD, LIMITS), (band,), windows=(lay_up,), heater=a_heater())
    bays = (keel, BayOutlook(judge_bay("sheer", {}, LIMITS)))
    return Outlook("tunnel", after(3.0), after(2.99), after(3.0), LIMITS, bays, (a_cure(),), ("a note",))


def test_what_is_written_is_read_again() -> None:
    outlook = an_outlook()
    assert load_outlook(dump_outlook(outlook)) == outlook


@settings(max_examples=30)  # each checks a whole outlook
@given(st.lists(st.floats(-60, 100), min_size=1), st.datetimes(timezones=st.just(UTC)))
def test_any_number_and_time_survives(values: list[float], at: datetime) -> None:
    band = Band("air_c", at, 1800.0, tuple(values), tuple(values), tuple(values))
    outlook = replace(an_outlook(), issued_at=at, bays=(replace(an_outlook().bays[0], bands=(band,)),))
    assert load_outlook(dump_outlook(outlook)) == outlook


def test_it_says_its_version_and_verdict_first() -> None:
    answer = outlook_json(an_outlook())
    assert list(answer)[:2] == ["schema", "verdict"]
    assert answer["schema"] == "layday/outlook/1"
    assert answer["verdict"] == "no news"  # bay sheer was never heard


def test_a_field_of_a_later_layday_is_passed_over() -> None:
    raw = outlook_json(an_outlook()) | {"moon": "full"}
    assert load_outlook(json.dumps(raw)) == an_outlook()


def test_it_is_as_published_and_with_any_mistake_is_not() -> None:
    answer = json.loads(dump_outlook(an_outlook()))
    assert complaint(answer) == ""
    assert [words for words, worse in spoilt(answer) if complaint(worse) == ""] == []


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("{", "is not JSON"),
        ("[]", "'list' is not 'layday/outlook/1'"),
        ('{"schema": "layday/outlook/2"}', "'layday/outlook/2' is not"),
        ('{"schema": "layday/outlook/1"}', "outlook: shed: is missing"),
    ],
)
def test_what_is_no_outlook_is_refused_in_words(text: str, said: str) -> None:
    with pytest.raises(InputError, match=said):
        load_outlook(text)


def test_no_number_that_json_lacks_is_written() -> None:
    outlook = an_outlook()
    odd = replace(outlook, cures=(replace(outlook.cures[0], catalyst_pct=float("nan")),))
    with pytest.raises(ValueError, match="not JSON compliant"):
        dump_outlook(odd)


@pytest.mark.parametrize(
    ("place", "value", "said"),
    [
        (("shed",), 7, "shed: 7 is not a str"),
        (("issued_at",), "noon", "issued_at: 'noon' is not a datetime"),
        (("issued_at",), "2026-04-02T12:00:00", "issued_at: .* has no offset"),
        (("bays",), {}, r"bays: \{\} is not a list"),
        (("bays", 0), [], r"bays.0: \[\] is not an object"),
        (("bays", 0, "now", "verdict"), "maybe", "bays.0.now.verdict: 'maybe' is not a Verdict"),
        (("bays", 0, "now", "air_c"), "20", "bays.0.now.air_c: '20' is not a float"),
        (("bays", 0, "bands", 0, "low", 3), None, "bays.0.bands.0.low.3: None is not a float"),
        (("bays", 0, "windows", 0, "binds"), "moon", "'moon' is not a valid Limit"),
        (("cures", 0, "state", "stalled"), 1, "cures.0.state.stalled: 1 is not a bool"),
    ],
)
def test_what_is_wrong_inside_is_named_with_its_place(
    place: tuple[str | int, ...], value: object, said: str
) -> None:
    raw = json.loads(dump_outlook(an_outlook()))
    inside = raw
    for step in place[:-1]:
        inside = inside[step]
    inside[place[-1]] = value
    with pytest.raises(InputError, match=said):
        load_outlook(json.dumps(raw))


def test_the_worst_of_bays_and_cures_is_its_verdict() -> None:
    outlook = an_outlook()
    fit = replace(outlook, bays=outlook.bays[:1])
    assert fit.bays[0].now.verdict is Verdict.GO
    assert fit.verdict is Verdict.TIGHT  # its cure
    assert replace(fit, cures=()).verdict is Verdict.GO
    assert replace(fit, bays=(), cures=()).verdict is Verdict.NO_NEWS


def test_it_goes_stale_after_four_refreshes() -> None:
    outlook = an_outlook()
    assert not outlook.is_stale(outlook.issued_at + OUTLOOK_STALE)
    assert outlook.is_stale(outlook.issued_at + OUTLOOK_STALE + timedelta(seconds=1))


def test_a_band_is_asked_by_time() -> None:
    band = an_outlook().bays[0].band("part_c")
    assert band is not None
    assert band.at(after(3.0) + timedelta(minutes=59)) == (1.0, 1.0, 1.0)
    assert band.at(after(2.9)) is None
    assert band.at(after(3.0) + timedelta(hours=72)) is None
    assert an_outlook().bays[0].band("humidity_pct") is None
