"""A page to look at: a cold night with a cure, and a server for it on a free port."""

import json
import math
import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import fields, is_dataclass, replace
from datetime import datetime, timedelta
from functools import cache
from typing import Any

from collector.clock import ManualClock
from dashboards.notify.causes import AlarmCause
from dashboards.notify.finding import Facts, Spot
from dashboards.notify.states import acknowledged
from dashboards.notify.watch import Watch
from dashboards.phone.alarms import alarm_rows, alarms_view
from dashboards.phone.board import Board, Drawing
from dashboards.phone.doors import Doors
from dashboards.phone.draw import draw
from dashboards.phone.server import PhoneServer, serving
from dashboards.view import Reader
from forecast.cure_outlook import CureOutlook
from forecast.outlook import Band, BayOutlook, Outlook
from forecast.verdict import Measured, judge_bay
from forecast.window_answer import JobWindows
from tests.dashboards.notify.support import LATE, RECOAT, Night, sees
from tests.dashboards.test_heater_view import OUTLOOK as HEATER
from tests.forecast.curing import after
from tests.forecast.test_outlook_json import LIMITS, a_cure
from tests.forecast.test_window import between, forecast, one

AT = after(3.0)
TOKEN = "a-token-of-the-tests-0123"
_DAMP = {"air_c": Measured(13.0, 5.0), "humidity_pct": Measured(88.0, 5.0), "part_c": Measured(12.4, 5.0)}
_GOOD = {"air_c": Measured(20.0, 5.0), "humidity_pct": Measured(55.0, 5.0), "part_c": Measured(19.0, 5.0)}


def band(quantity: str, mean: float, spread: float) -> Band:
    """Return two days of half hours that swing like a day."""
    likely = tuple(mean + 2.0 * math.cos(2.0 * math.pi * i / 48.0) for i in range(96))
    low, high = (tuple(value + edge * spread for value in likely) for edge in (-1.0, 1.0))
    return Band(quantity, AT + timedelta(minutes=30), 1800.0, low, likely, high)


@cache
def _cure() -> CureOutlook:
    return a_cure()


@cache
def _windows() -> JobWindows:
    return replace(one(forecast({"humidity_pct": between(33, 42, 60.0, 80.0)})), starts=None)


def moved(found: Any, by: timedelta) -> Any:  # noqa: ANN401  whatever it was
    """Return a value with every moment in it moved by so much."""
    if isinstance(found, datetime):
        return found + by
    if not is_dataclass(found) or isinstance(found, type):
        return found
    return replace(found, **{one.name: moved(getattr(found, one.name), by) for one in fields(found)})


def some_alarms(bay: str = "keel", part: str = "hull") -> Watch:
    """Return three alarms: a cure at risk and an overshoot, raised, and a recoat window, acknowledged."""
    risk = Facts(
        part=part, stage="sandable", remedy="warm", odds=0.72, remedy_odds=0.91, warmer_k=6.0, temp_c=11.5,
        since_at=AT + timedelta(hours=12), when_at=AT + timedelta(hours=17), by_at=AT + timedelta(hours=2),
    )  # fmt: skip
    hot = Facts(
        part=part, temp_c=24.6, limit_c=18.0, when_at=AT + timedelta(minutes=40), work_min=40.0, lost_min=9.0
    )
    ply = Facts(part=part, by_at=AT + timedelta(hours=3), when_at=AT + timedelta(hours=5))
    night = Night(AT - timedelta(minutes=40))
    seen = replace(RECOAT, bay=bay)
    night.look(sees(seen, facts=ply), minutes=10)
    night.change(acknowledged(one, night.at, "A") for one in night.watch.alarms)
    overshoot = Spot(AlarmCause.WORK_TIME_SHORT, bay)
    found = (
        sees(seen, facts=ply),
        sees(replace(LATE, bay=bay), facts=risk, wakes=True),
        sees(overshoot, facts=hot),
    )
    night.look(*found, minutes=25)
    return night.watch


def an_outlook(bay: str = "keel", part: str = "hull") -> Outlook:
    """Return a shed of two bays, one too damp, with a cure barely on track and a chart."""
    bands = (
        band("part_c", 14.0, 1.5), band("air_c", 15.0, 2.0), band("dew_point_c", 9.0, 1.0),
        band("margin_k", 5.0, 1.0),
    )  # fmt: skip
    bays = (
        BayOutlook(
            judge_bay(bay, _GOOD, LIMITS),
            bands,
            windows=(replace(_windows(), bay=bay),),
            heater=replace(moved(HEATER, AT - HEATER.at), bay=bay),
        ),
        BayOutlook(judge_bay("sheer", _DAMP, LIMITS), bands[:1], ("a note on sheer",)),
    )
    cure = replace(_cure(), bay=bay, part=part)
    return Outlook("tunnel", AT, AT - timedelta(seconds=40), AT, LIMITS, bays, (cure,), ("a note",))


def drawing(
    outlook: Outlook | None = None, reader: Reader | None = None, watch: Watch | None = None
) -> Drawing:
    """Return an outlook as drawn, by way of the text that the drawing process writes."""
    reader, watch = reader or Reader(), watch or Watch()
    drawn = draw(outlook or an_outlook(), reader, alarm_rows(watch, AT, reader), alarms_view(watch))
    return Drawing.of_text(json.dumps(drawn).encode())


def board(
    outlook: Outlook | None = None, late: timedelta = timedelta(seconds=20), watch: Watch | None = None
) -> Board:
    """Return a board with a drawing on it, seen so much later."""
    found = Board(ManualClock(AT + late), "t")
    found.put(drawing(outlook, watch=watch))
    return found


@contextmanager
def served(
    shown: Board, doors: Doors | None = None, seen: Callable[[str], bool] | None = None
) -> Iterator[int]:
    """Serve a board; yield the port."""
    server = PhoneServer(("127.0.0.1", 0), shown, doors or Doors(), seen=seen)
    end = serving(server)
    try:
        yield int(server.server_address[1])
    finally:
        end()


def asked(port: int, request: bytes, timeout_s: float = 10.0) -> bytes:
    """Send bytes, return all that comes back until the server closes."""
    with socket.create_connection(("127.0.0.1", port), timeout_s) as connection:
        connection.sendall(request)
        found = b""
        try:
            while piece := connection.recv(65536):
                found += piece
        except ConnectionResetError:
            pass
        return found


def get(port: int, target: str = "/", *headers: str, host: str = "127.0.0.1") -> bytes:
    """Send a GET, return the whole answer."""
    lines = [f"GET {target} HTTP/1.1", f"Host: {host}:{port}", *headers]
    return asked(port, ("\r\n".join(lines) + "\r\n\r\n").encode())


def status(answer: bytes) -> int:
    """Return an answer's status; 0 where there is none."""
    return int(answer.split(b" ", 2)[1]) if answer.startswith(b"HTTP/") else 0
