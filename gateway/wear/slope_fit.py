"""The drift fit over the grid of noise models: Student mixtures of level, slope and coefficients, with a season floor.

Each model's fit is weighted by its prior and its restricted likelihood (Harville 1974), so that the ranges carry what
is not known of the noise. A yearly season cannot be distinguished from wear within months: its amplitude is a setting,
and what a season of that size and of any phase does to each coefficient is added to the covariance.
"""

import math
from dataclasses import dataclass

import numpy as np

from gateway.wear.regression import SIGMA_MIN, Floats, independent, solve
from gateway.wear.row_filter import LEVEL, RowFilter
from gateway.wear.student import quantile

SPARE_MIN = 3
"""Residual degrees of freedom below which nothing is fitted."""

NEGLIGIBLE = 1e-3
"""Models of less weight than this together with all lighter ones do not enter a quantile."""

HALVINGS = 20
"""A quantile lies between the models' own ones; so many halvings find it to a millionth of what lies between."""


@dataclass(frozen=True, slots=True)
class SlopeFit:
    """Fits under G models. `weight`: float[G], sum 1. `coef`: float[G, p], `cov`: float[G, p, p], of all p columns.

    `scale`: float[G], σ² of each model.

    `dof`: residual degrees of freedom, the same for all models. `kept`: bool[p]; what is left out has zeros.
    """

    weight: Floats
    coef: Floats
    cov: Floats
    scale: Floats
    dof: int
    kept: list[bool]

    def line(self, level: Floats, slope: Floats) -> tuple[Floats, Floats]:
        """Level and slope, two linear forms float[p], as one Student's t with `dof`: place float[2], scale float[2, 2].

        Each has the mixture's median and its 5–95 % range; their correlation is the mixture's (law of total variance).
        """
        forms = np.stack((level, slope))
        means = self.coef @ forms.T
        off = means - self.weight @ means
        total = np.einsum("g,gij->ij", self.weight, forms @ self.cov @ forms.T + off[:, :, None] * off[:, None, :])
        ranges = np.array([self.quantiles(form) for form in forms])
        half = (ranges[:, 2] - ranges[:, 0]) / 2 / quantile(0.95, self.dof)
        spread = np.sqrt(np.diagonal(total))
        return ranges[:, 1], total * np.outer(half / spread, half / spread)

    def quantiles(self, line: Floats, shares: tuple[float, ...] = (0.05, 0.5, 0.95)) -> list[float]:
        """Quantiles of one linear form float[p] under the mixture of Student's t."""
        heavy = np.argsort(self.weight)[::-1]
        heavy = heavy[: int(np.searchsorted(np.cumsum(self.weight[heavy]), 1 - NEGLIGIBLE)) + 1]
        means = self.coef[heavy] @ line
        scales = np.sqrt(np.einsum("i,gij,j->g", line, self.cov[heavy], line))
        weight = self.weight[heavy] / self.weight[heavy].sum()
        wanted = np.array(shares)[:, None]
        ends = means + np.array([quantile(share, self.dof) for share in shares])[:, None] * scales
        low, high = ends.min(axis=1, keepdims=True), ends.max(axis=1, keepdims=True)
        for _ in range(HALVINGS):
            middle = 0.5 * (low + high)
            below = (_shares_below((middle - means) / scales, self.dof) @ weight)[:, None]
            low, high = np.where(below < wanted, middle, low), np.where(below < wanted, high, middle)
        found: list[float] = (0.5 * (low + high))[:, 0].tolist()
        return found


def _shares_below(t: Floats, dof: float) -> Floats:
    """P(T ≤ t) of Student's t, float[...], within 0.002 from five degrees of freedom on.

    Wallace's transformation to the normal (1959), and its distribution function by Hastings' polynomial (Abramowitz &
    Stegun 26.2.17, from memory).
    """
    z = (8 * dof + 1) / (8 * dof + 3) * np.sqrt(dof * np.log1p(t * t / dof))
    u = 1.0 / (1.0 + 0.2316419 * z)
    terms = u * (0.319381530 + u * (-0.356563782 + u * (1.781477937 + u * (-1.821255978 + u * 1.330274429))))
    tail = np.exp(-0.5 * z * z) / math.sqrt(2 * math.pi) * terms
    out: Floats = np.where(t < 0, tail, 1.0 - tail)
    return out


def fit_slope(
    rows: RowFilter,
    keep: list[bool],
    season: tuple[int, ...] = (),
    season_amplitude: float = 0.0,
    models: slice = slice(None),
) -> SlopeFit | None:
    """The fit of what `rows` has filtered, under some or all of the models; `None` where there is too little.

    `keep`: the columns of regressors that may enter, in order; the column after them is the figure, and `season` are
    the columns of sine and cosine of the year. Of columns that follow from those before them none is fitted.
    """
    p = len(keep)
    sums = rows.sums()
    plain = sums.plain[:p, :p] * np.outer(keep, keep)
    kept = independent(plain)
    dof = rows.spare - sum(kept)
    if dof < SPARE_MIN or not kept[LEVEL + 1]:
        return None
    products = sums.products[models]
    solution = solve(products[:, : p + 1, : p + 1], kept)
    log_like = -0.5 * (sums.logs[models] + solution.logdet + dof * np.log(solution.rss))
    log_like += np.log(rows.grid.prior[models])
    weight = np.exp(log_like - log_like.max())
    scale = np.maximum(solution.rss / dof, SIGMA_MIN**2)
    cov = solution.inverse * scale[:, None, None]
    if season:
        moved = solution.inverse @ products[:, :p, list(season)]
        cov = cov + 0.5 * season_amplitude**2 * moved @ moved.transpose(0, 2, 1)
    return SlopeFit(weight / weight.sum(), solution.coef, cov, scale, dof, kept)


def hours_needed(hours: float, half_width: float, wanted: float) -> float:
    """Running hours still needed until a slope's half width falls to `wanted`, at the rate hours^−1.5.

    A line's slope under white noise becomes more certain at that rate; wander makes it slower, so this is a least.
    """
    if half_width <= wanted:
        return 0.0
    return hours * (math.pow(half_width / wanted, 2 / 3) - 1)
