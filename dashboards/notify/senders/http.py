"""HTTP: a push server of one's own, and any web address that takes JSON."""

import json
import ssl
import urllib.error
import urllib.request
from collections.abc import Mapping
from datetime import UTC, datetime
from http.client import HTTPException, HTTPMessage
from typing import IO
from urllib.parse import quote

from collector.clock import to_us
from collector.errors import SourceError
from collector.notify_config import ChannelConfig
from dashboards.notify.message import Weight
from dashboards.notify.sender import Answer, Limits, Outcome, Outgoing, Secret, cut

TIMEOUT_S = 15.0
_AGENT = "layday"
_MOST_BYTES = 2_000
_BUSY = (408, 425, 429)
_PRIORITY = {Weight.QUIET: 2, Weight.USUAL: 3, Weight.URGENT: 5}


class _NoRedirect(urllib.request.HTTPRedirectHandler):
    """A message and its token go where the configuration says, and nowhere else."""

    def redirect_request(
        self,
        req: urllib.request.Request,
        fp: IO[bytes],
        code: int,
        msg: str,
        headers: HTTPMessage,
        newurl: str,
    ) -> None:
        """Follow nothing: the answer stays an error."""


class HttpPost:
    """Sends JSON to one address, with a token where there is one, and turns answers into ours."""

    def __init__(self, config: ChannelConfig, timeout_s: float) -> None:
        self._config = config
        self._timeout_s = timeout_s
        self._token = Secret(config.token_file, f"channel {config.name}: token_file")
        context = ssl.create_default_context(cafile=config.tls_ca_file or None)
        self._opener = urllib.request.build_opener(
            urllib.request.ProxyHandler({}), _NoRedirect, urllib.request.HTTPSHandler(context=context)
        )

    def ask(self, method: str, path: str = "", body: Mapping[str, object] | None = None) -> Answer:
        """Send a request and say what came back; 4xx but "busy" is a refusal, all else may pass later."""
        data = None if body is None else json.dumps(body, ensure_ascii=False).encode()
        headers = {"User-Agent": _AGENT, "Content-Type": "application/json"}
        try:
            if self._config.token_file:
                headers["Authorization"] = f"Bearer {self._token.read()}"
            url = self._config.url.rstrip("/") + path if path else self._config.url
            request = urllib.request.Request(url, data, headers, method=method)  # noqa: S310  http(s) only: the configuration's pattern
            with self._opener.open(request, timeout=self._timeout_s) as response:
                words = response.read(_MOST_BYTES).decode(errors="replace")
                return Answer(Outcome.SENT, f"{response.status} {cut(words.strip(), 200)}".strip())
        except urllib.error.HTTPError as error:
            with error:
                return _refused(error)
        except (OSError, HTTPException, SourceError, ValueError) as error:
            return Answer(Outcome.LATER, f"{type(error).__name__}: {error}")


def _refused(error: urllib.error.HTTPError) -> Answer:
    words = f"{error.code} {error.reason}"
    if error.code in _BUSY or error.code >= 500:  # noqa: PLR2004  RFC 9110: the server's own trouble
        return Answer(Outcome.LATER, words, _retry_after_s(error.headers.get("Retry-After")))
    return Answer(Outcome.REFUSED, words)


def _retry_after_s(text: str | None) -> float | None:
    """Return what Retry-After asks for in seconds; a date is left to our own pace."""
    if text is None or not text.strip().isdigit():
        return None
    return float(text.strip())


class PushSender:
    """A push server that one may host oneself: JSON to its root, a sequence id to edit in place."""

    limits = Limits(head_chars=200, text_chars=3_500, edits=True, schedules=True)

    def __init__(self, config: ChannelConfig, timeout_s: float = TIMEOUT_S) -> None:
        self._topic = config.topic
        self._post = HttpPost(config, timeout_s)

    def send(self, outgoing: Outgoing) -> Answer:
        """Send one message; another of the same thread takes its place."""
        return self._post.ask("POST", "/", self._body(outgoing))

    def schedule(self, outgoing: Outgoing, when: datetime) -> Answer:
        """Have the server itself send this at a moment, in place of any it holds for the same thread."""
        return self._post.ask(
            "POST", "/", self._body(outgoing) | {"delay": str(to_us(when.astimezone(UTC)) // 1_000_000)}
        )

    def cancel(self, thread: str, shed: str) -> Answer:
        """Take back what the server holds or shows for a thread."""
        return self._post.ask("DELETE", f"/{quote(self._topic)}/{quote(_sequence(shed, thread))}")

    def close(self) -> None:
        """Nothing is held."""

    def _body(self, outgoing: Outgoing) -> dict[str, object]:
        return {
            "topic": self._topic,
            "sequence_id": _sequence(outgoing.shed, outgoing.thread),
            "title": cut(outgoing.head, self.limits.head_chars),
            "message": cut(outgoing.text, self.limits.text_chars),
            "priority": _PRIORITY[outgoing.weight],
        }


def _sequence(shed: str, thread: str) -> str:
    return f"layday-{shed}-{thread}"


class WebhookSender:
    """Any web address that takes JSON: ``layday/message/1``."""

    limits = Limits(head_chars=500, text_chars=20_000, pictures=True)

    def __init__(self, config: ChannelConfig, timeout_s: float = TIMEOUT_S) -> None:
        self._post = HttpPost(config, timeout_s)

    def send(self, outgoing: Outgoing) -> Answer:
        """Send one message; its key tells a second coming of the same."""
        return self._post.ask(
            "POST", "", message_json(outgoing) | {"picture_svg": outgoing.picture_svg or None}
        )

    def close(self) -> None:
        """Nothing is held."""


def message_json(outgoing: Outgoing) -> dict[str, object]:
    """Return a message as ``layday/message/1``."""
    return {
        "schema": "layday/message/1",
        "key": outgoing.key,
        "thread": outgoing.thread,
        "shed": outgoing.shed,
        "head": outgoing.head,
        "text": outgoing.text,
        "weight": outgoing.weight.name.lower(),
        "at": outgoing.at.isoformat().replace("+00:00", "Z"),
    }
