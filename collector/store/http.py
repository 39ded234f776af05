"""Asking a central store over HTTP: one connection, errors in words that name the address and the cure."""

import base64
import json
from collections.abc import Mapping
from http import HTTPStatus
from typing import Any

import urllib3

from collector.errors import StoreError
from collector.store.address import Access, Address

_TIMEOUT_S = 60.0
_CONNECT_S = 5.0
_WORDS: Mapping[int, str] = {
    HTTPStatus.UNAUTHORIZED: "refuses our token; check token_file",
    HTTPStatus.FORBIDDEN: "does not let our token read there; check its rights",
    HTTPStatus.NOT_FOUND: "has no such bucket or page; check the address (InfluxDB 2: its DBRP mapping)",
}


class HttpReader:
    """Questions to one central store. Thread-safe."""

    def __init__(self, address: Address, access: Access) -> None:
        self.address = address
        tls = access.tls() if address.url.startswith("https") else None
        self._pool = urllib3.PoolManager(
            retries=False, maxsize=4, timeout=urllib3.Timeout(_CONNECT_S, _TIMEOUT_S), ssl_context=tls
        )
        self._headers = {"Accept-Encoding": "gzip"}
        token = access.token()
        if token and address.kind == "victoria":
            basic = base64.b64encode(token.encode()).decode()
            self._headers["Authorization"] = f"Basic {basic}" if ":" in token else f"Bearer {token}"
        elif token:
            self._headers["Authorization"] = f"Token {token}"

    def text(self, path: str, query: Mapping[str, str]) -> str:
        """Return the answer to a question.

        Raises
        ------
        StoreError
            If there is no answer, or it is a refusal.
        """
        try:
            answer = self._pool.request("GET", self.address.url + path, fields=query, headers=self._headers)
        except (urllib3.exceptions.HTTPError, OSError) as error:
            what = type(getattr(error, "reason", None) or error).__name__
            if isinstance(error, urllib3.exceptions.SSLError):
                raise StoreError(
                    f"{self.address}: cannot be trusted, or does not speak TLS ({error}); "
                    "check tls_ca_file and the address"
                ) from error
            raise StoreError(
                f"{self.address}: does not answer ({what}); check the address, the network and the server"
            ) from error
        body = answer.data.decode("utf-8", "replace")
        if answer.status != HTTPStatus.OK:
            words = _WORDS.get(answer.status)
            said = " ".join(body.split())[:200]
            raise StoreError(f"{self.address}: {words or 'cannot answer'} ({answer.status}: {said})")
        return body

    def json(self, path: str, query: Mapping[str, str]) -> Any:  # noqa: ANN401  whatever the server says
        """Return the answer to a question whose answer is JSON; `StoreError` if it is none."""
        body = self.text(path, query)
        try:
            return json.loads(body)
        except ValueError as error:
            raise StoreError(f"{self.address}: answers what is not JSON; check the address") from error

    def close(self) -> None:
        """Close the connections."""
        self._pool.clear()
