"""From what may come of a cure to words and JSON. Local time and people's units appear only here."""

from datetime import UTC, datetime

from dashboards.view import Reader
from forecast.cure_outlook import DEW_ODDS, Arrival, Basis, CureOutlook, Ready, Remedy, Rescue
from forecast.cure_state import CureState
from forecast.verdict import Verdict

TRACK_WORDS = {
    Verdict.GO: "on track",
    Verdict.TIGHT: "barely on track",
    Verdict.NO_GO: "off track",
    Verdict.NO_NEWS: "cannot tell",
}
_BEYOND = "beyond the forecast"
_SURE = 0.995


def odds_words(odds: float) -> str:
    """Return odds as people say them; never "100 %", for nothing ahead is certain.

    >>> odds_words(0.834), odds_words(0.999), odds_words(0.001)
    ('83 % likely', 'as good as certain', 'hardly possible')
    """
    if odds >= _SURE:
        return "as good as certain"
    return "hardly possible" if odds <= 1.0 - _SURE else f"{100.0 * odds:.0f} % likely"


def arrival_words(when: Arrival, at: datetime, reader: Reader) -> str:
    """Return when something comes, with the edges between which it comes 8 times in 10."""
    if when.earliest_at is None:
        return _BEYOND
    if when.likely_at is None:
        return f"{reader.clock(when.earliest_at, at)} at the earliest, more likely {_BEYOND}"
    likely = reader.clock(when.likely_at, at)
    # the edges carry a weekday only where it is not the likely one's
    early = reader.clock(when.earliest_at, when.likely_at)
    late = _BEYOND if when.latest_at is None else reader.clock(when.latest_at, when.likely_at)
    return f"about {likely}" if early == late else f"about {likely} ({early} to {late})"


def ready_words(ready: Ready, at: datetime, reader: Reader) -> str:
    """Return whether the stage wanted will be there, as in ``sandable by 07:00: 83 % likely``."""
    wanted = f"{ready.wanted.stage.value} by {reader.clock(ready.wanted.at, at)}"
    if ready.reached:
        return f"{wanted}: it is" if ready.odds else f"{wanted}: it was later, but is now"
    if ready.wanted.at <= at:
        return f"{wanted}: it was not"
    return wanted if ready.odds is None else f"{wanted}: {odds_words(ready.odds)}"


def ahead_words(cure: CureOutlook, state: CureState, reader: Reader) -> list[str]:
    """Return what the hours ahead hold for a cure, as sentences: verdict, trouble, what to do."""
    said = [f"{TRACK_WORDS[cure.verdict].capitalize()}."] if cure.basis is not Basis.NOTHING else []
    if cure.ready is not None and said and not (cure.ready.reached and cure.ready.wanted.default):
        words = ready_words(cure.ready, state.at, reader)
        said = [f"{TRACK_WORDS[cure.verdict].capitalize()}: {words}."]
    if cure.dew is not None and cure.dew.odds >= DEW_ODDS:
        said.append(
            f"! Dew on it before it is tack-free: {odds_words(cure.dew.odds)}{_dew_from(cure, reader)}."
        )
    said += [f"{words}." for words in (rescue_words(one, state.at, reader) for one in cure.rescues)]
    if cure.coldest is not None:
        cold = cure.coldest
        low, likely, high = (reader.temperature(c) for c in (cold.low_c, cold.likely_c, cold.high_c))
        said.append(
            f"Coldest hour to come about {likely} ({low} to {high}) from {reader.clock(cold.at, state.at)}."
        )
    return said + [f"{note[:1].upper()}{note[1:]}." for note in cure.notes]


def _dew_from(cure: CureOutlook, reader: Reader) -> str:
    state, dew = cure.state, cure.dew
    if state is None or dew is None or dew.earliest_at is None:
        return ""
    return f", from {reader.clock(dew.earliest_at, state.at)} at the earliest"


def rescue_words(rescue: Rescue, at: datetime, reader: Reader) -> str:
    """Return one thing that may still be done, with its hour, without a full stop."""
    by = "" if rescue.by_at is None else reader.clock(rescue.by_at, at)
    part = "" if rescue.part_c is None else reader.temperature(rescue.part_c, 0)
    warmer = "" if rescue.warmer_k is None else reader.difference(rescue.warmer_k, 0)
    if rescue.remedy is Remedy.LIGHT:
        then = "" if rescue.odds is None else f": it is then {odds_words(rescue.odds)}"
        when = f"by {by} at the latest" if by else "the sooner the better"
        return f"To do: air the shed and light the heater again, {when}{then}"
    if rescue.remedy is Remedy.COVER:
        return (
            f"To do: cover it by {by}, clear of the surface"
            if by
            else "To do: cover it, clear of the surface"
        )
    if rescue.remedy is Remedy.HEATER_ON:
        return (
            f"Or heat on the part itself, no flame or glowing wire near it ({warmer} more, to about {part}), "
            f"by {by} at the latest"
        )
    if not by:
        return f"To do: bring the part to {part}; an hour below that counts little or nothing"
    return f"To do: keep the part {warmer} warmer than forecast (about {part}) from {by} on"


def ahead_json(cure: CureOutlook) -> dict[str, object]:
    """Return what may come of a cure as plain JSON values, in °C, h and UTC."""
    return {
        "basis": cure.basis.value,
        "stages": [{"stage": one.stage.value, **_arrival_json(one.when)} for one in cure.ahead],
        "ready": cure.ready and _ready_json(cure.ready),
        "recoat_opens": cure.opens and _arrival_json(cure.opens),
        "recoat_closes": cure.closes and _arrival_json(cure.closes),
        "coldest_hour": cure.coldest
        and {
            "low_c": cure.coldest.low_c,
            "likely_c": cure.coldest.likely_c,
            "high_c": cure.coldest.high_c,
            "at": _iso(cure.coldest.at),
        },
        "dew": cure.dew
        and {
            "odds": cure.dew.odds,
            "earliest_at": _iso(cure.dew.earliest_at),
            "likely_at": _iso(cure.dew.likely_at),
        },
        "rescues": [_rescue_json(rescue) for rescue in cure.rescues],
        "notes": list(cure.notes),
    }


def _arrival_json(when: Arrival) -> dict[str, object]:
    return {
        "earliest_at": _iso(when.earliest_at),
        "likely_at": _iso(when.likely_at),
        "latest_at": _iso(when.latest_at),
        "odds": when.odds,
    }


def _ready_json(ready: Ready) -> dict[str, object]:
    return {
        "stage": ready.wanted.stage.value,
        "by": _iso(ready.wanted.at),
        "by_default": ready.wanted.default,
        "reached": ready.reached,
        "odds": ready.odds,
    }


def _rescue_json(rescue: Rescue) -> dict[str, object]:
    return {
        "remedy": rescue.remedy.value,
        "by": _iso(rescue.by_at),
        "warmer_k": rescue.warmer_k,
        "hold_h": rescue.hold_h,
        "part_c": rescue.part_c,
        "odds": rescue.odds,
    }


def _iso(at: datetime | None) -> str | None:
    return None if at is None else f"{at.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}"
