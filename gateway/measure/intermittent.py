"""A contact or a bit that drops out again and again, each time for too short to be a failure of its own."""

from collections import deque

OFTEN = 5
"""So many times within the window: a wire that breaks once and is repaired shows two."""
WINDOW_S = 300.0
"""Of samples seen; pauses between bursts do not count."""


class Intermittent:
    """Counts drop-outs by the time that samples covered. Once they come often the fault stands until none is left."""

    def __init__(self) -> None:
        self._seen_s = 0.0
        self._at: deque[float] = deque()
        self.stands = False

    def second(self, span_s: float, dropped: bool) -> bool:
        """Take a second; does the fault stand?"""
        self._seen_s += span_s
        if dropped:
            self._at.append(self._seen_s)
        while self._at and (self._seen_s - self._at[0] > WINDOW_S or len(self._at) > OFTEN):
            self._at.popleft()
        self.stands = bool(self._at) and (self.stands or len(self._at) >= OFTEN)
        return self.stands

    def checkpoint(self) -> list[float]:
        """How long ago each drop-out was; a negative one last where the fault stands."""
        return [self._seen_s - at for at in self._at] + ([-1.0] if self.stands else [])

    def restore(self, kept: object) -> None:
        """Go on from a checkpoint; what is none leaves it as it is."""
        if isinstance(kept, list):
            ages = [float(x) for x in kept]
            self.stands = -1.0 in ages
            self._at = deque(self._seen_s - age for age in ages if age >= 0)
