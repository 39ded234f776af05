"""Our own colours. The word comes first, the symbol second, the colour third.

The four survive sixteen colours and the common kinds of colour blindness because they
differ in lightness as well as in hue.
"""

from rich.style import Style

from forecast.verdict import Verdict

VERDICT_STYLES = {
    Verdict.GO: Style(color="black", bgcolor="bright_cyan", bold=True),
    Verdict.TIGHT: Style(color="black", bgcolor="bright_yellow", bold=True),
    Verdict.NO_GO: Style(color="bright_white", bgcolor="red", bold=True),
    Verdict.NO_NEWS: Style(color="bright_white", bgcolor="magenta", bold=True),
}
QUIET = Style(dim=True)
STRONG = Style(bold=True)
