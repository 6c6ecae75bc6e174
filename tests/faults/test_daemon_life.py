"""The running daemon's own life: ended politely, told to read anew, a pipeline that fails, two engines at once."""

import json
import signal
import time
import tomllib
from collections.abc import Iterator
from pathlib import Path

import daemon_rig as rig
import pytest
from mqtt_fakes import mosquitto, needs_mosquitto

from gateway.app.daemon import Daemon
from gateway.link.decoder import Decoder
from gateway.model.errors import StorageError
from gateway.model.records import Identity
from gateway.model.settings_file import checked_settings, fingerprint, load_settings
from gateway.store.reader import StateReader
from gateway.store.state import StateStore

pytestmark = needs_mosquitto


def test_sigterm_drains_and_says_offline(tmp_path: Path) -> None:
    """The last event is stored, sent and acknowledged, presence says offline, the status is 0; SIGHUP before that is
    answered in the log and changes nothing."""
    with mosquitto(tmp_path) as broker:
        config = rig.written(tmp_path, rig.example(tmp_path, broker.port))
        with rig.listening(broker.port) as listener, rig.head(tmp_path), rig.daemon(config) as process:
            rig.until(lambda: any(h.topic.endswith("/reading") for h in listener.heard), "it reads")
            process.child.send_signal(signal.SIGHUP)
            rig.until(lambda: process.told("restart the service to read new settings"), "SIGHUP is answered")
            assert process.child.poll() is None
            assert process.end() == 0
            rig.until(lambda: listener.heard[-1].body.get("state") == "offline", "offline is the last word")
            story = rig.settled(listener, tmp_path / "data")
    own = [h.body for h in story.first if h.body["kind"] == "gateway"]
    assert [body["what"] for body in own] == ["started", "stopped"]
    # Who looks the event up later can tell which settings it was.
    assert fingerprint(load_settings(config)) in own[0]["text"]
    assert process.lines()[-1]["all_written"] is True
    reader = StateReader(tmp_path / "data")
    assert reader.backlog("ship").count == 0
    reader.close()


@pytest.mark.slow
def test_two_engines_in_one_daemon(tmp_path: Path) -> None:
    """Each has its readings, alarms and hours from its own head; one head's fault is not the other engine's."""
    with mosquitto(tmp_path) as broker:
        data = tomllib.loads((rig.ROOT / "config" / "two-engines.toml").read_text(encoding="utf-8"))
        data["gateway"] |= {"data_dir": str(tmp_path / "data"), "reading_every_s": 1}
        data["broker"] = [rig.broker_table(broker.port)]
        for key in ("modbus", "panel", "sentences", "relay"):
            data.pop(key, None)
        slugs = [e["slug"] for e in data["engine"]]
        places = {h["slug"]: tmp_path / h["slug"] for h in data["head"]}
        for h in data["head"]:
            places[h["slug"]].mkdir()
            h["port"] = str(places[h["slug"]] / "head")
            h.pop("name", None)
        first, second = (places[e["head"]] for e in data["engine"])
        with rig.listening(broker.port) as listener, rig.daemon(rig.written(tmp_path, data)) as process:

            def read(slug: str) -> bool:
                return any(h.topic.endswith(f"/{slug}/reading") and h.body["rpm"] for h in listener.heard)

            with rig.head(first):
                with rig.head(second, "four-stroke"):
                    rig.until(lambda: all(read(s) for s in slugs), "both are read")
                silent = [f"/{s}/alarm/head-silent" for s in slugs]
                rig.until(lambda: now(listener, silent[1]) == "unacknowledged", "the second head is silent")
                assert now(listener, silent[0]) != "unacknowledged"
                assert process.end() == 0
            rig.settled(listener, tmp_path / "data")
        for slug in slugs:
            assert rig.checkpoint(tmp_path / "data", f"engine/{slug}")["meter"]["hours"]["hours"] > 0


def now(listener: rig.Listener, ending: str) -> str | None:
    """The latest state on the topic that ends so."""
    states = [h.body["state"] for h in listener.heard if h.topic.endswith(ending)]
    return states[-1] if states else None


# -- in this process, so that a part can be made to fail -------------------------------------------------------


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Daemon]:
    """A daemon in this process, without a broker, watched by the test."""
    settings = checked_settings(rig.example(tmp_path, None))
    daemon = Daemon(settings, fingerprint(settings))
    daemon.start()
    yield daemon
    daemon.stop()


def test_settings_that_measure_otherwise_are_told_once(tmp_path: Path) -> None:
    """Started with another skew and another zero than before, the daemon puts both on the record, and not again."""
    for lag in ({}, {}, {"skew_us": 40.0, "zero_deg": 17.0}, {"skew_us": 40.0, "zero_deg": 17.0}):
        data = rig.example(tmp_path, None)
        data["page"] = {"enabled": False}
        data["engine"][0]["lag"] |= lag
        settings = checked_settings(data)
        daemon = Daemon(settings, fingerprint(settings))
        daemon.start()
        assert daemon.stop()
    reader = StateReader(tmp_path / "data")
    bodies = [json.loads(row.payload) for row in reader.events(0, 10_000, kind="gateway")]
    reader.close()
    texts = [b["text"] for b in bodies if b["what"] == "settings-changed"]
    assert len(texts) == 2 and "skew_us of main is 40" in texts[0] and "zero of main is 17°" in texts[1]
    starts = [n for n, b in enumerate(bodies) if b["what"] == "started"]
    assert len(starts) == 4 and starts[2] < [b["what"] for b in bodies].index("settings-changed") < starts[3]


def alarm_moves(data_dir: Path, tag: str) -> list[tuple[str, str]]:
    """From and to of an alarm's stored events."""
    reader = StateReader(data_dir)
    bodies = [json.loads(row.payload) for row in reader.events(0, 10_000, kind="alarm")]
    reader.close()
    return [(b["from"], b["to"]) for b in bodies if b["tag"] == tag]


def stands(daemon: Daemon, tag: str) -> bool:
    """Is the alarm active, as the panel sees it?"""
    (engine,) = daemon.snapshot().engines
    return any(a.tag == tag and a.active for a in engine.alarms)


class FailOnce:
    """Stands in for the decoder: the next call fails, later ones are the true ones."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self._true, self.armed = Decoder.gather, True
        monkeypatch.setattr(Decoder, "gather", lambda decoder, data, known: self(decoder, data, known))

    def __call__(self, decoder: Decoder, data: bytes, known: Identity | None) -> object:
        if self.armed:
            self.armed = False
            raise ZeroDivisionError("made by the test")
        return self._true(decoder, data, known)


def test_failed_pipeline_is_begun_anew(tmp_path: Path, running: Daemon, monkeypatch: pytest.MonkeyPatch) -> None:
    """A pipeline that fails is told and begun anew with its alarms: the one that stood is not raised twice."""
    rig.until(lambda: alarm_moves(tmp_path / "data", "head-silent") != [], "head-silent stands")
    old = running.engines.threads["main"]
    FailOnce(monkeypatch)
    with rig.head(tmp_path):
        rig.until(lambda: old.failed is not None, "the pipeline has failed")
        assert running.watch()
        assert running.engines.threads["main"] is not old
        rig.until(lambda: (running.snapshot().engines[0].rpm or 0) > 90, "it measures again")
        rig.until(lambda: len(alarm_moves(tmp_path / "data", "head-silent")) > 1, "head-silent returns")
    moves = alarm_moves(tmp_path / "data", "head-silent")
    assert moves[:2] == [("normal", "unacknowledged"), ("unacknowledged", "returned")]


def test_failed_pipeline_on_a_full_disk(tmp_path: Path, running: Daemon, monkeypatch: pytest.MonkeyPatch) -> None:
    """While the disk refuses, the latest checkpoint waits in memory with the alarm that it knows of: a pipeline begun
    anew takes that one up, and once the disk takes again the alarm has been raised once."""
    real = StateStore.commit
    full = True

    def commit(store: StateStore, *args: object) -> list[int]:
        if full:
            raise StorageError("the disk is full, says the test")
        return real(store, *args)  # type: ignore[arg-type]

    rig.until(lambda: running.stores.writer.pending == 0, "the start is stored")
    monkeypatch.setattr(StateStore, "commit", commit)
    rig.until(lambda: stands(running, "head-silent"), "head-silent, in memory")
    old = running.engines.threads["main"]
    rig.until(lambda: running.stores.writer.pending > 0, "its event waits")
    FailOnce(monkeypatch)
    running.engines.threads["main"].inbox.chunks.put((b"x", time.monotonic()))
    rig.until(lambda: old.failed is not None, "the pipeline has failed")
    running.watch()
    assert stands(running, "head-silent")
    full = False
    rig.until(lambda: running.stores.writer.pending == 0, "all is stored")
    time.sleep(1.0)
    assert alarm_moves(tmp_path / "data", "head-silent") == [("normal", "unacknowledged")]


def test_pipeline_that_fails_again_and_again_ends_the_daemon(running: Daemon, monkeypatch: pytest.MonkeyPatch) -> None:
    """The third failure within ten minutes makes `watch` say no, so that the service manager begins anew."""
    answers = []
    failing = FailOnce(monkeypatch)
    for _ in range(3):
        failing.armed = True
        worker = running.engines.threads["main"]
        worker.inbox.chunks.put((b"x", time.monotonic()))
        rig.until(lambda worker=worker: worker.failed is not None, "the pipeline has failed")  # type: ignore[misc]
        answers.append(running.watch())
    assert answers == [True, True, False]
    running.stores.writer.drain(180)
    reader = StateReader(running.data_dir)
    told = [json.loads(row.payload)["what"] for row in reader.events(0, 100, kind="gateway")]
    reader.close()
    assert told.count("part-restarted") == 3
