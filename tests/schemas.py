"""Write the published JSON Schemas from real answers: `python -m tests.schemas`.

Each shape is taken from every answer of its kind that the scenario gives; a key that all have is
required. A value may be null where it was, or where its name says that it may be unknown.
"""

import json
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from collector.clock import from_us
from tests.questions import questioned
from tests.scenario import EVENING, MORNING, NOON, ask

FOLDER = Path(__file__).parent.parent / "dashboards" / "schemas"
_CARD = "generic-vinyl-ester"
_NEVER_NULL = ("schema", "bay", "id", "verdict", "words", "shed", "key", "kind", "name", "stage")
ASKED = (
    (NOON, ("now",)),
    (NOON.replace(year=2027), ("now",)),
    (NOON, ("tonight",)),
    (EVENING, ("tonight",)),
    (MORNING, ("tonight",)),
    (NOON, ("windows",)),
    (EVENING, ("windows",)),
    (NOON, ("heater",)),
    (NOON, ("mix", "-c", _CARD, "--bay", "keel", "-w", "35min")),
    (NOON, ("mix", "-c", _CARD, "-t", "21C", "-p", "1.5", "--area", "3m2", "--ply", "mat 450g/m2 x2")),
    (NOON, ("cure", "list")),
    (EVENING, ("cure", "show", "k1")),
    (MORNING, ("cure", "show", "s2")),
    (EVENING, ("cure", "when", "k1")),
    (MORNING, ("cure", "note", "k1", "looked")),
    (NOON, ("check",)),
    (NOON, ("store",)),
    (NOON, ("resin", "list")),
    (NOON, ("resin", "show", _CARD)),
    (NOON, ("resin", "show", "generic-epoxy-slow")),
    (NOON, ("resin", "check", _CARD)),
)


def name_of(answer: dict[str, Any]) -> str:
    """Return the name in ``layday/NAME/1``."""
    return str(answer["schema"]).split("/")[1]


def real_answers(folder: Path) -> list[tuple[tuple[str, ...], dict[str, Any]]]:
    """Ask every command with --json; return what was typed and the answer."""
    config = questioned(folder)
    found: list[tuple[tuple[str, ...], dict[str, Any]]] = []
    for at, typed in (
        *ASKED,
        (NOON, ("export", str(folder / "out.csv"))),
        (NOON, ("import", str(folder / "in.csv"))),
    ):
        (folder / "in.csv").write_text(f"time,keel.air_c\n{from_us(0).replace(year=2026).isoformat()},20\n")
        done = ask(config, at, (*typed, "--json"))
        assert done.stdout, (typed, done.stderr)
        found.append((typed, json.loads(done.stdout)))
    return found


def shape_of(values: Sequence[Any], name: str = "") -> dict[str, Any]:
    """Return the schema of a value seen several times."""
    if name == "schema":
        return {"const": values[0]}
    kinds = {_kind(value) for value in values}
    if "number" in kinds:
        kinds.discard("integer")
    if not kinds - {"null"}:
        return {}
    if kinds & {"number", "integer"} or (kinds == {"string"} and name.endswith(("_at", "by", "until"))):
        kinds.add("null")
    kinds -= {"null"} if name in _NEVER_NULL else set()
    shape: dict[str, Any] = {"type": sorted(kinds) if len(kinds) > 1 else next(iter(kinds))}
    objects = [value for value in values if isinstance(value, dict)]
    if objects:
        keys = list(dict.fromkeys(key for value in objects for key in value))
        shape["properties"] = {key: shape_of([o[key] for o in objects if key in o], key) for key in keys}
        shape["required"] = [key for key in keys if all(key in value for value in objects)]
    items = [item for value in values if isinstance(value, list) for item in value]
    if items:
        shape["items"] = shape_of(items)
    if name == "verdict":
        shape["enum"] = ["go", "tight", "no-go", "no news"]
    return shape


def _kind(value: object) -> str:
    kinds = ((bool, "boolean"), (int, "integer"), (float, "number"), (str, "string"), (dict, "object"))
    if value is None:
        return "null"
    return next((kind for sort, kind in kinds if isinstance(value, sort)), "array")


def main() -> None:
    """Ask, and write a schema for every kind of answer."""
    FOLDER.mkdir(exist_ok=True)
    with TemporaryDirectory() as folder:
        answers = [answer for _, answer in real_answers(Path(folder))]
    for name in sorted({name_of(answer) for answer in answers}):
        shape = shape_of([answer for answer in answers if name_of(answer) == name])
        _write(name, {"$id": f"layday/{name}/1", **shape})


def _write(name: str, shape: dict[str, Any]) -> None:
    whole = {"$schema": "https://json-schema.org/draft/2020-12/schema", **shape}
    (FOLDER / f"{name}.json").write_text(json.dumps(whole, indent=1) + "\n", encoding="utf-8")
    print(name)


if __name__ == "__main__":
    main()
