"""Failures 9 and 10: a redelivery doubles a reading or is lost; a retained message is taken for new."""

from pathlib import Path

from tests.end_to_end.layday import until
from tests.faults.support import (
    TOPIC,
    at_us,
    connected,
    expecting_failure_if,
    installation,
    reading,
    running,
    say,
    sound_and,
)
from tests.mosquitto import Mosquitto


@sound_and("receive_time_for_all")
def test_killed_between_commit_and_acknowledgement_doubles_nothing(tmp_path: Path, defect: str) -> None:
    with running(installation(tmp_path, f"{defect},never_acknowledges")) as first:
        assert not say(first, reading(1), timeout_s=0.5)
        until(lambda: first.values("keel.air_c"), "it is kept all the same")
        first.kill()
    second = installation(tmp_path, defect)
    with running(second):
        assert say(second, reading(1), duplicate=True)
        with expecting_failure_if(defect):
            assert second.values("keel.air_c") == {at_us(1): 0.001}


@sound_and("drops_duplicates")
def test_a_message_marked_as_duplicate_that_was_never_kept_is_kept(tmp_path: Path, defect: str) -> None:
    with running(installation(tmp_path, defect)) as layday:
        assert say(layday, reading(1), duplicate=True)
        with expecting_failure_if(defect):
            assert layday.values("keel.air_c") == {at_us(1): 0.001}


@sound_and("retained_is_live,subscribes_afresh")
def test_a_retained_message_is_no_new_reading_at_each_restart(tmp_path: Path, defect: str) -> None:
    """One without a device time is no reading; one with it is the same reading each time."""
    untimed = '[[sensor]]\nplace = "sheer"\nquantity = "air_c"\ntopic = "tunnel/sheer"\n'
    with Mosquitto(tmp_path / "broker") as broker:
        broker.publish(TOPIC, reading(1).decode(), "-r")
        broker.publish("tunnel/sheer", "20.5", "-r")
        layday = installation(tmp_path, defect, broker_port=broker.port)
        layday.config.write_text(layday.config.read_text() + untimed)
        for _ in range(3):
            with running(layday):
                connected(layday)
                broker.publish(TOPIC, reading(2).decode())
                until(lambda: at_us(2) in layday.values("keel.air_c"), "a live reading")
        with expecting_failure_if(defect):
            assert set(layday.values("keel.air_c")) == {at_us(1), at_us(2)}
            assert layday.values("sheer.air_c") == {}
