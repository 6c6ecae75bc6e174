"""What is under way to one broker during one connection: order, window, acknowledgements. No socket, no clock.

Alarm states go before events, trends after them; events go strictly by `seq`; the place in the outbox moves only over
what the broker has acknowledged without a gap. A refused message is kept and tried again slowly; no new event overtakes
a refused one, and trends do not wait for it.
"""

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import Enum
from itertools import takewhile
from typing import Protocol

from gateway.model.errors import StorageError
from gateway.model.limits import IN_FLIGHT_BYTES_MAX, IN_FLIGHT_MESSAGES_MAX
from gateway.ports.mqtt_pipe import Ack, Granted
from gateway.ports.mqtt_wake import Backoff

REFUSED = 0x80
"""A PUBACK with this reason or above: the broker has not taken the message (MQTT 5, section 3.4.2.1)."""
NO_READER = 0x10
"""Taken, and nobody has subscribed to it (the same section): success, but for a shore that has lost its keepers."""
SETTLE_AGAIN_S = 2.0
UNSETTLED_MAX = 1_000
"""Events that the broker has and a full disk could not note; with more, nothing new is sent until it can."""
HEADER_BYTES = 12
"""Fixed header, lengths, packet id and empty properties of a PUBLISH."""


class Retained(Protocol):
    """A retained state that is due."""

    @property
    def topic(self) -> str: ...
    @property
    def klass(self) -> str: ...
    @property
    def rev(self) -> int: ...
    @property
    def payload(self) -> bytes: ...


class EventDue(Protocol):
    """An event that is due."""

    @property
    def seq(self) -> int: ...
    @property
    def topic(self) -> str: ...
    @property
    def payload(self) -> bytes: ...


class OutboxReader(Protocol):
    """One broker's view of the outbox, made and used in that broker's thread only."""

    def retained_due(self, limit: int) -> Sequence[Retained]:
        """Retained states whose newest revision is not done, trends last."""

    def events_due(self, after_seq: int, limit: int) -> Sequence[EventDue]:
        """Events above `after_seq`, by `seq`."""

    def done(self, upto_seq: int | None, retained: Sequence[tuple[str, int]]) -> None:
        """Everything up to `upto_seq`, and these (topic, revision), the broker has."""

    def alarm_waits(self) -> int:
        """Revision of the newest alarm state that the broker never had; 0 when it has them all."""

    def forget_retained(self) -> None:
        """Every retained state is due again."""

    def place(self) -> int:
        """The last `seq` that is done."""


class _State(Enum):
    FLYING = 1
    ACKNOWLEDGED = 2
    REFUSED = 3


@dataclass(frozen=True, slots=True)
class Outgoing:
    """A message of QoS 1. `rev`: of a retained state; `seq`: of an event; neither: presence, or an answer."""

    topic: str
    payload: bytes
    retain: bool
    rev: int | None = None
    seq: int | None = None
    answer: bool = False

    @property
    def size(self) -> int:
        """Bytes on the wire, about."""
        return len(self.topic.encode()) + len(self.payload) + HEADER_BYTES


@dataclass(slots=True)
class _Event:
    out: Outgoing
    state: _State
    again: bool = False


class Window:
    """The in-flight map of one connection."""

    def __init__(
        self,
        reader: OutboxReader,
        granted: Granted,
        window: int,
        classes: Iterable[str],
        presence: Outgoing | None,
        retry: Backoff,
        answers: "deque[tuple[str, bytes]] | None" = None,
        *,
        needs_reader: bool = False,
    ) -> None:
        """`needs_reader`: an event taken with nobody subscribed to it counts as refused.

        `answers`: (topic, payload) to send once, before all states; filled by any thread, lost when refused.
        """
        self._reader, self._granted, self._retry, self._needs_reader = reader, granted, retry, needs_reader
        self._classes = frozenset(classes)
        self._room = min(window, IN_FLIGHT_MESSAGES_MAX, granted.receive_maximum)
        self._presence = presence
        self._answers = deque[tuple[str, bytes]]() if answers is None else answers
        self._answer: Outgoing | None = None
        self.place = self._sent = reader.place()
        self._flying: dict[int, tuple[Outgoing, float]] = {}
        self._bytes = 0
        self._events: dict[int, _Event] = {}
        self._held: set[str] = set()
        self._refused: set[str] = set()
        self._retry_at = self._settle_at = 0.0
        self._got: list[tuple[str, int]] = []
        self.why_refused = ""
        self.last_ack: float | None = None
        self.idle = False

    @property
    def in_flight(self) -> int:
        """Messages sent and not yet acknowledged."""
        return len(self._flying)

    @property
    def refused(self) -> int:
        """Messages that the broker would not have, and has not taken since."""
        again = sum(e.state is _State.REFUSED or (e.again and e.state is _State.FLYING) for e in self._events.values())
        return len(self._refused) + again

    def overdue(self, now: float, ack_s: float) -> bool:
        """The oldest message under way has waited longer than `ack_s`."""
        oldest = next(iter(self._flying.values()), None)
        return oldest is not None and now - oldest[1] > ack_s

    def fill(self, now: float, send: Callable[[Outgoing], int | None]) -> None:
        """Send what is due while there is room. `send` gives the message id, or None when the connection is gone."""
        self.idle = False
        for out in self._due(now):
            if self._too_large(out):
                self._refuse(out, now, f"larger than the {self._granted.packet_bytes} bytes that the broker takes")
                continue
            if not self._fits(out):
                return
            mid = send(out)
            if mid is None:
                return
            self._fly(mid, out, now)
        self.idle = True

    def _too_large(self, out: Outgoing) -> bool:
        return self._granted.packet_bytes is not None and out.size > self._granted.packet_bytes

    def _fits(self, out: Outgoing) -> bool:
        full = len(self._flying) >= self._room
        return not full and (not self._flying or self._bytes + out.size <= IN_FLIGHT_BYTES_MAX)

    def _due(self, now: float) -> Iterator[Outgoing]:
        probing = now >= self._retry_at
        if probing:
            self._held.clear()
        if self._presence is not None and self._presence.topic not in self._busy():
            yield self._presence
        while (answer := self._next_answer()) is not None:
            yield answer
        states = self._retained_due()
        yield from (out for klass, out in states if klass != "trend")
        if "event" in self._classes:
            yield from self._events_again(probing)
            yield from self._events_due()
        yield from (out for klass, out in states if klass == "trend")

    def _next_answer(self) -> Outgoing | None:
        """Taken from the queue once; it stays here until there is room."""
        if self._answer is None and self._answers:
            topic, payload = self._answers.popleft()
            self._answer = Outgoing(topic, payload, retain=False, answer=True)
        return self._answer

    def _busy(self) -> set[str]:
        return self._held | {out.topic for out, _ in self._flying.values() if out.seq is None}

    def _retained_due(self) -> list[tuple[str, Outgoing]]:
        """Class and message of each state that is due and not under way."""
        busy, due = self._busy(), []
        for row in self._reader.retained_due(self._room + len(busy) + len(self._got)):
            if row.klass not in self._classes:
                self._got.append((row.topic, row.rev))
            elif row.topic not in busy and (row.topic, row.rev) not in self._got:
                due.append((row.klass, Outgoing(row.topic, row.payload, retain=True, rev=row.rev)))
        return due

    def _events_again(self, probing: bool) -> Iterator[Outgoing]:
        """The lowest refused event, one at a time: the broker must take it before another is tried."""
        if probing and not any(e.again and e.state is _State.FLYING for e in self._events.values()):
            lowest = next((e for e in self._events.values() if e.state is _State.REFUSED), None)
            if lowest is not None:
                yield lowest.out

    def _events_due(self) -> Iterator[Outgoing]:
        room = self._room - len(self._flying)
        if room <= 0 or self._blocked():
            return
        for row in self._reader.events_due(self._sent, room):
            yield Outgoing(row.topic, row.payload, retain=False, seq=row.seq)
            if self._blocked():
                return

    def _blocked(self) -> bool:
        if len(self._events) >= UNSETTLED_MAX:
            return True
        return any(e.again or e.state is _State.REFUSED for e in self._events.values())

    def _fly(self, mid: int, out: Outgoing, now: float) -> None:
        self._flying[mid] = (out, now)
        self._bytes += out.size
        if out.answer:
            self._answer = None
        if out.seq is None:
            return
        known = self._events.get(out.seq)
        if known is None:
            self._events[out.seq] = _Event(out, _State.FLYING)
            self._sent = out.seq
        else:
            known.state, known.again = _State.FLYING, True

    def take(self, ack: Ack, now: float) -> None:
        """A PUBACK came. One that belongs to nothing under way is ignored."""
        out, _ = self._flying.pop(ack.mid, (None, 0.0))
        if out is None:
            return
        self._bytes -= out.size
        if ack.code == NO_READER and self._needs_reader and out.seq is not None:
            self._refuse(
                out, now, f"taken, but nobody there has subscribed to it; does a keeper run? (0x{NO_READER:02X})"
            )
        elif ack.code >= REFUSED:
            self._refuse(out, now, f"{ack.name} (0x{ack.code:02X})")
        else:
            self._accept(out, now)

    def _accept(self, out: Outgoing, now: float) -> None:
        self.last_ack = now
        if out.seq is not None:
            event = self._events[out.seq]
            if event.again:
                self._taken_again(now)
            event.state, event.again = _State.ACKNOWLEDGED, False
            return
        if out.answer:
            return
        if out.topic in self._refused:
            self._refused.discard(out.topic)
            self._taken_again(now)
        if out.rev is None:
            self._presence = None
        else:
            self._got.append((out.topic, out.rev))

    def _taken_again(self, now: float) -> None:
        self._retry.reset()
        self._retry_at = now

    def _refuse(self, out: Outgoing, now: float, why: str) -> None:
        self.why_refused = f"{out.topic}: {why}"
        if out.answer:
            # Forgotten: who asked asks again. The one that waits for room is another, unless this one was never sent.
            if out is self._answer:
                self._answer = None
            return
        if out.seq is None:
            self._held.add(out.topic)
            self._refused.add(out.topic)
        else:
            self._events.setdefault(out.seq, _Event(out, _State.REFUSED)).state = _State.REFUSED
            self._sent = max(self._sent, out.seq)
        # One wait for a whole round of refusals: each of them doubling it would be hours after one bad access list.
        if now >= self._retry_at:
            self._retry_at = now + self._retry.next()

    def settle(self, now: float) -> None:
        """Tell the outbox what is done, in one go. A disk that cannot note it now is told again; sending goes on."""
        if now < self._settle_at:
            return
        done = list(takewhile(lambda seq: self._events[seq].state is _State.ACKNOWLEDGED, self._events))
        upto = done[-1] if done else None
        if upto is None and not self._got:
            return
        try:
            self._reader.done(upto, tuple(self._got))
        except StorageError:
            self._settle_at = now + SETTLE_AGAIN_S
            return
        for seq in done:
            del self._events[seq]
        self._got.clear()
        self.place = self.place if upto is None else upto
