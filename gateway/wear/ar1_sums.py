"""What generalised least squares needs of a series with AR(1) noise, in a size that does not grow with its length.

A row v(t), after a gap of k ten-minute steps from the row before, enters with its whitened form
(v(t) − ρ·v(t−1)) / √(1 − ρ²), ρ = φ^k. Its sum of products is a polynomial in ρ whose coefficients do not depend on φ;
one set of them per length of gap serves every φ. They are kept for the difference d = v(t) − v(t−1) and the row before
p = v(t−1), since v(t) − ρ·v(t−1) = d + (1 − ρ)·p loses no digits as φ nears 1.
"""

import math
from bisect import bisect

import numpy as np
from numpy.typing import NDArray

from gateway.wear.regression import Floats

GAPS = (1, 2, 3, 4, 5, 6, 8, 10, 13, 17, 24, 36, 72, 144)
"""Gaps kept apart, in ten-minute steps; others go to the nearest, beyond the last the rows count as uncorrelated."""

UNCORRELATED = len(GAPS)
"""The place of rows with nothing before them."""

_EDGES = tuple(math.sqrt(a * b) for a, b in zip(GAPS, (*GAPS[1:], 2 * GAPS[-1] + 1), strict=True))
_GAPS = np.array([*GAPS, math.inf])


def gap_place(steps: float) -> int:
    """The place of a gap of so many ten-minute steps, at least one step."""
    return bisect(_EDGES, max(steps, 1.0))


def carry(phi: float, place: int) -> float:
    """ρ = φ^k over the gap kept at this place."""
    return 0.0 if place == UNCORRELATED else phi ** GAPS[place]


class Ar1Sums:
    """Sums of products by length of gap, for rows of q columns of which the last is what is explained."""

    def __init__(self, columns: int) -> None:
        self.columns = columns
        self.sums: Floats = np.zeros((UNCORRELATED + 1, 2 * columns, 2 * columns))
        self.counts: NDArray[np.int64] = np.zeros(UNCORRELATED + 1, np.int64)
        self._parts: tuple[NDArray[np.intp], Floats] | None = None
        """Of `grams`, as long as nothing is added."""

    @property
    def rows(self) -> int:
        """Rows summed up."""
        return int(self.counts.sum())

    def add(self, before: Floats | None, row: Floats, place: int, sign: int = 1) -> None:
        """Sum up a row float[q] after the one before it; `sign` −1 takes it out again."""
        pair = np.concatenate((row - before, before)) if before is not None else np.concatenate((row, row * 0.0))
        self.sums[place] += sign * np.outer(pair, pair)
        self.counts[place] += sign
        self._parts = None

    def grams(self, phis: Floats) -> tuple[Floats, Floats]:
        """The whitened sums float[G, q, q] for each φ in float[G], and ln |V| of the noise's correlation, float[G]."""
        q = self.columns
        used, parts = self._used_parts()
        # An infinite gap: φ to its power is nil.
        rho = phis[:, None] ** _GAPS[used]
        weight = 1.0 / (1.0 - rho * rho)
        weights = np.concatenate((weight, weight * (1 - rho), weight * (1 - rho) ** 2), axis=1)
        out = (weights @ parts).reshape(len(phis), q, q)
        return out, -(np.log(weight) @ self.counts[used])

    def _used_parts(self) -> tuple[NDArray[np.intp], Floats]:
        """The places used, and float[3·used, q²]: the sums of d·d, of d·p both ways, and of p·p for each."""
        if self._parts is None:
            q, used = self.columns, np.flatnonzero(self.counts)
            part = self.sums[used]
            cross = part[:, :q, q:]
            parts = np.concatenate((part[:, :q, :q], cross + cross.transpose(0, 2, 1), part[:, q:, q:]))
            self._parts = used, parts.reshape(len(parts), q * q)
        return self._parts

    def state(self) -> dict[str, object]:
        """JSON-able; only what is used, and one triangle of it."""
        upper = np.triu_indices(2 * self.columns)
        used = np.flatnonzero(self.counts)
        return {
            "counts": self.counts.tolist(),
            "sums": {str(i): self.sums[i][upper].tolist() for i in used},
        }

    @classmethod
    def restore(cls, columns: int, state: dict[str, object]) -> "Ar1Sums":
        """The sums as they were when `state` was taken, to the bit."""
        new = cls(columns)
        new.counts[:] = np.asarray(state["counts"])
        upper = np.triu_indices(2 * columns)
        sums = state["sums"]
        if not isinstance(sums, dict):  # no assertion: those are gone under -OO
            raise TypeError("sums: not what was kept")
        for key, values in sums.items():
            square = np.zeros((2 * columns, 2 * columns))
            square[upper] = values
            new.sums[int(key)] = square + np.triu(square, 1).T
        return new
