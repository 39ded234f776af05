"""From what is known of a heater to what alarms want of it."""

from dashboards.notify.scene import Heater
from forecast.heater_state import HeaterOutlook, Running, Sign


def heater_seen(outlook: HeaterOutlook) -> Heater:
    """Return what alarms want of a heater.

    It counts as stopped only where its own sign says so: between burns it is out as well.
    """
    now, over, work, fuel = outlook.now, outlook.overshoot, outlook.work, outlook.fuel
    unknown = now.running is Running.UNKNOWN and outlook.sign is not Sign.HEATER_STOPPED
    return Heater(
        bay=outlook.bay,
        stopped=None if unknown else outlook.sign is Sign.HEATER_STOPPED,
        stopped_since=outlook.sign_since,
        peak_c=None if over is None else over.peak_c,
        peak_low_c=None if over is None else over.peak_low_c,
        peak_high_c=None if over is None else over.peak_high_c,
        peak_at=None if over is None else over.peak_at,
        work_min=None if work is None else work.plan_min,
        lost_min=None if work is None else work.lost_min,
        advice=outlook.advice,
        fuel_kg=None if fuel is None else fuel.left_kg,
        fuel_out_at=None if fuel is None else (fuel.runs_out_from_at or fuel.runs_out_at),
    )
