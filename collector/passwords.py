"""Passwords of sensors: scrypt hashes in a file of ``name:hash`` lines. None is ever shown."""

import base64
import hashlib
import hmac
import re
import secrets
import stat
import threading
from collections import OrderedDict
from collections.abc import Mapping
from pathlib import Path

from collector.errors import ConfigError

# About 16 MB and 50 ms on a desktop: what the paper on scrypt sets for interactive log-ins:
# C. Percival, "Stronger key derivation via sequential memory-hard functions", 2009.
_LOG2_N, _R, _P = 14, 8, 1
_MAX_MEMORY_BYTES = 64 * 1024 * 1024
_MAX_LOG2_N, _MAX_R, _MAX_P = 18, 32, 4
_SALT_BYTES, _KEY_BYTES = 16, 32
_FORM = re.compile(
    r"\$scrypt\$ln=(\d{1,2}),r=(\d{1,2}),p=(\d)\$([A-Za-z0-9+/]{11,86})\$([A-Za-z0-9+/]{22,86})"
)
_REMEMBERED = 1_000
_EXPOSED = stat.S_IRWXG | stat.S_IRWXO


def hash_password(password: str) -> str:
    """Return a hash of `password` for a password file, in the PHC string format.

    Each call gives another (the salt is random); all of them verify.

    Raises
    ------
    ValueError
        If the password is empty.

    >>> hash_password("tack").split("$")[1:3]
    ['scrypt', 'ln=14,r=8,p=1']
    """
    if not password:
        raise ValueError("an empty password keeps nobody out; give one")
    salt = secrets.token_bytes(_SALT_BYTES)
    key = _derive(password.encode(), salt, (_LOG2_N, _R, _P), _KEY_BYTES)
    return f"$scrypt$ln={_LOG2_N},r={_R},p={_P}${_base64(salt)}${_base64(key)}"


def verify_password(password: str | bytes, stored: str) -> bool:
    """Say whether `password` is the one that `stored` is a hash of, in constant time.

    Raises
    ------
    ValueError
        If `stored` is no hash of ours, or one that would cost more than 64 MB of memory.

    >>> verify_password("tack", hash_password("tack"))
    True
    """
    costs, salt, key = _parse(stored)
    raw = password.encode() if isinstance(password, str) else password
    return hmac.compare_digest(_derive(raw, salt, costs, len(key)), key)


def read_password_file(path: Path) -> Mapping[str, str]:
    """Return the hashes in `path` by user name. Blank lines and lines with a leading # are skipped.

    Raises
    ------
    ConfigError
        With every mistake, each as ``file: line: what``; a hash or password is never quoted.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise ConfigError([f"{path}: cannot be read: {error.strerror}"]) from error
    except UnicodeDecodeError as error:
        raise ConfigError([f"{path}: is not UTF-8 text (byte {error.start})"]) from error
    found: dict[str, str] = {}
    mistakes = []
    for number, line in enumerate(text.splitlines(), start=1):
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        name, colon, stored = line.strip().partition(":")
        what = _mistake(name, colon, stored, found)
        if what:
            mistakes.append(f"{path}: line {number}: {what}")
        found[name] = stored
    if not found:
        mistakes.append(f"{path}: has no user in it; add a line name:hash for each sensor")
    if mistakes:
        raise ConfigError(mistakes)
    return found


def _mistake(name: str, colon: str, stored: str, found: Mapping[str, str]) -> str:
    """Say what is wrong with a line, never quoting what may be a password."""
    if not colon:
        return "is no name:hash line"
    if not name:
        return "has no name before the colon"
    if name in found:
        return f"user {name!r} is there twice; keep one line"
    try:
        _parse(stored)
    except ValueError as error:
        return f"user {name!r}: {error}"
    return ""


def exposure(path: Path) -> str:
    """Return advice if others on this computer can read `path`, else an empty string."""
    mode = path.stat().st_mode
    if mode & _EXPOSED:
        return f"{path}: others on this computer can read it (mode {mode & 0o777:04o}); chmod 0600 {path}"
    return ""


class PasswordBook:
    """A password file in use: read again when it changes, with recent successes remembered.

    A success is remembered as a keyed digest, so that two hundred sensors that come back
    together cost two hundred digests, not two hundred scrypts.

    Raises
    ------
    ConfigError
        If the file has mistakes. A later mistake leaves the users as they were (see `problem`).
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._lock = threading.Lock()
        self._remembered: OrderedDict[bytes, None] = OrderedDict()
        self._secret = secrets.token_bytes(32)
        self._decoy = hash_password(secrets.token_hex(16))
        self._state = self._stat()
        self._users = read_password_file(path)
        self.problem = ""

    def remembers(self, name: str, password: bytes) -> bool:
        """Say at once whether these were right not long ago; False means `check` must tell."""
        with self._lock:
            self._refresh()
            stored = self._users.get(name)
            if stored is None:
                return False
            digest = self._digest(name, password, stored)
            if digest not in self._remembered:
                return False
            self._remembered.move_to_end(digest)
            return True

    def check(self, name: str, password: bytes) -> bool:
        """Say whether user and password are right. Slow on purpose: call it from a worker thread.

        A user who does not exist costs as much time as a wrong password.
        """
        with self._lock:
            self._refresh()
            stored = self._users.get(name)
        right = verify_password(password, stored or self._decoy) and stored is not None
        if right and stored is not None:
            with self._lock:
                self._remembered[self._digest(name, password, stored)] = None
                while len(self._remembered) > _REMEMBERED:
                    self._remembered.popitem(last=False)
        return right

    def _digest(self, name: str, password: bytes, stored: str) -> bytes:
        """Return what a success is remembered by; another hash in the file makes it another."""
        digest = hashlib.blake2b(key=self._secret)
        for part in (name.encode(), password, stored.encode()):
            digest.update(len(part).to_bytes(4, "big") + part)
        return digest.digest()

    def _stat(self) -> tuple[int, int, int] | None:
        try:
            found = self._path.stat()
        except OSError:
            return None
        return found.st_mtime_ns, found.st_size, found.st_ino

    def _refresh(self) -> None:
        """Read the file again if it has changed; a file that is broken changes nothing."""
        state = self._stat()
        if state == self._state:
            return
        self._state = state
        try:
            self._users = read_password_file(self._path)
        except ConfigError as error:
            self.problem = f"{error.mistakes[0]}; the users from before still count"
        else:
            self.problem = ""


def _parse(stored: str) -> tuple[tuple[int, int, int], bytes, bytes]:
    match = _FORM.fullmatch(stored)
    if match is None:
        raise ValueError("is no scrypt hash of ours; make one with 'layday password'")
    log2_n, r, p = (int(match[i]) for i in (1, 2, 3))
    known = 1 <= log2_n <= _MAX_LOG2_N and 1 <= r <= _MAX_R and 1 <= p <= _MAX_P
    if not known or 128 * r * 2**log2_n > _MAX_MEMORY_BYTES:
        raise ValueError("is a hash that takes too much memory or time to check; make a new one")
    return (log2_n, r, p), _unbase64(match[4]), _unbase64(match[5])


def _derive(password: bytes, salt: bytes, costs: tuple[int, int, int], size: int) -> bytes:
    log2_n, r, p = costs
    # OpenSSL counts a little more than the 128 * r * (n + p) of the definition (RFC 7914)
    return hashlib.scrypt(
        password, salt=salt, n=2**log2_n, r=r, p=p, maxmem=2 * _MAX_MEMORY_BYTES, dklen=size
    )


def _base64(raw: bytes) -> str:
    return base64.b64encode(raw).decode().rstrip("=")


def _unbase64(text: str) -> bytes:
    return base64.b64decode(text + "=" * (-len(text) % 4))
