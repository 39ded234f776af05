"""Attacks on the page's server, over real sockets: nothing is served, and it goes on serving others."""

import contextlib
import re
import socket
import threading
import time
from collections.abc import Iterator

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dashboards.phone import server as phone_server
from dashboards.phone import streams, wire
from dashboards.phone.doors import Doors
from dashboards.phone.wire import BadRequestError, parse_head
from tests.dashboards.phone.support import TOKEN, an_outlook, asked, board, drawing, get, served, status

DOORS = Doors(TOKEN, frozenset({"shed.local"}))


@pytest.fixture(scope="module")
def locked() -> Iterator[int]:
    """A server that asks for a token: its port."""
    with served(board(), DOORS) as port:
        yield port


@pytest.fixture(scope="module")
def ours() -> Iterator[int]:
    """A server for its own machine alone: its port."""
    with served(board()) as port:
        yield port


def cookie_of(answer: bytes) -> str:
    found = re.search(rb"Set-Cookie: (layday=[0-9a-f]+); HttpOnly; SameSite=Strict; Path=/", answer)
    assert found is not None, answer
    return found[1].decode()


def test_the_link_gives_a_cookie_and_the_cookie_the_page(locked: int) -> None:
    hello = get(locked, f"/?token={TOKEN}")
    assert status(hello) == 200
    assert b"BARELY" not in hello  # the page itself comes to the cookie alone
    assert TOKEN.encode() not in hello
    cookie = f"Cookie: {cookie_of(hello)}"
    for target in ("/", "/json/outlook", "/json/now", "/json/tonight"):
        assert status(get(locked, target, cookie)) == 200
    assert status(get(locked, "/", cookie, host="shed.local")) == 200


@pytest.mark.parametrize("target", ["/", "/events", "/json/outlook", "/nothing", f"/json/now?token={TOKEN}"])
@pytest.mark.parametrize(
    "headers",
    [
        (), ("Cookie: layday=",), (f"Cookie: layday={'0' * 64}",), (f"Cookie: layday={TOKEN}",),
        (f"Authorization: Bearer {TOKEN}",), (f"Cookie: other=layday={'a' * 64}",),
    ],
)  # fmt: skip
def test_without_the_cookie_nothing_is_told_not_even_what_is_there(
    locked: int, target: str, headers: tuple[str, ...]
) -> None:
    answer = get(locked, target, *headers)
    assert status(answer) == 403
    assert b"keel" not in answer


@pytest.mark.parametrize("token", ["x" * 24, TOKEN[:-1] + "x", TOKEN.upper(), TOKEN + "x"])
def test_a_wrong_token_gives_no_cookie(locked: int, token: str) -> None:
    answer = get(locked, f"/?token={token}")
    assert status(answer) == 403
    assert b"Set-Cookie" not in answer


@pytest.mark.parametrize(
    "host",
    ["evil.example", "localhost.evil.example", "127.0.0.1.evil.example", "10.0.0.9", "", "a b", "[::1]"],
)
def test_a_name_that_somebody_else_points_at_us_is_refused(ours: int, host: str) -> None:
    assert status(asked(ours, f"GET / HTTP/1.1\r\nHost: {host}\r\n\r\n".encode())) == 421
    assert status(asked(ours, b"GET / HTTP/1.1\r\n\r\n")) == 421
    assert status(get(ours, host="localhost")) == 200


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "HEAD", "OPTIONS", "PATCH", "TRACE", "CONNECT"])
def test_only_get_is_answered(ours: int, method: str) -> None:
    request = f"{method} / HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 4\r\n\r\nabcd"
    answer = asked(ours, request.encode())
    assert status(answer) == 405
    assert b"Allow: GET" in answer


@pytest.mark.parametrize(
    "target",
    [
        "/..", "/../../etc/passwd", "/%2e%2e/%2e%2e/etc/passwd", "/json/../outlook", "/json/outlook/",
        "//json/outlook", "/json/", "/json/%6fness", "/json/outlook?x=1", "/static/..%5c..%5c", "/events/x",
        "/layday.sqlite", "/?x=1",
        "/json/__class__", "/favicon.ico", "/;/", "/index.html",
    ],
)  # fmt: skip
def test_paths_lead_nowhere_but_to_the_views_there_are(ours: int, target: str) -> None:
    assert status(get(ours, target)) == 404


@pytest.mark.parametrize(
    "head",
    [
        b"GET http://evil.example/ HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nHost: evil.example\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost : 127.0.0.1\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n folded: yes\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: 127.0.0.1\nX: y\r\n\r\n",
        b"GET /\x00 HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
        b"GET /\xff HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
        b"GET / HTTP/2.0\r\nHost: 127.0.0.1\r\n\r\n",
        b"get / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03\r\n\r\n",
        b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n",
    ],
)
def test_what_is_no_plain_request_is_refused(ours: int, head: bytes) -> None:
    assert status(asked(ours, head)) == 400


def test_a_head_without_end_is_refused(ours: int) -> None:
    answer = asked(ours, b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: " + b"a" * 20_000)
    assert status(answer) in {431, 0}  # the close may overtake the answer, since more was sent than is read


@given(st.binary(max_size=300))
def test_any_bytes_are_a_request_or_refused(head: bytes) -> None:
    with contextlib.suppress(BadRequestError):
        request = parse_head(head)
        assert request.target.startswith("/")
        assert all("\r" not in value and "\n" not in value for value in request.headers.values())


TOLD = {
    "Content-Type", "Cache-Control", "X-Content-Type-Options", "Referrer-Policy", "Connection",
    "Cross-Origin-Resource-Policy", "Content-Security-Policy", "Content-Length", "Layday-Stale",
}  # fmt: skip


def test_no_name_gets_into_the_head_of_an_answer() -> None:
    shown = board()
    with served(shown) as port:

        @settings(max_examples=40)
        @given(st.text(alphabet=st.sampled_from('\r\nabc:<>" =;Set-Cokie'), min_size=1, max_size=40))
        def asked_for(bay: str) -> None:
            shown.put(drawing(an_outlook(bay)))
            for target in ("/", "/json/now"):
                head, _, body = get(port, target).decode().partition("\r\n\r\n")
                names = [line.partition(":")[0] for line in head.split("\r\n")[1:]]
                assert len(names) == len(set(names))
                assert set(names) <= TOLD
                assert body

        asked_for()


def test_every_page_has_its_own_nonce_and_nothing_else_may_run(ours: int) -> None:
    answers = [get(ours).decode() for _ in range(2)]
    nonces = [re.findall(r"nonce-([0-9a-f]{32})'", answer) for answer in answers]
    assert nonces[0] != nonces[1]
    for answer, found in zip(answers, nonces, strict=True):
        assert "default-src 'none'" in answer
        assert "unsafe" not in answer.partition("\r\n\r\n")[0]
        assert set(re.findall(r'nonce="([^"]*)"', answer)) == set(found)


def test_another_sites_page_gets_no_data_and_no_stream(ours: int) -> None:
    for target in ("/json/outlook", "/events"):
        assert status(get(ours, target, "Sec-Fetch-Site: cross-site")) == 403
    assert b"Access-Control" not in get(ours, "/json/outlook")


def test_a_client_that_dawdles_is_sent_away(monkeypatch: pytest.MonkeyPatch) -> None:
    """A byte now and then must not keep it alive either."""
    monkeypatch.setattr(wire, "HEAD_S", 0.6)
    with served(board()) as port, socket.create_connection(("127.0.0.1", port), 5.0) as slow:
        began_s = time.monotonic()
        with contextlib.suppress(OSError):
            for byte in b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n" * 10:
                slow.sendall(bytes([byte]))
                time.sleep(0.05)
        assert time.monotonic() - began_s < 10.0
        with contextlib.suppress(OSError):
            assert status(slow.recv(4096)) in {408, 0}
        assert status(get(port)) == 200


def test_500_connections_are_more_than_it_takes_and_it_lives_on(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(wire, "HEAD_S", 2.0)
    with served(board()) as port:
        before = threading.active_count()
        with contextlib.ExitStack() as held:
            for _ in range(500):
                held.enter_context(socket.create_connection(("127.0.0.1", port), 10.0))
            assert threading.active_count() - before <= phone_server.MAX_CLIENTS
            assert status(get(port)) in {503, 0}  # full, and said so where the client still listens
            time.sleep(2.5)  # those who said nothing are gone by now
            assert status(get(port)) == 200
        assert threading.active_count() - before <= phone_server.MAX_CLIENTS


def test_streams_leave_room_for_pages() -> None:
    with served(board()) as port, contextlib.ExitStack() as held:
        for _ in range(streams.MAX_STREAMS):
            stream = held.enter_context(socket.create_connection(("127.0.0.1", port), 10.0))
            stream.sendall(b"GET /events HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
            assert b"text/event-stream" in stream.recv(4096)
        assert status(get(port, "/events")) == 503
        assert status(get(port)) == 200


def test_a_stream_tells_of_another_drawing_at_once() -> None:
    shown = board()
    with served(shown) as port, socket.create_connection(("127.0.0.1", port), 10.0) as stream:
        stream.sendall(b"GET /events HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        heard = b""
        while b"data: t-1\n\n" not in heard:
            heard += stream.recv(4096)
        drawn = shown.sight().drawing
        assert drawn is not None
        shown.put(drawn)
        while b"data: t-2\n\n" not in heard:
            heard += stream.recv(4096)
