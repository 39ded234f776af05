"""Outlooks of many sheds, made from their central store over several processes, and written back to it.

For sheds whose own box only collects. Each is judged by its own settings and journal, as forwarded.
"""

import os
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from multiprocessing import get_context
from pathlib import Path

from collector.calibration import corrected
from collector.clock import SystemClock, to_us
from collector.config import Config
from collector.errors import InputError, LaydayError
from collector.forward.lines import number_line, text_lines
from collector.forward.sender import Sender
from collector.journal_book import EMPTY
from collector.journal_text import read_journal_text
from collector.shared_settings import with_settings
from collector.store.address import Access, Address
from collector.store.opening import open_central
from collector.store.texts import pack_text
from forecast.outlook import Outlook
from forecast.outlook_json import dump_outlook
from forecast.outlook_maker import make_outlook, shed_of
from forecast.yard_numbers import outlook_numbers


@dataclass(frozen=True, slots=True)
class Refreshing:
    """What refreshing needs: where the yard is, what opens it, as of when; `org` is InfluxDB 2's.

    `days` of readings are learnt from [days]. Learning from a month takes a shed some twenty seconds, from
    three days a third of one; a shed's own daemon learns from all it has.
    """

    address: Address
    access: Access
    org: str
    at: datetime
    days: float
    card_folders: tuple[Path, ...] = ()


@dataclass(frozen=True, slots=True)
class Refreshed:
    """What came of one shed: `trouble` in words, empty where its outlook is written; `took_s` [s]."""

    shed: str
    trouble: str
    took_s: float


def refresh(asked: Refreshing, sheds: Sequence[str], jobs: int) -> Iterator[Refreshed]:
    """Make and write the outlook of each shed, `jobs` at a time; yield them as they are done, in order.

    A shed that fails says why and holds up no other.
    """
    if jobs <= 1:
        for shed in sheds:
            yield refresh_shed(asked, shed)
        return
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ.setdefault(name, "1")  # the processes are the threads
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        yield from pool.map(refresh_shed, [asked] * len(sheds), sheds, chunksize=4)


def refresh_shed(asked: Refreshing, shed: str) -> Refreshed:
    """Make and write the outlook of one shed."""
    began_s = time.monotonic()
    try:
        outlook = _made(asked, shed)
        _write(asked, outlook)
        trouble = ""
    except LaydayError as error:
        trouble = str(error)
    return Refreshed(shed, trouble, time.monotonic() - began_s)


def _made(asked: Refreshing, shed: str) -> Outlook:
    from forecast.forecaster import forecast
    from forecast.outages import without_outages
    from forecast.past import read_store

    far = open_central(asked.address.of(shed), asked.access, SystemClock())
    try:
        settings, journal = far.read_state("settings"), far.read_state("journal")
        config = with_settings(Config(), settings.text) if settings else Config()
        book = read_journal_text(journal.text) if journal else EMPTY
        store = corrected(far, config.corrections)
        notes: tuple[str, ...] = ()
        ahead = None
        try:
            past = read_store(store, asked.at, timedelta(days=asked.days))
            ahead = forecast(without_outages(past), asked.at)
        except InputError as error:
            notes = (str(error),)
        judged = replace(shed_of(config, asked.card_folders), name=shed)
        outlook = make_outlook(store, judged, asked.at, forecast=ahead, book=book, notes=notes)
    finally:
        far.close()
    return outlook


def _write(asked: Refreshing, outlook: Outlook) -> None:
    at_us = to_us(outlook.issued_at)
    sender = Sender(asked.address, asked.access, asked.org, SystemClock())
    numbers = number_line("layday_shed", {"shed": outlook.shed}, outlook_numbers(outlook), at_us)
    try:
        sender.send([*text_lines(outlook.shed, "outlook", pack_text(dump_outlook(outlook)), at_us), numbers])
    finally:
        sender.close()
