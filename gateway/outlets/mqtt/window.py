"""What is under way to one broker during one connection: order, window, acknowledgements. No socket, no clock.

Alarm states go before events, trends after them; events go strictly by `seq`; the place in the outbox moves only over
what the broker has acknowledged without a gap. A refused message is kept and tried again slowly; no new event overtakes
a refused one, and trends do not wait for it. For a broker that wants every trend they go in order, too, so that the
latest is what the broker retains.
"""

from collections import deque
from collections.abc import Callable, Iterable, Sequence
from typing import Protocol

from gateway.model.limits import IN_FLIGHT_BYTES_MAX, IN_FLIGHT_MESSAGES_MAX
from gateway.outlets.mqtt.line import Line, Outgoing
from gateway.outlets.mqtt.pipe import Ack, Granted
from gateway.outlets.mqtt.resend import Resend
from gateway.outlets.mqtt.wake import Backoff

REFUSED = 0x80
"""A PUBACK with this reason or above: the broker has not taken the message (MQTT 5, section 3.4.2.1)."""
NO_READER = 0x10
"""Taken, and nobody has subscribed to it (the same section): success, but for a shore that has lost its keepers."""

Send = Callable[[Outgoing], int | None]


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


class TrendDue(Protocol):
    """A trend in line that is due; `n` rises."""

    @property
    def n(self) -> int: ...
    @property
    def topic(self) -> str: ...
    @property
    def payload(self) -> bytes: ...


class OutboxReader(Protocol):
    """One broker's view of the outbox, made and used in that broker's thread only."""

    def retained_due(self, limit: int) -> Sequence[Retained]:
        """Retained states whose newest revision is not done, trends last; none that still stands in line."""

    def events_due(self, after_seq: int, limit: int) -> Sequence[EventDue]:
        """Events above `after_seq`, by `seq`."""

    def first_event(self, first: int, last: int) -> EventDue | None:
        """The lowest event from `first` to `last` that the record holds, delivered or not."""

    def trends_due(self, after: int, limit: int) -> Sequence[TrendDue]:
        """Trends in line above `after`, by `n`; none for a broker that wants the latest only."""

    def done(self, upto_seq: int | None, retained: Sequence[tuple[str, int]], upto_trend: int | None = None) -> None:
        """Everything up to `upto_seq`, these (topic, revision), and everything in line up to `upto_trend`, the broker
        has. Returns at once."""

    def alarm_waits(self) -> int:
        """Revision of the newest alarm state that the broker never had; 0 when it has them all."""

    def forget_retained(self) -> None:
        """Every retained state is due again."""

    def place(self) -> int:
        """The last `seq` that is done."""

    def trend_place(self) -> int:
        """The last trend in line that is done."""


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
        resend: Resend | None = None,
        *,
        needs_reader: bool = False,
    ) -> None:
        """`needs_reader`: an event, or a trend in line, taken with nobody subscribed to it counts as refused.

        `answers`: (topic, payload) to send once, before all states; filled by any thread, lost when refused.
        `resend`: events that the shore has asked for again.
        """
        self._reader, self._granted, self._retry, self._needs_reader = reader, granted, retry, needs_reader
        self._classes = frozenset(classes)
        self._room = min(window, IN_FLIGHT_MESSAGES_MAX, granted.receive_maximum)
        self._presence = presence
        self._answers = deque[tuple[str, bytes]]() if answers is None else answers
        self._answer: Outgoing | None = None
        self._resend = Resend() if resend is None else resend
        self._events, self._trends = Line("seq", reader.place()), Line("n", reader.trend_place())
        self._flying: dict[int, tuple[Outgoing, float]] = {}
        self._bytes = 0
        self._held: set[str] = set()
        self._refused: set[str] = set()
        self._retry_at = 0.0
        self._got: list[tuple[str, int]] = []
        self.why_refused = ""
        self.last_ack: float | None = None
        self.idle = False

    @property
    def sent(self) -> int:
        """The highest seq of an event that was handed to the broker."""
        return self._events.sent

    @property
    def place(self) -> int:
        """The last `seq` that the outbox has as done."""
        return self._events.place

    @property
    def in_flight(self) -> int:
        """Messages sent and not yet acknowledged."""
        return len(self._flying)

    @property
    def refused(self) -> int:
        """Messages that the broker would not have, and has not taken since."""
        return len(self._refused) + self._events.refused + self._trends.refused

    def overdue(self, now: float, ack_s: float) -> bool:
        """The oldest message under way has waited longer than `ack_s`."""
        oldest = next(iter(self._flying.values()), None)
        return oldest is not None and now - oldest[1] > ack_s

    def fill(self, now: float, send: Send) -> None:
        """Send what is due while there is room. `send` gives the message id, or None when the connection is gone."""
        self.idle = False
        probing = now >= self._retry_at
        if probing:
            self._held.clear()
        states = self._retained_due()
        self.idle = (
            self._send_all(self._presence_due(), now, send)
            and self._send_answers(now, send)
            and self._send_all([out for klass, out in states if klass != "trend"], now, send)
            and self._send_all(self._events_due(probing), now, send)
            and self._send_again(now, send)
            and self._send_all(self._trends.due(self._spare, probing=probing, rows=self._trend_rows), now, send)
            and self._send_all(self._trend_states(states), now, send)
        )

    def _send_all(self, due: Sequence[Outgoing], now: float, send: Send) -> bool:
        """False: there is no more room, or no connection."""
        for out in due:
            if self._too_large(out):
                self._refuse(out, now, f"larger than the {self._granted.packet_bytes} bytes that the broker takes")
                if out.in_line:
                    return True  # nothing in its line goes before it
                continue
            mid = send(out) if self._fits(out) else None
            if mid is None:
                return False
            self._fly(mid, out, now)
        return True

    def _send_answers(self, now: float, send: Send) -> bool:
        while (answer := self._next_answer()) is not None:
            if not self._send_all([answer], now, send):
                return False
        return True

    def _send_again(self, now: float, send: Send) -> bool:
        """Behind what is fresh. One that is refused is not tried again here: the shore asks until it has it."""
        while (out := self._resend.due(now, self._held_from)) is not None:
            if not self._send_all([out], now, send):
                return False
            self._resend.passed_on(out)
        return True

    def _held_from(self, first: int, last: int) -> Outgoing | None:
        row = self._reader.first_event(first, last)
        return None if row is None else Outgoing(row.topic, row.payload, retain=False, again=row.seq)

    def _too_large(self, out: Outgoing) -> bool:
        return self._granted.packet_bytes is not None and out.size > self._granted.packet_bytes

    def _fits(self, out: Outgoing) -> bool:
        full = len(self._flying) >= self._room
        return not full and (not self._flying or self._bytes + out.size <= IN_FLIGHT_BYTES_MAX)

    def _presence_due(self) -> list[Outgoing]:
        return [self._presence] if self._presence is not None and self._presence.topic not in self._busy() else []

    def _events_due(self, probing: bool) -> list[Outgoing]:
        wanted = "event" in self._classes
        return self._events.due(self._spare, probing=probing, rows=self._event_rows) if wanted else []

    def _trend_states(self, states: Sequence[tuple[str, Outgoing]]) -> list[Outgoing]:
        """Looked up again: what has stood in line since must not be followed by what was there before it."""
        again = self._retained_due() if any(klass == "trend" for klass, _ in states) else []
        return [out for klass, out in again if klass == "trend"]

    @property
    def _spare(self) -> int:
        return self._room - len(self._flying)

    def _event_rows(self, after: int, limit: int) -> list[Outgoing]:
        rows = self._reader.events_due(after, limit)
        return [Outgoing(row.topic, row.payload, retain=False, seq=row.seq) for row in rows]

    def _trend_rows(self, after: int, limit: int) -> list[Outgoing]:
        return [Outgoing(r.topic, r.payload, retain=True, n=r.n) for r in self._reader.trends_due(after, limit)]

    def _next_answer(self) -> Outgoing | None:
        """Taken from the queue once; it stays here until there is room."""
        if self._answer is None and self._answers:
            topic, payload = self._answers.popleft()
            self._answer = Outgoing(topic, payload, retain=False, answer=True)
        return self._answer

    def _busy(self) -> set[str]:
        return self._held | {out.topic for out, _ in self._flying.values() if not out.in_line and out.again is None}

    def _retained_due(self) -> list[tuple[str, Outgoing]]:
        """Class and message of each state that is due and not under way."""
        busy, due = self._busy(), []
        for row in self._reader.retained_due(self._room + len(busy) + len(self._got)):
            if row.klass not in self._classes:
                self._got.append((row.topic, row.rev))
            elif row.topic not in busy and (row.topic, row.rev) not in self._got:
                due.append((row.klass, Outgoing(row.topic, row.payload, retain=True, rev=row.rev)))
        return due

    def _fly(self, mid: int, out: Outgoing, now: float) -> None:
        self._flying[mid] = (out, now)
        self._bytes += out.size
        if out.answer:
            self._answer = None
        if out.in_line:
            self._line(out).fly(out)

    def _line(self, out: Outgoing) -> Line:
        return self._trends if out.seq is None else self._events

    def take(self, ack: Ack, now: float) -> None:
        """A PUBACK came. One that belongs to nothing under way is ignored."""
        out, _ = self._flying.pop(ack.mid, (None, 0.0))
        if out is None:
            return
        self._bytes -= out.size
        if ack.code == NO_READER and self._needs_reader and out.in_line:
            self._refuse(
                out, now, f"taken, but nobody there has subscribed to it; does a keeper run? (0x{NO_READER:02X})"
            )
        elif ack.code >= REFUSED:
            self._refuse(out, now, f"{ack.name} (0x{ack.code:02X})")
        else:
            self._accept(out, now)

    def _accept(self, out: Outgoing, now: float) -> None:
        self.last_ack = now
        if out.in_line and self._line(out).accept(out):
            self._taken_again(now)
        if out.seq is not None or out.answer or out.again is not None:
            return
        if out.topic in self._refused:
            self._refused.discard(out.topic)
            self._taken_again(now)
        if out.rev is not None:
            self._got.append((out.topic, out.rev))
        elif out.n is None:
            self._presence = None

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
        if out.again is not None:
            return
        if out.in_line:
            self._line(out).refuse(out)
        else:
            self._held.add(out.topic)
            self._refused.add(out.topic)
        # One wait for a whole round of refusals: each of them doubling it would be hours after one bad access list.
        if now >= self._retry_at:
            self._retry_at = now + self._retry.next()

    def settle(self) -> None:
        """Hand the outbox what is done, in one go."""
        seq, trend = self._events.upto, self._trends.upto
        if seq is None and trend is None and not self._got:
            return
        self._reader.done(seq, tuple(self._got), trend)
        self._events.settled()
        self._trends.settled()
        self._got.clear()
