"""A mix in words and in JSON."""

from collections.abc import Iterator
from dataclasses import dataclass

from dashboards.view import Reader
from forecast.card import Card
from forecast.layup import Layup
from forecast.mix import Batches, Mix


@dataclass(frozen=True, slots=True)
class MixAnswer:
    """What `layday mix` found: the mix of one pot, and the whole job where one was named.

    `whence` says where the temperature is from.
    """

    card: Card
    temp_c: float
    whence: str
    mix: Mix
    job_g: float
    batches: Batches | None
    layup: Layup | None


def mix_json(answer: MixAnswer) -> dict[str, object]:
    """Return a mix as ``layday/mix/1``; every number's unit is in its name."""
    found = answer.mix
    return {
        "schema": "layday/mix/1",
        "card": answer.card.key,
        "temp_c": answer.temp_c,
        "percent": found.percentage.catalyst_pct,
        "limit": found.percentage.limit or None,
        "resin_g": found.resin_g,
        "gel_min": {
            "low": found.gel.low_min,
            "likely": found.gel.likely_min,
            "high": found.gel.high_min,
        },
        "catalyst": {"mass_g": found.catalyst.mass_g, "volume_ml": found.catalyst.volume_ml},
        "pot_work_min": found.work.pot_min,
        "tray_work_min": found.work.tray_min,
        "film_work_min": found.work.film_min,
        "pot_peak_c": found.work.pot_peak_c,
        "outside_sheet": bool(found.outside),
        "warnings": list(found.warnings),
        "cautions": list(found.cautions),
        "job_g": answer.job_g,
        "batches": None if answer.batches is None else _batches_json(answer.batches),
        "layup": None if answer.layup is None else _layup_json(answer.layup),
    }


def _batches_json(batches: Batches) -> dict[str, object]:
    return {"pots": batches.pots, "resin_g": batches.resin_g, "use_min": batches.use_min}


def _layup_json(layup: Layup) -> dict[str, object]:
    return {
        "glass_g": layup.glass_g,
        "laid_g": layup.laid_g,
        "resin_g": layup.resin_g,
        "thickness_mm": layup.thickness_mm,
        "glass_pct": layup.glass_pct,
    }


def mix_lines(answer: MixAnswer, reader: Reader) -> Iterator[str]:
    """Yield a mix in plain sentences, what to do first."""
    found, catalyst = answer.mix, answer.mix.catalyst
    kind = answer.card.hardener.kind
    yield (
        f"{found.percentage.catalyst_pct:.3g} % by {answer.card.hardener.by}. "
        f"Into {reader.mass(found.resin_g)} of {answer.card.name}: "
        f"{reader.mass(catalyst.mass_g, 1)} of {kind} by weight, "
        f"or {reader.volume(catalyst.volume_ml)} by volume; never both."
    )
    if answer.batches is None:
        yield "No pot, however small, can be used up before it goes off: cool the resin or use less hardener."
    else:
        one = answer.batches
        if one.pots == 1:
            yield f"One pot of {reader.mass(one.resin_g)}: lay it within {one.use_min:.0f} min."
        else:
            yield (
                f"Mix {reader.mass(answer.job_g)} in {one.pots} pots of {reader.mass(one.resin_g)}, "
                f"one after the other; lay each within {one.use_min:.0f} min."
            )
    yield (
        f"At {reader.temperature(answer.temp_c)} ({answer.whence}) the sheet's gel time is "
        f"{found.gel.likely_min:.0f} min ({found.gel.low_min:.0f} to {found.gel.high_min:.0f})."
    )
    yield (
        f"To gel it lasts {found.work.pot_min:.0f} min all in its pot, {found.work.tray_min:.0f} min in a "
        f"roller tray, {found.work.film_min:.0f} min as a film on the part."
    )
    if answer.layup is not None:
        lay = answer.layup
        yield (
            f"The lay-up: {reader.mass(lay.glass_g)} of glass, "
            f"{reader.mass(lay.resin_g)} of resin with waste, "
            f"{lay.thickness_mm:.1f} mm thick, {lay.glass_pct:.0f} % glass by weight."
        )
    yield from (f"! {warning}" for warning in found.warnings)
    yield from (f"- {caution}" for caution in found.cautions)
