"""What is published of every answer, and what an answer does not keep of it."""

import json
from collections.abc import Iterator
from copy import deepcopy
from functools import cache
from pathlib import Path
from typing import Any

from jsonschema import Draft202012Validator

FOLDER = Path(__file__).parent.parent / "dashboards" / "schemas"
Step = str | int


@cache
def schema_of(name: str) -> dict[str, Any]:
    """Return the published schema of answers called so."""
    found: dict[str, Any] = json.loads((FOLDER / f"{name}.json").read_text(encoding="utf-8"))
    return found


def name_of(answer: dict[str, Any]) -> str:
    """Return the name in ``layday/NAME/1``."""
    parts = str(answer.get("schema")).split("/")
    return parts[1] if len(parts) == 3 else ""


def complaint(answer: Any) -> str:  # noqa: ANN401  JSON
    """Return the first thing in which an answer is not as published; empty if it is."""
    if not isinstance(answer, dict):
        return f"$: {answer!r} is not an object"
    if not (FOLDER / f"{name_of(answer)}.json").exists():
        return f"$.schema: {answer.get('schema')!r} is not published"
    error = next(Draft202012Validator(schema_of(name_of(answer))).iter_errors(answer), None)
    return "" if error is None else f"{error.json_path}: {error.message}"


def spoilt(answer: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield the answer with one mistake each that a reader must be able to rely on not to meet."""
    for place, shape in _places(schema_of(name_of(answer)), answer, ()):
        for words, wrong in _mistakes(shape, _at(answer, place)):
            worse = deepcopy(answer)
            if place:
                _at(worse, place[:-1])[place[-1]] = wrong
            else:
                worse = wrong
            yield f"{'.'.join(map(str, place))}: {words}", worse


def _at(answer: Any, place: tuple[Step, ...]) -> Any:  # noqa: ANN401  JSON
    for step in place:
        answer = answer[step]
    return answer


def _places(
    shape: dict[str, Any], value: object, place: tuple[Step, ...]
) -> Iterator[tuple[tuple[Step, ...], dict[str, Any]]]:
    """Yield every place of a value with what the schema says of it; of a list, the first item."""
    yield place, shape
    if isinstance(value, dict):
        for key, inner in value.items():
            known = shape["properties"][key] if "properties" in shape else shape["additionalProperties"]
            yield from _places(known, inner, (*place, key))
    elif isinstance(value, list) and value:
        yield from _places(shape["items"], value[0], (*place, 0))


def _mistakes(shape: dict[str, Any], value: object) -> Iterator[tuple[str, Any]]:
    if isinstance(value, dict) and "properties" in shape:
        yield "a key nobody knows", {**value, "moon": "full"}
        for key in shape["required"]:
            yield f"{key} is missing", {name: inner for name, inner in value.items() if name != key}
    if "minimum" in shape:
        yield "below its least", shape["minimum"] - 0.5
    if "maximum" in shape:
        yield "above its most", shape["maximum"] + 0.2
    if "enum" in shape:
        yield "a word nobody knows", "maybe"
    if "pattern" in shape:
        yield "no time", "noon"
        yield "a time without its zone", "2026-04-02T12:00:00"
    if "type" in shape and "string" not in shape["type"]:
        yield "a text", "20 C"
