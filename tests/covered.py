"""How much of the house the tests reach, lines and branches: `python -m tests.covered` after `make coverage`.

Prints each room, and the physics (the modules that import-linter keeps free of I/O) module by module
where something is left; fails below what the house promises.
"""

import json
import sys
import tomllib
from collections.abc import Iterable, Mapping
from pathlib import Path
from tempfile import TemporaryDirectory

from coverage import Coverage

ROOT = Path(__file__).parent.parent
ROOMS = ("collector", "forecast", "dashboards", "hardware/tent")
LEAST_PCT, LEAST_PHYSICS_PCT = 92.0, 98.0
_PHYSICS = "physics imports no I/O, clock, logging or pydantic"
Counts = Mapping[str, int]


def physics() -> set[str]:
    """Return the files of the modules that are pure sums."""
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    (contract,) = (one for one in settings["tool"]["importlinter"]["contracts"] if one["name"] == _PHYSICS)
    return {module.replace(".", "/") + ".py" for module in contract["source_modules"]}


def share_pct(files: Iterable[Counts]) -> float:
    """Return the share of lines and branches reached [%]; 100 of nothing.

    >>> lines = {"covered_lines": 3, "num_statements": 4}
    >>> share_pct([lines | {"covered_branches": 0, "num_branches": 1}])
    60.0
    """
    every = list(files)
    had = sum(one["covered_lines"] + one["covered_branches"] for one in every)
    whole = sum(one["num_statements"] + one["num_branches"] for one in every)
    return 100.0 * had / whole if whole else 100.0


def _reached() -> dict[str, Counts]:
    """Return what coverage has counted, by file."""
    coverage = Coverage()
    coverage.load()
    with TemporaryDirectory() as folder:
        path = Path(folder) / "coverage.json"
        coverage.json_report(outfile=str(path))
        found = json.loads(path.read_text(encoding="utf-8"))
    # A test installs the wheel elsewhere and runs it: those are other files.
    return {str(Path(name)): one["summary"] for name, one in found["files"].items() if name.startswith(ROOMS)}


def main() -> None:
    """Print the table."""
    files = _reached()
    sums = {name: files[name] for name in sorted(physics())}
    whole_pct, physics_pct = share_pct(files.values()), share_pct(sums.values())
    for room in ROOMS:
        print(f"{room:24} {share_pct(one for name, one in files.items() if name.startswith(room)):6.1f} %")
    print(f"{'all':24} {whole_pct:6.1f} %\n{'physics':24} {physics_pct:6.1f} %")
    for name, one in sums.items():
        if (pct := share_pct([one])) < LEAST_PHYSICS_PCT:
            print(f"    {name:28} {pct:6.1f} %")
    sys.exit(whole_pct < LEAST_PCT or physics_pct < LEAST_PHYSICS_PCT)


if __name__ == "__main__":
    main()
