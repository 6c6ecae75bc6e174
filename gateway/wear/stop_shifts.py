"""Small shifts over a stop, judged with what this ship's legs and warmth have done before; and drift or step?

A ship that has changed from laden to ballast in port runs with another lag, by some hundredths of a degree, and so
does one that was cold. Such a shift is no happening at the drive. How large they are is learned from the ship's own
stops: shifts are taken as normal with an unknown standard deviation (scaled inverse chi-squared), so that the next one
has Student's t (Gelman et al., *Bayesian Data Analysis*, section 3.2 with a known mean).
"""

import math
from collections import deque
from collections.abc import Sequence

import numpy as np

from gateway.wear.regression import Floats
from gateway.wear.student import quantile

SHIFTS_MAX = 40
"""Stops remembered: what a ship did years ago, in another trade, is forgotten."""

PRIOR_STOPS = 20.0
"""The usual size of a shift, which the settings give, weighs as much as so many stops."""

FALSE_SHARE = 0.001
"""One stop in a thousand may be called a step that is none."""


class StopShifts:
    """Shifts of one series over its stops. `usual`: their usual standard deviation, in degrees or mm."""

    def __init__(self, usual: float) -> None:
        if not usual > 0:
            raise ValueError("the usual shift must be above zero")
        self.usual = usual
        self._shifts: deque[float] = deque(maxlen=SHIFTS_MAX)

    def learn(self, shift: float) -> None:
        """Remember a shift over a stop that no work and no step explains."""
        self._shifts.append(shift)

    @property
    def bound(self) -> float:
        """The size beyond which a shift over a stop is a step, whatever legs and warmth do."""
        dof = PRIOR_STOPS + len(self._shifts)
        square = (PRIOR_STOPS * self.usual**2 + sum(s * s for s in self._shifts)) / dof
        return quantile(1 - FALSE_SHARE / 2, dof) * math.sqrt(square)

    def is_step(self, shift: float, error: float = 0.0) -> bool:
        """Is a shift over a stop, known to within `error` (standard), more than legs and warmth do?"""
        return abs(shift) - 2 * error > self.bound

    def state(self) -> list[float]:
        """Everything but the settings, JSON-able."""
        return list(self._shifts)

    def load(self, state: Sequence[float]) -> None:
        """Go on from `state`."""
        self._shifts = deque(state, maxlen=SHIFTS_MAX)


def step_over_ramp(hours: Floats, offsets: Floats, phi: float, onset: int) -> float:
    """How much likelier a step at `onset` is than a drift that began anywhere, natural logarithm.

    `hours`: float[N], running hours of the newest medians. `offsets`: float[N], how far each lies from the line known
    before. `phi`: the noise's correlation from one median to the next. Both rivals have one size, fitted by
    generalised least squares in AR(1) noise; the drift may begin at any median before the last three. Raises
    ValueError for fewer than eight medians.
    """
    n = len(offsets)
    if n < 8:
        raise ValueError(f"a step and a drift cannot be distinguished by {n} medians")
    numbers = np.arange(n)
    step = (numbers >= onset).astype(float)
    ramps = np.maximum(hours - hours[: n - 3, None], 0.0)
    level = np.ones(n)
    base = _left_over(level[None, :], offsets, phi)
    rest = [min(float(_left_over(np.stack((level, r)), offsets, phi)), float(base)) for r in (step, *ramps)]
    return 0.5 * n * math.log(max(min(rest[1:]), 1e-300) / max(rest[0], 1e-300))


def _left_over(columns: Floats, figures: Floats, phi: float) -> float:
    """Residual sum of squares of `figures` on `columns` float[p, N], whitened."""
    rows = np.vstack((columns, figures))
    white = np.hstack((math.sqrt(1 - phi * phi) * rows[:, :1], rows[:, 1:] - phi * rows[:, :-1])).T
    solution = np.linalg.lstsq(white[:, :-1], white[:, -1], rcond=None)[0]
    rest = white[:, -1] - white[:, :-1] @ solution
    return float(rest @ rest)
