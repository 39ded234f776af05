"""The shed in time: weather, programme, people and events drive the physics; arrays come out."""

import gzip
import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from hardware.tent.habits import door_spans_s, inside, is_work_hour
from hardware.tent.parameters import Tent
from hardware.tent.physics import Controls, Ledger, State, settled, step
from hardware.tent.scenario import Kind, Scenario
from hardware.tent.sensors import CHANNELS, Sensors, bays_truth, decimals, truth
from hardware.tent.weather import DAY_S, Weather, generated

_SETTLE_S = 3 * DAY_S


@dataclass(frozen=True, slots=True)
class History:
    """A stretch of the shed's life: `truth` and what the sensors `reported`, by column name.

    `time_s` is seconds since 1970; a silent sensor reports NaN. `truth` also has ``heater.power_w``, the heat
    that the burner makes, and ``door.open``.
    """

    time_s: NDArray[np.int64]
    truth: Mapping[str, NDArray[np.float64]]
    reported: Mapping[str, NDArray[np.float64]]


class Simulation:
    """One shed that lives from `start` on, in steps of ``tent.step_s``; a seed gives the same life always.

    Parameters
    ----------
    tent : Tent
        The shed.
    start : datetime
        An aware time; the shed has lived three days before it, without events, so that nothing is left of its
        first guess (the slab, the slowest, forgets in eight hours).
    seed : int
        Of weather, doors, dropouts and noise, 0 or more.
    scenario : Scenario
        What goes wrong.
    weather : Weather, optional
        Instead of the weather that `seed` makes.
    """

    def __init__(
        self,
        tent: Tent,
        start: datetime,
        seed: int,
        scenario: Scenario | None = None,
        weather: Weather | None = None,
    ) -> None:
        if start.tzinfo is None:
            raise ValueError(f"{start.isoformat()} has no UTC offset; times must be aware")
        self.tent = tent
        self.seed = seed
        self.scenario = scenario or Scenario()
        self.sensors = Sensors(self.scenario, seed)
        self._weather = weather or generated(tent.climate, seed)
        start_s = int(start.timestamp())
        self._time_s = start_s - _SETTLE_S
        self._vent_open = False
        self._door_open = False
        self._emptied_at_s = float("-inf")
        self.state: State = settled(tent, self._weather(float(self._time_s)), 0.7 * tent.heater.bottle_kg)
        self.advance(start_s)
        self.state.heater.gas_kg = 0.7 * tent.heater.bottle_kg
        self.state.ledger = Ledger()

    @property
    def time_s(self) -> int:
        """Where the shed is in time: seconds since 1970."""
        return self._time_s

    def advance(self, to_s: float) -> None:
        """Live on until the last whole step at or before `to_s`.

        Raises
        ------
        ValueError
            If `to_s` is before the present: a shed does not run backwards.
        """
        if to_s < self._time_s:
            raise ValueError(f"the shed is at {self._time_s} s already, it cannot go back to {to_s} s")
        dt_s = self.tent.step_s
        while self._time_s + dt_s <= to_s:
            outdoor = self._weather(self._time_s + dt_s / 2)
            step(self.tent, self.state, outdoor, self._controls(float(self._time_s)), float(dt_s))
            self._time_s += dt_s
            self.sensors.follow(bays_truth(self.tent, self.state), float(dt_s))

    def truth(self) -> dict[str, float]:
        """Return the true value of every channel now."""
        t_s = float(self._time_s)
        return truth(self.tent, self.state, self._weather(t_s), self._dial_c(t_s))

    def reported(self) -> dict[str, float | None]:
        """Return what every channel's sensor says now; None where it is silent."""
        return self.sensors.report(float(self._time_s), self.truth())

    def record(self, end: datetime, step_s: int = 300) -> History:
        """Live on until `end` and return what was, every `step_s` seconds from now until before `end`."""
        if step_s <= 0 or step_s % self.tent.step_s:
            raise ValueError(f"step_s must be a multiple of {self.tent.step_s}, not {step_s}")
        time_s = np.arange(self._time_s, int(end.timestamp()), step_s, dtype=np.int64)
        true_rows, said_rows = [], []
        for t_s in time_s.tolist():
            self.advance(t_s)
            extra = [float(self.state.heater.lit) * self.tent.heater.power_w, float(self._door_open)]
            true_rows.append([*self.truth().values(), *extra])
            said_rows.append([np.nan if value is None else value for value in self.reported().values()])
        self.advance(end.timestamp())
        names = (*CHANNELS, "heater.power_w", "door.open")
        true = np.array(true_rows, dtype=np.float64).reshape(len(time_s), len(names))
        said = np.array(said_rows, dtype=np.float64).reshape(len(time_s), len(CHANNELS))
        return History(
            time_s,
            {name: true[:, i] for i, name in enumerate(names)},
            {name: said[:, i] for i, name in enumerate(CHANNELS)},
        )

    def _dial_c(self, t_s: float) -> float:
        """Return what the thermostat is set to: by hand if somebody did, else by its programme."""
        by_hand = self.scenario.active(Kind.SETPOINT, t_s)
        if by_hand is not None and by_hand.value_c_or_s is not None:
            return by_hand.value_c_or_s
        return self.tent.heater.setpoint_c[int(self._local_s(t_s) % DAY_S // 3600)]

    def _local_s(self, t_s: float) -> float:
        return t_s + self.tent.utc_offset_h * 3600.0

    def _controls(self, t_s: float) -> Controls:
        scenario, habits, local_s = self.scenario, self.tent.habits, self._local_s(t_s)
        working = is_work_hour(habits, local_s)
        doors = door_spans_s(habits, self.seed, int(local_s // DAY_S))
        opened = scenario.active(Kind.DOOR_OPEN, t_s) is not None
        self._door_open = opened or inside(doors, local_s)
        limit_c = habits.vent_above_c - habits.vent_band_k * self._vent_open
        self._vent_open = working and self.state.keel.air_c > limit_c
        self._mind_the_bottle(t_s, working)
        cold = scenario.active(Kind.HEATER_OUT, t_s) or scenario.active(Kind.HEATER_OFF, t_s)
        return Controls(None if cold else self._dial_c(t_s), self._door_open, self._vent_open)

    def _mind_the_bottle(self, t_s: float, working: bool) -> None:  # noqa: FBT001  one of two states of the yard
        empty = self.scenario.active(Kind.GAS_EMPTY, t_s)
        heater = self.state.heater
        if empty is not None and empty.start_s > self._emptied_at_s:
            self._emptied_at_s = empty.start_s
            heater.gas_kg = 0.0
        elif (
            working
            and heater.gas_kg < self.tent.habits.bottle_reserve_kg
            and t_s >= self._emptied_at_s + 3600.0
        ):
            heater.gas_kg = self.tent.heater.bottle_kg


def simulate(
    tent: Tent,
    start: datetime,
    end: datetime,
    step_s: int = 300,
    seed: int = 0,
    scenario: Scenario | None = None,
) -> History:
    """Return the shed's life from `start` until before `end`, every `step_s` seconds.

    >>> from datetime import timedelta
    >>> start = datetime(2026, 3, 20, tzinfo=UTC)
    >>> len(simulate(Tent(), start, start + timedelta(hours=2)).time_s)
    24
    """
    return Simulation(tent, start, seed, scenario).record(end, step_s)


def write_csv(path: Path, time_s: NDArray[np.int64], columns: Mapping[str, NDArray[np.float64]]) -> None:
    """Write wide CSV, gzipped: ``time`` (UTC, ISO 8601, ``Z``) and one column per series, empty where silent.

    Two decimals, as a node sends them. The same columns give the same bytes.
    """
    lines = [",".join(["time", *columns])]
    formats = [f"{{:.{decimals(name)}f}}" for name in columns]
    rows = np.stack(list(columns.values()), axis=1).tolist()
    for t_s, row in zip(time_s.tolist(), rows, strict=True):
        at = datetime.fromtimestamp(t_s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
        cells = ("" if math.isnan(v) else form.format(v) for v, form in zip(row, formats, strict=True))
        lines.append(",".join([at, *cells]))
    text = "\n".join(lines) + "\n"
    path.write_bytes(gzip.compress(text.encode(), mtime=0))
