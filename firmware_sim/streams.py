"""Random numbers of a seed: one stream for each purpose, so that a new one moves none of the others."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
MOTION, DRIVE, NOISE, FAULT, SLAP, HEALTH = range(6)
WEATHER, WHITE, SPRING, MONTHS, LINKS, STORM, CONTACT, CLOCK, LOOSE, SHAKE, TEETH = range(10, 21)
Streams = Callable[[int], np.random.Generator]


def random_stream(seed: int, number: int) -> np.random.Generator:
    """Stream `number` of a seed; streams do not move one another."""
    return np.random.Generator(np.random.PCG64([seed, number]))


def streams_of(seed: int) -> Streams:
    """The streams of one seed, each from its beginning."""
    return lambda number: random_stream(seed, number)
