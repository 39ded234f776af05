"""How much more heat, and from when, would make a part as warm as a window needs it."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np

from forecast.climate import Heat, Model, Outside, parts_of, step_heat
from forecast.climate_fit import ClimateFit
from forecast.climate_past import Array
from forecast.window_answer import JobWindows, Opening, Remedy

LONGEST_LEAD_H = 4
_MOST_W = 20_000.0
WARMER = (Remedy.WARMER_PART, Remedy.WARMER_AIR)
"""What more heat can do something about."""
_STEP_S = 60.0


def part_gain_k_w(model: Model, hours: int) -> Array:
    """Return how far each bay's part has warmed after each hour of a steady watt into that bay's air [K/W].

    Parameters
    ----------
    model : Model
        The shed.
    hours : int
        How many hours, 1 or more.

    Returns
    -------
    ndarray, shape (bays, hours + 1), in the model's order
    """
    bays = len(model.air_j_k)
    air, part, mass = np.zeros((3, bays, bays))
    heat = Heat(air, part, mass, np.zeros(bays))
    parts = parts_of(model, _STEP_S)
    dt_s, none = _STEP_S / parts, np.zeros(bays)
    # a shed as cold as the ground and the sky: what warms it is the watt alone
    outside = Outside(none + model.sky_drop_k, none, none + 3.0)
    still = replace(model, ground_c=np.zeros_like(model.ground_c))
    gains = np.zeros((bays, hours + 1))
    for hour in range(1, hours + 1):
        for _ in range(60 * parts):
            step_heat(still, heat, outside, none, dt_s)
            heat.air_c = heat.air_c + np.eye(bays) * dt_s / model.air_j_k
        gains[:, hour] = np.diagonal(heat.part_c)
    return gains


def with_more_heat(found: JobWindows, fit: ClimateFit, bays: Sequence[str], now: datetime) -> JobWindows:
    """Return the answer with the heat that would open a window, where warmth is what it lacks.

    Parameters
    ----------
    found : JobWindows
        Of one bay and job.
    fit : ClimateFit
        The shed, its heater's power known.
    bays : sequence of str
        The bays in the order of the past that was fitted.
    now : datetime
        Heat cannot be turned up before.
    """
    wanted = next((one for one in found.openings if one.remedy in WARMER and one.shift_k), None)
    if wanted is None or wanted.shift_k is None or found.bay not in bays:
        return found
    lead_h = min(LONGEST_LEAD_H, int((wanted.at - now) / timedelta(hours=1)))
    if lead_h < 1:
        return found
    place = fit.order.index(list(bays).index(found.bay))
    gain = float(part_gain_k_w(fit.model, lead_h)[place, lead_h])
    if not gain * _MOST_W > wanted.shift_k:
        return found
    more = Opening(
        Remedy.MORE_HEAT, wanted.limit, wanted.at - timedelta(hours=lead_h), power_w=wanted.shift_k / gain
    )
    return replace(found, openings=(more, *found.openings))
