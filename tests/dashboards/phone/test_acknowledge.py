"""The one thing the page may change: only from a page of ours, only where it is wanted."""

import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from collector.clock import SystemClock
from collector.config import parse_config
from collector.errors import ConfigError
from dashboards.notify.alarm_file import alarm_path, open_alarm_file
from dashboards.notify.courier import Letterhead
from dashboards.notify.desk import Desk
from dashboards.notify.scene import Scene
from dashboards.notify.states import Standing
from dashboards.notify.watch import Policy
from dashboards.phone.doors import Doors
from dashboards.phone.order import PhoneOrder
from dashboards.phone.service import serve
from dashboards.view import Reader
from forecast.outlook import Outlook
from forecast.outlook_book import open_outlooks
from forecast.outlook_order import Files, order_of
from tests.dashboards.notify.test_desk import cold as cold  # noqa: PLC0414  a fixture
from tests.dashboards.phone.support import TOKEN, asked, board, get, served, status
from tests.end_to_end.layday import until
from tests.mosquitto import free_port

DOORS = Doors(TOKEN, acknowledge=True)
FORM = f"form={DOORS.form}&alarm=a12"


def post(
    port: int,
    body: str = FORM,
    *,
    cookie: str | None = None,
    origin: str | None = "",
    target: str = "/acknowledge",
) -> bytes:
    """Send a form; by default with the cookie and from a page of ours."""
    lines = [f"POST {target} HTTP/1.1", f"Host: 127.0.0.1:{port}", f"Content-Length: {len(body)}"]
    lines.append(f"Cookie: {f'layday={DOORS.cookie}' if cookie is None else cookie}")
    if origin is not None:
        lines.append(f"Origin: {origin or f'http://127.0.0.1:{port}'}")
    return asked(port, ("\r\n".join(lines) + "\r\n\r\n" + body).encode(), 60.0)


@pytest.fixture
def seen() -> list[str]:
    """Names of alarms that the server says were seen."""
    return []


def keeping(seen: list[str]) -> Callable[[str], bool]:
    """Return a disk that takes every answer."""

    def keep(alarm: str) -> bool:
        seen.append(alarm)
        return True

    return keep


@pytest.fixture
def port(seen: list[str]) -> Iterator[int]:
    """A server that takes answers: its port."""
    with served(board(), DOORS, keeping(seen)) as found:
        yield found


def test_a_page_of_ours_may_say_that_an_alarm_was_seen(port: int, seen: list[str]) -> None:
    answer = post(port)
    assert status(answer) == 303
    assert b"\r\nLocation: /?seen=a12#a12\r\n" in answer
    assert seen == ["a12"]


@pytest.mark.parametrize(
    "origin", ["http://evil.example", "null", None, "https://127.0.0.1", "http://127.0.0.1"]
)
def test_another_sites_page_may_not(port: int, seen: list[str], origin: str | None) -> None:
    assert status(post(port, origin=origin)) == 403
    assert seen == []


@pytest.mark.parametrize(
    "body",
    [
        "", "alarm=a12", f"form={'0' * 64}&alarm=a12", f"form={DOORS.cookie}&alarm=a12", f"{FORM}&alarm=a13",
        f"form={DOORS.form}&alarm=all", f"form={DOORS.form}&alarm=a12;DROP TABLE",
        f"form={DOORS.form}&alarm=a0",
        f"form={DOORS.form}&alarm=a12\n", f"{FORM}{'x' * 500}",
    ],
)  # fmt: skip
def test_a_form_that_is_not_ours_changes_nothing(port: int, seen: list[str], body: str) -> None:
    assert status(post(port, body)) == 403
    assert seen == []


def test_without_the_cookie_or_elsewhere_or_unwanted_nothing_is_changed(port: int, seen: list[str]) -> None:
    assert status(post(port, cookie="layday=0")) == 403
    assert status(post(port, target="/")) == 405
    assert status(post(port, target="/acknowledge?x")) == 405
    assert status(get(port, "/acknowledge", f"Cookie: layday={DOORS.cookie}")) == 404
    for doors in (Doors(TOKEN), Doors("", acknowledge=True)):
        with served(board(), doors, keeping(seen)) as other:
            assert status(post(other)) == 405
    assert seen == []


def test_the_words_of_an_answer_are_for_a_page_that_takes_answers(port: int) -> None:
    cookie = f"Cookie: layday={DOORS.cookie}"
    assert status(get(port, "/?failed=a12", cookie)) == 200
    for target in ("/?failed=a12&x=1", "/?failed=<b>", "/?seen=a0", "/?lost=a1", "/json/now?seen=a1"):
        assert status(get(port, target, cookie)) == 404
    with served(board()) as other:
        assert status(get(other, "/?failed=a12")) == 404


def test_it_takes_a_token() -> None:
    with pytest.raises(ConfigError, match="acknowledge lets a phone answer alarms: name a token_file too"):
        parse_config({"phone": {"acknowledge": True}}, "layday.toml")


@pytest.fixture
def order(tmp_path: Path, cold: Outlook) -> PhoneOrder:
    """A shed whose cure will be late, an alarm about it, and a page that takes answers."""
    clock = SystemClock()
    now = clock.now()
    files = Files(None, tmp_path / "s.sqlite", tmp_path / "j.sqlite", tmp_path / "o.sqlite", ())
    outlooks = open_outlooks(files.outlook)
    file = open_alarm_file(alarm_path(files.store))
    assert outlooks is not None
    assert file is not None
    desk = Desk(file, Letterhead("tunnel", Reader()), Policy(), 0)
    for minute in range(25):
        at = now + timedelta(minutes=minute - 24)
        desk.look(Scene(at, replace(cold, issued_at=at)))
    outlooks.keep(replace(cold, issued_at=now))
    outlooks.close()
    file.close()
    return PhoneOrder("127.0.0.1", free_port(), TOKEN, (), acknowledge=True, order=order_of(files, clock))


def test_an_alarm_seen_on_the_phone_is_acknowledged_in_its_file(order: PhoneOrder) -> None:
    stopping = threading.Event()
    thread = threading.Thread(target=serve, args=(order, stopping))
    thread.start()
    cookie = f"Cookie: layday={DOORS.cookie}"
    try:
        until(lambda: b"I have seen a1" in _page(order.port, cookie), "the alarm is on the page", 60.0)
        assert status(post(order.port, f"form={DOORS.form}&alarm=a1")) == 303
        until(lambda: b">acknowledged</span>" in _page(order.port, cookie), "the page says so", 60.0)
        page = _page(order.port, cookie)
        alarms, aside = (
            Path(order.order.store_file).with_suffix(end) for end in (".alarms.sqlite", ".aside")
        )
        alarms.rename(aside)
        answer = post(order.port, f"form={DOORS.form}&alarm=a1")
        assert b"\r\nLocation: /?failed=a1#a1\r\n" in answer  # not on disk: the page is not to say so
        aside.rename(alarms)
    finally:
        stopping.set()
        thread.join()
    assert b"I have seen a1" not in page
    file = open_alarm_file(alarm_path(Path(order.order.store_file)), read_only=True)
    assert file is not None
    (alarm,) = (
        one for one in Desk(file, Letterhead("t", Reader()), Policy(), 0).watch().alarms if one.number == 1
    )
    file.close()
    assert (alarm.standing, alarm.answered_by) == (Standing.ACKNOWLEDGED, "phone")


def _page(port: int, cookie: str) -> bytes:
    try:
        return get(port, "/", cookie)
    except OSError:
        return b""
