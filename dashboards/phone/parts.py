"""The parts of the phone page as HTML. Every word from outside is escaped."""

from collections.abc import Iterable
from html import escape

from dashboards.ahead_view import TRACK_WORDS, ahead_words
from dashboards.care import SHEET_DECIDES, tonight_cautions
from dashboards.cure_view import age_of, caution_words, headline, recoat_words, when_words
from dashboards.heater_view import heater_lines, heater_verdict
from dashboards.view import Reader, bay_numbers, reason_words
from dashboards.view import headline as bay_headline
from dashboards.watch_view import Matter
from dashboards.window_view import window_cautions, window_says
from forecast.cure_outlook import CureOutlook
from forecast.cure_state import StageState
from forecast.heater_state import HeaterOutlook
from forecast.outlook import BayOutlook, Outlook
from forecast.verdict import Verdict
from forecast.window_answer import JobWindows


def told(tag: str, words: str, kind: str = "") -> str:
    """Return an element that holds only words; nothing where there are none."""
    if not words:
        return ""
    return f"<{tag}{_class(kind)}>{_unbroken(escape(words))}</{tag}>"


def sentence(words: str) -> str:
    """Return words with a capital and a full stop; nothing where there are none."""
    if not words:
        return ""
    text = f"{words[:1].upper()}{words[1:]}"
    return text if text.endswith((".", "!", "?")) else f"{text}."


def section(title: str, inner: Iterable[str]) -> str:
    """Return a section under its heading; nothing where it would be empty."""
    text = "".join(inner)
    return f"<section>{told('h2', title)}{text}</section>" if text else ""


def verdict_class(verdict: Verdict) -> str:
    """Return the style's name of a verdict."""
    return verdict.value.replace(" ", "-")


def first_part(matter: Matter) -> str:
    """Return what comes first, in large words."""
    number = ""
    if matter.number:
        number = f'<p class="num">{_unbroken(escape(matter.number))} {told("small", matter.counted)}</p>'
    to_do = f"To do: {matter.to_do}." if matter.to_do else ""
    return (
        f'<section class="first {verdict_class(matter.verdict)}">'
        f'<h1 id="word">{escape(matter.word)}</h1>{told("p", matter.about, "about")}{number}'
        f"{told('p', sentence(matter.why))}"
        f"{told('p', to_do, 'do')}</section>"
    )


def cures_part(outlook: Outlook, reader: Reader) -> str:
    """Return every live cure."""
    blocks = [_cure(cure, outlook, reader, i) for i, cure in enumerate(outlook.cures)]
    blocks += [told("p", sentence(caution)) for caution in tonight_cautions(outlook.cures)]
    return section("Cures", blocks or [told("p", "No live cure.")])


def _cure(cure: CureOutlook, outlook: Outlook, reader: Reader, number: int) -> str:
    badge = told("span", TRACK_WORDS[cure.verdict], f"v {verdict_class(cure.verdict)}")
    inner = [
        f"<h3>{escape(f'{cure.part}, {cure.bay} ({cure.key})')} {badge}</h3>",
        told("p", sentence(f"{headline(cure)}; laid {age_of(cure, outlook.issued_at)}")),
    ]
    state = cure.state
    if state is not None:
        inner += [
            _stage(stage, when_words(stage, cure, state, reader), f"s{number}{stage.stage.name.lower()}")
            for stage in state.stages
        ]
        says = [caution_words(caution, reader) for caution in state.cautions]
        says += [recoat_words(state, cure, reader)]
        inner += [_line(words) for words in ahead_words(cure, state, reader)]
        inner += [told("p", sentence(words)) for words in says if words]
    return f"<article>{''.join(inner)}</article>"


def _stage(stage: StageState, when: str, key: str) -> str:
    """Return a stage's progress with its label, and in words what the bar shows."""
    pct = min(100, int(100.0 * stage.progress)) if stage.reached_at is None else 100
    words = when if stage.reached_at is not None else f"{pct} %; {when}"
    return (
        f'<div class="st"><label for="{key}">{stage.stage.value}</label>'
        f'<progress id="{key}" max="100" value="{pct}">{pct} %</progress>{told("span", words)}</div>'
    )


def bays_part(outlook: Outlook, reader: Reader) -> str:
    """Return every bay as it is."""
    return section("Fit to glass now", (_bay(bay, reader) for bay in outlook.bays))


def _bay(bay: BayOutlook, reader: Reader) -> str:
    now = bay.now
    badge = told("span", now.verdict.value, f"v {verdict_class(now.verdict)}")
    why = ", ".join(reason_words(reason, reader) for reason in now.reasons)
    if now.verdict is Verdict.GO:
        why = bay_headline(now.verdict)
    numbers = "".join(
        told("dt", name) + told("dd", words) for name, words in bay_numbers(now, reader) if name != "age"
    )
    return (
        f"<article><h3>{escape(bay.bay)} {badge}</h3>{told('p', sentence(why))}<dl>{numbers}</dl></article>"
    )


def windows_part(outlook: Outlook, reader: Reader) -> str:
    """Return when each planned job can be started."""
    every = [found for bay in outlook.bays for found in bay.windows]
    blocks = [_job(found, outlook, reader) for found in every]
    blocks += [told("p", sentence(caution)) for caution in window_cautions(every) if caution != SHEET_DECIDES]
    return section("Windows, next 72 hours", blocks)


def _job(found: JobWindows, outlook: Outlook, reader: Reader) -> str:
    badge = told("span", found.verdict.value, f"v {verdict_class(found.verdict)}")
    lines = window_says(found, outlook.issued_at, reader)
    says = "".join(told("p", sentence(words)) for words in lines)
    return f"<article><h3>{escape(f'{found.job}, {found.bay}')} {badge}</h3>{says}</article>"


def heater_part(outlook: Outlook, reader: Reader) -> str:
    """Return what the heater does and what to do with it."""
    return section("Heater", (_heater(bay.heater, reader) for bay in outlook.bays if bay.heater is not None))


def _heater(found: HeaterOutlook, reader: Reader) -> str:
    verdict = heater_verdict(found)
    badge = told("span", verdict.value, f"v {verdict_class(verdict)}")
    first, *rest = (words.removeprefix("? ").removeprefix("- ") for words in heater_lines(found, reader))
    first = first.removeprefix(f"{found.bay}: ")  # it stands in the heading
    says = told("p", sentence(first), "do") + "".join(told("p", sentence(words)) for words in rest)
    return f"<article><h3>{escape(found.bay)} {badge}</h3>{says}</article>"


def notes_part(outlook: Outlook) -> str:
    """Return what is missing or weaker than usual."""
    notes = [*outlook.mistakes, *outlook.notes, *(note for bay in outlook.bays for note in bay.notes)]
    lines = "".join(told("li", sentence(note)) for note in dict.fromkeys(notes))
    return section("What to know", [f"<ul>{lines}</ul>"] if lines else [])


def _unbroken(text: str) -> str:
    """Keep numbers and their units on one line."""
    return text.replace(" °", "\u00a0°").replace(" %", "\u00a0%")


def _line(words: str) -> str:
    return told("p", words, "do" if words.startswith(("To do", "!", "Or ")) else "")


def _class(kind: str) -> str:
    return f' class="{kind}"' if kind else ""
