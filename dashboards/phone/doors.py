"""Who is let in, and with what: the machine's own names, the token, reading only. Pure."""

import hashlib
import hmac
import re
from typing import NamedTuple

from dashboards.phone.shell import Said
from dashboards.phone.wire import Answer, Request, refusal

COOKIE = "layday"
_YEAR_S = 365 * 86400
_COOKIE = re.compile(rf"(?:^|;)\s*{COOKIE}=([0-9a-f]{{64}})\s*(?:;|$)")
ACKNOWLEDGE = "/acknowledge"
_SAID = re.compile(r"/\?(seen|failed)=(a[1-9]\d{0,8})")
_FORM = re.compile(rb"form=([0-9a-f]{64})&alarm=(a[1-9]\d{0,8})")
_TOKEN = re.compile(r"token=([A-Za-z0-9_-]{16,200})")
_FROM_ELSEWHERE = ("cross-site", "same-site")  # another site's page may not even make us work
_HELLO = b"""<!doctype html><html lang=en><meta charset=utf-8><title>layday</title>
<meta name=viewport content="width=device-width"><meta http-equiv=refresh content="0;url=/">
<p>This phone is let in. <a href="/">Open the page</a>"""


class Doors(NamedTuple):
    """The rules of one server. `token` is empty where none is asked for (loopback alone).

    `acknowledge` lets who has the token say that an alarm was seen.
    """

    token: str = ""
    names: frozenset[str] = frozenset()
    acknowledge: bool = False

    @property
    def cookie(self) -> str:
        """What a phone that was let in carries: made from the token, which it does not give away."""
        return hmac.new(self.token.encode(), b"layday phone page", hashlib.sha256).hexdigest()

    @property
    def form(self) -> str:
        """What a form of ours carries; empty where none is taken. Another site's page cannot know it."""
        if not self.acknowledge or not self.token:
            return ""
        return hmac.new(self.token.encode(), b"layday phone form", hashlib.sha256).hexdigest()

    def answered(self, request: Request) -> str:
        """Return the alarm that a form says was seen; empty where it is not from a page of ours."""
        told = _FORM.fullmatch(request.body)
        ours = request.headers.get("origin", "") == f"http://{request.headers.get('host', '')}"
        if not self.form or told is None or not ours:
            return ""
        return told[2].decode() if hmac.compare_digest(told[1].decode(), self.form) else ""

    def said(self, request: Request) -> Said | None:
        """Return what became of the form that brought the page here; None where it was none."""
        told = _SAID.fullmatch(request.target) if self.form else None
        return None if told is None else Said(told[2], entered=told[1] == "seen")

    def answer(self, request: Request, local_address: str) -> Answer | None:
        """Return what to say at the door; None lets the request in.

        `local_address` is the address of ours that the client has reached.
        """
        if not self._is_ours(request.headers.get("host", ""), local_address):
            return refusal(421)
        answers = bool(self.form) and request.method == "POST" and request.target == ACKNOWLEDGE
        if request.method != "GET" and not answers:
            return refusal(405)
        told = _TOKEN.fullmatch(request.query)
        if self.token and told is not None and request.path == "/":
            return self._hello(told[1])
        if self.token and not self._knows(request.headers.get("cookie", "")):
            return refusal(403, "Open the link that 'layday phone' prints.")
        if request.path != "/" and request.headers.get("sec-fetch-site", "") in _FROM_ELSEWHERE:
            return refusal(403)
        return None

    def _is_ours(self, host: str, local_address: str) -> bool:
        """Say whether a Host header names us; a name somebody else can point at us does not."""
        found = re.fullmatch(r"(\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9._-]+)(?::\d{1,5})?", host)
        if found is None:
            return False
        name = found[1].strip("[]").lower().removesuffix(".")
        if name in self.names or name == local_address:
            return True
        return name == "localhost" and (local_address == "::1" or local_address.startswith("127."))

    def _hello(self, told: str) -> Answer:
        """Turn the link's token into a cookie.

        By a page, not a redirect: after a link in a message a redirect would not send a strict cookie.
        """
        if not hmac.compare_digest(told.encode(), self.token.encode()):
            return refusal(403, "That link is old; 'layday phone' prints another.")
        cookie = f"{COOKIE}={self.cookie}; HttpOnly; SameSite=Strict; Path=/; Max-Age={_YEAR_S}"
        policy = "default-src 'none'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'"
        headers = {"Set-Cookie": cookie, "Content-Security-Policy": policy}
        return Answer(200, _HELLO, "text/html; charset=utf-8", headers)

    def _knows(self, cookies: str) -> bool:
        found = _COOKIE.search(cookies)
        return found is not None and hmac.compare_digest(found[1], self.cookie)
