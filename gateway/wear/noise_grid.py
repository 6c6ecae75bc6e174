"""The grid of noise models that the drift fit averages over.

The noise of a row (the mean of six running hours) is σ²·(OU(τ) + w·I + q·K_P): weather that wanders with memory τ,
white noise w of each row, and the nearly periodic shift between laden and ballast legs,

    K_P(h) = exp(−h / 1.43 P)·cos(2πh / P),

the covariance of a damped oscillation of period P. Memory and periods are in hours, variances in units of the
weather's. The state of a model has three parts (weather, oscillation, its quadrature), so that any gap is exact.
"""

from dataclasses import dataclass
from functools import lru_cache
from itertools import product

import numpy as np

from gateway.wear.regression import Floats

MEMORIES_H = (3.0, 12.0, 48.0, 192.0, 768.0)
WHITES = (0.0, 0.1, 1.0, 10.0, 100.0)
PERIODS_H = (420.0, 840.0, 1500.0)
LEGS = (0.1, 1.0, 10.0, 30.0)
"""Variance of the legs in units of the weather's, where there are legs."""

MEMORY_ODDS = (1.0, 1.0, 1.0, 0.4, 0.1)
"""Prior odds of the memories: weather wanders over one to three days, what lasts for weeks are legs and the season."""

LEGS_ODDS = (0.3, 1.0, 1.0, 1.0)
NO_LEGS = 0.08
"""Prior probability that there are no legs: few ships sail in one loading condition."""

DAMPING = 1.43
"""Memory of the oscillation in periods: the length of a leg differs from leg to leg."""


@dataclass(frozen=True, slots=True)
class NoiseGrid:
    """G models, each an entry of float[G]: memory τ and period P in hours, variances w and q, prior probability."""

    memory_h: Floats
    white: Floats
    period_h: Floats
    legs: Floats
    prior: Floats

    def stationary(self) -> Floats:
        """Covariance float[G, 3, 3] of the state while no row has been seen."""
        out = np.zeros((len(self.prior), 3, 3))
        out[:, 0, 0] = 1.0
        out[:, 1, 1] = out[:, 2, 2] = self.legs
        return out

    def transition(self, elapsed_h: float) -> tuple[Floats, Floats]:
        """The state's matrix and added covariance over a gap, each float[G, 3, 3]. Raises ValueError below zero."""
        if not elapsed_h >= 0:
            raise ValueError(f"a gap cannot be below zero: {elapsed_h} h")
        keep = np.exp(-elapsed_h / self.memory_h)
        swing = np.exp(-elapsed_h / (DAMPING * self.period_h))
        angle = 2 * np.pi * elapsed_h / self.period_h
        move, added = np.zeros((2, len(self.prior), 3, 3))
        move[:, 0, 0] = keep
        move[:, 1, 1] = move[:, 2, 2] = swing * np.cos(angle)
        move[:, 2, 1] = swing * np.sin(angle)
        move[:, 1, 2] = -move[:, 2, 1]
        added[:, 0, 0] = -np.expm1(-2 * elapsed_h / self.memory_h)
        added[:, 1, 1] = added[:, 2, 2] = -self.legs * np.expm1(-2 * elapsed_h / (DAMPING * self.period_h))
        return move, added


@lru_cache(maxsize=1)
def noise_grid() -> NoiseGrid:
    """The 325 models of the drift fit: 25 without legs, 300 with."""
    without = [(m, w, PERIODS_H[0], 0.0) for m, w in product(MEMORIES_H, WHITES)]
    with_legs = list(product(MEMORIES_H, WHITES, PERIODS_H, LEGS))
    memory_h, white, period_h, legs = np.ascontiguousarray(np.array(without + with_legs).T)
    odds = np.array([MEMORY_ODDS[MEMORIES_H.index(m)] for m in memory_h])
    odds *= [LEGS_ODDS[LEGS.index(q)] if q else 1.0 for q in legs]
    odds *= np.where(legs > 0, (1 - NO_LEGS) / odds[legs > 0].sum(), NO_LEGS / odds[legs == 0].sum())
    return NoiseGrid(memory_h, white, period_h, legs, odds)
