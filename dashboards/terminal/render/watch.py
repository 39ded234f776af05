"""The live screen in lines, for a terminal of any size. Pure: what is known in, text out."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import timedelta

from rich.style import Style
from rich.text import Text

from collector.clock import to_us
from collector.units import shown_temperature
from dashboards.terminal.big import big_lines
from dashboards.terminal.chart import Course, Frame, Spread, chart_lines
from dashboards.terminal.palette import QUIET, STRONG, VERDICT_STYLES
from dashboards.terminal.render.now import wrapped
from dashboards.terminal.signs import in_ascii
from dashboards.view import SYMBOLS, Reader
from dashboards.watch_view import (
    Sight,
    bays_of,
    cure_matter,
    cure_word,
    first_matter,
    freshness,
    heater_says,
    next_words,
    outlook_notes,
    progress_of,
    windows_says,
)
from forecast.cure_outlook import CureOutlook
from forecast.outlook import Band
from forecast.verdict import WORST_FIRST, BayNow, Verdict

NARROW = 60
_WIDE = 100
_LEAST_CHART = 7
_PAST, _AHEAD = timedelta(hours=12), timedelta(hours=24)
_BADGE = 11
_BAR = 10
# One for one, so that columns and colours stay where they are.
KEYS = "b big  h hours  c cure  g gel  p ply  n note  a seen  u units  ? help  q quit"
KEYS_SHORT = "b big h hours c cure g gel ? help q quit"
HELP = (
    ("b", "one word and one number, to be read from across the shed; b again goes back"),
    ("h", "the hours before and ahead, drawn large"),
    ("left right", "look further back or further ahead"),
    ("t", "the chart of the next bay"),
    ("up down", "the rest of a list that is too long for the screen"),
    ("c", "start a cure: a batch has been laid"),
    ("g", "mark gel"),
    ("p", "the next ply is on"),
    ("n", "a note on a cure"),
    ("a", "seen: the first line says that somebody knows, and alarms are answered"),
    ("u", "°C or °F"),
    ("q", "leave; the daemon goes on"),
)


@dataclass(frozen=True, slots=True)
class Look:
    """How somebody looks at the screen: which view, how far along, what was acknowledged.

    `message` is the answer to the last key; `plain` says that the terminal's font has no braille or
    blocks, `only_ascii` that it shows nothing but ASCII.
    """

    view: str = "main"
    shift_h: int = 0
    scroll: int = 0
    seen: frozenset[str] = field(default_factory=frozenset)
    message: str = ""
    plain: bool = False
    only_ascii: bool = False


def watch_lines(sight: Sight, look: Look, reader: Reader, width: int, height: int) -> list[Text]:
    """Return the screen in exactly `height` lines of at most `width` cells."""
    if not (width and height):  # as before a terminal's first layout
        return [Text()] * height
    if look.view == "big":
        lines = _big(sight, look, reader, width, height)
    elif look.view == "help":
        lines = _help(width)
    else:
        lines = _board(sight, look, reader, width, height - 1)
    foot = look.message or (KEYS if width >= len(KEYS) + 1 else KEYS_SHORT)
    style = STRONG if look.message else QUIET
    lines = [*lines[: height - 1], *[Text()] * (height - 1 - len(lines)), Text(f" {foot}", style=style)]
    for line in lines:
        line.truncate(width)
    return [_ascii(line) for line in lines] if look.only_ascii else lines


def _ascii(line: Text) -> Text:
    """Write a line in ASCII, each letter in its place."""
    line.plain = in_ascii(line.plain)
    return line


def _board(sight: Sight, look: Look, reader: Reader, width: int, height: int) -> list[Text]:
    """Return the top, then either the lists with a chart below, or the chart alone."""
    top = _top(sight, look, reader, width)
    room = height - len(top)
    if look.view == "hours":
        chart = _chart(sight, look, reader, width, room - 1)
        return [*top, Text(), *(chart or [Text(" No readings of this bay to draw.", style=QUIET)])]
    body = _body(sight, reader, width)
    while body and not body[-1].plain:
        body.pop()
    spare = room - len(body) - 1
    if spare >= _LEAST_CHART:
        return [*top, *body, Text(), *_chart(sight, look, reader, width, spare)]
    return [*top, *_scrolled(body, look.scroll, room)]


def _scrolled(body: list[Text], scroll: int, room: int) -> list[Text]:
    """Cut a body that is too long, and say so."""
    if len(body) <= room or room < 1:
        return body[: max(room, 0)]
    first = min(max(scroll, 0), len(body) - room)
    shown = body[first : first + room]
    rest = len(body) - first - room
    if rest > 0:
        shown[-1] = Text(f" … {rest + 1} more lines: down", style=QUIET)
    return shown


def _top(sight: Sight, look: Look, reader: Reader, width: int) -> list[Text]:
    """Return freshness, the first matter, why, and what to do."""
    matter = first_matter(sight, reader)
    fresh, well = freshness(sight)
    left = f" {sight.shed}  {reader.stamp(sight.at)}"
    gap = " " * max(width - len(left) - len(fresh) - 1, 1)
    lines = [Text.assemble((left, STRONG), gap, (fresh, QUIET if well else STRONG))]
    seen = "  (seen)" if matter.key in look.seen else ""
    head = Text.assemble(" ", badge(matter.verdict, matter.word), " ", (matter.about, STRONG), seen)
    lines.append(head)
    lines += _sentences([matter.why], width, STRONG)
    if matter.to_do:
        lines += _sentences([f"To do: {matter.to_do}"], width, STRONG)
    cure = next((one for one in sight.cures if one.key == matter.cure), None)
    if cure is not None:
        lines += _way_lines(cure, sight, reader, width)
    return [*lines, Text()]


def badge(verdict: Verdict, word: str) -> Text:
    """Return a verdict's word on its colour, its symbol before it."""
    return Text(f" {SYMBOLS[verdict]} {word} ", style=VERDICT_STYLES[verdict])


def _sentences(words: Sequence[str], width: int, style: Style | str = "") -> list[Text]:
    return [Text(line, style=style) for said in words if said for line in wrapped(said, width - 2, " ")]


def _body(sight: Sight, reader: Reader, width: int) -> list[Text]:
    told = first_matter(sight, reader).cure
    cures = sorted(sight.cures, key=lambda cure: WORST_FIRST.index(cure.verdict))
    lines = _bay_lines(sight, reader, width)
    for cure in cures:
        if cure.key != told:
            lines += _cure_lines(cure, sight, reader, width)
    if not cures:
        lines.append(Text(" No live cure. c starts one when a batch is laid.", style=QUIET))
    lines += [*_window_lines(sight, reader, width), *_heater_lines(sight, reader, width)]
    return lines + [Text(line.plain, style=QUIET) for line in _sentences(outlook_notes(sight), width)]


def _window_lines(sight: Sight, reader: Reader, width: int) -> list[Text]:
    """Return when each job can next be started, one line each; why it ends only where there is room."""
    lines = []
    for verdict, about, says in windows_says(sight, reader):
        words = says if width >= _WIDE else says.split(",")[0].split(";")[0]
        lines += _about_lines(verdict, about, words, width)
    return lines


def _about_lines(verdict: Verdict, about: str, words: str, width: int) -> list[Text]:
    """Return a verdict, what it is about and what it says, on as many lines as that takes."""
    first, *rest = wrapped(words, max(width - _BADGE - len(about) - 6, NARROW // 3), "")
    return [_one_line(verdict, about, first), *(Text(" " * (_BADGE + 2) + line) for line in rest)]


def _heater_lines(sight: Sight, reader: Reader, width: int) -> list[Text]:
    """Return what to do with each heater, and where its air peaks."""
    lines = []
    told = first_matter(sight, reader).about
    for verdict, about, says in heater_says(sight, reader):
        if about != told:
            lines += _about_lines(verdict, about, says if width >= _WIDE else says.split(". ")[0], width)
    return lines


def _one_line(verdict: Verdict, about: str, words: str) -> Text:
    tag = Text.assemble(" ", badge(verdict, verdict.value.upper()))
    tag.pad_right(max(_BADGE + 1 - tag.cell_len, 0))
    return Text.assemble(tag, f" {about}: {words}")


def _bay_lines(sight: Sight, reader: Reader, width: int) -> list[Text]:
    """Return a table of the bays, the verdict first; two lines each on a narrow screen."""
    bays = bays_of(sight)
    if not bays:
        return []
    if width < NARROW:
        return [line for bay in bays for line in _narrow_bay(bay, reader)]
    name = max(8, *(len(bay.bay) for bay in bays)) + 2
    columns = ("part", "air", "humidity", "margin", "dew point")
    head = " " * (_BADGE + 2) + " " * name + "".join(f"{column:<11}" for column in columns)
    lines = [Text(head.rstrip(), style=QUIET)]
    for bay in bays:
        cells = "".join(f"{words:<11}" for words in _numbers(bay, reader))
        tag = badge(bay.verdict, bay.verdict.value.upper())
        tag.pad_right(max(_BADGE - tag.cell_len, 0))
        lines.append(Text.assemble(" ", tag, f" {bay.bay:<{name}}", cells.rstrip()))
    return [*lines, Text()]


def _numbers(bay: BayNow, reader: Reader) -> list[str]:
    values = {
        "part_c": bay.part_c,
        "air_c": bay.air_c,
        "humidity_pct": bay.humidity_pct,
        "margin_k": bay.margin_k,
        "dew_point_c": bay.dew_point_c,
    }
    return ["-" if value is None else reader.quantity(name, value) for name, value in values.items()]


def _narrow_bay(bay: BayNow, reader: Reader) -> list[Text]:
    part, air, humidity, margin, _ = _numbers(bay, reader)
    return [
        Text.assemble(" ", badge(bay.verdict, bay.verdict.value.upper()), " ", (bay.bay, STRONG)),
        Text(f"   part {part}, air {air}, {humidity}, margin {margin}"),
    ]


def _cure_lines(cure: CureOutlook, sight: Sight, reader: Reader, width: int) -> list[Text]:
    """Return a cure: how it is, how far, when next, and what to do."""
    matter = cure_matter(cure, sight.at, reader)
    head = Text.assemble(" ", badge(cure.verdict, cure_word(cure.verdict)), " ", (matter.about, STRONG))
    lines = [head, *_indented(f"{matter.why}.", width)]
    if matter.to_do:
        lines += _indented(f"To do: {matter.to_do}.", width)
    return lines + _way_lines(cure, sight, reader, width)


def _way_lines(cure: CureOutlook, sight: Sight, reader: Reader, width: int) -> list[Text]:
    """Return how far a cure is on its way to the next stage, when that comes, and what comes then."""
    way, when = progress_of(cure), next_words(cure, sight.at, reader)
    if way is None:
        return []
    stage, done = way
    bar = "#" * int(_BAR * done)
    comes = when.get(stage, "nobody knows when")
    said = [f"{stage} [{bar:.<{_BAR}}] {int(100 * done)} %, {comes}"]
    said += [f"then {other} {words}" for other, words in when.items() if other != stage]
    return [line for words in said for line in _indented(words, width)]


def _indented(words: str, width: int) -> list[Text]:
    return [Text(line) for line in wrapped(words, width - 4, "   ")]


def _chart(sight: Sight, look: Look, reader: Reader, width: int, height: int) -> list[Text]:
    """Return the chart of one bay: part with its band, air and dew point, under a line that names it."""
    start = sight.at - _PAST + timedelta(hours=look.shift_h)
    fahrenheit = reader.units == "us"
    bands = _bands(sight)
    courses = _courses(sight, bands, fahrenheit=fahrenheit)
    if not courses or height < _LEAST_CHART - 1:
        return []
    levels: tuple[float, ...] = ()
    if sight.outlook is not None:
        limits = sight.outlook.limits
        levels = tuple(_shown((limits.part_min_c, limits.part_max_c), fahrenheit=fahrenheit))
    band = bands.get("part_c") or bands.get("air_c")
    spread = None
    if band is not None:
        low, high = (_shown(edge, fahrenheit=fahrenheit) for edge in (band.low, band.high))
        spread = Spread(_times(band), low, high, QUIET)
    frame = Frame(
        start,
        start + _PAST + _AHEAD,
        sight.at,
        levels,
        reader.degree,
        reader.zone,
        plain=look.plain,
    )
    title = Text.assemble(" ", (sight.bay, STRONG), ("  measured, then 8 in 10 of what may come", QUIET))
    return [title, *chart_lines(courses, spread, frame, width - 1, height - 1)]


_DRAWN = (
    ("dew_point_c", "dew point", "d", 3, Style(color="bright_cyan")),
    ("air_c", "air", "a", 2, Style(color="bright_yellow")),
    ("part_c", "part", "p", 1, STRONG),
)


def _bands(sight: Sight) -> dict[str, Band]:
    outlook = sight.outlook
    if outlook is None or outlook.is_stale(sight.at):
        return {}
    bay = next((one for one in outlook.bays if one.bay == sight.bay), None)
    return {} if bay is None else {band.quantity: band for band in bay.bands}


def _courses(sight: Sight, bands: dict[str, Band], *, fahrenheit: bool) -> list[Course]:
    """Join what was measured to what is likely."""
    past = {one.quantity: one for one in sight.past}
    found = []
    for quantity, name, letter, every, style in _DRAWN:
        times: list[int] = []
        values: list[float] = []
        if quantity in past:
            times += past[quantity].times_us
            values += past[quantity].values
        if quantity in bands:
            times += _times(bands[quantity])
            values += bands[quantity].likely
        if times:
            found.append(Course(name, letter, times, _shown(values, fahrenheit=fahrenheit), every, style))
    return found


def _times(band: Band) -> list[int]:
    start_us, step_us = to_us(band.start_at), int(band.step_s * 1e6)
    return [start_us + step_us * i for i in range(len(band.likely))]


def _shown(values_c: Sequence[float], *, fahrenheit: bool) -> list[float]:
    """Return temperatures in the reader's unit."""
    return [shown_temperature(temp_c, fahrenheit=fahrenheit) for temp_c in values_c]


def _big(sight: Sight, look: Look, reader: Reader, width: int, height: int) -> list[Text]:
    """Return one word and one number, as large as the screen lets them be."""
    matter = first_matter(sight, reader)
    fresh, well = freshness(sight)
    about = [
        Text(" " + ": ".join(filter(None, (matter.about, matter.counted))), style=STRONG),
        *_sentences([f"To do: {matter.to_do}"] if matter.to_do else [matter.why], width, STRONG),
        Text(f" {fresh}", style=QUIET if well else STRONG),
    ]
    room = height - 1 - len(about) - 2
    share = room // 2 if matter.number else room
    ink = "#" if look.plain else "█"
    word = big_lines(matter.word, width - 4, share, ink)
    ground = VERDICT_STYLES[matter.verdict].bgcolor
    style = Style(color=ground, bold=True)
    lines = [Text(f"  {line}", style=style) for line in word]
    if matter.number:
        lines += [
            Text(),
            *(Text(f"  {line}", style=STRONG) for line in big_lines(matter.number, width - 4, share, ink)),
        ]
    return [*lines, Text(), *about]


def _help(width: int) -> list[Text]:
    lines = [Text(" Keys", style=STRONG), Text()]
    for key, words in HELP:
        for i, line in enumerate(wrapped(words, width - 14, "")):
            lines.append(Text(f" {key if i == 0 else '':<12}{line}"))
    return lines
