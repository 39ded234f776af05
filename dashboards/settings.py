"""Every setting, read from the configuration's own models, so that none can go untold."""

from collections.abc import Iterator
from typing import get_args

from pydantic import BaseModel

from collector.config import Config


def setting_lines(config: Config) -> Iterator[str]:
    """Yield ``table.key = value`` for every setting, with the default where it differs."""
    for name, field in Config.model_fields.items():
        value = getattr(config, name)
        table = _table_of(field.annotation)
        if table is None:
            continue
        head = f"[[{name}]]" if isinstance(value, tuple) else f"[{name}]"
        words = (table.__doc__ or "").strip().splitlines()[0]
        yield f"{head}  # {words}"
        yield from _table_lines(table, value)
        yield ""


def _table_of(annotation: object) -> type[BaseModel] | None:
    candidates = [annotation, *get_args(annotation)]
    return next((c for c in candidates if isinstance(c, type) and issubclass(c, BaseModel)), None)


def _table_lines(table: type[BaseModel], value: object) -> Iterator[str]:
    for key, field in table.model_fields.items():
        if field.is_required():
            yield f"{key} = …  # required"
            continue
        default = field.get_default()
        here = getattr(value, key, default)
        note = "" if here == default else f"  # default {_toml(default)}"
        note += f"  # {field.description}" if field.description else ""
        yield f"{key} = {_toml(here)}{note}"


def _toml(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if value is None:
        return "(not set)"
    return f'"{value}"' if isinstance(value, str) else f"{value}"
