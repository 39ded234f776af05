"""Every live cure on what has been measured so far: the answer of `layday tonight`."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from functools import lru_cache
from types import MappingProxyType

import numpy as np

from collector.clock import to_us
from collector.domain import Flag
from collector.store.base import Samples, Store
from forecast.card import Card, Stage
from forecast.card_rates import cure_rates, gel_pace
from forecast.cautions import Air, Caution, Trouble
from forecast.cure import progress, steady_c
from forecast.cure_now import believable_gel, cure_now
from forecast.cure_outlook import Wanted
from forecast.cure_state import CureState, Seen
from forecast.history import LIKELY, History, history
from forecast.pace import CureRates, Pace
from forecast.rate import HIGHEST_C, LOWEST_C, Floats, Rate
from forecast.resin import PotGel, gel_surface

NO_POTS: Mapping[str, Sequence[PotGel]] = MappingProxyType({})
"""Nobody has seen a gel yet."""

_US_PER_H = 3.6e9
_AROUND = timedelta(hours=25)  # readings before a cure bound a hole at its beginning
_SHORTEST = timedelta(seconds=1)  # a cure entered this instant still has a course
_STEP_H = 1e-4  # laying takes the batch from the pot's temperature to the part's within this


@dataclass(frozen=True, slots=True)
class Laid:
    """A batch that was laid: what the journal knows of one cure.

    `resin_c` [°C] is the resin's temperature when mixed; with `mixed_at` it counts until the
    batch was laid. Without `mixed_at` the clock begins at `laid_at`.
    """

    key: str
    bay: str
    part: str
    card: Card
    catalyst_pct: float
    laid_at: datetime
    mixed_at: datetime | None = None
    resin_c: float | None = None
    lot: str = ""
    seen: Seen = field(default_factory=Seen)
    wanted: Wanted | None = None

    @property
    def began_at(self) -> datetime:
        """When its clock began."""
        return self.laid_at if self.mixed_at is None else min(self.mixed_at, self.laid_at)


@dataclass(frozen=True, slots=True)
class CureTonight:
    """One cure and where it stands; `state` is None where nothing was measured: no news."""

    laid: Laid
    state: CureState | None
    rates: CureRates | None = None


def tonight(
    cures: Sequence[Laid], store: Store, at: datetime, pots: Mapping[str, Sequence[PotGel]] = NO_POTS
) -> tuple[CureTonight, ...]:
    """Work out every cure at `at` from the store's readings of its bay.

    Parameters
    ----------
    cures : sequence of Laid
        The cures, laid at or before `at`.
    store : Store
        Where the readings are.
    at : datetime
        The moment, aware; later readings and marks are not looked at.
    pots : mapping of str to sequence of PotGel, optional
        Gels seen so far by the card's key (`gel_pots`), for the gel time of each lot.

    Raises
    ------
    StoreError
        If the store cannot be read.
    """
    found = []
    for laid in cures:
        seen = tuple(pots.get(laid.card.key, ()))
        rates = _batch_rates(laid.card, laid.catalyst_pct, seen, laid.lot)
        found.append(CureTonight(laid, _state(laid, rates, store, at), rates))
    return tuple(found)


@lru_cache(maxsize=64)  # a batch cures for days, and is asked about every few minutes
def _batch_rates(card: Card, catalyst_pct: float, seen: tuple[PotGel, ...], lot: str) -> CureRates:
    """Return a batch's pace; its surfaces take a tenth of a second to work out."""
    return cure_rates(card, catalyst_pct, gel_surface(card, seen, lot) if seen else None)


def gel_pots(cures: Sequence[Laid], store: Store) -> dict[str, list[PotGel]]:
    """Return the gels seen on parts, by the card's key, as cup tests would have shown them.

    Each stands at the constant temperature that would have done as much. Left out are cures
    without a gel mark, with readings missing before it, or gelled so far off their sheet that
    the mark is a slip.

    Raises
    ------
    StoreError
        If the store cannot be read.
    """
    found: dict[str, list[PotGel]] = {}
    paces: dict[tuple[str, float], Pace] = {}
    for laid in cures:
        batch = (laid.card.key, laid.catalyst_pct)
        if batch not in paces:
            paces[batch] = gel_pace(laid.card, laid.catalyst_pct)
        if (pot := _gel_pot(laid, paces[batch].likely, store)) is not None:
            found.setdefault(laid.card.key, []).append(pot)
    return found


def part_history(laid: Laid, samples: Samples, at: datetime) -> History | None:
    """Return a cure's course of temperature up to `at`, from when its clock began; None without readings.

    Suspect readings are left out, and so become holes.
    """
    began_at = laid.began_at
    hours, temps = _clean(samples, began_at, (LOWEST_C, HIGHEST_C))
    if not hours.size:
        return None
    end_h = max(at - began_at, _SHORTEST) / timedelta(hours=1)
    pot_h = (laid.laid_at - began_at) / timedelta(hours=1)
    if laid.resin_c is not None and pot_h > 2.0 * _STEP_H:
        in_pot = (hours >= 0.0) & (hours < pot_h)
        laid_c = float(np.interp(pot_h, hours, temps))
        marks_h = np.array([0.0, pot_h - _STEP_H, pot_h])
        marks_c = np.array([laid.resin_c, laid.resin_c, laid_c])
        hours = np.append(hours[~in_pot], marks_h)
        order = np.argsort(hours, kind="stable")
        hours, temps = hours[order], np.append(temps[~in_pot], marks_c)[order]
    return history(hours, temps, (0.0, end_h))


def _state(laid: Laid, rates: CureRates, store: Store, at: datetime) -> CureState | None:
    since, until = laid.began_at - _AROUND, at + timedelta(microseconds=1)
    measured = {
        name: store.window(f"{laid.bay}.{name}", since, until) for name in ("part_c", "air_c", "humidity_pct")
    }
    part = part_history(laid, measured["part_c"], at)
    air_only = part is None
    if part is None:
        part = part_history(laid, measured["air_c"], at)
    if part is None:
        return None
    state = cure_now(rates, part, laid.began_at, _seen_by(laid.seen, at), _air(measured, laid.began_at))
    if air_only:
        return replace(state, cautions=(Caution(Trouble.AIR_ONLY), *state.cautions))
    return state


def _seen_by(seen: Seen, at: datetime) -> Seen:
    """Leave out what was seen after the moment asked about."""

    def by_then(mark: datetime | None) -> datetime | None:
        return mark if mark is not None and mark <= at else None

    stages = {stage: mark for stage, mark in seen.stages.items() if mark <= at}
    return Seen(stages, by_then(seen.next_ply_at), by_then(seen.dew_at))


def _clean(samples: Samples, zero: datetime, limits: tuple[float, float]) -> tuple[Floats, Floats]:
    """Return the readings that are not suspect, on a clock of hours from `zero`."""
    low, high = limits
    values = samples.values
    good = (samples.flags == Flag.NONE) & np.isfinite(values) & (values >= low) & (values <= high)
    hours = (samples.times_us[good] - to_us(zero)) / _US_PER_H
    return np.asarray(hours, dtype=np.float64), np.asarray(values[good], dtype=np.float64)


def _air(measured: Mapping[str, Samples], zero: datetime) -> Air | None:
    air_h, air_c = _clean(measured["air_c"], zero, (LOWEST_C, 100.0))
    hours, humidity_pct = _clean(measured["humidity_pct"], zero, (1.0, 100.0))
    if not air_h.size or not hours.size:
        return None
    return Air(hours, np.interp(hours, air_h, air_c), humidity_pct)


def _gel_pot(laid: Laid, rate: Rate, store: Store) -> PotGel | None:
    gel_at = laid.seen.stages.get(Stage.GEL)
    if gel_at is None or gel_at <= laid.began_at:
        return None
    until = gel_at + timedelta(microseconds=1)
    samples = store.window(f"{laid.bay}.part_c", laid.began_at - _AROUND, until)
    part = part_history(laid, samples, gel_at)
    if part is None or part.holes:
        return None
    took_h = part.course.end_h
    ratio = float(progress(part.course, rate)[LIKELY, -1])
    if not believable_gel(ratio):
        return None
    return PotGel(steady_c(rate, ratio / took_h), laid.catalyst_pct, 60.0 * took_h, laid.lot)
