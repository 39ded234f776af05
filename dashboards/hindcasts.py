"""Hindcasts of decisions and of cures, as `layday hindcast` asks for them."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich.table import Table

from collector.clock import from_us
from collector.config import Config
from collector.errors import InputError

if TYPE_CHECKING:
    from forecast.cure_hindcast import Evening
    from forecast.hindcast import Plan, Work
    from forecast.job import JobLimits
    from forecast.past import History

_STEPS_PER_H = 2


@dataclass(frozen=True, slots=True)
class Jobs:
    """The job whose starts are scored, and from which odds a start is called go."""

    job_h: float
    limits: "JobLimits"
    go_odds: float


@dataclass(frozen=True, slots=True)
class Nights:
    """The cures whose nights are scored."""

    card_folders: Sequence[Path]
    card: str
    catalyst_pct: float | None
    stage: str
    laid_and_bed: tuple[str, str]
    zone: tzinfo


def limits_asked(
    config: Config, temp_min_c: float | None, humidity_max_pct: float | None, margin_min_k: float | None
) -> "JobLimits":
    """Return the limits given; where none is, those of the configuration."""
    from forecast.job import JobLimits

    inf = float("inf")
    if temp_min_c is humidity_max_pct is margin_min_k is None:
        given = config.limits
        return JobLimits(
            given.air_min_c,
            given.air_max_c,
            given.part_min_c,
            given.part_max_c,
            given.humidity_max_pct,
            given.margin_min_k,
        )
    floor_c = -inf if temp_min_c is None else temp_min_c
    return JobLimits(
        air_min_c=floor_c,
        part_min_c=floor_c,
        humidity_max_pct=inf if humidity_max_pct is None else humidity_max_pct,
        margin_min_k=-inf if margin_min_k is None else margin_min_k,
    )


def replay_windows(history: "History", plan: "Plan", jobs: Jobs, work: "Work") -> dict[str, Any]:
    """Replay decisions to start a job.

    Raises
    ------
    InputError
        If no bay measures what the limits are about.
    """
    from forecast.voices import Hold
    from forecast.window_hindcast import hindcast_windows

    hold = Hold(jobs.limits, round(jobs.job_h * _STEPS_PER_H))
    found = hindcast_windows(history, plan, hold, jobs.go_odds, work)
    if not found["windows"]:
        raise InputError("no bay measures all that these limits are about; leave some of them out")
    return found


def replay_cures(history: "History", plan: "Plan", nights: Nights, work: "Work") -> dict[str, Any]:
    """Replay nights.

    Raises
    ------
    InputError
        If the card has no such stage, or an hour is no time of day.
    """
    from forecast.card_files import find_card
    from forecast.card_rates import cure_rates
    from forecast.cure_hindcast import hindcast_cures

    card = find_card(nights.card, nights.card_folders)
    middle_pct = (card.catalyst_min_pct * card.catalyst_max_pct) ** 0.5
    rates = cure_rates(card, middle_pct if nights.catalyst_pct is None else nights.catalyst_pct)
    paces = {stage.value: pace for stage, pace in rates.stages}
    if nights.stage not in paces:
        raise InputError(f"--stage {nights.stage!r}: card {card.key} has {', '.join(paces)}")
    evenings = _evenings(history, nights)
    return hindcast_cures(history, plan, paces[nights.stage].likely, evenings, work)


def _evenings(history: "History", nights: Nights) -> list["Evening"]:
    """Return the evenings of a history, each laid before bedtime of the same day."""
    from forecast.cure_hindcast import Evening

    laid, bed = (
        _clock(option, text) for option, text in zip(("--laid", "--bed"), nights.laid_and_bed, strict=True)
    )
    if laid >= bed:
        raise InputError(f"--laid {laid:%H:%M} must be before --bed {bed:%H:%M}")
    first = from_us(int(history.times_us[0])).astimezone(nights.zone).date()
    last = from_us(int(history.times_us[-1])).astimezone(nights.zone).date()
    found = []
    for day in range((last - first).days + 1):
        date = first + timedelta(days=day)
        moments = (datetime.combine(date, wall, nights.zone).astimezone(UTC) for wall in (laid, bed))
        began, slept = (history.index(moment) for moment in moments)
        if 0 < began < slept < len(history):
            found.append(Evening(began, slept))
    return found


def _clock(option: str, text: str) -> time:
    try:
        return time.fromisoformat(text)
    except ValueError as error:
        raise InputError(f"{option} {text!r}: write an hour, as 22:00") from error


def score_tables(found: dict[str, Any]) -> Iterator[Table]:
    """Yield the tables of what was scored: decisions with their reliability, and nights."""
    if "windows" in found:
        yield from _window_tables(found["windows"])
    if "cures" in found:
        table = Table("bay", "nights", "median error", "bias", "in 80 %", title="at bedtime", box=None)
        for bay, one in found["cures"].items():
            if one["n"]:
                error, bias = f"{one['median_error_min']:.0f} min", one["bias_min"]
                bias = "-" if bias is None else f"{bias:+.0f} min"
                table.add_row(bay, str(one["n"]), error, bias, f"{100 * one['cover80']:.0f} %")
        yield table


def _window_tables(bays: dict[str, Any]) -> Iterator[Table]:
    heads = ("bay", "starts", "held", "skill", "called go", "wrong", "kept", "meter wrong")
    table = Table(*heads, title="decisions to start", title_justify="left", box=None)
    for bay, one in bays.items():
        if one["n"]:
            go, meter = one["go"], one["meter_rule"]
            skill = "-" if one["brier_skill"] is None else f"{one['brier_skill']:.2f}"
            shares = [_pct(one["base_rate"]), skill, str(go["n"]), _pct(go["wrong"]), _pct(go["kept"])]
            table.add_row(bay, str(one["n"]), *shares, _pct(meter["wrong"]))
    yield table
    for bay, one in bays.items():
        if one["n"]:
            honest = Table("odds", "held", "starts", title=bay, title_justify="left", box=None)
            for tenth in one["reliability"]:
                honest.add_row(_pct(tenth["odds"]), _pct(tenth["held"]), str(tenth["n"]))
            yield honest


def _pct(share: float | None) -> str:
    return "-" if share is None else f"{100 * share:.0f} %"
