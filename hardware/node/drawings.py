"""Draw the build guide's pictures: the wiring, and where the sensors go. `make pictures` runs it."""

from dataclasses import dataclass
from html import escape
from pathlib import Path

FOLDER = Path(__file__).parent
_INK, _PAPER = "#1c2226", "#ffffff"
# Colour comes last: each kind of wire has its own dashes and its word at both ends.
_WIRES = {
    "3.3 V": ("#b23a3a", ""),
    "ground": ("#1c2226", "2 4"),
    "data": ("#2f6f9f", "10 4"),
    "clock": ("#7a5aa0", "10 3 2 3"),
}
_PIN_STEP = 26


@dataclass(frozen=True, slots=True)
class Part:
    """A box with its pins, top to bottom; `left` says on which side of the box they stand."""

    name: str
    note: str
    x_px: int
    y_px: int
    pins: tuple[str, ...]
    left: bool = True

    @property
    def height_px(self) -> int:
        """How tall the box is."""
        return 44 + _PIN_STEP * len(self.pins)

    def pin_px(self, pin: str) -> tuple[int, int]:
        """Where a pin's wire begins."""
        x = self.x_px if self.left else self.x_px + 190
        return x, self.y_px + 52 + _PIN_STEP * self.pins.index(pin)


BOARD = Part(
    "board", "ESP32 class, 3.3 V", 60, 60,
    ("3.3 V", "ground", "21", "22", "4", "25", "26", "32", "33"), left=False,
)  # fmt: skip
PARTS = (
    Part("air and humidity", "SHT4x kind, I2C", 560, 40, ("3.3 V", "ground", "SDA", "SCL")),
    Part("part probes", "DS18B20 kind, one or more", 560, 210, ("3.3 V", "ground", "data")),
    Part("damp lamp", "LED and 330 Ω", 560, 354, ("plus", "ground")),
    Part("heater's contact", "closed while it burns", 560, 472, ("one side", "other side")),
    Part("gas scale", "HX711 and load cell", 560, 590, ("3.3 V", "ground", "data", "clock")),
)
# Board's pin, part, its pin, kind of wire.
WIRES = (
    ("3.3 V", 0, "3.3 V", "3.3 V"), ("ground", 0, "ground", "ground"),
    ("21", 0, "SDA", "data"), ("22", 0, "SCL", "clock"),
    ("3.3 V", 1, "3.3 V", "3.3 V"), ("ground", 1, "ground", "ground"), ("4", 1, "data", "data"),
    ("25", 2, "plus", "data"), ("ground", 2, "ground", "ground"),
    ("26", 3, "one side", "data"), ("ground", 3, "other side", "ground"),
    ("3.3 V", 4, "3.3 V", "3.3 V"), ("ground", 4, "ground", "ground"),
    ("33", 4, "data", "data"), ("32", 4, "clock", "clock"),
)  # fmt: skip


def _text(x_px: float, y_px: float, words: str, size_px: int = 14, more: str = "") -> str:
    return f'<text x="{x_px:g}" y="{y_px:g}" font-size="{size_px}" {more}>{escape(words)}</text>'


def _page(width_px: int, height_px: int, title: str, body: list[str], top_px: int = 0) -> str:
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 {top_px} {width_px} {height_px}" role="img" '
        f'font-family="sans-serif" fill="{_INK}"><title>{escape(title)}</title>'
        f'<rect y="{top_px}" width="{width_px}" height="{height_px}" fill="{_PAPER}"/>'
    )
    return "\n".join([head, *body, "</svg>", ""])


def _box(part: Part) -> list[str]:
    found = [
        (
            f'<rect x="{part.x_px}" y="{part.y_px}" width="190" height="{part.height_px}" rx="6" '
            f'fill="#eef1f2" stroke="{_INK}" stroke-width="2"/>'
        ),
        _text(part.x_px + 95, part.y_px + 19, part.name, 15, 'text-anchor="middle" font-weight="bold"'),
        _text(part.x_px + 95, part.y_px + 35, part.note, 12, 'text-anchor="middle"'),
    ]
    for pin in part.pins:
        x, y = part.pin_px(pin)
        inside = (x + 10, "start") if part.left else (x - 10, "end")
        found.append(f'<circle cx="{x}" cy="{y}" r="4" fill="{_INK}"/>')
        found.append(_text(inside[0], y + 5, pin, 13, f'text-anchor="{inside[1]}"'))
    return found


def wiring() -> str:
    """Return the wiring as SVG: each wire goes by a lane of its own between board and parts."""
    body = []
    for lane, (pin, number, part_pin, kind) in enumerate(WIRES):
        colour, dashes = _WIRES[kind]
        (x, y), (to_x, to_y) = BOARD.pin_px(pin), PARTS[number].pin_px(part_pin)
        middle = 285 + 17 * lane
        dash = f' stroke-dasharray="{dashes}"' if dashes else ""
        body.append(
            f'<path d="M{x} {y} H{middle} V{to_y} H{to_x}" fill="none" stroke="{colour}" '
            f'stroke-width="2.5"{dash}/>'
        )
    for part in (BOARD, *PARTS):
        body += _box(part)
    x, y = PARTS[1].pin_px("data")
    body += [
        _text(x + 200, y - 8, "4.7 kΩ between", 12),
        _text(x + 200, y + 8, "data and 3.3 V, once", 12),
    ]
    for row, (kind, (colour, dashes)) in enumerate(_WIRES.items()):
        at = 420 + 26 * row
        dash = f' stroke-dasharray="{dashes}"' if dashes else ""
        body.append(
            f'<path d="M60 {at} H120" stroke="{colour}" stroke-width="2.5"{dash}/>' + _text(130, at + 5, kind)
        )
    body += [
        _text(60, 560, "All of it is 3.3 V from one supply."),
        _text(60, 580, "No wire here ever meets mains or gas:"),
        _text(60, 600, "the contact is a dry one, closed by"),
        _text(60, 620, "the heater's own relay, put in by"),
        _text(60, 640, "whoever may work on the heater."),
    ]
    return _page(940, 770, "Wiring of the sensor node: board, sensors and which pin goes where", body)


_SPOTS = (
    (520, 176, "1", "keel, air: high, shaded, 30 cm off the cover"),
    (440, 200, "2", "keel, part: on the laminate's back, paste, foam cap"),
    (196, 340, "3", "sheer, air: low, a hand above the ground"),
    (256, 338, "4", "sheer, part: at the coldest edge, foam cap"),
    (730, 190, "5", "outdoors: north side, under a roof, in the wind"),
)


def placement() -> str:
    """Return a cut through the tunnel with the places of the sensors as SVG."""
    hull = "M250 372 C262 250 350 205 440 200 C530 205 618 250 630 372"
    body = [
        '<rect x="40" y="384" width="820" height="10" fill="#8c7a5c"/>',
        f'<path d="M150 384 C160 40 720 40 730 384" fill="#f2f6f7" stroke="{_INK}" stroke-width="3"/>',
        f'<path d="{hull}" fill="#dfe7e4" stroke="{_INK}" stroke-width="4"/>',
        f'<path d="M300 384 V300 M580 384 V300 M440 384 V206" stroke="{_INK}" stroke-width="3"/>',
        f'<rect x="650" y="340" width="46" height="44" fill="#e8d6cf" stroke="{_INK}" stroke-width="2"/>',
        _text(722, 332, "heater: keep out of its plume", 12, 'text-anchor="end"'),
        (
            '<path d="M648 352 C620 350 600 340 575 318 M648 364 C615 364 590 356 560 340" fill="none" '
            f'stroke="{_INK}" stroke-width="1.5" stroke-dasharray="4 4"/>'
        ),
        _text(395, 188, "keel", 13, 'text-anchor="middle" font-style="italic"'),
        _text(222, 376, "sheer", 13, 'text-anchor="middle" font-style="italic"'),
    ]
    for x, y, number, _ in _SPOTS:
        body.append(f'<circle cx="{x}" cy="{y}" r="12" fill="{_PAPER}" stroke="{_INK}" stroke-width="2.5"/>')
        body.append(_text(x, y + 5, number, 14, 'text-anchor="middle" font-weight="bold"'))
    for row, (_, _, number, words) in enumerate(_SPOTS):
        body.append(_text(70, 428 + 24 * row, f"{number}   {words}"))
    return _page(
        900, 450, "Where air and part sensors go in a tunnel with a hull upside down on its mould", body, 100
    )


DRAWINGS = {"wiring.svg": wiring, "placement.svg": placement}


def main() -> None:
    """Write the drawings beside the guide."""
    for name, draw in DRAWINGS.items():
        (FOLDER / name).write_text(draw(), encoding="utf-8")


if __name__ == "__main__":
    main()
