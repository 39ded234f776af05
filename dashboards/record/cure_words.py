"""The record of one cure in words, tables and a chart. Local time and people's units appear only here."""

from collections.abc import Iterator
from datetime import datetime, timedelta

from collector.clock import to_us
from collector.domain import Sensor
from collector.sensor_config import CalibrationConfig
from dashboards.cure_view import caution_words, hours_words, stage_name, warmth_words
from dashboards.record.document import Block, Chart, Heading, Line, Panel, Table, Words
from dashboards.record.gather import CureData
from dashboards.record.measured import Course, Summary, courses, doubts, pieces, summary
from dashboards.view import NAMES, Reader
from forecast.card import Card
from forecast.cure_state import StageState

_KINDS = {"dew_point_c": "dew point", **NAMES}
_HOUR = timedelta(hours=1)


def cure_blocks(
    data: CureData, reader: Reader, sensors: dict[str, Sensor], calibrations: tuple[CalibrationConfig, ...]
) -> Iterator[Block]:
    """Yield the record of one cure."""
    batch = data.cure.batch
    start = data.evidence[0].start
    zero = min(batch.mixed_at or data.cure.laid_at, data.cure.laid_at)
    found = courses(data.samples, to_us(zero))
    end_h = max((data.until - zero) / _HOUR, 0.0)
    sums = [summary(course, data.card.application, end_h) for course in found]
    yield Heading(f"{batch.part}, {batch.bay}: cure {data.cure.key}", 1)
    yield from (Words(words) for words in plain_words(data, sums, reader))
    yield Heading("Batch")
    yield Table(batch_rows(data, reader))
    yield Heading("Course")
    if found:
        yield _chart(data, found, zero, end_h, reader)
    yield Heading("Stages")
    yield from _stages(data, reader)
    yield Heading("Measured, against the card's limits")
    yield _measured(sums, reader)
    yield Heading("Doubtful readings")
    yield from _doubts(data)
    yield Heading("Seen and noted")
    yield Table(_seen(data, reader), ("when", "what", "entered"))
    yield Heading("Sensors")
    yield Table(_sensors(data, sensors, calibrations), ("sensor", "uncertainty", "calibration"))
    yield Heading("Resin card")
    yield Table(card_rows(data.card, reader))
    yield Heading("Raw data")
    yield Words(
        f"Readings as measured from {_local(start, reader)} to {_local(data.until, reader)}; "
        "'layday record --verify' compares these sums (SHA-256) with what is kept."
    )
    rows = [(one.sensor, f"{one.count}", one.sha256) for one in data.evidence]
    yield Table(
        [*rows, ("journal", f"{len(data.entries)}", data.journal_sha256)], ("source", "count", "SHA-256")
    )


def plain_words(data: CureData, sums: list[Summary], reader: Reader) -> Iterator[str]:
    """Yield what happened, in plain sentences."""
    batch, state = data.cure.batch, data.outlook.state
    lot = f", lot {batch.lot}" if batch.lot else ""
    yield (
        f"{data.card.name}{lot}, with {batch.catalyst_pct:g} % of {data.card.hardener.kind}, was laid on"
        f" {batch.part} in bay {batch.bay} at {_local(data.cure.laid_at, reader)}."
    )
    if state is None:
        yield "Nothing was measured in its bay: how it cured is not known."
        return
    ended = "When it was ended" if data.cure.ended_at is not None else "When this was written"
    yield f"{ended}, at {_local(data.until, reader)}, it was {stage_name(state)}."
    for one in sums:
        if one.quantity in {"part_c", "margin_k"}:
            low, high = (reader.quantity(one.quantity, value) for value in (one.lowest, one.highest))
            yield f"The {_KINDS[one.quantity]} ran from {low} to {high}{_beyond(one)}."
    if state.gap_h:
        yield (
            f"For {hours_words(state.gap_h)} there was no sound reading of the part:"
            " what happened then is bounded, not known."
        )
    for caution in state.cautions:
        words = caution_words(caution, reader)
        yield f"{words[:1].upper()}{words[1:]}."


def _beyond(one: Summary) -> str:
    said = [
        f"{hours_words(span)} {where} the card's limit"
        for span, where in ((one.below_h, "below"), (one.above_h, "above"))
        if span
    ]
    return f", {' and '.join(said)}" if said else ""


def batch_rows(data: CureData, reader: Reader) -> list[tuple[str, str]]:
    """Return what was mixed and laid, as (name, words)."""
    batch = data.cure.batch
    rows = [
        ("part", batch.part),
        ("bay", batch.bay),
        ("layup", batch.layup or "not noted"),
        ("resin", f"{data.card.name} ({data.card.key})" + (", generic" if data.card.generic else "")),
        ("lot", batch.lot or "not noted"),
        ("hardener", f"{batch.catalyst_pct:g} % of {data.card.hardener.kind}"),
        ("batch", "not weighed" if batch.mass_g is None else f"{batch.mass_g:g} g"),
        ("resin when mixed", "not measured" if batch.resin_c is None else reader.temperature(batch.resin_c)),
        ("mixed", "not noted" if batch.mixed_at is None else _local(batch.mixed_at, reader)),
        ("laid", _local(data.cure.laid_at, reader)),
    ]
    if data.cure.ended_at is not None:
        rows.append(("ended", _local(data.cure.ended_at, reader)))
    return rows


def card_rows(card: Card, reader: Reader) -> list[tuple[str, str]]:
    """Return a resin card with its tables and the sources of its numbers, as (name, words)."""
    hardener, use = card.hardener, card.application
    warmth = f"{reader.temperature(use.temp_min_c)} to {reader.temperature(use.temp_max_c)}"
    margin = reader.difference(use.margin_min_k)
    return [
        (
            "card",
            f"{card.name} ({card.key}), {card.family}" + (", generic: of no maker" if card.generic else ""),
        ),
        (
            "hardener",
            f"{hardener.kind}, {card.catalyst_min_pct:g} to {card.catalyst_max_pct:g} % by {hardener.by}",
        ),
        (
            "laminate at",
            f"{warmth}, up to {use.humidity_max_pct:g} %, part {margin} above the dew point",
        ),
        *_time_rows(card, reader),
        *_source_rows(card),
    ]


def _time_rows(card: Card, reader: Reader) -> Iterator[tuple[str, str]]:
    """Yield a row for each temperature of the gel table, each stage, and the next ply."""
    gel: dict[float, list[str]] = {}
    for cell in card.gel:
        minutes = f"{cell.low_min:g}" + ("" if cell.low_min == cell.high_min else f" to {cell.high_min:g}")
        gel.setdefault(cell.temp_c, []).append(f"{cell.catalyst_pct:g} %: {minutes} min")
    for temp_c, words in gel.items():
        yield f"gel at {reader.temperature(temp_c)}", "; ".join(words)
    for table in card.stages:
        times = zip(table.temps_c, table.times_h, strict=True)
        said = "; ".join(f"{time_h:g} h at {reader.temperature(temp_c)}" for temp_c, time_h in times)
        yield table.stage.value, said
    if card.recoat is not None:
        spans = zip(card.recoat.temps_c, card.recoat.from_h, card.recoat.to_h, strict=True)
        said = "; ".join(
            f"{begin:g} to {end:g} h at {reader.temperature(temp_c)}" for temp_c, begin, end in spans
        )
        yield "next ply", said


def _source_rows(card: Card) -> Iterator[tuple[str, str]]:
    """Yield each source once, with the numbers that it is of."""
    by_words: dict[str, list[str]] = {}
    for key, words in card.sources.items():
        by_words.setdefault(words, []).append(key)
    of_all = len(by_words) == 1
    for words, keys in by_words.items():
        yield "source", words if of_all else f"{words} (of {', '.join(keys)})"


def _stages(data: CureData, reader: Reader) -> Iterator[Block]:
    state = data.outlook.state
    if state is None:
        yield Words("Nothing was measured.")
        return
    yield Table(
        [_stage(stage, reader) for stage in state.stages],
        ("stage", "reached", "progress", "degree-hours", "equivalent hours"),
    )
    yield from (Words(f"{words}.") for words in warmth_words(state, data.outlook, reader))


def _stage(stage: StageState, reader: Reader) -> tuple[str, ...]:
    reached = "not reached"
    if stage.reached_at is not None:
        reached = _local(stage.reached_at, reader) + (" (seen)" if stage.seen else " (reckoned)")
    low, high = 100.0 * stage.progress_low, 100.0 * stage.progress_high
    progress = f"{100.0 * stage.progress:.0f} %"
    if high - low >= 1.0:
        progress += f" ({low:.0f} to {high:.0f} %)"
    sums = f"{reader.difference(stage.degree_hours)}·h", f"{stage.equivalent_hours:.1f} h"
    return stage.stage.value, reached, progress, *sums


def _measured(sums: list[Summary], reader: Reader) -> Table:
    rows = []
    for one in sums:
        name = one.quantity
        limits = [
            f"{words} {reader.quantity(name, limit)}"
            for words, limit in (("from", one.floor), ("to", one.ceiling))
            if limit is not None
        ]
        beyond = (one.below_h or 0.0) + (one.above_h or 0.0)
        numbers = (reader.quantity(name, value) for value in (one.lowest, one.mean, one.highest))
        gaps = "none" if not one.gaps else f"{one.gaps}, in all {hours_words(one.gap_h)}"
        rows.append(
            (
                _KINDS[name],
                *numbers,
                " ".join(limits) or "-",
                ("-" if not limits else hours_words(beyond) if beyond else "never"),
                gaps,
            )
        )
    head = ("", "lowest", "mean", "highest", "limits", "beyond them", "gaps over 1 h")
    return Table(rows or [("nothing was measured", *[""] * 6)], head)


def _doubts(data: CureData) -> Iterator[Block]:
    rows = [
        (f"{data.cure.batch.bay}.{name}", (flag.name or "").lower().replace("_", " "), f"{count}")
        for name, samples in data.samples.items()
        for flag, count in doubts(samples)
    ]
    yield Words("These readings were kept and not counted." if rows else "No reading was flagged as suspect.")
    if rows:
        yield Table(rows, ("sensor", "why", "readings"))


def _seen(data: CureData, reader: Reader) -> list[tuple[str, str, str]]:
    rows = []
    for entry in data.entries:
        fields = entry.fields
        what = {"start": "laid", "fix": "told anew", "end": "ended"} | {
            "mark": str(fields.get("what")),
            "note": str(fields.get("words")),
        }
        kind = str(fields["kind"])
        rows.append((_local(entry.at, reader), what.get(kind, kind), _local(entry.entered_at, reader)))
    return rows


def _sensors(
    data: CureData, sensors: dict[str, Sensor], calibrations: tuple[CalibrationConfig, ...]
) -> list[tuple[str, str, str]]:
    rows = []
    for one in data.evidence:
        sensor = sensors.get(one.sensor)
        unsure = "not stated"
        if sensor is not None and sensor.uncertainty is not None:
            unsure = f"±{sensor.uncertainty:g} {sensor.quantity.unit}"
        told = [
            f"{entry.gain:g} x measured {entry.offset:+g}"
            + (f" since {entry.since.isoformat()}" if entry.since is not None else "")
            for entry in calibrations
            if entry.sensor == one.sensor
        ]
        rows.append((one.sensor, unsure, "; ".join(told) or "none"))
    return rows


def _chart(data: CureData, found: tuple[Course, ...], zero: datetime, end_h: float, reader: Reader) -> Chart:
    state = data.outlook.state
    reached = (
        () if state is None else tuple((s.stage.value, s.reached_at) for s in state.stages if s.reached_at)
    )
    marks = tuple((name, (at - zero) / _HOUR) for name, at in reached if zero <= at <= data.until)
    words = ", ".join(
        f"{_KINDS[c.quantity]} {reader.quantity(c.quantity, float(c.values.mean()))}" for c in found
    )
    return Chart(
        start=zero,
        span_h=max(end_h, 0.1),
        zone=reader.zone,
        panels=tuple(panel for panel in _panels(data.card, found, reader) if panel.lines),
        marks=marks,
        description=f"On average: {words}. The tables below tell lowest and highest, limits and gaps.",
    )


def _panels(card: Card, found: tuple[Course, ...], reader: Reader) -> tuple[Panel, ...]:
    """Return the chart's panels in the reader's units, each with the card's limits."""
    by_name = {course.quantity: course for course in found}
    use = card.application
    fahrenheit = reader.units == "us"

    def line(quantity: str, style: str) -> list[Line]:
        course = by_name.get(quantity)
        if course is None:
            return []
        cut = pieces(course)
        if fahrenheit and quantity != "humidity_pct":
            scale = _to_fahrenheit_k if quantity.endswith("_k") else _to_fahrenheit
            cut = tuple(tuple((h, scale(v)) for h, v in piece) for piece in cut)
        return [Line(_KINDS[quantity], style, cut)]

    degree = "°F" if fahrenheit else "°C"
    shown = _to_fahrenheit if fahrenheit else float
    shown_k = _to_fahrenheit_k if fahrenheit else float
    return (
        Panel(
            f"temperature, {degree}",
            (*line("part_c", "part"), *line("air_c", "air"), *line("dew_point_c", "dew")),
            (("least", shown(use.temp_min_c)), ("most", shown(use.temp_max_c))),
        ),
        Panel(f"margin, {degree}", tuple(line("margin_k", "dew")), (("least", shown_k(use.margin_min_k)),)),
        Panel("humidity, %", tuple(line("humidity_pct", "humidity")), (("most", use.humidity_max_pct),)),
    )


def _to_fahrenheit(value: float) -> float:
    from collector.units import shown_temperature

    return shown_temperature(value, fahrenheit=True)


def _to_fahrenheit_k(value: float) -> float:
    from collector.units import shown_difference

    return shown_difference(value, fahrenheit=True)


def _local(at: datetime, reader: Reader) -> str:
    """Return a moment with its date, its local time and its offset: a record outlives the clock change."""
    local = at.astimezone(reader.zone)
    return f"{local:%Y-%m-%d %H:%M} {local:%z}"
