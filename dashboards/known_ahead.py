"""The readings of a shed with what is known ahead of them: what every forecast is made from."""

from datetime import datetime
from typing import TYPE_CHECKING

from collector.errors import InputError
from collector.journal_book import EMPTY
from dashboards.session import Session

if TYPE_CHECKING:
    from forecast.past import History
    from forecast.paths import Forecast
    from forecast.unheated import Unheated


def history_of(session: Session, moment: datetime) -> tuple["History", tuple[str, ...]]:
    """Return the readings up to a moment with the programme and outdoor forecast, and what is amiss.

    Hours without the heater that are over are left out. Nothing is asked over the network: that is the
    daemon's.

    Raises
    ------
    InputError
        If there are no sound readings.
    StoreError
        If the store cannot be read.
    """
    from forecast.outages import outage_notes, without_outages
    from forecast.past import read_store
    from forecast.programme import with_programme
    from forecast.weather_keeper import WeatherKeeper, weather_book_path

    store = session.open_store(read_only=True)
    try:
        past = read_store(store, moment)
    finally:
        store.close()
    keeper = WeatherKeeper(session.config.weather, weather_book_path(session.store_path), session.clock)
    config = session.config
    history = with_programme(without_outages(past), config.heater.setpoint_c, config.shed.zone)
    return keeper.known(history), (*outage_notes(past), *keeper.notes)


def unheated_of(
    session: Session, moment: datetime, usual: "Forecast", history: "History"
) -> "Unheated | None":
    """Return the hours ahead without the heater; None where it has not stopped, or none is known.

    Takes some seconds in a shed with a heater: its heat is learned first.

    Raises
    ------
    StoreError
        If the store cannot be read.
    """
    from forecast.heater_keeper import HeaterKeeper

    keeper = HeaterKeeper(session.config, session.card_folders)
    store = session.open_store(read_only=True)
    try:
        keeper.look(store, moment, EMPTY, history)
        return keeper.unheated(usual, history)
    except (InputError, ValueError):  # `layday heater` says why
        return None
    finally:
        store.close()


def hours_of(session: Session, moment: datetime, usual: "Forecast", history: "History") -> "Forecast":
    """Return the hours ahead: those usual, or those without the heater where it has stopped."""
    found = unheated_of(session, moment, usual, history)
    return usual if found is None else found.left_off
