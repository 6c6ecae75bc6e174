"""What waits for the disk, in order, with a bound."""

from collections import Counter, deque
from collections.abc import Sequence
from concurrent.futures import Future
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from heapq import merge

from gateway.model.output import Batch, NewEvent, NewRetained

PENDING_TRENDS_MAX = 1_000
"""Trends held while the disk fails, some 1.5 MB. Beyond, the oldest goes first."""


class CommitFuture(Future[int]):
    """Resolves after the commit, with the highest seq given in it, or 0 where it held no event.

    Only the future of a batch with bookings can be cancelled, and only while no commit of it is in progress: a request
    that was reported as failed must never run later.
    """

    def __init__(self, lock: AbstractContextManager[object], *, can_cancel: bool = False) -> None:
        super().__init__()
        self._wake, self._can_cancel, self._withdrawn = lock, can_cancel, False

    @property
    def withdrawn(self) -> bool:
        """Whether it was cancelled in time."""
        return self._withdrawn

    def cancel(self) -> bool:
        """Take the batch out of the queue; False where it is too late, or where it cannot be cancelled at all."""
        with self._wake:
            if not self._can_cancel:
                return self._withdrawn
            self._can_cancel, self._withdrawn = False, True
        return super().cancel()

    def commit_begins(self) -> bool:
        """Under the lock: from now on it cannot be cancelled. False where it already was."""
        self._can_cancel = False
        return not self._withdrawn

    def commit_failed(self) -> None:
        """Under the lock: it waits again and can be cancelled again."""
        self._can_cancel = not self._withdrawn


@dataclass(frozen=True, slots=True)
class BookingBatch:
    """Bookings and acts at work sheets, with their events: stored together or not at all, never dropped for room."""

    order: int
    batch: Batch
    future: CommitFuture

    def numbered(self) -> list[tuple[int, NewEvent]]:
        """Its events with the order in which they came."""
        return list(enumerate(self.batch.events, start=self.order))


@dataclass(slots=True)
class Pending:
    """What waits for the next commit. Events carry the order in which they came. Of a topic the latest state waits, but
    every trend: `retained` is keyed by the topic, and for a trend by its content besides.

    `futures`: of all batches without bookings; those that came since the last commit began share one.
    """

    alarms: deque[tuple[int, NewEvent]] = field(default_factory=deque)
    others: deque[tuple[int, NewEvent]] = field(default_factory=deque)
    retained: dict[tuple[str, bytes], NewRetained] = field(default_factory=dict)
    checkpoints: dict[str, object] = field(default_factory=dict)
    booked: list[BookingBatch] = field(default_factory=list)
    futures: list[CommitFuture] = field(default_factory=list)

    def __len__(self) -> int:
        """Events that wait."""
        return len(self.alarms) + len(self.others) + sum(len(b.batch.events) for b in self._live())

    @property
    def empty(self) -> bool:
        """Whether nothing waits."""
        waiting = self.alarms or self.others or self.retained or self.checkpoints or self.futures
        return not (waiting or self._live())

    @property
    def bookings_waiting(self) -> int:
        """Batches with bookings that nobody has cancelled."""
        return len(self._live())

    def take(self, order: int, batch: Batch) -> None:
        """Add what came; `order` counts up from event to event. The events of people's acts stay with those."""
        for number, event in enumerate(() if batch.by_people else batch.events, start=order):
            (self.alarms if event.kind == "alarm" else self.others).append((number, event))
        for item in batch.retained:
            self.retained[item.topic, item.payload if item.klass == "trend" else b""] = item
        self.checkpoints.update(batch.checkpoints)

    def future(self, lock: AbstractContextManager[object]) -> CommitFuture:
        """The future of the batch that has just come, where it holds no bookings."""
        if not self.futures:
            self.futures.append(CommitFuture(lock))
        return self.futures[-1]

    def commit_begins(self) -> None:
        """What was cancelled goes; from now on nothing can be cancelled."""
        self.booked = [b for b in self.booked if b.future.commit_begins()]

    def commit_failed(self) -> None:
        """All of it waits again."""
        for batch in self.booked:
            batch.future.commit_failed()

    def all_futures(self) -> list[CommitFuture]:
        """The futures to resolve once it is committed."""
        return [*self.futures, *(b.future for b in self.booked)]

    def drop(self, count: int) -> Counter[str]:
        """Drop `count` events: the oldest that are not alarms, then the oldest alarms; and the oldest trends beyond
        their bound. Returns the counts by kind."""
        lost: Counter[str] = Counter()
        waiting = [key for key, item in self.retained.items() if item.klass == "trend"]
        for key in waiting[: max(0, len(waiting) - PENDING_TRENDS_MAX)]:
            del self.retained[key]
            lost["trend"] += 1
        for _ in range(min(count, len(self.alarms) + len(self.others))):
            _, event = (self.others or self.alarms).popleft()
            lost[event.kind] += 1
        return lost

    def batch(self, first: Sequence[NewEvent]) -> Batch:
        """All of it for one commit, each kind in the order in which it came, `first` before the other events."""
        booked = [b.numbered() for b in self.booked]
        events = [event for _, event in merge(self.alarms, self.others, *booked, key=lambda item: item[0])]
        return Batch(
            [*first, *events],
            list(self.retained.values()),
            self.checkpoints,
            [row for b in self.booked for row in b.batch.bookings],
            [row for b in self.booked for row in b.batch.sheet_acts],
        )

    def before(self, later: "Pending") -> "Pending":
        """Both, this one's first; of a topic or key the later value."""
        return Pending(
            self.alarms + later.alarms,
            self.others + later.others,
            self.retained | later.retained,
            self.checkpoints | later.checkpoints,
            self.booked + later.booked,
            self.futures + later.futures,
        )

    def _live(self) -> list[BookingBatch]:
        return [b for b in self.booked if not b.future.withdrawn]
