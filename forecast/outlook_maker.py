"""From readings, journal and forecast to the outlook of a shed."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from collector.clock import from_us, to_us
from collector.config import Config
from collector.domain import Sensor
from collector.journal_book import EMPTY, Book
from collector.store.base import Store
from forecast.air import dew_point_c, margin_k
from forecast.batches import ReadyHour, laid, learned_pots, live_at, read_cards, ready_hour
from forecast.cure_ahead import PartAhead, part_ahead
from forecast.cure_outlook import CureOutlook
from forecast.heater_state import HeaterOutlook
from forecast.outlook import HIGH_ODDS, LOW_ODDS, Band, BayOutlook, Outlook
from forecast.paths import Forecast
from forecast.planned_jobs import Planned, planned_jobs, planned_windows
from forecast.rate import Floats
from forecast.shed_limits import limits_of
from forecast.shed_now import OUTLOOK_STALE, shed_now
from forecast.tonight import CureTonight, tonight
from forecast.tonight_ahead import Relit, cure_outlook
from forecast.verdict import NEEDED, BayNow, Limits
from forecast.window import ANY_HOUR, DEFAULT_THRESHOLDS, Recalibrate, Thresholds
from forecast.window_answer import JobWindows

if TYPE_CHECKING:
    from forecast.unheated import Unheated

BAND_STEP = timedelta(minutes=30)
FORECAST_STALE = timedelta(hours=2)
"""A forecast older than this is no longer drawn on: the hours since have had their say."""

_US_PER_H = 3.6e9
_DRIEST_PCT = 0.5  # a path may touch zero humidity, where there is no dew point


def no_jobs(at: datetime) -> Planned:  # noqa: ARG001  as a configuration's would
    """Return no planned job at all."""
    return Planned((), (), ANY_HOUR)


@dataclass(frozen=True, slots=True)
class Shed:
    """What an outlook is of: the shed, its sensors and limits, where its cards lie, and the planned jobs."""

    name: str
    sensors: Mapping[str, Sensor]
    limits: Limits
    card_folders: Sequence[Path] = ()
    ready_hour: ReadyHour | None = None
    thresholds: Thresholds = DEFAULT_THRESHOLDS
    jobs: Callable[[datetime], Planned] = no_jobs


def shed_of(config: Config, card_folders: Sequence[Path]) -> Shed:
    """Return what outlooks are of, as the configuration has it."""
    return Shed(
        name=config.shed.name,
        sensors=config.sensors,
        limits=limits_of(config.limits),
        card_folders=card_folders,
        ready_hour=ready_hour(config.cure, config.shed.zone),
        thresholds=Thresholds(config.windows.go_odds, config.windows.tight_odds),
        jobs=lambda at: planned_jobs(config, card_folders, at),
    )


def make_outlook(  # noqa: PLR0913  all but the first three have defaults
    store: Store,
    shed: Shed,
    at: datetime,
    *,
    forecast: Forecast | None = None,
    book: Book = EMPTY,
    heater: HeaterOutlook | None = None,
    learned: Recalibrate | None = None,
    unheated: "Unheated | None" = None,
    notes: Sequence[str] = (),
) -> Outlook:
    """Return all that is known and expected of a shed at one moment.

    Parameters
    ----------
    store : Store
        The readings.
    shed : Shed
        What to judge by.
    at : datetime
        The moment, aware; later readings and entries are not looked at.
    forecast : Forecast, optional
        What may come. Without one, or with one that is too old, cures fall back on the warmth of
        the last hours, and the outlook says so.
    book : Book, optional
        The journal.
    heater : HeaterOutlook, optional
        What is known of the heater, left out where it is too old.
    learned : Recalibrate, optional
        What the shed has taught of the odds of starts.
    unheated : Unheated, optional
        The hours ahead without the heater, where it has stopped: they stand for `forecast`, and what
        was learned with the heater does not count.
    notes : sequence of str, optional
        What there is to say already.

    Raises
    ------
    StoreError
        If the store cannot be read.
    """
    now = shed_now(store, shed.name, shed.sensors, shed.limits, at)
    said = list(notes)
    if unheated is not None:
        forecast, learned = unheated.left_off, None
    if forecast is not None and at - forecast.issued_at > FORECAST_STALE:
        said.append("the forecast is too old to be drawn on")
        forecast = None
    said += forecast.notes if forecast is not None else ()
    paths = {} if forecast is None else {bay.bay: _bay_paths(forecast, bay.bay, at) for bay in now.bays}
    relit = () if unheated is None else unheated.relit
    cures, mistakes = _cures(store, book, shed, _Ahead(at, paths, relit))
    windows, wrong_jobs = _windows(shed, forecast, at, learned)
    return Outlook(
        shed=shed.name,
        issued_at=at,
        heard_at=_heard_at(store, at),
        forecast_at=None if forecast is None else forecast.issued_at,
        limits=shed.limits,
        bays=tuple(
            replace(
                _bay(bay, paths.get(bay.bay), windows.get(bay.bay, ())),
                heater=heater if _is_of(heater, bay.bay, at) else None,
            )
            for bay in now.bays
        ),
        cures=cures,
        notes=(*said, *wrong_jobs),
        mistakes=mistakes,
    )


def _is_of(heater: HeaterOutlook | None, bay: str, at: datetime) -> bool:
    return heater is not None and heater.bay == bay and at - heater.at <= OUTLOOK_STALE


@dataclass(frozen=True, slots=True, eq=False)
class _BayPaths:
    """One bay's paths after now, by quantity, dew point and margin worked out with them."""

    times_us: np.ndarray[tuple[int], np.dtype[np.int64]]
    elapsed_h: Floats
    values: Mapping[str, Floats]


def _bay_paths(forecast: Forecast, bay: str, at: datetime) -> _BayPaths | None:
    """Return what is forecast of a bay from `at` on; None without air or part, or at the forecast's end."""
    late = forecast.times_us > to_us(at)
    values = {
        quantity: forecast.paths[bay, quantity][:, late]
        for quantity in NEEDED
        if (bay, quantity) in forecast.paths
    }
    times_us = forecast.times_us[late]
    if times_us.size < 2 or not values:  # noqa: PLR2004  a course has two ends
        return None
    if "air_c" in values and "humidity_pct" in values:
        humidity_pct = np.maximum(values["humidity_pct"], _DRIEST_PCT)
        values["dew_point_c"] = dew_point_c(values["air_c"], humidity_pct)
        if "part_c" in values:
            values["margin_k"] = margin_k(values["part_c"], values["air_c"], humidity_pct)
    return _BayPaths(times_us, (times_us - to_us(at)) / _US_PER_H, values)


def _windows(
    shed: Shed, forecast: Forecast | None, at: datetime, learned: Recalibrate | None
) -> tuple[dict[str, tuple[JobWindows, ...]], tuple[str, ...]]:
    """Look for windows of every planned job, from now on; by bay, and what is wrong with jobs."""
    if forecast is None:
        return {}, ()
    late = forecast.times_us > to_us(at)
    ahead = replace(
        forecast,
        times_us=forecast.times_us[late],
        paths={unit: paths[:, late] for unit, paths in forecast.paths.items()},
    )
    if not ahead.times_us.size:
        return {}, ()
    planned = shed.jobs(at)
    bays = sorted({bay for bay, _ in ahead.paths})
    found: dict[str, tuple[JobWindows, ...]] = {}
    for one in planned_windows(planned, ahead, bays, learned):
        # what is kept and sent has no room for the odds of every start
        found[one.bay] = (*found.get(one.bay, ()), replace(one, starts=None))
    return found, planned.mistakes


def _bay(now: BayNow, paths: _BayPaths | None, windows: tuple[JobWindows, ...]) -> BayOutlook:
    if paths is None:
        return BayOutlook(now, windows=windows)
    step_us = BAND_STEP // timedelta(microseconds=1)
    picked = np.flatnonzero(paths.times_us % step_us == 0)
    if not picked.size:
        return BayOutlook(now, windows=windows)
    start_at = from_us(int(paths.times_us[picked[0]]))
    bands = []
    for quantity, values in paths.values.items():
        low, likely, high = (
            np.quantile(values[:, picked], (LOW_ODDS, 0.5, HIGH_ODDS), axis=0).round(2).tolist()
        )
        step_s = BAND_STEP.total_seconds()
        bands.append(Band(quantity, start_at, step_s, tuple(low), tuple(likely), tuple(high)))
    return BayOutlook(now, tuple(bands), windows=windows)


class _Ahead(NamedTuple):
    """The hours after a moment: each bay's paths, and what comes if a heater that stopped is lit."""

    at: datetime
    paths: Mapping[str, _BayPaths | None]
    relit: Sequence[tuple[datetime, Forecast]]


def _cures(
    store: Store, book: Book, shed: Shed, hours: _Ahead
) -> tuple[tuple[CureOutlook, ...], tuple[str, ...]]:
    """Work out every live cure; one whose card cannot be read is named and hides no other."""
    at = hours.at
    live = live_at(book, at)
    if not live:
        return (), ()
    cards = read_cards((cure.batch.card for cure in live), shed.card_folders)
    batches = [
        laid(
            cure,
            cards.found[cure.batch.card],
            shed.ready_hour.wanted(cure.laid_at, at) if shed.ready_hour else None,
        )
        for cure in live
        if cure.batch.card in cards.found
    ]
    found = tonight(batches, store, at, learned_pots(book, cards, store, at))
    ahead: dict[str, PartAhead | None] = {}
    relit: dict[str, Relit] = {}
    outlooks = []
    for cure in found:
        bay = cure.laid.bay
        if bay not in ahead:
            ahead[bay] = _part_ahead(cure, hours.paths.get(bay), at)
            lit = ((by_at, _part_ahead(cure, _bay_paths(one, bay, at), at)) for by_at, one in hours.relit)
            relit[bay] = [(by_at, part) for by_at, part in lit if part is not None and by_at > at]
        outlooks.append(cure_outlook(cure, ahead[bay], shed.thresholds, relit[bay]))
    return tuple(outlooks), cards.mistakes


def _part_ahead(cure: CureTonight, paths: _BayPaths | None, at: datetime) -> PartAhead | None:
    """Return the paths of a bay's part, of its air where it has no probe; None where none can be used."""
    if paths is None or cure.state is None or cure.state.silent_h:
        return None
    temps = paths.values.get("part_c", paths.values.get("air_c"))
    if temps is None:
        return None
    return part_ahead(at, cure.state.warmth.now_c, paths.elapsed_h, temps, paths.values.get("margin_k"))


def _heard_at(store: Store, at: datetime) -> datetime | None:
    """Return the time of the newest reading of anything a verdict rests on."""
    latest = store.latest(at, timedelta(days=2))
    times = [reading.at for name, reading in latest.items() if name.rpartition(".")[2] in NEEDED]
    return max(times, default=None)
