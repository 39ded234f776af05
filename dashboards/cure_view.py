"""From a cure's state to words and JSON. Local time and people's units appear only here."""

from datetime import UTC, datetime

from dashboards.ahead_view import ahead_json, ahead_words, arrival_words
from dashboards.view import Reader, age_words
from forecast.cautions import Caution, Trouble
from forecast.cure_outlook import Basis, CureOutlook
from forecast.cure_state import LAST_HOURS_H, CureState, Moment, StageState

_HOURS_PER_DAY = 24.0
_DAYS_FROM_H = 72.0  # "51 h" can be planned with, "2 days" cannot
_ALIKE_K = 2.0  # two answers this close are one
_WET = "wet"


def hours_words(span_h: float) -> str:
    """Return a span of hours as people say it.

    >>> hours_words(0.4), hours_words(7.96), hours_words(31.0), hours_words(120.0)
    ('24 min', '8 h', '31 h', '5 days')
    """
    if span_h < 1.0:
        return f"{60.0 * span_h:.0f} min"
    if span_h < 10.0:  # noqa: PLR2004  half hours matter within a shift
        return f"{span_h:.1f}".removesuffix(".0") + " h"
    return f"{span_h:.0f} h" if span_h < _DAYS_FROM_H else f"{span_h / _HOURS_PER_DAY:.0f} days"


def caution_words(caution: Caution, reader: Reader) -> str:
    """Return one caution as a sentence without its full stop, with what to do about it."""
    span = "" if caution.span_h is None else hours_words(caution.span_h)
    temp = "" if caution.temp_c is None else reader.temperature(caution.temp_c)
    hardener = "" if caution.hardener_pct is None else f"{caution.hardener_pct:g} % of hardener"
    share = "" if caution.ratio is None else f"{100.0 * caution.ratio:.0f} %"
    return {
        Trouble.NO_READINGS: f"no readings for {span}: what happened then is bounded, not known",
        Trouble.AIR_ONLY: "no part probe: reckoned from the air, and a part lags behind its air",
        Trouble.STALLED: (
            f"{span} below {temp}, the coldest its data sheet answers for: little or none of that counts; "
            "warm the part"
        ),
        Trouble.OUTSIDE_SHEET: (
            f"{span} outside its data sheet's table, which ends at {temp}: reckoned, not printed"
        ),
        Trouble.BLUSH: (
            f"wet, cold and damp for {span}: expect amine blush; wash with water and abrade before anything "
            "goes over it"
        ),
        Trouble.DEW: "it got wet from dew: let it dry, abrade, and test a spot before the next ply",
        Trouble.SOFTENS: (
            f"will soften above about {temp} at best until it has been warmer: keep the sun off, "
            "and its weight on the mould"
        ),
        Trouble.TOO_LITTLE_HARDENER: f"{hardener} is below its card's range: it may never cure through",
        Trouble.TOO_MUCH_HARDENER: f"{hardener} is above its card's range: hotter, and weaker when cured",
        Trouble.ODD_GEL: f"gel was marked after {share} of the time expected: check the mark and the scales",
        Trouble.RECOAT_CLOSED: (
            f"the recoat window may have been shut for {span}: grind before the next ply goes on"
        ),
    }[caution.trouble]


def stage_name(state: CureState) -> str:
    """Return the stage a cure is at; ``wet`` before the first."""
    return _WET if state.stage is None else state.stage.value


def has_news(found: CureOutlook) -> bool:
    """Say whether it is known how a cure is now."""
    return found.state is not None and not found.state.silent_h


def headline(found: CureOutlook) -> str:
    """Return where one cure stands in a few words."""
    if found.state is None:
        return "NO NEWS: nothing was measured in its bay"
    state = found.state
    if state.silent_h:
        return f"NO NEWS for {hours_words(state.silent_h)}; it was {stage_name(state)}"
    ahead = next((s.stage.value for s in state.stages if s.reached_at is None), "")
    if not ahead:
        return f"{stage_name(state)}, all its stages are behind it"
    return f"{stage_name(state)}, {'STALLED before' if state.stalled else 'on the way to'} {ahead}"


def when_words(stage: StageState, cure: CureOutlook, state: CureState, reader: Reader) -> str:
    """Return when a stage was reached, or is expected."""
    if stage.reached_at is not None:
        return reader.clock(stage.reached_at, state.at) + (" seen" if stage.seen else "")
    if state.silent_h:
        return "not known"
    coming = next((one.when for one in cure.ahead if one.stage is stage.stage), None)
    if cure.basis is Basis.FORECAST and coming is not None:
        return arrival_words(coming, state.at, reader)
    return moment_words(stage.when, state, reader)


def moment_words(moment: Moment, state: CureState, reader: Reader) -> str:
    """Return a moment with its bounds; ``not at 6.0 °C`` where it would never come."""
    if moment.likely_at is None:
        return f"not at {reader.temperature(state.warmth.last_hours_c)}"
    at = reader.clock(moment.likely_at, state.at)
    past = moment.likely_at <= state.at
    bounds = [
        reader.clock(edge, state.at) if edge is not None else "never"
        for edge in (moment.earliest_at, moment.latest_at)
    ]
    if bounds[0] == bounds[1] == at:
        return at
    return f"{at if past else f'about {at}'} ({bounds[0]} to {bounds[1]})"


def to_do_words(state: CureState, cure: CureOutlook, reader: Reader) -> str:
    """Return what the next stage still takes, as in ``8 h at 22.0 °C would bring it to sandable``."""
    ahead = next((s for s in state.stages if s.reached_at is None), None)
    if ahead is None or state.silent_h:
        return ""
    lately_c, reference_c = state.warmth.last_hours_c, cure.reference_c
    spans = [(ahead.needed_h, lately_c), (ahead.needed_reference_h, reference_c)]
    if ahead.needed_h is not None and abs(lately_c - reference_c) < _ALIKE_K:
        del spans[1]
    said = [
        f"{hours_words(span)} at {reader.temperature(temp_c)}" for span, temp_c in spans if span is not None
    ]
    return f"{' or '.join(said)} would bring it to {ahead.stage.value}" if said else ""


def warmth_words(state: CureState, cure: CureOutlook, reader: Reader) -> list[str]:
    """Return what warmth a cure has had, as sentences."""
    warmth = state.warmth
    now, lately = reader.temperature(warmth.now_c), reader.temperature(warmth.last_hours_c)
    sentences = [f"Part {now} now, {lately} over the last {LAST_HOURS_H:.0f} h"]
    if state.silent_h:
        sentences = [f"Part {now} when last heard"]
    hours = (
        ("Coldest hour", warmth.coldest_hour_c, warmth.coldest_at),
        ("warmest", warmth.hottest_hour_c, warmth.hottest_at),
    )
    said = [
        f"{which} {reader.temperature(temp_c)} from {reader.clock(at, state.at)}"
        for which, temp_c, at in hours
        if temp_c is not None and at is not None
    ]
    if said:
        sentences.append(", ".join(said))
    sentences.append(
        f"{reader.difference(state.degree_hours)}·h over {reader.temperature(cure.base_c)}; "
        f"{state.equivalent_hours:.1f} equivalent hours at {reader.temperature(cure.reference_c)} "
        f"(by its {state.equivalent_stage.value} times)"
    )
    if warmth.softens_above_c is not None:
        sentences.append(f"Softens above about {reader.temperature(warmth.softens_above_c)} at best")
    return sentences


def recoat_words(state: CureState, cure: CureOutlook, reader: Reader) -> str:
    """Return the recoat window; empty on a card without one."""
    if state.opens is None or state.closes is None or state.silent_h:
        return ""
    edges = ((state.opens, cure.opens), (state.closes, cure.closes))
    opens, closes = (
        arrival_words(coming, state.at, reader)
        if cure.basis is Basis.FORECAST and coming is not None
        else moment_words(moment, state, reader)
        for moment, coming in edges
    )
    return f"Recoat window from {opens} to {closes}"


def age_of(cure: CureOutlook, at: datetime) -> str:
    """Return how long ago a cure was laid."""
    return f"{age_words((at - cure.laid_at).total_seconds())} ago"


def cure_sentence(found: CureOutlook, reader: Reader) -> str:
    """Return one cure as one plain sentence, for logs of what changes."""
    return "; ".join(_said(found, reader)) + "."


def cure_sentences(found: CureOutlook, reader: Reader) -> list[str]:
    """Return one cure in plain sentences, each with the cure it is of, for screen readers and ``--plain``."""
    first, *rest = _said(found, reader)
    return [f"{first}.", *(f"{found.key}, {words[:1].lower()}{words[1:]}." for words in rest)]


def _said(found: CureOutlook, reader: Reader) -> list[str]:
    state = found.state
    said = [f"{found.key} ({found.part}, {found.bay}): {headline(found)}"]
    if state is not None:
        said += [to_do_words(state, found, reader)]
        said += [caution_words(caution, reader) for caution in state.cautions]
        said += [words.removeprefix("! ").removesuffix(".") for words in ahead_words(found, state, reader)]
    return [words for words in said if words]


def cure_json(found: CureOutlook, reader: Reader) -> dict[str, object]:
    """Return one cure as ``layday/cure/1``; numbers stay in °C and h whatever the reader's units."""
    state = found.state
    about: dict[str, object] = {
        "schema": "layday/cure/1",
        "id": found.key,
        "bay": found.bay,
        "part": found.part,
        "card": found.card,
        "lot": found.lot,
        "percent": found.catalyst_pct,
        "laid_at": _iso(found.laid_at),
        "news": has_news(found),
        "verdict": found.verdict.value,
        "ahead": ahead_json(found),
    }
    return about if state is None else about | _state_json(state, reader)


def _state_json(state: CureState, reader: Reader) -> dict[str, object]:
    warmth = state.warmth
    return {
        "at": _iso(state.at),
        "stage": stage_name(state),
        "stages": [_stage_json(stage) for stage in state.stages],
        "degree_hours": state.degree_hours,
        "equivalent_hours": state.equivalent_hours,
        "equivalent_stage": state.equivalent_stage.value,
        "equivalent_age_hours": state.equivalent_age_hours,
        "recoat": {
            "opens": None if state.opens is None else _moment_json(state.opens),
            "closes": None if state.closes is None else _moment_json(state.closes),
        },
        "part_c": warmth.now_c,
        "last_hours_c": warmth.last_hours_c,
        "coldest_hour_c": warmth.coldest_hour_c,
        "hottest_hour_c": warmth.hottest_hour_c,
        "softens_above_c": warmth.softens_above_c,
        "stalled": state.stalled,
        "stalled_h": state.stalled_h,
        "gap_h": state.gap_h,
        "silent_h": state.silent_h,
        "gel_ratio": state.gel_ratio,
        "cautions": [caution_words(caution, reader) for caution in state.cautions],
    }


def _stage_json(stage: StageState) -> dict[str, object]:
    return {
        "stage": stage.stage.value,
        "progress": stage.progress,
        "progress_low": stage.progress_low,
        "progress_high": stage.progress_high,
        "reached_at": _iso(stage.reached_at),
        "seen": stage.seen,
        "when": _moment_json(stage.when),
        "degree_hours": stage.degree_hours,
        "equivalent_hours": stage.equivalent_hours,
        "needed_h": stage.needed_h,
        "needed_reference_h": stage.needed_reference_h,
    }


def _moment_json(moment: Moment) -> dict[str, object]:
    return {
        "likely_at": _iso(moment.likely_at),
        "earliest_at": _iso(moment.earliest_at),
        "latest_at": _iso(moment.latest_at),
    }


def _iso(at: datetime | None) -> str | None:
    """UTC to the second; a cure is not known better."""
    return None if at is None else f"{at.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}"
