"""What may be done to a cure and when: next ply, grinding, off the mould; and whether cold spoilt it."""

from collector.errors import InputError
from dashboards.ahead_view import arrival_words
from dashboards.cure_view import hours_words, moment_words, when_words
from dashboards.view import Reader
from forecast.card import Stage
from forecast.cautions import Trouble
from forecast.cure_outlook import Arrival, Basis, CureOutlook
from forecast.cure_state import CureState, Moment

STEPS = ("next ply", "grind", "off the mould")
_OTHER_WORDS = {
    "bond": "next ply",
    "recoat": "next ply",
    "ply": "next ply",
    "sand": "grind",
    "release": "off the mould",
}
_LONG_COLD_H = 0.25  # a quarter of an hour of cold is a door left open


def step_of(word: str) -> str:
    """Return the step that a word begins or means.

    Raises
    ------
    InputError
        If it is none.

    >>> step_of("ply"), step_of("gr"), step_of("mould")
    ('next ply', 'grind', 'off the mould')
    """
    short = word.strip().lower()
    for known in (*STEPS, "mould"):
        if short and known.startswith(short):
            return next(step for step in STEPS if step.endswith(known))
    for other, step in _OTHER_WORDS.items():
        if short and other.startswith(short):
            return step
    raise InputError(f"{word!r} is no step; ask for ply, grind or mould, or for none to get all three")


def step_lines(found: CureOutlook, reader: Reader, wanted: str = "") -> list[str]:
    """Return when each step may be taken, one sentence each; only the wanted one if it is named."""
    state = found.state
    if state is None or state.silent_h:
        return ["No news from its bay: nobody can say from here. Look at it, and see 'layday check'."]
    said = {
        STEPS[0]: f"Next ply: {_next_ply(found, state, reader)}.",
        STEPS[1]: f"Grind: {_stage(found, state, Stage.SANDABLE, reader)}.",
        STEPS[2]: f"Off the mould: {_stage(found, state, Stage.HANDLING, reader)}.",
    }
    return [said[wanted]] if wanted else list(said.values())


def _next_ply(found: CureOutlook, state: CureState, reader: Reader) -> str:
    """Say bond, sand or wait: in the recoat window a ply bonds as it is, later only to a ground surface."""
    if state.opens is None or state.closes is None:
        return "its card gives no recoat window; the data sheet decides"
    opens, closes = _edge(found, state.opens, found.opens), _edge(found, state.closes, found.closes)
    at = state.at
    if opens.latest_at is None or at < opens.latest_at:
        from_words = _when(found, state, state.opens, found.opens, reader)
        return f"WAIT until {from_words}; then it bonds as it is until {_until(found, state, reader)}"
    dirt = _first_off(state) + ("; warm it first, as it stands now it is too cold" if state.stalled else "")
    if closes.earliest_at is None or at < closes.earliest_at:
        return f"BOND: it takes the next ply as it is until {_until(found, state, reader)}{dirt}"
    shut = "may have shut" if closes.latest_at is None or at < closes.latest_at else "has shut"
    grind = "mask on, grind till no gloss is left, clear the dust, then lay"
    return f"SAND: the recoat window {shut}; {grind}{dirt}"


def _first_off(state: CureState) -> str:
    """Say what lies on the surface and must come off, whatever the clock says."""
    troubles = {caution.trouble for caution in state.cautions}
    if Trouble.DEW in troubles:
        return "; it was wet from dew: dry and abrade it first"
    return "; wash and abrade the blush off first" if Trouble.BLUSH in troubles else ""


def _until(found: CureOutlook, state: CureState, reader: Reader) -> str:
    closes = state.closes
    if closes is None:
        return ""
    if state.stalled and found.basis is not Basis.FORECAST and closes.earliest_at is not None:
        # the last hours' cold would stretch the window into weeks that nobody should lean on
        return f"{reader.clock(closes.earliest_at, state.at)} at least"
    return _when(found, state, closes, found.closes, reader)


def _edge(found: CureOutlook, now: Moment, ahead: Arrival | None) -> Moment:
    if found.basis is Basis.FORECAST and ahead is not None:
        return Moment(ahead.likely_at, ahead.earliest_at, ahead.latest_at)
    return now


def _when(found: CureOutlook, state: CureState, now: Moment, ahead: Arrival | None, reader: Reader) -> str:
    if found.basis is Basis.FORECAST and ahead is not None:
        return arrival_words(ahead, state.at, reader)
    return moment_words(now, state, reader)


def _stage(found: CureOutlook, state: CureState, wanted: Stage, reader: Reader) -> str:
    stage = next((one for one in state.stages if one.stage is wanted), None)
    if stage is None:
        return f"its card has no {wanted.value} times; the data sheet decides"
    when = when_words(stage, found, state, reader)
    if stage.reached_at is None:
        return f"not yet; from {when}" + (", and not while it is this cold" if state.stalled else "")
    care = "; mask on, no flame near the dust" if wanted is Stage.SANDABLE else ""
    return f"yes, {wanted.value} since {when}{care}"


def cold_words(state: CureState) -> str:
    """Return whether hours of cold have spoilt a cure, as a sentence; empty where it was never too cold.

    That warmth takes up again what cold held back is common practice, no source; that resin which
    lies open before its gel loses styrene likewise.
    """
    if state.stalled_h < _LONG_COLD_H or state.silent_h:
        return ""
    span = hours_words(state.stalled_h)
    if state.stage is None:
        return (
            f"Is it ruined? Cold caught it wet, for {span}: warm it now, no flame near. Styrene leaves an "
            "open film; what is still tacky a day after it was warm comes off."
        )
    return (
        f"Is it ruined? Not by {span} of cold alone: it set, it waits, and goes on when it is warm. Warm it, "
        "then try it in a corner, gloves on and no flame near: what acetone makes tacky is not cured."
    )


def gel_lines(found: CureOutlook, reader: Reader) -> list[str]:
    """Return what to do when a batch has just gone off."""
    return [
        (
            "Now: no more from this pot onto the part. What is left in it gets hot and may smoke: "
            "out of the shed, on bare ground, nothing over it."
        ),
        "Tools into the wash, away from any flame; roll nothing that drags.",
        *step_lines(found, reader),
    ]
