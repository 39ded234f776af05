"""What is known of the heater at one moment, and what to do: the frozen values that screens read."""

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

PEAK_H = 2.0
"""So far ahead the highest air is looked for."""


class Running(StrEnum):
    """What the heater does."""

    BURNING = "burning"
    IDLE = "between burns"
    STOPPED = "stopped"
    UNKNOWN = "unknown"


class Sign(StrEnum):
    """What an odd course of the air means."""

    NONE = ""
    HEATER_STOPPED = "heater stopped"
    DOOR_OPEN = "door open"
    SENSOR_MOVED = "sensor moved"


class Action(StrEnum):
    """What to do with the heater."""

    KEEP = "keep"
    SET = "set"
    OFF = "off"
    WAIT = "wait"
    NO_NEWS = "no news"


@dataclass(frozen=True, slots=True)
class HeaterNow:
    """The heater as measured.

    `bay` is where its thermostat hangs; `band_k` lies between its switching on and off, `lag_min` is how
    late it feels the air; the bay's air has swung between `low_c` and `high_c` in the last three hours, in
    which it burned for `duty_pct` of the time. `pipe_c` is the temperature of its pipe. `source` says how
    that is known: ``heater input``, ``pipe``, ``saw-tooth`` (from the air alone) or ``none``. None stands for
    what cannot be known.
    """

    bay: str
    running: Running
    since: datetime | None
    setpoint_c: float | None
    band_k: float | None
    lag_min: float | None
    low_c: float | None
    high_c: float | None
    duty_pct: float | None
    source: str
    pipe_c: float | None = None


@dataclass(frozen=True, slots=True)
class Overshoot:
    """The highest air in a bay in the hours ahead, and when it is first reached: likely, and 10 to 90 %.

    `part_peak_c` is the part's highest (likely), None without a probe; `over_odds` the odds that the air
    passes `limit_c`.
    """

    bay: str
    peak_c: float
    peak_low_c: float
    peak_high_c: float
    peak_at: datetime
    peak_from_at: datetime
    peak_to_at: datetime
    part_peak_c: float | None
    limit_c: float
    over_odds: float


@dataclass(frozen=True, slots=True)
class WorkTime:
    """What the peak costs a pot mixed at the worst moment ahead.

    `plan_min` is the work time at the temperature planned for, `expected_min` what it will be if the pot is
    mixed at `mix_at` and the heater goes on as now, `lost_min` the difference, 0 or more.
    """

    card: str
    catalyst_pct: float
    plan_c: float
    plan_min: float
    mix_at: datetime
    expected_min: float
    lost_min: float


@dataclass(frozen=True, slots=True)
class HeaterAdvice:
    """What to do: set the thermostat to `setpoint_c`, or turn it off, by `by_at`; mix at `mix_at`.

    If it is followed, a pot then lasts `work_min`, `kept_odds` is the odds that this is within five minutes
    of the plan, and the air's highest is `peak_c`.
    """

    action: Action
    setpoint_c: float | None = None
    by_at: datetime | None = None
    mix_at: datetime | None = None
    work_min: float | None = None
    peak_c: float | None = None
    kept_odds: float | None = None


@dataclass(frozen=True, slots=True)
class WarmUp:
    """When the part is warm enough, through its thickness, and whether it gets wet on the way.

    `ready_at` is likely, with 10 to 90 %; None where it is not within the hours ahead. `dew_odds` are the
    odds that warm damp air wets the colder part, `least_margin_k` the likely lowest margin. `behind_k` is
    how much colder the heart of the skin is than its face when the face is ready.
    """

    target_c: float
    setpoint_c: float | None
    ready_at: datetime | None
    ready_from_at: datetime | None
    ready_to_at: datetime | None
    behind_k: float
    dew_odds: float | None
    least_margin_k: float | None


@dataclass(frozen=True, slots=True)
class Fuel:
    """What is left to burn and when it runs out: likely, and 10 to 90 %.

    `source` is ``scale``, or ``time since change`` where only the tank's size and the burning are known.
    """

    kind: str
    left_kg: float
    burn_kg_h: float
    lasts_h: float | None
    runs_out_at: datetime | None
    runs_out_from_at: datetime | None
    runs_out_to_at: datetime | None
    source: str


@dataclass(frozen=True, slots=True)
class HeaterOutlook:
    """All of it for one bay at one moment; `notes` says what cannot be known, and why."""

    at: datetime
    bay: str
    now: HeaterNow
    sign: Sign
    sign_since: datetime | None
    overshoot: Overshoot | None
    work: WorkTime | None
    advice: HeaterAdvice
    warm_up: WarmUp | None
    fuel: Fuel | None
    cautions: tuple[str, ...]
    notes: tuple[str, ...]
