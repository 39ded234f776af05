"""The thermostat's programme as something known ahead: worth more to a forecast than the weather is."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import tzinfo

import numpy as np

from collector.clock import from_us
from forecast.past import AHEAD_STEPS, STEP_US, History

_COLUMN = "heater.setpoint_c"


def with_programme(history: History, setpoint_c: Sequence[float], zone: tzinfo) -> History:
    """Return the history with the programme in `History.ahead`; as it was where there is none.

    Parameters
    ----------
    history : History
    setpoint_c : sequence of float
        24 settings [°C], one for each local hour from midnight, or none.
    zone : tzinfo
        Of the shed's clock: through a clock change the programme stays with local hours.

    Notes
    -----
    For hours that are past, a measured setting counts before the programme: somebody may have
    turned the knob.

    >>> from datetime import UTC
    >>> day = History(np.arange(3) * STEP_US, {"keel.air_c": np.zeros(3)}, {})
    >>> with_programme(day, [12.0] * 12 + [18.0] * 12, UTC).ahead["heater.setpoint_c"][[0, 24]].tolist()
    [12.0, 18.0]
    """
    if not setpoint_c or not len(history):
        return history
    steps = len(history) + AHEAD_STEPS
    times = int(history.times_us[0]) + STEP_US * np.arange(steps, dtype=np.int64)
    hours = [from_us(int(at)).astimezone(zone).hour for at in times]
    known = np.array([setpoint_c[hour] for hour in hours], dtype=np.float64)
    measured = history.columns.get(_COLUMN)
    if measured is not None:
        past = known[: len(history)]
        known[: len(history)] = np.where(np.isfinite(measured), measured, past)
    return replace(history, ahead={**history.ahead, _COLUMN: known})
