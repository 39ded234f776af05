"""A demo's folder goes away with it; one that a killed demo left goes with the next; nothing else does."""

import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from dashboards.demo_folder import demo_folder

CODE = """
from dashboards.demo_folder import demo_folder
with demo_folder() as folder:
    (folder / "layday.sqlite").touch()
    (folder / "messages.jsonl").touch()
    print(folder, flush=True)
    input()
"""


@pytest.fixture
def room(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder for temporary files."""
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr(tempfile, "tempdir", None)
    return tmp_path


@contextmanager
def another_demo() -> Iterator[tuple[subprocess.Popen[str], Path]]:
    """Run a process that holds a demo's folder; it is killed in the end."""
    with subprocess.Popen(
        [sys.executable, "-c", CODE], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        try:
            yield process, Path(process.stdout.readline().strip())
        finally:
            process.kill()


def test_it_goes_away_with_its_demo(room: Path) -> None:
    with demo_folder() as folder:
        assert folder.parent == room
        (folder / "layday.toml").touch()
    assert list(room.iterdir()) == []


def test_one_that_a_killed_demo_left_goes_with_the_next(room: Path) -> None:
    with another_demo() as (process, left):
        process.kill()
        process.wait(10.0)
        assert (left / "layday.sqlite").exists()
        with demo_folder() as folder:
            assert list(room.iterdir()) == [folder]


def test_one_whose_demo_runs_stays(room: Path) -> None:
    with another_demo() as (_, theirs), demo_folder() as ours:
        assert set(room.iterdir()) == {ours, theirs}
        assert (theirs / "layday.sqlite").exists()


def test_what_no_demo_made_stays(room: Path) -> None:
    """A folder without a lock, one with somebody's own file or folder in it, a link, and a plain file."""
    elsewhere = room / "elsewhere"
    unlocked, noted, filled = (room / f"layday-demo-{name}" for name in ("unlocked", "noted", "filled"))
    for folder in (elsewhere, unlocked, noted, filled, filled / "layday.d"):
        folder.mkdir()
    for folder in (elsewhere, noted, filled):
        (folder / "demo.lock").touch()
    for file in (elsewhere / "layday.sqlite", unlocked / "layday.sqlite", noted / "layday.sqlite"):
        file.touch()
    (filled / "layday.sqlite").touch()
    (noted / "notes.txt").write_text("mine", encoding="utf-8")
    (filled / "layday.d" / "notes.txt").write_text("mine", encoding="utf-8")
    (room / "layday-demo-link").symlink_to(elsewhere)
    (room / "layday-demo-file").touch()
    before = sorted(room.rglob("*"))
    with demo_folder() as folder:
        assert sorted(file for file in room.rglob("*") if folder not in (file, *file.parents)) == before
