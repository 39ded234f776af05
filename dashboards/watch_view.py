"""What the live screen shows, in words: the matter that comes first, and each bay and cure."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from dashboards.ahead_view import TRACK_WORDS, arrival_words, odds_words, ready_words, rescue_words
from dashboards.cure_view import headline as cure_headline
from dashboards.cure_view import moment_words
from dashboards.heater_view import headline as heater_headline
from dashboards.heater_view import heater_verdict
from dashboards.view import NAMES, Reader, advice_words, age_words, reason_words
from dashboards.view import headline as bay_headline
from dashboards.window_view import window_says
from forecast.cure_outlook import DEW_ODDS, Basis, CureOutlook
from forecast.heater_state import Sign
from forecast.outlook import Outlook
from forecast.recent_course import Recent
from forecast.shed_now import ShedNow
from forecast.verdict import WORST_FIRST, BayNow, Verdict

LATE = timedelta(minutes=7)
"""An outlook older than this (a refresh and a half) says its age."""


@dataclass(frozen=True, slots=True)
class Sight:
    """Everything the screen knows at one moment.

    `trouble` says why it could not look at the store or, where `now` is known, at the days before.
    `cures` are the live ones; `past` what was measured of late in `bay`, for the chart.
    """

    at: datetime
    shed: str
    now: ShedNow | None = None
    outlook: Outlook | None = None
    cures: tuple[CureOutlook, ...] = ()
    bay: str = ""
    past: tuple[Recent, ...] = ()
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class Matter:
    """What comes first: a verdict, what it is about, why, what to do, and its one number.

    `counted` says what the number is of. `key` stays the same while it is the same matter, so that it
    can be acknowledged; `cure` is the cure it is about, empty where it is none.
    """

    verdict: Verdict
    word: str
    about: str
    why: str
    to_do: str
    number: str
    key: str
    cure: str = ""
    counted: str = ""


def first_matter(sight: Sight, reader: Reader) -> Matter:
    """Return what a tired person has to know first.

    No news; then a cure in trouble; a heater that stopped; the worst bay; a heater that wants setting.
    """
    if sight.now is None:
        word = Verdict.NO_NEWS.value.upper()
        return Matter(Verdict.NO_NEWS, word, sight.shed, sight.trouble, "", "", "store")
    bays = [bay_matter(bay, reader) for bay in sight.now.bays]
    cures = [cure_matter(cure, sight.at, reader) for cure in sight.cures]
    if not bays:
        why = "no bay is configured and none has been heard"
        to_do = "name your sensors in the configuration, or try 'layday demo'"
        return Matter(Verdict.NO_NEWS, "NO NEWS", sight.shed, why, to_do, "", "bays")
    troubled = [cure for cure in cures if cure.verdict is not Verdict.GO]
    silent = [one for one in (*bays, *cures) if one.verdict is Verdict.NO_NEWS]
    heaters = heater_matters(sight, reader)
    stopped = [one for one in heaters if one.verdict is Verdict.NO_GO]
    ranked = silent or troubled or [*stopped, *bays, *heaters]
    first = min(ranked, key=lambda matter: WORST_FIRST.index(matter.verdict))
    if first.verdict is Verdict.GO and len(bays) > 1:
        return replace(first, about="every bay", counted=f"{first.counted}, {first.about}")
    return first


def bay_matter(bay: BayNow, reader: Reader) -> Matter:
    """Return a bay as a matter; its number is what decides, the margin where all is well."""
    reason = bay.reasons[0] if bay.reasons else None
    number = counted = ""
    if bay.verdict is Verdict.NO_NEWS:
        number, counted = "" if bay.age_s is None else age_words(bay.age_s), "since it was heard"
    elif reason is not None and reason.value is not None:
        number = reader.quantity(reason.quantity, reason.value)
        counted = NAMES.get(reason.quantity, reason.quantity)
    why = ", ".join(reason_words(reason, reader) for reason in bay.reasons)
    if bay.verdict is Verdict.GO:
        why = bay_headline(bay.verdict)
    word, key = bay.verdict.value.upper(), f"{bay.bay} {bay.verdict.value}"
    return Matter(bay.verdict, word, bay.bay, why, advice_words(bay), number, key, counted=counted)


def cure_matter(cure: CureOutlook, at: datetime, reader: Reader) -> Matter:
    """Return a cure as a matter; its number is the odds of being ready, else when its next stage comes."""
    why = cure_headline(cure)
    ready = cure.ready
    number, counted = _cure_number(cure, at, reader)
    if ready is not None and not ready.reached and cure.basis is not Basis.NOTHING:
        why = f"{why}; {ready_words(ready, at, reader)}"
    if cure.dew is not None and cure.dew.odds >= DEW_ODDS:
        why = f"{why}; dew before it is tack-free {odds_words(cure.dew.odds)}"
    return Matter(
        cure.verdict,
        cure_word(cure.verdict),
        f"{cure.key} {cure.part}, {cure.bay}",
        why,
        cure_to_do(cure, at, reader),
        number,
        f"{cure.key} {cure.verdict.value}",
        cure.key,
        counted,
    )


def heater_matters(sight: Sight, reader: Reader) -> list[Matter]:
    """Return the heaters that want something done, each with the air's peak as its number."""
    outlook = sight.outlook
    if outlook is None or outlook.is_stale(sight.at):
        return []
    found = []
    for bay in outlook.bays:
        if (heater := bay.heater) is None or heater_verdict(heater) not in {Verdict.TIGHT, Verdict.NO_GO}:
            continue
        verdict, over = heater_verdict(heater), heater.overshoot
        why, _, to_do = heater_headline(heater, reader).removesuffix(".").partition(": ")
        number = counted = ""
        if heater.sign is Sign.NONE:
            why, to_do = "something to do", heater_headline(heater, reader).removesuffix(".")
            if over is not None:
                number, counted = reader.temperature(over.peak_c), "the air's peak"
                why = f"the air peaks at {number} at {reader.clock(over.peak_at, sight.at)}"
        key, word = f"heater {bay.bay} {verdict.value}", verdict.value.upper()
        found.append(Matter(verdict, word, f"heater, {bay.bay}", why, to_do, number, key, counted=counted))
    return found


def cure_word(verdict: Verdict) -> str:
    """Return a cure's verdict in capitals."""
    return Verdict.NO_NEWS.value.upper() if verdict is Verdict.NO_NEWS else TRACK_WORDS[verdict].upper()


def cure_to_do(cure: CureOutlook, at: datetime, reader: Reader) -> str:
    """Return the first thing to do about a cure; empty where nothing need be done."""
    if cure.verdict is Verdict.NO_NEWS:
        return "check the bay's sensors: 'layday check' says more"
    if cure.verdict is Verdict.GO or not cure.rescues:
        return ""
    return rescue_words(cure.rescues[0], at, reader).removeprefix("To do: ")


def _cure_number(cure: CureOutlook, at: datetime, reader: Reader) -> tuple[str, str]:
    """Return a cure's one number and what it is of: the odds that matter, else when its next stage comes."""
    ready, dew = cure.ready, cure.dew
    wanted = ready is not None and ready.odds is not None and not ready.reached
    if dew is not None and dew.odds >= DEW_ODDS and cure.verdict is not Verdict.NO_GO:
        return f"{100.0 * dew.odds:.0f} %", "odds of dew before it is tack-free"
    if wanted and ready is not None and ready.odds is not None:
        by = f"{ready.wanted.stage.value} by {reader.clock(ready.wanted.at, at)}"
        return f"{100.0 * ready.odds:.0f} %", f"odds of {by}"
    if cure.ahead and cure.ahead[0].when.likely_at is not None:
        return reader.clock(cure.ahead[0].when.likely_at, at), cure.ahead[0].stage.value
    return "", ""


def next_words(cure: CureOutlook, at: datetime, reader: Reader) -> dict[str, str]:
    """Return when the next two stages come, by stage, as in ``about 15:10 (14:50 to 15:40)``."""
    state = cure.state
    if state is None or cure.basis is Basis.NOTHING:
        return {}
    said = {}
    for one in cure.ahead[:2]:
        now = next((stage for stage in state.stages if stage.stage is one.stage), None)
        if cure.basis is Basis.LAST_HOURS and now is not None:
            said[one.stage.value] = moment_words(now.when, state, reader)
        else:
            said[one.stage.value] = arrival_words(one.when, at, reader)
    return said


def progress_of(cure: CureOutlook) -> tuple[str, float] | None:
    """Return the next stage and the share of the way to it; None where none is left or nobody knows."""
    if cure.state is None or cure.state.silent_h:
        return None
    ahead = next((stage for stage in cure.state.stages if stage.reached_at is None), None)
    return None if ahead is None else (ahead.stage.value, ahead.progress)


def freshness(sight: Sight) -> tuple[str, bool]:
    """Return how old the readings are in words, and whether that is well."""
    ages = [bay.age_s for bay in sight.now.bays if bay.age_s is not None] if sight.now is not None else []
    if not ages:
        return "nothing heard yet", False
    words = f"readings {age_words(max(ages))} old"
    silent = sight.now is not None and any(bay.verdict is Verdict.NO_NEWS for bay in sight.now.bays)
    return words, not silent


def outlook_notes(sight: Sight) -> list[str]:
    """Return what there is to say of the outlook itself: missing, late, or weaker than usual."""
    trouble = [f"No chart: {sight.trouble}."] if sight.trouble else []
    return trouble + _outlook_notes(sight)


def _outlook_notes(sight: Sight) -> list[str]:
    outlook = sight.outlook
    if outlook is None:
        return ["No outlook yet: it comes from 'layday run'. Only what is measured is shown."]
    age = age_words((sight.at - outlook.issued_at).total_seconds())
    if outlook.is_stale(sight.at):
        return [f"The outlook is {age} old: not to be relied on."]
    notes = [*outlook.mistakes, *outlook.notes]
    if sight.at - outlook.issued_at > LATE:
        notes.append(f"the outlook is {age} old")
    return [f"{note[:1].upper()}{note[1:]}." for note in notes]


def windows_says(sight: Sight, reader: Reader) -> list[tuple[Verdict, str, str]]:
    """Return, for each job and bay, its verdict, what it is, and when it can next be started; `go` first."""
    outlook = sight.outlook
    if outlook is None or outlook.is_stale(sight.at):
        return []
    found = [one for bay in outlook.bays for one in bay.windows if one.verdict is not Verdict.NO_NEWS]
    found.sort(key=lambda one: WORST_FIRST.index(one.verdict), reverse=True)
    return [(one.verdict, f"{one.job}, {one.bay}", window_says(one, sight.at, reader)[0]) for one in found]


def heater_says(sight: Sight, reader: Reader) -> list[tuple[Verdict, str, str]]:
    """Return, for each heater, its verdict, where it hangs, what to do with it, and where its air peaks.

    What to mix when comes last, as its own sentence.
    """
    outlook = sight.outlook
    if outlook is None or outlook.is_stale(sight.at):
        return []
    found = []
    for bay in outlook.bays:
        if (heater := bay.heater) is not None:
            do, _, mix = heater_headline(heater, reader).removesuffix(".").partition(". ")
            if (over := heater.overshoot) is not None and heater.sign is Sign.NONE:
                peak = f"{reader.temperature(over.peak_c)} at {reader.clock(over.peak_at, sight.at)}"
                do = f"{do.replace(' the heater', '')}; air peaks at {peak}"
            words = f"{do}. {mix}" if mix else do
            found.append((heater_verdict(heater), f"heater, {bay.bay}", words))
    return found


def bays_of(sight: Sight) -> Sequence[BayNow]:
    """Return the bays, the worst first."""
    if sight.now is None:
        return ()
    return sorted(sight.now.bays, key=lambda bay: WORST_FIRST.index(bay.verdict))
