"""Passwords: hashed well, compared safely, never shown."""

import base64
import hashlib
import time
from pathlib import Path

import pytest

from collector.errors import ConfigError
from collector.passwords import PasswordBook, exposure, hash_password, read_password_file, verify_password


def phc(password: bytes, salt: bytes, log2_n: int, r: int, p: int, size: int = 64) -> str:
    """Return a hash made with the standard library, in the PHC form."""
    key = hashlib.scrypt(password, salt=salt, n=2**log2_n, r=r, p=p, dklen=size, maxmem=2**27)
    salt_text, key_text = (base64.b64encode(raw).decode().rstrip("=") for raw in (salt, key))
    return f"$scrypt$ln={log2_n},r={r},p={p}${salt_text}${key_text}"


def test_a_hash_of_the_published_test_vector_is_verified() -> None:
    """RFC 7914 section 12: scrypt of "pleaseletmein", "SodiumChloride", N=16384, r=8, p=1."""
    key = bytes.fromhex(
        "7023bdcb3afd7348461c06cd81fd38ebfda8fbba904f8e3ea9b543f6545da1f2"
        "d5432955613f0fcf62d49705242a9af9e61e85dc0d651e40dfcf017b45575887"
    )
    salt_text, key_text = (base64.b64encode(raw).decode().rstrip("=") for raw in (b"SodiumChloride", key))
    stored = f"$scrypt$ln=14,r=8,p=1${salt_text}${key_text}"
    assert verify_password("pleaseletmein", stored)
    assert not verify_password("pleaseletmeim", stored)


def test_each_hash_is_another_and_all_verify() -> None:
    one, two = hash_password("tack-strip"), hash_password("tack-strip")
    assert one != two
    assert verify_password("tack-strip", one)
    assert verify_password(b"tack-strip", two)
    assert not verify_password("tack-stri", one)


def test_an_empty_password_is_refused() -> None:
    with pytest.raises(ValueError, match="keeps nobody out"):
        hash_password("")


@pytest.mark.parametrize(
    "stored",
    [
        "plain-text-password",
        "$2b$12$abcdefghijklmnopqrstuv",
        "$scrypt$ln=14,r=8,p=1$c2FsdA$",
        phc(b"x", b"0123456789", 4, 8, 1).replace("ln=4", "ln=30"),
        phc(b"x", b"0123456789", 4, 8, 1).replace("r=8", "r=0"),
        phc(b"x", b"0123456789", 4, 8, 1).replace("ln=4,r=8", "ln=18,r=32"),
    ],
)
def test_what_is_no_hash_or_too_costly_is_refused_without_being_quoted(stored: str) -> None:
    with pytest.raises(ValueError, match="is ") as caught:
        verify_password("x", stored)
    assert stored not in str(caught.value)


def test_a_file_is_read_and_every_mistake_in_it_named_at_once(tmp_path: Path) -> None:
    path = tmp_path / "passwords"
    good = phc(b"x", b"0123456789", 4, 8, 1)
    path.write_text(f"# sensors\n\nkeel:{good}\nsheer:{good}\n")
    assert read_password_file(path) == {"keel": good, "sheer": good}
    path.write_text(f"keel:{good}\nkeel:{good}\nsheer:secret-in-clear\n:{good}\nnothing\n")
    with pytest.raises(ConfigError) as caught:
        read_password_file(path)
    assert [mistake.split(": ", 1)[1] for mistake in caught.value.mistakes] == [
        "line 2: user 'keel' is there twice; keep one line",
        "line 3: user 'sheer': is no scrypt hash of ours; make one with 'layday password'",
        "line 4: has no name before the colon",
        "line 5: is no name:hash line",
    ]
    assert "secret" not in str(caught.value)


@pytest.mark.parametrize(
    ("content", "what"), [(b"", "has no user"), (b"\xff", "is not UTF-8"), (None, "cannot be")]
)
def test_a_file_that_can_t_be_used_is_named(tmp_path: Path, content: bytes | None, what: str) -> None:
    path = tmp_path / "passwords"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(ConfigError, match=what) as caught:
        read_password_file(path)
    assert str(path) in str(caught.value)


def test_a_file_that_others_can_read_is_advised_against(tmp_path: Path) -> None:
    path = tmp_path / "passwords"
    path.touch(0o600)
    assert exposure(path) == ""
    path.chmod(0o640)
    assert exposure(path).endswith(f"(mode 0640); chmod 0600 {path}")


def book(tmp_path: Path, **users: str) -> PasswordBook:
    path = tmp_path / "passwords"
    path.write_text("".join(f"{name}:{hash_password(password)}\n" for name, password in users.items()))
    return PasswordBook(path)


def test_two_hundred_sensors_that_come_back_cost_no_two_hundred_scrypts(tmp_path: Path) -> None:
    passwords = book(tmp_path, keel="tack-strip")
    assert not passwords.remembers("keel", b"tack-strip")
    assert passwords.check("keel", b"tack-strip")
    began_s = time.process_time()
    assert all(passwords.remembers("keel", b"tack-strip") for _ in range(200))
    assert time.process_time() - began_s < 0.5  # one scrypt is 0.03 s or more, so 200 would be 6 s
    assert not passwords.remembers("keel", b"tack-stri")
    assert not passwords.remembers("sheer", b"tack-strip")
    assert not passwords.check("keel", b"tack-stri")
    assert not passwords.check("sheer", b"tack-strip")


def test_a_changed_file_counts_at_once_and_a_broken_one_changes_nothing(tmp_path: Path) -> None:
    passwords = book(tmp_path, keel="old")
    assert passwords.check("keel", b"old")
    (tmp_path / "passwords").write_text(f"keel:{hash_password('young-password')}\n\n")
    assert not passwords.remembers("keel", b"old")
    assert not passwords.check("keel", b"old")
    assert passwords.check("keel", b"young-password")
    (tmp_path / "passwords").write_text("keel\n")
    assert passwords.remembers("keel", b"young-password")
    assert "line 1: is no name:hash line; the users from before still count" in passwords.problem
