"""What waits for the disk, in order, with a bound."""

from collections import Counter, deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from heapq import merge

from gateway.store.state import NewEvent, NewRetained

PENDING_TRENDS_MAX = 1_000
"""Trends held while the disk fails, some 1.5 MB. Beyond, the oldest goes first."""


@dataclass(slots=True)
class Pending:
    """What waits for the next commit. Events carry the order in which they came. Of a topic the latest state waits, but
    every trend: `retained` is keyed by the topic, and for a trend by its content besides."""

    alarms: deque[tuple[int, NewEvent]] = field(default_factory=deque)
    others: deque[tuple[int, NewEvent]] = field(default_factory=deque)
    retained: dict[tuple[str, bytes], NewRetained] = field(default_factory=dict)
    checkpoints: dict[str, object] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.alarms) + len(self.others)

    @property
    def empty(self) -> bool:
        """Whether nothing waits."""
        return not (self.alarms or self.others or self.retained or self.checkpoints)

    def take(
        self,
        order: int,
        events: Sequence[NewEvent],
        retained: Sequence[NewRetained],
        checkpoints: Mapping[str, object],
    ) -> None:
        """Add what came; `order` counts up from event to event."""
        for number, event in enumerate(events, start=order):
            (self.alarms if event.kind == "alarm" else self.others).append((number, event))
        for item in retained:
            self.retained[item.topic, item.payload if item.klass == "trend" else b""] = item
        self.checkpoints.update(checkpoints)

    def drop(self, count: int) -> Counter[str]:
        """Drop `count` events: the oldest that are not alarms, then the oldest alarms; and the oldest trends beyond
        their bound. Returns the counts by kind."""
        lost: Counter[str] = Counter()
        waiting = [key for key, item in self.retained.items() if item.klass == "trend"]
        for key in waiting[: max(0, len(waiting) - PENDING_TRENDS_MAX)]:
            del self.retained[key]
            lost["trend"] += 1
        for _ in range(min(count, len(self))):
            _, event = (self.others or self.alarms).popleft()
            lost[event.kind] += 1
        return lost

    def events(self) -> list[NewEvent]:
        """All events in the order in which they came."""
        return [event for _, event in merge(self.alarms, self.others, key=lambda item: item[0])]

    def before(self, later: "Pending") -> "Pending":
        """Both, this one's first; of a topic or key the later value."""
        return Pending(
            self.alarms + later.alarms,
            self.others + later.others,
            self.retained | later.retained,
            self.checkpoints | later.checkpoints,
        )
