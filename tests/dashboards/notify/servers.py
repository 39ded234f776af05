"""Real servers that messages go to: mail, and HTTP that answers as it is told."""

import contextlib
import email
import email.policy
import json
import ssl
import subprocess
import threading
import time
from collections.abc import Iterator
from email.message import EmailMessage
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any, Self

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, Session

from tests.mosquitto import free_port


class Mailbox:
    """Takes mail, unless it is told to answer else."""

    def __init__(self) -> None:
        self.mails: list[EmailMessage] = []
        self.raw: list[bytes] = []
        self.encrypted: list[bool] = []
        self.answers: list[str] = []

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:  # noqa: N802
        self.encrypted.append(session.ssl is not None)
        if self.answers:
            return self.answers.pop(0)
        content = envelope.content
        assert isinstance(content, bytes)
        self.raw.append(content)
        mail = email.message_from_bytes(content, policy=email.policy.default)
        assert isinstance(mail, EmailMessage)
        self.mails.append(mail)
        return "250 OK"


def certificate(folder: Path) -> tuple[Path, Path]:
    """Make a certificate of 127.0.0.1 and its key."""
    cert, key = folder / "cert.pem", folder / "key.pem"
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=127.0.0.1",
         "-addext", "subjectAltName=IP:127.0.0.1", "-keyout", key, "-out", cert],
        check=True, capture_output=True,
    )  # fmt: skip
    return cert, key


@contextlib.contextmanager
def mail_server(
    box: Mailbox, tls: tuple[Path, Path] | None = None, password: str = "", port: int = 0
) -> Iterator[int]:
    """Run a mail server on 127.0.0.1; yield its port. With `tls` it insists on STARTTLS."""
    context = None
    if tls is not None:
        context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
        context.load_cert_chain(*tls)

    def knows(*arguments: Any) -> AuthResult:  # noqa: ANN401  aiosmtpd's own signature
        return AuthResult(success=arguments[-1].password == password.encode(), handled=False)

    controller = Controller(
        box,
        hostname="127.0.0.1",
        port=port or free_port(),
        tls_context=context,
        require_starttls=tls is not None,
        authenticator=knows if password else None,
        auth_required=bool(password),
        auth_require_tls=tls is not None,
    )
    controller.start()
    try:
        yield controller.port
    finally:
        controller.stop()


class WebServer(ThreadingHTTPServer):
    """Answers 200, or as it is told: a status, or "hang"."""

    daemon_threads = True

    def __init__(self, port: int = 0) -> None:
        super().__init__(("127.0.0.1", port), _Handler)
        self.answers: list[int | str] = []
        self.got: list[tuple[str, str, dict[str, str], Any]] = []
        self.headers: dict[str, str] = {}
        self._thread = threading.Thread(target=self.serve_forever, args=(0.05,), daemon=True)

    @property
    def url(self) -> str:
        """Its address."""
        return f"http://127.0.0.1:{self.server_port}"

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *reason: object) -> None:
        self.shutdown()
        self.server_close()


class _Handler(BaseHTTPRequestHandler):
    server: WebServer

    def do_POST(self) -> None:
        self._answer()

    def do_DELETE(self) -> None:
        self._answer()

    def _answer(self) -> None:
        body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
        answer = self.server.answers.pop(0) if self.server.answers else 200
        if answer == "hang":
            time.sleep(3.0)
            return
        self.server.got.append(
            (self.command, self.path, dict(self.headers), json.loads(body) if body else None)
        )
        assert isinstance(answer, int)
        self.send_response(answer)
        for name, value in self.server.headers.items():
            self.send_header(name, value)
        self.end_headers()
        self.wfile.write(b'{"id": "x"}')

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002  Python's own name
        pass
