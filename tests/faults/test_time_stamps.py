"""Failure 11: time stamps in other units, without zone, in doubles; and two values with one stamp."""

from pathlib import Path

from tests.faults.support import expecting_failure_if, installation, running, say, sound_and

AT_US = 1_775_000_000_123_458  # 31 March 2026 23:33:20.123458 UTC
SAME_MOMENT = (
    b"1775000000123458",
    b"1775000000123458000",
    b'"2026-03-31T23:33:20.123458Z"',
    b'"2026-04-01T01:33:20.123458+02:00"',
    b'"2026-03-31T20:03:20.123458-03:30"',
)


@sound_and("times_through_a_double", "milliseconds_are_seconds")
def test_every_way_to_write_a_time_is_the_same_microsecond(tmp_path: Path, defect: str) -> None:
    with running(installation(tmp_path, defect)) as layday, expecting_failure_if(defect):
        for time in SAME_MOMENT:
            assert say(layday, b'{"t": %s, "air_c": 20.5}' % time)
            assert layday.values("keel.air_c") == {AT_US: 20.5}
        assert say(layday, b'{"t": 1775000001, "air_c": 21}')
        assert say(layday, b'{"t": 1775000001000, "air_c": 21}')
        assert set(layday.values("keel.air_c")) == {AT_US, 1_775_000_001_000_000}


@sound_and("no_zone_is_utc")
def test_a_time_without_a_zone_is_put_aside(tmp_path: Path, defect: str) -> None:
    with running(installation(tmp_path, defect)) as layday:
        assert say(layday, b'{"t": "2026-04-01T01:33:00", "air_c": 20.5}')
        with expecting_failure_if(defect):
            assert layday.values("keel.air_c") == {}
            assert any("offset" in reason for reason in layday.ask_json("check")["rejected"]["counts"])


@sound_and("last_one_wins")
def test_two_values_with_one_stamp_are_both_on_record(tmp_path: Path, defect: str) -> None:
    with running(installation(tmp_path, defect)) as layday:
        for value in (b"20.5", b"21.5"):
            assert say(layday, b'{"t": 1775000000, "air_c": %s}' % value)
        with expecting_failure_if(defect):
            assert list(layday.values("keel.air_c").values()) == [20.5]
            (aside,) = layday.ask_json("check")["rejected"]["newest"]
            assert "21.5" in aside["payload_head"]
