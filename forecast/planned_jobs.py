"""From the configuration to the jobs that windows are looked for, and the hours in which people work."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, time, timedelta, tzinfo
from itertools import pairwise
from pathlib import Path

from collector.config import Config, LimitsConfig
from collector.errors import ConfigError, InputError
from collector.window_config import JobConfig, PlanConfig
from forecast.card import Stage
from forecast.card_files import find_card
from forecast.job import NO_LIMITS, Job, JobLimits
from forecast.paths import Forecast
from forecast.plan import PlanStep
from forecast.window import Recalibrate, Terms, Thresholds, windows, working_spans
from forecast.window_answer import JobWindows

USUAL = JobConfig(name="lay-up", work_h=4.0)
"""What is looked for where nobody has named a job."""

_MIN_PER_H = 60.0
_DAYS_AHEAD = 5  # the forecast's three, and what a start at their end may still wait for


@dataclass(frozen=True, slots=True)
class Planned:
    """Jobs, the bays of each (empty: all), and the terms; `mistakes` says which job cannot be looked at."""

    jobs: tuple[Job, ...]
    bays: tuple[tuple[str, ...], ...]
    terms: Terms
    mistakes: tuple[str, ...] = ()


def planned_jobs(config: Config, card_folders: Sequence[Path], at: datetime) -> Planned:
    """Return the jobs of a configuration as they stand at a moment.

    A job whose card cannot be read is left out and told in `mistakes`.
    """
    jobs, bays, mistakes = [], [], []
    for given in config.job or (USUAL,):
        try:
            jobs.append(job_of(given, config.limits, card_folders, _hours(given.by, at, config.shed.zone)))
            bays.append(given.bays)
        except (ConfigError, InputError, ValueError) as error:
            mistakes.append(f"job {given.name}: {error}")
    return Planned(tuple(jobs), tuple(bays), terms_of(config, at), tuple(mistakes))


def terms_of(config: Config, at: datetime) -> Terms:
    """Return the thresholds and the working hours of the days ahead."""
    given, zone = config.windows, config.shed.zone
    days = zip(_hours(given.work_from, at, zone), _hours(given.work_until, at, zone), strict=True)
    return Terms(Thresholds(given.go_odds, given.tight_odds), working_spans(list(days)))


def job_of(
    given: JobConfig, shed: LimitsConfig, card_folders: Sequence[Path], by: tuple[datetime, ...]
) -> Job:
    """Return one job.

    Raises
    ------
    ConfigError
        If its card cannot be found or read.
    ValueError
        If it wants a stage its card does not have.
    """
    card = find_card(given.card, card_folders) if given.card else None
    limits = _own_limits(given)
    if card is None:
        limits = limits.stricter(_shed_limits(shed, given))
    return Job(
        name=given.name,
        work_min=given.work_h * _MIN_PER_H,
        prepare_min=given.prepare_h * _MIN_PER_H,
        card=card,
        catalyst_pct=given.catalyst_pct,
        layers=given.layers,
        stage=Stage(given.stage) if given.stage else None,
        by=by,
        within_h=given.within_h,
        limits=limits,
    )


def _own_limits(given: JobConfig) -> JobLimits:
    return replace(NO_LIMITS, **{limit: value for value, limit in _given(given)})


def _shed_limits(shed: LimitsConfig, given: JobConfig) -> JobLimits:
    """Return the shed's limits where the job does not give its own."""
    limits = JobLimits(
        shed.air_min_c,
        shed.air_max_c,
        shed.part_min_c,
        shed.part_max_c,
        shed.humidity_max_pct,
        shed.margin_min_k,
    )
    return replace(limits, **{limit: getattr(NO_LIMITS, limit) for _, limit in _given(given)})


def _given(job: JobConfig) -> Iterator[tuple[float, str]]:
    """Yield what a job gives of its own, and the limit it is for; a temperature is for air and part."""
    settings = (
        (job.temp_min_c, ("air_min_c", "part_min_c")),
        (job.temp_max_c, ("air_max_c", "part_max_c")),
        (job.humidity_max_pct, ("humidity_max_pct",)),
        (job.margin_min_k, ("margin_min_k",)),
    )
    for value, limits in settings:
        if value is not None:
            yield from ((value, limit) for limit in limits)


def _hours(clock: str, at: datetime, zone: tzinfo) -> tuple[datetime, ...]:
    """Return the moments of an hour of the shed's clock, from yesterday's to those ahead; none if empty."""
    if not clock:
        return ()
    today = at.astimezone(zone).date()
    wall = time.fromisoformat(clock)
    days = range(-1, _DAYS_AHEAD + 1)
    return tuple(datetime.combine(today + timedelta(days=day), wall, zone).astimezone(UTC) for day in days)


def planned_windows(
    planned: Planned, forecast: Forecast, bays: Sequence[str], recalibrate: Recalibrate | None = None
) -> tuple[JobWindows, ...]:
    """Return the windows of every planned job in its bays, job by job."""
    terms = planned.terms if recalibrate is None else replace(planned.terms, recalibrate=recalibrate)
    found: list[JobWindows] = []
    for job, own in zip(planned.jobs, planned.bays, strict=True):
        asked = [bay for bay in bays if not own or bay in own]
        found += windows(forecast, [job], asked, terms)
    return tuple(found)


def plan_steps(
    given: PlanConfig, config: Config, card_folders: Sequence[Path], bays: Sequence[str], at: datetime
) -> tuple[PlanStep, ...]:
    """Return the jobs of a plan's file; a job without a bay is done in the only one there is.

    Raises
    ------
    ConfigError
        With what cannot be.
    """
    found = []
    for place, one in enumerate(given.job):
        where = f"job[{place}]"
        bay = one.bay or (bays[0] if len(bays) == 1 else "")
        if bay not in bays:
            raise ConfigError([f"{where}.bay: {bay!r} is not forecast; one of {', '.join(bays) or 'none'}"])
        try:
            job = job_of(one, config.limits, card_folders, _hours(one.by, at, config.shed.zone))
        except ValueError as error:
            raise ConfigError([f"{where}: {error}"]) from error
        wait_for = Stage(one.wait_for) if one.wait_for else None
        found.append(PlanStep(job, bay, wait_for, one.bonds))
    for place, (before, then) in enumerate(pairwise(found)):
        card = before.job.card
        if card is None or then.wait_for is None:
            continue
        if then.wait_for not in [Stage.GEL, *(table.stage for table in card.stages)]:
            raise ConfigError([f"job[{place + 1}].wait_for: card {card.key} has no {then.wait_for.value}"])
    return tuple(found)
