"""A booking and a disk that is slow or refuses: it goes through the one writer, in order, and holds nothing up."""

import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import daemon_rig as rig
import pytest

from gateway.app.daemon import Daemon
from gateway.model.errors import Refused, StorageError
from gateway.model.output import Batch
from gateway.model.settings_file import checked_settings, fingerprint
from gateway.store.reader import StateReader
from gateway.store.state import EMPTY, NewEvent, StateStore

BOOKING = {
    "do": "book",
    "entry": {"kind": "hand-play", "id": "w", "hours": 21_400.0, "utc_s": 1.75e9, "person": "Chief", "play_links": 0.7},
}


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Daemon]:
    """A daemon in this process, without a broker."""
    settings = checked_settings(rig.example(tmp_path, None) | {"page": {"enabled": False}})
    daemon = Daemon(settings, fingerprint(settings))
    daemon.start()
    yield daemon
    daemon.stop()


def ask(daemon: Daemon, answers: list[Any]) -> None:
    """Book; the answer, or why it was refused."""
    try:
        answers.append(daemon.commands.handle("shell", BOOKING, "test"))
    except Refused as e:
        answers.append(e)


def test_a_slow_commit_of_a_booking_does_not_stop_the_engine_s_thread(
    running: Daemon, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While the disk takes its time the engine's thread turns, so that its relay is kept; the answer comes after."""
    in_commit, go_on, real = threading.Event(), threading.Event(), StateStore.commit

    def slow(store: StateStore, batch: Batch = EMPTY) -> list[int]:
        if batch.bookings:
            in_commit.set()
            assert go_on.wait(180)
        return real(store, batch)

    monkeypatch.setattr(StateStore, "commit", slow)
    answers: list[Any] = []
    asking = threading.Thread(target=ask, args=(running, answers))
    asking.start()
    try:
        assert in_commit.wait(180)
        thread = running.engines.threads["main"]
        beat = thread.last_beat
        rig.until(lambda: thread.last_beat > beat, "the engine's thread turns beside the commit")
        assert answers == [] and thread.snapshot.log == ()
    finally:
        go_on.set()
        asking.join(180)
    assert answers[0]["entry"]["play_links"] == 0.7
    assert [entry.id for entry in thread.snapshot.log] == ["w"]


def test_a_booking_does_not_overtake_what_waits_for_the_disk(running: Daemon, monkeypatch: pytest.MonkeyPatch) -> None:
    """An alarm of :00 that the disk has refused stands in the outbox before a booking of later."""
    real = StateStore.commit

    def commit(store: StateStore, batch: Batch = EMPTY) -> list[int]:
        # The disk refuses the alarm until the booking is there: so it waits, however slow the machine is.
        if not batch.bookings and any(e.topic == "early" for e in batch.events):
            raise StorageError("refused by the test")
        return real(store, batch)

    monkeypatch.setattr(StateStore, "commit", commit)
    running.stores.writer.submit(Batch([NewEvent("early", "alarm", {"ts": "2026-03-01T12:00:00.000Z"})]))
    rig.until(lambda: running.stores.writer.fault is not None, "the writer is in its retry")
    answers: list[Any] = []
    ask(running, answers)
    assert isinstance(answers[0], dict)
    rig.until(lambda: running.stores.writer.pending == 0, "all is stored")
    reader = StateReader(running.data_dir)
    kinds = [row.kind for row in reader.events(0, 1_000) if row.kind == "adjustment" or row.topic == "early"]
    reader.close()
    assert kinds == ["alarm", "adjustment"]


def test_a_booking_reported_as_failed_never_runs_later(running: Daemon, monkeypatch: pytest.MonkeyPatch) -> None:
    """The disk refuses until whoever booked has given up: then there is no such booking, in the store or in memory."""
    real, refusing = StateStore.commit, True

    def commit(store: StateStore, batch: Batch = EMPTY) -> list[int]:
        if refusing and batch.bookings:
            raise StorageError("refused by the test")
        return real(store, batch)

    monkeypatch.setattr(StateStore, "commit", commit)
    monkeypatch.setattr("gateway.engine.commands.RECORD_S", 0.5)
    answers: list[Any] = []
    ask(running, answers)
    assert isinstance(answers[0], Refused) and "nothing was booked" in str(answers[0])
    refusing = False
    writer = running.stores.writer
    rig.until(lambda: writer.fault is None and writer.pending == 0, "the disk takes again")
    assert running.engines.threads["main"].snapshot.log == ()
    reader = StateReader(running.data_dir)
    assert reader.bookings("main") == [] and reader.events(0, 100, kind="adjustment") == []
    reader.close()
