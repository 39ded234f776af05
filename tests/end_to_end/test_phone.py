"""The phone page beside a real daemon: a small process of its own that comes, comes back, and goes."""

import os
import re
import signal
import stat
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from http.client import HTTPResponse
from http.cookiejar import CookieJar
from pathlib import Path

import pytest

from tests.end_to_end.layday import Layday, sensor_lines, until
from tests.end_to_end.test_outlook import QUANTITIES, TOPIC, with_readings
from tests.mosquitto import free_port
from tests.proc import COUNTED

OWN_MEMORY_KB = 10_000
"""Promised of the page's process with 20 pages open; a fifth more is let pass, since allocators differ."""


@pytest.fixture
def layday(tmp_path: Path) -> Iterator[Layday]:
    """A shed with six hours of readings and a phone page behind a token."""
    phone = f'[phone]\nport = {free_port()}\ntoken_file = "phone.token"\n'
    found = Layday(tmp_path, phone + sensor_lines(TOPIC, QUANTITIES))
    with_readings(found)
    yield found
    found.end()


def page(link: str) -> str:
    """Open the link as a browser would; return the page behind it, empty where none comes."""
    opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(CookieJar()))
    try:
        opener.open(link, timeout=5).read()
        return str(opener.open(link.partition("?")[0], timeout=5).read().decode())
    except OSError:
        return ""


def opened(link: str) -> HTTPResponse:
    """Leave a page open: return the stream that tells it what is new, of which it has heard the first."""
    opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(CookieJar()))
    opener.open(link, timeout=5).read()
    stream: HTTPResponse = opener.open(f"{link.partition('?')[0]}events", timeout=5)
    assert [stream.readline() for _ in range(3)][2] == b"event: here\n"
    return stream


def serving_pid(parent: int) -> int:
    """Return the page's process; 0 where it is not there."""
    for entry in Path("/proc").glob("[0-9]*"):
        try:
            words = (entry / "cmdline").read_bytes()
            born_of = int((entry / "stat").read_text().rpartition(")")[2].split()[1])
        except OSError:
            continue
        if born_of == parent and b"dashboards.phone.service" in words:
            return int(entry.name)
    return 0


def test_its_process_is_small_comes_back_and_goes_with_the_daemon(layday: Layday) -> None:
    told = layday.ask("phone")
    link = re.search(r"http://127\.0\.0\.1:\d+/\?token=[A-Za-z0-9_-]{32}", told.stdout)
    assert link is not None, told
    assert stat.S_IMODE((layday.folder / "phone.token").stat().st_mode) == 0o600
    assert layday.ask("phone").stdout == told.stdout
    assert layday.ask_json("phone")["links"][0] in told.stdout
    layday.start()
    until(lambda: "Fit to glass now" in page(link[0]), "the page shows the shed", 60.0)
    bare = link[0].partition("?")[0]
    with pytest.raises(urllib.error.HTTPError, match="403"):
        urllib.request.urlopen(bare, timeout=5)
    pid = serving_pid(layday.pid)
    streams = [opened(link[0]) for _ in range(20)]
    rollup = Path(f"/proc/{pid}/smaps_rollup").read_text()
    assert int(re.findall(r"Private_Dirty:\s+(\d+)", rollup)[0]) < (2.0 if COUNTED else 1.2) * OWN_MEMORY_KB
    for stream in streams:
        stream.close()
    assert Path(f"/proc/{pid}/cmdline").read_bytes().find(b"token") < 0
    os.kill(pid, signal.SIGKILL)
    until(lambda: "Fit to glass now" in page(link[0]), "another process serves the page", 60.0)
    again = serving_pid(layday.pid)
    assert again not in {0, pid}
    layday.kill()
    until(lambda: not Path(f"/proc/{again}").exists(), "it goes with the daemon", 10.0)


def test_without_its_token_it_waits_and_the_daemon_works(layday: Layday) -> None:
    layday.start()
    until(lambda: "'layday phone' makes one" in layday.log.read_text(), "the log says what is missing")
    time.sleep(0.2)
    assert layday.stop() < 10.0


def test_it_is_not_served_to_others_without_a_token(tmp_path: Path) -> None:
    found = Layday(tmp_path, '[phone]\nhost = "0.0.0.0"\n')
    told = found.ask("phone")
    assert told.returncode == 2
    assert "phone: host 0.0.0.0 lets others in: name a token_file" in told.stderr


def test_where_no_page_is_wanted_the_command_says_how_to_want_one(tmp_path: Path) -> None:
    told = Layday(tmp_path, "").ask("phone")
    assert told.returncode == 2
    assert "[phone]" in told.stderr
