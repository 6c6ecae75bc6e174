"""Events that the shore has asked for again: a broker's acknowledgement is not yet the shore's record.

The newest request counts and replaces the one before. Nothing is kept here beyond it: whether an event has come, the
shore reports in its next receipt.
"""

from collections.abc import Callable

from gateway.model.limits import EVENTS_AGAIN_PER_DAY, EVENTS_AGAIN_PER_S
from gateway.outlets.mqtt.line import Outgoing

Ranges = tuple[tuple[int, int], ...]
First = Callable[[int, int], Outgoing | None]


class Resend:
    """One broker's requests. `ask` from any thread, `due` and `passed_on` from the broker's own."""

    def __init__(self) -> None:
        self._asked: Ranges | None = None
        self._left: list[tuple[int, int]] = []
        self._tokens, self._left_today, self._at_s = EVENTS_AGAIN_PER_S, float(EVENTS_AGAIN_PER_DAY), float("-inf")
        self.sent = 0
        """Events handed to the broker again, since the start."""
        self.not_held: Ranges = ()
        """Of the newest request: numbers that the ship's record does not hold (any more)."""

    def ask(self, ranges: Ranges) -> None:
        """The shore lacks these numbers; each range with both its ends."""
        self._asked = ranges

    def due(self, now_s: float, first: First) -> Outgoing | None:
        """The next event to go again, if one may go now. `first(a, b)`: the lowest event held from `a` to `b`."""
        if self._asked is not None:
            self._left, self._asked, self.not_held = sorted(self._asked), None, ()
        since_s = min(86_400.0, now_s - self._at_s)
        self._tokens = min(EVENTS_AGAIN_PER_S, self._tokens + EVENTS_AGAIN_PER_S * since_s)
        self._left_today = min(EVENTS_AGAIN_PER_DAY, self._left_today + EVENTS_AGAIN_PER_DAY * since_s / 86_400.0)
        self._at_s = now_s
        while self._left and min(self._tokens, self._left_today) >= 1.0:
            start, end = self._left[0]
            out = first(start, end)
            held = end + 1 if out is None else out.again or 0
            if held > start:
                self.not_held = (*self.not_held, (start, held - 1))
            if out is not None:
                self._left[0] = (held, end)
                return out
            del self._left[0]
        return None

    def passed_on(self, out: Outgoing) -> None:
        """What `due` gave was handed to the broker."""
        self._tokens -= 1.0
        self._left_today -= 1.0
        self.sent += 1
        _, end = self._left.pop(0)
        if out.again is not None and out.again < end:
            self._left.insert(0, (out.again + 1, end))
