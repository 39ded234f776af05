"""Where a shed's warmth goes: what each bay loses, which loses and which leaks clearly most, and why."""

from collections.abc import Iterator, Sequence
from datetime import datetime

import numpy as np

from collector.config import Config
from collector.errors import InputError
from collector.store.base import Store
from dashboards.record.document import Block, Table, Words
from forecast.bay_loss import CLEAR_SHARE, LEAKS_PER_H, BayLoss, bay_losses, leaks_most, loses_most
from forecast.heater_reading import read_heater_past, settings_of
from forecast.heater_shed import ReadyShed, ready_shed
from forecast.thermostat import sawtooth

_NOT_KNOWN = "Not known: it takes outdoor.air_c, and something that tells when the heater burns."
_LEAST_H = 24.0


def leak_blocks(store: Store, config: Config, end: datetime) -> Iterator[Block]:
    """Yield what the week before `end` tells of each bay's losses: some seconds of learning.

    Raises
    ------
    StoreError
        If the store cannot be read.
    """
    ready = _learned(store, config, end)
    if ready is None:
        yield Words(_NOT_KNOWN)
        return
    losses = bay_losses(ready)
    yield from loss_words(losses)
    yield Table(
        [_row(one) for one in losses],
        ("bay", "loses to the outdoors", "in still air", "wind adds", "changes of air"),
    )
    doubts = "; ".join(ready.shed.heat.unknown)
    yield Words(
        "Learned from the last week; a skin that drips comes out up to a fifth low."
        + (f" {doubts[:1].upper()}{doubts[1:]}." if doubts else "")
    )


def loss_words(losses: Sequence[BayLoss]) -> Iterator[Words]:
    """Yield which bay loses most warmth, and which leaks most air, each with its reason."""
    yield Words(_loss_words(losses))
    yield Words(_leak_words(losses))


def _learned(store: Store, config: Config, end: datetime) -> ReadyShed | None:
    """Return the shed as its last week teaches it; None where that would be guessing."""
    try:
        past = read_heater_past(store, end).past
    except InputError:  # no bay's air was heard in that week
        return None
    heard_h = np.count_nonzero(np.isfinite(past.out_c)) * past.step_s / 3600.0
    if heard_h < _LEAST_H or not (np.isfinite(past.burn_share).any() or sawtooth(past)):
        return None
    ready = ready_shed(past, settings_of(config.heater))
    burn = ready.past.burn_share[np.isfinite(ready.past.burn_share)]
    return ready if np.ptp(burn) > 0.0 else None


def _row(one: BayLoss) -> tuple[str, ...]:
    changes = "-" if one.changes_per_h is None else f"{one.changes_per_h:.1f} an hour"
    return (
        one.bay,
        f"{one.loss_w_k:.0f} W/K",
        f"{one.still_w_k:.0f} W/K",
        f"{one.wind_w_k:.0f} W/K",
        changes,
    )


def _loss_words(losses: Sequence[BayLoss]) -> str:
    """Say which bay loses most warmth, and by which way it loses what the others do not."""
    worst = loses_most(losses)
    if worst is None:
        bays = " and ".join(one.bay for one in losses[:2])
        return f"{bays} lose alike: within {100.0 * CLEAR_SHARE:.0f} %, which is how far this errs."
    others = [one for one in losses if one is not worst]
    than = f", {others[0].bay} {others[0].loss_w_k:.0f} W/K" if others else ""
    wind, whole = worst.wind_w_k, worst.loss_w_k
    if others:
        wind -= sum(one.wind_w_k for one in others) / len(others)
        whole -= sum(one.loss_w_k for one in others) / len(others)
    why = (
        "what it loses more comes with the wind: see to hem, door and windward seams"
        if wind >= 0.5 * whole
        else "what it loses more goes in still air: a larger or a thinner skin; a second skin"
        " or a blanket over it saves fuel"
    )
    if not others:
        why = f"{100.0 * worst.wind_w_k / worst.loss_w_k:.0f} % of it comes with the wind"
    return f"{worst.bay} loses most: {worst.loss_w_k:.0f} W/K{than}; {why}."


def _leak_words(losses: Sequence[BayLoss]) -> str:
    """Say which bay leaks most air, and whether wind drives it."""
    known = [one for one in losses if one.changes_per_h is not None]
    if not known:
        return "Leaks are not told from a thin skin: it takes humidity_pct in the bays."
    worst = leaks_most(known)
    if worst is None or worst.changes_per_h is None or worst.still_changes_per_h is None:
        most = max(one.changes_per_h or 0.0 for one in known)
        if most < LEAKS_PER_H:
            return f"No bay leaks much: its air is changed {most:.1f} times an hour at most."
        return "No bay leaks clearly more than another."
    calm_share = worst.still_changes_per_h / worst.changes_per_h
    why = (
        "most of it without any wind: a vent, a gap, a door that stands ajar"
        if calm_share >= 0.5  # noqa: PLR2004  half
        else "most of it with the wind: hem, door and windward seams"
    )
    return f"{worst.bay} leaks most: its air is changed {worst.changes_per_h:.1f} times an hour, {why}."
