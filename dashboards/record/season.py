"""The record of a season: what it cost, what it taught, and how often layday was right."""

from collections.abc import Iterator, Mapping
from datetime import datetime, time, timedelta

import numpy as np

from collector.clock import to_us
from collector.errors import InputError
from collector.journal_book import Book, Cure
from collector.store.base import Store
from dashboards.cures import lot_learning
from dashboards.record.document import Block, Heading, Table, Words
from dashboards.record.season_leaks import leak_blocks
from dashboards.record.season_sums import Floats, Heating, Skill, heating, hours_lost, skill
from dashboards.session import Session
from forecast.outlook import bay_names
from forecast.outlook_book import open_outlooks

_HOUR = timedelta(hours=1)
_DAY = timedelta(days=1)
_OUTDOOR = "outdoor.air_c"
_WORTH_TELLING = 0.5  # degree-days; below it a quotient says nothing


def season_blocks(session: Session, book: Book, start: datetime, end: datetime) -> Iterator[Block]:
    """Yield the record of [start, end).

    Raises
    ------
    InputError
        If the span is empty or a card cannot be read.
    StoreError
        If the store cannot be read.
    """
    first = start.replace(minute=0, second=0, microsecond=0)
    if end - first < _HOUR:
        raise InputError("--season: the span is shorter than an hour; name one with --from and --to")
    store = session.open_store(read_only=True)
    try:
        bays = bay_names(session.config.sensors, store.sensors())
        hourly = _hourly(store, first, end)
        leaks = list(leak_blocks(store, session.config, end))
    finally:
        store.close()
    zone = session.config.shed.zone
    yield Heading(
        f"{session.config.shed.name}: {first.astimezone(zone):%Y-%m-%d} to {end.astimezone(zone):%Y-%m-%d}", 1
    )
    cures = [cure for cure in book.cures.values() if start <= cure.laid_at < end]
    yield Words(
        f"{counted(len(cures), 'cure was', 'cures were')} laid in {counted(len(bays), 'bay', 'bays')}."
    )
    yield Heading("Fuel")
    yield from _fuel(hourly, bays, cures, first, end)
    yield Heading("Where the warmth goes")
    yield from leaks
    yield Heading("Hours the weather took")
    yield _lost(session, hourly, bays, first)
    yield Heading("What lots taught")
    yield from _lots(session, book, cures)
    yield Heading("How forecasts did")
    yield from _skill(session, hourly, bays, first, end)


def counted(count: int, one: str, more: str) -> str:
    """Return a number of things in words.

    >>> counted(1, "cure was", "cures were"), counted(0, "bay", "bays")
    ('1 cure was', 'no bays')
    """
    return f"{count or 'no'} {one if count == 1 else more}"


def _hourly(store: Store, start: datetime, end: datetime) -> Mapping[str, Floats]:
    return {name: found.means for name, found in store.rollups(start, end, _HOUR).items()}


def _fuel(
    hourly: Mapping[str, Floats], bays: list[str], cures: list[Cure], start: datetime, end: datetime
) -> Iterator[Block]:
    scales = [name for name in hourly if name.endswith(".gas_kg")]
    indoor = [hourly[f"{bay}.air_c"] for bay in bays if f"{bay}.air_c" in hourly]
    if not scales or not indoor or _OUTDOOR not in hourly:
        yield Words(
            "Not known: it takes a scale under the bottle (gas_kg), the air of a bay and outdoor.air_c."
        )
        return
    inside = _mean_of_known(np.stack(indoor))
    found = [heating(hourly[name], inside, hourly[_OUTDOOR]) for name in scales]
    total = Heating(sum(f.burned_kg for f in found), found[0].degree_days, found[0].hours)
    rows = [
        ("burned", f"{total.burned_kg:.1f} kg"),
        (
            "held above the outdoors",
            f"{total.degree_days:.1f} degree-days (°C·d) in {total.hours:.0f} known hours",
        ),
    ]
    if total.degree_days >= _WORTH_TELLING:
        quotient = total.burned_kg / total.degree_days
        rows.append(
            ("per degree-day", f"{quotient:.3f} kg; of several sheds the one that needs most leaks most")
        )
    for cure in cures:
        low, high = ((at - start) // _HOUR for at in (cure.laid_at, min(cure.ended_at or end, end)))
        span = slice(low, high + 1)
        burned = sum(heating(hourly[n][span], inside[span], hourly[_OUTDOOR][span]).burned_kg for n in scales)
        rows.append((f"during {cure.key}, {cure.batch.part}", f"{burned:.1f} kg"))
    yield Table(rows)


def _mean_of_known(rows: Floats) -> Floats:
    """Return the mean over bays of those that were heard, NaN where none was."""
    known = np.isfinite(rows)
    count = known.sum(axis=0)
    return np.where(count > 0, np.where(known, rows, 0.0).sum(axis=0) / np.maximum(count, 1), np.nan)


def _lost(session: Session, hourly: Mapping[str, Floats], bays: list[str], start: datetime) -> Table:
    count = max((values.size for values in hourly.values()), default=0)
    opens, closes = (
        time.fromisoformat(text)
        for text in (session.config.windows.work_from, session.config.windows.work_until)
    )
    clocks = [(start + i * _HOUR).astimezone(session.config.shed.zone).time() for i in range(count)]
    working = np.array([opens <= clock < closes for clock in clocks], dtype=bool)
    rows = []
    for bay in bays:
        needed = {
            name: hourly.get(f"{bay}.{name}", np.full(count, np.nan))
            for name in ("air_c", "humidity_pct", "part_c")
        }
        found = hours_lost(needed, working, session.limits)
        rows.append((bay, *(f"{value:.0f} h" for value in found.values())))
    head = (
        "bay",
        "working hours known",
        "lost",
        "too cold",
        "too warm",
        "too humid",
        "too near the dew point",
    )
    return Table(rows, head)


def _lots(session: Session, book: Book, cures: list[Cure]) -> Iterator[Block]:
    lots = dict.fromkeys((cure.batch.card, cure.batch.lot) for cure in cures)
    learned = [(card, lot_learning(session, book, card, lot)) for card, lot in lots]
    for card, one in learned:
        words = one.words if one.pots else "no gel of it was marked that could teach something"
        yield Words(f"{card}: {words}.")
    if not learned:
        yield Words("No cure was laid.")


def _skill(
    session: Session, hourly: Mapping[str, Floats], bays: list[str], start: datetime, end: datetime
) -> Iterator[Block]:
    outlooks = open_outlooks(session.outlook_path, read_only=True)
    kept = []
    if outlooks is not None:
        try:
            kept = outlooks.spaced(start, end)
        finally:
            outlooks.close()
    begin = to_us(start) // 3_600_000_000
    part_c = {
        bay: {
            begin + i: value for i, value in enumerate(hourly[f"{bay}.part_c"].tolist()) if np.isfinite(value)
        }
        for bay in bays
        if f"{bay}.part_c" in hourly
    }
    found = skill(kept, part_c)
    if not found:
        yield Words("No kept outlook has come of age; 'layday hindcast' replays the whole past instead.")
        return
    yield Words(
        f"The part, four outlooks a day, from {kept[0].issued_at:%Y-%m-%d} on; 'layday hindcast' replays all."
    )
    yield Table(
        [_skill_row(one, session) for one in found], ("hours ahead", "n", "part: error", "as now", "in 80 %")
    )


def _skill_row(one: Skill, session: Session) -> tuple[str, ...]:
    errors = (session.reader.difference(value, 2) for value in (one.error_k, one.as_now_error_k))
    return f"{one.ahead_h}", f"{one.count}", *errors, f"{100.0 * one.inside_share:.0f} %"
