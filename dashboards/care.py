"""What can hurt where advice is followed, in words that several answers share."""

from collections.abc import Sequence

from forecast.cure_outlook import CureOutlook

SHEET_DECIDES = "the resin maker's data sheet and local rules decide"
MORE_HEAT = (
    "more heat: no flame, spark or glowing wire near styrene or solvent vapour; whatever burns needs fresh "
    "air and a carbon monoxide alarm that works; warm resin goes off sooner"
)
HEAT_AT_NIGHT = (
    "heat or a cover at night: no flame or glowing wire under it or near wet resin; whatever burns needs "
    "fresh air and a carbon monoxide alarm that works; leave alone only a heater made for that"
)


def tonight_cautions(cures: Sequence[CureOutlook]) -> list[str]:
    """Return what can hurt where something is done about cures; nothing where nothing is."""
    return [f"{HEAT_AT_NIGHT}; {SHEET_DECIDES}"] if any(cure.rescues for cure in cures) else []
