"""Twelve questions in the trade's words: what the README quotes is what the commands say."""

from pathlib import Path

import pytest

from tests.questions import BEGIN, END, QUESTIONS, README, answers, section


@pytest.mark.slow
def test_the_twelve_answers_of_the_readme_are_what_the_commands_say(tmp_path: Path) -> None:
    found = answers(tmp_path)
    for question, code, _, errors in found:
        assert (code, errors) == (question.code, ""), question.words
    text = README.read_text(encoding="utf-8")
    quoted = BEGIN + text.partition(BEGIN)[2].partition(END)[0] + END
    assert quoted == section(found), "python -m tests.questions writes the answers anew"


def test_there_are_twelve_questions() -> None:
    assert len({question.words for question in QUESTIONS}) == 12
