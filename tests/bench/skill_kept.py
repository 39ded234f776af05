"""Rows of a long bench kept on disk, so that a run that was stopped goes on where it was.

What was made is found again by a key over its name, the measured data and the source of the
modules that made it: change either and it is made anew.
"""

import hashlib
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from types import ModuleType

import numpy as np

from forecast.past import Array

FOLDER = Path("build") / "bench-forecast"


def key(data: Path, modules: Sequence[ModuleType], *of: object) -> str:
    """Return what names a result made from `data` by `modules`, for the settings `of`."""
    found = hashlib.sha256(repr(of).encode())
    found.update(data.read_bytes())
    for module in modules:
        found.update(Path(str(module.__file__)).read_bytes())
    return found.hexdigest()[:20]


def kept(folder: Path, name: str, make: Callable[[], Mapping[str, Array]]) -> Mapping[str, Array]:
    """Return the arrays kept under `name`, or make and keep them; a half-written file is never seen."""
    path = folder / f"{name}.npz"
    if path.exists():
        with np.load(path) as stored:
            return {one: stored[one] for one in stored.files}
    found = make()
    folder.mkdir(parents=True, exist_ok=True)
    half = path.with_suffix(".part.npz")
    save: Callable[..., None] = np.savez
    save(half, **found)
    half.replace(path)
    return found
