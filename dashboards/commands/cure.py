"""`layday cure …` and `layday cup`: what was laid, what was seen, and where it stands."""

import json
from dataclasses import replace
from datetime import UTC, datetime
from typing import Annotated, NamedTuple

import typer
from rich.text import Text

from collector.errors import InputError
from collector.journal import Told
from collector.journal_book import Batch, Book, Cup, Cure, Entry, Mark
from collector.units import parse_duration_min, parse_mass_g, parse_percent, parse_temperature_c
from dashboards.commands.cure_when import after_gel, when
from dashboards.cure_view import caution_words, cure_json, cure_sentences
from dashboards.cure_words import Given, corrected, cure_and_rest, filled, mark_of
from dashboards.cures import lot_learning, read_book, stand, writing
from dashboards.journal_json import cure_entry_json, entry_json
from dashboards.session import Session
from dashboards.terminal.render.tonight import cure_lines
from dashboards.terminal.saying import say
from dashboards.told_time import coming_time
from forecast.card import Family, Stage
from forecast.card_files import find_card
from forecast.cautions import hardener_cautions
from forecast.shed_now import bay_names
from forecast.tonight_ahead import cure_outlook

app = typer.Typer(
    no_args_is_help=True, help="The journal: batches laid, what was seen of them, where they stand."
)

app.command()(when)

_PEROXIDE = (
    "Peroxide and promoter must never meet by themselves: they can explode. Eye shield and gloves on, "
    "air the shed of styrene, no flame near."
)

_At = Annotated[str | None, typer.Option("--at", "-a", help="When, as in 21:40; now if left out.")]
_Card = Annotated[str | None, typer.Option("--card", "-c", help="The resin card: a key, or a .toml file.")]
_Percent = Annotated[
    str | None, typer.Option("--percent", "-p", help="Hardener on 100 of resin, as in 1.75.")
]
_Lot = Annotated[str | None, typer.Option("--lot", "-l", help="The number on the drum.")]
_Mass = Annotated[str | None, typer.Option("--mass", "-m", help="The batch, as in 800g.")]
_Layup = Annotated[str | None, typer.Option("--layup", help="What was wetted, as in '2x450 mat'.")]
_Resin = Annotated[
    str | None, typer.Option("--resin", "-r", help="The resin's temperature when mixed, as in 18C.")
]
_By = Annotated[str | None, typer.Option("--by", help="When it is wanted ready, as in 07:00.")]
_Stage = Annotated[str | None, typer.Option("--stage", help="The stage wanted by then, as in sandable.")]
_Mixed = Annotated[str | None, typer.Option("--mixed", help="When it was mixed, if earlier than laid.")]
_Words = Annotated[list[str] | None, typer.Argument(metavar="[CURE] ...", show_default=False)]


class _Typed(NamedTuple):
    """The options of a batch as they were typed."""

    card: str | None
    percent: str | None
    lot: str | None
    mass: str | None
    layup: str | None
    resin: str | None

    def given(self, bay: str | None, part: str | None) -> Given:
        return Given(
            bay=bay,
            part=part,
            card=self.card,
            catalyst_pct=None if self.percent is None else parse_percent(self.percent),
            lot=self.lot,
            mass_g=None if self.mass is None else parse_mass_g(self.mass),
            layup=self.layup,
            resin_c=None if self.resin is None else parse_temperature_c(self.resin),
        )


def _told(session: Session, at: str | None) -> Told:
    now = session.clock.now()
    return Told(session.moment(at) if at else now, now)


def _say(session: Session, kind: str, key: str, at: datetime, lines: list[str]) -> None:
    """Confirm an entry: in JSON, or in the words given."""
    if session.json:
        answer = {"schema": "layday/entry/1", "kind": kind, "id": key, "at": _iso(at), "words": lines}
        session.console.print_json(json.dumps(answer))
        return
    say(session.console, lines, plain=session.plain)


def _iso(at: datetime) -> str:
    return f"{at.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}"


def _bays(session: Session) -> list[str]:
    """Return the bays of the configuration; of what was ever heard, where it names none."""
    if configured := bay_names(session.config.sensors, {}):
        return configured
    if not session.store_path.exists():
        return []
    store = session.open_store(read_only=True)
    try:
        return bay_names({}, store.sensors())
    finally:
        store.close()


def _batch_words(session: Session, key: str, batch: Batch, laid_at: datetime) -> str:
    lot = f", lot {batch.lot}" if batch.lot else ""
    clock = session.reader.clock(laid_at, session.clock.now())
    wanted = ""
    if batch.ready_by is not None:
        by = session.reader.clock(batch.ready_by, session.clock.now())
        wanted = f"; {batch.ready_stage} wanted by {by}"
    told = f"{batch.part}, {batch.bay}; {batch.card}, {batch.catalyst_pct:g} %{lot}"
    return f"{key}: {told}; laid {clock}{wanted}."


def _batch_cautions(session: Session, batch: Batch) -> list[str]:
    """Read the card, so that a wrong name shows now and not at three in the morning."""
    card = find_card(batch.card, session.card_folders)
    cautions = hardener_cautions(card, batch.catalyst_pct)
    said = [f"! {caution_words(caution, session.reader)}" for caution in cautions]
    if card.generic:
        said.append("! this card is generic: the resin maker's data sheet and local rules decide")
    return said if card.family is Family.EPOXY else [*said, _PEROXIDE]


def _wanted(session: Session, batch: Batch, by: str | None, stage: str | None) -> Batch:
    """Enter the stage wanted and by when; a stage alone is wanted by the configuration's hour."""
    if by is None and stage is None:
        return batch
    hour = session.config.cure.ready_by
    told = by if by is not None else hour if batch.ready_by is None else None
    if told == "":
        raise InputError("--stage: by when? write --by too, as in --by 07:00")
    ready_by = batch.ready_by if told is None else _coming(session, told)
    name = _stage_of(stage or batch.ready_stage or session.config.cure.ready_stage)
    return replace(batch, ready_stage=name, ready_by=ready_by)


def _coming(session: Session, told: str) -> datetime:
    return coming_time(told, session.clock.now(), session.config.shed.zone, "--by")


def _stage_of(word: str) -> str:
    found = [stage.value for stage in Stage if stage.value.startswith(word.strip().lower())]
    if len(found) != 1:
        raise InputError(f"--stage: {word!r} is no stage; one of {', '.join(stage.value for stage in Stage)}")
    return found[0]


@app.command()
def start(  # noqa: PLR0913  a command's options are its arguments
    ctx: typer.Context,
    bay: Annotated[str | None, typer.Argument(help="The bay; its first letters will do.")] = None,
    part: Annotated[str | None, typer.Argument(help="The part, as in 'hull'.")] = None,
    *,
    card: _Card = None,
    percent: _Percent = None,
    lot: _Lot = None,
    mass: _Mass = None,
    layup: _Layup = None,
    resin: _Resin = None,
    mixed: _Mixed = None,
    by: _By = None,
    stage: _Stage = None,
    at: _At = None,
) -> None:
    """Enter a batch that was laid. What is left out is taken over from the last one of its bay."""
    session: Session = ctx.obj
    given = _Typed(card, percent, lot, mass, layup, resin).given(bay, part)
    full = filled(given, read_book(session), _bays(session))
    batch = replace(full.batch, mixed_at=session.moment(mixed, "--mixed") if mixed else None)
    batch = _wanted(session, batch, by, stage)
    cautions = _batch_cautions(session, batch)
    told = _told(session, at)
    with writing(session) as journal:
        key = journal.start(batch, told)
    lines = [_batch_words(session, key, batch, told.at)]
    lines += [f"  {full.remark}"] if full.remark else []
    _say(session, "start", key, told.at, [*lines, *cautions])


@app.command()
def fix(  # noqa: PLR0913  a command's options are its arguments
    ctx: typer.Context,
    cure: Annotated[str | None, typer.Argument(help="The cure, as in k1; the live one if left out.")] = None,
    *,
    bay: Annotated[str | None, typer.Option("--bay", help="The bay it is in.")] = None,
    part: Annotated[str | None, typer.Option("--part", help="The part it is on.")] = None,
    card: _Card = None,
    percent: _Percent = None,
    lot: _Lot = None,
    mass: _Mass = None,
    layup: _Layup = None,
    resin: _Resin = None,
    mixed: _Mixed = None,
    by: _By = None,
    stage: _Stage = None,
    at: _At = None,
) -> None:
    """Correct a batch: what is given stands in place of what was told; --at is when it was laid."""
    session: Session = ctx.obj
    found, _ = cure_and_rest(read_book(session), [cure] if cure else [])
    if cure and found.key != cure.lower():
        read_book(session).cure(cure)  # a name that is none is said so, not taken for the live cure
    batch = corrected(found.batch, _Typed(card, percent, lot, mass, layup, resin).given(bay, part))
    if mixed:
        batch = replace(batch, mixed_at=session.moment(mixed, "--mixed"))
    batch = _wanted(session, batch, by, stage)
    cautions = _batch_cautions(session, batch)
    told = Told(session.moment(at) if at else found.laid_at, session.clock.now())
    with writing(session) as journal:
        journal.fix(found.key, batch, told)
    _say(session, "fix", found.key, told.at, [_batch_words(session, found.key, batch, told.at), *cautions])


@app.command()
def mark(ctx: typer.Context, words: _Words = None, at: _At = None) -> None:
    """Enter what was seen: gel, tack-free, next ply, ground, released, hard, dew. First letters will do."""
    session: Session = ctx.obj
    found, rest = cure_and_rest(read_book(session), words or [])
    if not rest:
        raise InputError("what was seen? write gel, tack-free, next ply, ground, released, hard or dew")
    what, told = mark_of(" ".join(rest)), _told(session, at)
    with writing(session) as journal:
        journal.mark(found.key, what, told)
    clock = session.reader.clock(told.at, session.clock.now())
    lines = [f"{found.key}: {found.batch.part}: {what.value} at {clock}."]
    lines += after_gel(session, found, told.at) if what is Mark.GEL else []
    _say(session, "mark", found.key, told.at, lines)


@app.command()
def note(ctx: typer.Context, words: _Words = None, at: _At = None) -> None:
    """Enter a note."""
    session: Session = ctx.obj
    found, rest = cure_and_rest(read_book(session), words or [])
    told = _told(session, at)
    with writing(session) as journal:
        journal.note(found.key, " ".join(rest), told)
    _say(session, "note", found.key, told.at, [f"{found.key}: noted."])


@app.command()
def end(ctx: typer.Context, words: _Words = None, at: _At = None) -> None:
    """Enter that a cure is over: it is no longer shown or watched."""
    session: Session = ctx.obj
    found = _only_cure(read_book(session), words)
    told = _told(session, at)
    with writing(session) as journal:
        journal.end(found.key, told)
    _say(session, "end", found.key, told.at, [f"{found.key}: {found.batch.part}: over."])


@app.command()
def undo(
    ctx: typer.Context,
    number: Annotated[int | None, typer.Argument(help="The entry's number; the last if left out.")] = None,
) -> None:
    """Take an entry back; it stays in the file, but counts no more."""
    session: Session = ctx.obj
    now = session.clock.now()
    with writing(session) as journal:
        taken = journal.take_back(number, Told(now, now))
    key = str(taken.fields.get("cure", ""))
    _say(session, "take back", key, now, [f"Taken back: {_entry_words(session, taken)}."])


@app.command("list")
def list_cures(
    ctx: typer.Context,
    every: Annotated[bool, typer.Option("--all", help="Show those that are over, too.")] = False,
) -> None:
    """List the live cures."""
    session: Session = ctx.obj
    book = read_book(session)
    cures = list(book.cures.values()) if every else list(book.live)
    if session.json:
        answer = {"schema": "layday/cures/1", "cures": [cure_entry_json(cure) for cure in cures]}
        session.console.print_json(json.dumps(answer))
        return
    for cure in cures:
        line = _batch_words(session, cure.key, cure.batch, cure.laid_at)
        say(session.console, [line + (" Over." if cure.ended_at else "")], plain=session.plain)
    if not cures:
        session.console.print("No live cure." if not every else "No cure yet.")


@app.command()
def show(ctx: typer.Context, words: _Words = None, at: _At = None) -> None:
    """Show one cure: stages, degree-hours, equivalent hours, what it still takes, and its entries."""
    session: Session = ctx.obj
    book = read_book(session)
    found = _only_cure(book, words)
    moment = session.moment(at) if at else min(session.clock.now(), found.ended_at or session.clock.now())
    stands, cards = stand(session, book, [found], moment)
    if cards.mistakes:
        raise InputError("\n".join(cards.mistakes))
    reader, console = session.reader, session.console
    now = cure_outlook(stands[0], None)
    entries = [entry for entry in book.entries if entry.fields.get("cure") == found.key]
    if session.json:
        journal = [entry_json(entry) for entry in entries]
        console.print_json(json.dumps(cure_json(now, reader) | {"journal": journal}))
    elif session.plain:
        say(console, cure_sentences(now, reader), plain=True)
        told = [f"Entry {entry.number}: {_entry_words(session, entry)}" for entry in entries]
        say(console, told, plain=True)
    else:
        console.print(Text("\n").join(cure_lines(now, moment, reader, console.width)))
        say(console, [f"  {entry.number:>3}  {_entry_words(session, entry)}" for entry in entries])


def cup(  # noqa: PLR0913  a command's options are its arguments
    ctx: typer.Context,
    time: Annotated[str, typer.Argument(help="From stirring to gel, as in 27min.")],
    *,
    temp: Annotated[str, typer.Option("--temp", "-t", help="Of resin and room, as in 18C or 64F.")],
    card: _Card = None,
    percent: _Percent = None,
    lot: _Lot = None,
    mass: _Mass = None,
    at: _At = None,
) -> None:
    """Enter a cup test: how long a cup took to gel. What is left out is taken over from the last batch."""
    session: Session = ctx.obj
    typed = _Typed(card, percent, lot, mass, None, None).given("cup", "cup")
    batch = filled(typed, read_book(session), ["cup"]).batch
    find_card(batch.card, session.card_folders)
    test = Cup(
        card=batch.card,
        lot=batch.lot,
        catalyst_pct=batch.catalyst_pct,
        temp_c=parse_temperature_c(temp),
        time_min=parse_duration_min(time, default="min"),
        mass_g=batch.mass_g,
    )
    told = _told(session, at)
    with writing(session) as journal:
        journal.cup(test, told)
    book = read_book(session)
    _say(session, "cup", "", told.at, _cup_lines(session, book, test))


def _cup_lines(session: Session, book: Book, test: Cup) -> list[str]:
    lot = f", lot {test.lot}" if test.lot else ""
    temp = session.reader.temperature(test.temp_c)
    line = f"Cup: {test.card}, {test.catalyst_pct:g} %{lot}: {test.time_min:g} min at {temp}."
    return [line, f"{lot_learning(session, book, test.card, test.lot).words}."]


def _only_cure(book: Book, words: list[str] | None) -> Cure:
    found, rest = cure_and_rest(book, words or [])
    if rest:
        book.cure(rest[0])  # says which there are
    return found


def _entry_words(session: Session, entry: Entry) -> str:
    fields, reader = entry.fields, session.reader
    what = fields.get("what") or fields.get("words") or ""
    if fields["kind"] in {"start", "fix"}:
        what = f"{fields['card']}, {fields['catalyst_pct']:g} %"
    clock = reader.clock(entry.at, session.clock.now())
    return f"{clock}  {fields['kind']} {what}".rstrip()
