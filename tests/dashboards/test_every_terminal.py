"""Every answer on every terminal: narrow or wide, without UTF-8, on the Linux console; and in sentences."""

import io
import re
import sys
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import pytest

from collector.clock import SystemClock
from dashboards.cli import main
from tests.dashboards.watching import AT, COLD_NIGHT, watched

Say = Callable[..., str]
COMMANDS = (
    (),
    ("now",),
    ("tonight",),
    ("windows",),
    ("plan", "JOBS"),
    ("mix", "-c", "generic-vinyl-ester", "-t", "18C", "-w", "35min"),
    ("cure", "list"),
    ("cure", "show", "k1"),
    ("cure", "when", "k1"),
    ("resin", "list"),
    ("resin", "show", "generic-vinyl-ester"),
    ("resin", "check", "generic-vinyl-ester"),
    ("check",),
    ("store",),
    ("schema",),
    ("--help",),
    ("cure", "--help"),
)
WIDTHS = (50, 80, 120, 200)
_BOXES_AND_DOTS = re.compile(r"[─-⣿]")
# the hours of windows, as wide as there is room; and room on the disk, which others use too
_MARKS = re.compile(r"[.#+]+|\d+|[A-Z][a-z]{2}")


@pytest.fixture(scope="module")
def shed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A cold night with a cure and an outlook."""
    folder = tmp_path_factory.mktemp("s")
    watched(folder, COLD_NIGHT)
    (folder / "JOBS").write_text('[[job]]\nname = "hull"\nbay = "keel"\nwork_h = 4.0\n', encoding="utf-8")
    return folder / "layday.toml"


@pytest.fixture
def say(shed: Path, monkeypatch: pytest.MonkeyPatch) -> Say:
    """Run a command in this process on a terminal of some width, encoding and kind; return what it prints."""

    def run(*words: str, width: int = 80, encoding: str = "utf-8", term: str = "xterm") -> str:
        kept = io.BytesIO()
        with monkeypatch.context() as there:
            there.setattr(SystemClock, "now", lambda _: AT)
            for name, value in (("COLUMNS", str(width)), ("TERM", term), ("NO_COLOR", "1")):
                there.setenv(name, value)
            there.chdir(shed.parent)
            there.setattr(sys, "argv", ["layday", "--config", str(shed), *words])
            there.setattr(sys, "stdout", io.TextIOWrapper(kept, encoding=encoding))
            with suppress(SystemExit):
                main()
            sys.stdout.flush()
            return kept.getvalue().decode(encoding)

    return run


@pytest.mark.parametrize("words", COMMANDS, ids=" ".join)
def test_an_answer_fits_and_no_word_is_cut(say: Say, words: tuple[str, ...]) -> None:
    whole = set(say(*words, width=200).split())
    for width in WIDTHS:
        said = say(*words, width=width)
        too_long = [line for line in said.splitlines() if len(line) > width and "/" not in line]  # not a path
        assert too_long == [], width
        cut = [word for word in said.split() if word not in whole and not _MARKS.fullmatch(word)]
        assert words[-1:] == ("--help",) or cut == [], width


@pytest.mark.parametrize("words", COMMANDS, ids=" ".join)
def test_without_utf8_nothing_is_lost_and_columns_stay(say: Say, words: tuple[str, ...]) -> None:
    said, whole = say(*words, encoding="ascii"), say(*words)
    assert said.count("?") == whole.count("?")
    assert re.findall(r"[\w.]+", said) == re.findall(r"[\w.]+", whole.replace("°", "").replace("·", "*"))


@pytest.mark.parametrize("words", COMMANDS, ids=" ".join)
def test_the_linux_console_gets_letters_only(say: Say, words: tuple[str, ...]) -> None:
    assert not _BOXES_AND_DOTS.search(say(*words, term="linux", width=50))


@pytest.mark.parametrize("words", [words for words in COMMANDS if words[-1:] != ("--help",)], ids=" ".join)
def test_plain_is_a_sentence_a_line(say: Say, words: tuple[str, ...]) -> None:
    """For ears: no columns, nothing broken over lines, no mark for a word, no colour."""
    said = say(*words, "--plain", width=50)
    assert "\x1b" not in said
    for line in said.splitlines():
        assert_spoken(line)


def assert_spoken(line: str) -> None:
    """One sentence without a mark or columns, a colon at most, nothing doubled, and an end."""
    assert line == line.strip()
    assert "  " not in line
    assert not line.startswith(("+ ", "! ", "x ", "~ ", "- ", "? "))
    assert line.count(": ") <= 1
    assert not re.search(r"[.,:;!?][.,:;!?]|[.!?] [A-Z]", line.replace("...", ""))
    assert " " not in line or line.endswith((".", "?", "!"))


WRONG = (
    ("nwo",),
    ("now", "--at", "yesterday"),
    ("now", "-x"),
    ("mix", "-c", "nope", "-t", "18C"),
    ("mix", "-c", "generic-vinyl-ester", "-t", "18"),
    ("cure", "show", "k9"),
    ("cure", "mark"),
    ("cure", "when", "paint"),
    ("resin", "show", "nope"),
    ("plan", "none.toml"),
    ("export",),
    ("cup", "27min"),
    ("import", "none.csv"),
    ("alarms",),
    ("alarms", "list"),
    ("yard",),
    ("--store", "none.sqlite", "now"),
)


@pytest.mark.parametrize("words", WRONG, ids=" ".join)
def test_a_mistake_is_told_in_one_sentence_that_says_what_to_do(
    say: Say, capsys: pytest.CaptureFixture[str], words: tuple[str, ...]
) -> None:
    assert say(*words, "--plain") == ""
    told = capsys.readouterr().err.splitlines()
    assert len(told) == 1
    assert_spoken(told[0])
    assert say(*words) == ""
    assert capsys.readouterr().err.splitlines()[-1].startswith("layday: ")  # after a bar of progress
    assert len(told[0]) > 20


@pytest.mark.parametrize("width", [50, 80, 120])
def test_a_sensor_is_one_row_at_every_width(say: Say, width: int) -> None:
    rows = [
        line for line in say("check", width=width).splitlines() if line.startswith(("  keel.", "  sheer."))
    ]
    assert len(rows) == 6
    assert all(row.endswith(" 0 s ago") for row in rows)


@pytest.mark.parametrize("width", [50, 80, 120])
def test_the_hours_ahead_keep_their_rows_beside_the_chart(say: Say, width: int) -> None:
    lines = say("ahead", width=width).splitlines()
    assert [line for line in lines if len(line) > width] == []
    hours = [line for line in lines if re.match(r"(\w{3} )?\d\d:\d\d +\d", line)]
    assert len(hours) == 2 * 15
    assert all(line.count("(") == line.count(")") == 3 for line in hours)


def test_the_hours_ahead_are_told_for_ears(say: Say) -> None:
    said = say("ahead", "--plain").splitlines()
    assert {line.split(",")[0] for line in said[1:]} == {"keel", "sheer"}
    for line in said:
        assert_spoken(line)


def test_a_heater_is_told_on_narrow_terminals_and_for_ears(say: Say) -> None:
    """It fits the shed first, which takes seconds, so once each."""
    said = say("heater", width=50)
    assert [line for line in said.splitlines() if len(line) > 50] == []
    for line in say("heater", "--plain").splitlines():
        assert_spoken(line)


def test_plain_names_every_sensor_with_its_unit(say: Say) -> None:
    said = say("check", "--plain").splitlines()
    assert "Daemon, not well: layday run has never used this store." in said
    assert "keel.humidity_pct: good, 76.1 %, 0 s ago." in said
    assert "keel.part_c: good, 16.94 °C, 0 s ago." in said
    assert said[-1] == "No messages put aside."


def test_plain_says_of_every_number_of_a_card_which_table_it_is_from(say: Say) -> None:
    said = say("resin", "show", "generic-vinyl-ester", "--plain").splitlines()
    assert "Gel: 20.0 °C, 1.75 %, 28 to 38 min." in said
    assert "Tack-free, from mixing: 20.0 °C, 2.5 h." in said


def test_numbers_without_a_sign_of_degree_keep_their_unit(say: Say) -> None:
    said = say("now", encoding="ascii")
    assert "margin 2.9 C is below 3.0 C" in said
    assert "+/-" in said
    assert "'" not in said
