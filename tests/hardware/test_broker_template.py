"""The broker template: its own README's commands, a real mosquitto on it, and messages through it."""

import re
import subprocess
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from collector.broker_client import BrokerClient
from collector.clock import SystemClock
from collector.source_config import BrokerConfig
from tests.collector.broker_tools import QUICK, TOPICS, RememberingSink, connect, wait_until
from tests.mosquitto import Mosquitto, program

TEMPLATE = Path(__file__).parents[2] / "hardware" / "broker"


def blocks(kind: str) -> list[str]:
    text = (TEMPLATE / "README.md").read_text(encoding="utf-8")
    return re.findall(rf"<!-- (?:run|read) by the tests -->\n```{kind}\n(.*?)```", text, re.DOTALL)


class Yard:
    """The template installed under a folder in place of /etc/mosquitto, on a free port."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        (folder / "certs").mkdir()
        self.certificates, self.passwords, self.attempt = blocks("sh")
        self.run(self.certificates)
        self.run(self.passwords)
        (folder / "acl").write_text((TEMPLATE / "acl").read_text(encoding="utf-8"), encoding="utf-8")
        self.broker = Mosquitto(folder / "data")
        settings = (TEMPLATE / "mosquitto.conf").read_text(encoding="utf-8")
        self.broker.settings = self.moved(settings) + "\npersistence true\n"

    def moved(self, text: str) -> str:
        text = text.replace("/etc/mosquitto", str(self.folder))
        return text.replace("8883", str(self.broker.port)) if hasattr(self, "broker") else text

    def run(self, commands: str, *, check: bool = True) -> str:
        program("openssl", "openssl")
        result = subprocess.run(
            ["sh", "-e", "-c", self.moved(commands)], check=False, capture_output=True, text=True, timeout=60
        )
        assert not check or result.returncode == 0, result.stderr
        return result.stderr

    def config(self, **changes: object) -> BrokerConfig:
        (text,) = blocks("toml")
        table = tomllib.loads(self.moved(text))["broker"]
        return BrokerConfig.model_validate({**table, **changes})


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Yard]:
    yard = Yard(tmp_path_factory.mktemp("yard"))
    with yard.broker:
        yield yard


@pytest.fixture
def sink() -> RememberingSink:
    return RememberingSink()


def test_a_sensor_publishes_through_the_template_to_layday(yard: Yard, sink: RememberingSink) -> None:
    client = BrokerClient(yard.config(), TOPICS, SystemClock(), pace=QUICK)
    sink.on_batch = lambda batch: client.acknowledge([message.token for message in batch])
    try:
        connect(client, sink)
        yard.run(yard.attempt)
        wait_until(lambda: sink.payloads() == ["21.5"], "the message")
        # the access list: the keel's sensor may not speak for the sheer's
        yard.run(yard.attempt.replace("shed/keel/air", "shed/sheer/air"), check=False)
        yard.run(yard.attempt.replace("21.5", "22.5"))
        wait_until(lambda: len(sink.got) == 2, "the next message")
        assert sink.payloads() == ["21.5", "22.5"]
    finally:
        client.stop()


def test_a_burst_larger_than_mosquittos_default_queue_is_kept_while_layday_is_away(
    yard: Yard, sink: RememberingSink
) -> None:
    first = BrokerClient(yard.config(client_id="away"), TOPICS, SystemClock(), pace=QUICK)
    connect(first, RememberingSink())
    first.stop()
    lines = "".join(f"{i}\n" for i in range(5000))
    command = yard.attempt.strip().replace("-m 21.5", "-l")
    subprocess.run(["sh", "-c", yard.moved(command)], input=lines.encode(), check=True, timeout=60)
    second = BrokerClient(yard.config(client_id="away"), TOPICS, SystemClock(), pace=QUICK)
    sink.on_batch = lambda batch: second.acknowledge([message.token for message in batch])
    try:
        second.start(sink)
        wait_until(lambda: len(sink.got) == 5000, "all that was sent meanwhile")
        assert sink.payloads() == [str(i) for i in range(5000)]
    finally:
        second.stop()


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"username": "keel-node"}, "broker refuses user 'keel-node'"),
        ({"tls_ca_file": ""}, "broker's certificate is not trusted"),
        ({"host": "127.0.0.2"}, "broker's certificate is not trusted"),
        ({"tls": False}, "broker closed the connection before accepting it"),
    ],
)
def test_what_does_not_match_is_said(
    yard: Yard, sink: RememberingSink, changes: dict[str, object], words: str
) -> None:
    client = BrokerClient(yard.config(**changes), TOPICS, SystemClock(), pace=QUICK)
    try:
        client.start(sink)
        wait_until(lambda: "trying again" in client.status().words, "the failure said")
        assert client.status().words.startswith(words)
    finally:
        client.stop()


def test_nobody_gets_in_without_a_password(yard: Yard) -> None:
    stranger = re.sub(r"-u \S+ -P \S+ \S+", "", yard.attempt)
    assert "-P" not in stranger
    assert "not authorised" in yard.run(stranger, check=False).lower()
