"""Where a cure stands, from its part's history, its batch's pace and what people saw."""

from dataclasses import replace
from datetime import datetime, timedelta
from typing import NamedTuple

import numpy as np

from forecast.card import Stage
from forecast.cautions import Air, Caution, Trouble, blush_hours, hardener_cautions, long_enough
from forecast.course import degree_hours, extreme_hours, hours_below, mean_c
from forecast.cure import hours_needed, progress, reached_h
from forecast.cure_state import LAST_HOURS_H, CureState, Moment, Seen, StageState, Warmth
from forecast.history import COLD, LIKELY, WARM, History
from forecast.pace import CureRates, Pace
from forecast.rate import Rate, arrhenius_rate

GLASS_ABOVE_CURE_K = 11.0
"""An undercured vinyl ester's glass transition ends this far above its cure temperature.

Cook et al., J. Appl. Polym. Sci. 64 (1997) 769. Taken for the other families too, for want of a
number of theirs.
"""
SUSTAINED_H = 4.0
"""A cure temperature counts for the glass transition when held this long: our choice, no source."""
EQUIVALENT_AGE_K = 5000.0
"""Activation energy over the gas constant of the published equivalent age (ASTM C1074's form)."""

_ODD_GEL = (0.4, 2.5)  # a gel seen this far from its sheet is a slip of the mark or of the scales
_ROUNDING_K = 0.05
_SUN_C = 60.0  # a dark hull in the sun gets this warm: common practice, no source


class _Frame(NamedTuple):
    """What all parts of one state are worked out from."""

    rates: CureRates
    part: History
    began_at: datetime
    seen: Seen
    last_hours_c: float

    @property
    def now_h(self) -> float:
        return self.part.course.end_h

    def at(self, elapsed_h: float) -> datetime | None:
        return self.began_at + timedelta(hours=elapsed_h) if np.isfinite(elapsed_h) else None

    def hours_to(self, at: datetime) -> float:
        return (at - self.began_at) / timedelta(hours=1)

    def elapsed_h(self, at: datetime) -> float:
        """Put a mark on the course's clock; one made just before laying, or ahead of now, at its ends."""
        return float(np.clip(self.hours_to(at), self.part.course.start_h, self.now_h))


def cure_now(
    rates: CureRates, part: History, began_at: datetime, seen: Seen | None = None, air: Air | None = None
) -> CureState:
    """Work out where a cure stands at the end of its part's history.

    Parameters
    ----------
    rates : CureRates
        The batch's card and paces.
    part : History
        The part's temperature; its hour 0 is when its clock began, its end is now.
    began_at : datetime
        When its clock began, aware: at mixing, or at laying where that is all one knows.
    seen : Seen, optional
        What people saw; it overrides what is worked out. A gel seen early or late widens the
        band of the later stages to match but does not shift them: their tables know no lot.
    air : Air, optional
        The bay's air, for amine blush.

    Raises
    ------
    ValueError
        If `began_at` has no offset.
    """
    if began_at.tzinfo is None:
        raise ValueError(f"{began_at.isoformat()} has no UTC offset; times must be aware")
    frame = _Frame(rates, part, began_at, seen or Seen(), _last_hours_c(part))
    ratio = _gel_ratio(frame)
    stages = _stages(frame, ratio)
    age = progress(part.course, arrhenius_rate(EQUIVALENT_AGE_K, rates.card.reference_c))
    floor_c, warmth = _next_pace(rates, stages).floor_c, _warmth(frame)
    state = CureState(
        began_at=began_at,
        at=began_at + timedelta(hours=frame.now_h),
        stage=next((s.stage for s in reversed(stages) if s.reached_at is not None), None),
        stages=stages,
        opens=_computed(frame, rates.opens) if rates.opens else None,
        closes=_computed(frame, rates.closes) if rates.closes else None,
        warmth=warmth,
        degree_hours=_degree_hours(frame, frame.now_h),
        equivalent_hours=_equivalent_hours(frame, frame.now_h),
        equivalent_stage=rates.stages[-1][0],
        equivalent_age_hours=float(age[LIKELY, -1]),
        stalled=not part.silent_h and warmth.now_c < floor_c and _is_on_its_way(stages),
        stalled_h=float(hours_below(part.course, floor_c)[LIKELY]),
        gap_h=part.gap_h,
        silent_h=part.silent_h,
        gel_ratio=ratio,
        cautions=(),
    )
    return replace(state, cautions=_cautions(frame, state, air))


def believable_gel(ratio: float) -> bool:
    """Say whether a gel seen after this share of the expected time can be true; else the mark is a slip.

    >>> believable_gel(0.8), believable_gel(0.05)
    (True, False)
    """
    return _ODD_GEL[0] <= ratio <= _ODD_GEL[1]


def _last_hours_c(part: History) -> float:
    """Return the mean of the last hours, or of all there is."""
    course = part.course
    since_h = max(course.end_h - LAST_HOURS_H, course.start_h)
    return float(mean_c(course, since_h, course.end_h)[LIKELY])


def _done(frame: _Frame, rate: Rate, path: int) -> float:
    return float(progress(frame.part.course, rate)[path, -1])


def _when_h(frame: _Frame, rate: Rate, path: int) -> float:
    """Return when a path gets there [h], going on at the warmth of the last hours if it has not."""
    reached = float(reached_h(frame.part.course, rate)[path])
    if np.isfinite(reached):
        return reached
    return frame.now_h + float(hours_needed(_done(frame, rate, path), rate, frame.last_hours_c))


def _computed(frame: _Frame, pace: Pace) -> Moment:
    return Moment(
        likely_at=frame.at(_when_h(frame, pace.likely, LIKELY)),
        earliest_at=frame.at(_when_h(frame, pace.quick, WARM)),
        latest_at=frame.at(_when_h(frame, pace.slow, COLD)),
    )


def _gel_ratio(frame: _Frame) -> float | None:
    """Return the share of the expected gel time after which gel was seen."""
    if Stage.GEL not in frame.seen.stages:
        return None
    moment_h = frame.elapsed_h(frame.seen.stages[Stage.GEL])
    for stage, pace in frame.rates.stages:
        if stage is Stage.GEL:
            whole = progress(frame.part.course, pace.likely)[LIKELY, -1]
            after = progress(frame.part.course, pace.likely, from_h=moment_h)[LIKELY, -1]
            return float(whole - after)
    return None


def _stages(frame: _Frame, ratio: float | None) -> tuple[StageState, ...]:
    """Work out each stage; one that was seen also bounds those before and after it."""
    out = []
    order = [stage for stage, _ in frame.rates.stages]
    for i, (stage, pace) in enumerate(frame.rates.stages):
        fits = ratio is not None and believable_gel(ratio) and stage is not Stage.GEL
        own = pace.widened(ratio) if ratio is not None and fits else pace
        before = [frame.seen.stages[s] for s in order[:i] if s in frame.seen.stages]
        after = [frame.seen.stages[s] for s in order[i + 1 :] if s in frame.seen.stages]
        bounds = (max(before, default=None), min(after, default=None))
        out.append(_stage(frame, stage, own, bounds))
    return tuple(out)


def _stage(
    frame: _Frame, stage: Stage, pace: Pace, bounds: tuple[datetime | None, datetime | None]
) -> StageState:
    seen_at = frame.seen.stages.get(stage)
    when = Moment(seen_at, seen_at, seen_at) if seen_at else _within(_computed(frame, pace), *bounds)
    certain = seen_at is not None or bounds[1] is not None
    low = 1.0 if certain else min(_known(frame, pace.slow), 1.0)
    reached_at = when.likely_at if certain or _is_reached(frame, when) else None
    had_h = frame.now_h if reached_at is None else frame.elapsed_h(reached_at)
    likely = min(_done(frame, pace.likely, LIKELY), 1.0)
    if reached_at is None and likely == 1.0:  # only in or after a hole: what is certain counts
        likely, when = low, replace(when, likely_at=when.latest_at)
    return StageState(
        stage=stage,
        progress=1.0 if reached_at else likely,
        progress_low=min(low, 1.0 if reached_at else likely),
        progress_high=1.0 if certain else min(_done(frame, pace.quick, WARM), 1.0),
        reached_at=reached_at,
        seen=seen_at is not None,
        when=when,
        degree_hours=_degree_hours(frame, had_h),
        equivalent_hours=_equivalent_hours(frame, had_h),
        needed_h=0.0 if reached_at else _needed_h(likely, pace.likely, frame.last_hours_c),
        needed_reference_h=(
            0.0 if reached_at else _needed_h(likely, pace.likely, frame.rates.card.reference_c)
        ),
    )


def _is_reached(frame: _Frame, when: Moment) -> bool:
    """Say whether a computed moment is past, and known to be: before any hole, or by the latest bound."""
    if when.likely_at is None or frame.hours_to(when.likely_at) > frame.part.known_until_h:
        return False
    first_hole_h = frame.part.holes[0].start_h if frame.part.holes else frame.now_h
    if frame.hours_to(when.likely_at) <= first_hole_h:
        return True
    return when.latest_at is not None and frame.hours_to(when.latest_at) <= frame.part.known_until_h


def _known(frame: _Frame, rate: Rate) -> float:
    """Return the least that is certain: along the cold path, and nothing since the last reading."""
    course = frame.part.course
    return float(np.interp(frame.part.known_until_h, course.elapsed_h, progress(course, rate)[COLD]))


def _within(when: Moment, after: datetime | None, before: datetime | None) -> Moment:
    """Keep a stage after those seen earlier and before those seen later."""

    def kept(at: datetime | None) -> datetime | None:
        if at is None:  # "never" stands, unless a later stage was seen all the same
            return before
        at = at if after is None else max(at, after)
        return at if before is None else min(at, before)

    return Moment(kept(when.likely_at), kept(when.earliest_at), kept(when.latest_at))


def _needed_h(done: float, rate: Rate, temp_c: float) -> float | None:
    hours = float(hours_needed(done, rate, temp_c))
    return hours if np.isfinite(hours) else None


def _degree_hours(frame: _Frame, until_h: float) -> float:
    course = frame.part.course
    return float(np.interp(until_h, course.elapsed_h, degree_hours(course, frame.rates.card.base_c)[LIKELY]))


def _equivalent_hours(frame: _Frame, until_h: float) -> float:
    """Return t_ref / t(T) summed: the last stage's progress in hours of its own reference time."""
    course, rate = frame.part.course, frame.rates.stages[-1][1].likely
    had = np.interp(until_h, course.elapsed_h, progress(course, rate)[LIKELY])
    return float(had * rate.hours(frame.rates.card.reference_c))


def _warmth(frame: _Frame) -> Warmth:
    course = frame.part.course
    length_h = course.end_h - course.start_h
    hour = extreme_hours(course) if length_h >= 1.0 else None
    held = extreme_hours(course, SUSTAINED_H) if length_h >= SUSTAINED_H else None
    return Warmth(
        now_c=float(course.temps_c[LIKELY, -1]),
        last_hours_c=frame.last_hours_c,
        coldest_hour_c=float(hour.coldest_c[LIKELY]) if hour else None,
        coldest_at=frame.at(float(hour.coldest_h[LIKELY])) if hour else None,
        hottest_hour_c=float(hour.hottest_c[LIKELY]) if hour else None,
        hottest_at=frame.at(float(hour.hottest_h[LIKELY])) if hour else None,
        # the cold path: what nobody measured must not raise the bound
        softens_above_c=float(held.hottest_c[COLD]) + GLASS_ABOVE_CURE_K if held else None,
    )


def _next_pace(rates: CureRates, stages: tuple[StageState, ...]) -> Pace:
    """Return the pace of the next stage; of the last, once all are reached."""
    left = (pace for (_, pace), s in zip(rates.stages, stages, strict=True) if s.reached_at is None)
    return next(left, rates.stages[-1][1])


def _is_on_its_way(stages: tuple[StageState, ...]) -> bool:
    return any(stage.reached_at is None for stage in stages)


def _cautions(frame: _Frame, state: CureState, air: Air | None) -> tuple[Caution, ...]:
    """Gather every trouble, the most pressing first."""
    floor_c = _next_pace(frame.rates, state.stages).floor_c
    ratio = state.gel_ratio
    found = [
        (long_enough(state.gap_h), Caution(Trouble.NO_READINGS, span_h=state.gap_h)),
        (
            state.stalled or (long_enough(state.stalled_h) and _is_on_its_way(state.stages)),
            Caution(Trouble.STALLED, temp_c=floor_c, span_h=state.stalled_h),
        ),
        (frame.seen.dew_at is not None, Caution(Trouble.DEW)),
        (ratio is not None and not believable_gel(ratio), Caution(Trouble.ODD_GEL, ratio=ratio)),
    ]
    return (
        *(caution for holds, caution in found if holds),
        *_recoat_cautions(frame, state),
        *_blush_cautions(frame, state, air),
        *hardener_cautions(frame.rates.card, frame.rates.catalyst_pct),
        *_sheet_cautions(frame, state),
        *_softening_cautions(state),
    )


def _softening_cautions(state: CureState) -> tuple[Caution, ...]:
    """Warn once it matters: a part that is ready to be handled will be carried into the sun."""
    soft_c = state.warmth.softens_above_c
    ready = state.stage in {Stage.HANDLING, Stage.FULL}
    return (Caution(Trouble.SOFTENS, temp_c=soft_c),) if ready and soft_c and soft_c < _SUN_C else ()


def _recoat_cautions(frame: _Frame, state: CureState) -> tuple[Caution, ...]:
    """Count the window as shut from the earliest it may be: an old surface bonds badly."""
    shut_at = state.closes.earliest_at if state.closes else None
    if shut_at is None or shut_at > state.at or frame.seen.next_ply_at is not None:
        return ()
    return (Caution(Trouble.RECOAT_CLOSED, span_h=(state.at - shut_at) / timedelta(hours=1)),)


def _blush_cautions(frame: _Frame, state: CureState, air: Air | None) -> tuple[Caution, ...]:
    """Only a wet surface blushes: up to tack-free, or gel on a card without it."""
    if air is None:
        return ()
    wet = [s for s in state.stages if s.stage in {Stage.GEL, Stage.TACK_FREE}]
    dry_at = wet[-1].reached_at if wet else None
    course = frame.part.course
    until = course.elapsed_h <= (frame.now_h if dry_at is None else frame.elapsed_h(dry_at))
    span_h = blush_hours(frame.rates.card, air, course.elapsed_h[until], course.temps_c[LIKELY, until])
    return (Caution(Trouble.BLUSH, span_h=span_h),) if long_enough(span_h) else ()


def _sheet_cautions(frame: _Frame, state: CureState) -> tuple[Caution, ...]:
    """Say for how long the next stage's table was left, and on which side."""
    course, pace = frame.part.course, _next_pace(frame.rates, state.stages)
    length_h = course.end_h - course.start_h
    colder_h = float(
        hours_below(course, pace.sheet_min_c)[LIKELY] - hours_below(course, pace.floor_c)[LIKELY]
    )
    # a part held at the table's warmest row is on the sheet, whatever the last digit says
    warmer_h = length_h - float(hours_below(course, pace.sheet_max_c + _ROUNDING_K)[LIKELY])
    sides = ((colder_h, pace.sheet_min_c), (warmer_h, pace.sheet_max_c))
    return tuple(
        Caution(Trouble.OUTSIDE_SHEET, temp_c=temp_c, span_h=span_h)
        for span_h, temp_c in sides
        if long_enough(span_h)
    )
