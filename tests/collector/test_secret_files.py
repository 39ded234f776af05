"""Secrets from systemd's credentials, and that none is ever shown."""

import logging
from pathlib import Path

import pytest

from collector.broker_secrets import credentials
from collector.clock import SystemClock
from collector.config import Config, load_config
from collector.errors import ConfigError, SourceError
from collector.listener import Listener
from collector.passwords import PasswordBook, hash_password
from collector.source_config import BrokerConfig, ListenerConfig
from dashboards.settings import setting_lines
from tests.collector.listener.support import Basket
from tests.mosquitto import free_port

SECRET = "tack-strip-57"


@pytest.fixture
def given(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder that systemd fills for a unit with LoadCredential=broker: and sensors:."""
    folder = tmp_path / "credentials"
    folder.mkdir()
    (folder / "broker").write_text(f"{SECRET}\n")
    (folder / "sensors").write_text(f"keel:{hash_password(SECRET)}\n")
    (folder / "sensors").chmod(0o400)
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(folder))
    return folder


def test_the_brokers_password_comes_from_a_credential(given: Path) -> None:
    config = BrokerConfig(host="h", username="layday", password_file="credential:broker")
    assert credentials(config) == (SECRET, None)


def test_the_listeners_passwords_come_from_a_credential(given: Path) -> None:
    config = ListenerConfig(port=free_port(), password_file="credential:sensors")
    listener = Listener(config, SystemClock())
    listener.start(Basket())
    try:
        assert listener.status().connected
        book = listener._book
        assert book is not None
        assert book.check("keel", SECRET.encode())
        assert not book.check("keel", b"wrong")
    finally:
        listener.stop()


def test_a_configuration_keeps_the_name_of_a_credential(tmp_path: Path, given: Path) -> None:
    path = tmp_path / "layday.toml"
    path.write_text(
        '[broker]\nhost = "h"\nusername = "u"\npassword_file = "credential:broker"\ntls_ca_file = "ca"\n'
    )
    broker = load_config(path).broker
    assert broker is not None
    assert broker.password_file == "credential:broker"
    assert broker.tls_ca_file == str(tmp_path / "ca")


def test_without_systemd_it_is_said_what_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("CREDENTIALS_DIRECTORY", raising=False)
    config = BrokerConfig(host="h", username="layday", password_file="credential:broker")
    with pytest.raises(SourceError, match="LoadCredential=broker:PATH into layday's unit"):
        credentials(config)
    for key in ("tls_certificate_file", "password_file"):
        files = {key: "credential:x"} | ({"tls_key_file": "k"} if key.startswith("tls") else {})
        with pytest.raises(SourceError, match=f"listener.{key} is credential:x"):
            Listener(ListenerConfig.model_validate({"port": free_port(), **files}), SystemClock()).start(
                Basket()
            )


def test_a_credential_that_was_not_given_is_named(given: Path) -> None:
    config = BrokerConfig(host="h", username="layday", password_file="credential:brother")
    with pytest.raises(SourceError, match="credentials/brother cannot be read: No such file"):
        credentials(config)


@pytest.mark.parametrize("name", ["../passwd", "", "a/b", ".hidden"])
def test_a_credential_cannot_lead_elsewhere(tmp_path: Path, name: str) -> None:
    path = tmp_path / "layday.toml"
    path.write_text(f'[broker]\nhost = "h"\npassword_file = "credential:{name}"\n')
    with pytest.raises(ConfigError, match=r"broker\.password_file: '.*' is no credential's name"):
        load_config(path)


def test_no_secret_is_shown_by_repr_settings_errors_or_log(
    given: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    broker = BrokerConfig(host="h", username="layday", password_file="credential:broker")
    credentials(broker)
    config = Config(broker=broker, listener=ListenerConfig(password_file="credential:sensors"))
    book = PasswordBook(given / "sensors")
    book.check("keel", SECRET.encode())
    book.check("keel", f"{SECRET}x".encode())
    (given / "broker").write_text(f"\n{SECRET}\n")
    with pytest.raises(SourceError) as caught:
        credentials(broker)
    shown = [repr(config), str(config), *setting_lines(config), repr(book), str(caught.value), caplog.text]
    shown += [repr(vars(book))]
    assert not [text for text in shown if SECRET in text]
