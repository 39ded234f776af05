"""Pictures for `--plot`: checked before the work, drawn after it in a process of its own."""

import json
import os
import subprocess
import sys
from collections.abc import Mapping
from importlib.util import find_spec
from pathlib import Path

from collector.errors import InputError

_HERE = os.pathsep.join(
    filter(None, (str(Path(__file__).resolve().parent.parent), os.environ.get("PYTHONPATH", "")))
)


def check_plot(plot: Path | None) -> None:
    """Refuse a picture that could not be written before the work is done, not after.

    Raises
    ------
    InputError
        If it could not be.
    """
    if plot is None:
        return
    if plot.suffix.lower() != ".png":
        raise InputError(f"--plot {plot}: give a file that ends in .png")
    if not plot.absolute().parent.is_dir():
        raise InputError(f"--plot {plot}: there is no folder {plot.absolute().parent}")
    if find_spec("matplotlib") is None:
        raise InputError("--plot needs matplotlib: pip install 'layday[report]'")


def draw_plot(found: Mapping[str, object], plot: Path) -> None:
    """Have panels drawn into a file (`dashboards.panel_picture`); the same values give the same bytes.

    Raises
    ------
    InputError
        If it could not be drawn.
    """
    done = subprocess.run(  # noqa: S603  our own module, with this very interpreter
        [sys.executable, "-m", "dashboards.panel_picture", str(plot)],
        input=json.dumps(found),
        capture_output=True,
        text=True,
        check=False,
        env=os.environ | {"PYTHONPATH": _HERE},
    )
    if done.returncode:
        raise InputError(f"--plot {plot}: {done.stderr.strip().splitlines()[-1:] or 'could not be drawn'}")
