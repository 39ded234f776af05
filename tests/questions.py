"""Twelve questions in the trade's words, each answered by one real command: `python -m tests.questions`.

It asks them of the shed in `tests/scenario.py` and writes the answers into the README. A test asks
again and compares.
"""

import re
import sys
from collections.abc import Iterator
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import dropwhile, groupby
from pathlib import Path
from tempfile import TemporaryDirectory

from collector.journal_book import Batch
from tests.scenario import EVENING, MORNING, NOON, ask, keep_outlook, lay, make_shed

README = Path(__file__).parent.parent / "README.md"
BEGIN, END = "<!-- questions -->", "<!-- /questions -->"
_FOLDED = 4  # lines that were told before
_CARD = "generic-vinyl-ester"
_CONFIG = """[heater]
bay = "keel"
power_kw = 9.0
tank_kg = 11.0

[windows]
work_from = "08:00"
work_until = "20:00"

[[job]]
name = "lay-up"
work_h = 3.0
layers = 12
card = "generic-vinyl-ester"
bays = ["keel"]
"""


@dataclass(frozen=True, slots=True)
class Question:
    """A question, the moment it is asked, what is typed, and the exit code (see DEVELOPERS.md)."""

    words: str
    at: datetime
    typed: tuple[str, ...]
    code: int = 0
    begins: str = ""
    """How the sentence begins that answers, where an earlier answer had it too."""


QUESTIONS = (
    Question("Can I lay up tomorrow, and when?", NOON, ("windows",)),
    Question("What percent do I kick it with?", NOON, ("mix", "-c", _CARD, "--bay", "keel", "-w", "35min")),
    Question(
        "How big a pot?",
        NOON,
        ("mix", "-c", _CARD, "-t", "21C", "-p", "1.5", "--area", "3m2", "--ply", "mat 450g/m2 x2"),
    ),
    Question("Is it too damp right now?", NOON, ("now",), 10),
    Question("It just went off: what now?", NOON, ("cure", "mark", "k1", "gel")),
    Question("When can I lay the next ply?", NOON, ("cure", "when", "k1", "ply")),
    Question("Will the heater spoil it?", NOON, ("heater",), 11),
    Question("Is it all right tonight?", EVENING, ("tonight",), 10),
    Question("When does the gas run out?", NOON, ("heater", "--bay", "keel"), 11, "Propane"),
    Question("When can I grind?", EVENING, ("cure", "when", "k1", "grind")),
    Question("Bond or sand?", MORNING, ("cure", "when", "k1", "ply")),
    Question("It went cold in the night: is it ruined?", MORNING, ("cure", "when", "s2")),
)


def questioned(folder: Path) -> Path:
    """Make the shed that is asked: two batches, outlooks of noon and evening; return its configuration."""
    config = make_shed(folder, more=_CONFIG)
    lay(folder, Batch("keel", "hull", _CARD, 1.75, "A7"), datetime(2026, 4, 22, 11, 35, tzinfo=UTC))
    lay(folder, Batch("sheer", "rudder", _CARD, 1.75, "A7"), datetime(2026, 4, 22, 17, 0, tzinfo=UTC))
    for at in (NOON, EVENING):
        keep_outlook(config, at)
    return config


def answers(folder: Path) -> list[tuple[Question, int, str, str]]:
    """Ask every question in order; return it with exit code, answer, and what went to standard error."""
    config = questioned(folder)
    found = []
    for question in QUESTIONS:
        done = ask(config, question.at, question.typed)
        found.append((question, done.returncode, done.stdout, done.stderr))
    return found


def section(found: list[tuple[Question, int, str, str]]) -> str:
    """Return the README's section, markers and all."""
    lines = [BEGIN]
    told: set[str] = set()
    for number, (question, _, said, _) in enumerate(found, 1):
        typed = " ".join(f"'{word}'" if " " in word else word for word in question.typed)
        answer = [line.rstrip() for line in said.strip("\n").splitlines()]
        lines += [
            f"<details><summary>{number}. <b>{question.words}</b> <code>layday {typed}</code></summary>"
        ]
        lines += [
            "",
            "```text",
            *_unfolded(answer, told.difference(_sentence(answer, question.begins))),
            "```",
            "",
            "</details>",
        ]
        told.update(answer)
    return "\n".join([*lines, END])


def _sentence(answer: list[str], begins: str) -> list[str]:
    """Return the lines of the sentence that begins so, as far as its full stop."""
    if not begins:
        return []
    rest = list(dropwhile(lambda line: not line.startswith(begins), answer))
    ends = next(index for index, line in enumerate(rest, 1) if line.endswith("."))
    return rest[:ends]


def _unfolded(answer: list[str], told: AbstractSet[str]) -> Iterator[str]:
    """Yield an answer's lines; four and more in a row that an earlier answer had stand as one ellipsis."""
    for is_told, lines in groupby(answer, told.__contains__):
        run = list(lines)
        yield from ["… (as above)"] if is_told and len(run) >= _FOLDED else run


def main() -> None:
    """Ask, and write the answers between the README's markers."""
    with TemporaryDirectory() as folder:
        found = answers(Path(folder))
    for question, code, said, errors in found:
        print(f"\n{question.words} {question.typed} -> {code}\n{said}{errors}")
        if code != question.code:
            sys.exit(f"{question.words} ended with {code}, not {question.code}")
    text = README.read_text(encoding="utf-8")
    new = re.sub(f"{BEGIN}.*{END}", lambda _: section(found), text, flags=re.DOTALL)
    README.write_text(new, encoding="utf-8")


if __name__ == "__main__":
    main()
