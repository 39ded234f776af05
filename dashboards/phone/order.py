"""What the daemon tells the phone page's process: where to serve, whom to let in, what to draw from."""

import json
import re
from pathlib import Path
from typing import NamedTuple

from collector.errors import InputError, SourceError
from forecast.outlook_order import Order

CODE = "from dashboards.phone.service import main; main()"
_TOKEN = re.compile(r"[A-Za-z0-9_-]{16,200}")


class PhoneOrder(NamedTuple):
    """Where to serve, whom to let in, and the `Order` that outlooks are made by."""

    host: str
    port: int
    token: str
    names: tuple[str, ...]
    acknowledge: bool
    order: Order

    def line(self) -> bytes:
        """Return this order as one line of JSON; it goes through a pipe, where nobody else reads."""
        return json.dumps(self._asdict() | {"order": self.order._asdict()}).encode()


def read_phone_order(line: str) -> PhoneOrder:
    """Return the order that a line holds.

    Raises
    ------
    ValueError, TypeError, KeyError
        If it is none.
    """
    raw = json.loads(line)
    order = raw["order"] | {"card_folders": tuple(raw["order"]["card_folders"])}
    return PhoneOrder(**(raw | {"names": tuple(raw["names"]), "order": Order(**order)}))


def read_token(path: Path) -> str:
    """Return the token that a file holds.

    Raises
    ------
    SourceError
        If there is none, or it could be guessed.
    """
    try:
        token = path.read_text(encoding="ascii").strip()
    except (OSError, UnicodeDecodeError):
        raise SourceError(
            f"{path}: the phone page's token cannot be read; 'layday phone' makes one"
        ) from None
    if not _TOKEN.fullmatch(token):
        raise SourceError(
            f"{path}: a token has 16 or more letters and digits; remove it, and 'layday phone' makes one"
        )
    return token


def make_token(path: Path) -> str:
    """Return the token of a file; where there is no file, make it, to be read by its owner alone.

    Raises
    ------
    InputError, SourceError
        If it can be neither read nor made.
    """
    if path.exists():
        return read_token(path)
    from secrets import token_urlsafe  # the page's process, which must be small, makes none

    token = token_urlsafe(24)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.touch(mode=0o600, exist_ok=False)
        path.write_text(f"{token}\n", encoding="ascii")
    except OSError as error:
        raise InputError(f"{path}: the token cannot be written: {error.strerror}") from error
    return token
