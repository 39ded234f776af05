"""The box: units that systemd accepts, clean scripts, and an installer tried in a throw-away root."""

import os
import re
import shutil
import socket
import subprocess
import sys
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest

from tests.mosquitto import program

ROOT = Path(__file__).parents[2]
HARDWARE = ROOT / "hardware"
UNITS = sorted((HARDWARE / "systemd").glob("layday*.service"))
MOST_EXPOSED = 2.0


def _run(*words: str | Path, **options: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(  # type: ignore[call-overload,no-any-return]
        [str(word) for word in words], capture_output=True, text=True, check=False, timeout=500, **options
    )


def test_systemd_finds_no_fault_with_the_units(tmp_path: Path) -> None:
    program("systemd-analyze", "systemd")
    units = tmp_path / "etc/systemd/system"
    units.mkdir(parents=True)
    commands = tmp_path / "opt/layday/bin"
    commands.mkdir(parents=True)
    for name in ("layday", "layday-backup"):
        shutil.copy(shutil.which("true") or "/bin/true", commands / name)
    for unit in (HARDWARE / "systemd").glob("layday*.[st]*"):
        if unit.suffix in {".service", ".timer"}:
            shutil.copy(unit, units)
    shipped = Path("/usr/lib/systemd/system")
    shutil.copytree(shipped, tmp_path / "usr/lib/systemd/system", symlinks=True)
    names = sorted(unit.name for unit in units.iterdir())
    assert names == ["layday-backup.service", "layday-backup.timer", "layday.service"]
    said = _run("systemd-analyze", "verify", "--man=no", f"--root={tmp_path}", *names)
    faults = [line for line in said.stderr.splitlines() if "layday" in line]
    assert not faults
    (units / "layday.service").write_text("[Service]\nExecStart=/nowhere/layday\nMoon=full\n")
    said = _run("systemd-analyze", "verify", "--man=no", f"--root={tmp_path}", "layday.service")
    assert "Moon" in said.stderr, "the check sees a fault where there is one"


@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.stem)
def test_the_units_may_do_little(unit: Path) -> None:
    """At or below 2.0 of systemd's own ten-point exposure scale."""
    program("systemd-analyze", "systemd")
    said = _run("systemd-analyze", "security", "--offline=true", "--no-pager", unit)
    found = re.search(r"Overall exposure level for \S+: ([\d.]+)", said.stdout)
    assert found, said.stderr
    assert float(found[1]) <= MOST_EXPOSED


def test_the_scripts_are_clean() -> None:
    scripts = [
        HARDWARE / "install.sh",
        *(HARDWARE / "systemd" / name for name in ("layday", "layday-backup")),
    ]
    scripts += [ROOT / ".ci" / name for name in ("run", "debian", "venv")]
    said = _run(Path(sys.executable).with_name("shellcheck"), *scripts)
    assert said.returncode == 0, said.stdout


def test_a_dry_run_says_each_step_and_changes_nothing() -> None:
    said = _run("sh", HARDWARE / "install.sh", "--dry-run")
    assert said.returncode == 0, said.stderr
    assert "would run: python3 -m venv /opt/layday" in said.stdout
    assert "would run: systemctl enable --quiet layday.service layday-backup.timer" in said.stdout
    assert not Path("/opt/layday").exists()


@pytest.mark.parametrize(
    ("words", "answer"),
    [
        (("--user", "nobody-of-that-name", "--dry-run"), "there is no user 'nobody-of-that-name'"),
        (("--moon",), "does not know '--moon'"),
        (("--user",), "--user wants a name"),
    ],
)
def test_a_mistaken_call_is_answered_in_words(words: tuple[str, ...], answer: str) -> None:
    said = _run("sh", HARDWARE / "install.sh", *words)
    assert said.returncode == 1
    assert answer in said.stderr


@pytest.fixture
def box(tmp_path: Path) -> Iterator[Path]:
    """Give a root of its own: this machine's system below, all changes in a file system that goes away."""
    disk, root = tmp_path / "disk", tmp_path / "root"
    disk.mkdir()
    root.mkdir()
    made: list[Path] = []

    def mount(*words: str | Path, at: Path) -> None:
        said = _run("mount", *words, at)
        if said.returncode:
            what = f"a throw-away root needs mounts, which are not allowed here: {said.stderr.strip()}"
            (pytest.fail if os.environ.get("CI") else pytest.skip)(what)
        made.append(at)

    try:
        mount("-t", "tmpfs", "tmpfs", at=disk)
        for part in ("changes", "work"):
            (disk / part).mkdir()
        layers = f"lowerdir=/,upperdir={disk / 'changes'},workdir={disk / 'work'}"
        mount("-t", "overlay", "overlay", "-o", layers, at=root)
        for kernel in ("dev", "proc"):
            mount("--bind", f"/{kernel}", at=root / kernel)
        copy = root / "srv" / "layday"
        ignored = shutil.ignore_patterns(
            ".git", ".venv", ".*_cache", "__pycache__", ".hypothesis", "tests", "dist"
        )
        shutil.copytree(ROOT, copy, ignore=ignored)
        yield root
    finally:
        for at in reversed(made):
            _run("umount", "--lazy", at)


def _inside(box: Path, *words: str, user: str = "") -> subprocess.CompletedProcess[str]:
    """Run a command in the box, as root or as somebody; of this machine it knows only how to reach pip."""
    as_user = ["setpriv", f"--reuid={user}", f"--regid={user}", "--init-groups"] if user else []
    clean = {"PATH": "/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin", "HOME": "/root", "LANG": "C.UTF-8"}
    kept = {name: os.environ[name] for name in os.environ if name.startswith(("PIP_", "SSL_", "REQUESTS_"))}
    return _run("chroot", box, *as_user, *words, env=clean | kept)


@pytest.mark.slow
def test_the_installer_in_a_throw_away_root_twice_in_a_row(box: Path) -> None:
    """Installed, run as its own user by the unit's command, backed up, installed again, taken off."""
    inside = partial(_inside, box)
    said = inside("useradd", "--create-home", "builder")
    assert said.returncode == 0, said.stderr
    installer = ("sh", "/srv/layday/hardware/install.sh", "--user", "builder")
    first = inside(*installer)
    assert first.returncode == 0, first.stdout + first.stderr
    enabled = box / "etc/systemd/system/multi-user.target.wants/layday.service"
    assert enabled.is_symlink()
    assert "layday" in inside("id", "-nG", "builder").stdout.split()

    settings = box / "etc/layday/layday.toml"
    mine = settings.read_text().replace("host = ", "port = 18883\nhost = ")
    settings.write_text(mine)
    _run_daemon_for_a_moment(box)
    asked = inside("layday", "check", user="builder")
    assert "layday" in asked.stdout, asked.stderr
    cure = ("keel", "hull", "--card", "generic-vinyl-ester", "--percent", "1.5")
    started = inside("layday", "cure", "start", *cure, user="builder")
    assert started.returncode == 0, started.stderr
    backed_up = inside("/opt/layday/bin/layday-backup", user="layday")
    assert backed_up.returncode == 0, backed_up.stderr
    copies = sorted(copy.name[16:] for copy in (box / "var/lib/layday/backup").iterdir())
    assert copies == [".journal.sqlite", ".sqlite"]

    second = inside(*installer)
    assert second.returncode == 0, second.stdout + second.stderr
    assert "left as it is" in second.stdout
    assert settings.read_text() == mine

    off = inside("sh", "/srv/layday/hardware/install.sh", "--uninstall")
    assert off.returncode == 0, off.stderr
    assert not (box / "opt/layday").exists()
    assert not enabled.is_symlink()
    assert (box / "var/lib/layday/layday.sqlite").exists()
    assert settings.exists()


def _run_daemon_for_a_moment(box: Path) -> None:
    """Start the unit's own command as its own user, wait until it is ready as systemd would, and stop it."""
    unit = (HARDWARE / "systemd/layday.service").read_text()
    (command,) = re.findall(r"^ExecStart=(.*)$", unit, re.MULTILINE)
    words = box / "run" / "layday-notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as systemd:
        systemd.bind(str(words))
        systemd.settimeout(60)
        words.chmod(0o777)
        daemon = subprocess.Popen(
            ["chroot", box, "setpriv", "--reuid=layday", "--regid=layday", "--init-groups",
             "sh", "-c", f"umask 0007; exec {command}"],
            env={"PATH": "/usr/sbin:/usr/bin:/sbin:/bin", "NOTIFY_SOCKET": f"/run/{words.name}"},
        )  # fmt: skip
        try:
            assert systemd.recv(100) == b"READY=1"
        finally:
            daemon.terminate()
            assert daemon.wait(30) == 0
    words.unlink()
