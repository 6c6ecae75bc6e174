"""A small shift of the lag from one moment to the next: less than a jump, and no chart of medians has seen it yet.

Weather, load, warmth and wear move the lag over hours. A coupling or an encoder's disc that slips by a line moves it
between two revolutions, and it stays. So the level of a few revolutions is compared with that of a few just before,
at like speed, by what this ship's levels have differed so far. What is found calls nobody; the lag is not good, until
it has come back by itself or a person has taken the zero.
"""

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import NamedTuple

from gateway.measure.smoothing import median
from gateway.model.records import Cycle

BLOCK, BLOCK_IN_BURSTS, LEAST = 10, 16, 4
"""Revolutions of a level: ten are three times round the chain; a burst of eight seconds is one level."""
PAUSE_S = 3.0
REFERENCES = 3
"""Levels before the last one: the last may hold the shift itself. One is taken, which speed and warmth explain least.
"""
APART_S, APART = 600.0, 4.5
"""A reference is no older than ten minutes, or than so many usual distances of two levels."""
FLOOR_DEG = 0.06
"""Less is nothing that a line of 0.1 deg can do, and is what one storm in many does."""
SIGMAS = 6.0
USUAL_DEG = 0.0125
"""Standard deviation between two levels until this ship's own is known; from memory."""
LEARNED_FROM, REMEMBERED = 12, 60
PER_RPM_DEG = 0.005
"""Twist by another speed: 0.001 to 0.0045 deg a rpm in the simulated sea; more is allowed for."""
WARMING_DEG_PER_S, WARMING_S = 0.04 / 3_600, 4 * 3_600.0
"""After a stop the chain warms ahead of the frame: 10 K an hour at most (from memory), 0.0042 deg a kelvin
(handbook)."""
BACK, BACK_WITHIN_S, BACK_SHARE, BACK_RPM = 2, 24 * 3_600.0, 1 / 3, 3.0
"""So many levels in a row at the old place, to within this share of the shift, at the old speed, end the doubt. Later
than a day weather and wear might have led there."""
SURE_FROM = 4
"""Levels after it for the size; more would take in what weather does meanwhile."""


class Level(NamedTuple):
    """Median lag of some revolutions in a row, degrees without zero; the mean of their speeds; when."""

    t_s: float
    rpm: float
    deg: float


@dataclass(frozen=True, slots=True)
class Shift:
    """What is seen. `size` in degrees with its standard error; `since_s`: pipeline time of the first level after it.
    `before`: the level that it left; `after`: the mean of `n_after` levels since; `back`: levels in a row that are at
    the old place."""

    since_s: float
    before: Level
    size: float
    error: float
    after: float
    n_after: int = 0
    back: int = 0


class SuddenShift:
    """Feed it each revolution of steady running ahead. `shift`: the one that stands, `None` where none does."""

    def __init__(self, *, bursts: bool) -> None:
        self._bursts = bursts
        self._per_level = BLOCK_IN_BURSTS if bursts else BLOCK
        self._revolutions: list[tuple[float, float, float]] = []
        self._levels: deque[Level] = deque(maxlen=REFERENCES + 2)
        self._differences: deque[float] = deque(maxlen=REMEMBERED)
        self._distances: deque[float] = deque(maxlen=REMEMBERED)
        self._warm_s = 0.0
        self._cold = True
        self.shift: Shift | None = None

    @property
    def text(self) -> str:
        """Why the lag is not to be called good; empty where it is."""
        if self.shift is None:
            return ""
        size = f"{self.shift.size:+.2f}° (±{max(0.01, 2 * self.shift.error):.2f}°)"
        return (
            f"the lag shifted by {size} within a moment and has not come back: coupling or encoder slipped. Compare "
            "the pin gauge, then take the zero"
        )

    def revolution(self, c: Cycle) -> None:
        """Take a steady revolution; one without a lag counts for nothing."""
        if c.raw_deg is None:
            return
        t_s = c.t_us / 1e6
        if self._cold:
            self._cold, self._warm_s = False, t_s + WARMING_S
        if self._revolutions and (
            t_s - c.duration_s - self._revolutions[-1][0] > PAUSE_S or len(self._revolutions) >= self._per_level
        ):
            self._end_level()
        self._revolutions.append((t_s, c.rpm, c.raw_deg))
        # What a burst shows is wanted before the pause, not after it.
        if self._bursts and len(self._revolutions) >= LEAST and self.shift is None:
            self._look(_level(self._revolutions))

    def begin_again(self, *, warm: bool) -> None:
        """Steady running was interrupted: no level is compared over it. `warm`: only the speed was changed."""
        self._revolutions.clear()
        self._levels.clear()
        self._cold = self._cold or not warm

    def rebase(self) -> None:
        """The zero was taken, or the drive was set."""
        self.begin_again(warm=True)
        self.shift = None

    def jumped(self, size: float) -> None:
        """A jump was found, which stands for itself: no small shift was what began with it."""
        self.begin_again(warm=True)
        s = self.shift
        if s is not None:
            old = s.before
            self.shift = None if s.n_after <= 2 else replace(s, before=old._replace(deg=old.deg + size))

    def _end_level(self) -> None:
        revolutions, self._revolutions = self._revolutions, []
        if len(revolutions) < LEAST:
            return
        level = _level(revolutions)
        if self.shift is None:
            self._learn(level)
            self._look(level)
        if self.shift is not None:
            self._follow(level, self.shift)
        self._levels.append(level)

    def _learn(self, level: Level) -> None:
        if not self._levels:
            return
        self._distances.append(level.t_s - self._levels[-1].t_s)
        reference = self._reference(level)
        if reference is not None:
            slow = self._allowance(reference, level)
            self._differences.append(max(0.0, abs(level.deg - reference.deg) - slow))

    def _look(self, level: Level) -> None:
        reference = self._reference(level)
        if reference is None:
            return
        size = level.deg - reference.deg
        if abs(size) < self.bound_deg + self._allowance(reference, level):
            return
        before = list(self._levels)[:-1]
        mean = sum(x.deg for x in before) / len(before)
        rpm = sum(x.rpm for x in before) / len(before)
        self.shift = Shift(level.t_s, Level(before[-1].t_s, rpm, mean), size, self._sigma, level.deg)
        self._levels.clear()

    def _reference(self, level: Level) -> Level | None:
        """Of the levels before the last one that are not too old, that from which speed and warmth do least."""
        usual_s = median(self._distances) if self._distances else 0.0
        oldest_s = level.t_s - max(APART_S, APART * usual_s)
        near = [x for x in list(self._levels)[:-1] if x.t_s >= oldest_s]
        return min(near, key=lambda x: self._allowance(x, level), default=None)

    def _allowance(self, a: Level, b: Level) -> float:
        """What another speed, and the warming after a stop, may do between two levels, degrees."""
        warming = WARMING_DEG_PER_S * (b.t_s - a.t_s) if b.t_s < self._warm_s else 0.0
        return PER_RPM_DEG * abs(b.rpm - a.rpm) + warming

    @property
    def _sigma(self) -> float:
        """Standard deviation between two levels."""
        if len(self._differences) < LEARNED_FROM:
            return USUAL_DEG
        return 1.4826 * median(self._differences)

    @property
    def bound_deg(self) -> float:
        """The difference beyond which a shift is seen, at like speed in a warm drive."""
        return max(FLOOR_DEG, SIGMAS * self._sigma)

    def _follow(self, level: Level, s: Shift) -> None:
        """The next level after the shift: has it come back? Else its size is known better with each of the first."""
        as_before = abs(level.rpm - s.before.rpm) <= BACK_RPM and level.t_s - s.since_s < BACK_WITHIN_S
        if as_before and abs(level.deg - s.before.deg) < BACK_SHARE * abs(s.size):
            if s.back + 1 < BACK:
                self.shift = replace(s, back=s.back + 1)
            else:
                self.shift = None
                # Those of the other place are no reference.
                self._levels = deque(list(self._levels)[1 - BACK :], maxlen=self._levels.maxlen)
            return
        s = replace(s, back=0)
        if s.n_after < SURE_FROM:
            n = s.n_after + 1
            after = s.after + (level.deg - s.after) / n
            # Never finer than two levels differ: weather goes on meanwhile, and the speeds are not the same.
            error = self._sigma + PER_RPM_DEG / 2 * abs(level.rpm - s.before.rpm)
            s = replace(s, after=after, n_after=n, size=after - s.before.deg, error=error)
        self.shift = s

    def state(self) -> dict[str, object]:
        """What a restart needs, JSON-able."""
        s = self.shift
        return {
            "levels": [list(x) for x in self._levels],
            "differences": list(self._differences),
            "distances": list(self._distances),
            "warm_s": self._warm_s,
            "cold": self._cold,
            "shift": None if s is None else [s.since_s, list(s.before), s.size, s.error, s.after, s.n_after, s.back],
        }

    def load(self, state: dict[str, object]) -> None:
        """Go on from `state`."""
        self._revolutions.clear()
        self._levels = deque((Level(*x) for x in _rows(state["levels"])), maxlen=REFERENCES + 2)
        self._differences = deque(_floats(state["differences"]), maxlen=REMEMBERED)
        self._distances = deque(_floats(state["distances"]), maxlen=REMEMBERED)
        self._warm_s, self._cold = float(str(state["warm_s"])), bool(state["cold"])
        kept = state["shift"]
        self.shift = None
        if isinstance(kept, list):
            since_s, before, size, error, after, n_after, back = kept
            self.shift = Shift(since_s, Level(*before), size, error, after, n_after, back)


def _level(revolutions: list[tuple[float, float, float]]) -> Level:
    t, rpm, deg = zip(*revolutions, strict=True)
    return Level(t[-1], sum(rpm) / len(rpm), median(deg))


def _rows(kept: object) -> Iterable[list[float]]:
    if not isinstance(kept, list):  # no assertion: those are gone under -OO
        raise TypeError("sudden: not what was kept")
    return [_floats(row) for row in kept]


def _floats(kept: object) -> list[float]:
    if not isinstance(kept, list):
        raise TypeError("sudden: not what was kept")
    return [float(x) for x in kept]
