"""One alarm in plain words: what it is, what to do, by when, and how sure that is."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from types import MappingProxyType

from dashboards.ahead_view import odds_words
from dashboards.notify.causes import AlarmCause
from dashboards.notify.finding import NO_FACTS, Facts
from dashboards.notify.states import Alarm
from dashboards.suspect_words import suspect_words, to_do_words
from dashboards.view import Reader
from forecast.cure_outlook import Remedy
from forecast.heater_state import Action

_EMPTY_KG = 0.3
"""What a scale still shows of an empty bottle: our choice."""
_SENSORS = {"air_c": "air sensor", "humidity_pct": "humidity sensor", "part_c": "part probe"}
_NEVER = "layday is no carbon monoxide alarm: hang up a certified one, and trust that"


@dataclass(frozen=True, slots=True)
class Saying:
    """An alarm in words, without full stops; `head` is short enough for a telephone's first line."""

    head: str
    what: str
    do: str
    sure: str = ""


@dataclass(frozen=True, slots=True)
class _Case:
    """One alarm, and whom it is told to, when."""

    facts: Facts
    bay: str
    reader: Reader
    at: datetime

    @property
    def part(self) -> str:
        """The part and its bay, as in ``hull (keel)``."""
        return f"{self.facts.part} ({self.bay})" if self.facts.part else self.bay

    def clock(self, moment: datetime | None, otherwise: str = "an hour that nobody can tell") -> str:
        """Return a moment by the reader's clock."""
        return otherwise if moment is None else self.reader.clock(moment, self.at)

    def temp(self, temp_c: float | None) -> str:
        """Return a temperature in words."""
        return "an unknown temperature" if temp_c is None else self.reader.temperature(temp_c)

    def odds(self) -> str:
        """Return how likely what is feared is."""
        return (
            "worked out from the last hours' warmth; there is no forecast"
            if self.facts.odds is None
            else f"{odds_words(self.facts.odds)}, by the forecast"
        )


def saying(alarm: Alarm, reader: Reader, at: datetime) -> Saying:
    """Return an alarm in words for a reader at a moment."""
    facts = alarm.finding.facts if alarm.finding is not None else NO_FACTS
    return _SAYINGS[alarm.spot.cause](_Case(facts, alarm.spot.bay, reader, at))


def _warming(case: _Case) -> str:
    """Return what to do against cold, and by when."""
    facts = case.facts
    if facts.remedy == Remedy.COVER.value:
        return f"cover the part by {case.clock(facts.by_at)}"
    if not facts.remedy:
        return "nothing that layday knows of gets it there in time; leave it, keep it warm, plan for later"
    if facts.by_at is None:
        return f"bring the part to {case.temp(facts.limit_c)} or more; colder, little or nothing of it counts"
    by = f" by {case.clock(facts.by_at)}"
    much = f" (about {case.reader.difference(facts.warmer_k, 0)} warmer)" if facts.warmer_k else ""
    then = f"; it is then {odds_words(facts.remedy_odds)} to be ready" if facts.remedy_odds else ""
    return f"bring heat, but no flame or glowing wire, to the part itself{by}{much}{then}"


def _head_by(case: _Case, short: str) -> str:
    by_at = case.facts.by_at
    return f"{case.part}: {short} by {case.clock(by_at)}" if by_at is not None else f"{case.part}: {short}"


def _stage_at_risk(case: _Case) -> Saying:
    facts = case.facts
    wanted = case.clock(facts.since_at)
    likely = f": likely at {case.clock(facts.when_at)}"
    if facts.when_at is None:
        ahead = "nor in the three days after, as it goes now"
        likely = f", {ahead}" if facts.odds is not None else ": as cold as it was of late it stands still"
    missed = facts.since_at is not None and facts.since_at <= case.at
    late = f"was not {facts.stage} by {wanted}" if missed else f"will not be {facts.stage} by {wanted}"
    cold = f"; the coldest hour ahead is about {case.temp(facts.temp_c)}" if facts.temp_c is not None else ""
    sure = "certain: the hour is past" if missed else case.odds()
    head = _head_by(case, "warm it") if facts.remedy else f"{case.part}: not {facts.stage} by {wanted}"
    return Saying(head, f"{case.part} {late}{likely}{cold}", _warming(case), sure)


def _stall_ahead(case: _Case) -> Saying:
    stage = case.facts.stage
    return Saying(
        _head_by(case, "warm it") if case.facts.remedy else f"{case.part}: too cold to cure",
        f"{case.part}, now {case.temp(case.facts.temp_c)}, is getting too cold to cure on to {stage}",
        _warming(case),
        case.odds(),
    )


def _dew_ahead(case: _Case) -> Saying:
    return Saying(
        _head_by(case, "cover it"),
        f"dew is coming on {case.part} before it is tack-free, about {case.clock(case.facts.when_at)}",
        f"cover it without touching it, or warm it a little, before {case.clock(case.facts.by_at)}; "
        "unvented flames make it wetter",
        case.odds(),
    )


def _work_time_short(case: _Case) -> Saying:
    facts = case.facts
    lost, work = facts.lost_min or 0.0, facts.work_min or 0.0
    spread = ""
    if facts.low_c is not None and facts.high_c is not None:
        spread = f"8 times in 10 it peaks between {case.temp(facts.low_c)} and {case.temp(facts.high_c)}"
    return Saying(
        f"{case.bay}: the heater will overshoot",
        f"the air in {case.bay} will reach about {case.temp(facts.temp_c)} at {case.clock(facts.when_at)}: "
        f"a pot mixed then loses {lost:.0f} of its {work:.0f} min",
        _cooler(case),
        spread,
    )


def _cooler(case: _Case) -> str:
    """Return what keeps a pot's work time: the heater's advice, or what anybody can do."""
    facts = case.facts
    by = f" by {case.clock(facts.by_at)}" if facts.by_at is not None else ""
    mix = f", and mix at {case.clock(facts.mix_at)}" if facts.mix_at is not None else ""
    then = f"; a pot then lasts as planned {odds_words(facts.remedy_odds)}" if facts.remedy_odds else ""
    if facts.remedy == Action.SET.value and facts.limit_c is not None:
        return f"set the heater to {case.temp(facts.limit_c)}{by}{mix}{then}"
    if facts.remedy == Action.OFF.value:
        return f"turn the heater off{by}{mix}{then}"
    if facts.remedy == Action.WAIT.value and mix:
        return f"wait{mix}{then}"
    return "turn the heater down, mix smaller pots, or wait until it has passed"


def _too_humid(case: _Case) -> Saying:
    value, limit = case.reader.apart(
        "humidity_pct", case.facts.humidity_pct or 0.0, case.facts.limit_pct or 0.0
    )
    return Saying(
        f"{case.part}: {value} humidity on wet resin",
        f"{case.part} is wet in air of {value}; its limit is {limit}",
        "keep doors and wet floors away, lay no more, heat only with the flame vented outdoors",
        "as measured",
    )


def _heater_stopped(case: _Case) -> Saying:
    gas = case.facts.fuel_kg
    left = f"; {gas:.1f} kg of fuel are left" if gas is not None else ""
    facts = case.facts
    if facts.stage and facts.temp_c is not None:
        left += f"; {facts.part} is at {case.temp(facts.temp_c)} and not {facts.stage} yet"
    if facts.odds is not None:
        left += f"; if it stays out, {facts.stage} by {case.clock(facts.wanted_at)} is "
        left += odds_words(1.0 - facts.odds)
    return Saying(
        "the heater has stopped: light it again",
        f"the heater seems to have stopped: no warmth has come from it since about "
        f"{case.clock(case.facts.since_at)}{left}",
        f"look at gas, flame and power; air the shed before you light it again{_lit(case)}",
        "by the course of the air; go and see",
    )


def _lit(case: _Case) -> str:
    """Return by when a heater that has stopped must burn again, and what that brings."""
    facts = case.facts
    if facts.remedy_odds is None:
        return ""
    by = "the sooner the better" if facts.when_at is None else f"by {case.clock(facts.when_at)} at the latest"
    return f", {by}: it is then {odds_words(facts.remedy_odds)}"


def _fuel_low(case: _Case) -> Saying:
    by_at, left_kg = case.facts.by_at, case.facts.fuel_kg or 0.0
    wanted = f"warmth is wanted until {case.clock(case.facts.when_at)}"
    if left_kg < _EMPTY_KG or (by_at is not None and by_at <= case.at):
        return Saying(
            "the fuel is as good as gone: change the bottle",
            f"about {left_kg:.1f} kg of fuel are left, which is as good as none; {wanted}",
            "put a full bottle or tank on now, flame out, nothing burning near; see that the heater lights",
            "as weighed or reckoned",
        )
    return Saying(
        f"fuel may be gone by {case.clock(by_at)}: change the bottle",
        f"{left_kg:.1f} kg of fuel may be gone by {case.clock(by_at)}; {wanted}",
        f"change the bottle or tank before {case.clock(by_at)}, flame out and nothing burning near",
        "9 times in 10 it lasts longer",
    )


def _back_after_gap(case: _Case) -> Saying:
    began, ended = case.clock(case.facts.since_at), case.clock(case.facts.when_at)
    return Saying(
        f"readings are back after a gap since {began}",
        f"nothing was heard from {began} to {ended}: power or network were away, and are back",
        "look whether heater and fans came back on as well",
        "certain of the gap; what the cure had in it is estimated",
    )


def _sensor_lost(case: _Case) -> Saying:
    names = " and ".join(_SENSORS.get(one, one) for one in case.facts.sensors) or "sensors"
    return Saying(
        f"{case.bay}: {names} silent",
        f"nothing from the {names} of {case.bay} since {case.clock(case.facts.since_at)}; "
        "what rests on it is no longer watched",
        "check power, cable and network of the node; until then feel the part, gloves on",
        "certain",
    )


def _sensor_suspect(case: _Case) -> Saying:
    quantity = case.facts.sensors[0] if case.facts.sensors else "air_c"
    name = _SENSORS.get(quantity, quantity)
    value = case.facts.humidity_pct if quantity == "humidity_pct" else case.facts.temp_c
    said = case.reader.quantity(quantity, value or 0.0)
    return Saying(
        f"{case.bay}: {name} in doubt",
        f"{case.bay}: {suspect_words(name, said, case.facts.flags)}; there is no verdict without it",
        to_do_words(case.facts.flags) or "hold another one beside it",
    )


def _recoat_closing(case: _Case) -> Saying:
    first, likely = case.clock(case.facts.by_at), case.clock(case.facts.when_at)
    return Saying(
        f"{case.part}: next ply by {first}",
        f"the recoat window of {case.part} closes about {likely}",
        f"lay the next ply before {first}; after that grind first, mask on, and lay on the ground surface",
        f"9 times in 10 it is open until {first}",
    )


def _window_opening(case: _Case) -> Saying:
    begins, ends = case.clock(case.facts.when_at), case.clock(case.facts.by_at)
    return Saying(
        f"{case.bay}: {case.facts.part} can start at {begins}",
        f"a window for {case.facts.part} in {case.bay}: start between {begins} and {ends}",
        "check the part with your hand, then begin",
        "" if case.facts.odds is None else f"{odds_words(case.facts.odds)} to hold, by the forecast",
    )


def _carbon_monoxide(case: _Case) -> Saying:
    gas = case.facts.gas_ppm or 0.0
    return Saying(
        f"CARBON MONOXIDE {gas:.0f} ppm in {case.bay}: do not go in",
        f"a sensor in {case.bay} read {gas:.0f} ppm of carbon monoxide at {case.clock(case.facts.since_at)}",
        "get everybody out, open up from outside, turn the burner off at the bottle; call for help if "
        "anyone is dizzy or sick",
        f"as the sensor reads; {_NEVER}",
    )


def _laminate_hot(case: _Case) -> Saying:
    return Saying(
        f"{case.part}: {case.temp(case.facts.temp_c)}, cool it",
        f"{case.part} has reached {case.temp(case.facts.temp_c)}: the resin heats itself and may crack",
        "turn heat off, blow air over it, lay no more on it; keep water and hands away, watch for smoke",
        "as measured",
    )


def _watch_down(case: _Case) -> Saying:
    since = case.clock(case.facts.since_at)
    return Saying(
        f"no news since {since}",
        f"layday has worked out nothing since {since}: your cure is not watched",
        "look at the part yourself; then at the computer: 'layday check' says more",
        "certain",
    )


_SAYINGS: Mapping[AlarmCause, Callable[[_Case], Saying]] = MappingProxyType(
    {
        AlarmCause.STAGE_AT_RISK: _stage_at_risk,
        AlarmCause.STALL_AHEAD: _stall_ahead,
        AlarmCause.DEW_AHEAD: _dew_ahead,
        AlarmCause.WORK_TIME_SHORT: _work_time_short,
        AlarmCause.TOO_HUMID: _too_humid,
        AlarmCause.HEATER_STOPPED: _heater_stopped,
        AlarmCause.FUEL_LOW: _fuel_low,
        AlarmCause.BACK_AFTER_GAP: _back_after_gap,
        AlarmCause.SENSOR_LOST: _sensor_lost,
        AlarmCause.SENSOR_SUSPECT: _sensor_suspect,
        AlarmCause.RECOAT_CLOSING: _recoat_closing,
        AlarmCause.WINDOW_OPENING: _window_opening,
        AlarmCause.CARBON_MONOXIDE: _carbon_monoxide,
        AlarmCause.LAMINATE_HOT: _laminate_hot,
        AlarmCause.WATCH_DOWN: _watch_down,
    }
)
