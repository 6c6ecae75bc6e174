"""Bodies that follow the engine's warmth with a time constant, in closed form along the timetable."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np

from firmware_sim.motion import Timetable
from firmware_sim.streams import Floats


class Warming:
    """A body that follows the engine's warmth with one time constant; 0 = ambient, 1 = hot."""

    def __init__(self, timetable: Timetable, tau_s: float, reference_rpm: float, warm: bool) -> None:
        self._tau_s = tau_s
        self._timetable = timetable
        ends = np.append(timetable.at_s[1:], timetable.at_s[-1])
        middle = timetable.rpm0 + timetable.rpm_per_s * (ends - timetable.at_s) / 2
        self._target = np.clip(np.abs(middle) / reference_rpm, 0.0, 1.0)
        start = [float(self._target[0]) if warm else 0.0]
        for i, (t0, t1) in enumerate(pairwise(timetable.at_s)):
            start.append(self._target[i] + (start[i] - self._target[i]) * math.exp(-(t1 - t0) / tau_s))
        self._start = np.array(start)

    def at(self, t: Floats) -> Floats:
        """Warmth at each time."""
        i = self._timetable.piece(t)
        target = self._target[i]
        return np.asarray(target + (self._start[i] - target) * np.exp(-(t - self._timetable.at_s[i]) / self._tau_s))


def waves(t: Floats, parts: list[tuple[float, float, float]]) -> Floats:
    """Sum of amplitude·sin(angular frequency·t + phase)."""
    total = np.zeros(t.shape)
    for per_s, amplitude, phase in parts:
        total += amplitude * np.sin(per_s * t + phase)
    return total
