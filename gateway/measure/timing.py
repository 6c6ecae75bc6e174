"""Do the head's time stamps join? Where they do not, no crank turn can be averaged while the shaft turns."""

import math
from collections import deque
from dataclasses import dataclass

WINDOW_US = 600_000_000
"""Interface, section 3: no revolution used for ten minutes."""
SLICE_US = 120_000_000
SMALL_US = 1_000_000
"""A larger step of the clock is a pause of the head, or a clock that was set."""
TURNS_MIN = 5.0
STUMBLES_MIN = 5
USED_SHARE = 0.05
"""Of the turns seen. Single ones that join by chance are no measurement."""


@dataclass(slots=True)
class _Slice:
    """What was seen from `begin_us` on: turns of the crank, turns that were cut, breaks with their sums in µs."""

    begin_us: int
    turns: float = 0.0
    cut: int = 0
    stumbles: int = 0
    gap_us: float = 0.0
    gap_us2: float = 0.0


class TimingWatch:
    """Feed it the small breaks and the seconds; `text`: what is wrong; it is empty while turns can be used."""

    def __init__(self) -> None:
        self.text = ""
        self.unused_min: float | None = None
        self._slices: deque[_Slice] = deque()
        self._cut_before = 0
        self._since_us: int | None = None

    def stumbled(self, gap_us: int) -> None:
        """Two frames follow each other in the sequence, and not in time."""
        if self._slices and abs(gap_us) < SMALL_US:
            s = self._slices[-1]
            s.stumbles += 1
            s.gap_us += gap_us
            s.gap_us2 += gap_us * gap_us

    def second(self, t_us: int, turns: float, cut: int) -> None:
        """A second is over, in which the crank turned so far. `cut`: turns that could be averaged, in all so far."""
        if not self._slices:
            self._slices.append(_Slice(t_us))
        s = self._slices[-1]
        s.turns += abs(turns)
        s.cut += cut - self._cut_before
        self._cut_before = cut
        if t_us - s.begin_us >= SLICE_US:
            self._judge(t_us)
            self._slices.append(_Slice(t_us))

    def _judge(self, t_us: int) -> None:
        slices = self._slices
        while len(slices) > 1 and t_us - slices[1].begin_us >= WINDOW_US:
            slices.popleft()
        if t_us - slices[0].begin_us < WINDOW_US:
            return
        turns, stumbles = sum(s.turns for s in slices), sum(s.stumbles for s in slices)
        unused = turns >= TURNS_MIN and stumbles >= STUMBLES_MIN and sum(s.cut for s in slices) < USED_SHARE * turns
        if not unused:
            self.text, self.unused_min, self._since_us = "", None, None
            return
        self._since_us = slices[0].begin_us if self._since_us is None else self._since_us
        self.unused_min = (t_us - self._since_us) / 60e6
        self.text = self._words(stumbles)

    def _words(self, stumbles: int) -> str:
        mean_us = sum(s.gap_us for s in self._slices) / stumbles
        spread_us = math.sqrt(max(0.0, sum(s.gap_us2 for s in self._slices) / stumbles - mean_us**2))
        steady = abs(mean_us) > 2 * spread_us
        off = f"{mean_us / 1000:+.2f} ms" if steady else f"{spread_us / 1000:.2f} ms up and down"
        why = "the declared sample interval is wrong" if steady else "the head's clock jitters or is too coarse"
        return (
            f"No crank turn used for {self.unused_min:.0f} min: the head's times are off by {off} from frame to frame, "
            f"{why}. Check the head's firmware and clock"
        )
