"""Write the published JSON Schemas, `python -m tests.schemas`; and ask real commands for their answers."""

import json
from pathlib import Path
from typing import Any

from collector.clock import from_us
from dashboards.answers.published import published
from tests.published import FOLDER
from tests.questions import questioned
from tests.scenario import EVENING, MORNING, NOON, ask

_CARD = "generic-vinyl-ester"
_PLAN = """[[job]]
name = "lay-up"
work_h = 3.0
layers = 12
card = "generic-vinyl-ester"
bay = "keel"
"""
_TWO_POINTS = ("--point", "nacl=76.3", "--point", "mgcl2=34.0")
ASKED = (
    (NOON, ("now",)),
    (NOON.replace(year=2027), ("now",)),
    (NOON, ()),
    (NOON, ("tonight",)),
    (EVENING, ("tonight",)),
    (MORNING, ("tonight",)),
    (NOON, ("windows",)),
    (EVENING, ("windows",)),
    (NOON, ("heater",)),
    (NOON, ("ahead",)),
    (NOON, ("plan", "HERE/plan.toml")),
    (NOON, ("mix", "-c", _CARD, "--bay", "keel", "-w", "35min")),
    (NOON, ("mix", "-c", _CARD, "-t", "21C", "-p", "1.5", "--area", "3m2", "--ply", "mat 450g/m2 x2")),
    (NOON, ("cure", "list")),
    (EVENING, ("cure", "show", "k1")),
    (MORNING, ("cure", "show", "s2")),
    (EVENING, ("cure", "when", "k1")),
    (MORNING, ("cure", "note", "k1", "looked")),
    (NOON, ("check",)),
    (NOON, ("store",)),
    (NOON, ("store", "--check", "--backup", "HERE/copy.sqlite")),
    (NOON, ("store", "--check")),
    (NOON, ("resin", "list")),
    (NOON, ("resin", "show", _CARD)),
    (NOON, ("resin", "show", "generic-epoxy-slow")),
    (NOON, ("resin", "check", _CARD)),
    (NOON, ("salt", "keel.humidity_pct", *_TWO_POINTS)),
    (EVENING, ("record", "k1", "--out", "HERE/k1.html")),
    (EVENING, ("record", "--verify", "HERE/k1.html")),
    (NOON, ("import", "HERE/in.csv")),
    (NOON, ("export", "HERE/out.csv")),
)


def real_answers(folder: Path) -> list[tuple[tuple[str, ...], dict[str, Any]]]:
    """Ask commands with --json; return what was typed and the answer."""
    config = questioned(folder)
    (folder / "plan.toml").write_text(_PLAN)
    (folder / "in.csv").write_text(f"time,keel.air_c\n{from_us(0).replace(year=2026).isoformat()},20\n")
    found: list[tuple[tuple[str, ...], dict[str, Any]]] = []
    for at, typed in ASKED:
        words = tuple(word.replace("HERE", str(folder)) for word in typed)
        done = ask(config, at, (*words, "--json"))
        assert done.stdout, (typed, done.stderr)
        found.append((typed, json.loads(done.stdout)))
    return found


def main() -> None:
    """Write a file for every kind of answer."""
    shapes = published()
    FOLDER.mkdir(exist_ok=True)
    for file in FOLDER.glob("*.json"):
        file.unlink()
    for name, shape in shapes.items():
        text = json.dumps(shape, indent=1, ensure_ascii=False)
        (FOLDER / f"{name}.json").write_text(f"{text}\n", encoding="utf-8")


if __name__ == "__main__":
    main()
