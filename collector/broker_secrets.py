"""The broker's password and the certificates it is trusted by, read afresh for every connection."""

import ssl

from collector.errors import SourceError
from collector.secret_files import secret_path
from collector.source_config import BrokerConfig


class _TidySocket(ssl.SSLSocket):
    """Closes itself when its handshake fails: paho drops such a socket open."""

    def do_handshake(self, block: bool = False) -> None:  # noqa: FBT001, FBT002  Python's own signature
        try:
            super().do_handshake(block)
        except OSError:
            self.close()
            raise


def credentials(config: BrokerConfig) -> tuple[str | None, ssl.SSLContext | None]:
    """Return the password and the TLS context, each None where the configuration has none.

    Raises
    ------
    SourceError
        If a file cannot be read or used; the text never shows the password.
    """
    return _password(config), _context(config)


def _password(config: BrokerConfig) -> str | None:
    if not config.password_file:
        return None
    if not config.username:
        raise SourceError("broker.password_file is set without broker.username; give both or neither")
    file = secret_path(config.password_file, "broker.password_file")
    try:
        lines = file.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "not UTF-8 text"
        raise SourceError(f"broker.password_file {file} cannot be read: {reason}") from error
    if not lines or not lines[0]:
        raise SourceError(f"broker.password_file {file} has no password on its first line")
    return lines[0]


def _context(config: BrokerConfig) -> ssl.SSLContext | None:
    if not config.tls:
        return None
    ca_file = secret_path(config.tls_ca_file, "broker.tls_ca_file") if config.tls_ca_file else None
    try:
        context = ssl.create_default_context(cafile=ca_file)
    except ssl.SSLError as error:
        raise SourceError(f"broker.tls_ca_file {config.tls_ca_file} is no PEM certificate") from error
    except OSError as error:
        raise SourceError(
            f"broker.tls_ca_file {config.tls_ca_file} cannot be read: {error.strerror}"
        ) from error
    context.sslsocket_class = _TidySocket
    return context
