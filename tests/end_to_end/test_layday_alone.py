"""`layday` alone and mistyped words: what it knows, what to type next, what was probably meant."""

import re
import shlex
import shutil
import subprocess
from datetime import timedelta
from pathlib import Path

import pytest

from collector.clock import SystemClock
from collector.domain import Reading
from collector.store.opening import open_store
from tests.end_to_end.layday import COMMAND, Layday, sensor_lines

QUANTITIES = ("air_c", "humidity_pct", "part_c")


@pytest.fixture
def shed(tmp_path: Path) -> Layday:
    """A shed whose store holds good air up to now."""
    shed = Layday(tmp_path, sensor_lines("tunnel/keel/node", QUANTITIES))
    now = SystemClock().now()
    store = open_store(tmp_path / "layday.sqlite")
    moments = [now - timedelta(minutes=minutes) for minutes in range(30)]
    good = dict(zip(QUANTITIES, (20.0, 60.0, 19.0), strict=True))
    store.add([Reading(f"keel.{name}", at, value, at) for at in moments for name, value in good.items()])
    store.close()
    return shed


def test_alone_it_says_what_it_knows_and_what_to_type(shed: Layday) -> None:
    answer = shed.ask()
    assert answer.returncode == 0, answer.stderr
    assert "+ keel: go, fit to glass" in answer.stdout
    assert "layday mix -c CARD --bay keel -w 35min" in answer.stdout
    shed.ask("cure", "start", "keel", "hull", "-c", "generic-vinyl-ester", "-p", "1.5")
    assert "layday cure mark k1 gel when it goes off" in " ".join(shed.ask().stdout.split())


def test_alone_in_plain_sentences_and_narrow(shed: Layday) -> None:
    assert "layday --help: the rest.\n" in shed.ask("--plain").stdout
    narrow = shed.ask(env={"COLUMNS": "50"}).stdout
    assert max(map(len, narrow.splitlines())) <= 50


def test_a_terminal_that_lacks_a_sign_still_gets_its_answer(shed: Layday) -> None:
    answer = shed.ask("now", env={"PYTHONIOENCODING": "ascii"})
    assert answer.returncode == 0, answer.stderr
    assert "20.0 C" in answer.stdout


def test_alone_without_readings_it_says_how_to_begin(tmp_path: Path) -> None:
    answer = Layday(tmp_path, "").ask()
    assert answer.returncode == 12
    assert answer.stdout.startswith("Nothing has been measured yet.")
    assert "layday listen" in answer.stdout


def test_alone_it_loads_no_data_science(shed: Layday) -> None:
    code = (
        "import sys; from dashboards.commands import overview; "
        "print({'pandas', 'sklearn', 'scipy', 'textual'} & set(sys.modules))"
    )
    done = subprocess.run([COMMAND[0], "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "set()"


def test_a_mistyped_word_is_told_with_what_was_meant(shed: Layday) -> None:
    for words, said in (
        (("nwo",), "'nwo' is no command; did you mean 'now'?"),
        (("xyzzy",), "'layday --help' lists them"),
        (("cure", "start", "kell", "hull"), "did you mean 'keel'?"),
        (
            ("mix", "-c", "generic-vinylester", "-t", "20C", "-p", "1.5"),
            "did you mean 'generic-vinyl-ester'?",
        ),
        (("schema", "tonigt"), "did you mean 'tonight'?"),
    ):
        answer = shed.ask(*words)
        assert answer.returncode == 2, words
        assert said in answer.stderr


def test_help_goes_by_the_phases_of_the_work(shed: Layday) -> None:
    text = shed.ask("--help").stdout
    phases = [text.index(f"  {phase}") for phase in ("BEFORE", "WHILE WET", "OVERNIGHT", "AFTER", "SEASON")]
    assert phases == sorted(phases)


_BASH = """
eval "$(_LAYDAY_COMPLETE=source_bash layday)"
COMP_WORDS=(layday s) COMP_CWORD=1
_layday_completion layday
printf '%s\n' "${COMPREPLY[@]}"
"""
# what zsh would offer is handed to _arguments; outside its line editor that only exists if it is made
_ZSH = """
compdef() { }
_arguments() { print -r -- "$@" }
eval "$(_LAYDAY_COMPLETE=source_zsh layday)"
words=(layday s) CURRENT=2
_layday_completion
"""
_FISH = """
_LAYDAY_COMPLETE=source_fish layday | source
complete --do-complete "layday s"
"""


@pytest.mark.parametrize(("shell", "script"), [("bash", _BASH), ("zsh", _ZSH), ("fish", _FISH)])
def test_the_shell_is_told_the_commands(shell: str, script: str, tmp_path: Path) -> None:
    """In the shell itself, by the script that --install-completion puts there."""
    there = shutil.which(shell)
    if there is None:
        pytest.skip(f"Debian's package {shell} is not installed")
    command = tmp_path / "layday"
    command.write_text(f'#!/bin/sh\nexec {shlex.join(COMMAND)} "$@"\n')
    command.chmod(0o755)
    env = {
        "PATH": f"{tmp_path}:/usr/bin:/bin",
        "HOME": str(tmp_path),
        "LC_ALL": "C.UTF-8",
        "PYTHONPATH": str(Path(__file__).parent.parent.parent),
    }
    done = subprocess.run(
        [there, "-c", script], capture_output=True, text=True, check=False, timeout=60, env=env
    )
    for name in ("store", "salt", "schema"):
        assert re.search(rf"\b{name}\b", done.stdout), done
    assert "tonight" not in done.stdout
