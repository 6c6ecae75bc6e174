"""What brokers have acknowledged and the disk does not hold yet: links add to it, the store's writer commits it.

A link never waits for the disk. What stands here counts as done for the links at once, also over a new connection. A
kill before the commit costs duplicates, which are allowed: readers know an event by (gateway, seq).
"""

import sqlite3
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from gateway.store import trends


@dataclass(frozen=True, slots=True)
class BrokerAcks:
    """Of one broker: every event up to `seq`, every trend in line up to `trend` (0: none), and of retained topics the
    revision."""

    seq: int = 0
    trend: int = 0
    states: Mapping[str, int] = field(default_factory=dict)

    def joined(self, other: "BrokerAcks") -> "BrokerAcks":
        """Both: of each the highest number."""
        states = dict(self.states)
        for topic, rev in other.states.items():
            states[topic] = max(rev, states.get(topic, 0))
        return BrokerAcks(max(self.seq, other.seq), max(self.trend, other.trend), states)

    def beyond(self, stored: "BrokerAcks") -> "BrokerAcks":
        """What `stored` does not cover."""
        return BrokerAcks(
            self.seq if self.seq > stored.seq else 0,
            self.trend if self.trend > stored.trend else 0,
            {topic: rev for topic, rev in self.states.items() if rev > stored.states.get(topic, 0)},
        )


class Acknowledgements:
    """Of all brokers; any thread. Bounded: two numbers for each broker and one for each retained topic."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._waiting: dict[str, BrokerAcks] = {}
        self._wake: Callable[[], None] = lambda: None

    def __bool__(self) -> bool:
        """Whether any wait for the disk."""
        return bool(self._waiting)

    def call_after_add(self, wake: Callable[[], None]) -> None:
        """`wake` is called after each addition, in the thread of whoever adds."""
        self._wake = wake

    def add(self, broker: str, acks: BrokerAcks) -> None:
        """Take what `broker` has acknowledged; returns at once."""
        if acks == BrokerAcks():
            return
        with self._lock:
            self._waiting[broker] = self.of(broker).joined(acks)
        self._wake()

    def of(self, broker: str) -> BrokerAcks:
        """What `broker` has acknowledged and is not on the disk. Get it before reading the disk: what is committed
        in between then counts twice and not never."""
        return self._waiting.get(broker, BrokerAcks())

    def waiting(self) -> dict[str, BrokerAcks]:
        """All that wait for the disk, by broker."""
        with self._lock:
            return dict(self._waiting)

    def committed(self, batch: Mapping[str, BrokerAcks]) -> None:
        """`batch` is on the disk."""
        with self._lock:
            left = {name: acks.beyond(batch.get(name, BrokerAcks())) for name, acks in self._waiting.items()}
            self._waiting = {name: acks for name, acks in left.items() if acks != BrokerAcks()}


def put(db: sqlite3.Connection, batch: Mapping[str, BrokerAcks]) -> None:
    """Write them. Inside a transaction. Numbers only rise, and an unchanged row costs no page."""
    for broker, acks in batch.items():
        db.execute("UPDATE broker SET place=?1 WHERE name=?2 AND place < ?1", (acks.seq, broker))
        db.executemany(
            "INSERT INTO retained_done VALUES (?, ?, ?) ON CONFLICT (broker, topic) DO UPDATE SET rev=excluded.rev "
            "WHERE rev < excluded.rev",
            [(broker, topic, rev) for topic, rev in acks.states.items()],
        )
        if acks.trend:
            trends.done(db, broker, acks.trend)
