"""Heavy weather: is the mean speed steady while the speed hunts with the waves?

Waves meet a ship every 6 to 20 s, and a governor lets the speed swing with them by 3 to 8 rpm for hours or days. That
is normal running. A manoeuvre moves the mean, or moves the speed further than waves do.
"""

from collections import deque
from statistics import median

HALF_S = 60.0
"""Three of the longest waves: their mean is then within a twentieth of the swing of the true one."""
SWING_PART = 0.25
"""The speed may swing so far, from lowest to highest, as part of its mean; 8 rpm either way at 78 are 0.21."""
BURSTS_HELD, BURSTS_NEEDED = 6, 3
ROUGH_PART = 0.5
"""A sea is rough where bursts swing by more than this part of what is called steady."""
BURST_RPM = 8.0
"""A burst of a few seconds sees one wave: its mean may lie so far from that of the bursts before."""


class Waves:
    """A head without pause: the speed of the last two minutes, in halves."""

    def __init__(self) -> None:
        self._speeds: deque[tuple[float, float]] = deque()
        self._held_s = 0.0

    def second(self, rpm: float, span_s: float) -> None:
        """Take one second's speed."""
        self._speeds.append((rpm, span_s))
        self._held_s += span_s
        while self._held_s - self._speeds[0][1] >= 2 * HALF_S:
            self._held_s -= self._speeds.popleft()[1]

    def steady(self, bar_rpm: float) -> bool:
        """Do the halves' means agree within the bar, and is the swing one of waves?"""
        if self._held_s < 2 * HALF_S - 1.0:
            return False
        halves, spans, seen_s = [0.0, 0.0], [0.0, 0.0], 0.0
        for rpm, span_s in self._speeds:
            half = int(seen_s >= self._held_s / 2)
            halves[half] += rpm * span_s
            spans[half] += span_s
            seen_s += span_s
        first, second = (total / span for total, span in zip(halves, spans, strict=True))
        speeds = [rpm for rpm, _ in self._speeds]
        return abs(first - second) <= bar_rpm and max(speeds) - min(speeds) <= SWING_PART * abs(first + second) / 2

    def pause(self) -> None:
        """The stream broke for longer than the speed is averaged over."""
        self.forget()

    def forget(self) -> None:
        """The engine stood or turned back, or nothing was heard."""
        self._speeds.clear()
        self._held_s = 0.0


class BurstWaves:
    """A head in bursts: the means of the bursts before show what the engine does, the present one where in a wave.

    Only where those bursts swung themselves: in calm water another mean is another speed.
    """

    def __init__(self) -> None:
        self._means: deque[float] = deque(maxlen=BURSTS_HELD)
        self._swings: deque[float] = deque(maxlen=BURSTS_HELD)
        self._speeds: list[float] = []

    def second(self, rpm: float, span_s: float) -> None:
        """Take one second's speed."""
        self._speeds.append(rpm)

    def steady(self, bar_rpm: float) -> bool:
        """Is the burst's mean that of the bursts before, as far as one wave can show?"""
        if len(self._means) < BURSTS_NEEDED or median(self._swings) < ROUGH_PART * bar_rpm:
            return False
        usual, now = median(self._means), sum(self._speeds) / len(self._speeds)
        swing = max(self._speeds) - min(self._speeds)
        return abs(now - usual) <= max(BURST_RPM, bar_rpm) and swing <= SWING_PART * abs(usual)

    def pause(self) -> None:
        """The burst is over."""
        if self._speeds:
            self._means.append(sum(self._speeds) / len(self._speeds))
            self._swings.append(max(self._speeds) - min(self._speeds))
            self._speeds.clear()

    def forget(self) -> None:
        """The engine stood or turned back, or nothing was heard."""
        self._means.clear()
        self._swings.clear()
        self._speeds.clear()
