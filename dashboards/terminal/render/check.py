"""What `layday check` shows."""

from collections.abc import Iterator

from rich.text import Text

from collector.domain import QUANTITIES
from dashboards.health import Age, Health, SensorHealth
from dashboards.suspect_words import suspect_words, to_do_words
from dashboards.terminal.palette import QUIET, STRONG
from dashboards.view import NAMES, Reader, age_words

_HEAD_SHOWN = 40


def files_text(config_words: str, store_words: str) -> Text:
    """Return what was looked at; a path stays in one piece, to be copied."""
    return Text("\n").join([_fact("Configuration", config_words), _fact("Store", store_words)])


def check_text(health: Health, reader: Reader, outlook: Age | None = None) -> Text:
    """Return what was found, trouble marked with ``!`` at the start of its line."""
    lines = [
        _fact("Daemon", health.daemon_words, well=health.daemon_well),
        *(_fact("Source", words) for words in health.source_words),
        *([] if outlook is None else [_fact("Outlook", outlook.words, well=outlook.well)]),
        _fact("Clock", health.clock_words, well="agree" in health.clock_words),
        Text(),
        *_sensor_lines(health, reader),
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


def _fact(name: str, words: str, *, well: bool = True) -> Text:
    return Text.assemble("  " if well else "! ", (f"{name:<14}", STRONG), words)


def _sensor_lines(health: Health, reader: Reader) -> list[Text]:
    if not health.sensors:
        return [Text("! No sensor is configured and none has been heard.")]
    widest = max(len(sensor.name) for sensor in health.sensors)
    lines = [_sensor_line(sensor, widest) for sensor in health.sensors]
    told = [words for sensor in health.sensors if (words := sensor_words(sensor, reader))]
    return lines + [Text(f"! {words}") for words in told]


def _sensor_line(sensor: SensorHealth, widest: int) -> Text:
    mark = "  " if sensor.state == "good" or not sensor.configured else "! "
    value = "-" if sensor.value is None else f"{sensor.value:g}"
    age = "" if sensor.age_s is None else f"{age_words(sensor.age_s)} ago"
    notes = [*sensor.flags, *(() if sensor.configured else ("not configured",))]
    line = f"{sensor.name:<{widest}}  {sensor.state:<12} {value:>9}  {age:<14} {', '.join(notes)}"
    return Text.assemble(mark, line.rstrip())


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
