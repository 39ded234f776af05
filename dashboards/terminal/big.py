"""Big letters, to be read from across the shed: our own, five lines high."""

from collections.abc import Mapping
from types import MappingProxyType

_ROWS = 5
_SLIM = 0.5  # a dot one cell wide: the smallest that can be read
_SHAPES: Mapping[str, str] = MappingProxyType(
    {
        "A": " ## |#  #|####|#  #|#  #",
        "C": " ###|#   |#   |#   | ###",
        "E": "####|#   |### |#   |####",
        "F": "####|#   |### |#   |#   ",
        "G": " ###|#   |# ##|#  #| ###",
        "H": "#  #|#  #|####|#  #|#  #",
        "I": "###| # | # | # |###",
        "K": "#  #|# # |##  |# # |#  #",
        "N": "#   #|##  #|# # #|#  ##|#   #",
        "O": " ## |#  #|#  #|#  #| ## ",
        "R": "### |#  #|### |# # |#  #",
        "S": " ###|#   | ## |   #|### ",
        "T": "#####|  #  |  #  |  #  |  #  ",
        "W": "#   #|#   #|# # #|# # #| # # ",
        "0": " ## |#  #|#  #|#  #| ## ",
        "1": " # |## | # | # |###",
        "2": "### |   #| ## |#   |####",
        "3": "### |   #| ## |   #|### ",
        "4": "#  #|#  #|####|   #|   #",
        "5": "####|#   |### |   #|### ",
        "6": " ## |#   |### |#  #| ## ",
        "7": "####|   #|  # | #  | #  ",
        "8": " ## |#  #| ## |#  #| ## ",
        "9": " ## |#  #| ###|   #| ## ",
        "-": "   |   |###|   |   ",
        ".": "  |  |  |  |##",
        ":": " |#| |#| ",
        "%": "#  #|  # | #  |#  #|    ",
        "°": "###|# #|###|   |   ",
        "h": "#   |#   |### |#  #|#  #",
        "m": "     |     |#### |# # #|# # #",
        "i": "#| |#|#|#",
        "n": "    |    |### |#  #|#  #",
        "s": "    | ###| ## |   #|### ",
        "d": "   #|   #| ###|#  #| ###",
        "a": "    | ## |  ##|# #|####",
        "y": "    |#  #| ###|   #| ## ",
        " ": "  |  |  |  |  ",
    }
)


def big_lines(words: str, width: int, height: int, ink: str = "#") -> list[str]:
    """Return words in big letters, as large as fits; as they are where even the smallest does not.

    Several words stand under each other where they are larger that way.

    Parameters
    ----------
    words : str
        Capitals, digits and a few signs; others are left out.
    width, height : int
        The room there is, in cells and lines.
    ink : str
        The letter to paint with.

    >>> big_lines("I", 10, 5)
    ['###', ' # ', ' # ', ' # ', '###']
    """
    stacks = [[words], words.split(" ")]
    tall, stack = max(((_fits(stack, width, height), stack) for stack in stacks), key=lambda fit: fit[0])
    if not tall:
        return [words]
    lines: list[str] = []
    for word in stack:
        lines += [""] if lines else []
        lines += _painted(word, tall, ink)
    return lines


def _rows(word: str) -> list[str]:
    shapes = [_SHAPES[letter].split("|") for letter in word if letter in _SHAPES]
    return [" ".join(shape[i].ljust(max(map(len, shape))) for shape in shapes) for i in range(_ROWS)]


def _fits(stack: list[str], width: int, height: int) -> float:
    """Return how many lines high a dot may be; a dot is twice as wide as high, cells being narrow."""
    wide = max(len(_rows(word)[0]) for word in stack)
    rooms = (height - (len(stack) - 1)) // (_ROWS * len(stack))
    fit = min(rooms, width // (2 * wide))
    return fit if fit or not (rooms and width >= wide) else _SLIM


def _painted(word: str, tall: float, ink: str) -> list[str]:
    across, down = (1, 1) if tall == _SLIM else (2 * int(tall), int(tall))
    return [
        "".join((ink if mark == "#" else " ") * across for mark in row).rstrip()
        for row in _rows(word)
        for _ in range(down)
    ]
