"""Is a bay fit to glass right now? The measured air and part against the limits.

A limit that holds as measured, but not by as much as the sensors may be wrong, makes the
verdict `tight`. What is missing, stale or suspect makes it `no news`, whatever the rest says:
a wrong `go` is worse than a missed one.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum

from collector.domain import Flag
from forecast.air import dew_point_c, frost_point_c, margin_k, margin_uncertainty_k

NEEDED = ("air_c", "humidity_pct", "part_c")
_DRIEST_PCT = 1.0  # no shed's air is drier: the sensor is broken, and near 0 there is no dew point
_FUTURE_S = 120.0  # sensors' clocks may run a little ahead
_DEFAULT_UNCERTAINTY = {
    "air_c": 0.3,
    "humidity_pct": 2.0,
    "part_c": 0.5,
}  # what usual digital sensors promise


class Verdict(StrEnum):
    """Fit to glass, barely, not, or not known."""

    GO = "go"
    TIGHT = "tight"
    NO_GO = "no-go"
    NO_NEWS = "no news"


WORST_FIRST = (Verdict.NO_NEWS, Verdict.NO_GO, Verdict.TIGHT, Verdict.GO)


def worst(verdicts: Iterable[Verdict]) -> Verdict:
    """Return the worst of several verdicts; of none, `no news`.

    >>> worst([Verdict.GO, Verdict.NO_GO]).value
    'no-go'
    """
    return min(verdicts, key=WORST_FIRST.index, default=Verdict.NO_NEWS)


class Cause(StrEnum):
    """Why a verdict is what it is."""

    MISSING = "missing"
    STALE = "stale"
    FUTURE = "future"
    SUSPECT = "suspect"
    BELOW = "below"
    ABOVE = "above"
    NEAR_BELOW = "near below"
    NEAR_ABOVE = "near above"
    WITHIN = "within"


_VERDICT_OF = {
    Cause.MISSING: Verdict.NO_NEWS,
    Cause.STALE: Verdict.NO_NEWS,
    Cause.FUTURE: Verdict.NO_NEWS,
    Cause.SUSPECT: Verdict.NO_NEWS,
    Cause.BELOW: Verdict.NO_GO,
    Cause.ABOVE: Verdict.NO_GO,
    Cause.NEAR_BELOW: Verdict.TIGHT,
    Cause.NEAR_ABOVE: Verdict.TIGHT,
    Cause.WITHIN: Verdict.GO,
}


@dataclass(frozen=True, slots=True)
class Limits:
    """What is fit to glass; the margin's limit holds beyond its uncertainty."""

    air_min_c: float
    air_max_c: float
    part_min_c: float
    part_max_c: float
    humidity_max_pct: float
    margin_min_k: float
    stale_after_s: float


@dataclass(frozen=True, slots=True)
class Measured:
    """The newest reading of one quantity, its age, and whether its quality is in doubt.

    `uncertainty` is ± in the quantity's unit; None takes the default of its kind. `flags` say why it is in
    doubt (`collector.domain.Flag`), `suspect_s` for how long it has been.
    """

    value: float
    age_s: float
    suspect: bool = False
    uncertainty: float | None = None
    flags: int = 0
    suspect_s: float | None = None


@dataclass(frozen=True, slots=True)
class Reason:
    """One reason for a verdict. `value`, `limit` and `uncertainty` are in the quantity's unit.

    `flags` and `suspect_s` say what is wrong with a suspect sensor (`collector.domain.Flag`), since how long.
    """

    cause: Cause
    quantity: str
    value: float | None = None
    limit: float | None = None
    uncertainty: float | None = None
    age_s: float | None = None
    flags: int = 0
    suspect_s: float | None = None

    @property
    def verdict(self) -> Verdict:
        """The verdict that this reason alone would give."""
        return _VERDICT_OF[self.cause]


@dataclass(frozen=True, slots=True)
class BayNow:
    """One bay as it is: verdict, reasons (the worst first), and the numbers behind them.

    A number is None where it is missing or cannot be true; the reasons say why. `age_s` is
    the age of the oldest reading the verdict rests on.
    """

    bay: str
    verdict: Verdict
    reasons: tuple[Reason, ...]
    air_c: float | None
    humidity_pct: float | None
    part_c: float | None
    dew_point_c: float | None
    frost_point_c: float | None
    margin_k: float | None
    margin_uncertainty_k: float | None
    age_s: float | None


def judge_bay(bay: str, measured: Mapping[str, Measured], limits: Limits) -> BayNow:
    """Return how fit to glass a bay is, from the newest readings of `NEEDED`."""
    news = [reason for quantity in NEEDED if (reason := _no_news(quantity, measured.get(quantity), limits))]
    usable = {name: measured[name] for name in NEEDED if name in measured and not _doubtful(name, news)}
    dew_c, frost_c = _dew_and_frost(usable)
    margin, margin_unsure = _margin(usable) if dew_c is not None else (None, None)
    reasons = news + _against_limits(usable, margin, margin_unsure, limits)
    verdict = worst(reason.verdict for reason in reasons)
    if verdict is Verdict.GO:
        kept = reasons
    else:
        kept = [reason for reason in reasons if reason.verdict is not Verdict.GO]
    kept.sort(key=lambda reason: WORST_FIRST.index(reason.verdict))
    return BayNow(
        bay=bay,
        verdict=verdict,
        reasons=tuple(kept),
        air_c=_value(measured, "air_c"),
        humidity_pct=_value(measured, "humidity_pct"),
        part_c=_value(measured, "part_c"),
        dew_point_c=dew_c,
        frost_point_c=frost_c,
        margin_k=margin,
        margin_uncertainty_k=margin_unsure,
        age_s=max((measured[name].age_s for name in NEEDED if name in measured), default=None),
    )


def _no_news(quantity: str, found: Measured | None, limits: Limits) -> Reason | None:
    if found is None:
        return Reason(Cause.MISSING, quantity)
    if found.age_s < -_FUTURE_S:
        return Reason(Cause.FUTURE, quantity, found.value, age_s=found.age_s)
    # a slow clock makes its readings look old, but it is the clock that wants mending
    if found.age_s > limits.stale_after_s and Flag.CLOCK_OFF not in Flag(found.flags):
        return Reason(Cause.STALE, quantity, found.value, limits.stale_after_s, age_s=found.age_s)
    if found.suspect or (quantity == "humidity_pct" and found.value < _DRIEST_PCT):
        return Reason(
            Cause.SUSPECT,
            quantity,
            found.value,
            age_s=found.age_s,
            flags=found.flags,
            suspect_s=found.suspect_s,
        )
    return None


def _doubtful(quantity: str, news: list[Reason]) -> bool:
    return any(reason.quantity == quantity for reason in news)


def _value(measured: Mapping[str, Measured], quantity: str) -> float | None:
    """Return the value as measured, None where there is none that can be true; the reasons tell it then."""
    found = measured.get(quantity)
    return None if found is None or Flag.OUT_OF_RANGE in Flag(found.flags) else found.value


def _uncertainty(quantity: str, found: Measured) -> float:
    return _DEFAULT_UNCERTAINTY[quantity] if found.uncertainty is None else found.uncertainty


def _dew_and_frost(usable: Mapping[str, Measured]) -> tuple[float | None, float | None]:
    if "air_c" not in usable or "humidity_pct" not in usable:
        return None, None
    air_c, humidity_pct = usable["air_c"].value, usable["humidity_pct"].value
    dew_c = dew_point_c(air_c, humidity_pct)
    return dew_c, frost_point_c(air_c, humidity_pct) if dew_c < 0 else None


def _margin(usable: Mapping[str, Measured]) -> tuple[float | None, float | None]:
    if "part_c" not in usable:
        return None, None
    air, humidity, part = (usable[name] for name in NEEDED)
    margin = margin_k(part.value, air.value, humidity.value)
    return margin, margin_uncertainty_k(
        air.value,
        humidity.value,
        part_uncertainty_k=_uncertainty("part_c", part),
        temp_uncertainty_k=_uncertainty("air_c", air),
        humidity_uncertainty_pct=_uncertainty("humidity_pct", humidity),
    )


def _against_limits(
    usable: Mapping[str, Measured], margin: float | None, margin_unsure: float | None, limits: Limits
) -> list[Reason]:
    """Compare what is known with each limit, the margin first: it is what ruins a bond."""
    found: list[Reason] = []
    if margin is not None and margin_unsure is not None:
        found.append(_above_floor("margin_k", margin, limits.margin_min_k, margin_unsure))
    spans = {"air_c": (limits.air_min_c, limits.air_max_c), "part_c": (limits.part_min_c, limits.part_max_c)}
    if "humidity_pct" in usable:
        humidity = usable["humidity_pct"]
        unsure = _uncertainty("humidity_pct", humidity)
        found.append(_below_ceiling("humidity_pct", humidity.value, limits.humidity_max_pct, unsure))
    for quantity, (floor, ceiling) in spans.items():
        if quantity in usable:
            value, unsure = usable[quantity].value, _uncertainty(quantity, usable[quantity])
            middle = (floor + ceiling) / 2
            if value < middle:
                found.append(_above_floor(quantity, value, floor, unsure))
            else:
                found.append(_below_ceiling(quantity, value, ceiling, unsure))
    return found


def _above_floor(quantity: str, value: float, floor: float, unsure: float) -> Reason:
    near = Cause.NEAR_BELOW if value - unsure < floor else Cause.WITHIN
    return Reason(Cause.BELOW if value < floor else near, quantity, value, floor, unsure)


def _below_ceiling(quantity: str, value: float, ceiling: float, unsure: float) -> Reason:
    near = Cause.NEAR_ABOVE if value + unsure > ceiling else Cause.WITHIN
    return Reason(Cause.ABOVE if value > ceiling else near, quantity, value, ceiling, unsure)
