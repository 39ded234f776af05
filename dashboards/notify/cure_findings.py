"""What an outlook says about each live cure's alarms: pure."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta

from dashboards.notify.causes import AlarmCause
from dashboards.notify.finding import NO_FACTS, Facts, Finding, Sight, Spot
from dashboards.notify.scene import Scene
from forecast.card import Stage
from forecast.cure_outlook import CureOutlook, Dew, Ready, Remedy, Rescue
from forecast.verdict import BayNow, Cause

RISK_BELOW_ODDS, SAFE_FROM_ODDS = 0.5, 0.7
"""A stage is at risk where it is more likely late than not, and safe again well above: our choice."""
DEW_FROM_ODDS, DEW_BELOW_ODDS = 0.5, 0.3
GO_OUT_WITHIN = timedelta(hours=2, minutes=30)
"""Nobody is woken for what can still be done later than this: the forecast may yet change."""
WORTH_A_NIGHT = timedelta(hours=2)
"""Nobody is woken for a stage that is likely later than wanted by less than this: our choice."""
RECOAT_WITHIN = timedelta(hours=3)
HOT_FROM_C, HOT_BELOW_C = 65.0, 55.0
"""A laminate this hot goes off by its own heat and may crack or shrink off: common practice, no source."""
HUMID_BAND_PCT = 3.0

_NEWS = (Cause.MISSING, Cause.STALE, Cause.FUTURE, Cause.SUSPECT)


def cure_findings(cure: CureOutlook, scene: Scene) -> Iterator[Finding]:
    """Yield what there is to say about one live cure; nothing of it where its readings are silent."""
    bay = next((one.now for one in scene.outlook.bays if one.bay == cure.bay), None)
    known = cure.state is not None and not cure.state.silent_h and _is_trusted(bay)
    yield _stage_at_risk(cure, scene.at) if known else _unknown(cure, AlarmCause.STAGE_AT_RISK)
    yield _stall_ahead(cure, scene.at) if known else _unknown(cure, AlarmCause.STALL_AHEAD)
    yield _dew_ahead(cure, scene.at) if known else _unknown(cure, AlarmCause.DEW_AHEAD)
    yield _recoat_closing(cure, scene.at) if known else _unknown(cure, AlarmCause.RECOAT_CLOSING)
    yield _too_humid(cure, bay, scene.outlook.limits.humidity_max_pct)
    yield _laminate_hot(cure, bay)


def _is_trusted(bay: BayNow | None) -> bool:
    """Say whether what a cure is worked out from is fresh and sound: its part, else its air."""
    if bay is None:
        return False
    causes = {one.quantity: one.cause for one in bay.reasons if one.cause in _NEWS}
    if causes.get("part_c") is Cause.MISSING:  # a bay may have no part probe
        return "air_c" not in causes
    return "part_c" not in causes


def _spot(cure: CureOutlook, cause: AlarmCause) -> Spot:
    return Spot(cause, cure.bay, cure.key)


def _unknown(cure: CureOutlook, cause: AlarmCause) -> Finding:
    return Finding(_spot(cure, cause), Sight.UNKNOWN)


def _sight(*, there: bool, clear: bool) -> Sight:
    if there:
        return Sight.THERE
    return Sight.CLEAR if clear else Sight.BETWEEN


def _remedy(cure: CureOutlook, at: datetime) -> Rescue | None:
    """Return the remedy against cold that may be begun last."""
    warming = [
        one
        for one in cure.rescues
        if one.remedy is not Remedy.COVER and (one.by_at is None or one.by_at >= at)
    ]
    return max(warming, key=lambda one: one.by_at or at, default=None)


def _must_go_out(cure: CureOutlook, remedy: Rescue | None, at: datetime) -> bool:
    """Say whether somebody has to get up: something helps, and before long it no longer will.

    What stands still in the cold goes on once it is warm again, by day too; only resin that has not gelled
    runs and loses its styrene meanwhile: common practice, no source.
    """
    if remedy is None:
        return False
    if remedy.by_at is None:
        return cure.state is not None and cure.state.stage is None
    return remedy.by_at - at <= GO_OUT_WITHIN


def _stage_at_risk(cure: CureOutlook, at: datetime) -> Finding:
    spot, ready = _spot(cure, AlarmCause.STAGE_AT_RISK), cure.ready
    if ready is None or ready.reached:
        return Finding(spot, Sight.CLEAR)
    likely_at, late = _arrival(cure, ready)
    if ready.odds is None:
        sight = _sight(there=late, clear=not late)
    else:
        sight = _sight(there=ready.odds < RISK_BELOW_ODDS, clear=ready.odds >= SAFE_FROM_ODDS)
    missed = at >= ready.wanted.at
    if missed:
        sight = Sight.THERE
    remedy = _remedy(cure, at)
    facts = Facts(
        part=cure.part,
        stage=ready.wanted.stage.value,
        odds=1.0 if missed else None if ready.odds is None else 1.0 - ready.odds,
        when_at=likely_at,
        since_at=ready.wanted.at,
        until_at=max(ready.wanted.at, at) + timedelta(hours=2),
        temp_c=None if cure.coldest is None else cure.coldest.likely_c,
    )
    much = likely_at is None or likely_at - ready.wanted.at >= WORTH_A_NIGHT
    return Finding(spot, sight, much and _must_go_out(cure, remedy, at), _with_remedy(facts, remedy), missed)


def _with_remedy(facts: Facts, remedy: Rescue | None) -> Facts:
    if remedy is None:
        return facts
    return replace(
        facts,
        remedy=remedy.remedy.value,
        by_at=remedy.by_at,
        warmer_k=remedy.warmer_k,
        limit_c=remedy.part_c,
        remedy_odds=remedy.odds,
    )


def _arrival(cure: CureOutlook, ready: Ready) -> tuple[datetime | None, bool]:
    """Return when the stage wanted likely comes, and whether that is too late."""
    for ahead in cure.ahead:
        if ahead.stage is ready.wanted.stage:
            when = ahead.when.likely_at
            return when, when is None or when > ready.wanted.at
    return None, False


def _stall_ahead(cure: CureOutlook, at: datetime) -> Finding:
    spot = _spot(cure, AlarmCause.STALL_AHEAD)
    if cure.state is None or not cure.ahead or (cure.ready is not None and cure.ready.reached):
        return Finding(spot, Sight.CLEAR)
    odds = cure.ahead[0].when.odds
    stalled = cure.state.stalled
    if odds is None:
        sight = _sight(there=stalled, clear=not stalled)
    else:
        sight = _sight(there=odds < RISK_BELOW_ODDS, clear=odds >= SAFE_FROM_ODDS and not stalled)
    remedy = _remedy(cure, at)
    facts = Facts(
        part=cure.part,
        stage=cure.ahead[0].stage.value,
        odds=None if odds is None else 1.0 - odds,
        temp_c=cure.state.warmth.now_c,
        until_at=at + timedelta(hours=6),
    )
    return Finding(spot, sight, _must_go_out(cure, remedy, at), _with_remedy(facts, remedy))


def _dew_ahead(cure: CureOutlook, at: datetime) -> Finding:
    spot, dew = _spot(cure, AlarmCause.DEW_AHEAD), cure.dew
    if dew is None:  # tack-free already, or nothing is forecast
        return Finding(spot, Sight.CLEAR)
    sight = _sight(there=dew.odds >= DEW_FROM_ODDS, clear=dew.odds < DEW_BELOW_ODDS)
    first_at = dew.earliest_at or dew.likely_at
    wakes = sight is Sight.THERE and first_at is not None and first_at - at <= GO_OUT_WITHIN
    return Finding(spot, sight, wakes, _dew_facts(cure, dew, first_at, at))


def _dew_facts(cure: CureOutlook, dew: Dew, first_at: datetime | None, at: datetime) -> Facts:
    return Facts(
        part=cure.part,
        odds=dew.odds,
        when_at=dew.likely_at or dew.earliest_at,
        by_at=first_at,
        until_at=max(dew.likely_at or at, at) + timedelta(hours=3),
        remedy=Remedy.COVER.value,
    )


def _recoat_closing(cure: CureOutlook, at: datetime) -> Finding:
    spot, closes = _spot(cure, AlarmCause.RECOAT_CLOSING), cure.closes
    if closes is None or closes.likely_at is None:
        return Finding(spot, Sight.CLEAR)
    first_at = closes.earliest_at or closes.likely_at
    there = first_at - at <= RECOAT_WITHIN
    facts = Facts(
        part=cure.part,
        by_at=first_at,
        when_at=closes.likely_at,
        until_at=closes.latest_at or closes.likely_at,
    )
    return Finding(spot, _sight(there=there, clear=not there), facts=facts)


def _is_wet(cure: CureOutlook) -> bool:
    return cure.state is not None and cure.state.stage in {None, Stage.GEL}


def _measured(bay: BayNow | None, quantity: str) -> float | None:
    """Return a measured value that can be trusted."""
    if bay is None or any(one.quantity == quantity and one.cause in _NEWS for one in bay.reasons):
        return None
    value: float | None = getattr(bay, quantity)
    return value


def _too_humid(cure: CureOutlook, bay: BayNow | None, limit_pct: float) -> Finding:
    spot = _spot(cure, AlarmCause.TOO_HUMID)
    humidity_pct = _measured(bay, "humidity_pct")
    if humidity_pct is None:
        return Finding(spot, Sight.UNKNOWN)
    if not _is_wet(cure):
        return Finding(spot, Sight.CLEAR)
    sight = _sight(there=humidity_pct > limit_pct, clear=humidity_pct < limit_pct - HUMID_BAND_PCT)
    return Finding(spot, sight, facts=Facts(cure.part, humidity_pct=humidity_pct, limit_pct=limit_pct))


def _laminate_hot(cure: CureOutlook, bay: BayNow | None) -> Finding:
    spot = _spot(cure, AlarmCause.LAMINATE_HOT)
    part_c = _measured(bay, "part_c")
    if part_c is None:
        return Finding(spot, Sight.UNKNOWN)
    sight = _sight(there=part_c >= HOT_FROM_C, clear=part_c < HOT_BELOW_C)
    facts = NO_FACTS if sight is Sight.CLEAR else Facts(cure.part, temp_c=part_c, limit_c=HOT_FROM_C)
    return Finding(spot, sight, sight is Sight.THERE, facts)
