"""Slow disturbances with a memory: what weather, seaway and oil do to the drive and no sensor explains."""

from __future__ import annotations

import math

import numpy as np

from firmware_sim.streams import Floats

BLOCK = 4_096
STEPS_A_MEMORY = 24
STEPS_MAX = 4_000_000


class Wander:
    """A stationary Gaussian course whose correlation falls by e within `memory_s`; zero where `sd` is zero.

    The course is drawn in blocks as far as it is asked for, always from the start, so that what it is at a time does
    not depend on who asked before. Between its points it is a straight line.
    """

    def __init__(self, rng: np.random.Generator, sd: float, memory_s: float) -> None:
        self._rng, self._sd = rng, sd
        self._step_s = memory_s / STEPS_A_MEMORY
        self._keep = math.exp(-1 / STEPS_A_MEMORY)
        self._course: Floats = np.array([sd * rng.standard_normal()])

    def at(self, t: Floats) -> Floats | float:
        """The course at each time, s since the start."""
        if self._sd == 0:
            return 0.0
        place = t / self._step_s
        self._draw_to(float(place.max()) + 2)
        return np.asarray(np.interp(place, np.arange(len(self._course)), self._course))

    def _draw_to(self, last: float) -> None:
        while len(self._course) < min(last, STEPS_MAX):
            self._course = np.concatenate([self._course, self._block(float(self._course[-1]))])

    def _block(self, value: float) -> Floats:
        shocks = self._rng.standard_normal(BLOCK) * (self._sd * math.sqrt(1 - self._keep**2))
        out = np.empty(BLOCK)
        for i, shock in enumerate(shocks.tolist()):
            value = out[i] = self._keep * value + shock
        return out
