"""Frozen dataclasses as plain JSON values, and back.

Pydantic could do the same; it takes 14 MB and a tenth of a second to load, too much for a screen that
stays and for commands that must answer at once. What people type is checked by pydantic all the same.
"""

import types
import typing
from collections.abc import Callable, Mapping
from dataclasses import MISSING, fields, is_dataclass
from datetime import datetime
from enum import Enum
from functools import cache
from typing import Any, TypeVar

_T = TypeVar("_T")
Special = Mapping[Any, Callable[[Any], Any]]
"""How values of some types are written or read where their fields are not the whole story."""


def plain(value: object, special: Special | None = None) -> Any:  # noqa: ANN401  whatever JSON has
    """Return a dataclass, and all that is in it, as JSON has it: times ISO 8601 in UTC, enums by value.

    >>> from datetime import UTC
    >>> plain((datetime(2026, 4, 2, tzinfo=UTC), None, 1.5))
    ['2026-04-02T00:00:00Z', None, 1.5]
    """
    if special and type(value) in special:
        return special[type(value)](value)
    if isinstance(value, tuple):
        return [plain(item, special) for item in value]
    if is_dataclass(value) and not isinstance(value, type):
        return {name: plain(getattr(value, name), special) for name, *_ in _fields(type(value))}
    return _plain_leaf(value)


def _plain_leaf(value: object) -> object:
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, datetime):
        return value.isoformat().replace("+00:00", "Z")
    if value is None or isinstance(value, str | int | float):
        return value
    raise TypeError(f"{type(value).__name__} has no plain form")


def made(kind: type[_T], raw: object, special: Special | None = None) -> _T:
    """Return the dataclass of a type that `plain` wrote; fields that it does not know are passed over.

    Raises
    ------
    ValueError
        If something is missing or of another kind, with its place as in ``bays.0.now.air_c``.
    """
    return typing.cast("_T", _made(kind, raw, "", special or {}))


@cache
def _fields(kind: type) -> tuple[tuple[str, Any, bool], ...]:
    """Return name, type and "must be there" of each field."""
    hints = typing.get_type_hints(kind)
    return tuple(
        (f.name, hints[f.name], f.default is MISSING and f.default_factory is MISSING)
        for f in fields(kind)
        if f.init
    )


def _made(kind: Any, raw: Any, where: str, special: Special) -> Any:  # noqa: ANN401  any type, any value
    origin = typing.get_origin(kind)
    if origin in {types.UnionType, typing.Union}:
        if raw is None:
            return None
        (kind,) = (one for one in typing.get_args(kind) if one is not type(None))
        return _made(kind, raw, where, special)
    if origin is tuple:
        return _many(typing.get_args(kind)[0], raw, where, special)
    if kind in special:
        return special[kind](raw)
    if is_dataclass(kind):
        return _object(typing.cast("type", kind), raw, where, special)
    return _leaf(kind, raw, where)


def _many(kind: Any, raw: Any, where: str, special: Special) -> tuple[Any, ...]:  # noqa: ANN401
    if not isinstance(raw, list):
        raise ValueError(f"{where}: {raw!r} is not a list")  # noqa: TRY004  bad input, not a bug
    if kind is float and all(type(item) is float for item in raw):
        return tuple(raw)
    return tuple(_made(kind, item, f"{where}.{i}", special) for i, item in enumerate(raw))


def _object(kind: type, raw: Any, where: str, special: Special) -> Any:  # noqa: ANN401
    if not isinstance(raw, dict):
        raise ValueError(f"{where or kind.__name__}: {raw!r} is not an object")  # noqa: TRY004  bad input
    found = {}
    for name, hint, needed in _fields(kind):
        place = f"{where}.{name}" if where else name
        if name in raw:
            found[name] = _made(hint, raw[name], place, special)
        elif needed:
            raise ValueError(f"{place}: is missing")
    return kind(**found)


def _leaf(kind: Any, raw: Any, where: str) -> Any:  # noqa: ANN401
    if kind is float:
        good = isinstance(raw, int | float) and not isinstance(raw, bool)
    elif kind is int:
        good = isinstance(raw, int) and not isinstance(raw, bool)
    elif kind in {str, bool}:
        good = isinstance(raw, kind)
    else:
        return _named(kind, raw, where)
    if not good:
        raise ValueError(f"{where}: {raw!r} is not a {kind.__name__}")
    return kind(raw)


def _named(kind: Any, raw: Any, where: str) -> Any:  # noqa: ANN401
    """Read a time or an enum."""
    try:
        if kind is datetime:
            at = datetime.fromisoformat(raw)
            if at.tzinfo is None:
                raise ValueError("it has no offset")  # noqa: TRY301  said below with its place
            return at
        return kind(raw)
    except (TypeError, ValueError) as error:
        raise ValueError(f"{where}: {raw!r} is not a {kind.__name__}: {error}") from error
