"""The heater, asked about every few minutes: the shed's heat is learned seldom, the rest is new each time."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from collector.clock import from_us, to_us
from collector.config import Config
from collector.errors import ConfigError, InputError
from collector.heater_config import HeaterConfig
from collector.journal_book import Book
from collector.store.base import Store
from forecast.batches import Cards, learned_pots
from forecast.card_files import find_card
from forecast.heater import heater_outlook
from forecast.heater_reading import (
    HeaterPast,
    coming,
    forecast_weather,
    programme_ahead,
    read_heater_past,
    settings_of,
    with_near,
)
from forecast.heater_shed import (
    PIPE,
    Coming,
    HeaterSettings,
    Part,
    PotPlan,
    ReadyShed,
    is_steered,
    ready_shed,
)
from forecast.heater_state import HeaterOutlook, Sign
from forecast.outside_ahead import outside_ahead
from forecast.past import History
from forecast.paths import PATHS, Forecast
from forecast.resin import gel_surface
from forecast.thermostat import sawtooth
from forecast.unheated import AHEAD_STEP_S, AHEAD_STEPS, Unheated, unheated

RELEARN = timedelta(hours=6)
"""A shed's heat changes with its skin and its doors, not by the hour; learning takes seconds."""

_SAW_TOOTH = "saw-tooth"


class HeaterKeeper:
    """Keeps what was learned of a shed's heat between questions. Not for several threads."""

    def __init__(self, config: Config, card_folders: Sequence[Path]) -> None:
        self._config = config
        self._folders = card_folders
        self._ready: ReadyShed | None = None
        self._learned_at: datetime | None = None
        self._stopped: ReadyShed | None = None

    def look(
        self, store: Store, at: datetime, book: Book, known: History | None = None
    ) -> HeaterOutlook | None:
        """Return what can be said of the heater at a moment; None in a shed where nothing tells of one.

        Parameters
        ----------
        store : Store
            The readings.
        at : datetime
            The moment, aware.
        book : Book
            The journal: the pot planned is like the newest one laid where the thermostat hangs.
        known : History, optional
            With the outdoor forecast in its `ahead`.

        Raises
        ------
        InputError
            If no bay's air was heard in the last week.
        StoreError
            If the store cannot be read.
        """
        self._stopped = None
        if not self.is_there(store):
            return None
        config = self._config
        heard = read_heater_past(store, at)
        settings = settings_of(config.heater)
        later = coming(heard, config.heater, config.shed.zone, known)
        ready = self._learned(heard, settings, later, at)
        bay = ready.past.bays[ready.shed.thermostat.place]
        pot = self._pot(store, at, book, bay)
        target_c = config.limits.part_min_c if pot is None else pot.card.application.temp_min_c
        found = heater_outlook(
            ready,
            settings,
            later,
            at,
            pot=pot,
            part=Part(target_c, air_max_c=config.limits.air_max_c),
            gas=heard.series.get("heater.gas_kg"),
        )
        self._stopped = _flameless(ready, found.sign_since) if found.sign is Sign.HEATER_STOPPED else None
        return found

    def unheated(self, usual: Forecast, known: History | None = None) -> Unheated | None:
        """Return the hours ahead without the heater; None where the last look did not find that it stopped.

        Parameters
        ----------
        usual : Forecast
            Of the shed as it usually goes on.
        known : History, optional
            With the outdoor forecast in its `ahead`.
        """
        ready = self._stopped
        if ready is None:
            return None
        config, past = self._config, ready.past.every(AHEAD_STEP_S // ready.past.step_s)
        weather = None if known is None else forecast_weather(known, past, AHEAD_STEPS)
        return unheated(
            ready,
            usual,
            weather or outside_ahead(past, AHEAD_STEPS, PATHS),
            programme_ahead(past, config.heater.setpoint_c, config.shed.zone, AHEAD_STEPS),
            from_us(int(past.times_us[-1])),
        )

    def is_there(self, store: Store) -> bool:
        """Say whether readings or configuration tell of a heater."""
        return self._config.heater != HeaterConfig() or any(
            name.startswith("heater.") for name in store.sensors()
        )

    def _learned(self, heard: HeaterPast, settings: HeaterSettings, later: Coming, at: datetime) -> ReadyShed:
        """Put the newest past to what was learned before; learn anew where that is old or does not fit."""
        ready, learned_at = self._ready, self._learned_at
        if ready is not None and learned_at is not None and ready.past.bays == heard.past.bays:
            fresh = timedelta(0) <= at - learned_at < RELEARN
            continued = _continued(ready, heard, later) if fresh else None
            if continued is not None:
                return continued
        ready = with_near(ready_shed(heard.past, settings), heard, later, None)
        self._ready, self._learned_at = ready, at
        return ready

    def _pot(self, store: Store, at: datetime, book: Book, bay: str) -> PotPlan | None:
        newest = [cure.batch for cure in book.cures.values() if cure.batch.bay == bay]
        if not newest:
            return None
        batch = newest[-1]
        try:
            card = find_card(batch.card, self._folders)
        except (InputError, ConfigError):  # the cure itself says so
            return None
        if not card.catalyst_min_pct <= batch.catalyst_pct <= card.catalyst_max_pct:
            return None
        pots = learned_pots(book, Cards({batch.card: card}, ()), store, at).get(card.key, [])
        return PotPlan(card, gel_surface(card, pots, batch.lot), batch.catalyst_pct)


def _flameless(ready: ReadyShed, since: datetime | None) -> ReadyShed:
    """Return a shed whose heater gave nothing from a moment on: a relay may call for heat without a flame."""
    past = ready.past
    if since is None:
        return ready
    return replace(ready, past=past.with_burn(np.where(past.times_us > to_us(since), 0.0, past.burn_share)))


def _continued(ready: ReadyShed, heard: HeaterPast, later: Coming) -> ReadyShed | None:
    """Return the learned shed with a newer past; None where it does not go with what is known now."""
    past = heard.past
    if is_steered(past) != (ready.source == PIPE):
        return None
    if ready.near is not None:
        if heard.near is None or ready.near.knows_weather != (later.weather is not None):
            return None
        return replace(ready, past=past, near=replace(ready.near, past=heard.near))
    if ready.source != _SAW_TOOTH:
        return replace(ready, past=past)
    found = sawtooth(past)
    if found is None:
        return None
    burn, middle_c, _ = found
    told = bool(np.isfinite(past.setpoint_c).any())
    return replace(
        ready, past=replace(past, burn_share=burn, setpoint_c=past.setpoint_c if told else middle_c)
    )
