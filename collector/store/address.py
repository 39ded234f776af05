"""Where a central store is, and how one proves who one is: addresses, token files, TLS."""

import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from collector.errors import InputError, SourceError, StoreError
from collector.secret_files import secret_path

if TYPE_CHECKING:
    import ssl

SCHEMES = "influx://, influx+tls://, victoria://, victoria+tls://"
_PATTERN = re.compile(
    r"(?P<kind>influx|victoria)(?P<tls>\+tls)?://(?P<host>[A-Za-z0-9._-]+|\[[0-9A-Fa-f:]+\])"
    r"(:(?P<port>\d{1,5}))?(/(?P<bucket>[A-Za-z0-9_.-]*))?(/(?P<shed>[a-z][a-z0-9_]*))?/?"
)
_PORTS = {"influx": 8086, "victoria": 8428}


@dataclass(frozen=True, slots=True)
class Address:
    """A central store: its kind, the URL of its server, the bucket (database), the shed asked about.

    `shed` is empty where none is named; `bucket` means nothing to VictoriaMetrics.
    """

    kind: Literal["influx", "victoria"]
    url: str
    bucket: str
    shed: str = ""

    def __str__(self) -> str:
        scheme, _, rest = self.url.partition("://")
        shed = f"/{self.shed}" if self.shed else ""
        return f"{self.kind}{'+tls' if scheme == 'https' else ''}://{rest}/{self.bucket}{shed}"

    def of(self, shed: str) -> "Address":
        """Return the address of one shed there."""
        return replace(self, shed=shed)


def is_address(text: str) -> bool:
    """Say whether a text means a central store rather than a file.

    >>> is_address("influx://yard.example/layday"), is_address("shed.sqlite")
    (True, False)
    """
    return "://" in text


def parse_address(text: str) -> Address:
    """Return the address that a text gives, as ``influx://host:8086/bucket/shed``.

    Raises
    ------
    InputError
        If it is none. A password in it is refused too: it would end up in histories and logs.

    >>> str(parse_address("influx+tls://yard.example/layday/gull"))
    'influx+tls://yard.example:8086/layday/gull'
    """
    found = _PATTERN.fullmatch(text.strip())
    if found is None:
        shown = re.sub(r"//[^/@]*@", "//…@", text)
        raise InputError(
            f"{shown!r} is no central store; write KIND://HOST:PORT/BUCKET/SHED with one of {SCHEMES}; "
            "a token belongs in a file (token_file), never in the address"
        )
    kind: Literal["influx", "victoria"] = "influx" if found["kind"] == "influx" else "victoria"
    port = int(found["port"] or _PORTS[kind])
    url = f"{'https' if found['tls'] else 'http'}://{found['host']}:{port}"
    return Address(kind, url, found["bucket"] or "layday", found["shed"] or "")


@dataclass(frozen=True, slots=True)
class Access:
    """The files that open a central store: its token, and the certificate it is trusted by.

    The token's may be a credential that systemd gives the service, as ``credential:NAME``. A token with a
    colon is a user and a password (InfluxDB 1.8, or a proxy before VictoriaMetrics).
    """

    token_file: str = ""
    tls_ca_file: str = ""

    def token(self) -> str:
        """Return the token, read afresh; empty where none is set.

        Raises
        ------
        StoreError
            If the file cannot be read or holds nothing; the text never shows the token.
        """
        if not self.token_file:
            return ""
        try:
            path = secret_path(self.token_file, "token_file").expanduser()
            lines = path.read_text(encoding="utf-8").split()
        except SourceError as error:
            raise StoreError(str(error)) from error
        except (OSError, UnicodeDecodeError) as error:
            reason = error.strerror if isinstance(error, OSError) else "not UTF-8 text"
            raise StoreError(f"token_file {self.token_file} cannot be read: {reason}") from error
        if len(lines) != 1:
            raise StoreError(f"token_file {self.token_file} must hold the token and nothing else")
        return lines[0]

    def tls(self) -> "ssl.SSLContext":
        """Return what a server's certificate is checked by.

        Raises
        ------
        StoreError
            If the file cannot be used.
        """
        import ssl

        try:
            return ssl.create_default_context(cafile=self.tls_ca_file or None)
        except (OSError, ssl.SSLError) as error:
            raise StoreError(f"tls_ca_file {self.tls_ca_file} cannot be used: {error}") from error


NO_ACCESS = Access()
