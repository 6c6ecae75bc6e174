"""Least squares from sums of products: the core under the drift fit.

The sums are kept about a reference point near the data and are scaled to a unit diagonal before the Cholesky
factor is taken, so that what is squared is the conditioning of the shape of the data, not of its units or its place.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

COLLINEAR = 1e-9
"""A column of which less than this share is left once the columns before it are taken out is left out itself."""

SIGMA_MIN = 1e-4
"""Degrees or mm, far below any resolution: a series that never moves must not make every change infinite."""

PERFECT = 1e-15
"""Residual share below which rounding, not misfit, is what is left."""


@dataclass(frozen=True, slots=True)
class Solution:
    """Solutions of a stack of G problems with p columns; what was left out has coefficient and spread zero.

    `coef`: float[G, p]. `inverse`: float[G, p, p], times the residual variance gives the covariance.
    `rss`: float[G], residual sum of squares. `logdet`: float[G], of the normal matrix of the columns kept.
    """

    coef: Floats
    inverse: Floats
    rss: Floats
    logdet: Floats
    rank: int


class Factored(NamedTuple):
    """A stack of G problems up to their likelihood, k columns kept: all that a search needs, for half the work.

    `unroot`: float[G, k, k], the inverse of the normal matrix's Cholesky factor. `along`: float[G, k], what is
    explained in its terms. `rss`, `logdet`: as in `Solution`.
    """

    unroot: Floats
    along: Floats
    rss: Floats
    logdet: Floats

    def at(self, place: int) -> "Factored":
        """One of them: a stack of one."""
        return Factored(*(part[place : place + 1] for part in self))


def gram(rows: Floats) -> Floats:
    """Sums of products float[q, q] of rows float[N, q], whose last column is what is to be explained."""
    out: Floats = rows.T @ rows
    return out


def independent(normal: Floats, tolerance: float = COLLINEAR) -> list[bool]:
    """Which columns of a normal matrix float[p, p] stand on their own, judged in their order.

    Rule: a column is kept when more than `tolerance` of its sum of squares is left after the kept ones before it.
    """
    rest = normal.copy()
    kept: list[bool] = []
    for j in range(len(rest)):
        good = bool(rest[j, j] > tolerance * normal[j, j])
        kept.append(good)
        if good:
            rest -= np.outer(rest[:, j], rest[j] / rest[j, j])
    return kept


def solve(grams: Floats, keep: list[bool]) -> Solution:
    """Solve a stack float[G, q, q] of sums of products for the columns kept; column q−1 is what is explained.

    Raises numpy.linalg.LinAlgError where a kept column is not independent (see `independent`).
    """
    return solution_of(factored(grams, keep), keep)


def solution_of(found: Factored, keep: list[bool]) -> Solution:
    """The solutions from their factors, taken with the same `keep`."""
    idx, p = np.flatnonzero(np.asarray(keep)), len(keep)
    coef = np.zeros((len(found.rss), p))
    coef[:, idx] = (found.along[:, None, :] @ found.unroot)[:, 0, :]
    inverse = np.zeros((len(found.rss), p, p))
    inverse[:, idx[:, None], idx] = found.unroot.transpose(0, 2, 1) @ found.unroot
    return Solution(coef, inverse, found.rss, found.logdet, len(idx))


def factored(grams: Floats, keep: list[bool]) -> Factored:
    """The first half of `solve`."""
    part = grams[:, [*keep, True]][:, :, [*keep, True]]
    normal, total = part[:, :-1, :-1], part[:, -1, -1]
    scale = 1.0 / np.sqrt(np.diagonal(normal, axis1=1, axis2=2))
    root = np.linalg.cholesky(normal * scale[:, :, None] * scale[:, None, :])
    unroot = np.linalg.inv(root) * scale[:, None, :]
    along = (unroot @ part[:, :-1, -1:])[:, :, 0]
    logdet = 2 * np.log(np.diagonal(root, axis1=1, axis2=2) / scale).sum(axis=1)
    rss = np.maximum(total - (along * along).sum(axis=1), PERFECT * total + np.finfo(float).tiny)
    return Factored(unroot, along, rss, logdet)


def without_first(grams: Floats) -> tuple[Floats, Floats]:
    """A stack of sums with column 0 fitted and taken out, and the logarithms float[G] of what it held.

    Leaving a level free and unspoken of is the same as giving it a column of its own: the other columns keep
    exactly what they know beside it.
    """
    pivot = grams[:, 0, 0]
    rest = grams - grams[:, :, :1] * (grams[:, :1, :] / pivot[:, None, None])
    rest[:, 0, :] = 0.0
    rest[:, :, 0] = 0.0
    return rest, np.log(pivot)
