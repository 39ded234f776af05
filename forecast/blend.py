"""One set of odds from several voices: recalibrated, weighed by what has held, and no surer than that.

Two more voices are learned from the others: odds recalibrated by beta calibration (Kull, Silva
Filho and Flach 2017, PMLR 54:623-631), and a logistic classifier that also sees how near the
limits the paths come. Each is drawn towards the plain mean, so that little experience changes
little. All voices then share in one linear pool, weighed by their matured Brier scores
(exponential weights: Cesa-Bianchi and Lugosi 2006, section 2.1, doi 10.1017/CBO9780511546921).

Last, the pooled odds are bent. Low ones are lifted: a start that is fine at the moment holds more often than
a pool of them says, for paths know nothing of people who shut the door again. Middling ones are moved either
way: a bath that is showered in at its own hours holds less often. By how much is learned as well.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from forecast.past import DAY_STEPS, Array, Times

_Bends = tuple[float, float]

_REFIT_STEPS = 7 * DAY_STEPS
_LEAST_STARTS = 40
_PENALTY = 15.0
_OFFSET_PENALTY = _PENALTY / 4.0
_CLIP_ODDS = 0.01
_CLIP_SD = 4.0
_ROUNDS, _BEND_ROUNDS = 15, 6
_RATE = 0.25
_WEIGHTS_FADE_DAYS = 21.0
_CALIBRATION_FADES_DAYS = 28.0
# How low and middling odds are bent before there is experience, and how firmly that is believed: chosen on
# tuned rooms.
_BENDS_LOGIT, _BENDS_PENALTY = (0.4, 0.0), (8.0, 60.0)
_BENDS_FADE_DAYS = 30.0


@dataclass(frozen=True, slots=True, eq=False)
class Starts:
    """Starts of one kind of job, in order of time, and what was said of them when they were to come.

    `steps` (n,) are the steps of the history at which they were spoken of, `done_steps` how many
    steps later it was known how they went, `odds` (n, voices) what each voice gave them,
    `slacks` (n, inputs) how near the limits their paths came, `held` (n,) 1, 0 or NaN where it is
    not known (yet).
    """

    steps: Times
    done_steps: int
    odds: Array
    slacks: Array
    held: Array


@dataclass(frozen=True, slots=True)
class _Logistic:
    """A correction to the logit of some odds, linear in inputs."""

    mean: Array
    scale: Array
    slopes: Array

    def __call__(self, odds: Array, inputs: Array) -> Array:
        standard = np.clip((inputs - self.mean) / self.scale, -_CLIP_SD, _CLIP_SD)
        return _odds_of(_logit(odds) + self.slopes[0] + standard @ self.slopes[1:])


@dataclass(frozen=True, slots=True)
class Blend:
    """What was learned by some moment: how to correct the mean, what each voice weighs, how odds bend."""

    calibrated: _Logistic | None
    classified: _Logistic | None
    weights: Array
    bends_logit: _Bends = _BENDS_LOGIT

    def odds(self, odds: Array, slacks: Array) -> Array:
        """Return (n,) odds from what the voices say (n, voices) and the slacks (n, inputs)."""
        return _bent(self.voices(odds, slacks) @ self.weights, self.bends_logit)

    def voices(self, odds: Array, slacks: Array) -> Array:
        """Return (n, voices + 2): the voices, the recalibrated mean and the classifier."""
        mean = _mean(odds)
        calibrated, classified = mean, mean
        if self.calibrated is not None and self.classified is not None:
            inputs = _beta(mean)
            calibrated = self.calibrated(mean, inputs)
            classified = self.classified(mean, np.column_stack([inputs, slacks]))
        return np.column_stack([odds, calibrated, classified])


def replayed(starts: Starts) -> tuple[Array, Blend]:
    """Return the odds (n,) that would have been given live, and what has been learned by the end.

    At every start only starts whose outcome was known by then teach: corrections are learned
    anew each week, weights each day.
    """
    count, voices = starts.odds.shape
    every = np.column_stack([starts.odds, _mean(starts.odds), _mean(starts.odds)])
    pooled = every.mean(axis=1)
    found = _bent(pooled, _BENDS_LOGIT)
    blend = Blend(None, None, np.full(voices + 2, 1.0 / (voices + 2)))
    if not count:
        return found, blend
    first, last = int(starts.steps[0]), int(starts.steps[-1])
    for today in range(first, last + DAY_STEPS, DAY_STEPS):
        span = (starts.steps >= today) & (starts.steps < today + DAY_STEPS)
        if (today - first) % _REFIT_STEPS == 0:
            blend = _corrected(starts, today, blend)
        every[span] = blend.voices(starts.odds[span], starts.slacks[span])
        bends = _bends_logit(starts, pooled, today, blend.bends_logit)
        blend = Blend(blend.calibrated, blend.classified, _weights(starts, every, today), bends)
        pooled[span] = every[span] @ blend.weights
        found[span] = _bent(pooled[span], bends)
    now = last + 1
    blend = _corrected(starts, now, blend)
    bends = _bends_logit(starts, pooled, now, blend.bends_logit)
    return found, Blend(blend.calibrated, blend.classified, _weights(starts, every, now), bends)


def _corrected(starts: Starts, now: int, before: Blend) -> Blend:
    """Learn the corrections from what is known at step `now`; as before, where that is too little."""
    known = _known(starts, now)
    if known.sum() < _LEAST_STARTS:
        return before
    mean, held = _mean(starts.odds[known]), starts.held[known]
    inputs = _beta(mean)
    age_days = (now - starts.steps[known]) / DAY_STEPS
    fading = 0.5 ** (age_days / _CALIBRATION_FADES_DAYS)
    return Blend(
        _learned(inputs, mean, held, fading),
        _learned(np.column_stack([inputs, starts.slacks[known]]), mean, held, np.ones(len(held))),
        before.weights,
        before.bends_logit,
    )


def _weights(starts: Starts, every: Array, now: int) -> Array:
    """Return what each voice weighs, by its matured Brier scores; recent ones count more."""
    known = _known(starts, now)
    fading = 0.5 ** ((now - starts.steps[known]) / DAY_STEPS / _WEIGHTS_FADE_DAYS)
    losses = ((every[known] - starts.held[known, None]) ** 2 * fading[:, None]).sum(axis=0)
    weights = np.exp(-_RATE * (losses - losses.min()))
    return np.asarray(weights / weights.sum())


def _bends_logit(starts: Starts, pooled: Array, now: int, before: _Bends) -> _Bends:
    """Return by how much the logits of odds near 0, and near a half, are raised: by what has held."""
    known = _known(starts, now)
    odds, held = pooled[known], starts.held[known]
    reach, logit, bends = _reach(odds), _logit(odds), np.array(before)
    fading = 0.5 ** ((now - starts.steps[known]) / DAY_STEPS / _BENDS_FADE_DAYS)
    for _ in range(_BEND_ROUNDS):
        said = _odds_of(logit + reach @ bends)
        slope = reach.T @ (fading * (held - said)) - np.array(_BENDS_PENALTY) * (bends - _BENDS_LOGIT)
        curve = (reach * (fading * said * (1.0 - said))[:, None]).T @ reach + np.diag(_BENDS_PENALTY)
        bends = bends + np.clip(np.linalg.solve(curve, slope), -1.0, 1.0)
    low, middle = bends
    return float(low), float(middle)


def _bent(odds: Array, bends_logit: _Bends) -> Array:
    return _odds_of(_logit(odds) + _reach(odds) @ np.array(bends_logit))


def _reach(odds: Array) -> Array:
    """Return how much low and middling odds are bent, (n, 2): 1 at odds of 0, and at a half."""
    return np.stack([(1.0 - odds) ** 2, 4.0 * odds * (1.0 - odds)], axis=-1)


def _known(starts: Starts, now: int) -> npt.NDArray[np.bool_]:
    return np.asarray((starts.steps + starts.done_steps <= now) & np.isfinite(starts.held))


def _learned(inputs: Array, odds: Array, held: Array, weight: Array) -> _Logistic:
    """Fit by Newton's method with a penalty that leaves the odds as they are until there is reason."""
    mean, scale = inputs.mean(axis=0), inputs.std(axis=0) + 1e-6
    standard = np.clip((inputs - mean) / scale, -_CLIP_SD, _CLIP_SD)
    design = np.column_stack([np.ones(len(odds)), standard])
    penalty = np.r_[_OFFSET_PENALTY, np.full(standard.shape[1], _PENALTY)]
    slopes, start = np.zeros(design.shape[1]), _logit(odds)
    for _ in range(_ROUNDS):
        said = _odds_of(start + design @ slopes)
        slope = design.T @ (weight * (held - said)) - penalty * slopes
        bend = (design * (weight * said * (1.0 - said) + 1e-6)[:, None]).T @ design + np.diag(penalty)
        step = np.clip(np.linalg.solve(bend, slope), -2.0, 2.0)
        slopes = slopes + step
    return _Logistic(mean, scale, slopes)


def _mean(odds: Array) -> Array:
    """Return the mean of the mix's own voice and the direct one: the two that err most differently."""
    return np.asarray((odds[:, 0] + odds[:, -1]) / 2.0)


def _beta(odds: Array) -> Array:
    kept = np.clip(odds, _CLIP_ODDS, 1.0 - _CLIP_ODDS)
    return np.column_stack([np.log(kept), -np.log1p(-kept)])


def _logit(odds: Array) -> Array:
    kept = np.clip(odds, _CLIP_ODDS, 1.0 - _CLIP_ODDS)
    return np.asarray(np.log(kept / (1.0 - kept)))


def _odds_of(logit: Array) -> Array:
    return np.asarray(1.0 / (1.0 + np.exp(-np.clip(logit, -30.0, 30.0))))
