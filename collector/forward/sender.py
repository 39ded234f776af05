"""Lines to a central store: 2,000 a request, each refusal understood, none taken for success.

What the far end answers decides: 204 and all lines are there. 400 or 422 and some line is at fault,
so the request is halved until that line stands alone; before it is put aside for good, a line known
to be sound is tried, for a far end that refuses *that* has a fault of its own. 413, halved likewise.
Anything else, and no answer, is the far end's or the network's trouble: everything is kept and tried again.
"""

import gzip
from collections.abc import Mapping, Sequence
from http import HTTPStatus
from typing import TYPE_CHECKING, NamedTuple

from collector.clock import Clock, to_us
from collector.errors import LaydayError
from collector.forward.lines import number_line
from collector.store.address import Access, Address

if TYPE_CHECKING:
    from influxdb_client import InfluxDBClient, WriteService

REQUEST_LINES = 2000
_GZIP_LEVEL = 1  # the client's own 9 takes twice the rest of the work, for a fifth fewer bytes
TIMEOUT_S = 20.0
_LINE_AT_FAULT = {HTTPStatus.BAD_REQUEST, HTTPStatus.UNPROCESSABLE_ENTITY}
_UNTRUSTED = "cannot be trusted, or does not speak TLS; check tls_ca_file and the address"
_WORDS: Mapping[int, str] = {
    HTTPStatus.UNAUTHORIZED: "refuses our token; check token_file",
    HTTPStatus.FORBIDDEN: "does not let our token write there; check its rights",
    HTTPStatus.NOT_FOUND: "knows no such bucket; make it, or check the address",
    HTTPStatus.TOO_MANY_REQUESTS: "asks us to slow down",
    HTTPStatus.SERVICE_UNAVAILABLE: "is not ready",
}


class UnavailableError(LaydayError):
    """The far end takes nothing at the moment; `wait_s` is how long it asked us to wait [s]."""

    def __init__(self, words: str, wait_s: float = 0.0) -> None:
        super().__init__(words)
        self.wait_s = wait_s


class Refusal(NamedTuple):
    """A line refused for good."""

    line: str
    status: int
    reason: str


class _Answer(NamedTuple):
    status: int
    reason: str
    wait_s: float


class Sender:
    """A connection to a central store's ``/api/v2/write``.

    Parameters
    ----------
    address, access, org
        Where it is and how one gets in; `org` is InfluxDB 2's, others ignore it.
    compress
        Whether requests are gzipped: a tenth of the bytes, some processor time.
    clock
        For the time of the line that a doubtful refusal is tried with.
    timeout_s
        How long a request may take [s].
    """

    def __init__(
        self,
        address: Address,
        access: Access,
        org: str,
        clock: Clock,
        *,
        compress: bool = True,
        timeout_s: float = TIMEOUT_S,
    ) -> None:
        self._address = address
        self._access = access
        self._org = org
        self._clock = clock
        self._compress = compress
        self._timeout_ms = round(timeout_s * 1000)
        self._client: InfluxDBClient | None = None

    def send(self, lines: Sequence[str]) -> list[Refusal]:
        """Send lines; on return each is stored there, or returned as refused.

        Raises
        ------
        UnavailableError
            If the far end cannot take lines now. Some may be stored; all may be sent again.
        """
        refused: list[Refusal] = []
        for i in range(0, len(lines), REQUEST_LINES):
            self._send_some(lines[i : i + REQUEST_LINES], refused)
        return refused

    def close(self) -> None:
        """Close the connection; the next `send` opens another, with the token as the file then has it."""
        if self._client is not None:
            self._client.close()
            self._client = None

    def _send_some(self, lines: Sequence[str], refused: list[Refusal]) -> None:
        answer = self._post(lines)
        if answer is None:
            return
        halves = answer.status in _LINE_AT_FAULT or answer.status == HTTPStatus.REQUEST_ENTITY_TOO_LARGE
        if not halves:
            raise self._unavailable(answer)
        if len(lines) > 1:
            middle = len(lines) // 2
            self._send_some(lines[:middle], refused)
            self._send_some(lines[middle:], refused)
        elif (again := self._twice_refused(lines[0])) is not None:
            refused.append(Refusal(lines[0], again.status, again.reason))

    def _twice_refused(self, line: str) -> _Answer | None:
        """Return why a line is refused although the far end takes others; None once it is stored."""
        sound = number_line(
            "layday_probe", {"shed": self._address.shed}, {"value": 1.0}, to_us(self._clock.now())
        )
        probe = self._post([sound])
        if probe is not None:
            raise self._unavailable(probe)
        return self._post([line])

    def _post(self, lines: Sequence[str]) -> _Answer | None:
        """Write lines in one request; return the answer unless it says that all are stored.

        Only 204 says so: any other success comes from something that is no such store, as a portal
        on the way that wants a click first.
        """
        from influxdb_client.rest import ApiException
        from urllib3.exceptions import HTTPError

        body = "\n".join(lines).encode()
        try:
            _, status, _ = self._connected().post_write_with_http_info(
                self._org,
                self._address.bucket,
                gzip.compress(body, _GZIP_LEVEL) if self._compress else body,
                precision="us",
                content_type="text/plain; charset=utf-8",
                content_encoding="gzip" if self._compress else "identity",
            )
        except ApiException as error:
            return _Answer(error.status or 0, _reason(error), _asked_wait_s(error))
        except (HTTPError, OSError) as error:
            self.close()
            raise UnavailableError(f"{self._address} does not answer ({_kind(error)})") from error
        if status != HTTPStatus.NO_CONTENT:
            return _Answer(0, f"answered {status}, as no store does", 0.0)
        return None

    def _connected(self) -> "WriteService":
        from influxdb_client import InfluxDBClient, WriteService

        if self._client is None:
            token = self._access.token()
            tls = self._access.tls() if self._address.url.startswith("https") else None
            self._client = InfluxDBClient(
                self._address.url,
                token=token,
                org=self._org,
                timeout=self._timeout_ms,
                ssl_context=tls,
                auth_basic=self._address.kind == "victoria" and ":" in token,
            )
            self._service = WriteService(self._client.api_client)
        return self._service

    def _unavailable(self, answer: _Answer) -> UnavailableError:
        self.close()  # a new token, or another server behind the name, is met by a new connection
        untrusted = not answer.status and "SSL" in answer.reason
        words = _UNTRUSTED if untrusted else _WORDS.get(answer.status)
        said = f" ({answer.status}: {answer.reason})" if answer.status else f" ({answer.reason})"
        return UnavailableError(f"{self._address} {words or 'cannot take readings now'}{said}", answer.wait_s)


def _reason(error: Exception) -> str:
    """Return what the server says, on one line: a proxy's answer may be a page."""
    body = getattr(error, "body", None) or getattr(error, "reason", None) or ""
    if isinstance(body, bytes):
        body = body.decode("utf-8", "replace")
    return " ".join(str(body).split())[:200] or "no reason given"


def _asked_wait_s(error: Exception) -> float:
    headers = getattr(error, "headers", None) or {}
    try:
        return max(0.0, min(float(headers.get("Retry-After", 0)), 3600.0))
    except ValueError:  # a date: our own pace will do
        return 0.0


def _kind(error: BaseException) -> str:
    name = type(error).__name__
    words = {
        "ReadTimeoutError": "timed out",
        "ConnectTimeoutError": "timed out",
        "NewConnectionError": "refused",
    }
    return words.get(name, name)
