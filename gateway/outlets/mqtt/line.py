"""Durable messages under way to one broker, strictly in the order of their numbers: events, or every trend.

What was refused is kept and tried again, the lowest first; nothing new overtakes it. Done is what the broker has
acknowledged without a gap.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import Enum
from itertools import takewhile
from typing import Literal

HEADER_BYTES = 12
"""Fixed header, lengths, packet id and empty properties of a PUBLISH."""


@dataclass(frozen=True, slots=True)
class Outgoing:
    """A message of QoS 1. `rev`: of a retained state; `seq`: of an event; `n`: of a trend in line; `again`: of an event
    that the shore has asked for again; none of them: presence, or an answer."""

    topic: str
    payload: bytes
    retain: bool
    rev: int | None = None
    seq: int | None = None
    n: int | None = None
    again: int | None = None
    answer: bool = False

    @property
    def size(self) -> int:
        """Bytes on the wire, about."""
        return len(self.topic.encode()) + len(self.payload) + HEADER_BYTES

    @property
    def in_line(self) -> bool:
        """Whether it is one of many that go in order, each of them."""
        return self.seq is not None or self.n is not None


class _State(Enum):
    FLYING = 1
    ACKNOWLEDGED = 2
    REFUSED = 3


@dataclass(slots=True)
class _Member:
    out: Outgoing
    state: _State
    again: bool = False


class Line:
    """One connection's view of one such line. `place`: everything up to it is done."""

    def __init__(self, number: Literal["seq", "n"], place: int) -> None:
        self._number = number
        self.place = self._sent = place
        self._members: dict[int, _Member] = {}

    @property
    def sent(self) -> int:
        """The highest number that was handed to the broker."""
        return self._sent

    def _of(self, out: Outgoing) -> int:
        number: int = getattr(out, self._number)
        return number

    @property
    def refused(self) -> int:
        """Messages that the broker would not have, and has not taken since."""
        return sum(m.state is _State.REFUSED or (m.again and m.state is _State.FLYING) for m in self._members.values())

    def due(self, room: int, *, probing: bool, rows: Callable[[int, int], Sequence[Outgoing]]) -> list[Outgoing]:
        """What may go now: when `probing` the lowest refused one, else new ones. `rows(after, limit)` gives those."""
        if self._blocked():
            return self._again() if probing else []
        return list(rows(self._sent, room)) if room > 0 else []

    def _again(self) -> list[Outgoing]:
        """The lowest refused one, one at a time: the broker must take it before another is tried."""
        if any(m.again and m.state is _State.FLYING for m in self._members.values()):
            return []
        return [m.out for m in self._members.values() if m.state is _State.REFUSED][:1]

    def _blocked(self) -> bool:
        return any(m.again or m.state is _State.REFUSED for m in self._members.values())

    def fly(self, out: Outgoing) -> None:
        """It was sent."""
        known = self._members.get(self._of(out))
        if known is None:
            self._members[self._of(out)] = _Member(out, _State.FLYING)
            self._sent = self._of(out)
        else:
            known.state, known.again = _State.FLYING, True

    def accept(self, out: Outgoing) -> bool:
        """The broker has it. True if it had refused it before."""
        member = self._members[self._of(out)]
        again, member.state, member.again = member.again, _State.ACKNOWLEDGED, False
        return again

    def refuse(self, out: Outgoing) -> None:
        """The broker would not have it, or it was not even sent."""
        number = self._of(out)
        self._members.setdefault(number, _Member(out, _State.REFUSED)).state = _State.REFUSED
        self._sent = max(self._sent, number)

    def _done(self) -> list[int]:
        return list(takewhile(lambda number: self._members[number].state is _State.ACKNOWLEDGED, self._members))

    @property
    def upto(self) -> int | None:
        """The number up to which the broker newly has everything, or None."""
        done = self._done()
        return done[-1] if done else None

    def settled(self) -> None:
        """The outbox has taken what `upto` gave."""
        for number in self._done():
            del self._members[number]
            self.place = number
