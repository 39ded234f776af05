"""`layday windows`: when in the next 72 hours a job can be started."""

import json
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from pydantic import ValidationError
from rich.text import Text

from collector.config import Config
from collector.errors import InputError
from collector.window_config import JobConfig
from dashboards.known_ahead import history_of, unheated_of
from dashboards.plots import check_plot, draw_plot
from dashboards.session import EXIT_CODES, Session
from forecast.verdict import WORST_FIRST, Verdict

if TYPE_CHECKING:
    from forecast.planned_jobs import Planned
    from forecast.window_answer import JobWindows


def windows_command(  # noqa: PLR0913, PLR0917  one parameter per option
    ctx: typer.Context,
    job: Annotated[str | None, typer.Argument(help="A configured job; left out, all of them.")] = None,
    work_h: Annotated[float | None, typer.Option("--work", help="Another job: hours of laying.")] = None,
    prepare_h: Annotated[float, typer.Option("--prepare", help="Its hours of preparation.")] = 0.0,
    card: Annotated[str, typer.Option(help="Its resin card; limits hold until it gels.")] = "",
    catalyst_pct: Annotated[
        float | None, typer.Option("--percent", help="Its catalyst; else what gives the time.")
    ] = None,
    layers: Annotated[int, typer.Option(help="In so many pots, one after the other.")] = 1,
    stage: Annotated[str, typer.Option(help="The stage wanted, as sandable.")] = "",
    by: Annotated[str, typer.Option(help="By this hour, as 07:00.")] = "",
    bay: Annotated[str | None, typer.Option(help="Only this bay.")] = None,
    any_hour: Annotated[bool, typer.Option("--any-hour", help="Not only in working hours.")] = False,
    at: Annotated[str | None, typer.Option("--at", help="As it would have been said then.")] = None,
    plot: Annotated[
        Path | None, typer.Option("--plot", help="Draw the odds into this .png file too.")
    ] = None,
) -> None:
    """Say when in the next 72 hours a job can be started, with odds, and what is in the way.

    Exit codes: 0 there is a window to go, 11 only a tight one, 10 none, 12 no news.
    """
    from forecast.planned_jobs import planned_jobs

    check_plot(plot)
    session: Session = ctx.obj
    moment = session.moment(at)
    config = session.config
    if work_h is not None:
        resin = {"card": card, "catalyst_pct": catalyst_pct, "layers": layers, "stage": stage, "by": by}
        config = _with_job(config, {"name": "job", "work_h": work_h, "prepare_h": prepare_h, **resin})
    elif job is not None:
        config = _only(config, job)
    planned = planned_jobs(config, session.card_folders, moment)
    if planned.mistakes and not planned.jobs:
        raise InputError("\n".join(planned.mistakes))
    anew = work_h is not None or any_hour or at is not None or plot is not None  # kept ones lack their odds
    kept = () if anew else _kept(session, job, bay, moment)
    found, notes = (kept, ()) if kept else _found(session, planned, bay, moment, any_hour=any_hour)
    if plot is not None:
        _draw(session, found, plot)
    _print(session, found, (*planned.mistakes, *notes), moment)
    raise typer.Exit(EXIT_CODES[_best(found)])


def _draw(session: Session, found: Sequence["JobWindows"], plot: Path) -> None:
    from dashboards.panels import windows_panels
    from forecast.window import Thresholds

    odds = Thresholds(session.config.windows.go_odds, session.config.windows.tight_odds)
    draw_plot(windows_panels(found, odds, session.reader), plot)


def _with_job(config: Config, given: dict[str, Any]) -> Config:
    try:
        return config.model_copy(update={"job": (JobConfig(**given),)})
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"]) or "the job"
        raise InputError(f"{where}: {first['msg'].removeprefix('Value error, ')}") from error


def _only(config: Config, name: str) -> Config:
    chosen = tuple(one for one in config.job if one.name == name)
    if not chosen:
        known = (
            ", ".join(one.name for one in config.job) or "none; name one in a [[job]] table, or use --work"
        )
        raise InputError(f"no job is called {name!r}; configured: {known}")
    return config.model_copy(update={"job": chosen})


def _kept(session: Session, job: str | None, bay: str | None, moment: datetime) -> tuple["JobWindows", ...]:
    """Return what the service has worked out, where that is fresh; else none."""
    from dashboards.outlooks import kept_outlook

    outlook = kept_outlook(session, moment)
    if outlook is None or outlook.is_stale(moment):
        return ()
    every = [one for kept in outlook.bays for one in kept.windows]
    return tuple(one for one in every if job in {None, one.job} and bay in {None, one.bay})


def _found(
    session: Session, planned: "Planned", bay: str | None, moment: datetime, *, any_hour: bool
) -> tuple[tuple["JobWindows", ...], tuple[str, ...]]:
    """Forecast, and look for windows in every bay, or in one."""
    from dataclasses import replace

    from forecast.forecaster import Forecaster
    from forecast.learned_odds import LearnedOdds
    from forecast.planned_jobs import planned_windows

    if any_hour:
        planned = replace(planned, terms=replace(planned.terms, working=None))
    history, notes = history_of(session, moment)
    if bay is not None and bay not in history.bays:
        raise InputError(f"--bay {bay!r}: there are readings of {', '.join(history.bays) or 'no bay'}")
    forecaster = Forecaster()
    usual = forecaster.refresh(history, moment)
    cold = unheated_of(session, moment, usual, history)
    ahead = usual if cold is None else cold.left_off
    learned = LearnedOdds(history, forecaster.points) if cold is None else None
    bays = history.bays if bay is None else (bay,)
    found = planned_windows(planned, ahead, bays, learned)
    return _warmed(session, found, moment), (*notes, *ahead.notes)


def _warmed(session: Session, found: tuple["JobWindows", ...], moment: datetime) -> tuple["JobWindows", ...]:
    """Say how much more heat would help, where warmth is lacking and the heater's power is known."""
    from forecast.climate_fit import fit_climate
    from forecast.heater_reading import read_heater_past, settings_of
    from forecast.more_heat import WARMER, with_more_heat

    heater = session.config.heater
    lacking = any(way.remedy in WARMER for one in found for way in one.openings)
    if heater.power_kw is None or not lacking:
        return found
    store = session.open_store(read_only=True)
    try:
        past = read_heater_past(store, moment).past
    finally:
        store.close()
    fit = fit_climate(past, settings_of(heater).power_w)
    return tuple(with_more_heat(one, fit, past.bays, moment) for one in found)


def _best(found: Sequence["JobWindows"]) -> Verdict:
    """Return the best verdict: one window to go is enough to plan by."""
    return max((one.verdict for one in found), key=WORST_FIRST.index, default=Verdict.NO_NEWS)


def _print(session: Session, found: Sequence["JobWindows"], notes: Sequence[str], moment: datetime) -> None:
    from dashboards.terminal.render.windows import windows_text
    from dashboards.terminal.saying import say
    from dashboards.window_view import window_cautions, window_sentence, windows_json

    console = session.console
    if session.json:
        console.print_json(json.dumps(windows_json(found, moment, notes)))
        return
    say(console, [f"Note: {note}" for note in notes], plain=session.plain)
    if session.plain:
        say(console, [window_sentence(one, moment, session.reader) for one in found], plain=True)
        say(console, [f"{one[:1].upper()}{one[1:]}." for one in window_cautions(found)], plain=True)
        return
    text: Text = windows_text(session.config.shed.name, found, moment, session.reader, console.width)
    console.print(text)
