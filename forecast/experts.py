"""Direct regressions, one per horizon, and the baselines beside them: the voices of the mix.

The regressions forecast the *departure* from the usual day (the fading mean of the last
week at the target's hour), so that a regression that knows nothing falls back on the usual
day and not on zero. They are ridges fitted to least absolute error by re-weighting
(Holland and Welsch 1977, doi 10.1080/03610927708827533), each with several penalties and
several anchors to shrink towards: the mix picks among them, bay by bay and hour by hour.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from forecast.baselines import lagged, persistence, same_hour, usual_day, usual_day_at_level
from forecast.features import Features
from forecast.past import DAY_STEPS, Array, History, Times, age_steps

# Half hours ahead at which experts speak; between them departures are interpolated.
KNOTS = (1, 2, 3, 4, 6, 8, 10, 12, 16, 20, 24, 28, 32, 36, 40, 44, 48, 60, 72, 84, 96, 120, 144)
# Knots at which boosting speaks too: it costs a hundred ridges each.
BOOSTED = (2, 6, 12, 24, 48, 96)
_USUAL, _DEPARTURE, _NOW, _YESTERDAY = range(4)
_RIDGES = (
    (_USUAL, 300.0),
    (_USUAL, 2000.0),
    (_DEPARTURE, 10.0),
    (_DEPARTURE, 100.0),
    (_DEPARTURE, 1000.0),
    (_NOW, 30.0),
    (_YESTERDAY, 300.0),
)
_BASE_NAMES = ("persistence", "yesterday", "usual day", "usual day at level")
EXPERT_NAMES = (
    *_BASE_NAMES,
    *(
        f"{('usual', 'departure', 'now', 'yesterday')[anchor]} ridge {penalty:g}"
        for anchor, penalty in _RIDGES
    ),
    "robust ridge",
    "plain ridge",
    "boosting",
)
_ROUNDS = 3
_MIN_ROWS = 96
_LONGEST_HOLE_STEPS = 4
_CLIP_SD = 6.0


@dataclass(frozen=True, slots=True)
class _Linear:
    """Linear maps with one output each per variant."""

    mean: Array
    scale: Array
    weights: Array
    offset: Array

    def __call__(self, inputs: Array) -> Array:
        standard = np.clip((inputs - self.mean) / self.scale, -_CLIP_SD, _CLIP_SD)
        return standard @ self.weights + self.offset


def _solve(standard: Array, targets: Array, weight: Array, penalties: Sequence[float]) -> tuple[Array, Array]:
    """Return weights (p, v) and offsets (v,) of one weighted ridge per column of `targets`."""
    weighted = standard * weight[:, None]
    centre = (weight @ standard) / weight.sum()
    gram = weighted.T @ standard - weight.sum() * np.outer(centre, centre)
    means = (weight @ targets) / weight.sum()
    moment = weighted.T @ (targets - means)
    weights = np.empty((standard.shape[1], targets.shape[1]))
    eye = np.eye(len(gram))
    for penalty in sorted(set(penalties)):
        mine = [place for place, other in enumerate(penalties) if other == penalty]
        weights[:, mine] = np.linalg.solve(gram + penalty * eye, moment[:, mine])
    return weights, means - centre @ weights


def _fit_robust(inputs: Array, targets: Array, penalties: Sequence[float], guide: int) -> _Linear:
    """Fit to least absolute error; the residuals of column `guide` give the weights of all.

    One set of weights means one Gram matrix for all variants, which is nearly all the cost.
    """
    mean, scale = inputs.mean(axis=0), inputs.std(axis=0) + 1e-9
    standard = np.clip((inputs - mean) / scale, -_CLIP_SD, _CLIP_SD)
    weight = np.ones(len(inputs))
    for _ in range(_ROUNDS):
        slope, offset = _solve(standard, targets[:, [guide]], weight, [penalties[guide]])
        miss = np.abs(targets[:, guide] - (standard @ slope + offset)[:, 0])
        weight = 1.0 / np.maximum(miss, 0.3 * np.median(miss) + 1e-9)
        weight /= weight.mean()
    weights, offsets = _solve(standard, targets, weight, penalties)
    return _Linear(mean, scale, weights, offsets)


def _fit_plain(inputs: Array, target: Array) -> _Linear:
    mean, scale = inputs.mean(axis=0), inputs.std(axis=0) + 1e-9
    weights, offset = _solve((inputs - mean) / scale, target[:, None], np.ones(len(target)), [10.0])
    return _Linear(mean, scale, weights, offset)


def replay(
    history: History, unit: tuple[str, str], refits: Sequence[int], *, boosting: bool = False
) -> Array:
    """Return what each expert said at each origin, as it would have said it live.

    At each step of `refits` all experts are fitted to targets measured by then; they speak
    until the next one. Origins before the first have NaN, as has an expert without enough to go by.

    Parameters
    ----------
    history : History
    unit : (bay, quantity)
    refits : rising steps of `history`
    boosting : whether to fit the dear expert too: half a per cent better, thirty times the time

    Returns
    -------
    (experts, knots, n) array in the quantity's unit, by origin.
    """
    features = Features(history, *unit)
    said = np.full((len(EXPERT_NAMES), len(KNOTS), len(history)), np.nan)
    heard = age_steps(features.measured) <= _LONGEST_HOLE_STEPS
    for place, knot in enumerate(KNOTS):
        _speak(features, knot, refits, heard, said[:, place], boosting=boosting and knot in BOOSTED)
    if refits:
        said[:, :, : refits[0]] = np.nan
    return said


def _speak(
    features: Features,
    knot: int,
    refits: Sequence[int],
    heard: npt.NDArray[np.bool_],
    said: Array,
    *,
    boosting: bool,
) -> None:
    """Fill `said` (experts, n) for one knot."""
    values = features.values
    usual = usual_day(values, knot)
    yesterday = same_hour(values, knot)
    said[: len(_BASE_NAMES)] = (persistence(values), yesterday, usual, usual_day_at_level(values, knot))
    anchors = np.stack([usual, usual + values - features.usual_now, values, yesterday], axis=1)
    anchors = anchors[:, [anchor for anchor, _ in _RIDGES]]
    penalties = [penalty for _, penalty in _RIDGES]
    target = lagged(features.measured, -knot)
    inputs, raw = features.toward(knot, usual), features.raw(knot)
    usable = heard & np.isfinite(anchors).all(axis=1)
    ends = [*refits[1:], len(values)]
    first = len(_BASE_NAMES)
    for refit, end in zip(refits, ends, strict=True):
        rows = np.arange(DAY_STEPS, max(DAY_STEPS, refit - knot + 1))
        rows = rows[usable[rows] & np.isfinite(target[rows])]
        span = np.arange(refit, end)
        span = span[np.isfinite(anchors[span]).all(axis=1)]
        if len(rows) < _MIN_ROWS or not len(span):
            continue
        fit = _fit_robust(inputs[rows], target[rows, None] - anchors[rows], penalties, guide=0)
        said[first : first + len(_RIDGES), span] = (fit(inputs[span]) + anchors[span]).T
        after = first + len(_RIDGES)
        robust = _fit_robust(raw[rows], (target[rows] - values[rows])[:, None], (10.0,), guide=0)
        said[after, span] = robust(raw[span])[:, 0] + values[span]
        plain = _fit_plain(raw[rows], target[rows] - values[rows])
        said[after + 1, span] = plain(raw[span])[:, 0] + values[span]
        if boosting and len(rows) >= 4 * _MIN_ROWS:
            said[-1, span] = _boosted(raw, rows, target[rows] - values[rows], span) + values[span]


def _boosted(raw: Array, rows: Times, target: Array, span: Times) -> Array:
    """Return what gradient boosting, trained on `rows`, says for `span`."""
    from sklearn.ensemble import HistGradientBoostingRegressor

    model = HistGradientBoostingRegressor(max_iter=100, random_state=0, early_stopping=False)
    predicted: Array = model.fit(raw[rows], target).predict(raw[span])
    return predicted
