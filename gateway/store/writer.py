"""The only thread that writes the disk. Whoever hands something over goes on at once, whatever the disk does.

What comes while a commit is in progress goes into the next one, whole: an alarm's event, its retained state and the
checkpoint that knows of it are never parted, nor is a booking from its event. All is committed in the order in which it
came. When the disk refuses, everything is kept in order and tried again every two seconds; `fault` stands meanwhile.
When more than PENDING_EVENTS_MAX events wait, the oldest that is not an alarm goes, then the oldest alarm; these had no
seq yet, so no gap shows the loss: the next commit begins with a `gateway` event that reports it. Bookings are never
dropped: whoever waits for one cancels it, and beyond BOOKINGS_WAITING_MAX the next is refused. Acknowledgements of
brokers go into the same commit, or alone where nothing else waits or the rest is refused: what is delivered can make
room.
"""

import json
import threading
import time
from collections import Counter, deque
from collections.abc import Callable, Mapping
from dataclasses import replace

import structlog

from gateway import __version__
from gateway.encode.messages import gateway_event_body
from gateway.model.errors import Refused, StorageError
from gateway.model.limits import PENDING_EVENTS_MAX
from gateway.model.output import Batch, NewEvent, NewRetained
from gateway.model.records import Median
from gateway.store.captures import CaptureRing
from gateway.store.history import History
from gateway.store.pending import BookingBatch, CommitFuture, Pending
from gateway.store.state import StateStore, check_storable

CAPTURE_BYTES_MAX = 4_000_000
"""Raw bytes waiting for the disk: more than ten minutes of a head at 500 Hz. The oldest go first."""
BEAT_S = 1.0
TIGHT_PRUNE_S = 60.0
BOOKINGS_WAITING_MAX = 64
"""People type bookings one by one and wait for each; more can only be a fault of whoever sends them."""
FLUSH_S = 300.0
"""What a power cut may cost of the history; each writes to the disk. Alarms and hours hang on none of it."""


class Writer:
    """`start` it, `submit` from any thread, `stop` it. It does not close what it was given.

    `monotonic`: never-stepping seconds; `utc`: seconds since 1970, for housekeeping.
    """

    def __init__(
        self,
        store: StateStore,
        history: History | None = None,
        captures: CaptureRing | None = None,
        *,
        monotonic: Callable[[], float] = time.monotonic,
        utc: Callable[[], float] = time.time,
        retry_s: float = 2.0,
        flush_s: float = FLUSH_S,
        prune_s: float = 3_600.0,
    ) -> None:
        self._store, self._history, self._captures = store, history, captures
        self._monotonic, self._utc = monotonic, utc
        self._retry_s, self._flush_s, self._prune_s = retry_s, flush_s, prune_s
        self._wake = threading.Condition()
        self._waiting, self._writing = Pending(), Pending()
        self._order = 0
        self._lost: Counter[str] = Counter()
        self._raw: deque[tuple[str, float, bytes]] = deque()
        self._raw_bytes = 0
        self._subscribers: list[threading.Event] = []
        self._stopping = self._flush_asked = False
        self._faults: dict[str, str] = {}
        self._log = structlog.get_logger("store")
        self._flush_at = self._prune_at = monotonic() + flush_s
        self._retry_at = self._acks_at = 0.0
        self._thread = threading.Thread(target=self._run, name="store-writer", daemon=True)
        self.nearly_full: str | None = store.nearly_full
        self.last_beat = monotonic()
        self.lost_events = self.refused = 0
        self.lost_capture_bytes = 0
        store.acks.call_after_add(self._acknowledged)

    # ---- for the pipeline and the ports

    def submit(self, batch: Batch) -> CommitFuture:
        """Hand over for one commit; returns at once.

        The future resolves after the commit, which follows the order of handing over, with the highest seq given in it
        (0: it held no event). While the disk refuses it stays unresolved.

        A batch with bookings or acts at work sheets can be cancelled as long as no commit of it is in progress; it
        fails with Refused where
        the log book has its id already. Raises Refused where too many bookings wait.
        """
        with self._wake:
            future = self._take_bookings(batch) if batch.by_people else self._waiting.future(self._wake)
            self._waiting.take(self._order, batch)
            self._order += len(batch.events)
            self._keep_bound()
            self._wake.notify_all()
        return future

    def checkpoint(self, key: str) -> object | None:
        """What was last handed over under `key`, on the disk or still waiting for it; None if nothing was."""
        with self._wake:
            waiting = self._writing.before(self._waiting).checkpoints
        if key in waiting:
            copy: object = json.loads(json.dumps(waiting[key]))
            return copy
        return self._store.checkpoint(key)

    def add_median(self, engine: str, row: Median) -> None:
        """Hand over a ten-minute median for the history."""
        if self._history is not None:
            self._history.add(engine, row)

    def add_trend(self, engine: str, utc_s: float, payload: bytes) -> None:
        """Hand over a trend as published, for the history."""
        if self._history is not None:
            self._history.add_trend(engine, utc_s, payload)

    def add_reading(self, engine: str, utc_s: float, values: Mapping[str, float | None]) -> None:
        """Hand over the present for the history's minute means."""
        if self._history is not None:
            self._history.add_reading(engine, utc_s, values)

    def capture(self, head: str, utc_s: float, data: bytes) -> None:
        """Hand over raw bytes for the ring."""
        if self._captures is None:
            return
        with self._wake:
            self._raw.append((head, utc_s, data))
            self._raw_bytes += len(data)
            while self._raw_bytes > CAPTURE_BYTES_MAX:
                size = len(self._raw.popleft()[2])
                self._raw_bytes -= size
                self.lost_capture_bytes += size

    def subscribe(self, event: threading.Event | None = None) -> threading.Event:
        """An event (the waiter's own, or a new one) that is set after each commit; the waiter clears it."""
        event = event or threading.Event()
        with self._wake:
            self._subscribers.append(event)
        return event

    @property
    def fault(self) -> str | None:
        """What cannot be written or read and why, or None."""
        return "; ".join(dict.fromkeys(filter(None, [*list(self._faults.values()), self._store.bad_rows]))) or None

    @property
    def pending(self) -> int:
        """Events not yet on the disk."""
        with self._wake:
            return len(self._waiting) + len(self._writing)

    @property
    def alive(self) -> bool:
        """Whether the thread runs; `last_beat` is when it last did."""
        return self._thread.is_alive()

    def start(self) -> None:
        """Start the thread."""
        self._thread.start()

    def drain(self, timeout_s: float) -> bool:
        """Wait until all handed over so far is on the disk, history included; False when the time is over first."""
        with self._wake:
            self._flush_asked = True
            self._wake.notify_all()
            done = self._wake.wait_for(
                lambda: self._waiting.empty and self._writing.empty and not self._flush_asked, timeout_s
            )
        return done and "history" not in self._faults

    def stop(self, timeout_s: float = 10.0) -> bool:
        """Write what is left, once, and end the thread; False if it did not end or something could not be written."""
        with self._wake:
            self._stopping = True
            self._wake.notify_all()
        self._thread.join(timeout_s)
        return not self._thread.is_alive() and self._waiting.empty

    def _take_bookings(self, batch: Batch) -> CommitFuture:
        if self._waiting.bookings_waiting >= BOOKINGS_WAITING_MAX:
            raise Refused("too many bookings wait for the disk; try again when `camdrift status` shows storage OK")
        future = CommitFuture(self._wake, can_cancel=True)
        self._waiting.booked.append(BookingBatch(self._order, batch, future))
        return future

    # ---- the thread

    def _run(self) -> None:
        while True:
            with self._wake:
                self._wake.wait_for(self._has_work, timeout=min(BEAT_S, self._retry_s))
                stopping = self._stopping
            self._round(stopping)
            if stopping:
                return

    def _round(self, stopping: bool) -> None:
        now = self.last_beat = self._monotonic()
        if stopping or now >= self._retry_at:
            self._guard("state", self._commit)
        if stopping or now >= self._acks_at:
            self._guard("acknowledgements", self._store_acks)
        self._guard("logbook", self._store.copy_bookings)
        self._guard("captures", self._write_raw)
        # Last of the writing: whoever drains waits for the end of it.
        if stopping or self._flush_asked or now >= self._flush_at:
            self._guard("history", self._flush)
        self._guard("room", self._look_for_room)
        if now >= self._prune_at:
            self._guard("housekeeping", self._prune)

    def _has_work(self) -> bool:
        now = self._monotonic()
        due = not self._waiting.empty and now >= self._retry_at
        return self._stopping or self._flush_asked or due or (bool(self._store.acks) and now >= self._acks_at)

    def _guard(self, part: str, work: Callable[[], bool]) -> None:
        """No error of one part ends the thread or the other parts; it stands in `fault` until the part succeeds.

        `work` returns whether there was anything to do.
        """
        try:
            if not work():
                return
        except StorageError as e:
            self._failed(part, str(e))
        except Exception as e:
            self._failed(part, f"{part}: {type(e).__name__}: {e}")
        else:
            if self._faults.pop(part, None):
                self._log.info("store.write_recovered", part=part)

    def _failed(self, part: str, why: str) -> None:
        if part not in self._faults:
            self._log.error("store.write_failed", part=part, why=why)
        self._faults[part] = why

    def _commit(self) -> bool:
        with self._wake:
            if self._waiting.empty:
                return False
            self._writing, self._waiting = self._waiting, Pending()
            self._writing.commit_begins()
            lost = self._lost.copy()
        try:
            last_seq = self._store_all(self._writing, lost)
        except BaseException:
            with self._wake:
                self._writing.commit_failed()
                self._waiting = self._writing.before(self._waiting)
                self._writing = Pending()
                self._retry_at = self._monotonic() + self._retry_s
                self._keep_bound()
            if self._captures is not None and self._store.disk_is_tight:
                self._captures.give_way()
            raise
        with self._wake:
            done, self._writing = self._writing, Pending()
            self._lost -= lost
            for event in self._subscribers:
                event.set()
            self._wake.notify_all()
        self.nearly_full = self._store.nearly_full
        for future in done.all_futures():
            future.set_result(last_seq)
        return True

    def _acknowledged(self) -> None:
        with self._wake:
            self._wake.notify_all()

    def _store_acks(self) -> bool:
        """What no commit has taken in. With the last of them on the disk a fault of theirs is over."""
        if not self._store.acks:
            return "acknowledgements" in self._faults
        self._acks_at = self._monotonic() + self._retry_s
        self._store.commit()
        self._acks_at = 0.0
        return True

    def _store_all(self, waiting: Pending, lost: Counter[str]) -> int:
        batch = waiting.batch(self._loss_event(lost))
        try:
            seqs = self._store.commit(batch)
        except (TypeError, ValueError):
            # One of them no disk could take, which is our own mistake; the others must not wait for it for ever.
            self._refuse_known_bookings(waiting)
            batch = waiting.batch(self._loss_event(lost))
            batch = replace(
                batch,
                events=[e for e in batch.events if self._storable(e)],
                retained=[r for r in batch.retained if self._storable(r)],
                checkpoints={key: value for key, value in batch.checkpoints.items() if self._encodable(value)},
            )
            seqs = self._store.commit(batch)
        if self._history is not None:
            for seq, event in zip(seqs, batch.events, strict=True):
                self._history.add_event(seq, event.topic, event.body)
        return max(seqs, default=0)

    def _refuse_known_bookings(self, batch: Pending) -> None:
        """Take out bookings whose id the log book has already, with their events."""
        kept: list[BookingBatch] = []
        known: set[tuple[str, str]] = set()
        for booked in batch.booked:
            ids = [(row.engine, row.id) for row in booked.batch.bookings]
            stored = {(row.engine, row.id) for engine, _ in ids for row in self._store.bookings(engine)}
            if known.union(stored).isdisjoint(ids):
                kept.append(booked)
                known.update(ids)
            else:
                booked.future.set_exception(Refused("a booking with this id is in the log book already"))
        batch.booked = kept

    def _storable(self, item: NewEvent | NewRetained) -> bool:
        try:
            check_storable(item)
        except (TypeError, ValueError) as e:
            self._refuse(e)
            return False
        return True

    def _encodable(self, value: object) -> bool:
        try:
            json.dumps(value, allow_nan=False)
        except (TypeError, ValueError) as e:
            self._refuse(e)
            return False
        return True

    def _refuse(self, e: Exception) -> None:
        self.refused += 1
        self._faults["refused"] = f"{self.refused} not stored, a fault of camdrift itself: {e}"

    def _loss_event(self, lost: Counter[str]) -> list[NewEvent]:
        if not lost:
            return []
        what = ", ".join(f"{n} {kind}" for kind, n in sorted(lost.items()))
        text = f"The disk failed for so long that events were lost before they could be stored: {what}"
        body = gateway_event_body("events-lost", self._utc(), version=__version__, text=text)
        return [NewEvent(self._store.events_topic, "gateway", body)]

    def _keep_bound(self) -> None:
        lost = self._waiting.drop(max(0, len(self._waiting) + len(self._writing) - PENDING_EVENTS_MAX))
        self._lost += lost
        self.lost_events += lost.total()

    def _flush(self) -> bool:
        self._flush_at = self._monotonic() + self._flush_s
        try:
            if self._history is not None:
                with self._wake:
                    all_minutes = self._flush_asked or self._stopping
                self._history.flush(all_minutes=all_minutes)
        finally:
            with self._wake:
                self._flush_asked = False
                self._wake.notify_all()
        return True

    def _write_raw(self) -> bool:
        with self._wake:
            chunks, self._raw = self._raw, deque()
            self._raw_bytes = 0
        if self._captures is None or not chunks:
            return False
        left = sum(len(data) for _, _, data in chunks)
        try:
            if "state" in self._faults:
                # The ring is worth less than the events: it leaves them what the disk still has.
                raise StorageError("captures wait until events can be stored again")
            for head, utc_s, data in chunks:
                self._captures.write(head, utc_s, data)
                left -= len(data)
        finally:
            self.lost_capture_bytes += left
        return True

    def _look_for_room(self) -> bool:
        """Short of room, the reserve is looked after within a minute and not within the hour."""
        self.nearly_full = self._store.nearly_full
        if self.nearly_full:
            self._prune_at = min(self._prune_at, self._monotonic() + TIGHT_PRUNE_S)
        return True

    def _prune(self) -> bool:
        now = self._monotonic()
        self._prune_at = now + (TIGHT_PRUNE_S if self._store.nearly_full else self._prune_s)
        self._store.prune(self._utc())
        self.nearly_full = self._store.nearly_full
        if self._history is not None and self._history.thin(self._utc()):
            self._prune_at = now + BEAT_S
        return True
