"""The writer thread: never in the pipeline's way, never silently dead, everything in order."""

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from waiting import PATIENCE_S, until

from gateway.model.errors import StorageError
from gateway.model.output import Batch
from gateway.model.records import Median
from gateway.model.settings import GatewaySettings
from gateway.store import writer as writer_module
from gateway.store.captures import CaptureRing
from gateway.store.history import History
from gateway.store.state import EMPTY, NewEvent, NewRetained, StateStore
from gateway.store.writer import Writer

TS = "2026-03-01T12:00:00.000Z"
ALL = {"ship": frozenset({"event", "alarm", "trend"})}


def event(number: int, kind: str = "alarm") -> NewEvent:
    """An event that tells its number."""
    return NewEvent("t", kind, {"ts": TS, "kind": kind, "n": number})


class Stubborn:
    """A store before which a disk may be made to fail; keeps what each commit held."""

    def __init__(self, store: StateStore) -> None:
        self.store = store
        self.events_topic = store.events_topic
        self.nearly_full = self.bad_rows = None
        self.disk_is_tight = False
        self.acks = store.acks
        self.failing: Exception | None = None
        self.tried = threading.Event()
        self.commits: list[tuple[list[object], list[str], dict[str, object]]] = []

    def commit(self, batch: Batch = EMPTY) -> list[int]:
        """As the store's, unless failing."""
        self.tried.set()
        if self.failing is not None:
            raise self.failing
        seqs = self.store.commit(batch)
        numbers = [e.body.get("n", e.body.get("text")) for e in batch.events]
        self.commits.append((numbers, [r.topic for r in batch.retained], dict(batch.checkpoints)))
        return seqs

    def copy_bookings(self) -> bool:
        """As the store's."""
        return self.store.copy_bookings()

    def prune(self, now_utc: float) -> int:
        """As the store's."""
        return self.store.prune(now_utc)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Stubborn]:
    """A real store behind a disk that can fail."""
    real = StateStore(tmp_path / "d", GatewaySettings(), brokers=ALL, ballast_bytes=4_096)
    yield Stubborn(real)
    real.close()


@pytest.fixture
def writer(store: Stubborn) -> Iterator[Writer]:
    """A running writer that tries again soon."""
    running = Writer(store, retry_s=0.02)  # type: ignore[arg-type]
    running.start()
    yield running
    running.stop()


def test_all_is_committed_in_order_and_waiters_are_woken(store: Stubborn, writer: Writer) -> None:
    """What is handed over from the pipeline stands on the disk in its order, and a broker's thread hears of it."""
    woken = writer.subscribe()
    for number in range(500):
        writer.submit(Batch([event(number, "alarm" if number % 3 else "adjustment")]))
    assert writer.drain(PATIENCE_S)
    assert woken.is_set()
    assert [n for numbers, _, _ in store.commits for n in numbers] == list(range(500))
    assert (writer.pending, writer.fault, writer.lost_events) == (0, None, 0)


def test_event_state_and_checkpoint_are_never_parted(store: Stubborn, writer: Writer) -> None:
    """One hand-over is one transaction, also after failures and whatever came in between."""
    store.failing = StorageError("the disk says no")
    for number in range(50):
        writer.submit(Batch([event(number)], [NewRetained("a", "alarm", str(number).encode())], {"seen": number}))
        if number == 20:
            assert store.tried.wait(PATIENCE_S)
    assert writer.pending == 50
    store.failing = None
    assert writer.drain(PATIENCE_S)
    for numbers, _, checkpoints in store.commits:
        assert checkpoints == {"seen": numbers[-1]}
    assert [n for numbers, _, _ in store.commits for n in numbers] == list(range(50))


def test_fault_stands_until_the_disk_takes_it(store: Stubborn, writer: Writer) -> None:
    """The reason is there for `storage-fault` while it lasts, and gone after."""
    store.failing = StorageError("the disk says no")
    writer.submit(Batch([event(1)]))
    until(lambda: writer.fault == "the disk says no", "the fault stands")
    assert not writer.drain(0.1)
    store.failing = None
    assert writer.drain(PATIENCE_S)
    until(lambda: writer.fault is None, "the fault is over")


def test_memory_is_bounded_and_alarms_go_last(store: Stubborn, writer: Writer, monkeypatch: pytest.MonkeyPatch) -> None:
    """When too many wait, the oldest that are no alarms go, then the oldest alarms, and the record says so first."""
    monkeypatch.setattr(writer_module, "PENDING_EVENTS_MAX", 10)
    store.failing = StorageError("the disk says no")
    for number in range(6):
        writer.submit(Batch([event(number, "gateway")]))
    for number in range(6, 18):
        writer.submit(Batch([event(number)]))
    assert (writer.pending, writer.lost_events) == (10, 8)
    store.failing = None
    assert writer.drain(PATIENCE_S)
    told, *numbers = [n for seen, _, _ in store.commits for n in seen]
    assert numbers == list(range(8, 18))
    assert str(told).endswith("2 alarm, 6 gateway")


def test_an_impossible_event_does_not_hold_up_the_others(store: Stubborn, writer: Writer) -> None:
    """What no disk could take is counted and told; what came with it is stored."""
    writer.submit(
        Batch([event(1), NewEvent("t", "alarm", {"ts": TS, "value": float("nan")}), event(2)], (), {"k": 1, "bad": {1}})
    )
    assert writer.drain(PATIENCE_S)
    assert store.commits == [([1, 2], [], {"k": 1})]
    assert writer.refused == 2
    assert "fault of camdrift itself" in (writer.fault or "")


def test_an_unforeseen_error_is_told_and_survived(store: Stubborn, writer: Writer) -> None:
    """No exception ends the thread in silence."""
    store.failing = RuntimeError("unforeseen")
    writer.submit(Batch([event(1)]))
    assert not writer.drain(0.1)
    assert writer.alive
    assert writer.fault == "state: RuntimeError: unforeseen"
    store.failing = None
    assert writer.drain(PATIENCE_S)
    assert [n for numbers, _, _ in store.commits for n in numbers] == [1]


def test_stop_writes_what_is_left(store: Stubborn) -> None:
    """Ending loses nothing that was handed over; with a dead disk it ends all the same and says so."""
    running = Writer(store, retry_s=5.0)  # type: ignore[arg-type]
    running.start()
    running.submit(Batch([event(n) for n in range(100)]))
    assert running.stop()
    assert store.store.backlog("ship").count == 100
    running = Writer(store, retry_s=5.0)  # type: ignore[arg-type]
    running.start()
    store.failing = StorageError("the disk says no")
    running.submit(Batch([event(100)]))
    assert not running.stop()
    assert running.pending == 1


def test_history_and_captures_are_written_by_the_same_thread(store: Stubborn, tmp_path: Path) -> None:
    """Medians, minute means and raw bytes reach their files at the drain; a failing ring leaves the rest alone."""
    history = History(tmp_path / "d", 64)
    ring = CaptureRing(tmp_path / "c", hours=1, megabytes=1)
    running = Writer(store, history, ring, retry_s=0.02)  # type: ignore[arg-type]
    running.start()
    median = Median(1e9, 5.0, 700, 0.5, 0.01, None, None, 90.0, None, None, None)
    running.add_median("main", median)
    running.add_reading("main", 1e9, {"rpm": 90.0})
    running.capture("head", 1e9, b"abc\0")
    assert running.drain(PATIENCE_S)
    assert history.since_hours("main", 0.0) == [median]
    assert len(history.readings("main", 1e9 - 60, 1e9 + 60, 5)) == 1
    ring.close()
    for path in (tmp_path / "c").iterdir():
        path.unlink()
    (tmp_path / "c").rmdir()
    ring._open.clear()
    running.capture("head", 1e9, b"abc\0")
    running.submit(Batch([event(1)]))
    assert running.stop()
    assert running.lost_capture_bytes == 4
    assert "capture not written" in (running.fault or "")
    assert store.store.backlog("ship").count == 1
    history.close()
