"""Measured data replayed through a real broker gives the store that importing it gives."""

import csv
import gzip
import json
from contextlib import closing
from pathlib import Path

from collector.store.opening import open_store
from collector.wide_csv import import_wide_csv
from tests.end_to_end.layday import Layday, until
from tests.mosquitto import Mosquitto

DATA = Path(__file__).parent.parent / "vectors" / "house_belgium_2_weeks.csv.gz"
TOPIC = "house/all"


def test_a_house_replayed_over_mqtt_equals_the_same_house_imported(tmp_path: Path) -> None:
    """House of Candanedo et al. 2017, see tests/vectors/SOURCES.md: 21 sensors, two weeks, 10 min."""
    with gzip.open(DATA, "rt", encoding="utf-8", newline="") as text:
        header, *rows = list(csv.reader(text))
    names = header[1:]
    sensors = "".join(
        f'[[sensor]]\nplace = "{name.split(".")[0]}"\nquantity = "{name.split(".")[1]}"\n'
        f'topic = "{TOPIC}"\npointer = "/{name}"\ntime_pointer = "/time"\n'
        for name in names
    )
    lines = [
        json.dumps({"time": row[0], **{n: float(c) for n, c in zip(names, row[1:], strict=True) if c}})
        for row in rows
    ]
    with Mosquitto(tmp_path / "broker") as broker:
        layday = Layday(tmp_path, sensors, broker_port=broker.port)
        layday.start()
        try:
            until(lambda: "connected" in layday.ask("check").stdout, "layday is connected")
            broker.publish_lines(TOPIC, lines)
            last = names[-1]
            until(lambda: len(layday.values(last)) == len(rows), "the last reading is kept", 60)
            assert layday.stop() < 2.0
            with closing(open_store(tmp_path / "imported.sqlite")) as store:
                import_wide_csv(store, DATA)
            imported = Layday(tmp_path, sensors)
            replayed = {name: layday.values(name) for name in names}
            (tmp_path / "layday.sqlite").unlink()
            (tmp_path / "imported.sqlite").rename(tmp_path / "layday.sqlite")
            for name in names:
                assert replayed[name] == imported.values(name), name
        finally:
            layday.end()
