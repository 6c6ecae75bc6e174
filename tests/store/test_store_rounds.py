"""The recorder's rounds one by one, without its thread, by a clock that only the test moves."""

import threading
from pathlib import Path
from typing import Any, cast

import pytest
import structlog
from structlog.testing import capture_logs

from gateway.model.errors import StorageError
from gateway.store import recorder as module
from gateway.store.captures import CaptureRing
from gateway.store.history import History
from gateway.store.recorder import Recorder
from gateway.store.state import NewEvent, NewRetained, StateStore

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

    def __init__(self) -> None:
        self.failing: Exception | None = None
        self.nearly_full: str | None = None
        self.disk_is_tight = False
        self.commits: list[tuple[list[NewEvent], list[NewRetained], dict[str, object]]] = []
        self.pruned: list[float] = []
        self.kept: dict[str, object] = {"old": 1}

    def commit(self, events: Any, retained: Any, checkpoints: Any) -> None:
        if self.failing is not None:
            raise self.failing
        self.commits.append((list(events), list(retained), dict(checkpoints)))

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
        self.recorder = Recorder(
            cast(StateStore, self.store), cast(History, self.history), cast(CaptureRing, self.ring),
            monotonic=self.clock, utc=lambda: 5_000.0 + self.clock.now, **settings,
        )  # fmt: skip

    def round(self, after_s: float = 0.0, stopping: bool = False) -> list[Any]:
        """Let time pass and go round once; what was logged."""
        self.clock.now += after_s
        with capture_logs() as logs:
            self.recorder._log = structlog.get_logger("recorder")
            self.recorder._round(stopping)
        return [(e["log_level"], e["event"], {k: v for k, v in e.items() if k in ("part", "why")}) for e in logs]


def event(n: int, kind: str = "alarm") -> NewEvent:
    return NewEvent("t", kind, {"ts": TS, "n": n})


def numbers(rig: Rig) -> list[Any]:
    return [e.body.get("n") for events, _, _ in rig.store.commits for e in events]


def test_a_failing_disk_is_told_once_waited_for_and_told_when_it_is_well() -> None:
    """Two seconds between tries; the fault stands with its reason; one line at its begin and one at its end."""
    rig = Rig()
    rig.recorder.submit([event(1)], [NewRetained("r", "alarm", b"1")], {"k": 1})
    rig.store.failing = StorageError("the disk is full")
    why = {"part": "state", "why": "the disk is full"}
    assert rig.round() == [("error", "cannot be stored; it is kept and tried again", why)]
    assert rig.recorder.fault == "the disk is full"
    rig.recorder.submit([event(2)], [NewRetained("r", "alarm", b"2")], {"k": 2})
    assert not rig.recorder._has_work()
    rig.store.failing = None
    assert rig.round(1.9) == []
    assert (rig.store.commits, rig.recorder.pending) == ([], 2)
    assert rig.round(0.1) == [("info", "can be stored again", {"part": "state"})]
    assert rig.recorder.fault is None and rig.recorder.pending == 0
    ((events, retained, checkpoints),) = rig.store.commits
    assert [e.body["n"] for e in events] == [1, 2]
    assert ([r.payload for r in retained], checkpoints) == ([b"2"], {"k": 2})
    assert rig.round(9.0) == [] and len(rig.store.commits) == 1


def test_work_is_what_waits_and_may_be_tried() -> None:
    """Nothing, something, a flush that somebody waits for, the end."""
    rig = Rig()
    assert not rig.recorder._has_work()
    rig.recorder.submit([event(1)])
    assert rig.recorder._has_work()
    rig.round()
    assert not rig.recorder._has_work()
    rig.recorder._flush_asked = True
    assert rig.recorder._has_work()


def test_errors_of_one_part_leave_the_others_and_are_named() -> None:
    """An error that nobody foresaw stands with its part and type; state and ring go on."""
    rig = Rig(flush_s=30.0)
    rig.history.failing = KeyError("x")
    rig.recorder.submit([event(1)])
    rig.recorder.capture("port", 1.0, b"abc")
    told = rig.round(30.0)
    why = {"part": "history", "why": "history: KeyError: 'x'"}
    assert told == [("error", "cannot be stored; it is kept and tried again", why)]
    assert rig.recorder.fault == why["why"]
    assert numbers(rig) == [1] and ("port", 1.0, b"abc") in rig.ring.asked
    rig.history.failing = None
    assert rig.round(30.0) == [("info", "can be stored again", {"part": "history"})]


def test_history_is_flushed_every_five_minutes_whole_only_when_asked() -> None:
    """By itself the minute that runs stays open; whoever drains or stops has it all."""
    rig = Rig()
    for after_s, asked in ((0.0, []), (299.9, []), (0.2, [False]), (299.9, []), (0.2, [False])):
        rig.history.asked.clear()
        rig.round(after_s)
        assert [a for n, a in rig.history.asked if n == "flush"] == asked
    rig.recorder._flush_asked = True
    rig.history.asked.clear()
    rig.round()
    assert rig.history.asked == [("flush", True)] and not rig.recorder._flush_asked
    rig.recorder._stopping = True
    rig.round(stopping=True)
    assert rig.history.asked == [("flush", True)] * 2


def test_stopping_tries_at_once_what_waits() -> None:
    """The last round does not keep the pause after a failure."""
    rig = Rig()
    rig.store.failing = StorageError("x")
    rig.recorder.submit([event(1)])
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
        rig.recorder.capture("port", float(n), b"x" * size)
    assert rig.recorder.lost_capture_bytes == 0
    rig.recorder.capture("port", 3.0, b"y")
    assert rig.recorder.lost_capture_bytes == 4
    rig.round()
    assert [(t, len(d)) for _, t, d in rig.ring.asked] == [(1.0, 3), (2.0, 3), (3.0, 1)]
    rig.recorder.capture("port", 4.0, b"z" * 10)
    assert rig.recorder.lost_capture_bytes == 4


def test_the_ring_s_losses_are_counted_and_it_waits_behind_the_events() -> None:
    """What a failing ring did not take, and what came while events could not be stored."""
    rig = Rig()
    rig.ring.failing = StorageError("ring")
    rig.recorder.capture("port", 1.0, b"12345")
    rig.round()
    assert (rig.recorder.lost_capture_bytes, rig.recorder.fault) == (5, "ring")
    rig.ring.failing = None
    rig.store.failing = StorageError("state")
    rig.recorder.submit([event(1)])
    rig.recorder.capture("port", 2.0, b"123")
    rig.round()
    assert rig.recorder.lost_capture_bytes == 8
    assert rig.recorder.fault == "captures wait until events can be stored again; state" or (
        rig.recorder.fault == "state; captures wait until events can be stored again"
    )
    assert rig.ring.asked == []


def test_a_tight_disk_takes_from_the_ring() -> None:
    """Only where room is what is missing."""
    rig = Rig()
    rig.store.failing = StorageError("x")
    rig.recorder.submit([event(1)])
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
    rig.recorder.submit([event(1, "gateway"), event(2), event(3)])
    rig.round()
    rig.recorder.submit([event(4), event(5)])
    assert (rig.recorder.lost_events, rig.recorder.pending) == (2, 3)
    rig.store.failing = None
    rig.round(2.0)
    ((events, _, _),) = rig.store.commits
    first = events[0]
    assert (first.topic, first.kind, first.body["what"]) == ("camdrift/x/event", "gateway", "events-lost")
    text = "The disk failed for so long that events were lost before they could be stored: "
    assert str(first.body["text"]).startswith(text) and str(first.body["text"]).count("1 ") == 2
    rig.recorder.submit([event(6)])
    rig.round()
    assert [e.body["n"] for e in rig.store.commits[1][0]] == [6]


def test_what_no_disk_could_take_is_left_out_counted_and_stands_as_a_fault() -> None:
    """Our own mistake in one item does not keep the others; the fault says how many and why."""
    rig = Rig()
    real = rig.store.commit

    def picky(events: Any, retained: Any, checkpoints: Any) -> None:
        if any(e.body["n"] == "bad" for e in events) or any(isinstance(v, set) for v in checkpoints.values()):
            raise TypeError("not JSON")
        real(events, retained, checkpoints)

    rig.store.commit = picky  # type: ignore[method-assign]
    bad = NewEvent("t", "alarm", {"ts": TS, "n": "bad", "x": {1}})
    wrong = [NewRetained("a", "alarm", b"1"), NewRetained("b", "trend", b"2"), NewRetained("c", "presence", b"3")]
    rig.recorder.submit([event(1), bad, event(2)], wrong, {"good": 1, "bad": {2}})
    rig.round()
    ((events, retained, checkpoints),) = rig.store.commits
    assert [e.body["n"] for e in events] == [1, 2]
    assert [r.topic for r in retained] == ["a", "b"]
    assert checkpoints == {"good": 1}
    assert rig.recorder.refused == 3
    assert (rig.recorder.fault or "").startswith("3 not stored, a fault of camdrift itself: ")


def test_a_checkpoint_that_waits_is_handed_out_as_a_copy() -> None:
    """The newest, whether it waits, is being written, or is on the disk."""
    rig = Rig()
    mine: dict[str, Any] = {"a": [1]}
    rig.recorder.submit(checkpoints={"k": mine})
    got = rig.recorder.checkpoint("k")
    assert got == {"a": [1]} and got is not mine
    cast(dict[str, Any], got)["a"].append(2)
    assert rig.recorder.checkpoint("k") == {"a": [1]}
    assert (rig.recorder.checkpoint("old"), rig.recorder.checkpoint("none")) == (1, None)


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
    assert rig.recorder.nearly_full == "nearly full"
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
    assert rig.recorder.nearly_full is None


def test_each_loss_of_raw_bytes_adds_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """Twice beyond the bound: what went the first time and the second, and what waits stays within it."""
    monkeypatch.setattr(module, "CAPTURE_BYTES_MAX", 10)
    rig = Rig()
    for n in range(6):
        rig.recorder.capture("port", float(n), b"x" * (3 + n % 2))
    assert rig.recorder.lost_capture_bytes == 14
    rig.round()
    assert sum(len(d) for _, _, d in rig.ring.asked) == 7


def test_a_checkpoint_that_is_no_number_is_left_out_with_its_reason() -> None:
    """The others of its commit are stored; the fault names what JSON said, and a later success does not hide it."""
    rig = Rig()
    real = rig.store.commit

    def strict(events: Any, retained: Any, checkpoints: Any) -> None:
        if any(value != value for value in checkpoints.values()):
            raise ValueError("not JSON")
        real(events, retained, checkpoints)

    rig.store.commit = strict  # type: ignore[method-assign]
    rig.recorder.submit([event(1)], checkpoints={"good": 1, "bad": float("nan")})
    rig.round()
    assert [c for _, _, c in rig.store.commits] == [{"good": 1}]
    rig.recorder.submit([event(2)])
    rig.round(9.0)
    assert "1 not stored" in (rig.recorder.fault or "") and "not JSON compliant" in (rig.recorder.fault or "")


def test_a_state_that_can_never_be_stored_is_named_in_the_fault() -> None:
    """By what was wrong with it."""
    rig = Rig()
    real, first = rig.store.commit, [ValueError("x")]

    def once(events: Any, retained: Any, checkpoints: Any) -> None:
        if first:
            raise first.pop()
        real(events, retained, checkpoints)

    rig.store.commit = once  # type: ignore[method-assign]
    rig.recorder.submit([], [NewRetained("c", "presence", b"3")])
    rig.round()
    assert "not a retained value" in (rig.recorder.fault or "") and "presence" in (rig.recorder.fault or "")


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
    assert ("info", "can be stored again", {"part": "housekeeping"}) in rig.round(3_600.0)
    pruned = len(rig.store.pruned)
    rig.round(module.BEAT_S / 2)
    assert len(rig.store.pruned) == pruned
    rig.round(module.BEAT_S / 2)
    assert len(rig.store.pruned) == pruned + 1


def test_a_ring_that_fails_is_named_and_told_when_it_is_well() -> None:
    """A round without bytes says neither; the first that are written again do."""
    rig = Rig()
    rig.ring.failing = StorageError("ring")
    rig.recorder.capture("port", 1.0, b"1")
    assert rig.round()[0][2] == {"part": "captures", "why": "ring"}
    rig.ring.failing = None
    assert rig.round(1.0) == []
    rig.recorder.capture("port", 2.0, b"2")
    assert rig.round(1.0) == [("info", "can be stored again", {"part": "captures"})]


def test_room_that_was_short_at_the_start_is_known_at_once() -> None:
    """Before the first round, and anew after each commit; the beat too is there from the start."""
    assert Recorder(cast(StateStore, Rig().store), monotonic=lambda: 5.0).last_beat == 5.0
    store = Store()
    store.nearly_full = "nearly full"
    recorder = Recorder(cast(StateStore, store), monotonic=lambda: 5.0)
    assert recorder.nearly_full == "nearly full"
    recorder.nearly_full = None
    recorder.submit([event(1)])
    recorder._commit()
    assert recorder.nearly_full == "nearly full"


def test_a_writer_that_hangs_does_not_hang_the_stopping() -> None:
    """Whoever stops it waits so long and no longer, and hears that it did not end."""
    rig, going = Rig(), threading.Event()
    real = rig.store.commit
    rig.store.commit = lambda *args: (going.wait(180), real(*args))[1]  # type: ignore[method-assign]
    rig.recorder.submit([event(1)])
    rig.recorder.start()
    assert rig.recorder.stop(0.05) is False
    assert rig.recorder.alive
    going.set()
    assert rig.recorder.stop(20.0) is True


def test_without_history_and_ring_the_rest_goes_on() -> None:
    """Both may be left out."""
    rig = Rig()
    bare = Recorder(cast(StateStore, rig.store), monotonic=rig.clock)
    bare.capture("port", 1.0, b"x")
    bare.submit([event(1)])
    bare._round(True)
    assert numbers(rig) == [1] and bare.fault is None and bare.lost_capture_bytes == 0
    assert bare.last_beat == rig.clock.now


def test_the_thread_is_named_and_dies_with_the_process(tmp_path: Path) -> None:
    """A daemon thread: one that hangs in the disk must not keep the process."""
    thread = Rig().recorder._thread
    assert (thread.name, thread.daemon) == ("recorder", True)
