"""The daemon killed with -9 at random moments, and the broker too: nothing lost, repeated, forgotten, reordered."""

import random
import time
from pathlib import Path
from typing import Any

import daemon_rig as rig
import pytest
from mqtt_fakes import needs_mosquitto

from gateway.model.errors import StorageError

KILLS = 5
pytestmark = needs_mosquitto


def kept_hours(data: Path) -> dict[str, Any] | None:
    """Running hours in the last checkpoint; None while none knows a speed and the head's count of turns."""
    try:
        kept: dict[str, Any] = rig.checkpoint(data)["meter"]["hours"]
    except (StorageError, AssertionError):
        return None
    return kept if kept["mark"] and kept["rpm"] else None


@pytest.mark.slow
def test_killed_at_random_moments_the_story_goes_on(tmp_path: Path) -> None:
    """Over five kills each alarm transition reaches a lasting subscriber once, in order, seq without a gap; the
    retained states are right, no alarm is repeated or forgotten, and running hours go on over the spells between."""
    rng = random.Random(11)
    broker = rig.lasting_broker(tmp_path)
    config = rig.written(tmp_path, rig.example(tmp_path, broker.port))
    data = tmp_path / "data"
    try:
        with rig.listening(broker.port) as listener, rig.head(tmp_path, rig.restless(tmp_path)):
            with rig.daemon(config):
                # Hours before speed and count were ever kept are nobody's.
                rig.until(lambda: kept_hours(data) is not None, "a first checkpoint")
                first = kept_hours(data)
                time.sleep(rng.uniform(0.0, 2.0))
            for _ in range(KILLS - 1):
                with rig.daemon(config):
                    time.sleep(rng.uniform(0.8, 3.0))
            with rig.daemon(config) as last:
                seen = len(listener.alarms("transducer-fault"))
                rig.until(lambda: len(listener.alarms("transducer-fault")) >= seen + 2, "the fault comes and goes")
                # Its fifth drop-out makes a standing alarm of it (`measure/intermittent.py`), over the kills too.
                rig.until(lambda: listener.alarms("cam-encoder-fault") != [], "the cam encoder's fault has come")
                assert last.end() == 0
            rig.settled(listener, data)
        end = kept_hours(data)
        assert first is not None and end is not None
        # By the head's own count of whole turns, at its steady speed: a gateway's clock has no part in it.
        counted_s = (end["mark"][1] - first["mark"][1]) / end["rpm"] * 60
        assert (end["hours"] - first["hours"]) * 3_600 == pytest.approx(counted_s, abs=4.0)
    finally:
        broker.stop()


@pytest.mark.slow
def test_broker_killed_and_back(tmp_path: Path) -> None:
    """What happens while the broker is dead arrives when it is back: all of it, in order, repeats under one seq."""
    broker = rig.lasting_broker(tmp_path)
    config = rig.written(tmp_path, rig.example(tmp_path, broker.port))
    try:
        with rig.listening(broker.port) as listener, rig.head(tmp_path, rig.restless(tmp_path)):
            with rig.daemon(config) as process:
                rig.until(lambda: listener.alarms("transducer-fault") != [], "the first alarm")
                for _ in range(2):
                    broker.kill()
                    time.sleep(2.5)
                    broker.start()
                    time.sleep(1.5)
                rig.until(
                    lambda: "returned" in listener.alarms("cam-encoder-fault"),
                    "a fault of the cam encoder has returned",
                )
                assert process.end() == 0
            rig.settled(listener, tmp_path / "data")
    finally:
        broker.stop()
