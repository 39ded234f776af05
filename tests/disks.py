"""Small disks for tests, to be filled and to fail."""

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.mosquitto import program


@contextmanager
def mounted(folder: Path, *words: str) -> Iterator[Path]:
    """Mount on `folder` what the words say to mount(8); skips the test where this user may not."""
    if os.geteuid() != 0:
        pytest.skip("mounting a disk needs root (CAP_SYS_ADMIN); run 'sudo make test' to include this test")
    folder.mkdir()
    done = subprocess.run(["mount", *words, str(folder)], capture_output=True, text=True, check=False)
    if done.returncode:
        what = f"mounting needs CAP_SYS_ADMIN, which this root lacks: {done.stderr.strip()}"
        (pytest.fail if os.environ.get("CI") else pytest.skip)(what)
    try:
        yield folder
    finally:
        subprocess.run(["umount", "--lazy", str(folder)], check=True)


class Card:
    """A memory card: an ext4 file system in a file, which turns read-only as a failing card does."""

    def __init__(self, image: Path, folder: Path) -> None:
        self._image = image
        self.folder = folder
        with image.open("wb") as file:
            file.truncate(32 * 1024 * 1024)
        subprocess.run([program("mkfs.ext4", "e2fsprogs"), "-q", str(image)], check=True)

    @contextmanager
    def mounted(self) -> Iterator[Path]:
        """Put it in."""
        with mounted(self.folder, "-o", "loop,errors=remount-ro", str(self._image)) as folder:
            yield folder
        self.folder.rmdir()

    def fail(self) -> None:
        """Let the kernel find an error on it, upon which it allows no more writing."""
        loops = subprocess.run(
            ["losetup", "--associated", str(self._image), "--output", "NAME", "--noheadings"],
            capture_output=True,
            text=True,
            check=True,
        )
        trigger = Path("/sys/fs/ext4") / Path(loops.stdout.split()[0]).name / "trigger_fs_error"
        if not trigger.exists():
            pytest.skip("this kernel cannot be told to find an error on a disk (ext4's trigger_fs_error)")
        trigger.write_text("tested")

    def mend(self) -> None:
        """Check it, as at the next start of the machine; it must be out."""
        found = subprocess.run(
            [program("e2fsck", "e2fsprogs"), "-f", "-y", str(self._image)], capture_output=True, check=False
        )
        assert found.returncode in (0, 1), found.stdout  # 1: errors were corrected (man 8 e2fsck)
