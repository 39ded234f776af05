"""The record of a cure: the same bytes from the same data, and it knows when the data are others."""

import re
import shutil
import sqlite3
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.domain import Flag, Reading
from collector.errors import InputError
from collector.journal import Told, open_journal
from collector.journal_book import Mark
from collector.store.base import Samples
from dashboards.cures import read_book
from dashboards.record.cure_words import cure_blocks
from dashboards.record.document import Block, Chart, Heading, Table, Words
from dashboards.record.gather import cures_named, gather
from dashboards.record.html import html_file
from dashboards.record.measured import courses, summary
from dashboards.record.pdf import pdf_bytes, write_paper
from dashboards.record.verify import about_cures, differences
from dashboards.session import Session
from forecast.card import Application
from tests.dashboards.watching import AT, COLD_NIGHT, watched


@pytest.fixture(scope="module")
def shed(tmp_path_factory: pytest.TempPathFactory) -> Session:
    """A cold night with a cure of nine hours, its gel seen, a note, and two suspect readings."""
    session = watched(tmp_path_factory.mktemp("shed"), COLD_NIGHT, cure_h=9.0)
    journal = open_journal(session.journal_path)
    assert journal is not None
    seen = AT - timedelta(hours=8)
    journal.mark("k1", Mark.GEL, Told(seen, seen))
    journal.note("k1", "brushed on <b>& squeegeed</b>", Told(seen, seen))
    journal.close()
    store = session.open_store()
    odd = AT - timedelta(hours=3, minutes=5)
    store.add([Reading("keel.part_c", odd, 85.0, odd, Flag.POWER_ON)])
    store.close()
    return session


def blocks_of(session: Session) -> list[Block]:
    (data,) = gather(session, read_book(session), cures_named(read_book(session), "hull"), AT)
    return list(cure_blocks(data, session.reader, dict(session.config.sensors), session.config.calibration))


def html_of(session: Session) -> str:
    book = read_book(session)
    found = gather(session, book, cures_named(book, "hull"), AT)
    return html_file("tunnel: hull", blocks_of(session), about_cures("tunnel", found))


def verified(html: str, session: Session) -> list[str]:
    raw = session.open_raw_store()
    try:
        return differences(html, raw, read_book(session))
    finally:
        raw.close()


def words_of(session: Session) -> str:
    said = []
    for block in blocks_of(session):
        if isinstance(block, Heading | Words):
            said.append(block.text)
        elif isinstance(block, Table):
            said += ["; ".join(row) for row in block.rows]
    return "\n".join(said)


def test_it_says_all_that_a_surveyor_asks_for(shed: Session) -> None:
    said = words_of(shed)
    for words in (
        "hull, keel: cure k1", "lot; A7", "layup; not noted", "gel; 2026-04-02 11:04 +0000 (seen)",
        "sandable; not reached", "keel.part_c; power on; 1", "keel.part_c; not stated; none",
        "brushed on <b>& squeegeed</b>", "source; generic: typical of the trade", "The margin ran from",
        "equivalent hours at 25.0 °C",
    ):  # fmt: skip
        assert words in said


def test_the_same_data_give_the_same_bytes_in_every_form(shed: Session, tmp_path: Path) -> None:
    again = Session(shed.config, shed.config_path, clock=shed.clock)
    assert html_of(shed) == html_of(again)
    assert pdf_bytes("t", blocks_of(shed)) == pdf_bytes("t", blocks_of(again))
    pages = [write_paper("t", blocks_of(one), tmp_path / f"{i}.png") for i, one in enumerate((shed, again))]
    assert [page.read_bytes() for page in pages[0]] == [page.read_bytes() for page in pages[1]]


def test_it_fetches_nothing_runs_nothing_and_takes_no_note_for_html(shed: Session) -> None:
    html = html_of(shed)
    assert "brushed on &lt;b&gt;&amp; squeegeed&lt;/b&gt;" in html
    assert not re.search(r"(?:src|href)=|url\(|@import", html)
    assert re.findall(r"<script[^>]*>", html) == ['<script type="application/json" id="layday-record">']


def test_its_chart_breaks_where_nothing_was_measured(shed: Session) -> None:
    (chart,) = (block for block in blocks_of(shed) if isinstance(block, Chart))
    assert [panel.title for panel in chart.panels] == ["temperature, °C", "margin, °C", "humidity, %"]
    assert all(len(line.pieces) == 1 for panel in chart.panels for line in panel.lines)
    hours = np.array([0, 1, 2, 6, 7]) * 3_600_000_000
    samples = Samples(hours.astype(np.int64), np.full(5, 20.0), np.zeros(5, dtype=np.int64))
    empty = Samples(hours[:0].astype(np.int64), np.zeros(0), np.zeros(0, dtype=np.int64))
    (part,) = courses({"part_c": samples, "air_c": empty, "humidity_pct": empty}, 0)
    found = summary(part, Application(15.0, 30.0, 80.0, 3.0), 8.0)
    assert (found.gaps, found.gap_h) == (1, 4.0)


def test_hours_beyond_a_limit_are_counted_by_the_time_readings_stood_for() -> None:
    """Two of four hours at 10 °C under a floor of 15 °C: two hours, the mean is (2·20 + 2·10)/4."""
    times = (np.arange(0, 4, 0.5) * 3.6e9).astype(np.int64)
    values = np.where(np.arange(8) < 4, 20.0, 10.0)
    samples = Samples(times, values, np.zeros(8, dtype=np.int64))
    empty = Samples(times[:0], values[:0], times[:0])
    (part,) = courses({"part_c": samples, "air_c": empty, "humidity_pct": empty}, 0)
    found = summary(part, Application(15.0, 30.0, 80.0, 3.0), 4.0)
    assert (found.below_h, found.above_h, found.mean) == (2.0, 0.0, 15.0)


def test_what_is_kept_unchanged_verifies(shed: Session) -> None:
    assert verified(html_of(shed), shed) == []


def copied(shed: Session, folder: Path) -> Session:
    """Return the same shed in another folder, where it may be tampered with."""
    for file in shed.store_path.parent.iterdir():
        shutil.copy(file, folder / file.name)
    store = shed.config.store.model_copy(update={"path": str(folder / "layday.sqlite")})
    return replace(shed, config=shed.config.model_copy(update={"store": store}))


def test_one_changed_reading_fails(shed: Session, tmp_path: Path) -> None:
    html, other = html_of(shed), copied(shed, tmp_path)
    with sqlite3.connect(other.store_path) as con:
        tables = [row[0] for row in con.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")]
        assert "reading" in tables, tables
        changed = con.execute(
            "UPDATE reading SET value = value + 0.01 WHERE (sensor, at_us) IN (SELECT r.sensor, r.at_us"
            " FROM reading r JOIN sensor s ON s.id = r.sensor WHERE s.name = 'keel.part_c'"
            " ORDER BY r.at_us DESC LIMIT 1)"
        )
        assert changed.rowcount == 1
    con.close()
    assert verified(html, other) == ["k1: keel.part_c: a reading is not what it was"]


def test_a_reading_that_came_late_and_an_entry_that_was_added_fail(shed: Session, tmp_path: Path) -> None:
    html, other = html_of(shed), copied(shed, tmp_path)
    at = AT - timedelta(hours=1, minutes=3)
    store = other.open_store()
    store.add([Reading("keel.air_c", at, 12.0, at)])
    store.close()
    journal = open_journal(other.journal_path)
    assert journal is not None
    journal.mark("k1", Mark.TACK_FREE, Told(at, at))
    journal.close()
    said = verified(html, other)
    assert said[0] == "k1: the journal says something else now"
    assert re.fullmatch(r"k1: keel\.air_c: (\d+) readings are kept, the record has (\d+)", said[1])


def test_a_changed_text_fails(shed: Session) -> None:
    html = html_of(shed)
    assert verified(html.replace("lot A7", "lot A8"), shed) == ["its text was changed after it was made"]


@given(st.text(max_size=300))
def test_what_is_no_record_is_refused_in_words(text: str) -> None:
    from collector.journal_book import EMPTY
    from collector.store.memory import MemoryStore

    with pytest.raises(InputError, match="is no record that layday made"):
        differences(text, MemoryStore(), EMPTY)


def test_paper_has_its_words_on_pages_of_ink(shed: Session, tmp_path: Path) -> None:
    import pypdfium2

    document = pypdfium2.PdfDocument(pdf_bytes("tunnel: hull", blocks_of(shed)))
    text = "".join(page.get_textpage().get_text_range() for page in document)
    assert "cure k1" in text
    assert "SHA-256" in text
    first = np.asarray(document[0].render(scale=1).to_pil().convert("L"))
    document.close()
    assert 0.01 < float((first < 200).mean()) < 0.3  # ink, and not a black page
