"""E-mail by SMTP (RFC 5321), encrypted; one thread per cure."""

import smtplib
import socket
import ssl
from email.message import EmailMessage
from email.utils import format_datetime

from collector.errors import SourceError
from collector.notify_config import ChannelConfig
from dashboards.notify.message import Weight
from dashboards.notify.sender import Answer, Limits, Outcome, Outgoing, Secret, cut

TIMEOUT_S = 20.0
_PORTS = {"starttls": 587, "tls": 465, "off": 25}
_TRY_LATER = range(400, 500)  # RFC 5321, section 4.2.1: transient


class MailSender:
    """Sends to one mailbox through one server."""

    limits = Limits(head_chars=120, text_chars=20_000, gap_s=5.0, pictures=True)

    def __init__(self, config: ChannelConfig, timeout_s: float = TIMEOUT_S) -> None:
        self._config = config
        self._timeout_s = timeout_s
        self._password = Secret(config.password_file, f"channel {config.name}: password_file")

    def send(self, outgoing: Outgoing) -> Answer:
        """Send one mail."""
        try:
            with self._connected() as server:
                refused = server.send_message(self.mail(outgoing))
        except smtplib.SMTPRecipientsRefused as error:
            code, words = next(iter(error.recipients.values()))
            return _answer(code, words)
        except smtplib.SMTPResponseException as error:
            return _answer(error.smtp_code, error.smtp_error)
        except (OSError, smtplib.SMTPException, SourceError) as error:
            return Answer(Outcome.LATER, f"{type(error).__name__}: {error}")
        return Answer(Outcome.SENT, f"taken by {self._config.host}" if not refused else "taken in part")

    def close(self) -> None:
        """Nothing is held."""

    def mail(self, outgoing: Outgoing) -> EmailMessage:
        """Return the mail itself."""
        domain = self._config.sender.rpartition("@")[2] or "layday.invalid"
        mail = EmailMessage()
        mail["Subject"] = cut(outgoing.head, self.limits.head_chars)
        mail["From"] = f"layday {outgoing.shed} <{self._config.sender}>"
        mail["To"] = self._config.to
        mail["Date"] = format_datetime(outgoing.at)
        mail["Message-ID"] = f"<{outgoing.key}.{outgoing.shed}@{domain}>"
        root = f"<thread-{outgoing.thread}.{outgoing.shed}@{domain}>"
        mail["In-Reply-To"] = root
        mail["References"] = root
        mail["Auto-Submitted"] = "auto-generated"  # RFC 3834: no out-of-office answers
        if outgoing.weight is Weight.URGENT:
            mail["Importance"] = "high"
            mail["X-Priority"] = "1"
        mail.set_content(cut(outgoing.text, self.limits.text_chars) + "\n")
        if outgoing.picture_svg:
            mail.add_attachment(outgoing.picture_svg.encode(), "image", "svg+xml", filename="ahead.svg")
        return mail

    def _connected(self) -> smtplib.SMTP:
        config = self._config
        context = ssl.create_default_context(cafile=config.tls_ca_file or None)
        port = config.port or _PORTS[config.tls]
        server: smtplib.SMTP
        if config.tls == "tls":
            server = smtplib.SMTP_SSL(config.host, port, timeout=self._timeout_s, context=context)
        else:
            server = smtplib.SMTP(config.host, port, local_hostname=_me(), timeout=self._timeout_s)
        try:
            if config.tls == "starttls":
                server.starttls(context=context)
            if config.username:
                server.login(config.username, self._password.read())
        except BaseException:
            server.close()
            raise
        return server


def _me() -> str:
    return socket.gethostname() or "layday"


def _answer(code: int, words: bytes | str) -> Answer:
    said = words.decode(errors="replace") if isinstance(words, bytes) else words
    return Answer(Outcome.LATER if code in _TRY_LATER else Outcome.REFUSED, f"{code} {said}")
