"""The weather of the next hours without a forecast: what the same hours of the last days did, from now on."""

import numpy as np

from forecast.climate_fit import outside_filled
from forecast.climate_past import Array, ClimatePast
from forecast.climate_run import Weather
from forecast.climate_water import outside_pct_filled
from forecast.moisture import absolute_humidity_g_m3

_DAYS = 14
_NEAR_H = (-1.0, 0.0, 1.0)
_FADE_H = 3.0
_YOUNG_K_H = 0.8
_DARK_W_M2 = 20.0


def outside_ahead(past: ClimatePast, steps: int, paths: int, seed: int = 0) -> Weather:
    """Return weather paths on the past's own step, each the course of one of the last fourteen days.

    Air takes that day's changes from now on; wind and the clearness of the sky begin at what they are now
    and fade into that day's within hours. With less than a day to go by, air stays and spreads.

    Parameters
    ----------
    past : ClimatePast
    steps, paths : int
    seed : int, optional
        The same seed and past give the same paths.
    """
    random = np.random.default_rng([seed, len(past)])
    air, sun, wind = outside_filled(past)
    vapour = absolute_humidity_g_m3(np.clip(air, -60.0, 90.0), outside_pct_filled(past))
    now = len(past) - 1
    day, hour = round(86_400 / past.step_s), 3600.0 / past.step_s
    near = [round(hours * hour) for hours in _NEAR_H]
    origins = np.array([now - day * back + by for back in range(1, _DAYS + 1) for by in near])
    origins = origins[(origins >= 0) & (origins + steps <= now)]
    ahead = np.arange(1, steps + 1)
    fade = np.exp(-ahead / hour / _FADE_H)
    if not len(origins):
        # Free air wanders: about 0.8 K an hour, and as the root of the time (common practice, no source).
        wander = np.cumsum(random.standard_normal((paths, steps)), axis=1) * (_YOUNG_K_H / np.sqrt(hour))
        shape = (1, steps)
        return Weather(
            float(past.step_s), air[now] + wander,
            *(np.full(shape, values[now]) for values in (sun, wind, vapour)),
        )  # fmt: skip
    chosen = origins[random.integers(len(origins), size=paths)]
    at = chosen[:, None] + ahead[None, :]
    recent = slice(max(0, now - round(hour / 2)), now + 1)
    sun_now = float(np.mean(sun[recent]))
    sun_then = np.array([np.mean(sun[max(0, start - round(hour / 2)) : start + 1]) for start in chosen])
    bright = (sun_then > _DARK_W_M2) & (sun_now > _DARK_W_M2)
    clear = np.where(bright, np.clip(sun_now / np.maximum(sun_then, _DARK_W_M2), 0.2, 5.0), 1.0)
    brightest = float(np.max(sun))
    return Weather(
        float(past.step_s),
        air[now] + air[at] - air[chosen][:, None],
        np.minimum(sun[at] * (1.0 + (clear[:, None] - 1.0) * fade), brightest),
        np.maximum(wind[at] + (np.mean(wind[recent]) - wind[chosen])[:, None] * fade, 0.0),
        np.maximum(vapour[at] + vapour[now] - vapour[chosen][:, None], 0.1),
    )


def unexplained_w(
    gain_k_w: Array, error_k: Array, shape: tuple[int, int], step_s: float, seed: int = 0
) -> Array:
    """Return heat that nothing explains, (bays, paths, steps) [W]: doors, clouds, what the model lacks.

    Parameters
    ----------
    gain_k_w : array
        How far each bay's air moves in an hour for a steady watt [K/W], (bays,).
    error_k : array
        How far the air an hour ahead is missed with all else known, as a mean [K], (bays,).
    shape : (paths, steps)
    step_s : float
        Length of a step [s].
    seed : int, optional
    """
    random = np.random.default_rng([seed, 7])
    keep = float(np.exp(-step_s / 5400.0))
    noise = random.standard_normal((len(error_k), *shape))
    fresh = np.sqrt(1.0 - keep**2)
    for step in range(1, shape[1]):
        noise[:, :, step] = keep * noise[:, :, step - 1] + fresh * noise[:, :, step]
    # For normal errors the deviation is 1.25 of the mean miss.
    size_w = 1.25 * np.nan_to_num(error_k, nan=1.0) / np.maximum(gain_k_w, 1e-9)
    found: Array = noise * size_w[:, None, None]
    return found
