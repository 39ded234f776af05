"""What stands in the journal, as plain JSON values."""

from datetime import UTC, datetime

from collector.journal_book import Cure, Entry

_TIMES = ("mixed_at", "ready_by")


def entry_json(entry: Entry) -> dict[str, object]:
    """Return one entry: its number and times, and what was told."""
    told = {"number": entry.number, "at": _iso(entry.at), "entered_at": _iso(entry.entered_at)}
    times = {
        name: _iso(datetime.fromisoformat(entry.fields[name])) for name in _TIMES if entry.fields.get(name)
    }
    return told | dict(entry.fields) | times


def cure_entry_json(cure: Cure) -> dict[str, object]:
    """Return one cure as its entries have it."""
    batch = cure.batch
    return {
        "id": cure.key,
        "bay": batch.bay,
        "part": batch.part,
        "card": batch.card,
        "percent": batch.catalyst_pct,
        "lot": batch.lot,
        "mass_g": batch.mass_g,
        "layup": batch.layup,
        "resin_c": batch.resin_c,
        "mixed_at": _iso(batch.mixed_at) if batch.mixed_at else None,
        "laid_at": _iso(cure.laid_at),
        "marks": {what.value: _iso(at) for what, at in cure.marks.items()},
        "ready_stage": batch.ready_stage or None,
        "ready_by": _iso(batch.ready_by) if batch.ready_by else None,
        "ended_at": _iso(cure.ended_at) if cure.ended_at else None,
    }


def _iso(at: datetime) -> str:
    return f"{at.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}"
