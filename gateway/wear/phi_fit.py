"""The fit of single medians with AR(1) noise at each φ, for the one-step predictions of the step chart."""

import math
from dataclasses import dataclass

import numpy as np

from gateway.wear.ar1_sums import Ar1Sums
from gateway.wear.regression import Factored, Floats, Solution, factored, independent, solution_of, without_first

COLUMNS = ("level", "hours", "rpm", "warmth", "load", "warmth not known", "load not known")
"""Columns of the fit. The last two carry the level while a figure is not known, and are left out otherwise."""

SCALES = (1.0, 1000.0, 10.0, 10.0, 0.1, 1.0, 1.0)
"""Units in which the columns are summed, so that all are of the order of one."""

RESOLUTION = (0.05, 0.05, 0.0005)
"""rpm, °C, load: a regressor whose standard deviation stays below this is constant, and is left out."""

PHI_MAX = 0.999

SPARE_MIN = 3
"""Residual degrees of freedom below which nothing is fitted."""

_COARSE = np.linspace(0.0, math.atanh(PHI_MAX), 24)
_FINE = np.linspace(0.0, 1.0, 33)


@dataclass(frozen=True, slots=True)
class PhiFit:
    """Fits at G values of φ, and their weights, which sum to 1. `spare`: residual degrees of freedom."""

    phis: Floats
    weight: Floats
    found: Factored
    spare: int
    kept: list[bool]

    @property
    def solution(self) -> Solution:
        """Solved at each φ."""
        return solution_of(self.found, self.kept)

    def likeliest(self) -> tuple[float, Solution]:
        """The φ of the greatest weight, and the fit there alone: a stack of one."""
        best = int(np.argmax(self.weight))
        return float(self.phis[best]), solution_of(self.found.at(best), self.kept)


def fit_over_phi(segments: list[Ar1Sums]) -> PhiFit | None:
    """The fit of levels with a common slope, the last one the present; `None` where there is too little to fit."""
    kept = _choose(segments)
    levels_before = sum(s.rows > 0 for s in segments[:-1])
    spare = sum(s.rows for s in segments) - sum(kept) - levels_before
    if spare < SPARE_MIN:
        return None
    z = _COARSE
    for _ in range(4):
        log_like, found = _likelihood(segments, np.tanh(z), kept, spare)
        inside = np.flatnonzero(log_like > log_like.max() - 12.0)
        if len(inside) >= 12 and z is not _COARSE:
            break
        low, high = z[max(inside[0] - 1, 0)], z[min(inside[-1] + 1, len(z) - 1)]
        z = low + (high - low) * _FINE
    phis = np.tanh(z)
    weight = np.exp(log_like - log_like.max()) * (1 - phis * phis)
    return PhiFit(phis, weight / weight.sum(), found, spare, kept)


def _likelihood(segments: list[Ar1Sums], phis: Floats, kept: list[bool], spare: int) -> tuple[Floats, Factored]:
    """Restricted log-likelihood float[G] at each φ, the noise's variance fitted (Harville 1974), and the fits there."""
    total, logs = segments[-1].grams(phis)
    for segment in segments[:-1]:
        if segment.rows:
            grams, log_noise = segment.grams(phis)
            rest, log_level = without_first(grams)
            total, logs = total + rest, logs + log_noise + log_level
    found = factored(total, kept)
    return -0.5 * (spare * np.log(found.rss) + found.logdet + logs), found


def _choose(segments: list[Ar1Sums]) -> list[bool]:
    """The columns to keep.

    Rule: left out is a regressor that is never known, that is constant (standard deviation below its resolution), or
    that follows from the columns before it (see `regression.independent`).
    """
    no_memory = np.zeros(1)
    *before, present = [s.grams(no_memory)[0] for s in segments if s.rows or s is segments[-1]]
    plain = sum(before, present)[0]
    whole = present
    for grams in before:
        whole = whole + without_first(grams)[0]
    normal = whole[0][:-1, :-1].copy()
    for column in _constant(plain):
        normal[column, :] = normal[:, column] = 0.0
    return independent(normal)


def _constant(plain: Floats) -> list[int]:
    n = plain[0, 0]
    constant: list[int] = []
    for column, unknown, resolution in zip((2, 3, 4), (None, 5, 6), RESOLUTION, strict=True):
        known = n - (plain[unknown, 0] if unknown is not None else 0.0)
        if known < 0.5:
            constant.append(column)
            continue
        mean = float(plain[column, 0] / known)
        if math.sqrt(max(plain[column, column] / known - mean * mean, 0.0)) * SCALES[column] < resolution:
            constant.append(column)
    return constant
