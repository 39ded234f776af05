"""The shed as it is now, in lines for a terminal of any width."""

from rich.text import Text

from dashboards.terminal.palette import QUIET, STRONG, VERDICT_STYLES
from dashboards.view import SYMBOLS, Reader, advice_words, bay_numbers, headline, reason_words
from forecast.outlook import ShedNow
from forecast.verdict import WORST_FIRST, BayNow

_NARROW = 60
_INDENT = 2
_GAP = 2


def now_text(now: ShedNow, reader: Reader, width: int) -> Text:
    """Return every bay, the worst first: verdict, why, what to do, and the numbers."""
    lines = [_title(now, reader)]
    for bay in sorted(now.bays, key=lambda bay: WORST_FIRST.index(bay.verdict)):
        lines += [Text(), *_bay_lines(bay, reader, width)]
    if not now.bays:
        lines += [Text(), Text("No bay is configured and none has been heard."), *_first_steps()]
    return Text("\n").join(lines)


def _title(now: ShedNow, reader: Reader) -> Text:
    local = now.at.astimezone(reader.zone)
    return Text.assemble((now.shed, STRONG), (f"  {local:%a %d %b %H:%M}", QUIET))


def _first_steps() -> list[Text]:
    return [Text("Try 'layday demo', or name your sensors in the configuration: 'layday check --settings'.")]


def _bay_lines(bay: BayNow, reader: Reader, width: int) -> list[Text]:
    badge = Text(f" {SYMBOLS[bay.verdict]} {bay.verdict.value.upper()} ", style=VERDICT_STYLES[bay.verdict])
    lines = [Text.assemble(badge, " ", (bay.bay, STRONG), "  ", headline(bay.verdict))]
    pad = " " * _INDENT
    if bay.reasons:
        why = [reason_words(reason, reader) for reason in bay.reasons]
        lines += [Text(line) for line in _wrapped(why, width - _INDENT, pad)]
    if advice := advice_words(bay):
        lines += [Text(line) for line in _wrapped([f"What to do: {advice}"], width - _INDENT, pad)]
    return lines + _number_lines(bay_numbers(bay, reader), width, pad)


def _number_lines(numbers: list[tuple[str, str]], width: int, pad: str) -> list[Text]:
    """Give name over value in columns, or one under the other where the terminal is narrow."""
    columns = [max(len(name), len(value)) for name, value in numbers]
    if width < _NARROW or sum(columns) + _GAP * len(columns) + _INDENT > width:
        widest = max(len(name) for name, _ in numbers)
        return [Text.assemble(pad, (f"{name:<{widest}}  ", QUIET), value) for name, value in numbers]
    gap = " " * _GAP
    heads = gap.join(f"{name:<{column}}" for (name, _), column in zip(numbers, columns, strict=True))
    values = gap.join(f"{value:<{column}}" for (_, value), column in zip(numbers, columns, strict=True))
    return [Text.assemble(pad, (heads.rstrip(), QUIET)), Text(pad + values.rstrip())]


def _wrapped(phrases: list[str], width: int, pad: str) -> list[str]:
    """Join phrases by semicolons into lines that fit."""
    words = "; ".join(phrases).split(" ")
    lines = [""]
    for word in words:
        if lines[-1] and len(lines[-1]) + 1 + len(word) > width:
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}" if lines[-1] else word
    return [pad + line for line in lines]
