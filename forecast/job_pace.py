"""How a job's resin gels and cures on sample paths, and the percentage that gives its work time."""

from dataclasses import dataclass
from functools import cache
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from forecast.bay_air import BayAir, Steps, next_step
from forecast.card import Card, Stage
from forecast.card_rates import cure_rates
from forecast.job import Job
from forecast.mix import WORKABLE_SHARE
from forecast.pace import CureRates, Pace
from forecast.paths import GRID_MIN
from forecast.rate import FADE_K, Floats, Rate
from forecast.resin import gel_surface
from forecast.time_surface import Z_80, TimeSurface

_MIN_PER_H = 60.0
_PCT_ROWS = 9
_TEMPS_C = np.arange(-10.0, 61.0)
_SAME_PCT = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class JobResin:
    """A job's resin, worked out once for all bays.

    `gel_min` (percentages, temperatures) [min] are likely gel times at `pcts` [%] and whole
    degrees from -10 to 60 °C; `band_ratio` is the likely time over the quick end of the sheet's
    band.
    """

    job: Job
    rates: CureRates
    pcts: Floats
    gel_min: Floats
    band_ratio: float

    def pace_of(self, stage: Stage) -> Pace:
        """Return the pace of one of the card's stages."""
        return next(pace for one, pace in self.rates.stages if one is stage)


def job_resin(job: Job, surface: TimeSurface | None = None) -> JobResin | None:
    """Return a job's resin; None where it has no card.

    Parameters
    ----------
    job : Job
        The job.
    surface : TimeSurface, optional
        The gel surface, where it has learned from a lot; the card's own if not given.

    Raises
    ------
    ValueError
        If the card's tables cannot be, or its percentage is outside 0.05 to 200 %.
    """
    card = job.card
    if card is None:
        return None
    surface = gel_surface(card) if surface is None else surface
    given = job.catalyst_pct
    middle_pct = float(np.sqrt(card.catalyst_min_pct * card.catalyst_max_pct)) if given is None else given
    pcts = _percentages(card)
    temps, wide = np.meshgrid(_TEMPS_C, pcts)
    gel = surface.minutes(temps.ravel(), wide.ravel())
    near = surface.minutes(card.reference_c, middle_pct)
    band_ratio = float(near.likely_min / near.low_min)
    likely = np.asarray(gel.likely_min).reshape(temps.shape)
    return JobResin(job, cure_rates(card, middle_pct, surface), pcts, likely, band_ratio)


def _percentages(card: Card) -> Floats:
    least, most = card.catalyst_min_pct, card.catalyst_max_pct
    return np.array([least]) if most - least < _SAME_PCT else np.geomspace(least, most, _PCT_ROWS)


@dataclass(frozen=True, slots=True, eq=False)
class JobPace:
    """A job's resin on one bay's paths, as sums by step (paths, steps + 1): done where they grew by 1.

    `gel` is for the reference percentage; `speed_ratio` (steps,) says how much faster it gels at
    the percentage used by a pot mixed then; `catalyst_pct` (steps,) [%] is the one that gives
    the work time. `stage` is the sum of the stage wanted, `tack_free` that which ends blush,
    `stalls` the next step too cold to go on; None where the job asks for none.
    """

    gel: Floats
    speed_ratio: Floats
    catalyst_pct: Floats
    stage: Floats | None
    tack_free: Floats | None
    stalls: Steps | None


def job_pace(resin: JobResin, air: BayAir) -> JobPace:
    """Return how a job's resin gels and cures on a bay's paths.

    Each path is also one batch: how far it gels and cures before or after its sheet is drawn
    from the sheet's band, alike for all its stages.
    """
    job = resin.job
    gel = resin.pace_of(Stage.GEL)
    stage = tack_free = stalls = None
    if job.stage is not None and job.stage is not Stage.GEL:
        pace = resin.pace_of(job.stage)
        stage = stage_sums(air, pace)
        stalls = next_step(air.part_c <= pace.floor_c - FADE_K)
    if job.dry_until_tack_free:
        tack_free = stage_sums(air, resin.pace_of(Stage.TACK_FREE))
    pcts = _percentage_for_work(resin, air.warm_c)
    used = pcts if job.catalyst_pct is None else np.full(air.steps, job.catalyst_pct)
    speed = np.ones(air.steps)
    if job.catalyst_pct is None:
        times = _gel_min(resin, air.likely_c, used)
        speed = _gel_min(resin, air.likely_c, np.full(air.steps, resin.rates.catalyst_pct)) / times
    return JobPace(stage_sums(air, gel), speed, pcts, stage, tack_free, stalls)


def stage_sums(air: BayAir, pace: Pace) -> Floats:
    """Sum a pace along the paths, each path one batch."""
    sums = rate_sums(air, pace.likely)
    sums *= _batches(len(sums), pace, float(np.median(air.likely_c)))[:, None]
    return sums


def rate_sums(air: BayAir, rate: Rate) -> Floats:
    """Return the sum of a rate along the paths, (paths, steps + 1), the last step twice.

    Rates are taken as straight between samples ten minutes apart: within 0.1 %.
    """
    per_h = rate.per_h_in(air.cell, air.part)
    steps_h = (per_h[:, 1:] + per_h[:, :-1]) * (GRID_MIN / _MIN_PER_H / 2.0)
    sums = np.zeros((len(per_h), per_h.shape[1] + 1))
    np.cumsum(steps_h, axis=1, out=sums[:, 1:-1])
    sums[:, -1] = sums[:, -2]
    return sums


def _batches(paths: int, pace: Pace, temp_c: float) -> Floats:
    """Return by what factor each path's batch is faster than likely; spread over the sheet's band."""
    quick, likely, slow = (rate.per_h(temp_c) for rate in (pace.quick, pace.likely, pace.slow))
    if not min(quick, likely, slow) > 0.0:
        return np.ones(paths)
    z = _shuffled_normal(paths) / Z_80
    spread = np.where(z > 0.0, np.log(quick / likely), np.log(likely / slow))
    return np.asarray(np.exp(z * spread))


@cache
def _shuffled_normal(paths: int) -> Floats:
    """Return standard normal values, evenly placed, in a fixed disorder.

    A batch has nothing to do with the weather of its path.
    """
    normal = NormalDist()
    places = np.random.default_rng(paths).permutation(paths)
    return np.array([normal.inv_cdf((place + 0.5) / paths) for place in places])


def _percentage_for_work(resin: JobResin, temp_c: Floats) -> Floats:
    """Return the most catalyst whose pot, quick as batches come, still lasts its work at a temperature."""
    need_min = resin.job.pot_min / WORKABLE_SHARE * resin.band_ratio
    rows = _at_temps(resin.gel_min, temp_c)
    ln_rows, ln_pcts = np.log(rows), np.log(resin.pcts)
    enough = (rows >= need_min).sum(axis=0)  # rows fall with the percentage
    low = np.clip(enough - 1, 0, max(0, len(rows) - 2))
    if len(rows) == 1:
        return np.full(len(temp_c), resin.pcts[0])
    at = np.arange(len(temp_c))
    fall = ln_rows[low, at] - ln_rows[low + 1, at]
    part = np.clip((ln_rows[low, at] - np.log(need_min)) / np.maximum(fall, 1e-12), 0.0, 1.0)
    return np.asarray(np.exp(ln_pcts[low] + part * (ln_pcts[low + 1] - ln_pcts[low])))


def _gel_min(resin: JobResin, temp_c: Floats, pcts: Floats) -> Floats:
    """Return likely gel times [min] at temperatures and percentages, pairwise."""
    rows = np.log(_at_temps(resin.gel_min, temp_c))
    if len(rows) == 1:
        return np.asarray(np.exp(rows[0]))
    ln_pcts = np.log(resin.pcts)
    place = np.interp(np.log(pcts), ln_pcts, np.arange(len(ln_pcts), dtype=np.float64))
    low = np.minimum(place.astype(np.intp), len(rows) - 2)
    at = np.arange(len(temp_c))
    part = place - low
    return np.asarray(np.exp(rows[low, at] * (1.0 - part) + rows[low + 1, at] * part))


def _at_temps(rows: Floats, temp_c: Floats) -> npt.NDArray[np.float64]:
    """Return each row of times at temperatures, straight between whole degrees."""
    place = np.clip(temp_c - _TEMPS_C[0], 0.0, len(_TEMPS_C) - 1.001)
    low = place.astype(np.intp)
    part = place - low
    return np.asarray(rows[:, low] * (1.0 - part) + rows[:, low + 1] * part)
