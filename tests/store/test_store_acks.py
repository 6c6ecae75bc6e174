"""Acknowledgements wait for the store's writer: they count at once, come to the disk in batches, and hold up nobody."""

import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from waiting import until

from gateway.model.errors import StorageError
from gateway.model.output import Batch
from gateway.model.settings import GatewaySettings
from gateway.store.acks import Acknowledgements, BrokerAcks
from gateway.store.outbox import UNSTORED_MAX, OutboxReader
from gateway.store.state import NewEvent, NewRetained, StateStore
from gateway.store.trends import EVERY_TREND
from gateway.store.writer import Writer

ALL = frozenset({"event", "alarm", "trend", EVERY_TREND})
TS = "2026-03-01T12:00:00.000Z"
EVENT = NewEvent("t", "alarm", {"ts": TS})


@pytest.fixture
def store(tmp_path: Path) -> Iterator[StateStore]:
    made = StateStore(tmp_path, GatewaySettings(), brokers={"ship": ALL}, ballast_bytes=4_096)
    yield made
    made.close()


def test_an_acknowledgement_counts_before_it_is_on_the_disk(store: StateStore, tmp_path: Path) -> None:
    """Also for the next connection's reader; the disk follows with the next commit, whatever that is of."""
    store.commit(Batch([EVENT] * 3, [NewRetained("a", "alarm", b"1"), NewRetained("t", "trend", b"1")]))
    reader = OutboxReader(tmp_path, "ship", store.acks)
    (trend,) = reader.trends_due(0, 9)
    reader.done(2, [("a", 1)], trend.n)
    for each in (reader, OutboxReader(tmp_path, "ship", store.acks)):
        assert (each.place(), each.trend_place(), each.alarm_waits()) == (2, trend.n, 0)
        assert [row.seq for row in each.events_due(0, 9)] == [3]
        assert (each.trends_due(0, 9), each.retained_due(9)) == ([], [])
    assert store.backlog("ship").place == 0
    after_kill = OutboxReader(tmp_path, "ship", Acknowledgements())
    assert [row.seq for row in after_kill.events_due(0, 9)] == [1, 2, 3]
    store.commit(Batch([EVENT]))
    assert (store.backlog("ship").place, store.acks.waiting()) == (2, {})
    assert (after_kill.retained_due(9), after_kill.trends_due(0, 9)) == ([], [])


def test_what_is_sent_again_holds_for_its_reader_and_touches_no_disk(store: StateStore, tmp_path: Path) -> None:
    """Acknowledged before or after the commit makes no difference; what has changed since is due as a new one is."""
    store.commit(Batch((), [NewRetained(topic, "alarm", b"1") for topic in "abc"] + [NewRetained("t", "trend", b"1")]))
    reader = OutboxReader(tmp_path, "ship", store.acks)
    reader.done(None, [("a", 1), ("b", 2)], 4)
    store.commit()
    reader.done(None, [("c", 3)])
    reader = OutboxReader(tmp_path, "ship", store.acks)
    assert reader.retained_due(9) == []
    before = store._db.total_changes
    reader.forget_retained()
    assert [row.topic for row in reader.retained_due(9)] == ["c", "b", "a", "t"]
    assert [row.topic for row in reader.retained_due(2)] == ["c", "b"]
    assert (reader.alarm_waits(), store._db.total_changes) == (0, before)
    store.commit(Batch((), [NewRetained("a", "alarm", b"2")]))
    assert [(row.topic, row.rev) for row in reader.retained_due(9)] == [("a", 5), ("c", 3), ("b", 2), ("t", 4)]
    reader.done(None, [("c", 3), ("t", 4)])
    reader.done(None, [("a", 5)])
    assert [row.topic for row in reader.retained_due(9)] == ["b"]
    assert OutboxReader(tmp_path, "ship", store.acks).retained_due(9) == []


def test_what_the_disk_has_not_noted_is_bounded(store: StateStore, tmp_path: Path) -> None:
    """So many events or trends may come twice after a kill, not more; with the disk back it goes on."""
    store.commit(
        Batch([EVENT] * (UNSTORED_MAX + 9), [NewRetained("t", "trend", b"%d" % n) for n in range(UNSTORED_MAX + 9)])
    )
    reader = OutboxReader(tmp_path, "ship", store.acks)
    reader.done(UNSTORED_MAX - 1, [], UNSTORED_MAX - 1)
    assert (len(reader.events_due(0, 99)), len(reader.trends_due(0, 99))) == (10, 10)
    reader.done(UNSTORED_MAX, [], UNSTORED_MAX)
    assert (reader.events_due(0, 99), reader.trends_due(0, 99)) == ([], [])
    store.commit()
    assert (len(reader.events_due(0, 99)), len(reader.trends_due(0, 99))) == (9, 9)


def test_a_late_acknowledgement_is_kept_when_one_before_it_is_committed() -> None:
    """What comes while a commit is in progress waits for the next one; numbers never go back."""
    acks = Acknowledgements()
    acks.add("ship", BrokerAcks(5, 0, {"a": 1, "b": 2}))
    batch = acks.waiting()
    acks.add("ship", BrokerAcks(4, 7, {"a": 3, "b": 1}))
    acks.add("shore", BrokerAcks(1))
    acks.committed(batch)
    assert acks.waiting() == {"ship": BrokerAcks(0, 7, {"a": 3}), "shore": BrokerAcks(1)}
    acks.committed(acks.waiting())
    acks.add("ship", BrokerAcks())
    assert not acks


def test_a_loss_counts_nothing_that_was_delivered(tmp_path: Path) -> None:
    """The outbox is full and the acknowledgements are not on the disk yet: they come first."""
    store = StateStore(tmp_path, GatewaySettings(keep_events=1_000), brokers={"ship": ALL}, ballast_bytes=4_096)
    store.commit(Batch([EVENT] * 1_000))
    store.acks.add("ship", BrokerAcks(1_000))
    assert store.commit(Batch([EVENT])) == [1_001]
    assert store.backlog("ship").dropped == 0
    store.close()


def test_the_writer_is_woken_and_stores_them_alone(store: StateStore, tmp_path: Path) -> None:
    """Nothing else waits; no link's thread has touched the disk."""
    store.commit(Batch([EVENT] * 3))
    writer = Writer(store)
    writer.start()
    OutboxReader(tmp_path, "ship", store.acks).done(3)
    until(lambda: store.backlog("ship").place == 3, "the writer stores it")
    assert writer.stop() and writer.fault is None


def test_a_dead_disk_stops_no_delivery(store: StateStore, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """While nothing can be written the link goes on with what is stored; the fault stands until it is noted."""
    store.commit(Batch([EVENT] * 9))
    sound, dead = store._commit, threading.Event()

    def commit(*args: Any) -> list[int]:
        if dead.is_set():
            raise StorageError("state.db: the disk is gone")
        return sound(*args)

    monkeypatch.setattr(store, "_commit", commit)
    dead.set()
    writer = Writer(store, retry_s=0.01)
    writer.start()
    future = writer.submit(Batch([EVENT]))
    reader = OutboxReader(tmp_path, "ship", store.acks)
    reader.done(4)
    until(lambda: writer.fault is not None, "the fault stands")
    reader.done(8)
    assert [row.seq for row in reader.events_due(0, 9)] == [9]
    assert writer.fault == "state.db: the disk is gone"
    dead.clear()
    assert future.result(180) == 10
    until(lambda: writer.fault is None and store.backlog("ship").place == 8, "all is on the disk")
    assert writer.stop()


def test_acknowledgements_are_tried_alone_where_events_are_refused(
    store: StateStore, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A disk too full for the event may have room to note what is done, and that frees rows for it."""
    store.commit(Batch([EVENT] * 5))
    sound = store._commit

    def commit(batch: Batch) -> list[int]:
        if batch.events:
            raise StorageError("full")
        return sound(batch)

    monkeypatch.setattr(store, "_commit", commit)
    writer = Writer(store, retry_s=0.01)
    writer.start()
    writer.submit(Batch([EVENT]))
    store.acks.add("ship", BrokerAcks(5))
    until(lambda: store.backlog("ship").place == 5, "noted")
    assert writer.pending == 1
    monkeypatch.setattr(store, "_commit", sound)
    assert writer.stop()
