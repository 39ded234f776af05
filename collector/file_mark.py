"""Whether somebody has written to a SQLite file, without opening it."""

from pathlib import Path


def file_mark(path: Path) -> object:
    """Return what changes when somebody writes to a SQLite file: its and its log's size and time."""
    marks = []
    for file in (path, path.with_name(f"{path.name}-wal")):
        try:
            stat = file.stat()
        except OSError:
            continue
        marks.append((stat.st_mtime_ns, stat.st_size))
    return tuple(marks)
