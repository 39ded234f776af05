"""What there is to say about bays, heater, windows and layday itself: pure."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta

from dashboards.notify.causes import AlarmCause
from dashboards.notify.cure_findings import DEW_FROM_ODDS, cure_findings
from dashboards.notify.finding import Facts, Finding, Sight, Spot
from dashboards.notify.scene import Gas, Heater, Scene
from forecast.cure_outlook import CureOutlook, Remedy, Rescue
from forecast.outlook import BayOutlook
from forecast.verdict import Cause
from forecast.window_answer import JobWindows

CO_FROM_PPM, CO_BELOW_PPM = 35.0, 25.0
"""From 35 ppm nobody should spend a shift there (NIOSH recommended limit, 8 h mean; from memory)."""
LOST_FROM_MIN, LOST_FROM_SHARE = 10.0, 0.2
"""So many minutes off a pot, or a fifth of a quick one, are worth a word; half of it is none: our choice."""
GAP_FROM = timedelta(minutes=30)
FUEL_SPARE = timedelta(hours=1)
OPENS_WITHIN = timedelta(minutes=60)
_GAS_STALE = timedelta(minutes=15)
_AT_ONCE, _FAR = datetime.min.replace(tzinfo=UTC), datetime.max.replace(tzinfo=UTC)


def findings(scene: Scene) -> tuple[Finding, ...]:
    """Return every cause that could be judged, one finding each.

    With neither a live cure nor a waiting job nobody can act, and there is none; only carbon monoxide is told
    whoever may be there. On a stale outlook the only thing known is that layday's watch is down.
    """
    found = [_co(gas, scene) for gas in scene.gas]
    if not scene.cure_bays and not scene.waiting_bays:
        return tuple(found)
    found.append(_watch_down(scene))
    if scene.is_stale:
        return tuple(found)
    for bay in scene.outlook.bays:
        if bay.bay in scene.cure_bays | scene.waiting_bays:
            found += _sensors(bay, scene)
    for cure in scene.outlook.cures:
        found += cure_findings(cure, scene)
    found += [one for heater in scene.heaters for one in _heater(heater, scene)]
    found += _windows(scene)
    found.append(_back_after_gap(scene))
    return tuple(found)


def _sight(*, there: bool, clear: bool) -> Sight:
    if there:
        return Sight.THERE
    return Sight.CLEAR if clear else Sight.BETWEEN


def _co(gas: Gas, scene: Scene) -> Finding:
    spot = Spot(AlarmCause.CARBON_MONOXIDE, gas.place)
    if scene.at - gas.at > _GAS_STALE:
        return Finding(spot, Sight.UNKNOWN)
    sight = _sight(there=gas.co_ppm >= CO_FROM_PPM, clear=gas.co_ppm < CO_BELOW_PPM)
    facts = Facts(gas_ppm=gas.co_ppm, since_at=gas.at, until_at=scene.at + timedelta(hours=1))
    return Finding(spot, sight, wakes=True, facts=facts)


def _watch_down(scene: Scene) -> Finding:
    facts = Facts(since_at=scene.outlook.issued_at)
    sight = Sight.THERE if scene.is_stale else Sight.CLEAR
    return Finding(Spot(AlarmCause.WATCH_DOWN), sight, bool(scene.unready_cures), facts)


def _sensors(bay: BayOutlook, scene: Scene) -> Iterator[Finding]:
    """Say which sensors of a bay are silent and which are in doubt.

    A sensor that was never heard is no alarm: it may never have been there.
    """
    lost = [one for one in bay.now.reasons if one.cause in {Cause.STALE, Cause.FUTURE}]
    missing = any(one.cause is Cause.MISSING for one in bay.now.reasons)
    suspect = [one for one in bay.now.reasons if one.cause is Cause.SUSPECT]
    unready = any(cure.bay == bay.bay for cure in scene.unready_cures)
    # without its part a cure goes unwatched; without its humidity it only goes less well watched
    blind = unready and any(one.quantity == "part_c" for one in lost)
    ages_s = [one.age_s for one in lost if one.age_s is not None]
    yield Finding(
        Spot(AlarmCause.SENSOR_LOST, bay.bay),
        _sight(there=bool(lost), clear=not missing),
        blind,
        Facts(
            sensors=tuple(one.quantity for one in lost),
            since_at=scene.outlook.issued_at - timedelta(seconds=max(ages_s, default=0.0)),
        ),
    )
    yield Finding(
        Spot(AlarmCause.SENSOR_SUSPECT, bay.bay),
        _sight(there=bool(suspect), clear=not lost and not missing),
        facts=Facts(
            sensors=tuple(one.quantity for one in suspect),
            flags=suspect[0].flags if suspect else 0,
            temp_c=suspect[0].value if suspect and suspect[0].quantity.endswith("_c") else None,
            humidity_pct=suspect[0].value if suspect and suspect[0].quantity.endswith("_pct") else None,
        ),
    )


def _heater(heater: Heater, scene: Scene) -> Iterator[Finding]:
    stopped = Spot(AlarmCause.HEATER_STOPPED, heater.bay)
    if heater.stopped is None:
        yield Finding(stopped, Sight.UNKNOWN)
    else:
        sight = Sight.THERE if heater.stopped else Sight.CLEAR
        until_at = scene.watched_until
        facts = Facts(since_at=heater.stopped_since, until_at=until_at, fuel_kg=heater.fuel_kg)
        yield Finding(stopped, sight, bool(scene.unready_cures), _with_cure(facts, scene))
    fuel = Spot(AlarmCause.FUEL_LOW, heater.bay)
    if heater.fuel_kg is not None:
        out_at, wanted_at = heater.fuel_out_at, scene.watched_until
        there = out_at is not None and out_at < wanted_at
        clear = out_at is None or out_at > wanted_at + FUEL_SPARE
        soon = there and out_at is not None and out_at - scene.at <= timedelta(hours=2)
        facts = Facts(fuel_kg=heater.fuel_kg, by_at=out_at, when_at=wanted_at, until_at=wanted_at)
        wakes = soon and bool(scene.unready_cures)
        yield Finding(fuel, _sight(there=there, clear=clear), wakes, facts)
    if heater.lost_min is not None and heater.work_min is not None and scene.waiting_bays:
        much_min = min(LOST_FROM_MIN, LOST_FROM_SHARE * heater.work_min)
        yield Finding(
            Spot(AlarmCause.WORK_TIME_SHORT, heater.bay),
            _sight(there=heater.lost_min >= much_min, clear=heater.lost_min < much_min / 2.0),
            facts=_short_facts(heater),
        )


def _with_cure(facts: Facts, scene: Scene) -> Facts:
    """Name the cure that wants its warmth first, so that people know what they get up for.

    When the heater has to burn again is told as the last moment only where nothing else presses: then people
    may sleep until it comes near.
    """
    cold = [cure for cure in scene.unready_cures if cure.ready is not None and cure.state is not None]
    cure = min(cold, key=_light_by, default=None)
    if cure is None or cure.ready is None or cure.state is None:
        return facts
    light = _light(cure)
    return replace(
        facts,
        part=cure.part,
        stage=cure.ready.wanted.stage.value,
        temp_c=cure.state.warmth.now_c,
        wanted_at=cure.ready.wanted.at,
        odds=None if cure.ready.odds is None else 1.0 - cure.ready.odds,
        when_at=None if light is None else light.by_at,
        remedy_odds=None if light is None else light.odds,
        by_at=None if light is None or any(_presses(one) for one in cold) else light.by_at,
    )


def _light(cure: CureOutlook) -> Rescue | None:
    return next((one for one in cure.rescues if one.remedy is Remedy.LIGHT), None)


def _light_by(cure: CureOutlook) -> datetime:
    """Return by when the heater must burn again: at once where no later moment would do, else never."""
    light = _light(cure)
    return _FAR if light is None else light.by_at or _AT_ONCE


def _presses(cure: CureOutlook) -> bool:
    """Say whether a cure in a shed without heat wants somebody now: wet resin runs and sheds its styrene."""
    wet = cure.state is None or cure.state.stage is None
    dew = cure.dew is not None and cure.dew.odds >= DEW_FROM_ODDS
    return wet or dew or _light_by(cure) == _AT_ONCE


def _short_facts(heater: Heater) -> Facts:
    facts = Facts(
        temp_c=heater.peak_c,
        low_c=heater.peak_low_c,
        high_c=heater.peak_high_c,
        when_at=heater.peak_at,
        until_at=heater.peak_at,
        work_min=heater.work_min,
        lost_min=heater.lost_min,
    )
    advice = heater.advice
    if advice is None:
        return facts
    return replace(
        facts,
        remedy=advice.action.value,
        limit_c=advice.setpoint_c,
        by_at=advice.by_at,
        mix_at=advice.mix_at,
        remedy_odds=advice.kept_odds,
    )


def _windows(scene: Scene) -> Iterator[Finding]:
    """Say of each waiting job whether a window to go is about to open; one finding a bay."""
    for bay in sorted(scene.waiting_bays):
        jobs = [one for one in scene.windows if one.bay == bay]
        opening = min((one for one in jobs if one.next_go), key=_opens_at, default=None)
        spot = Spot(AlarmCause.WINDOW_OPENING, bay)
        window = opening.next_go if opening is not None else None
        if opening is None or window is None:
            yield Finding(spot, Sight.CLEAR)
            continue
        there = window.start_at - scene.at <= OPENS_WITHIN <= window.end_at - scene.at + OPENS_WITHIN
        facts = Facts(
            part=opening.job,
            when_at=max(window.start_at, scene.at),
            by_at=window.end_at,
            until_at=window.end_at,
            odds=window.odds,
        )
        yield Finding(spot, _sight(there=there, clear=not there), facts=facts)


def _opens_at(one: JobWindows) -> float:
    window = one.next_go
    return window.start_at.timestamp() if window is not None else float("inf")


def _back_after_gap(scene: Scene) -> Finding:
    """Say that everything had been silent: power or network were away, and are back."""
    spot = Spot(AlarmCause.BACK_AFTER_GAP)
    before_at, heard_at = scene.heard_before_at, scene.outlook.heard_at
    if before_at is None or heard_at is None or heard_at - before_at <= GAP_FROM:
        return Finding(spot, Sight.CLEAR)
    return Finding(spot, Sight.THERE, facts=Facts(since_at=before_at, when_at=heard_at))
