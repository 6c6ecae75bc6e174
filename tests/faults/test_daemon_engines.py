"""An engine's thread that fails: its bytes are not processed again, the other engine goes on, the record says so."""

import json
import time
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import daemon_rig as rig
import pytest

from gateway.app.daemon import Daemon
from gateway.app.engines import FAILURES_MAX
from gateway.link.decoder import Decoder
from gateway.model.settings_file import checked_settings, fingerprint
from gateway.store.reader import StateReader

POISON = b"what no sum can bear"


@pytest.fixture
def ship(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Daemon]:
    """Two engines without heads; the first one's decoder fails at POISON, whenever it comes."""
    data: dict[str, Any] = tomllib.loads((rig.ROOT / "config" / "two-engines.toml").read_text(encoding="utf-8"))
    data["gateway"] |= {"data_dir": str(tmp_path / "data")}
    for head in data["head"]:
        head["port"] = str(tmp_path / head["slug"])
    for key in ("modbus_tcp", "modbus_rtu", "sentences", "relay", "broker"):
        data.pop(key, None)
    data["page"] = {"enabled": False}
    real = Decoder.gather

    def gather(decoder: Decoder, chunk: bytes, *more: Any) -> Any:
        if chunk == POISON:
            raise ZeroDivisionError("made by the test")
        return real(decoder, chunk, *more)

    monkeypatch.setattr(Decoder, "gather", gather)
    settings = checked_settings(data)
    daemon = Daemon(settings, fingerprint(settings))
    daemon.start()
    yield daemon
    daemon.stop()


def poisoned(ship: Daemon) -> bool:
    """Feed it to the first engine and let the daemon look after its parts; does the daemon go on?"""
    first = ship.settings.engine[0].slug
    thread = ship.engines.threads[first]
    thread.inbox.chunks.put((POISON, time.monotonic()))
    rig.until(lambda: thread.failed is not None, "the thread has failed")
    return ship.watch()


def test_the_bytes_that_it_failed_at_are_gone(ship: Daemon) -> None:
    """The next thread goes on with what waits behind them, and stays."""
    first = ship.settings.engine[0].slug
    thread = ship.engines.threads[first]
    thread.inbox.chunks.put((POISON, time.monotonic()))
    thread.inbox.chunks.put((b"\0", time.monotonic()))
    rig.until(lambda: thread.failed is not None, "the thread has failed")
    ship.watch()
    fresh = ship.engines.threads[first]
    assert fresh is not thread and fresh.inbox is thread.inbox
    beat = fresh.last_beat
    rig.until(lambda: fresh.inbox.chunks.empty() and fresh.last_beat > beat, "it turns")
    assert fresh.failed is None


def test_one_engine_that_fails_again_and_again_does_not_end_the_others(ship: Daemon) -> None:
    """The daemon goes on; the engine that fails is started with pauses, shows no figure, and the record says why."""
    first, second = (e.slug for e in ship.settings.engine)
    assert all(poisoned(ship) for _ in range(FAILURES_MAX))
    rig.until(lambda: ship.engines.threads[first].failed is None, "it was started again")
    assert poisoned(ship), "no start before its pause is over, and no end"
    assert ship.engines.threads[first].failed is not None
    views = {v.slug: v for v in ship.snapshot().engines}
    assert ship.snapshot().fresh
    assert not views[first].head_heard and views[first].detail is not None
    assert "does not respond" in views[first].detail.lag.reason
    assert views[second].detail is not None and "does not respond" not in views[second].detail.lag.reason
    beat = ship.engines.threads[second].last_beat
    rig.until(lambda: ship.engines.threads[second].last_beat > beat, "the other one turns")
    ship.stores.writer.drain(180)
    reader = StateReader(ship.data_dir)
    texts = [json.loads(row.payload)["text"] for row in reader.events(0, 100, kind="gateway")]
    reader.close()
    assert sum("without the bytes it failed at" in text for text in texts) == FAILURES_MAX


def test_commands_that_wait_are_done_by_the_next_thread(ship: Daemon) -> None:
    """What somebody asked of a thread that failed just then is not lost."""
    first = ship.settings.engine[0].slug
    rig.until(
        lambda: any(a.unacknowledged and a.tag == "head-silent" for v in ship.snapshot().engines for a in v.alarms),
        "an alarm calls",
    )
    ship.engines.threads[first].inbox.chunks.put((POISON, time.monotonic()))
    answer = ship.commands.handle("shell", {"do": "acknowledge", "by": "second"}, "second") if poisoned(ship) else {}
    assert answer["recorded"]
