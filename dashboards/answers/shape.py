"""JSON Schemas from short descriptions: a number's unit and bounds follow from the end of its name.

What a value may be comes from the code that makes it: enums are closed, frozen dataclasses give their
fields and what their own words say of each, quantities their unit.
"""

import inspect
import re
import types
import typing
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields, is_dataclass, replace
from datetime import datetime
from enum import Enum
from typing import Any

from collector.domain import QUANTITIES
from collector.units import ZERO_C_K

Shape = dict[str, Any]
"""A JSON Schema."""
Spec = object
"""What stands for a shape: words (``?`` first: may be null), an enum, a dataclass, [items], or a shape."""

DRAFT = "https://json-schema.org/draft/2020-12/schema"
_TIME = r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?Z$"
_TIMES = frozenset({"at", "since", "start", "end"})
NO_KINDS: Mapping[type, Shape] = types.MappingProxyType({})


@dataclass(frozen=True, slots=True)
class _Unit:
    words: str
    low: float | None = None
    high: float | None = None


# by the end of a name, the longest first; a difference of temperatures may be below zero, an age too
_UNITS: Mapping[str, _Unit] = {
    "j_g": _Unit("J/g", 0.0),
    "g_ml": _Unit("g/mL", 0.0),
    "kg_h": _Unit("kg/h", 0.0),
    "degree_hours": _Unit("°C·h over the card's base temperature", 0.0),
    "equivalent_hours": _Unit("h at the card's reference temperature", 0.0),
    "hours": _Unit("h", 0.0),
    "odds": _Unit("0 to 1", 0.0, 1.0),
    "progress": _Unit("0 to 1", 0.0, 1.0),
    "share": _Unit("0 to 1", 0.0, 1.0),
    "ratio": _Unit("a ratio", 0.0),
    "humidity_pct": _Unit("%, relative humidity", 0.0, 100.0),
    "humidity_max_pct": _Unit("%, relative humidity", 0.0, 100.0),
    "duty_pct": _Unit("%", 0.0, 100.0),
    "glass_pct": _Unit("%", 0.0, 100.0),
    "pct": _Unit("%", 0.0),  # an epoxy's hardener may outweigh its resin
    "bytes": _Unit("bytes", 0.0),
    "months": _Unit("months", 0.0),
    "min": _Unit("min", 0.0),
    "ppm": _Unit("ppm", 0.0),
    "mm": _Unit("mm", 0.0),
    "ml": _Unit("mL", 0.0),
    "kg": _Unit("kg", 0.0),
    "kw": _Unit("kW", 0.0),
    "c": _Unit("°C", -ZERO_C_K),
    "k": _Unit("K, a difference of temperatures"),
    "h": _Unit("h", 0.0),
    "s": _Unit("s"),
    "g": _Unit("g", 0.0),
    "w": _Unit("W", 0.0),
}


def answer(name: str, words: str, parts: Mapping[str, Spec], optional: tuple[str, ...] = ()) -> Shape:
    """Return the whole schema of the answer ``layday/NAME/1``."""
    whole = obj(words, {"schema": {"const": f"layday/{name}/1"}, **parts}, optional)
    return {"$schema": DRAFT, "$id": f"layday/{name}/1", "title": f"layday/{name}/1", **whole}


def obj(words: str, parts: Mapping[str, Spec], optional: tuple[str, ...] = ()) -> Shape:
    """Return an object that has just these parts, all of them but the optional ones."""
    return {
        "type": "object",
        "description": words,
        "properties": {key: shape_of(key, spec) for key, spec in parts.items()},
        "required": [key for key in parts if key not in optional],
        "additionalProperties": False,
    }


def by_name(words: str, spec: Spec) -> Shape:
    """Return an object with a value of one kind under every name."""
    return {"type": "object", "description": words, "additionalProperties": shape_of("", spec)}


def maybe(spec: Spec, words: str = "") -> Shape:
    """Return what may be null as well."""
    shape = dict(shape_of("", spec))
    if words:
        shape["description"] = words
    if "enum" in shape:
        return shape | {"enum": [*shape["enum"], None], "type": ["string", "null"]}
    return shape | {"type": [shape["type"], "null"]}


def flag(words: str) -> Shape:
    """Return a true or false."""
    return {"type": "boolean", "description": words}


def time(words: str) -> Shape:
    """Return a moment."""
    said = f"{words}; ISO 8601, UTC"
    return {"type": "string", "format": "date-time", "pattern": _TIME, "description": said}


def count(words: str) -> Shape:
    """Return a whole number from 0 on."""
    return {"type": "integer", "minimum": 0, "description": words}


def number(words: str, low: float | None = None, high: float | None = None) -> Shape:
    """Return a number whose unit its name does not say, so the words must."""
    return {"type": "number", "description": words, **_bounds(low, high)}


def one_of(words: str, *values: str) -> Shape:
    """Return a text that is one of these."""
    return {"type": "string", "description": words, "enum": list(values)}


def any_of(words: str, literal: object) -> Shape:
    """Return a text that is one of a `Literal`'s."""
    return one_of(words, *typing.get_args(literal))


def listed(words: str, spec: Spec) -> Shape:
    """Return a list, with words of its own."""
    return {"type": "array", "description": words, "items": shape_of("", spec)}


def of(kind: type, kinds: Mapping[type, Shape] = NO_KINDS, **instead: Spec) -> Shape:
    """Return the shape of a frozen dataclass under its own field names, but for those described here.

    `kinds` are the shapes of types in it that are not written field by field.
    """
    hints = typing.get_type_hints(kind)
    told = inspect.getdoc(kind) or ""
    parts = {
        name: instead.get(name, _Typed(hints[name], _told(told, name) or _spelt(name), kinds))
        for name in (field.name for field in fields(kind))
    }
    return obj(told.split("\n\n")[0].replace("\n", " ").replace("`", ""), parts)


@dataclass(frozen=True, slots=True)
class _Typed:
    """A field as its type annotation has it, and what its class says of it."""

    hint: Any
    words: str
    kinds: Mapping[type, Shape]


def shape_of(key: str, spec: Spec) -> Shape:
    """Return the schema of what stands under a key."""
    if isinstance(spec, dict):
        return spec
    if isinstance(spec, str):
        return maybe(_named(key, spec[1:])) if spec.startswith("?") else _named(key, spec)
    if isinstance(spec, _Typed):
        return _typed(key, spec)
    if isinstance(spec, list):
        (inner,) = spec
        if isinstance(inner, str):
            return {"type": "array", "description": inner, "items": {"type": "string"}}
        return {"type": "array", "items": shape_of("", inner)}
    return _class_shape(key, spec)


def _class_shape(key: str, spec: Spec) -> Shape:
    if isinstance(spec, type) and issubclass(spec, Enum):
        words = (inspect.getdoc(spec) or "").split("\n\n", maxsplit=1)[0].replace("\n", " ")
        return {"type": "string", "description": words, "enum": [one.value for one in spec]}
    if isinstance(spec, type) and is_dataclass(spec):
        return of(spec)
    raise TypeError(f"{key}: {spec!r} stands for no shape")


def _named(key: str, words: str) -> Shape:
    """Return a number where the name ends in a unit, a time where it says so, else a text."""
    if key in _TIMES or key.endswith("_at"):
        return time(words)
    found = _unit(key)
    if found is None:
        return {"type": "string", "description": words}
    quantity = QUANTITIES.get(key)
    said = words or (quantity.words if quantity else "")
    return {
        "type": "integer" if key.endswith("_bytes") else "number",
        "description": f"{said} [{found.words}]",
        **_bounds(found.low, found.high),
    }


def _unit(key: str) -> _Unit | None:
    ends = (unit for end, unit in _UNITS.items() if key == end or key.endswith(f"_{end}"))
    if key.startswith("progress"):
        return _UNITS["progress"]
    return next(ends, None)


def _bounds(low: float | None, high: float | None) -> Shape:
    return {name: value for name, value in (("minimum", low), ("maximum", high)) if value is not None}


def _typed(key: str, spec: _Typed) -> Shape:
    hint, words = spec.hint, spec.words
    origin = typing.get_origin(hint)
    if origin in {types.UnionType, typing.Union}:
        (inner,) = (one for one in typing.get_args(hint) if one is not type(None))
        return maybe(_typed(key, replace(spec, hint=inner)))
    if origin is tuple:
        inside = _typed(key, replace(spec, hint=typing.get_args(hint)[0]))
        return {"type": "array", "description": words, "items": inside}
    if hint in spec.kinds:
        return spec.kinds[hint]
    if is_dataclass(hint):
        return of(typing.cast("type", hint), spec.kinds)
    plain: dict[object, Callable[[], Shape]] = {
        bool: lambda: flag(words),
        int: lambda: count(words),
        str: lambda: {"type": "string", "description": words},
        datetime: lambda: _named(key if key in _TIMES else f"{key}_at", words),
        float: lambda: _number_of(key, words),
    }
    return plain[hint]() if hint in plain else shape_of(key, hint)


def _number_of(key: str, words: str) -> Shape:
    if _unit(key) is None:
        return number(words)
    return _named(key, words)


def _spelt(name: str) -> str:
    """Return a name in words, without the unit at its end."""
    ends = (end for end in (*_UNITS, "at") if name.endswith(f"_{end}") and end not in {"odds", "progress"})
    return name.removesuffix(f"_{next(ends, '')}").replace("_", " ")


def _told(told: str, name: str) -> str:
    """Return the sentence of a class's own words that speaks of a field."""
    flat = re.sub(r"\s+", " ", told)
    for sentence in re.split(r"(?<=[.;]) ", flat):
        if f"`{name}`" in sentence:
            return sentence.rstrip(".;").replace("`", "")
    return ""
