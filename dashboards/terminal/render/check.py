"""What `layday check` shows."""

from collections.abc import Iterator

from rich.text import Text

from collector.domain import QUANTITIES
from dashboards.health import Age, Health, SensorHealth
from dashboards.suspect_words import suspect_words, to_do_words
from dashboards.terminal.palette import QUIET, STRONG
from dashboards.terminal.render.now import wrapped
from dashboards.view import NAMES, Reader, age_words

_HEAD_SHOWN = 40
_MARK_CELLS, _NAME_CELLS = 2, 14


def files_text(config_words: str, store_words: str) -> Text:
    """Return what was looked at; a path stays in one piece, to be copied."""
    return Text("\n").join([_fact("Configuration", [config_words]), _fact("Store", [store_words])])


def check_text(health: Health, reader: Reader, width: int, outlook: Age | None = None) -> Text:
    """Return what was found, trouble marked with ``!`` at the start of its line."""

    def fact(name: str, words: str, *, well: bool = True) -> Text:
        return _fact(name, wrapped(words, width - _MARK_CELLS - _NAME_CELLS, ""), well=well)

    lines = [
        fact("Daemon", health.daemon_words, well=health.daemon_well),
        *(fact("Source", words) for words in health.source_words),
        *([] if outlook is None else [fact("Outlook", outlook.words, well=outlook.well)]),
        fact("Clock", health.clock_words, well="agree" in health.clock_words),
        Text(),
        *_sensor_lines(health, reader, width),
        Text(),
        *_rejected_lines(health, reader),
    ]
    return Text("\n").join(lines)


def check_sentences(
    health: Health, files: tuple[str, str], reader: Reader, outlook: Age | None = None
) -> Iterator[str]:
    """Yield the same in sentences, one for each thing looked at; `files` are configuration and store."""
    yield f"Configuration: {files[0]}."
    yield f"Store: {files[1]}."
    yield f"Daemon{'' if health.daemon_well else ', not well'}: {health.daemon_words}."
    yield from (f"Source: {words}." for words in health.source_words)
    if outlook is not None:
        yield f"Outlook{'' if outlook.well else ', not well'}: {outlook.words}."
    yield f"Clock: {health.clock_words}."
    for sensor in health.sensors:
        value = "" if sensor.value is None else f", {sensor.value:g}{_unit(sensor.name)}"
        age = "" if sensor.age_s is None else f", {age_words(sensor.age_s)} ago"
        notes = "" if sensor.configured else ", not configured"
        yield f"{sensor.name}: {sensor.state}{value}{age}{notes}. {sensor_words(sensor, reader)}".rstrip()
    total = sum(health.rejected_counts.values())
    yield f"{total or 'No'} messages put aside." if total != 1 else "1 message put aside."
    for reason, count in health.rejected_counts.items():
        yield f"Put aside, {count} times: {reason}."


def _unit(sensor: str) -> str:
    quantity = QUANTITIES.get(sensor.rpartition(".")[2])
    return f" {quantity.unit}" if quantity is not None and quantity.unit != "0/1" else ""


def _fact(name: str, lines: list[str], *, well: bool = True) -> Text:
    hanging = f"\n{'':<{_MARK_CELLS + _NAME_CELLS}}".join(lines)
    return Text.assemble("  " if well else "! ", (f"{name:<{_NAME_CELLS}}", STRONG), hanging)


def _sensor_lines(health: Health, reader: Reader, width: int) -> list[Text]:
    """Return a line for each sensor, its columns as wide as what stands in them, and what is wrong."""
    if not health.sensors:
        return [Text("! No sensor is configured and none has been heard.")]
    rows = [_sensor_cells(sensor) for sensor in health.sensors]
    named, stated, valued, aged, _ = (max(map(len, column)) for column in zip(*rows, strict=True))
    lines = []
    for sensor, (name, state, value, age, notes) in zip(health.sensors, rows, strict=True):
        mark = "  " if sensor.state == "good" or not sensor.configured else "! "
        cells = f"{name:<{named}}  {state:<{stated}}  {value:>{valued}}  {age:<{aged}}  {notes}"
        first, *rest = _wrapped_row(cells.rstrip(), width - _MARK_CELLS)
        lines += [Text(mark + first), *(Text(f"    {line}") for line in rest)]
    told = [words for sensor in health.sensors if (words := sensor_words(sensor, reader))]
    return lines + [
        Text(f"{'! ' if i == 0 else '  '}{line}")
        for words in told
        for i, line in enumerate(wrapped(words, width - _MARK_CELLS, ""))
    ]


def _wrapped_row(row: str, width: int) -> list[str]:
    """Break a row between its columns where it is too long for a terminal."""
    if len(row) <= width:
        return [row]
    head, _, rest = row[: width + 2].rpartition("  ")
    return [head.rstrip(), *wrapped(f"{rest}{row[width + 2 :]}".strip(), width - 2, "")]


def _sensor_cells(sensor: SensorHealth) -> tuple[str, str, str, str, str]:
    value = "-" if sensor.value is None else f"{sensor.value:g}"
    age = "" if sensor.age_s is None else f"{age_words(sensor.age_s)} ago"
    notes = [*sensor.flags, *(() if sensor.configured else ("not configured",))]
    return sensor.name, sensor.state, value, age, ", ".join(notes)


def _rejected_lines(health: Health, reader: Reader) -> list[Text]:
    total = sum(health.rejected_counts.values())
    if not total:
        return [Text("  No message was ever put aside.")]
    lines = [Text(f"  {total} messages put aside, by reason:")]
    by_count = sorted(health.rejected_counts.items(), key=lambda item: -item[1])
    lines += [Text(f"  {count:>8}  {reason}") for reason, count in by_count]
    lines += [Text(), Text("  The newest:")]
    for item in health.newest_rejected:
        head = item.payload_head[:_HEAD_SHOWN].decode("utf-8", "backslashreplace")
        when = reader.clock(item.received_at, health.at)
        lines.append(Text(f"    {when}  {item.topic}  {item.size_bytes} bytes: {head!r}"))
        lines.append(Text(f"      {item.reason}", style=QUIET))
    return lines


def sensor_words(sensor: SensorHealth, reader: Reader) -> str:
    """Return what is wrong with a sensor and what to do, as sentences; empty where nothing is."""
    if not sensor.flag_bits or sensor.value is None:
        return ""
    quantity = sensor.name.rpartition(".")[2]
    known = quantity in NAMES
    value = reader.quantity(quantity, sensor.value) if known else f"{sensor.value:g}"
    since = age_words(sensor.suspect_s) if sensor.suspect_s else ""
    why = suspect_words(sensor.name, value, sensor.flag_bits, since)
    return f"{why}. What to do: {to_do_words(sensor.flag_bits)}."
