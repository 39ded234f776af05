"""What every way of sending has in common: its limits, and what came back."""

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Protocol

from collector.errors import SourceError
from collector.secret_files import secret_path
from dashboards.notify.message import Weight


class Outcome(StrEnum):
    """What became of an attempt."""

    SENT = "sent"
    LATER = "later"
    REFUSED = "refused"


@dataclass(frozen=True, slots=True)
class Answer:
    """What came back: `words` are the service's own or the error's; `wait_s` [s] is what it asks to wait."""

    outcome: Outcome
    words: str
    wait_s: float | None = None


@dataclass(frozen=True, slots=True)
class Limits:
    """What a way of sending can carry.

    `head_chars` and `text_chars` are the longest it takes, `gap_s` [s] the least time between two messages.
    `edits` says that a message of the same thread takes the place of the last, `schedules` that it can hold
    one back itself, `pictures` that it takes one.
    """

    head_chars: int
    text_chars: int
    gap_s: float = 0.0
    edits: bool = False
    schedules: bool = False
    pictures: bool = False


@dataclass(frozen=True, slots=True)
class Outgoing:
    """A message as it goes out now. `key` names it for good; the same key twice is the same message."""

    key: str
    thread: str
    shed: str
    head: str
    text: str
    weight: Weight
    at: datetime
    picture_svg: str = ""


class Sender(Protocol):
    """A way to tell somebody. Nothing in it raises: what goes wrong is an answer."""

    @property
    def limits(self) -> Limits:
        """What it can carry."""
        ...

    def send(self, outgoing: Outgoing) -> Answer:
        """Send one message and say what came back; takes no longer than about half a minute."""
        ...

    def close(self) -> None:
        """Give up what it holds."""
        ...


def cut(words: str, chars: int) -> str:
    """Return words no longer than `chars`, with an ellipsis where something is missing.

    >>> cut("warm it by 02:10", 10)
    'warm it b…'
    """
    return words if len(words) <= chars else f"{words[: chars - 1]}…"


@dataclass(frozen=True, slots=True, repr=False)
class Secret:
    """A secret in a file, read when it is needed; never shown."""

    setting: str
    key: str

    def read(self) -> str:
        """Return the file's first line.

        Raises
        ------
        SourceError
            If it cannot be read or is empty; the text never shows the secret.
        """
        file = secret_path(self.setting, self.key)
        try:
            lines = file.read_text(encoding="utf-8").splitlines()
        except (OSError, UnicodeDecodeError) as error:
            reason = error.strerror if isinstance(error, OSError) else "not UTF-8 text"
            raise SourceError(f"{self.key} {file} cannot be read: {reason}") from error
        if not lines or not lines[0].strip():
            raise SourceError(f"{self.key} {file} has no secret on its first line")
        return lines[0].strip()

    def __repr__(self) -> str:
        return f"Secret({self.key})"
