"""Every error that layday raises on purpose.

::

    LaydayError             what, where and what to do; shown without a traceback
    ├── ConfigError         the configuration; carries every mistake at once
    ├── InputError          a file or argument that a person gave
    ├── SourceError         a source of readings that cannot start
    └── StoreError          the store cannot read or write
        └── StoreFullError  no space left: nothing more is acknowledged
"""

from collections.abc import Sequence


class LaydayError(Exception):
    """The root: its text says what is wrong, where, and what to do."""


class ConfigError(LaydayError):
    """Mistakes in the configuration, each as ``file: key: what``."""

    def __init__(self, mistakes: Sequence[str]) -> None:
        super().__init__("\n".join(mistakes))
        self.mistakes = tuple(mistakes)


class InputError(LaydayError):
    """A file or argument from a person cannot be used."""


class SourceError(LaydayError):
    """A source of readings cannot start."""


class StoreError(LaydayError):
    """The store cannot read or write."""


class StoreFullError(StoreError):
    """The store has no space left."""
