"""Requests off a socket and answers onto it: HTTP/1.0, one request a connection, bounded in size and time.

The standard library's server is not used: it reads without a limit of time, takes any header, and costs
as much memory as everything else in this process together. What is no plain request is refused here.
"""

import re
import socket
import time
from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import NamedTuple

HEAD_BYTES = 8192
HEAD_S = 5.0
"""A client that has not said what it wants by then is sent away: nobody types requests by hand."""
WRITE_S = 10.0
BODY_BYTES = 400
"""A form of ours is shorter."""

_NONE: Mapping[str, str] = MappingProxyType({})
_REQUEST = re.compile(rb"([A-Z]{1,16}) (/[!-~]{0,2000}) HTTP/1\.[01]")
_HEADER = re.compile(rb"([!#$%&'*+.^_`|~0-9A-Za-z-]+):[ \t]*([\t -~]*)")
_REASONS = {
    200: "OK", 303: "See Other", 400: "Bad Request", 403: "Forbidden", 404: "Not Found",
    405: "Method Not Allowed", 408: "Request Timeout", 421: "Misdirected Request",
    431: "Request Header Fields Too Large",
    503: "Service Unavailable",
}  # fmt: skip


class BadRequestError(Exception):
    """A client sent what is no request; `status` is what to answer."""

    def __init__(self, status: int) -> None:
        super().__init__(_REASONS[status])
        self.status = status


class Request(NamedTuple):
    """What a client asks for; header names in lower case. `target` begins with a slash."""

    method: str
    target: str
    headers: Mapping[str, str]
    body: bytes = b""

    @property
    def path(self) -> str:
        """The target without its query, as sent: nothing is decoded."""
        return self.target.partition("?")[0]

    @property
    def query(self) -> str:
        """What stands behind the question mark."""
        return self.target.partition("?")[2]


class Answer(NamedTuple):
    """What a client gets."""

    status: int
    body: bytes = b""
    kind: str = "text/plain; charset=utf-8"
    headers: Mapping[str, str] = _NONE

    def to_bytes(self) -> bytes:
        """Return it as it goes over the wire."""
        return head_bytes(self.status, self.kind, {**self.headers, "Content-Length": str(len(self.body))}) + (
            self.body
        )


def head_bytes(status: int, kind: str, headers: Mapping[str, str]) -> bytes:
    """Return the head of an answer; nothing is cached anywhere, guessed at, or told to other sites."""
    lines = [
        f"HTTP/1.0 {status} {_REASONS[status]}",
        f"Content-Type: {kind}",
        "Cache-Control: no-store",
        "X-Content-Type-Options: nosniff",
        "Referrer-Policy: same-origin",  # with none at all a form would not say where it comes from
        "Cross-Origin-Resource-Policy: same-origin",
        "Connection: close",
        *(f"{name}: {value}" for name, value in headers.items()),
    ]
    return ("\r\n".join(lines) + "\r\n\r\n").encode("latin-1")


def refusal(status: int, words: str = "") -> Answer:
    """Return an answer that says no more than that."""
    allow = {"Allow": "GET"} if status == 405 else {}  # noqa: PLR2004  RFC 9110 wants it
    return Answer(status, f"{words or _REASONS[status]}\n".encode(), headers=allow)


def read_request(connection: socket.socket) -> Request:
    """Read one request within `HEAD_S`: its head within `HEAD_BYTES`, a form within `BODY_BYTES`.

    Raises
    ------
    BadRequestError
        If what comes is no request, too long, or too slow.
    OSError
        If the client is gone.
    """
    deadline_s = time.monotonic() + HEAD_S
    read = b""
    while b"\r\n\r\n" not in read:
        read += _more(connection, deadline_s)
        if len(read) > HEAD_BYTES:
            raise BadRequestError(431)
    head, _, body = read.partition(b"\r\n\r\n")
    request = parse_head(head)
    size = request.headers.get("content-length", "0")
    if request.method != "POST" or not size.isdecimal() or int(size) > BODY_BYTES:
        return request
    while len(body) < int(size):
        body += _more(connection, deadline_s)
    return request._replace(body=body[: int(size)])


def _more(connection: socket.socket, deadline_s: float) -> bytes:
    left_s = deadline_s - time.monotonic()
    if left_s <= 0.0:
        raise BadRequestError(408)
    connection.settimeout(left_s)
    try:
        piece = connection.recv(4096)
    except TimeoutError:
        raise BadRequestError(408) from None
    if not piece:
        raise ConnectionError("the client is gone")
    return piece


def parse_head(head: bytes) -> Request:
    r"""Return the request that a head is.

    Raises
    ------
    BadRequestError
        If it is none, or says a header twice.

    >>> parse_head(b"GET /?a=1 HTTP/1.1\r\nHost: shed.local").path
    '/'
    """
    first, *rest = head.split(b"\r\n")
    request = _REQUEST.fullmatch(first)
    if request is None:
        raise BadRequestError(400)
    return Request(request[1].decode(), request[2].decode(), _headers(rest))


def _headers(lines: Sequence[bytes]) -> Mapping[str, str]:
    found: dict[str, str] = {}
    for line in lines:
        header = _HEADER.fullmatch(line)
        if header is None:
            raise BadRequestError(400)
        name = header[1].decode().lower()
        if name in found:  # which of two hosts or cookies holds is what attacks are made of
            raise BadRequestError(400)
        found[name] = header[2].decode().strip()
    return found
