"""How much one ship may send: a bucket per vessel. No clock of its own."""

from collections import OrderedDict

VESSELS_MAX = 100_000
"""Buckets held; the vessel that was heard longest ago goes first. The broker's access list bounds them before us."""


class Rates:
    """Token buckets. `per_s`: messages a second in the long run; `burst`: so many at once after a silence.

    The burst must hold a ship's whole outbox: what comes after a long black-out is no flood.
    """

    def __init__(self, per_s: float, burst: float) -> None:
        self._per_s, self._burst = per_s, burst
        self._left: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def allow(self, vessel: str, now: float) -> bool:
        """May this vessel send one more at `now` (monotonic s)?"""
        left, at = self._left.pop(vessel, (self._burst, now))
        left = min(self._burst, left + (now - at) * self._per_s)
        allowed = left >= 1.0
        self._left[vessel] = (left - 1.0 if allowed else left, now)
        if len(self._left) > VESSELS_MAX:
            self._left.popitem(last=False)
        return allowed
