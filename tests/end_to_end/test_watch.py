"""The live screen on a real terminal (tmux): what it shows at four sizes, and what it leaves behind."""

import os
import re
import shlex
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from collector.clock import SystemClock
from tests.dashboards.watching import COLD_NIGHT, GOOD_DAY, Scene, watched
from tests.end_to_end.layday import COMMAND, until
from tests.mosquitto import program
from tests.proc import COUNTED, taken

SIZES = ((80, 24), (50, 20), (120, 40), (200, 60))
UTF8 = {"LANG": "C.UTF-8", "LC_ALL": "", "LC_CTYPE": ""}


class Terminal:
    """One tmux server of its own with one pane that runs a shell."""

    def __init__(self, folder: Path, size: tuple[int, int]) -> None:
        self._tmux = [program("tmux", "tmux"), "-u", "-S", str(folder / "tmux"), "-f", "/dev/null"]
        self._ask("new-session", "-d", "-s", "t", "-x", str(size[0]), "-y", str(size[1]), "sh")
        until(lambda: bool(self.shown().strip()), "a prompt: what is typed sooner may be lost", 20.0)

    def _ask(self, *words: str) -> str:
        return subprocess.run(
            [*self._tmux, *words], capture_output=True, text=True, check=True, timeout=20
        ).stdout

    def type(self, line: str) -> None:
        """Type a line and Enter."""
        self._ask("send-keys", "-t", "t", "-l", line)
        until(self._entered, f"the shell takes {line}", 20.0)

    def _entered(self) -> bool:
        """Press Enter, which a shell that has just started may lose, and say whether it was heard."""
        self._ask("send-keys", "-t", "t", "Enter")
        time.sleep(0.3)
        return self.pid() is not None or re.search(r"ended \d", self.shown()) is not None

    def press(self, key: str) -> None:
        self._ask("send-keys", "-t", "t", key)

    def resize(self, columns: int, rows: int) -> None:
        self._ask("resize-window", "-t", "t", "-x", str(columns), "-y", str(rows))

    def shown(self, *, with_colours: bool = False) -> str:
        return self._ask("capture-pane", "-t", "t", "-p", *(["-e"] if with_colours else []))

    def state(self) -> str:
        """Return whether the alternate screen, the mouse and the cursor are on."""
        return self._ask(
            "display-message", "-p", "-t", "t", "#{alternate_on} #{mouse_any_flag} #{cursor_flag}"
        ).strip()

    def pid(self) -> int | None:
        """Return the process that the shell runs."""
        shell = self._ask("display-message", "-p", "-t", "t", "#{pane_pid}").strip()
        found = children_of(int(shell))
        return found[0] if found else None

    def close(self) -> None:
        subprocess.run([*self._tmux, "kill-server"], check=False, capture_output=True)


@pytest.fixture
def terminals(tmp_path: Path) -> Iterator[list[Terminal]]:
    """Terminals that are closed afterwards."""
    opened: list[Terminal] = []
    yield opened
    for terminal in opened:
        terminal.close()


def line_of(folder: Path, environment: dict[str, str], *words: str, command: str = "watch") -> str:
    """Return the shell line that runs a command, `watch` unless told otherwise, on a shed."""
    given = " ".join(f"{name}={shlex.quote(value)}" for name, value in environment.items())
    here = shlex.quote(str(Path(__file__).parent.parent.parent))
    line = shlex.join([*COMMAND, "--config", str(folder / "layday.toml"), command, *words])
    return f"cd {here}; env {given} {line}; echo ended $?"


def open_watch(
    terminals: list[Terminal],
    folder: Path,
    size: tuple[int, int] = (80, 24),
    environment: dict[str, str] | None = None,
    scene: Scene = GOOD_DAY,
) -> Terminal:
    """Open a terminal with the screen of a shed whose readings are of just now."""
    watched(folder, scene, clock=SystemClock())
    terminal = Terminal(folder, size)
    terminals.append(terminal)
    terminal.type(line_of(folder, UTF8 if environment is None else environment))
    until(lambda: is_whole(terminal.shown()), f"the screen: {terminal.shown()}", 30.0)
    return terminal


def children_of(pid: int) -> list[int]:
    """Return the processes that a process started."""
    found = subprocess.run(["pgrep", "-P", str(pid)], capture_output=True, text=True, check=False)
    return [int(one) for one in found.stdout.split()]


def is_running(pid: int) -> bool:
    """Say whether a process is there and no zombie."""
    try:
        state = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()[0]
    except OSError:
        return False
    return state != "Z"


def is_whole(shown: str) -> bool:
    """Say whether first and last line are there; in between a terminal may still be painting."""
    return "readings" in shown and "q quit" in shown


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
def test_at_four_sizes_the_first_matter_and_the_keys_are_there(
    terminals: list[Terminal], tmp_path: Path, size: tuple[int, int]
) -> None:
    terminal = open_watch(terminals, tmp_path, size)
    lines = terminal.shown().splitlines()
    assert lines[0].startswith(" tunnel  ")
    assert re.search(r"readings \d+ (s|min) old", lines[0])
    assert lines[1].strip() == "+ GO  every bay"
    assert "q quit" in lines[size[1] - 1]
    assert any("k1 hull, keel" in line for line in lines)
    if size[0] >= 80:  # there is room for the chart, in braille
        assert any(0x2801 <= ord(letter) <= 0x28FF for letter in "".join(lines))


def test_a_console_without_braille_gets_letters(terminals: list[Terminal], tmp_path: Path) -> None:
    terminal = open_watch(terminals, tmp_path, environment=UTF8 | {"TERM": "linux"})
    shown = terminal.shown()
    assert not any(ord(letter) >= 0x2500 for letter in shown)
    assert "ppp" in shown
    assert "°C" in shown


def test_without_utf8_it_is_all_ascii(terminals: list[Terminal], tmp_path: Path) -> None:
    terminal = open_watch(terminals, tmp_path, environment={"LC_ALL": "C"})
    assert terminal.shown().isascii()
    terminal.press("b")
    until(lambda: "###" in terminal.shown(), "the big word")
    assert terminal.shown().isascii()


def test_without_colour_the_words_tell(terminals: list[Terminal], tmp_path: Path) -> None:
    terminal = open_watch(terminals, tmp_path, environment=UTF8 | {"NO_COLOR": "1"}, scene=COLD_NIGHT)
    shown = terminal.shown(with_colours=True)
    coloured = re.findall(r"\x1b\[[\d;]*?(?:3[1-6]|4[1-6]|9[1-6]|10[1-6])m", shown)
    assert coloured == []
    assert "OFF TRACK" in shown


def test_it_follows_a_terminal_that_changes_its_size(terminals: list[Terminal], tmp_path: Path) -> None:
    terminal = open_watch(terminals, tmp_path, (120, 40))
    terminal.resize(50, 20)
    until(
        lambda: "q quit" in terminal.shown().splitlines()[19], "the keys on the last line of the smaller one"
    )
    assert "part 20" in terminal.shown() or "part 19" in terminal.shown() or "part 21" in terminal.shown()


def test_a_key_turns_the_big_word_on(terminals: list[Terminal], tmp_path: Path) -> None:
    terminal = open_watch(terminals, tmp_path)
    terminal.press("b")
    until(lambda: "██" in terminal.shown(), "big letters")


@pytest.mark.parametrize("number", ["SIGTERM", "SIGHUP", "SIGINT", "SIGQUIT", "SIGUSR1"])
def test_every_signal_gives_the_terminal_back(terminals: list[Terminal], tmp_path: Path, number: str) -> None:
    terminal = open_watch(terminals, tmp_path)
    assert terminal.state().split()[0] == "1"
    pid = terminal.pid()
    assert pid is not None
    subprocess.run(["kill", f"-{getattr(signal, number).value}", str(pid)], check=True)
    until(lambda: "ended " in terminal.shown(), f"it ends: {terminal.shown()}")
    assert terminal.state() == "0 0 1"
    assert "Traceback" not in terminal.shown()


def test_it_ends_with_its_terminal(terminals: list[Terminal], tmp_path: Path) -> None:
    terminal = open_watch(terminals, tmp_path)
    pid = terminal.pid()
    assert pid is not None
    terminal.close()
    until(lambda: not is_running(pid), "its end", 30.0)


@pytest.mark.parametrize("words", [(), ("--plain",)], ids=["drawn", "plain"])
def test_the_demo_ends_with_its_terminal_and_leaves_nothing(
    terminals: list[Terminal], tmp_path: Path, words: tuple[str, ...]
) -> None:
    watched(tmp_path, clock=SystemClock())
    room = tmp_path / "room"
    room.mkdir()
    terminal = Terminal(tmp_path, (80, 24))
    terminals.append(terminal)
    terminal.type(line_of(tmp_path, UTF8 | {"TMPDIR": str(room)}, *words, command="demo"))
    pid = terminal.pid()
    assert pid is not None
    until(lambda: len(children_of(pid)) > 1, "what it starts", 60.0)
    if not words:
        until(lambda: is_whole(terminal.shown()), f"the screen: {terminal.shown()}", 60.0)
    started = children_of(pid)
    assert [folder.name.startswith("layday-demo-") for folder in room.iterdir()] == [True]
    terminal.close()
    until(lambda: not any(map(is_running, (pid, *started))), "the end of it and of what it started", 30.0)
    assert list(room.iterdir()) == []


def test_where_a_screen_hangs_on_a_terminal_that_is_gone_all_is_taken_down(tmp_path: Path) -> None:
    """What is still to be written never ends then; here it sleeps instead."""
    code = (
        "import sys, time; from pathlib import Path; from dashboards import watch_program as w;"
        "w._TERMINAL_EVERY_S = 0.05\n"
        "with w._no_longer_than_the_terminal(Path(sys.argv[1]).touch): print(flush=True); time.sleep(60)"
    )
    ours, theirs = os.openpty()
    with subprocess.Popen(
        [sys.executable, "-c", code, str(tmp_path / "taken down")], stdout=subprocess.PIPE, stderr=theirs
    ) as screen:
        assert screen.stdout is not None
        screen.stdout.readline()
        os.close(theirs)
        os.close(ours)
        assert screen.wait(20.0) == 128 + signal.SIGHUP
    assert (tmp_path / "taken down").exists()


@pytest.mark.parametrize("key", ["q", "C-c"])
def test_q_and_ctrl_c_end_it_with_success(terminals: list[Terminal], tmp_path: Path, key: str) -> None:
    terminal = open_watch(terminals, tmp_path)
    terminal.press(key)
    until(lambda: "ended 0" in terminal.shown(), "success")
    assert terminal.state() == "0 0 1"


def test_the_demo_draws_it_over_a_simulated_shed(terminals: list[Terminal], tmp_path: Path) -> None:
    watched(tmp_path, clock=SystemClock())
    terminal = Terminal(tmp_path, (80, 24))
    terminals.append(terminal)
    terminal.type(line_of(tmp_path, UTF8, command="demo"))
    until(lambda: is_whole(terminal.shown()), f"the screen: {terminal.shown()}", 60.0)
    until(lambda: "k1 hull, keel" in terminal.shown(), f"its cure: {terminal.shown()}", 60.0)
    assert "simulated_tunnel" in terminal.shown()
    terminal.press("C-c")
    until(lambda: "ended 0" in terminal.shown(), f"success: {terminal.shown()}", 30.0)


def test_it_stops_by_itself_when_told_for_how_long(terminals: list[Terminal], tmp_path: Path) -> None:
    watched(tmp_path, clock=SystemClock())
    terminal = Terminal(tmp_path, (80, 24))
    terminals.append(terminal)
    terminal.type(line_of(tmp_path, UTF8, "--for", "2"))
    until(lambda: "ended 0" in terminal.shown(), "its end", 30.0)


def test_without_a_terminal_it_says_what_to_use_instead(tmp_path: Path) -> None:
    watched(tmp_path, clock=SystemClock())
    done = subprocess.run(
        [*COMMAND, "--config", str(tmp_path / "layday.toml"), "watch"],
        capture_output=True, text=True, check=False, timeout=30, stdin=subprocess.DEVNULL,
    )  # fmt: skip
    assert done.returncode == 2
    assert "layday watch --plain" in done.stderr


def test_plain_prints_a_sentence_per_change_and_never_redraws(tmp_path: Path) -> None:
    watched(tmp_path, clock=SystemClock())
    began_s = time.monotonic()
    words = ("watch", "--plain", "--every", "1", "--for", "3")
    done = subprocess.run(
        [*COMMAND, "--config", str(tmp_path / "layday.toml"), *words],
        capture_output=True, text=True, check=False, timeout=60,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert time.monotonic() - began_s < 30.0
    assert "\x1b" not in done.stdout
    lines = done.stdout.splitlines()
    assert sum(" keel: go" in line for line in lines) == 1
    assert sum(" k1 (hull, keel): " in line for line in lines) == 1


def test_now_loads_nothing_of_the_hours_ahead() -> None:
    """`layday now` answers in a blink: what is forecast, and how, is loaded only by those who ask for it."""
    code = (
        "import sys, dashboards.commands.now;"
        "print([n for n in ('forecast.window', 'forecast.outlook', 'forecast.resin') if n in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.skipif(COUNTED, reason="counting lines loads modules of its own")
def test_the_screen_holds_nothing_that_only_commands_need() -> None:
    """Start and memory: no fitting library, no broker, no listener; nothing that reads a configuration."""
    code = (
        "import sys, dashboards.watch_program, dashboards.terminal.screens.watch;"
        "heavy = ('sklearn', 'pandas', 'scipy', 'paho', 'forecast.forecaster', 'forecast.start_odds',"
        " 'numpy', 'pydantic', 'typer', '_hashlib');"
        "print([name for name in heavy if name in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", "import sys; sys.modules['ssl'] = None;" + code],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert done.stdout.strip() == "[]"


@pytest.mark.skipif(COUNTED, reason="counting lines takes memory of its own")
def test_it_stays_small(terminals: list[Terminal], tmp_path: Path) -> None:
    """Asked: under 45 MB, libraries that other programs share among them; it takes some 37."""
    terminal = open_watch(terminals, tmp_path)
    pid = terminal.pid()
    assert pid is not None
    assert taken(pid).memory_mb < 42
