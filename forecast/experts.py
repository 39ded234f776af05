"""Direct regressions, one per horizon, and the baselines beside them: the voices of the mix.

The regressions forecast the *departure* from the usual day (the fading mean of the last
week at the target's hour), so that a regression that knows nothing falls back on the usual
day and not on zero. They are ridges fitted to least absolute error by re-weighting
(Holland and Welsch 1977, doi 10.1080/03610927708827533), each with several penalties and
several anchors to shrink towards: the mix picks among them, bay by bay and hour by hour.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from forecast.baselines import lagged, persistence, same_hour, usual_day, usual_day_at_level
from forecast.features import Features
from forecast.past import DAY_STEPS, Array, History, Times
from forecast.trees import TREE_KNOTS, Changes, TreeFits

# Half hours ahead at which experts speak; between them departures are interpolated.
KNOTS = (1, 2, 3, 4, 6, 8, 10, 12, 16, 20, 24, 28, 32, 36, 40, 44, 48, 60, 72, 84, 96, 120, 144)
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
# How many of the first experts are naive: persistence and same hour yesterday.
NAIVE = 2
_BASE_NAMES = ("persistence", "yesterday", "usual day", "usual day at level")
_PLACE_OF_YESTERDAY = [anchor for anchor, _ in _RIDGES].index(_YESTERDAY)
EXPERT_NAMES = (
    *_BASE_NAMES,
    *(
        f"{('usual', 'departure', 'now', 'yesterday')[anchor]} ridge {penalty:g}"
        for anchor, penalty in _RIDGES
    ),
    "robust ridge",
    "plain ridge",
    "trees",
)
# The last expert, which speaks at few knots and has a share of its own.
TREES = EXPERT_NAMES.index("trees")
_TREE_PLACES = [KNOTS.index(knot) for knot in TREE_KNOTS]
_ROUNDS = 3
_MIN_ROWS = 96
_CLIP_SD = 6.0
# How far back anything that an expert looks at reaches, and some: seven known days at three days ahead.
_MEMORY_STEPS = 14 * DAY_STEPS


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


@dataclass(frozen=True, slots=True)
class Fit:
    """What was learned for one knot at one refit: each a map from inputs to departures."""

    ridges: _Linear
    robust: _Linear
    plain: _Linear


@dataclass(frozen=True, slots=True)
class Fits:
    """What was learned for all knots at one refit; None where there was too little to learn from."""

    knots: tuple[Fit | None, ...]
    trees: TreeFits


@dataclass(slots=True)
class _Knot:
    """All that the experts look at for one knot, by origin; the dear inputs are made when asked for."""

    features: Features
    knot: int
    usual: Array = field(init=False)
    at_level: Array = field(init=False)
    anchors: Array = field(init=False)
    target: Array = field(init=False)
    inputs: Array = field(init=False)
    raw: Array = field(init=False)

    def __post_init__(self) -> None:
        features, knot, values = self.features, self.knot, self.features.values
        self.usual = usual_day(values, knot)
        self.at_level = usual_day_at_level(values, knot, features.level(-(-knot // DAY_STEPS)))
        now, yesterday = persistence(values), same_hour(values, knot)
        anchors = np.stack([self.usual, self.usual + values - features.usual_now, now, yesterday], axis=1)
        self.anchors = anchors[:, [anchor for anchor, _ in _RIDGES]]
        self.target = lagged(features.measured, -knot)
        self.inputs, self.raw = features.toward(knot, self.usual), features.raw(knot)

    def fit(self, refit: int) -> Fit | None:
        """Learn from targets measured by step `refit`; None where they are too few."""
        rows = np.arange(DAY_STEPS, max(DAY_STEPS, refit - self.knot + 1))
        usable = self.features.heard[rows] & np.isfinite(self.anchors[rows]).all(axis=1)
        rows = rows[usable & np.isfinite(self.target[rows])]
        if len(rows) < _MIN_ROWS:
            return None
        change = self.target[rows] - self.features.values[rows]
        inputs, raw = self.inputs[rows], self.raw[rows]
        penalties = [penalty for _, penalty in _RIDGES]
        return Fit(
            _fit_robust(inputs, self.target[rows, None] - self.anchors[rows], penalties, guide=0),
            _fit_robust(raw, change[:, None], (10.0,), guide=0),
            _fit_plain(raw, change),
        )

    def say(self, fit: Fit | None, span: Times, said: Array) -> None:
        """Fill in what the experts say (experts, n) at the origins of `span`."""
        values = self.features.values[span]
        said[: len(_BASE_NAMES), span] = (
            values,
            self.anchors[span, _PLACE_OF_YESTERDAY],
            self.usual[span],
            self.at_level[span],
        )
        span = span[np.isfinite(self.anchors[span]).all(axis=1)]
        if fit is None or not len(span):
            return
        values, raw = self.features.values[span], self.raw[span]
        first, after = len(_BASE_NAMES), len(_BASE_NAMES) + len(_RIDGES)
        said[first:after, span] = (fit.ridges(self.inputs[span]) + self.anchors[span]).T
        said[after, span] = fit.robust(raw)[:, 0] + values
        said[after + 1, span] = fit.plain(raw)[:, 0] + values


def replay(history: History, unit: tuple[str, str], refits: Sequence[int]) -> Array:
    """Return what each expert said at each origin, as it would have said it live.

    At each step of `refits` all experts are fitted to targets measured by then; they speak
    until the next one. Origins before the first have NaN, as has an expert without enough to go by.

    Parameters
    ----------
    history : History
    unit : (bay, quantity)
    refits : rising steps of `history`

    Returns
    -------
    (experts, knots, n) array in the quantity's unit, by origin.
    """
    return replay_and_learn(history, unit, refits)[0]


def replay_and_learn(history: History, unit: tuple[str, str], refits: Sequence[int]) -> tuple[Array, Fits]:
    """Return the same as `replay`, and what the last refit learned."""
    features = Features(history, *unit)
    said = np.full((len(EXPERT_NAMES), len(KNOTS), len(history)), np.nan)
    spans = [np.arange(*ends) for ends in pairwise([*refits, len(history)])]
    learned: list[Fit | None] = []
    for place, knot in enumerate(KNOTS):
        here = _Knot(features, knot)
        fit = None
        for refit, span in zip(refits, spans, strict=True):
            fit = here.fit(refit)
            here.say(fit, span, said[:, place])
        learned.append(fit)
    changes = Changes(features, *unit)
    trees: TreeFits = ()
    for refit, span in zip(refits, spans, strict=True):
        trees = changes.fit(refit)
        said[TREES, _TREE_PLACES, span[:, None]] = changes.say(trees, span).T
    return said, Fits(tuple(learned), trees)


def learn(history: History, unit: tuple[str, str]) -> Fits:
    """Return what the experts learn from all targets measured by the last step of `history`."""
    features, last = Features(history, *unit), len(history) - 1
    fits = tuple(_Knot(features, knot).fit(last) for knot in KNOTS)
    return Fits(fits, Changes(features, *unit).fit(last))


def speak(history: History, unit: tuple[str, str], fits: Fits, first: int) -> Array:
    """Return what the experts say (experts, knots, n - first) at the origins from step `first` on."""
    start = max(0, first - _MEMORY_STEPS)
    recent = history.since(start)
    features, span = Features(recent, *unit), np.arange(first - start, len(recent))
    said = np.full((len(EXPERT_NAMES), len(KNOTS), len(recent)), np.nan)
    for place, (knot, fit) in enumerate(zip(KNOTS, fits.knots, strict=True)):
        _Knot(features, knot).say(fit, span, said[:, place])
    said[TREES, _TREE_PLACES, span[:, None]] = Changes(features, *unit).say(fits.trees, span).T
    return said[:, :, first - start :]
