"""What a process takes, as Linux tells it in /proc."""

import os
from pathlib import Path
from typing import NamedTuple

COUNTED = "COVERAGE_PROCESS_CONFIG" in os.environ
"""Whether lines are being counted (`make coverage`): that takes memory and modules in every process."""


class Taken(NamedTuple):
    """What a process has taken so far, and what it holds."""

    cpu_s: float
    memory_mb: float
    peak_mb: float
    written_bytes: int
    threads: int
    files: int


def taken(pid: int) -> Taken:
    """Read what process `pid` takes."""
    proc = Path(f"/proc/{pid}")
    status = dict(line.split(":", 1) for line in (proc / "status").read_text(encoding="ascii").splitlines())
    # the name, in brackets, may hold spaces; user and system time are fields 14 and 15 (man 5 proc)
    fields = (proc / "stat").read_text(encoding="ascii").rpartition(")")[2].split()
    ticks = int(fields[11]) + int(fields[12])
    written = dict(line.split(": ") for line in (proc / "io").read_text(encoding="ascii").splitlines())
    return Taken(
        cpu_s=ticks / os.sysconf("SC_CLK_TCK"),
        memory_mb=_kb(status, "VmRSS") / 1024,
        peak_mb=_kb(status, "VmHWM") / 1024,
        written_bytes=int(written["write_bytes"]),
        threads=int(status["Threads"]),
        files=len(list((proc / "fd").iterdir())),
    )


def _kb(status: dict[str, str], key: str) -> int:
    return int(status[key].split()[0]) if key in status else 0
