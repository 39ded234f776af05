"""Where a secret is: a file, or a credential that systemd hands to the service.

A setting that names a file may say ``credential:NAME`` instead. With ``LoadCredential=NAME:/some/path`` in
its unit the service finds the secret in ``$CREDENTIALS_DIRECTORY/NAME``, where nobody else can read it
(systemd.exec(5)).
"""

import os
import re
from pathlib import Path

from collector.errors import SourceError

PREFIX = "credential:"
_NAME = re.compile(r"[A-Za-z0-9_-][A-Za-z0-9_.-]*")


def credential_mistake(setting: str) -> str:
    """Return what is wrong with a setting that names a file or a credential; empty if nothing is.

    >>> credential_mistake("credential:../broker")
    "'../broker' is no credential's name; use letters, digits, '-', '_' and '.'"
    """
    name = setting.removeprefix(PREFIX)
    if setting.startswith(PREFIX) and not _NAME.fullmatch(name):
        return f"{name!r} is no credential's name; use letters, digits, '-', '_' and '.'"
    return ""


def secret_path(setting: str, key: str) -> Path:
    """Return the file that a setting (`key`, as in ``broker.password_file``) names.

    Raises
    ------
    SourceError
        If it names a credential and systemd gave this process none.
    """
    if not setting.startswith(PREFIX):
        return Path(setting)
    folder = os.environ.get("CREDENTIALS_DIRECTORY")
    name = setting.removeprefix(PREFIX)
    if not folder:
        raise SourceError(
            f"{key} is {setting}, but systemd gave this process no credentials; put "
            f"LoadCredential={name}:PATH into layday's unit and start it as a service, or name a file"
        )
    return Path(folder) / name
