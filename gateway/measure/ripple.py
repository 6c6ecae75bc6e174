"""Does the spring still move within a turn, as it always has? Where it does not, the arm or its transducer is stuck."""

from collections import deque

from gateway.measure.smoothing import median

LEARN_LOOKS = 30
"""Turns looked at before this ship's own ripple is known; one in eight is looked at, in bursts one a burst."""
FOLLOW = 1 / 200
RATIO = 5.0
"""Handbook, sum 20: only where the ship's own ripple was five times what is left."""
BACK_RATIO = 3.0
MISSING_S = 3_600.0
"""Handbook, sum 20: missing for an hour."""
WINDOW = 5


class RippleWatch:
    """Feed it turns of steady running ahead at a normal speed of a sprung tightener; `text`: what it looks like."""

    def __init__(self, pause_s: float) -> None:
        """`pause_s`: a longer time between two looks is no running, and does not count."""
        self._pause_s = pause_s
        self.begin_again()

    def begin_again(self) -> None:
        """Hands were on the tightener: its ripple is learned again."""
        self._own_mm: float | None = None
        self._looks = 0
        self._last: deque[float] = deque(maxlen=WINDOW)
        self._last_us: int | None = None
        self._missing_s = 0.0
        self.text = ""

    def turn(self, t_us: int, ripple_mm: float) -> None:
        """Amplitude of the spring's length over a turn that ended at `t_us`."""
        since_s = 0.0 if self._last_us is None else (t_us - self._last_us) / 1e6
        self._last_us = t_us
        self._last.append(ripple_mm)
        now_mm = median(self._last)
        if self._own_mm is None or self._looks < LEARN_LOOKS:
            self._learn(ripple_mm)
        elif now_mm * RATIO < self._own_mm or (self._missing_s and now_mm * BACK_RATIO < self._own_mm):
            self._missing_s += min(max(since_s, 0.0), self._pause_s)
        else:
            self._missing_s = 0.0
            self._own_mm += FOLLOW * (now_mm - self._own_mm)
        self.text = ""
        if self._missing_s >= MISSING_S:
            self.text = (
                f"Length does not move: tightener arm or transducer stuck ({now_mm:.2f} mm over a turn, usual "
                f"{self._own_mm:.2f} mm). Check that the arm moves freely, then the transducer"
            )

    def _learn(self, ripple_mm: float) -> None:
        self._looks += 1
        own = self._own_mm or 0.0
        self._own_mm = own + (ripple_mm - own) / self._looks

    def state(self) -> dict[str, object]:
        """What a restart needs."""
        return {"own_mm": self._own_mm, "looks": self._looks, "missing_s": self._missing_s}

    def restore(self, kept: object) -> None:
        """Go on from `state`; a checkpoint without it learns again."""
        if isinstance(kept, dict) and isinstance(kept["own_mm"], float):
            self._own_mm, self._looks = kept["own_mm"], int(kept["looks"])
            self._missing_s = float(kept["missing_s"])
