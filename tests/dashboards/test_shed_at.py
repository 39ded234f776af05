"""`layday now` judges by the newest rows where they say all there is, and then loads no numpy."""

import subprocess
import tomllib
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from collector.clock import ManualClock, SystemClock
from collector.config import parse_config
from collector.domain import Flag, Reading
from collector.store.base import Store
from collector.store.opening import open_store
from dashboards.session import Session
from dashboards.shed_at import shed_at
from forecast.shed_now import shed_now
from tests.dashboards.watching import watched
from tests.end_to_end.layday import COMMAND

NOW = datetime(2026, 4, 2, 19, 4, tzinfo=UTC)
NAMES = ("keel.air_c", "keel.humidity_pct", "keel.part_c")
CONFIG = """
[shed]
name = "tunnel"
[[sensor]]
place = "keel"
quantity = "air_c"
topic = "tunnel/keel/air_c"
[[calibration]]
sensor = "keel.air_c"
offset = -0.5
since = 2026-04-02T14:00:00Z
"""


@dataclass(frozen=True)
class Heard:
    """Readings of a sensor: how many minutes ago by its own clock, which of them came late, their flags."""

    prompt_min: Sequence[float]
    late_min: Sequence[float] = ()
    flags: Flag = Flag.NONE

    def readings(self, name: str, *, late: bool) -> list[Reading]:
        times = [NOW - timedelta(minutes=ago) for ago in (self.late_min if late else self.prompt_min)]
        return [Reading(name, at, 20.0 + at.minute / 10.0, min(at, NOW), self.flags) for at in times]


LIVE = Heard((0.5, 8.0, 700.0))
CAUGHT_UP = Heard((0.5, 400.0), (404.0,))  # of two that lie near together, one is in a chunk
# silent for minutes, hours and days; back again; with clocks that run ahead by seconds and by hours
AGES = st.sampled_from([-300.0, -1.5, -0.1, 0.0, 0.5, 16.0, 300.0, 400.0, 700.0, 1500.0, 2870.0, 2900.0])
SENSOR = st.builds(
    Heard,
    st.lists(AGES, unique=True, max_size=4),
    st.lists(AGES, unique=True, max_size=2),
    st.sampled_from([Flag.NONE, Flag.NONE, Flag.NONE, Flag.STUCK, Flag.CLOCK_OFF]),
)
ASKED = st.sampled_from([-60.0, -1.0, 0.0, 0.0, 0.5, 2.0, 20.0, 400.0])


def at_the_yard(folder: Path, sensors: Sequence[Heard], compacted_min: float | None) -> Session:
    """Return a session whose store holds the readings, moved into chunks so many minutes ago."""
    text = f'{CONFIG}[store]\npath = "{folder / "layday.sqlite"}"\n'
    config = parse_config(tomllib.loads(text), str(folder / "layday.toml"))
    session = Session(config, None, clock=ManualClock(NOW))
    with closing(open_store(session.store_path)) as store:
        for late in (False, True):
            for name, heard in zip(NAMES, sensors, strict=True):
                store.add(heard.readings(name, late=late))
            if not late and compacted_min is not None:
                store.compact(NOW - timedelta(minutes=compacted_min))
    return session


@example((LIVE, LIVE, Heard((-1.5, 400.0), (700.0,))), 0.0, 0.0)  # its newest row is late and old
@example((CAUGHT_UP,) * 3, 0.0, 399.0)
@settings(max_examples=80)
@given(st.tuples(st.just(LIVE), st.just(LIVE), SENSOR), st.sampled_from([None, 0.0, 10.0, 400.0]), ASKED)
def test_it_says_exactly_what_the_whole_store_says(
    sensors: Sequence[Heard], compacted_min: float | None, asked_min: float
) -> None:
    with TemporaryDirectory() as folder:
        session = at_the_yard(Path(folder), sensors, compacted_min)
        at = NOW - timedelta(minutes=asked_min)
        with closing(session.open_store(read_only=True)) as store:
            whole = shed_now(store, "tunnel", session.config.sensors, session.limits, at)
        assert shed_at(session, at) == whole


@pytest.mark.parametrize(
    ("third", "at", "opened"),
    [
        (LIVE, NOW, 0),
        (Heard((-0.1, 0.5, 700.0)), NOW, 0),
        (Heard((2900.0,)), NOW, 0),
        (Heard(()), NOW, 0),
        (Heard((700.0,)), NOW, 1),
        (Heard((-1.5, 400.0), (700.0,)), NOW, 1),
        (Heard((0.5, 8.0), flags=Flag.STUCK), NOW, 1),
        (LIVE, NOW - timedelta(hours=2), 1),
    ],
    ids=[
        "well",
        "a little ahead",
        "gone for days",
        "never heard",
        "silent for hours",
        "back, and ahead",
        "suspect",
        "the past",
    ],
)
def test_the_whole_store_is_opened_only_where_it_knows_more(
    third: Heard, at: datetime, opened: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    session = at_the_yard(tmp_path, (LIVE, LIVE, third), 0.0)
    whole = []
    open_whole = Session.open_raw_store

    def counted(session: Session) -> Store:
        whole.append(session)
        return open_whole(session)

    monkeypatch.setattr(Session, "open_raw_store", counted)
    shed_at(session, at)
    assert len(whole) == opened


@pytest.mark.parametrize("words", [["now"], ["now", "--json"], ["--plain", "now"], []])
def test_of_a_shed_that_is_well_no_numpy_is_loaded(words: list[str], tmp_path: Path) -> None:
    watched(tmp_path, clock=SystemClock())
    code = (
        "import sys\nfrom dashboards.cli import main\n"
        "try: main()\nfinally: print('loaded:', {'numpy', 'pandas', 'scipy'} & set(sys.modules))"
    )
    done = subprocess.run(
        [COMMAND[0], "-c", code, "--config", str(tmp_path / "layday.toml"), *words],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert "keel" in done.stdout
    assert done.stdout.endswith("loaded: set()\n")
