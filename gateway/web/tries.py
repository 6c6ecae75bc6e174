"""Wrong tries to log in: a growing delay for each name at each address, and a rate for all together.

Nobody can close the log-in to somebody else: the delay belongs to a name at one address, and whoever has logged in
from an address since the page began is not held up by the rate that others use up. The table is bounded, and cannot
be flushed: where it is full, the pair with the fewest tries is forgotten, so a pair with many is the last to go, and
the common rate makes filling it with such pairs a matter of hours.
"""

from collections import OrderedDict
from dataclasses import dataclass

from gateway.model.errors import Refused

PAIRS_MAX = 512
KNOWN_MAX = 128
"""Pairs of name and address that have logged in."""
DELAY_S_MIN = 2.0
FORGET_S = 24 * 3_600.0
BURST = 30
RATE_S = 5.0
"""All of them together: a burst of wrong tries, then one in so many seconds, some 17,000 a day at most."""


class TooSoon(Refused):
    """Wrong tries before: the next must wait. Its text gives for how long."""


@dataclass(slots=True)
class _Pair:
    """Tries in a row that have not turned out right, the last at `last_s`; none is taken before `due_s`."""

    count: int = 0
    last_s: float = 0.0
    due_s: float = float("-inf")


class Tries:
    """`free`: wrong tries without a delay; `delay_s_max`: the longest. Not safe from several threads: the caller locks.

    Times are monotonic seconds.
    """

    def __init__(self, free: int, delay_s_max: float) -> None:
        self._free, self._delay_s_max = free, delay_s_max
        self._pairs: dict[tuple[str, str], _Pair] = {}
        self._known: OrderedDict[tuple[str, str], None] = OrderedDict()
        self._left, self._left_at_s = float(BURST), 0.0

    def __len__(self) -> int:
        return len(self._pairs)

    def begin(self, name: str, address: str, now_s: float) -> bool:
        """A try begins; it counts as wrong until `succeeded`. True: it is the one after which a delay follows.

        Raises TooSoon.
        """
        key = (name, address)
        pair = self._pairs.get(key, _Pair())
        if now_s - pair.last_s > FORGET_S:
            pair = _Pair()
        if now_s < pair.due_s:
            raise TooSoon(_text(pair.due_s - now_s))
        if key not in self._known:
            self._spend(now_s)
        pair.count, pair.last_s = pair.count + 1, now_s
        beyond = pair.count - self._free
        if beyond >= 0:
            pair.due_s = now_s + min(self._delay_s_max, DELAY_S_MIN * 2.0 ** min(beyond, 60))
        self._pairs[key] = pair
        if len(self._pairs) > PAIRS_MAX:
            self._forget_one(key)
        return beyond == 0

    def succeeded(self, name: str, address: str) -> None:
        """The try was right."""
        key = (name, address)
        self._pairs.pop(key, None)
        self._known[key] = None
        self._known.move_to_end(key)
        while len(self._known) > KNOWN_MAX:
            self._known.popitem(last=False)
        self._left = min(float(BURST), self._left + 1)

    def _spend(self, now_s: float) -> None:
        self._left = min(float(BURST), self._left + (now_s - self._left_at_s) / RATE_S)
        self._left_at_s = now_s
        if self._left < 1:
            raise TooSoon(_text((1 - self._left) * RATE_S))
        self._left -= 1

    def _forget_one(self, but: tuple[str, str]) -> None:
        fewest = min((k for k in self._pairs if k != but), key=lambda k: (self._pairs[k].count, self._pairs[k].last_s))
        del self._pairs[fewest]


def _text(wait_s: float) -> str:
    whole = max(1, round(wait_s + 0.5))
    wait = f"{whole} s" if whole < 120 else f"{round(whole / 60 + 0.5)} min"
    return f"Too many wrong tries: try again in {wait}."
