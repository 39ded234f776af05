"""`layday hindcast`: replay the past as if live, and say how good the forecasts were."""

import json
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.progress import Progress
from rich.table import Table

from collector.errors import InputError
from dashboards.hindcasts import (
    Jobs,
    Nights,
    limits_asked,
    replay_cures,
    replay_windows,
    score_tables,
)
from dashboards.plots import check_plot, draw_plot
from dashboards.session import Session
from dashboards.terminal.saying import row_sentences, say

if TYPE_CHECKING:
    from forecast.hindcast import Plan, Weather
    from forecast.past import History

_COLUMNS = ("n", "mae", "bias", "crps", "cover80", "width80", "cover80_worst_week")
_NAIVE = ("mae_persistence", "mae_yesterday")
_HEADS = ("hours", "n", "error", "bias", "CRPS", "in 80 %", "width", "worst week", "as now", "yesterday")


def hindcast(  # noqa: PLR0913, PLR0917  one parameter per option
    ctx: typer.Context,
    file: Annotated[
        Path | None, typer.Argument(help="A .csv or .csv.gz file; left out, the own store.")
    ] = None,
    start: Annotated[str | None, typer.Option("--from", help="First origin, as 2026-04-03T00:00Z.")] = None,
    end: Annotated[str | None, typer.Option("--to", help="End of the origins.")] = None,
    every: Annotated[str, typer.Option(help="Time between origins, in whole hours.")] = "1h",
    horizon: Annotated[str, typer.Option(help="How far ahead to score, as 48h.")] = "48h",
    bay: Annotated[str | None, typer.Option(help="Only this bay.")] = None,
    weather: Annotated[
        str, typer.Option(help="What is known of the outdoors ahead: none, perfect, column.")
    ] = "none",
    jobs: Annotated[int, typer.Option(min=1, help="Processes to use.")] = 1,
    plot: Annotated[Path | None, typer.Option(help="Draw the scores into this .png file.")] = None,
    windows: Annotated[bool, typer.Option("--windows", help="Score decisions to start a job.")] = False,
    job_h: Annotated[
        float, typer.Option("--job-hours", min=0.5, max=48, help="How long the job lasts.")
    ] = 4.0,
    temp_min_c: Annotated[
        float | None, typer.Option("--temp-min", help="Air and part stay above this, in °C.")
    ] = None,
    humidity_max_pct: Annotated[
        float | None, typer.Option("--humidity-max", help="Humidity stays below this, in %.")
    ] = None,
    margin_min_k: Annotated[
        float | None, typer.Option("--margin-min", help="The part stays so far above dew, in °C.")
    ] = None,
    cures: Annotated[bool, typer.Option("--cures", help="Score the hours said at bedtime.")] = False,
    card: Annotated[str, typer.Option(help="Resin card of the cures.")] = "generic-vinyl-ester",
    catalyst_pct: Annotated[
        float | None, typer.Option("--percent", help="Their catalyst; else the card's middle.")
    ] = None,
    stage: Annotated[str, typer.Option(help="The stage waited for.")] = "sandable",
    laid: Annotated[str, typer.Option(help="When they are laid, by the shed's clock.")] = "18:00",
    bed: Annotated[str, typer.Option(help="When people go to bed.")] = "22:00",
) -> None:
    """Replay the past as if live, and score the forecasts beside "as now" and "as yesterday".

    With --windows it scores decisions instead, and with --cures the hours said at bedtime.
    """
    from forecast.hindcast import Weather, Work
    from forecast.hindcast import hindcast as replay

    session: Session = ctx.obj
    _check_asked(weather, plot, cures=cures)
    history = _knowing(session, file, Weather(weather), bay)
    plan = replace(_plan(session, history, start, end), every_steps=2 * _hours("--every", every))
    with _progress(session) as tick:
        work = Work(jobs, tick, () if bay is None else (bay,))
        if windows:
            limits = limits_asked(session.config, temp_min_c, humidity_max_pct, margin_min_k)
            found = replay_windows(history, plan, Jobs(job_h, limits, session.config.windows.go_odds), work)
        elif cures:
            zone = session.config.shed.zone
            nights = Nights(session.card_folders, card, catalyst_pct, stage, (laid, bed), zone)
            found = replay_cures(history, plan, nights, work)
        else:
            found = replay(history, plan, work.jobs, tick, work.bays)
            _until(found, _hours("--horizon", horizon))
    if plot is not None:
        from dashboards.panels import hindcast_panels

        draw_plot(hindcast_panels(found), plot)
    _print(session, found)


def _check_asked(weather: str, plot: Path | None, *, cures: bool) -> None:
    from forecast.hindcast import Weather

    if weather not in set(Weather):
        raise InputError(f"--weather {weather!r}: choose none, perfect or column")
    check_plot(plot)
    if plot is not None and cures:
        raise InputError("--plot draws the scores of forecasts or, with --windows, of decisions; not --cures")


@contextmanager
def _progress(session: Session) -> Iterator[Callable[[float], None]]:
    """Show how far it is, where somebody watches; yield what moves it."""
    with Progress(console=session.console, disable=session.json or session.plain, transient=True) as bar:
        task = bar.add_task("replaying", total=1.0)
        yield lambda share: bar.update(task, completed=share)


def _print(session: Session, found: dict[str, Any]) -> None:
    if session.json:
        session.console.print_json(json.dumps(found))
        return
    tables = list(score_tables(found))
    for name, quantities in found.get("bays", {}).items():
        tables += [_table(f"{name}.{quantity}", scores) for quantity, scores in quantities.items()]
    for table in tables:
        if session.plain:
            say(session.console, row_sentences(table), plain=True)
        else:
            session.console.print(table)


def _plan(session: Session, history: "History", start: str | None, end: str | None) -> "Plan":
    from forecast.hindcast import plan_for

    first, last = (None if one is None else history.index(session.moment(one)) for one in (start, end))
    return plan_for(history, first, last)


def _history(session: Session, file: Path | None) -> "History":
    from forecast.past import read_csv, read_store

    if file is not None:
        return read_csv(file)
    store = session.open_store(read_only=True)
    try:
        return read_store(store, session.clock.now(), timedelta(days=365))
    finally:
        store.close()


def _knowing(session: Session, file: Path | None, weather: "Weather", bay: str | None) -> "History":
    """Return the readings, the bay asked about among them, and what the replay may know of the outdoors."""
    from forecast.hindcast import Weather, knowing
    from forecast.weather_keeper import WeatherKeeper, weather_book_path

    history = _history(session, file)
    if bay is not None and bay not in history.bays:
        raise InputError(f"--bay {bay!r}: these readings have {', '.join(history.bays) or 'no bay'}")
    if file is not None or weather is not Weather.COLUMN:
        return knowing(history, weather)
    keeper = WeatherKeeper(session.config.weather, weather_book_path(session.store_path), session.clock)
    known = keeper.known(history)
    if not known.ahead:
        raise InputError("no outdoor forecast was kept for these readings; use --weather none")
    return known


def _hours(option: str, text: str) -> int:
    found = re.fullmatch(r"(\d+)\s*h", text.strip())
    if not found or int(found[1]) < 1:
        raise InputError(f"{option} {text!r}: write whole hours, as 1h or 48h")
    return int(found[1])


def _until(found: dict[str, Any], hours: int) -> None:
    for quantities in found["bays"].values():
        for quantity, scores in quantities.items():
            quantities[quantity] = {ahead: one for ahead, one in scores.items() if int(ahead) <= hours}


def _table(title: str, scores: dict[str, Any]) -> Table:
    table = Table(*_HEADS, title=title, title_justify="left", box=None)
    for hours, one in scores.items():
        values = [one.get(name) for name in (*_COLUMNS, *_NAIVE)]
        cells = [
            "-" if value is None else f"{value:.2f}" if isinstance(value, float) else str(value)
            for value in values
        ]
        table.add_row(hours, *cells)
    return table
