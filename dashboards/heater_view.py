"""The heater in words and in JSON: what to do first, then why."""

from collections.abc import Iterator
from dataclasses import fields
from datetime import UTC, datetime, timedelta

from dashboards.view import Reader
from dashboards.window_view import odds_pct
from forecast.heater_state import (
    PEAK_H,
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
from forecast.verdict import Verdict

_SIGNS = {
    Sign.HEATER_STOPPED: "HEATER STOPPED, {when}: see to the flame, the gas and the switch; cover the part",
    Sign.DOOR_OPEN: "DOOR OPEN, {when}: several times the usual heat goes; shut it, unless it lets fumes out",
    Sign.SENSOR_MOVED: "SENSOR MOVED, {when}: the air in one bay jumped, alone; put it back, then ask again",
}
_BEFORE_LIGHTING = (
    "Where it smells of gas: touch no switch, light nothing, shut the bottle, open up and get out. Where it "
    "smells of styrene or solvent: air the shed before anything is lit."
)
_REFILL = {
    "propane": " Change the bottle with the flame out and nothing lit near it.",
    "diesel": " Fill it with the flame out and the heater cold.",
}
_DEW_LIKELY_ODDS = 0.1
_STILL_MIN = 10.0
"""A peak in the last minutes looked at is none: the air goes on rising."""
_HOPELESS_ODDS, _UNSURE_ODDS = 0.5, 0.8
_TRIED = "Nothing done to the heater keeps the plan"
_NOT_TRIED = "As the heater runs the plan is not kept"
_INSTEAD = "less catalyst or smaller pots"
_LATER = "more than planned, and a later gel"
_TOO_COLD = "Do not mix: the part stays too cold for the next hours. More heat under it, and time."
_Part = HeaterNow | Overshoot | WorkTime | HeaterAdvice | WarmUp | Fuel


def heater_verdict(outlook: HeaterOutlook) -> Verdict:
    """Return what the exit code says: go (leave it), tight (something to do), no-go (stopped), no news."""
    if outlook.sign is Sign.HEATER_STOPPED:
        return Verdict.NO_GO
    if outlook.advice.action is Action.NO_NEWS:
        return Verdict.NO_NEWS
    calm = outlook.advice.action is Action.KEEP and outlook.sign is Sign.NONE
    return Verdict.GO if calm else Verdict.TIGHT


def headline(outlook: HeaterOutlook, reader: Reader) -> str:
    """Return what to do, in a line to be read with gloves on."""
    if outlook.sign in _SIGNS:
        since = outlook.sign_since
        when = "just now" if since is None else f"since {reader.clock(since, outlook.at)}"
        return _SIGNS[outlook.sign].format(when=when)
    return _advice(outlook, reader)


def _advice(outlook: HeaterOutlook, reader: Reader) -> str:
    advice, at, mix = outlook.advice, outlook.at, ""
    if advice.mix_at is not None and advice.work_min is not None:
        mix = f" Mix at {reader.clock(advice.mix_at, at)}: {advice.work_min:.0f} min of work time"
        mix += f", {_odds(advice.kept_odds)} sure." if advice.kept_odds is not None else "."
        if advice.kept_odds is not None and advice.kept_odds < _HOPELESS_ODDS:
            lasts = f"about {advice.work_min:.0f} min of work time"
            tried = _NOT_TRIED if outlook.now.source == "pipe" else _TRIED
            return f"{tried}: reckon with {lasts}, {_LATER if _is_late(outlook) else _INSTEAD}."
        if advice.kept_odds is not None and advice.kept_odds < _UNSURE_ODDS:
            ready = "it may go off later" if _is_late(outlook) else f"have {_INSTEAD} ready"
            mix += f" Too unsure to plan on: {ready}."
    by = "" if advice.by_at is None else reader.clock(advice.by_at, at)
    setting = "" if advice.setpoint_c is None else reader.temperature(advice.setpoint_c)
    wait = f"Leave the heater, wait.{mix}" if mix else _TOO_COLD
    return {
        Action.NO_NEWS: "No news: nothing can be said of the next hours.",
        Action.SET: f"Set {setting} by {by}.{mix}",
        Action.OFF: f"Off at {by}.{mix}",
        Action.WAIT: wait,
        Action.KEEP: f"Leave the heater as it is.{mix}",
    }[advice.action]


def _is_late(outlook: HeaterOutlook) -> bool:
    """Say whether the pot advised lasts longer than planned, so that less catalyst would be the wrong way."""
    lasts, work = outlook.advice.work_min, outlook.work
    return lasts is not None and work is not None and lasts > work.plan_min


def _odds(odds: float | None) -> str:
    """Return odds as a percentage; never 100 %, for nothing ahead is certain."""
    return "" if odds is None else odds_pct(odds)


def heater_lines(outlook: HeaterOutlook, reader: Reader) -> Iterator[str]:
    """Yield the heater in plain sentences, what to do first."""
    at = outlook.at
    yield f"{outlook.bay}: {headline(outlook, reader)}"
    if outlook.sign is Sign.HEATER_STOPPED:
        yield _BEFORE_LIGHTING
    if outlook.overshoot is not None:
        yield _peak(outlook.overshoot, at, reader)
    if outlook.work is not None:
        yield _work(outlook.work, at, reader)
    yield _now(outlook.now, at, reader)
    if outlook.warm_up is not None:
        yield _warm_up(outlook.warm_up, at, reader)
    if outlook.fuel is not None:
        yield _fuel(outlook.fuel, at, reader)
    yield from (f"? {note}" for note in outlook.notes)
    yield from (f"- {caution}" for caution in outlook.cautions)


def heater_sentence(outlook: HeaterOutlook, reader: Reader) -> str:
    """Return the heater as one plain sentence, for screen readers and logs."""
    words = [f"{outlook.bay}: {headline(outlook, reader)}"]
    if outlook.sign is Sign.HEATER_STOPPED:
        words.append(_BEFORE_LIGHTING)
    if outlook.overshoot is not None:
        words.append(_peak(outlook.overshoot, outlook.at, reader))
    if outlook.fuel is not None:
        words.append(_fuel(outlook.fuel, outlook.at, reader))
    words += [f"{caution[:1].upper()}{caution[1:]}." for caution in outlook.cautions]
    return " ".join(words)


def _peak(over: Overshoot, at: datetime, reader: Reader) -> str:
    low, likely, high = (
        reader.temperature(temp) for temp in (over.peak_low_c, over.peak_c, over.peak_high_c)
    )
    part = "" if over.part_peak_c is None else f" The part gets to {reader.temperature(over.part_peak_c)}."
    past = f"; above {reader.temperature(over.limit_c)} with odds {_odds(over.over_odds)}"
    when = reader.clock(over.peak_at, at)
    if over.peak_at - at > timedelta(hours=PEAK_H, minutes=-_STILL_MIN):
        return (
            f"As it runs the air still rises in two hours: {likely} by {when} ({low} to {high}){past}.{part}"
        )
    return f"As it runs the air peaks at {likely}, {when} ({low} to {high}){past}.{part}"


def _work(work: WorkTime, at: datetime, reader: Reader) -> str:
    plan = f"{work.plan_min:.0f} min planned at {reader.temperature(work.plan_c)}"
    batch = f"{work.card}, {work.catalyst_pct:g} %"
    lost = f"{work.lost_min:.0f} min lost" if work.lost_min >= 1.0 else "nothing lost"
    when = reader.clock(work.mix_at, at)
    return f"At worst, mixed at {when}, a pot ({batch}) lasts {work.expected_min:.0f} of {plan}: {lost}."


def _now(now: HeaterNow, at: datetime, reader: Reader) -> str:
    known = now.running is not Running.UNKNOWN
    pipe = "not known" if now.pipe_c is None else f"pipe at {reader.temperature(now.pipe_c)}"
    words = [f"Heater {now.running.value}" if known else f"Heater: {pipe}"]
    if now.since is not None:
        words[0] += f" since {reader.clock(now.since, at)}"
    if now.pipe_c is not None and known:
        words.append(pipe)
    if now.setpoint_c is not None:
        words.append(f"set to {reader.temperature(now.setpoint_c)}")
    if now.low_c is not None and now.high_c is not None:
        words.append(f"air in {now.bay} {reader.temperature(now.low_c)} to {reader.temperature(now.high_c)}")
    if now.duty_pct is not None:
        words.append(f"burned {now.duty_pct:.0f} % of the last 3 h")
    if now.band_k is not None and now.lag_min is not None:
        words.append(f"thermostat {reader.difference(now.band_k)} wide, {now.lag_min:.0f} min late")
    return ", ".join(words) + "."


def _warm_up(warm: WarmUp, at: datetime, reader: Reader) -> str:
    target = reader.temperature(warm.target_c)
    if warm.ready_at is None:
        words = f"The part does not get to {target} within 4 h"
    elif warm.ready_at <= at:
        words = f"The part is at {target} or above"
    else:
        words = f"The part is at {target} from {reader.clock(warm.ready_at, at)}"
        if warm.ready_from_at is not None and warm.ready_to_at is not None:
            words += f" ({reader.clock(warm.ready_from_at, at)} to {reader.clock(warm.ready_to_at, at)})"
        words += f", its heart {reader.difference(warm.behind_k)} behind"
    if warm.dew_odds is not None and warm.dew_odds >= _DEW_LIKELY_ODDS:
        words += f"; dew on it on the way with odds {_odds(warm.dew_odds)}: "
        words += "warm it slowly, air the damp out, wipe it dry"
    elif warm.least_margin_k is not None:
        words += f"; margin stays above {reader.difference(warm.least_margin_k)}"
    return words + "."


def _fuel(fuel: Fuel, at: datetime, reader: Reader) -> str:
    words = f"{fuel.kind.capitalize()}: {fuel.left_kg:.1f} kg left ({fuel.source}), "
    words += f"{fuel.burn_kg_h:.2f} kg/h over the last 6 h"
    if fuel.runs_out_at is None:
        return f"{words}; as the heater is set it lasts more than three days."
    early = (
        ""
        if fuel.runs_out_from_at is None
        else f", at the earliest {reader.clock(fuel.runs_out_from_at, at)}"
    )
    care = _REFILL.get(fuel.kind, "")
    return f"{words}; empty about {reader.clock(fuel.runs_out_at, at)}{early}.{care}"


def heater_json(outlook: HeaterOutlook) -> dict[str, object]:
    """Return the heater as ``layday/heater/1``; numbers in °C, K, min, kg whatever the reader's units."""
    return {
        "schema": "layday/heater/1",
        "at": _iso(outlook.at),
        "bay": outlook.bay,
        "verdict": heater_verdict(outlook).value,
        "now": _plain(outlook.now),
        "sign": outlook.sign.value or None,
        "sign_since": _iso(outlook.sign_since),
        "overshoot": _plain(outlook.overshoot),
        "work": _plain(outlook.work),
        "advice": _plain(outlook.advice),
        "warm_up": _plain(outlook.warm_up),
        "fuel": _plain(outlook.fuel),
        "cautions": list(outlook.cautions),
        "notes": list(outlook.notes),
    }


def _plain(found: _Part | None) -> dict[str, object] | None:
    """Return a part of the outlook under its own names, which carry their units; times in UTC."""
    if found is None:
        return None
    values = ((field.name, getattr(found, field.name)) for field in fields(found))
    return {name: _iso(value) if isinstance(value, datetime) else _rounded(value) for name, value in values}


def _rounded(value: object) -> object:
    return round(value, 3) if isinstance(value, float) else value


def _iso(at: datetime | None) -> str | None:
    return None if at is None else f"{at.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}"
