"""`layday` alone: what it knows now, and what to type next."""

import json
from collections.abc import Iterable
from datetime import datetime

from collector.journal import open_journal
from collector.journal_book import Cure, Mark
from dashboards.session import EXIT_CODES, Session
from dashboards.shed_at import shed_at
from dashboards.terminal.saying import say
from dashboards.view import SYMBOLS, age_words, bay_sentence, now_json
from forecast.shed_now import ShedNow
from forecast.verdict import WORST_FIRST, Verdict

_WIDEST = 44


def overview(session: Session) -> int:
    """Print a line for each bay and live cure and the commands that come next; return the exit code."""
    moment = session.clock.now()
    if session.central is None and not session.store_path.exists():
        return _nothing_yet(session)
    now = shed_at(session, moment)
    cures = _live(session)
    if session.json:
        session.console.print_json(json.dumps(now_json(now, session.reader)))
        return EXIT_CODES[now.verdict]
    say(session.console, _known(session, now, cures, moment), plain=session.plain)
    _say_next(session, next_commands(now, cures))
    return EXIT_CODES[now.verdict]


def _live(session: Session) -> list[Cure]:
    """Return the live cures; read from the journal itself, since working them out takes longer to load."""
    journal = None if session.central else open_journal(session.journal_path, read_only=True)
    if journal is None:
        return []
    try:
        return list(journal.book().live)
    finally:
        journal.close()


def _nothing_yet(session: Session) -> int:
    say(session.console, ["Nothing has been measured yet."], plain=session.plain)
    _say_next(
        session,
        [
            ("layday demo", "a simulated shed, to see what it does"),
            ("layday listen", "finds your sensors, and writes their configuration"),
            ("layday run", "takes readings, and keeps them"),
            ("layday mix -c generic-vinyl-ester -t 18C -w 35min", "needs no sensors"),
        ],
    )
    return EXIT_CODES[Verdict.NO_NEWS]


def _known(session: Session, now: ShedNow, cures: Iterable[Cure], at: datetime) -> list[str]:
    lines = [f"{now.shed}  {session.reader.stamp(at)}"]
    lines += [
        f"{'' if session.plain else f'{SYMBOLS[bay.verdict]} '}{bay_sentence(bay, session.reader)}"
        for bay in sorted(now.bays, key=lambda bay: WORST_FIRST.index(bay.verdict))
    ]
    for cure in cures:
        marked = max(cure.marks.items(), key=lambda item: item[1], default=None)
        seen = "no gel marked yet" if marked is None else f"{marked[0].value} seen"
        laid = age_words((at - cure.laid_at).total_seconds())
        lines.append(f"  {cure.key}  {cure.batch.part}, {cure.batch.bay}: laid {laid} ago, {seen}.")
    return lines


def next_commands(now: ShedNow, cures: Iterable[Cure]) -> list[tuple[str, str]]:
    """Return what to type next and why, what is most pressing first."""
    verdicts = {bay.verdict: bay.bay for bay in now.bays}
    said = []
    if Verdict.NO_NEWS in verdicts or not now.bays:
        said.append(("layday check", "what is wrong with the sensors"))
    live = list(cures)
    wet = [cure for cure in live if Mark.GEL not in cure.marks]
    said += [(f"layday cure mark {cure.key} gel", "when it goes off") for cure in wet]
    if live:
        said += [
            ("layday tonight", "is every cure on track"),
            (f"layday cure when {live[-1].key}", "next ply, grind, off the mould"),
        ]
    if Verdict.NO_GO in verdicts or Verdict.TIGHT in verdicts:
        said += [("layday now", "why, and what to do"), ("layday windows", "when it will be fit to glass")]
    if Verdict.GO in verdicts:
        bay = verdicts[Verdict.GO]
        said += [
            (f"layday mix -c CARD --bay {bay} -w 35min", "how much catalyst, how big a pot"),
            (f"layday cure start {bay} PART", "when a batch is laid"),
        ]
    return [
        *said,
        ("layday heater", "will it overshoot; is there gas"),
        ("layday --help", "the rest"),
    ]


def _say_next(session: Session, commands: list[tuple[str, str]]) -> None:
    if session.plain:
        say(session.console, [f"{typed}: {why}." for typed, why in commands], plain=True)
        return
    widest = max(len(typed) for typed, _ in commands if len(typed) <= _WIDEST)
    roomy = session.console.width >= widest + max(len(why) for _, why in commands) + 4
    lines = ["", "What to type next:"]
    for typed, why in commands:
        lines += [f"  {typed:<{widest}}  {why}"] if roomy else [f"  {typed}", f"      {why}"]
    for line in lines:
        session.console.print(line, markup=False, soft_wrap=True)
