"""The listener's sockets, and TLS."""

import contextlib
import errno
import socket
import ssl

from collector.errors import SourceError
from collector.secret_files import secret_path
from collector.source_config import ListenerConfig

_BACKLOG = 512
_KERNEL_RECEIVE_BYTES = 262_144  # a client; by itself the kernel would go to megabytes for each
_KERNEL_SEND_BYTES = 65_536
_PEER_DEAD_AFTER = {"TCP_KEEPIDLE": 60, "TCP_KEEPINTVL": 15, "TCP_KEEPCNT": 4}


def bind(config: ListenerConfig) -> list[socket.socket]:
    """Open the port on every address that the host has.

    Raises
    ------
    SourceError
        If it can't be opened, with what to do about it.
    """
    where = f"listener {config.host}:{config.port}"
    try:
        found = socket.getaddrinfo(
            config.host or None, config.port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )
    except socket.gaierror as error:
        raise SourceError(
            f"{where}: no such host ({error.strerror}); use 127.0.0.1 or an address of this computer"
        ) from error
    opened: list[socket.socket] = []
    port = config.port
    try:
        for family, _, _, _, address in dict.fromkeys(found):
            opened.append(_bind_one(family, (address[0], port, *address[2:])))
            port = opened[0].getsockname()[1]  # port 0 takes a free one: the same for all
    except OSError as error:
        for one in opened:
            one.close()
        raise SourceError(f"{where}: {_advice(error)}") from error
    return opened


def _bind_one(family: int, address: tuple[object, ...]) -> socket.socket:
    one = socket.socket(family, socket.SOCK_STREAM)
    try:
        one.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        if family == socket.AF_INET6:
            one.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
        one.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _KERNEL_RECEIVE_BYTES)  # accepted ones inherit
        one.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _KERNEL_SEND_BYTES)
        one.bind(address)
        one.listen(_BACKLOG)
        one.setblocking(False)
    except OSError:
        one.close()
        raise
    return one


def _advice(error: OSError) -> str:
    if error.errno == errno.EADDRINUSE:
        return "the port is taken; stop the other program (a broker?) or set another listener.port"
    if error.errno == errno.EACCES:
        return "not allowed to open this port; take one above 1023"
    if error.errno == errno.EADDRNOTAVAIL:
        return "this computer has no such address; set listener.host to one it has, or 127.0.0.1"
    return f"cannot be opened: {error.strerror}"


def watch_peer(one: socket.socket) -> None:
    """Have the kernel find out when the other end is gone, even if it never says a word."""
    with contextlib.suppress(OSError):  # a peer that is gone already
        one.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        for option, value in _PEER_DEAD_AFTER.items():
            if hasattr(socket, option):
                one.setsockopt(socket.IPPROTO_TCP, getattr(socket, option), value)


def tls_context(config: ListenerConfig) -> ssl.SSLContext | None:
    """Return TLS 1.2 or better as configured, or None where it is not.

    Raises
    ------
    SourceError
        If a file can't be used, naming it.
    """
    if not config.tls_certificate_file:
        return None
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.options |= ssl.OP_NO_RENEGOTIATION
    certificate = secret_path(config.tls_certificate_file, "listener.tls_certificate_file")
    key = secret_path(config.tls_key_file, "listener.tls_key_file")
    files = f"{certificate} and {key}"
    try:
        # without a password function OpenSSL would ask on the terminal, and a daemon has none
        context.load_cert_chain(certificate, key, password=lambda: "")
        if config.tls_client_ca_file:
            files = str(secret_path(config.tls_client_ca_file, "listener.tls_client_ca_file"))
            context.load_verify_locations(files)
            context.verify_mode = ssl.CERT_REQUIRED
    except (OSError, ValueError) as error:
        what = getattr(error, "strerror", None) or getattr(error, "reason", None) or "is no PEM file"
        raise SourceError(
            f"{files}: {what}; give a certificate (chain) and its key, unencrypted, as PEM files"
        ) from error
    return context
