"""What a terminal can show: UTF-8 or ASCII only, braille or not; and what stands in for a sign it lacks."""

import codecs
from collections.abc import Mapping

_FONTS_WITHOUT_BRAILLE = ("linux", "dumb", "vt100", "vt102", "vt220", "ansi")
# each as wide as what it stands for, so that columns stay columns
STAND_INS = {"°": "'", "±": "~", "·": "*", "…": ":", "²": "2", "³": "3", "µ": "u"}
ERRORS = "layday-stand-in"
"""The name of the error handler that writes stand-ins."""


def speaks_utf8(environment: Mapping[str, str]) -> bool:
    """Say whether the locale that the terminal was started with is UTF-8.

    Python itself sets ``LC_CTYPE=C.UTF-8`` where no locale is named; that says nothing of the terminal.

    >>> speaks_utf8({"LANG": "en_IE.UTF-8"}), speaks_utf8({"LC_CTYPE": "C.UTF-8"}), speaks_utf8({})
    (True, False, False)
    """
    named = [environment.get(name, "") for name in ("LC_ALL", "LC_CTYPE", "LANG")]
    if not named[0] and named[1] == "C.UTF-8" and named[2] in {"", "C", "POSIX"}:
        return False
    first = next((name for name in named if name), "")
    return first.lower().replace("-", "").endswith("utf8")


def has_signs(encoding: str) -> bool:
    """Say whether an encoding has the signs of degree and of plus or minus.

    >>> has_signs("utf-8"), has_signs("latin-1"), has_signs("ascii")
    (True, True, False)
    """
    try:
        "°±".encode(encoding)
    except (LookupError, UnicodeError):
        return False
    return True


def has_braille(encoding: str, environment: Mapping[str, str]) -> bool:
    """Say whether charts may be drawn in braille dots."""
    return "utf" in encoding.lower() and environment.get("TERM", "") not in _FONTS_WITHOUT_BRAILLE


def in_ascii(words: str) -> str:
    """Return words in ASCII, each letter in its place.

    >>> in_ascii("part 18 °C …")
    "part 18 'C :"
    """
    swapped = (STAND_INS.get(letter, letter) for letter in words)
    return "".join(letter if letter.isascii() else "?" for letter in swapped)


def _stand_in(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return in_ascii(error.object[error.start : error.end]), error.end


codecs.register_error(ERRORS, _stand_in)
