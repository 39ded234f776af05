"""Several intake processes share a yard's topics (MQTT 5 shared subscriptions), and one of them dies."""

from contextlib import closing
from functools import partial
from pathlib import Path

import pytest

from collector.errors import StoreError
from collector.store.opening import open_store
from tests.end_to_end.layday import Layday, sensor_lines, until
from tests.mosquitto import Mosquitto

TOPIC = "tunnel/keel/node"
FIRST_S = 1_775_000_000


def member(folder: Path, broker: Mosquitto, name: str) -> Layday:
    """Return an intake with a store and a client id of its own."""
    folder.mkdir()
    found = Layday(folder, sensor_lines(TOPIC, ["air_c"]), broker_port=broker.port)
    text = found.config.read_text()
    settings = f'port = {broker.port}\nclient_id = "{name}"\nshare_group = "intake"\n'
    found.config.write_text(text.replace(f"port = {broker.port}\n", settings))
    return found


def lines(first: int, count: int) -> list[str]:
    return [f'{{"t": {FIRST_S + i}, "air_c": {i / 100}}}' for i in range(first, first + count)]


def kept(*members: Layday) -> list[int]:
    """Return the times that all stores together hold, with doubles."""
    found: list[int] = []
    for each in members:
        try:
            with closing(open_store(each.folder / "layday.sqlite", read_only=True)):
                found += each.values("keel.air_c")
        except StoreError:
            continue
    return sorted(found)


def connected(each: Layday) -> bool:
    return "connected" in each.ask("check").stdout


@pytest.mark.slow
def test_what_one_member_had_in_hand_when_killed_is_kept_when_it_is_back(tmp_path: Path) -> None:
    """Each reading once over all stores; the survivor goes on meanwhile."""
    with Mosquitto(tmp_path / "broker", verbose=False) as broker:
        one, two = (member(tmp_path / name, broker, name) for name in ("one", "two"))
        try:
            for each in (one, two):
                each.start()
                until(partial(connected, each), "it is connected")
            broker.publish_lines(TOPIC, lines(0, 1000))
            until(lambda: len(kept(one, two)) == 1000, "both take their share")
            assert min(len(kept(one)), len(kept(two))) > 300
            two.kill()
            before = len(kept(one))
            broker.publish_lines(TOPIC, lines(1000, 1000))
            until(lambda: len(kept(one)) >= before + 400, "the survivor goes on")
            two.start()
            until(lambda: len(kept(one, two)) >= 2000, "nothing is lost", 40.0)
            assert kept(one, two) == [(FIRST_S + i) * 1_000_000 for i in range(2000)]
        finally:
            one.end()
            two.end()
