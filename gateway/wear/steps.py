"""Steps: a tooth jump within ten revolutions, and smaller ones by a two-sided CUSUM."""

import math
from collections import deque
from dataclasses import dataclass
from typing import Any

BURST_REVOLUTIONS = 4
"""A burst of odd revolutions no longer than this is no jump."""

WINDOW = 9
"""Late revolutions looked at; all but one of them must stand apart, the last `BURST_REVOLUTIONS` + 1 in a row."""

SETTLE = 50
"""Revolutions over whose length the reference follows the level."""

SETTLE_IN_BURSTS = 16
"""The same where the head sends bursts: two of six seconds. What warmth and wear do in the pauses between more of them
would be taken for a jump: fifty revolutions are seven hours of hourly bursts."""

START_REVOLUTIONS = 9
"""The median of so many is the first reference."""

NEAR_TOOTH = 0.15
"""A step within this share of a tooth of k teeth is called a jump of k teeth."""


NOT_STARTED = -1e300
"""The score of a chart before its first figure; finite, so that it can be written as JSON."""


@dataclass(frozen=True, slots=True)
class Jump:
    """A jump that stands: `size` against the level before it; `teeth`, signed, where it is near so many."""

    size: float
    teeth: int | None
    before: float
    after: float
    over_standstill: bool = False
    """It came while the engine stood: work that nobody booked looks like this."""


class JumpDetector:
    """Finds a jump of a figure given once per revolution. Units are the figure's own (degrees of lag, mm of spring).

    A revolution stands apart when it is further than `apart` thresholds from the reference, which follows the level
    over `settle` revolutions, and only through those that do not stand apart. A jump is certain when eight of the last
    nine stand apart on one side, the last five of them in a row, and their median is at least `certain` thresholds off:
    within ten revolutions of its happening, and not for a burst of four. The level before the first jump is kept, and
    the condition stands, until `rebase`; a further jump on top of it is found as well.
    """

    apart = 0.75
    certain = 0.9
    over_stop = 3.0
    """Over a stop the drive cools, warms and stretches, and creeps at other speeds: there only so many thresholds are a
    jump."""
    over_standstill = 2.0
    """Back at a normal speed after a standstill, only the warmth is another: 20 K of the chain over the frame, which a
    cold start does not reach, are a fifth of a threshold of lag and 0.7 of one of length."""
    over_speed = 1.2
    """Over a change of speed of a warm drive that ran on: ten or twenty turns a minute do a tenth of a threshold."""

    def __init__(
        self,
        threshold: float,
        tooth: float | None = None,
        settle: int = SETTLE,
        apart: float = apart,
        lasting: int = 0,
    ) -> None:
        """`apart`: in thresholds. `lasting`: after so many revolutions in a row that stand apart, a level that is less
        than `certain` thresholds off is a jump as well; 0 = never."""
        if not threshold > 0 or (tooth is not None and not tooth > 0):
            raise ValueError("threshold and tooth must be above zero")
        self.threshold = threshold
        self.tooth = tooth
        self.settle = settle
        self.standing: Jump | None = None
        self._apart = apart * threshold
        self._lasting = lasting
        self._reference: float | None = None
        self._start: list[float] = []
        self._before: float | None = None
        self._bar = self.over_stop
        self._normal: float | None = None
        """The level at normal speeds, while the engine runs at others."""
        self._offsets: deque[float] = deque(maxlen=WINDOW)
        self._run = 0

    @property
    def in_doubt(self) -> float | None:
        """While revolutions stand apart, or a new reference is taken, and no jump is certain yet: the level before."""
        if self._reference is None:
            return self._before
        return self._reference if any(self._offsets) else None

    def add(self, value: float) -> Jump | None:
        """Take one revolution's figure; returns the jump when this revolution makes it certain."""
        reference = self._reference
        if reference is None:
            return self._begin(value)
        offset = value - reference
        if -self._apart < offset < self._apart:
            self._reference = reference + offset / self.settle
            self._run = 0
            if self._offsets:
                self._offsets.append(0.0)
                if not any(self._offsets):
                    self._offsets.clear()
            return None
        return self._stands_apart(offset)

    def _begin(self, value: float) -> Jump | None:
        self._start.append(value)
        if len(self._start) < START_REVOLUTIONS:
            return None
        level, before = _median(self._start), self._before
        self._reference, self._before, self._start = level, None, []
        if before is None or abs(level - before) < self._bar * self.threshold:
            return None
        self._reference = before
        return self._jumped(level - before, self._bar == self.over_standstill)

    def resume(self, bar: float = over_stop, slow: bool = False) -> None:
        """Steady running was interrupted and is back: take a new reference, and find only what warmth cannot do.

        `bar`: so many thresholds, `over_stop`, `over_standstill` or `over_speed`; of two interruptions without a
        reference the larger. `slow`: not at a normal speed yet. With `over_standstill` the level is compared with that
        of the last normal running, whatever steady stretches at low speeds lay between.
        """
        rising = self._reference is None and self._bar == self.over_standstill
        if slow and self._normal is None:
            self._normal = self._reference if self._reference is not None else self._before
        if self._reference is not None:
            self._before, self._reference, self._bar = self._reference, None, bar
        self._bar = max(self._bar, bar)
        if not slow:
            if bar == self.over_standstill and self._normal is not None:
                self._before, self._bar = self._normal, bar
            elif rising:
                # Still on the way to sea speed, in bursts too short for a reference.
                self._bar = self.over_standstill
            self._normal = None
        self._start = []
        self._offsets.clear()
        self._run = 0

    def _stands_apart(self, offset: float) -> Jump | None:
        self._offsets.append(offset)
        self._run = self._run + 1 if self._run == 0 or (offset > 0) == (self._offsets[-2] > 0) else 1
        if len(self._offsets) < WINDOW - 1 or self._run <= BURST_REVOLUTIONS:
            return None
        late = [o for o in list(self._offsets)[-WINDOW:] if (o > 0) == (offset > 0) and o != 0.0]
        size = _median(late)
        if len(late) < WINDOW - 1:
            return None
        if abs(size) < self.certain * self.threshold and not 0 < self._lasting <= self._run:
            return None
        return self._jumped(size)

    def _jumped(self, size: float, over_standstill: bool = False) -> Jump:
        assert self._reference is not None
        level = self._reference + size
        before = self.standing.before if self.standing is not None else self._reference
        whole = level - before
        if self._normal is not None:
            self._normal += size
        self.standing = Jump(whole, self._teeth(whole), before, level, over_standstill)
        self._reference = level
        self._offsets.clear()
        self._run = 0
        return self.standing

    def _teeth(self, size: float) -> int | None:
        if self.tooth is None:
            return None
        teeth = round(size / self.tooth)
        return teeth if teeth and abs(size - teeth * self.tooth) <= NEAR_TOOTH * self.tooth else None

    def rebase(self) -> None:
        """The drive was set again: the condition falls, and the next revolutions make the reference."""
        self.standing = None
        self._reference = self._before = self._normal = None
        self._start = []
        self._offsets.clear()
        self._run = 0

    def state(self) -> dict[str, Any]:
        """Everything but the settings, JSON-able."""
        s = self.standing
        return {
            "reference": self._reference,
            "start": list(self._start),
            "before": self._before,
            "bar": self._bar,
            "normal": self._normal,
            "offsets": list(self._offsets),
            "run": self._run,
            "standing": None if s is None else [s.size, s.teeth, s.before, s.after, s.over_standstill],
        }

    def load(self, state: dict[str, Any]) -> None:
        """Go on from `state`."""
        self._reference = state["reference"]
        self._start = list(state["start"])
        self._before = state["before"]
        # States of before this was kept know one bar.
        self._bar = state.get("bar", self.over_stop)
        self._normal = state.get("normal")
        self._offsets = deque(state["offsets"], maxlen=WINDOW)
        self._run = state["run"]
        self.standing = None if state["standing"] is None else Jump(*state["standing"])


def _median(values: list[float]) -> float:
    s = sorted(values)
    n = len(s)
    return s[n // 2] if n % 2 else 0.5 * (s[n // 2 - 1] + s[n // 2])


@dataclass(frozen=True, slots=True)
class Signal:
    """The CUSUM has signalled: the figures since `onset` (a number, the first figure added being 1) have shifted by
    about `size` with standard error `error`, in units of the shift sought."""

    onset: int
    size: float
    error: float


class _Side:
    """One side of the chart: the log-likelihood ratio of the best onset, and what it rests on."""

    __slots__ = ("onset", "score", "seen", "weight")

    def __init__(self) -> None:
        self.score, self.onset, self.seen, self.weight = NOT_STARTED, 0, 0.0, 0.0

    def add(self, z: float, first: float, later: float, number: int, chart: "Cusum") -> None:
        g, f = chart.shift * later, chart.shift * first
        going_on = self.score + g * min(z, chart.z_max) - 0.5 * g * g
        beginning = min(f * z - 0.5 * f * f, chart.first_most)
        if beginning >= going_on:
            self.score, self.onset, self.seen, self.weight = beginning, number, first * z, first * first
        else:
            self.score = going_on
            self.seen += later * z
            self.weight += later * later


class Cusum:
    """Two-sided CUSUM of log-likelihood ratios for a lasting shift, of given size, in standardised residuals.

    Page's chart: at each figure the ratio of the best onset so far either goes on, or the shift is taken to begin
    here, whichever is likelier. In a whitened AR(1) series a shift of the level shows whole in its first residual and
    by 1 − φ in the later ones, so each residual comes with what a shift of one unit shows in it: `first` where it
    begins, `later` after that. With `first = later = 1` (a series without memory) this *is* the tabular CUSUM with
    k = shift/2 and h = threshold/shift: see `tabular`, `high`, `low`.

    The mean run between false signals of each side is at least e^threshold (Lorden 1971). `first_most` bounds what the
    first residual alone may contribute, and `z_max` how far a later one may stand out and still count for a shift that
    began before it: with both set, a single median of any size makes no step.
    """

    def __init__(
        self,
        shift: float,
        threshold: float,
        first_most: float = math.inf,
        z_max: float = math.inf,
        target: float = 0.0,
    ) -> None:
        if not shift > 0 or not threshold > 0:
            raise ValueError("shift and threshold must be above zero")
        self.shift = shift
        self.threshold = threshold
        self.first_most = first_most
        self.z_max = z_max
        self.target = target
        self.reset()

    @classmethod
    def tabular(cls, target: float, k: float, h: float) -> "Cusum":
        """The textbook chart of figures about `target`; `k` and `h` in the figures' units (standard deviation 1)."""
        return cls(2 * k, 2 * k * h, target=target)

    def reset(self) -> None:
        """Begin again, without head start."""
        self.number = 0
        self._up, self._down = _Side(), _Side()

    @property
    def high(self) -> float:
        """The tabular upper sum."""
        return max(self._up.score, 0.0) / self.shift

    @property
    def low(self) -> float:
        """The tabular lower sum."""
        return max(self._down.score, 0.0) / self.shift

    @property
    def onsets(self) -> tuple[int, int]:
        """The likeliest onset of a shift upwards and of one downwards."""
        return self._up.onset, self._down.onset

    def add(self, figure: float, first: float = 1.0, later: float = 1.0) -> Signal | None:
        """Take a figure; returns the signal while one side is above the threshold."""
        self.number += 1
        z = figure - self.target
        self._up.add(z, first, later, self.number, self)
        self._down.add(-z, first, later, self.number, self)
        side = self._up if self._up.score >= self._down.score else self._down
        if side.score <= self.threshold:
            return None
        size = side.seen / side.weight
        return Signal(side.onset, size if side is self._up else -size, 1.0 / math.sqrt(side.weight))

    def state(self) -> list[float]:
        """Everything but the settings, JSON-able."""
        sides = [v for s in (self._up, self._down) for v in (s.score, s.onset, s.seen, s.weight)]
        return [self.number, *sides]

    def load(self, state: list[float]) -> None:
        """Go on from `state`."""
        self.number = int(state[0])
        for side, part in ((self._up, state[1:5]), (self._down, state[5:9])):
            side.score, side.onset, side.seen, side.weight = part[0], int(part[1]), part[2], part[3]
