"""What `layday salt` says: the points, the lines for the configuration, cautions, and advice."""

from collections.abc import Sequence
from datetime import UTC, datetime

from collector.domain import Quantity
from dashboards.salt_points import Found
from forecast.salt import SALTS, Fit, Point, looks_like_solvent

SOLVENT = (
    "It reads low where it is wet and right where it is dry, as after solvent vapour (styrene, acetone). "
    "Air it for a day or two in clean warm air, or bake it as its maker's sheet says, and do both points "
    "again. If it still reads low, replace it: the loss goes on, and a humidity that reads low makes a "
    "wrong go."
)
STORING = (
    "Keep humidity sensors away from solvent: never in a closed box with resin, acetone, glue or foam; "
    "hang them out of the draught of the spray and the wipe-down, and take them out of the shed while you "
    "wash up. Look at both salts at the start of the season and after any spill."
)
SLURRY = (
    "Stir {words} with a little water to a wet slurry (wet sand, grains still to be seen), in a cup that "
    "is closed with the sensor over it, not touching. Keep it out of the sun in an even 15 to 30 °C. It "
    "takes an hour or more. Keep it from eyes, food and children; wash your hands after it."
)
ICE_BATH = (
    "Fill a mug with crushed ice, pour in just enough cold water to fill the gaps, and stir. Put the "
    "probe in its middle, a hand's breadth deep, and stir now and then."
)


def how_to(name: str) -> str:
    """Return how a point is made."""
    return SLURRY.format(words=SALTS[name].words) if name in SALTS else ICE_BATH


def config_lines(sensor: str, found: Fit, since: datetime) -> list[str]:
    """Return the lines to paste into the configuration."""
    return [
        "[[calibration]]",
        f'sensor = "{sensor}"',
        f"since = {since.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}",
        f"offset = {found.offset:.3f}",
        f"gain = {found.gain:.4f}",
        f"uncertainty = {max(found.unsure, 0.01):.2f}",
    ]


def salt_lines(
    sensor: str, quantity: Quantity, points: Sequence[Found], found: Fit, since: datetime
) -> list[str]:
    """Return the whole answer, line by line."""
    unit = quantity.unit
    lines = [f"{sensor}:"]
    for each in points:
        point, where = each.point, f" at {each.temp_c:.1f} °C" if unit == "%" else ""
        off = point.measured - point.true
        lines.append(
            f"  {each.name}{where}: should read {point.true:.2f} {unit}, "
            f"reads {point.measured:.2f} ({off:+.2f})"
        )
    lines += [
        f"  gain {found.gain:.4f}, offset {found.offset:+.3f} {unit}, then ±{found.unsure:.2f} {unit}",
        "",
        "Put this into the configuration. The store keeps what was measured; every answer about the time",
        "from then on is corrected:",
        "",
        *config_lines(sensor, found, since),
        "",
    ]
    if looks_like_solvent([each.point for each in points]) and unit == "%":
        lines += [f"! {SOLVENT}", ""]
    return lines + ([STORING] if unit == "%" else [])


def salt_json(sensor: str, points: Sequence[Found], found: Fit, since: datetime) -> dict[str, object]:
    """Return ``layday/salt/1``; values are in the sensor's unit."""
    pure: list[Point] = [each.point for each in points]
    return {
        "schema": "layday/salt/1",
        "sensor": sensor,
        "since": f"{since.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}",
        "points": [
            {
                "point": each.name,
                "temp_c": each.temp_c,
                "true": round(each.point.true, 3),
                "measured": round(each.point.measured, 3),
                "uncertainty": round(each.point.unsure, 3),
            }
            for each in points
        ],
        "gain": round(found.gain, 4),
        "offset": round(found.offset, 3),
        "uncertainty": round(found.unsure, 2),
        "solvent": sensor.endswith("_pct") and looks_like_solvent(pure),
        "config": "\n".join(config_lines(sensor, found, since)),
    }
