"""The drift fit over the grid of noise models: Student mixtures of level, slope and coefficients, with a season floor.

Each model's fit is weighted by its prior and its restricted likelihood (Harville 1974), so that the ranges carry what
is not known of the noise. A yearly season cannot be told from wear within months: its amplitude is a setting, and
what a season of that size and of any phase does to each coefficient is added to the covariance.
"""

import math
from dataclasses import dataclass

import numpy as np

from gateway.wear.regression import Floats, independent, solve
from gateway.wear.row_filter import LEVEL, RowFilter
from gateway.wear.student import quantile

SPARE_MIN = 3
"""Residual degrees of freedom below which nothing is fitted."""

NEGLIGIBLE = 1e-3
"""Models of less weight than this together with all lighter ones do not enter a quantile."""


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

    def moments(self, lines: Floats) -> tuple[Floats, Floats, float]:
        """Mean float[m], covariance scale float[m, m] and degrees of freedom of m linear forms float[m, p].

        Law of total variance over the models. The degrees of freedom are those of a variance whose logarithm is as
        uncertain as that of the last form is here: 2 ÷ (2/dof + variance of the logarithm) (Satterthwaite).
        """
        means = self.coef @ lines.T
        covs = lines @ self.cov @ lines.T
        mean = self.weight @ means
        off = means - mean
        cov = np.einsum("g,gij->ij", self.weight, covs + off[:, :, None] * off[:, None, :])
        logs = np.log(np.maximum(covs[:, -1, -1], 1e-300))
        spread = float(self.weight @ (logs - self.weight @ logs) ** 2)
        return mean, cov, 2.0 / (2.0 / self.dof + spread)

    def quantiles(self, line: Floats, shares: tuple[float, ...] = (0.05, 0.5, 0.95)) -> list[float]:
        """Quantiles of one linear form float[p] under the mixture of Student's t."""
        heavy = np.argsort(self.weight)[::-1]
        heavy = heavy[: int(np.searchsorted(np.cumsum(self.weight[heavy]), 1 - NEGLIGIBLE)) + 1]
        means = self.coef[heavy] @ line
        scales = np.sqrt(np.einsum("i,gij,j->g", line, self.cov[heavy], line))
        weight = self.weight[heavy] / self.weight[heavy].sum()
        return [_mixture_quantile(share, means, scales, weight, self.dof) for share in shares]


def _mixture_quantile(share: float, means: Floats, scales: Floats, weight: Floats, dof: float) -> float:
    ends = means + quantile(share, dof) * scales
    low, high = float(ends.min()), float(ends.max())
    near = 1e-4 * float(scales.min())
    while high - low > near:
        middle = 0.5 * (low + high)
        below = float(weight @ _shares_below((middle - means) / scales, dof))
        low, high = (middle, high) if below < share else (low, middle)
    return 0.5 * (low + high)


def _shares_below(t: Floats, dof: float) -> Floats:
    """P(T ≤ t) of Student's t, float[N], by Wallace's transformation to the normal (1959): within 0.002 from 5 dof."""
    z = (8 * dof + 1) / (8 * dof + 3) * np.sqrt(dof * np.log1p(t * t / dof))
    return np.array([0.5 * math.erfc(-v / math.sqrt(2)) for v in np.copysign(z, t).tolist()])


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
    cov = solution.inverse * (solution.rss / dof)[:, None, None]
    if season:
        moved = solution.inverse @ products[:, :p, list(season)]
        cov = cov + 0.5 * season_amplitude**2 * moved @ moved.transpose(0, 2, 1)
    return SlopeFit(weight / weight.sum(), solution.coef, cov, solution.rss / dof, dof, kept)


def hours_needed(hours: float, half_width: float, wanted: float) -> float:
    """Running hours still needed until a slope's half width falls to `wanted`, at the rate hours^−1.5.

    A line's slope under white noise becomes more certain at that rate; wander makes it slower, so this is a least.
    """
    if half_width <= wanted:
        return 0.0
    return hours * (math.pow(half_width / wanted, 2 / 3) - 1)
