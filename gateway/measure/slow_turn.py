"""The lag while the engine stands or is turned slowly: free of the encoders' eccentric mounting, at any angle.

At sea the mean over a whole turn cancels what is off centre. By hand there is no such mean at each instant, so a whole
turn on the turning gear is averaged once, in equal steps of crank angle; what each step shows beyond that turn's mean
is the mounting, and is taken off what is read there. So the lag can be followed while the camshaft is turned against
the crank, and not only a turn later.
"""

from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

TURN = 65_536
STEPS_PER_TURN = 64
WIDTH = TURN // STEPS_PER_TURN
SAME_COUNTS = 7.0
"""0.04°: a step that reads so much else than a turn ago was read before the camshaft was moved."""
NOW_US = 1_000_000


@dataclass(frozen=True, slots=True)
class WholeTurn:
    """The last whole turn in which nothing moved: its mean lag before any zero, in counts, and when it ended.

    `way`: +1 turned ahead, −1 astern.
    """

    lag: float
    t_us: int
    way: int = 1


class SlowTurn:
    """Feed it each frame's mean angle and lag, in counts, while the engine stands or is on the turning gear."""

    def __init__(self, ratio: int) -> None:
        self._ratio = ratio
        self._n = STEPS_PER_TURN * ratio
        self.taken = False
        """Has anything been taken since it had to forget?"""
        self.turn: WholeTurn | None = None
        self._mounting: NDArray[np.float64] | None = None
        self._values = np.zeros(self._n)
        self._now: deque[tuple[int, float, float]] = deque(maxlen=256)
        self._begin_run(0)
        self._last: tuple[float, float] | None = None

    def _begin_run(self, direction: int) -> None:
        self._direction, self._known = direction, 0
        self._integral: float | None = None

    def forget(self) -> None:
        """The engine has run: what comes next is another standstill."""
        if self.taken:
            self.broke()
            self.turn = self._mounting = None
            self.taken = False

    def broke(self) -> None:
        """Samples are missing: no turn is joined across."""
        self._begin_run(0)
        self._last = None
        self._now.clear()
        if self._ratio != 1:
            # Which of the crank's two turns comes next is not known any more.
            self._mounting = None

    def add(self, t_us: int, crank: float, lag: float) -> None:
        """One frame: its end, and its mean angle and lag in counts, unwrapped."""
        self.taken = True
        self._now.append((t_us, crank, lag))
        while t_us - self._now[0][0] > NOW_US:
            self._now.popleft()
        if self._last is None:
            self._last, self._edge = (crank, lag), int(crank // WIDTH)
            return
        self._walk(t_us, crank, lag)

    def lag_now(self) -> float | None:
        """The present lag in counts without the mounting's part; `None` before a whole turn."""
        if self._mounting is None or not self._now:
            return None
        crank = np.array([c for _, c, _ in self._now])
        lag = np.array([x for _, _, x in self._now])
        at = crank / WIDTH - 0.5
        low = np.floor(at).astype(np.int64)
        part = at - low
        off = self._mounting[low % self._n] * (1 - part) + self._mounting[(low + 1) % self._n] * part
        return float((lag - off).mean())

    def crank_now(self) -> float | None:
        """The last frame's mean crank angle in counts; `None` before one."""
        return self._now[-1][1] if self._now else None

    def first_order(self) -> float | None:
        """Amplitude of what is off centre once a crank turn, in counts; `None` before a whole turn."""
        if self._mounting is None:
            return None
        # Over two turns of a four-stroke the crank's first order is the second of the cycle.
        return float(abs(np.fft.rfft(self._mounting)[self._ratio]) * 2 / self._n)

    def _walk(self, t_us: int, crank: float, lag: float) -> None:
        """Carry the integral of the lag over the angle on to `crank`; `_edge`: the step's edge that was passed last."""
        assert self._last is not None
        while True:
            c0, l0 = self._last
            border = self._border(crank)
            if border is None:
                break
            at_border = l0 + (lag - l0) * (border - c0) / (crank - c0) if crank != c0 else lag
            self._carry(border, at_border)
            self._passed(t_us, 1 if border > self._edge * WIDTH else -1)
            self._edge = round(border / WIDTH)
            self._integral = 0.0
            self._last = (border, at_border)
        self._carry(crank, lag)
        self._last = (crank, lag)

    def _border(self, crank: float) -> float | None:
        """The next edge of a step on the way to `crank`; turning back by less than a step is no way."""
        if crank >= (self._edge + 1) * WIDTH:
            return float((self._edge + 1) * WIDTH)
        if crank <= (self._edge - 1) * WIDTH:
            return float((self._edge - 1) * WIDTH)
        return None

    def _carry(self, crank: float, lag: float) -> None:
        if self._integral is not None and self._last is not None:
            self._integral += (self._last[1] + lag) / 2 * (crank - self._last[0])

    def _passed(self, t_us: int, direction: int) -> None:
        if direction != self._direction:
            self._begin_run(direction)
            return
        if self._integral is None:
            return
        step = (self._edge if direction > 0 else self._edge - 1) % self._n
        value = self._integral / (direction * WIDTH)
        if self._known >= self._n:
            if abs(value - self._values[step]) > SAME_COUNTS:
                self._known = 0
            else:
                # The mean and what is off it are of one turn: nothing has moved since its first step.
                mean = float(self._values.mean())
                self.turn, self._mounting = WholeTurn(mean, t_us, direction), self._values - mean
        self._values[step] = value
        self._known += 1
