"""What the regressions look at: nothing later than the origin, but for what is known ahead."""

import numpy as np

from forecast.air import saturation_pressure_pa
from forecast.baselines import lagged, level_above_usual, running_mean, same_hour, usual_day
from forecast.past import AHEAD_STEPS, DAY_STEPS, STEP_US, Array, History, age_steps, filled

_OUTSIDE = ("outdoor.air_c", "outdoor.humidity_pct", "outdoor.sun_w_m2", "outdoor.wind_m_s")
_MACHINES = ("heater.setpoint_c", "heater.pipe_c", "heater.on", "heater.on_pct", "vent.lee_pct")
_MOST_NEIGHBOURS = 8
_LONGEST_HOLE_STEPS = 4
_RAW_LAGS = (0, 1, 2, 3, 4, 6, 8, 12, 24, 36, 48)
_LAGS = (0, 1, 2, 3, 4, 6, 8, 12, 18, 24, 36)
# A shed follows its heater and the weather late: what is known of the last hours before a target counts.
_BEFORE_TARGET_STEPS = (4, 12)


def _vapour_pa(air_c: Array, humidity_pct: Array) -> Array:
    """Return vapour pressure: it says more than humidity, which temperature moves."""
    return saturation_pressure_pa(np.clip(air_c, -60.0, 90.0)) * humidity_pct / 100.0


class Features:
    """All inputs of one (bay, quantity), as arrays over origins (n,) and inputs (p,)."""

    def __init__(self, history: History, bay: str, quantity: str) -> None:
        self.history = history
        own = f"{bay}.{quantity}"
        self.filled = {name: filled(values, name) for name, values in history.columns.items()}
        self.measured = history.columns[own]
        self.values = self.filled[own]
        self.heard = age_steps(self.measured) <= _LONGEST_HOLE_STEPS
        self.usual_now = usual_day(self.values, 0)
        turn = 2 * np.pi / (DAY_STEPS * STEP_US)
        self._day = (history.times_us % (DAY_STEPS * STEP_US)) * turn
        self.hour_waves = [np.sin(self._day), np.cos(self._day), np.sin(2 * self._day), np.cos(2 * self._day)]
        self._inputs = self._other_inputs(bay, own)
        self._neighbours = self._of_neighbours(bay, quantity)
        self._quick = [name for name in (own, *self._names(bay, own)) if name in history.within]
        self._own_anomaly = np.nan_to_num(self.values - self.usual_now)
        self.state = self._state()
        self._levels: dict[int, Array] = {}

    def level(self, known_days: int) -> Array:
        """Return how far the last 24 h lie above the usual day; the same for all targets of a day ahead."""
        if known_days not in self._levels:
            self._levels[known_days] = level_above_usual(self.values, known_days)
        return self._levels[known_days]

    def _names(self, bay: str, own: str) -> list[str]:
        """Return the columns beside the forecast one that bear on it."""
        names = [f"{bay}.{kind}" for kind in ("air_c", "humidity_pct", "part_c")]
        return [name for name in (*names, *_OUTSIDE, *_MACHINES) if name in self.filled and name != own]

    def _of_neighbours(self, bay: str, quantity: str) -> list[Array]:
        """Return what the other bays measure: all sit in one shed, and one often feels it first."""
        others = [other for other in self.history.bays if other != bay and f"{other}.air_c" in self.filled]
        found = [self.filled[f"{other}.air_c"] for other in others]
        if quantity == "humidity_pct":
            damp = [other for other in others if f"{other}.humidity_pct" in self.filled]
            found += [
                _vapour_pa(self.filled[f"{other}.air_c"], self.filled[f"{other}.humidity_pct"])
                for other in damp
            ]
        if len(others) > _MOST_NEIGHBOURS:
            air, vapour = found[: len(others)], found[len(others) :]
            return [np.mean(kind, axis=0) for kind in (air, vapour) if kind]
        return found

    def _other_inputs(self, bay: str, own: str) -> list[Array]:
        inputs = [self.filled[name] for name in self._names(bay, own)]
        for place in (bay, "outdoor"):
            air, humidity = self.filled.get(f"{place}.air_c"), self.filled.get(f"{place}.humidity_pct")
            if air is not None and humidity is not None:
                inputs.append(_vapour_pa(air, humidity))
        return inputs

    def _state(self) -> Array:
        """Return what is known at the origin, as departures from the usual day."""
        own, values = self._own_anomaly, self.values
        columns = [lagged(own, lag) for lag in _LAGS]
        week = running_mean(values, 7 * DAY_STEPS)
        day = running_mean(values, DAY_STEPS)
        columns += [running_mean(own, 12), running_mean(own, DAY_STEPS), values - day, day - week]
        for other in self._inputs:
            odd = np.nan_to_num(other - usual_day(other, 0))
            columns += [odd, lagged(odd, 4), running_mean(odd, 8), running_mean(odd, DAY_STEPS)]
        columns += [other - usual_day(other, 0) for other in self._neighbours]
        for name in self._quick:
            columns += list(self.history.within[name].T)
        return np.nan_to_num(np.stack(columns, axis=1))

    def toward(self, ahead_steps: int, usual: Array) -> Array:
        """Return the state and what belongs to one target: its hour, its last days, what is known of it."""
        values, own = self.values, self._own_anomaly
        hour = self._day + 2 * np.pi * ahead_steps / DAY_STEPS
        waves = [np.sin(hour), np.cos(hour), np.sin(2 * hour), np.cos(2 * hour)]
        columns = [same_hour(values, ahead_steps, day) - usual for day in (1, 2, 3, 7)]
        columns += waves + [own * wave for wave in waves]
        columns += self.known_ahead(ahead_steps)
        return np.hstack([self.state, np.nan_to_num(np.stack(columns, axis=1))])

    def known_ahead(self, ahead_steps: int) -> list[Array]:
        """Return what is known of the target's time and the hours before it, beside now and the usual day."""
        columns = []
        count = len(self.values)
        for name, known in self.history.ahead.items():
            full = np.full(count + AHEAD_STEPS, np.nan)
            full[: len(known)] = known[: len(full)]
            target = full[ahead_steps : ahead_steps + count]
            mean = _mean_before(full, ahead_steps, ahead_steps, count)
            now = self.filled.get(name, full[:count])
            usual = usual_day(now, ahead_steps)
            columns += [target - now, target - usual, mean - now, np.where(np.isfinite(target), 1.0, 0.0)]
            for span in _BEFORE_TARGET_STEPS:
                lately = _mean_before(now, 0, span, count)
                columns.append(_mean_before(full, ahead_steps, span, count) - usual_day(lately, ahead_steps))
        return columns

    def raw(self, ahead_steps: int) -> Array:
        """Return plain lags and levels: what a practitioner would regress on."""
        values = self.values
        columns = [lagged(values, lag) for lag in _RAW_LAGS]
        columns.append(same_hour(values, ahead_steps))
        columns += self.hour_waves
        for other in self._inputs:
            columns += [other, lagged(other, 6), lagged(other, DAY_STEPS)]
        columns += self.known_ahead(ahead_steps)
        stacked = np.stack(columns, axis=1)
        return np.where(np.isfinite(stacked), stacked, values[:, None])


def _mean_before(values: Array, ahead_steps: int, span_steps: int, count: int) -> Array:
    """Return, for each of `count` origins, the mean of what is known of the `span_steps` up to its target."""
    known = np.isfinite(values)
    sums = np.concatenate([[0.0], np.cumsum(np.where(known, values, 0.0))])
    counts = np.concatenate([[0], np.cumsum(known)])
    ends = np.arange(count) + ahead_steps + 1
    starts = np.maximum(0, ends - span_steps)
    heard = counts[ends] - counts[starts]
    return np.where(heard > 0, (sums[ends] - sums[starts]) / np.maximum(heard, 1), np.nan)
