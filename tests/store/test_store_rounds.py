"""The writer's rounds one by one, without its thread, by a clock that only the test moves."""

import threading
from pathlib import Path
from typing import Any, cast

import pytest
import structlog
from structlog.testing import capture_logs

from gateway.model.errors import Refused, StorageError
from gateway.model.output import Batch
from gateway.store import writer as module
from gateway.store.acks import Acknowledgements
from gateway.store.captures import CaptureRing
from gateway.store.history import History
from gateway.store.state import EMPTY, NewBooking, NewEvent, NewRetained, StateStore
from gateway.store.writer import Writer

TS = "2026-03-01T12:00:00.000Z"


class Clock:
    """Moved by hand."""

    def __init__(self) -> None:
        self.now = 1_000.0

    def __call__(self) -> float:
        return self.now


class Store:
    """Keeps what is committed; fails when told."""

    events_topic = "camdrift/x/event"
    bad_rows = None

    def __init__(self) -> None:
        self.failing: Exception | None = None
        self.nearly_full: str | None = None
        self.disk_is_tight = False
        self.commits: list[tuple[list[NewEvent], list[NewRetained], dict[str, object]]] = []
        self.pruned: list[float] = []
        self.kept: dict[str, object] = {"old": 1}
        self.booked: list[NewBooking] = []
        self.seq = 0
        self.acks = Acknowledgements()

    def commit(self, batch: Batch = EMPTY) -> list[int]:
        if self.failing is not None:
            raise self.failing
        ids = [(row.engine, row.id) for row in (*self.booked, *batch.bookings)]
        if len(set(ids)) < len(ids):
            raise ValueError("UNIQUE constraint failed: booking.engine, booking.id")
        self.commits.append((list(batch.events), list(batch.retained), dict(batch.checkpoints)))
        self.booked += batch.bookings
        self.seq += len(batch.events)
        self.acks.committed(self.acks.waiting())
        return list(range(self.seq - len(batch.events) + 1, self.seq + 1))

    def bookings(self, engine: str) -> list[NewBooking]:
        return [row for row in self.booked if row.engine == engine]

    def copy_bookings(self) -> bool:
        return False

    def checkpoint(self, key: str) -> object | None:
        return self.kept.get(key)

    def prune(self, now_utc: float) -> int:
        self.pruned.append(now_utc)
        return 0


class Part:
    """A history and a ring at once: what is asked of them, and failing when told."""

    def __init__(self) -> None:
        self.failing: Exception | None = None
        self.asked: list[Any] = []
        self.more = 0

    def flush(self, all_minutes: bool = False) -> None:
        self.asked.append(("flush", all_minutes))
        if self.failing is not None:
            raise self.failing

    def add_event(self, seq: int, topic: str, body: Any) -> None:
        """Not looked at here."""

    def thin(self, now_utc: float) -> bool:
        self.asked.append(("thin", now_utc))
        self.more -= 1
        return self.more >= 0

    def write(self, head: str, utc_s: float, data: bytes) -> None:
        if self.failing is not None:
            raise self.failing
        self.asked.append((head, utc_s, data))

    def give_way(self) -> bool:
        self.asked.append("give way")
        return True


class Rig:
    """All of it together."""

    def __init__(self, **settings: Any) -> None:
        self.clock, self.store, self.history, self.ring = Clock(), Store(), Part(), Part()
        self.writer = Writer(
            cast(StateStore, self.store), cast(History, self.history), cast(CaptureRing, self.ring),
            monotonic=self.clock, utc=lambda: 5_000.0 + self.clock.now, **settings,
        )  # fmt: skip

    def round(self, after_s: float = 0.0, stopping: bool = False) -> list[Any]:
        """Let time pass and go round once; what was logged."""
        self.clock.now += after_s
        with capture_logs() as logs:
            self.writer._log = structlog.get_logger("store")
            self.writer._round(stopping)
        return [(e["log_level"], e["event"], {k: v for k, v in e.items() if k in ("part", "why")}) for e in logs]


def event(n: int, kind: str = "alarm") -> NewEvent:
    return NewEvent("t", kind, {"ts": TS, "n": n})


def numbers(rig: Rig) -> list[Any]:
    return [e.body.get("n") for events, _, _ in rig.store.commits for e in events]


def test_a_failing_disk_is_told_once_waited_for_and_told_when_it_is_well() -> None:
    """Two seconds between tries; the fault stands with its reason; one line at its begin and one at its end."""
    rig = Rig()
    rig.writer.submit(Batch([event(1)], [NewRetained("r", "alarm", b"1")], {"k": 1}))
    rig.store.failing = StorageError("the disk is full")
    why = {"part": "state", "why": "the disk is full"}
    assert rig.round() == [("error", "store.write_failed", why)]
    assert rig.writer.fault == "the disk is full"
    rig.writer.submit(Batch([event(2)], [NewRetained("r", "alarm", b"2")], {"k": 2}))
    assert not rig.writer._has_work()
    rig.store.failing = None
    assert rig.round(1.9) == []
    assert (rig.store.commits, rig.writer.pending) == ([], 2)
    assert rig.round(0.1) == [("info", "store.write_recovered", {"part": "state"})]
    assert rig.writer.fault is None and rig.writer.pending == 0
    ((events, retained, checkpoints),) = rig.store.commits
    assert [e.body["n"] for e in events] == [1, 2]
    assert ([r.payload for r in retained], checkpoints) == ([b"2"], {"k": 2})
    assert rig.round(9.0) == [] and len(rig.store.commits) == 1


def test_work_is_what_waits_and_may_be_tried() -> None:
    """Nothing, something, a flush that somebody waits for, the end."""
    rig = Rig()
    assert not rig.writer._has_work()
    rig.writer.submit(Batch([event(1)]))
    assert rig.writer._has_work()
    rig.round()
    assert not rig.writer._has_work()
    rig.writer._flush_asked = True
    assert rig.writer._has_work()


def test_errors_of_one_part_leave_the_others_and_are_named() -> None:
    """An error that nobody foresaw stands with its part and type; state and ring go on."""
    rig = Rig(flush_s=30.0)
    rig.history.failing = KeyError("x")
    rig.writer.submit(Batch([event(1)]))
    rig.writer.capture("port", 1.0, b"abc")
    told = rig.round(30.0)
    why = {"part": "history", "why": "history: KeyError: 'x'"}
    assert told == [("error", "store.write_failed", why)]
    assert rig.writer.fault == why["why"]
    assert numbers(rig) == [1] and ("port", 1.0, b"abc") in rig.ring.asked
    rig.history.failing = None
    assert rig.round(30.0) == [("info", "store.write_recovered", {"part": "history"})]


def test_history_is_flushed_every_five_minutes_whole_only_when_asked() -> None:
    """By itself the minute that runs stays open; whoever drains or stops has it all."""
    rig = Rig()
    for after_s, asked in ((0.0, []), (299.9, []), (0.2, [False]), (299.9, []), (0.2, [False])):
        rig.history.asked.clear()
        rig.round(after_s)
        assert [a for n, a in rig.history.asked if n == "flush"] == asked
    rig.writer._flush_asked = True
    rig.history.asked.clear()
    rig.round()
    assert rig.history.asked == [("flush", True)] and not rig.writer._flush_asked
    rig.writer._stopping = True
    rig.round(stopping=True)
    assert rig.history.asked == [("flush", True)] * 2


def test_stopping_tries_at_once_what_waits() -> None:
    """The last round does not keep the pause after a failure."""
    rig = Rig()
    rig.store.failing = StorageError("x")
    rig.writer.submit(Batch([event(1)]))
    rig.round()
    rig.store.failing = None
    rig.round(0.1)
    assert rig.store.commits == []
    rig.round(0.1, stopping=True)
    assert numbers(rig) == [1]


def test_raw_bytes_beyond_their_bound_are_counted_not_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    """The oldest go; what is left is written in order, and the count begins anew after a round."""
    monkeypatch.setattr(module, "CAPTURE_BYTES_MAX", 10)
    rig = Rig()
    for n, size in enumerate((4, 3, 3)):
        rig.writer.capture("port", float(n), b"x" * size)
    assert rig.writer.lost_capture_bytes == 0
    rig.writer.capture("port", 3.0, b"y")
    assert rig.writer.lost_capture_bytes == 4
    rig.round()
    assert [(t, len(d)) for _, t, d in rig.ring.asked] == [(1.0, 3), (2.0, 3), (3.0, 1)]
    rig.writer.capture("port", 4.0, b"z" * 10)
    assert rig.writer.lost_capture_bytes == 4


def test_the_ring_s_losses_are_counted_and_it_waits_behind_the_events() -> None:
    """What a failing ring did not take, and what came while events could not be stored."""
    rig = Rig()
    rig.ring.failing = StorageError("ring")
    rig.writer.capture("port", 1.0, b"12345")
    rig.round()
    assert (rig.writer.lost_capture_bytes, rig.writer.fault) == (5, "ring")
    rig.ring.failing = None
    rig.store.failing = StorageError("state")
    rig.writer.submit(Batch([event(1)]))
    rig.writer.capture("port", 2.0, b"123")
    rig.round()
    assert rig.writer.lost_capture_bytes == 8
    assert rig.writer.fault == "captures wait until events can be stored again; state" or (
        rig.writer.fault == "state; captures wait until events can be stored again"
    )
    assert rig.ring.asked == []


def test_a_tight_disk_takes_from_the_ring() -> None:
    """Only where room is what is missing."""
    rig = Rig()
    rig.store.failing = StorageError("x")
    rig.writer.submit(Batch([event(1)]))
    rig.round()
    assert rig.ring.asked == []
    rig.store.disk_is_tight = True
    rig.round(2.0)
    assert rig.ring.asked == ["give way"]


def test_lost_events_are_counted_and_told_with_their_kinds(monkeypatch: pytest.MonkeyPatch) -> None:
    """Beyond the bound the ordinary go before the alarms; the first commit says what was lost, and only that one."""
    monkeypatch.setattr(module, "PENDING_EVENTS_MAX", 3)
    rig = Rig()
    rig.store.failing = StorageError("x")
    rig.writer.submit(Batch([event(1, "gateway"), event(2), event(3)]))
    rig.round()
    rig.writer.submit(Batch([event(4), event(5)]))
    assert (rig.writer.lost_events, rig.writer.pending) == (2, 3)
    rig.store.failing = None
    rig.round(2.0)
    ((events, _, _),) = rig.store.commits
    first = events[0]
    assert (first.topic, first.kind, first.body["what"]) == ("camdrift/x/event", "gateway", "events-lost")
    text = "The disk failed for so long that events were lost before they could be stored: "
    assert str(first.body["text"]).startswith(text) and str(first.body["text"]).count("1 ") == 2
    rig.writer.submit(Batch([event(6)]))
    rig.round()
    assert [e.body["n"] for e in rig.store.commits[1][0]] == [6]


def test_what_no_disk_could_take_is_left_out_counted_and_stands_as_a_fault() -> None:
    """Our own mistake in one item does not keep the others; the fault says how many and why."""
    rig = Rig()
    real = rig.store.commit

    def picky(batch: Batch) -> list[int]:
        if any(e.body["n"] == "bad" for e in batch.events) or any(
            isinstance(v, set) for v in batch.checkpoints.values()
        ):
            raise TypeError("not JSON")
        return real(batch)

    rig.store.commit = picky  # type: ignore[method-assign]
    bad = NewEvent("t", "alarm", {"ts": TS, "n": "bad", "x": {1}})
    wrong = [NewRetained("a", "alarm", b"1"), NewRetained("b", "trend", b"2"), NewRetained("c", "presence", b"3")]
    rig.writer.submit(Batch([event(1), bad, event(2)], wrong, {"good": 1, "bad": {2}}))
    rig.round()
    ((events, retained, checkpoints),) = rig.store.commits
    assert [e.body["n"] for e in events] == [1, 2]
    assert [r.topic for r in retained] == ["a", "b"]
    assert checkpoints == {"good": 1}
    assert rig.writer.refused == 3
    assert (rig.writer.fault or "").startswith("3 not stored, a fault of camdrift itself: ")


def test_a_checkpoint_that_waits_is_handed_out_as_a_copy() -> None:
    """The newest, whether it waits, is being written, or is on the disk."""
    rig = Rig()
    mine: dict[str, Any] = {"a": [1]}
    rig.writer.submit(Batch(checkpoints={"k": mine}))
    got = rig.writer.checkpoint("k")
    assert got == {"a": [1]} and got is not mine
    cast(dict[str, Any], got)["a"].append(2)
    assert rig.writer.checkpoint("k") == {"a": [1]}
    assert (rig.writer.checkpoint("old"), rig.writer.checkpoint("none")) == (1, None)


def test_room_is_looked_after_each_hour_and_each_minute_where_it_is_short() -> None:
    """Pruned by the hour with the present time; short of room within the minute; thinning goes on until it is done."""
    rig = Rig(flush_s=30.0, prune_s=3_600.0)
    rig.round(30.0)
    assert rig.store.pruned == [5_000.0 + 1_030.0]
    assert ("thin", 6_030.0) in rig.history.asked
    rig.round(3_599.0)
    assert len(rig.store.pruned) == 1
    rig.round(1.0)
    assert len(rig.store.pruned) == 2
    rig.store.nearly_full = "nearly full"
    rig.round(1.0)
    assert rig.writer.nearly_full == "nearly full"
    rig.round(module.TIGHT_PRUNE_S - 0.5)
    assert len(rig.store.pruned) == 2
    rig.round(0.5)
    assert len(rig.store.pruned) == 3
    rig.store.nearly_full, rig.history.more = None, 1
    rig.round(module.TIGHT_PRUNE_S)
    assert len(rig.store.pruned) == 4
    rig.round(module.BEAT_S)
    assert len(rig.store.pruned) == 5
    rig.round(module.BEAT_S)
    assert len(rig.store.pruned) == 5
    assert rig.writer.nearly_full is None


def test_each_loss_of_raw_bytes_adds_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """Twice beyond the bound: what went the first time and the second, and what waits stays within it."""
    monkeypatch.setattr(module, "CAPTURE_BYTES_MAX", 10)
    rig = Rig()
    for n in range(6):
        rig.writer.capture("port", float(n), b"x" * (3 + n % 2))
    assert rig.writer.lost_capture_bytes == 14
    rig.round()
    assert sum(len(d) for _, _, d in rig.ring.asked) == 7


def test_a_checkpoint_that_is_no_number_is_left_out_with_its_reason() -> None:
    """The others of its commit are stored; the fault names what JSON said, and a later success does not hide it."""
    rig = Rig()
    real = rig.store.commit

    def strict(batch: Batch) -> list[int]:
        if any(value != value for value in batch.checkpoints.values()):
            raise ValueError("not JSON")
        return real(batch)

    rig.store.commit = strict  # type: ignore[method-assign]
    rig.writer.submit(Batch([event(1)], checkpoints={"good": 1, "bad": float("nan")}))
    rig.round()
    assert [c for _, _, c in rig.store.commits] == [{"good": 1}]
    rig.writer.submit(Batch([event(2)]))
    rig.round(9.0)
    assert "1 not stored" in (rig.writer.fault or "") and "not JSON compliant" in (rig.writer.fault or "")


def test_a_state_that_can_never_be_stored_is_named_in_the_fault() -> None:
    """By what was wrong with it."""
    rig = Rig()
    real, first = rig.store.commit, [ValueError("x")]

    def once(batch: Batch) -> list[int]:
        if first:
            raise first.pop()
        return real(batch)

    rig.store.commit = once  # type: ignore[method-assign]
    rig.writer.submit(Batch([], [NewRetained("c", "presence", b"3")]))
    rig.round()
    assert "not a retained value" in (rig.writer.fault or "") and "presence" in (rig.writer.fault or "")


def test_housekeeping_that_fails_is_named_and_told_when_it_is_well() -> None:
    """By its own part; a thinning that has more to do comes round a second later, not at once."""
    rig = Rig(prune_s=3_600.0)
    real = rig.store.prune

    def failing(now_utc: float) -> int:
        raise OSError("gone")

    rig.store.prune = failing  # type: ignore[method-assign]
    assert rig.round(3_600.0)[0][2] == {"part": "housekeeping", "why": "housekeeping: OSError: gone"}
    rig.store.prune = real  # type: ignore[method-assign]
    rig.history.more = 1
    assert ("info", "store.write_recovered", {"part": "housekeeping"}) in rig.round(3_600.0)
    pruned = len(rig.store.pruned)
    rig.round(module.BEAT_S / 2)
    assert len(rig.store.pruned) == pruned
    rig.round(module.BEAT_S / 2)
    assert len(rig.store.pruned) == pruned + 1


def test_a_ring_that_fails_is_named_and_told_when_it_is_well() -> None:
    """A round without bytes says neither; the first that are written again do."""
    rig = Rig()
    rig.ring.failing = StorageError("ring")
    rig.writer.capture("port", 1.0, b"1")
    assert rig.round()[0][2] == {"part": "captures", "why": "ring"}
    rig.ring.failing = None
    assert rig.round(1.0) == []
    rig.writer.capture("port", 2.0, b"2")
    assert rig.round(1.0) == [("info", "store.write_recovered", {"part": "captures"})]


def test_room_that_was_short_at_the_start_is_known_at_once() -> None:
    """Before the first round, and anew after each commit; the beat too is there from the start."""
    assert Writer(cast(StateStore, Rig().store), monotonic=lambda: 5.0).last_beat == 5.0
    store = Store()
    store.nearly_full = "nearly full"
    writer = Writer(cast(StateStore, store), monotonic=lambda: 5.0)
    assert writer.nearly_full == "nearly full"
    writer.nearly_full = None
    writer.submit(Batch([event(1)]))
    writer._commit()
    assert writer.nearly_full == "nearly full"


def test_a_writer_that_hangs_does_not_hang_the_stopping() -> None:
    """Whoever stops it waits so long and no longer, and hears that it did not end."""
    rig, going = Rig(), threading.Event()
    real = rig.store.commit
    rig.store.commit = lambda *args: (going.wait(180), real(*args))[1]  # type: ignore[method-assign]
    rig.writer.submit(Batch([event(1)]))
    rig.writer.start()
    assert rig.writer.stop(0.05) is False
    assert rig.writer.alive
    going.set()
    assert rig.writer.stop(20.0) is True


def test_without_history_and_ring_the_rest_goes_on() -> None:
    """Both may be left out."""
    rig = Rig()
    bare = Writer(cast(StateStore, rig.store), monotonic=rig.clock)
    bare.capture("port", 1.0, b"x")
    bare.submit(Batch([event(1)]))
    bare._round(True)
    assert numbers(rig) == [1] and bare.fault is None and bare.lost_capture_bytes == 0
    assert bare.last_beat == rig.clock.now


def test_the_thread_is_named_and_dies_with_the_process(tmp_path: Path) -> None:
    """A daemon thread: one that hangs in the disk must not keep the process."""
    thread = Rig().writer._thread
    assert (thread.name, thread.daemon) == ("store-writer", True)


# -- bookings ------------------------------------------------------------------------------------------------------


def booking(name: str) -> NewBooking:
    return NewBooking("main", name, "hand-play", TS, "{}")


def test_a_booking_keeps_its_place_among_the_events() -> None:
    """Handed over between two alarms it is stored between them, in one commit, and all futures give its last seq."""
    rig = Rig()
    futures = [
        rig.writer.submit(Batch([event(1)])),
        rig.writer.submit(Batch([event(2, "adjustment")], bookings=[booking("a")])),
        rig.writer.submit(Batch([event(3)])),
    ]
    assert rig.writer.pending == 3 and not any(f.done() for f in futures)
    rig.round()
    assert numbers(rig) == [1, 2, 3] and [row.id for row in rig.store.booked] == ["a"]
    assert [f.result(0) for f in futures] == [3, 3, 3]
    assert rig.writer.pending == 0


def test_futures_wait_for_the_disk_and_then_resolve() -> None:
    """While it refuses none is resolved, whether it came before, during or after a try; the fault stands."""
    rig = Rig()
    rig.store.failing = StorageError("full")
    first = rig.writer.submit(Batch([event(1)]))
    rig.round()
    second = rig.writer.submit(Batch([event(2)], bookings=[booking("a")]))
    third = rig.writer.submit(Batch(checkpoints={"k": 1}))
    rig.round(2.0)
    assert rig.writer.fault == "full" and not any(f.done() for f in (first, second, third))
    rig.store.failing = None
    rig.round(2.0)
    assert [f.result(0) for f in (first, second, third)] == [2, 2, 2]
    last = rig.writer.submit(Batch(checkpoints={"k": 2}))
    rig.round()
    assert last.result(0) == 0


def test_a_cancelled_booking_is_never_stored() -> None:
    """Cancelled before its first try or between two tries, neither its row nor its event reaches the disk."""
    rig = Rig()
    first = rig.writer.submit(Batch([event(1, "adjustment")], bookings=[booking("a")]))
    assert first.cancel() and first.cancelled() and rig.writer.pending == 0 and not rig.writer._has_work()
    rig.store.failing = StorageError("full")
    second = rig.writer.submit(Batch([event(2, "adjustment")], bookings=[booking("b")]))
    alarm = rig.writer.submit(Batch([event(3)]))
    rig.round()
    assert second.cancel() and second.cancel() and rig.writer.pending == 1
    rig.store.failing = None
    rig.round(2.0)
    assert numbers(rig) == [3] and rig.store.booked == [] and alarm.result(0) == 1


def test_what_cannot_be_cancelled() -> None:
    """A batch without a booking; and a booking while its commit is in progress or done."""
    rig = Rig()
    alarm = rig.writer.submit(Batch([event(1)]))
    booked = rig.writer.submit(Batch([event(2, "adjustment")], bookings=[booking("a")]))
    assert not alarm.cancel()
    real, tried = rig.store.commit, []

    def commit(*args: Any) -> list[int]:
        tried.append(booked.cancel())
        return real(*args)

    rig.store.commit = commit  # type: ignore[method-assign]
    rig.round()
    assert tried == [False] and not booked.cancel()
    assert numbers(rig) == [1, 2] and booked.result(0) == 2


def test_a_booking_known_already_fails_alone() -> None:
    """By the store or by the same batch; its event goes with it, and what came beside it is stored."""
    rig = Rig()
    rig.writer.submit(Batch([event(1, "adjustment")], bookings=[booking("a")]))
    rig.round()
    again = rig.writer.submit(Batch([event(2, "adjustment")], bookings=[booking("a")]))
    new = rig.writer.submit(Batch([event(3, "adjustment")], bookings=[booking("b")]))
    twice = rig.writer.submit(Batch([event(4, "adjustment")], bookings=[booking("b")]))
    alarm = rig.writer.submit(Batch([event(5)]))
    rig.round()
    assert numbers(rig) == [1, 3, 5] and [row.id for row in rig.store.booked] == ["a", "b"]
    for future in (again, twice):
        with pytest.raises(Refused, match="in the log book already"):
            future.result(0)
    assert new.result(0) == alarm.result(0) == 3 and rig.writer.refused == 0


def test_bookings_that_wait_are_bounded_and_never_dropped(monkeypatch: pytest.MonkeyPatch) -> None:
    """The events' bound drops others first and no booking; one booking too many is refused, until one is cancelled."""
    monkeypatch.setattr(module, "PENDING_EVENTS_MAX", 3)
    monkeypatch.setattr(module, "BOOKINGS_WAITING_MAX", 2)
    rig = Rig()
    futures = [rig.writer.submit(Batch([event(n, "adjustment")], bookings=[booking(str(n))])) for n in (1, 2)]
    with pytest.raises(Refused, match="too many bookings wait"):
        rig.writer.submit(Batch([event(3, "adjustment")], bookings=[booking("3")]))
    for n in range(4, 9):
        rig.writer.submit(Batch([event(n)]))
    assert futures[0].cancel()
    rig.writer.submit(Batch([event(9, "adjustment")], bookings=[booking("9")]))
    rig.round()
    assert [row.id for row in rig.store.booked] == ["2", "9"]
    stored = [n for n in numbers(rig) if n is not None]
    assert {2, 9} <= set(stored) and stored == sorted(stored)
