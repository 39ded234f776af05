"""`layday listen`: what sensors say, what it seems to be, and the configuration that takes it in."""

import json
import time
import tomllib
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import datetime
from typing import Annotated

import typer

from collector.errors import InputError, SourceError, StoreError
from collector.source_config import BrokerConfig
from collector.store.lock import hold_store
from dashboards.listening.ears import Ear, PutAsideEar, at_broker, at_own_listener
from dashboards.listening.guess import guess
from dashboards.listening.heard import Book, HeardField
from dashboards.listening.proposal import (
    ProposedTopic,
    configured_as,
    propose,
    quoted,
    shown,
    tables,
    words_for,
)
from dashboards.session import Session, usual_config_path

_PORTS = range(1, 65_536)


def listen(
    ctx: typer.Context,
    for_s: Annotated[float, typer.Option("--for", min=0.1, help="For how many seconds.")] = 60.0,
    broker: Annotated[
        str | None, typer.Option(help="HOST or HOST:PORT of a broker, if not the configured one.")
    ] = None,
    topic: Annotated[str, typer.Option(help="The topics to hear at the broker.")] = "#",
) -> None:
    """Show the topics and fields that sensors send, what each seems to be, and configuration to paste.

    All of the answer is one piece of configuration: what is not a setting stands behind a #. Sensors
    send every few seconds or minutes: listen for as long as the slowest takes. Ctrl-C ends it earlier.
    """
    session: Session = ctx.obj
    settings = _broker(session, broker)
    book = Book()
    with _ear(session, settings, topic) as ear:
        _say(session, f"# Listening for {for_s:g} s to {ear.words}.")
        _hear(session, ear, book, for_s)
    now = session.clock.now()
    found = propose(book, session.config, now)
    text = "\n".join([*_source_tables(session, settings, asked=broker is not None), *tables(found)]).strip()
    if session.json:
        session.console.print_json(json.dumps(_listen_json(ear.words, found, text, now)))
        return
    for line in _summary(session, book, found):
        _say(session, line)
    typer.echo(text)


def _say(session: Session, line: str) -> None:
    if not session.json:
        typer.echo(line)


def _broker(session: Session, asked: str | None) -> BrokerConfig | None:
    if asked is None:
        return session.config.broker
    host, _, port = asked.rpartition(":") if asked.count(":") == 1 else (asked, "", "1883")
    if not host or not port.isdecimal() or int(port) not in _PORTS:
        raise InputError(f"--broker {asked!r}: write HOST or HOST:PORT, as in 127.0.0.1:1883")
    given = session.config.broker
    if given is not None:
        return given.model_copy(update={"host": host, "port": int(port)})
    return BrokerConfig(host=host, port=int(port))


@contextmanager
def _ear(session: Session, broker: BrokerConfig | None, topic: str) -> Iterator[Ear]:
    """Open the ear that fits: broker, daemon, or the daemon's place while it is empty."""
    if broker is not None:
        with at_broker(broker, topic, session.clock) as ear:
            yield ear
        return
    try:
        with hold_store(session.store_path), closing(session.open_store()) as store:
            with at_own_listener(session.config, store, session.clock) as ear:
                yield ear
            return
    except SourceError as error:
        hint = "if a broker has it: layday listen --broker 127.0.0.1"
        raise SourceError(f"{error}; {hint}") from error
    except StoreError as error:
        if "another 'layday run'" not in str(error):
            raise
    with closing(session.open_store(read_only=True)) as store:
        yield PutAsideEar(store, session.clock)


def _hear(session: Session, ear: Ear, book: Book, for_s: float) -> None:
    """Fill the book, telling each new field as it comes."""
    end_s = time.monotonic() + for_s
    try:
        while (left_s := end_s - time.monotonic()) > 0:
            for item in ear.hear(min(left_s, 0.2)):
                fresh = book.hear(item.topic, item.payload, item.at, retained=item.retained, whole=item.whole)
                for field in fresh:
                    _say(session, _field_line(session, field, item.at))
    except KeyboardInterrupt:
        return


def _field_line(session: Session, field: HeardField, at: datetime) -> str:
    value = shown(str(field.values[-1]), 20) if field.values else "-"
    known = configured_as(session.config, field)
    what = f"{known} already" if known else words_for(guess(field, at))
    clock = at.astimezone(session.reader.zone).strftime("%H:%M:%S")
    return f"# {clock}  {shown(f'{field.topic} {field.name}'.rstrip(), 60)}  {value}  {what}"


def _summary(session: Session, book: Book, found: list[ProposedTopic]) -> Iterator[str]:
    """Yield what a person should know before pasting."""
    yield "#"
    if not found:
        yield "# Nothing was heard. Are the sensors on, and do they publish to this computer or broker?"
        return
    fields = [one for topic in found for one in topic.fields]
    new = [one for one in fields if one.guess.sure and one.guess.quantity and not one.configured]
    unsure = [one for one in fields if one.guess.quantity and not one.guess.sure and not one.configured]
    yield f"# {len(found)} topics, {len(fields)} fields: {len(new)} to add, {len(unsure)} for you to judge."
    for topic in found:
        heard = topic.heard
        if heard.trouble:
            yield f"# {shown(heard.topic)}: {shown(heard.trouble)}"
        elif heard.retained_count == heard.count and topic.time_pointer is None:
            yield f"# {shown(heard.topic)}: retained only; it is no reading until its sensor sends again"
        for one in topic.fields:
            if not (one.configured or one.guess.quantity or one.guess.is_time):
                yield f"# {shown(f'{heard.topic} {one.field.name}'.rstrip())}: {shown(one.guess.reason)}"
    if book.left_out_count:
        yield f"# {book.left_out_count} messages of further topics were left out: name some with --topic"
    if new or unsure:
        file = session.config_path or usual_config_path()
        yield f"# Put these lines into {file}, give places the names of your bays, and take the # from those"
        yield "# that you know to be right. A place 'outdoor' or 'heater' is one like any other."


def _source_tables(session: Session, broker: BrokerConfig | None, *, asked: bool) -> list[str]:
    """Return the tables that make `layday run` hear what was heard, where the file has none."""
    if broker is None or not asked:
        return []
    there = tomllib.loads(session.config_path.read_text(encoding="utf-8")) if session.config_path else {}
    lines = []
    if "broker" not in there:
        lines += ["[broker]", f"host = {quoted(broker.host)}", f"port = {broker.port}"]
    if "listener" not in there:
        lines += [
            "",
            "[listener]",
            "enabled = false  # true, where sensors publish straight to layday as well",
        ]
    return lines


def _listen_json(words: str, found: list[ProposedTopic], text: str, now: datetime) -> dict[str, object]:
    """Return ``layday/listen/1``."""
    return {
        "schema": "layday/listen/1",
        "at": now.isoformat().replace("+00:00", "Z"),
        "heard": words,
        "topics": [
            {
                "topic": topic.heard.topic,
                "shape": topic.heard.shape,
                "messages": topic.heard.count,
                "retained": topic.heard.retained_count,
                "every_s": topic.heard.every_s,
                "trouble": topic.heard.trouble,
                "time_pointer": topic.time_pointer,
                "fields": [
                    {
                        "name": one.field.name,
                        "newest": one.field.values[-1] if one.field.values else None,
                        "quantity": one.guess.quantity,
                        "unit": one.guess.unit,
                        "place": one.place,
                        "sure": one.guess.sure,
                        "reason": one.guess.reason,
                        "configured": one.configured,
                    }
                    for one in topic.fields
                ],
            }
            for topic in found
        ],
        "configuration": text,
    }
