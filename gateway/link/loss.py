"""The share of frames lost, over minutes."""

from collections import deque

from gateway.link.breaks import StreamBreak
from gateway.model.limits import OUT_OF_ORDER_FRAMES_MAX

LINK_WINDOW_S = 600
LINK_FRAMES_MIN = 100
"""Fewer frames in the window are too few to judge one per cent."""


class LinkWatch:
    """Share of frames lost over the last ten minutes of head time, in steps of ten seconds."""

    def __init__(self) -> None:
        self._steps: deque[tuple[int, int, int]] = deque()
        self._step = 0
        self._good = self._lost = self._good_before = self._lost_before = 0
        self._total = 0
        self.boot = -1
        """Of the frame last heard."""

    def broke(self, at: StreamBreak) -> None:
        """The stream of samples broke."""
        if at.cause == "lost":
            self.lost(at.count)
        elif at.cause == "boot" and at.boot == self.boot:
            # No new start: the count went back, and what came until that was believed is lost. A stream that repeats
            # itself (a converter that hangs, a recording played to the port) would pass for a sound link.
            self.lost(OUT_OF_ORDER_FRAMES_MAX)
        self.boot = at.boot

    def good_in_all(self, total: int) -> None:
        """So many good frames have come since the start."""
        self.good(total - self._total)
        self._total = total

    def good(self, frames: int) -> None:
        """So many good frames came."""
        self._good += frames

    def lost(self, frames: int) -> None:
        """So many are missing from the sequence, refused ones among them."""
        self._lost += frames

    def percent(self, t_us: int) -> float | None:
        """Per cent lost; `None` while too few have been seen."""
        step = t_us // 10_000_000
        if step != self._step:
            self._turn_over(step)
        good, lost = self._good + self._good_before, self._lost + self._lost_before
        return 100.0 * lost / (good + lost) if good + lost >= LINK_FRAMES_MIN else None

    def _turn_over(self, step: int) -> None:
        self._steps.append((self._step, self._good, self._lost))
        self._good_before += self._good
        self._lost_before += self._lost
        self._step, self._good, self._lost = step, 0, 0
        while self._steps and self._steps[0][0] <= step - LINK_WINDOW_S // 10:
            _, good, lost = self._steps.popleft()
            self._good_before -= good
            self._lost_before -= lost
