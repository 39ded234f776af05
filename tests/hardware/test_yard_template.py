"""The yard on plain Debian: its README's commands, a real nginx and VictoriaMetrics, a shed and a desk."""

import os
import re
import signal
import subprocess
import time
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from collector.clock import SystemClock
from collector.config import load_config
from collector.domain import Reading
from collector.errors import StoreError
from collector.forward.sender import Sender, UnavailableError
from collector.forward.spool import Spool
from collector.store.address import Access, parse_address
from collector.store.opening import open_engine, open_store
from dashboards.forwarding import make_forwarder
from forecast.shed_limits import limits_of
from forecast.yard import yard
from tests.central import ServerProcess, running
from tests.mosquitto import free_port, program

TEMPLATE = Path(__file__).parents[2] / "hardware" / "yard"
SECRETS = ("influx-password", "influx-token", "layday-broker", "layday-token")
README = (TEMPLATE / "README.md").read_text(encoding="utf-8")


def blocks(kind: str) -> list[str]:
    return re.findall(rf"<!-- (?:run|read) by the tests -->\n```{kind}\n(.*?)```", README, re.DOTALL)


class Yard:
    """The template installed under a folder in place of /etc/layday-yard, on a free port."""

    def __init__(self, folder: Path, behind: str) -> None:
        self.folder, self.port = folder, free_port()
        folder.mkdir(exist_ok=True)
        for commands in blocks("sh"):
            done = subprocess.run(
                ["sh", "-e", "-c", self.moved(commands)],
                check=False,
                capture_output=True,
                text=True,
                timeout=60,
            )
            assert done.returncode == 0, done.stderr
        server = self.moved((TEMPLATE / "nginx.conf").read_text()).replace("http://127.0.0.1:8428", behind)
        temp = "\n".join(
            f"{kind}_temp_path {folder}/{kind};"
            for kind in ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
        )
        head = f"daemon off; master_process off; pid {folder}/pid; error_log {folder}/log; user root;"
        whole = f"{head}\nevents {{}}\nhttp {{ access_log off; {temp}\n{server}\n}}"
        (folder / "nginx-test.conf").write_text(whole)
        self.door = ServerProcess(
            folder,
            "nginx",
            [program("nginx", "nginx"), "-c", str(folder / "nginx-test.conf"), "-p", str(folder)],
            f"http://127.0.0.1:{self.port}/",
        )

    def moved(self, text: str) -> str:
        text = text.replace("/etc/layday-yard", str(self.folder)).replace("8443", str(self.port))
        return text.replace("listen ", "listen 127.0.0.1:").replace("//yard.shed", "//localhost")


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Yard]:
    """The yard's door before a VictoriaMetrics."""
    with running("victoria") as central:
        found = Yard(tmp_path_factory.mktemp("yard"), central.address.url)
        found.door.start()
        yield found
        found.door.end(signal.SIGKILL)


def test_a_shed_forwards_through_the_door_and_a_desk_sees_it(template: Yard, tmp_path: Path) -> None:
    """With the README's own settings, over TLS with the yard's authority, each with its own password."""
    shed_text, desk_text = (template.moved(block) for block in blocks("toml"))
    (tmp_path / "shed.toml").write_text(shed_text)
    (tmp_path / "desk.toml").write_text(desk_text)
    shed, desk = load_config(tmp_path / "shed.toml"), load_config(tmp_path / "desk.toml")
    path, now = tmp_path / "layday.sqlite", SystemClock().now()
    store = open_store(path)
    with Spool(path) as spool:
        spool.begin("yard")
        store.add([Reading("keel.air_c", now, 20.5, now)])
        forwarder = make_forwarder(shed, spool, lambda: ())
        while forwarder.step():
            pass
    store.close()
    engine = open_engine(parse_address(desk.central.address), desk.central.access, SystemClock())
    deadline_s = time.monotonic() + 20.0
    while not (lines := yard(engine, now, limits_of(desk.limits))):
        assert time.monotonic() < deadline_s  # VictoriaMetrics shows a new shed after a second or so
        time.sleep(0.2)
    engine.close()
    assert [line.shed for line in lines] == ["gull"]


def test_nobody_gets_in_without_password_or_certificate(template: Yard, tmp_path: Path) -> None:
    address = parse_address(f"victoria+tls://localhost:{template.port}//gull")
    wrong = tmp_path / "wrong"
    wrong.write_text("gull:guessed")
    ca_file = str(template.folder / "ca.crt")
    with pytest.raises(UnavailableError, match="token_file"):
        Sender(address, Access(str(wrong), ca_file), "layday", SystemClock()).send(["a,b=c d=1.0 1000000"])
    engine = open_engine(address, Access(str(wrong), ca_file), SystemClock())
    with pytest.raises(StoreError, match="token_file"):
        engine.sheds()
    engine.close()
    right = str(template.folder / "gull.token")
    with pytest.raises(UnavailableError, match="check tls_ca_file"):
        Sender(address, Access(right), "layday", SystemClock()).send(["a,b=c d=1.0 1000000"])


def test_the_containers_files_say_what_they_must() -> None:
    """Nothing is open in plain, no password stands in a file that is kept in the repository."""
    text = (TEMPLATE / "compose.yaml").read_text()
    assert set(re.findall(r'ports: \["(\d+):', text)) == {"8086", "8883"}
    assert {"INFLUXD_TLS_CERT", "INFLUXD_TLS_KEY"} <= set(re.findall(r"(INFLUXD_\w+):", text))
    assert not re.search(r"(PASSWORD|TOKEN): ", text)
    used = set(re.findall(r"secrets: \[(.+)\]", text))
    named = {name.strip() for listed in used for name in listed.split(",")}
    assert named == set(re.findall(r"^  ([\w-]+): \{ file:", text, re.MULTILINE))
    config = load_config(TEMPLATE / "layday.toml")
    assert config.broker is not None
    assert config.broker.tls
    assert config.forward.address.startswith("influx+tls://")
    for setting in (config.broker.password_file, config.forward.token_file):
        assert setting.removeprefix("credential:") in named
    assert tomllib.loads((TEMPLATE / "layday.toml").read_text())["listener"] == {"enabled": False}


def test_compose_reads_its_file_and_finds_what_the_repository_has_to_bring(tmp_path: Path) -> None:
    """It is checked, not run. What a person makes (certificates, passwords) is what the README has made."""
    compose = program("docker-compose", "docker-compose")
    around = {"PATH": os.environ["PATH"], "HOME": str(tmp_path)}
    command = [compose, "-f", str(TEMPLATE / "compose.yaml"), "config"]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=120, env=around)
    assert done.returncode == 0, done.stderr
    assert re.findall(r"^  (\w+):\n(?:    .*\n)*?    image: (\S+)", done.stdout, re.MULTILINE) != []
    sources = set(re.findall(rf"(?:- |file: ){TEMPLATE.parent}/(\S+?)(?::|\n)", done.stdout))
    made = {"yard/broker", "yard/certs", "yard/certs/ca.crt", *(f"yard/secrets/{name}" for name in SECRETS)}
    assert sources - made == {"broker/mosquitto.conf", "yard/layday.toml"}
    for brought in sources - made:
        assert (TEMPLATE.parent / brought).is_file()
    assert (TEMPLATE / "Dockerfile").is_file()
