"""Draw the README's pictures from the simulated shed: `make pictures`.

They are SVG, made by rich from the very text that the terminal shows; its web fonts are left
out, so that a picture fetches nothing when it is looked at. The phone page is a photograph of
Debian's Chromium, by day and by night.
"""

import re
import shutil
from datetime import UTC, datetime, timedelta
from io import StringIO
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Literal

from playwright.sync_api import sync_playwright
from rich.console import Console
from rich.terminal_theme import TerminalTheme
from rich.text import Text

from collector.clock import EPOCH
from collector.domain import QUANTITIES, Reading
from collector.quality import range_flag
from collector.store.memory import MemoryStore
from dashboards.session import Session, open_session
from dashboards.terminal.render.now import now_text
from forecast.shed_now import shed_now
from hardware.tent.parameters import Tent
from hardware.tent.simulation import Simulation
from tests.dashboards.phone.support import board, served, some_alarms
from tests.questions import questioned
from tests.scenario import EVENING, NOON, ask

FOLDER = Path(__file__).parent.parent / "dashboards" / "pictures"
WIDTH = 80
SEED = 7
MOMENTS = {
    "good-day": datetime(2026, 4, 23, 13, 5, tzinfo=UTC),
}
ASKED = {"night-at-risk": (EVENING, ("tonight",)), "overshoot": (NOON, ("heater",))}
_THEME = TerminalTheme(
    (18, 22, 26), (222, 226, 230),
    [(18, 22, 26), (176, 52, 58), (58, 140, 120), (190, 150, 40), (60, 100, 170), (124, 76, 150),
     (40, 140, 160), (200, 205, 210)],
    [(110, 116, 122), (216, 92, 98), (98, 180, 160), (240, 200, 90), (100, 140, 210), (164, 116, 190),
     (120, 210, 225), (250, 250, 250)],
)  # fmt: skip


def draw(at: datetime, session: Session) -> str:
    """Return the shed as `layday now` shows it at a moment of its simulated life, as SVG."""
    simulation = Simulation(Tent(), at - timedelta(hours=12), SEED)
    past = simulation.record(at + timedelta(minutes=1), 60)
    store = MemoryStore()
    for i, second in enumerate(past.time_s.tolist()):
        when = EPOCH + timedelta(seconds=second)
        row = {name: float(values[i]) for name, values in past.reported.items()}
        store.add(
            [
                Reading(name, when, value, when, range_flag(QUANTITIES[name.rpartition(".")[2]], value))
                for name, value in row.items()
                if value == value  # noqa: PLR0124  NaN is a silent sensor
            ]
        )
    now = shed_now(store, "tunnel", {}, session.limits, at + timedelta(seconds=20))
    console = Console(record=True, width=WIDTH, file=StringIO(), force_terminal=True, color_system="standard")
    console.print(now_text(now, session.reader, WIDTH))
    svg = console.export_svg(title="layday now", theme=_THEME, unique_id="layday")
    return re.sub(r"@font-face \{.*?\}", "", svg, flags=re.DOTALL)


def photograph(file: Path, scheme: Literal["light", "dark"]) -> None:
    """Take a picture of the phone page of a made-up cold night, as a phone shows it."""
    with served(board(watch=some_alarms())) as port, sync_playwright() as play:
        browser = play.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": 390, "height": 844}, color_scheme=scheme)
        page.goto(f"http://127.0.0.1:{port}/")
        page.screenshot(path=file)
        browser.close()


def draw_answer(config: Path, at: datetime, typed: tuple[str, ...]) -> str:
    """Return what a command says of the scenario's shed, in its own colours, as SVG."""
    colours = {"NO_COLOR": "", "FORCE_COLOR": "1", "TERM": "xterm-256color", "COLUMNS": str(WIDTH)}
    said = ask(config, at, typed, colours).stdout
    console = Console(record=True, width=WIDTH, file=StringIO(), force_terminal=True, color_system="standard")
    console.print(Text.from_ansi(said.rstrip()))
    svg = console.export_svg(title=f"layday {' '.join(typed)}", theme=_THEME, unique_id="layday")
    return re.sub(r"@font-face \{.*?\}", "", svg, flags=re.DOTALL)


def main() -> None:
    """Draw every picture into the pictures' folder."""
    FOLDER.mkdir(exist_ok=True)
    session = open_session(None)
    for name, at in MOMENTS.items():
        (FOLDER / f"{name}.svg").write_text(draw(at, session), encoding="utf-8")
        print(f"{FOLDER.name}/{name}.svg")
    schemes: tuple[Literal["light", "dark"], ...] = ("light", "dark")
    for scheme in schemes:
        photograph(FOLDER / f"phone-{scheme}.png", scheme)
        print(f"{FOLDER.name}/phone-{scheme}.png")
    with TemporaryDirectory() as folder:
        config = questioned(Path(folder))
        for name, (at, typed) in ASKED.items():
            (FOLDER / f"{name}.svg").write_text(draw_answer(config, at, typed), encoding="utf-8")
            print(f"{FOLDER.name}/{name}.svg")


if __name__ == "__main__":
    main()
