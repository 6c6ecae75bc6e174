"""A young chain's forecast with its sisters' rates of wear as a prior. Pure.

Every engine of a group wears at a rate of its own. Chains only wear, so the rates' logarithms are taken as spread about
the group's. From three sisters on whose rates are known, middle and spread are estimated from them (method of moments,
the sisters' own ranges taken off); for one more engine that is a Student's t in the logarithm, with the middle's own
doubt in it. The engine's own estimate, a normal one, is combined with it on a grid. The ship's figure is never changed.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from gateway.encode.outlook import about_hours
from gateway.encode.shapes import HoursRange, Range

SISTERS_MIN = 3
HISTORY_H_MIN = 1_500.0
"""A rate from fewer hours of a chain is mostly bedding-in and no prior for anybody."""
Z = 1.645
"""5 and 95 % of the normal distribution."""
RELATIVE_SD_MAX = 0.5
"""A rate known less well than to a half is no history."""
SPREAD_MIN = 0.05
"""Of the rates, relative: no group is more alike than that (assumed)."""
HORIZON_H = 100_000.0
GRID, GRID_SCALES = 241, 12.0
"""Points over so many scales to each side: Student's t with two degrees of freedom has long tails."""
LEVELS = np.array([NormalDist().inv_cdf((i + 0.5) / 15) for i in range(15)])
"""The present elongation's doubt, in fifteen equal parts."""
FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Sister:
    """Another engine of the group: its wear in % per 1,000 h, and the hours of its chain."""

    name: str
    rate: Range
    hours: float


@dataclass(frozen=True, slots=True)
class Prior:
    """Of the logarithm of a rate in % per 1,000 h: Student's t with `count` - 1 degrees of freedom about `middle`."""

    middle: float
    scale: float
    count: int


@dataclass(frozen=True, slots=True)
class Forecast:
    """Hours to the limit with the sisters, in words too; `sisters`: how many it uses, 0 where there are too few."""

    hours_to: HoursRange
    sisters: int
    words: str


UNKNOWN = HoursRange(p05=None, p50=None, p95=None)


def since_new(work: Sequence[tuple[float, str, float | None, str]]) -> float:
    """Running hours at which the present chain was new; 0 where it is the first one."""
    return max((h for _, what, h, _ in work if what == "chain-renewed" and h is not None), default=0.0)


def sd_of(r: Range) -> float | None:
    """The standard deviation of a range, from its ends; `None` where one is not known."""
    return None if r.p05 is None or r.p95 is None else (r.p95 - r.p05) / (2 * Z)


def prior(sisters: Sequence[Sister]) -> Prior | None:
    """From those whose rate is known over long enough; `None` from fewer than three."""
    known = []
    for sister in sisters:
        rate, sd = sister.rate.p50, sd_of(sister.rate)
        if sister.hours >= HISTORY_H_MIN and rate is not None and sd is not None and 0 <= sd < RELATIVE_SD_MAX * rate:
            known.append((math.log(rate), sd / rate))
    n = len(known)
    if n < SISTERS_MIN:
        return None
    middle = sum(x for x, _ in known) / n
    seen = sum((x - middle) ** 2 for x, _ in known) / (n - 1)
    own = sum(sd * sd for _, sd in known) / n
    # What the sisters' own ranges explain is no difference between engines; a half of what is seen always counts.
    between = max(seen - own, 0.5 * seen, SPREAD_MIN**2)
    return Prior(middle, math.sqrt(between + max(seen, between) / n), n)


def _rates(own: Range, p: Prior) -> tuple[FloatArray, FloatArray]:
    """Rates and their weights: prior times the likelihood of the own estimate."""
    z = np.linspace(-GRID_SCALES, GRID_SCALES, GRID)
    rates = np.exp(p.middle + p.scale * z)
    log_weight = -p.count / 2 * np.log1p(z * z / (p.count - 1))
    own_sd = sd_of(own)
    if own.p50 is not None and own_sd:
        log_weight = log_weight - 0.5 * ((own.p50 - rates) / own_sd) ** 2
    weights = np.exp(log_weight - log_weight.max())
    return rates, weights / weights.sum()


def forecast(elongation: Range, rate: Range, limit_percent: float, sisters: Sequence[Sister]) -> Forecast:
    """Running hours to the elongation limit, with the sisters."""
    p = prior(sisters)
    if p is None:
        return Forecast(UNKNOWN, 0, f"not known: fewer than {SISTERS_MIN} sister engines have a history")
    if elongation.p50 is None:
        return Forecast(UNKNOWN, p.count, "not known: no elongation yet")
    rates, weights = _rates(rate, p)
    left = limit_percent - elongation.p50 + (sd_of(elongation) or 0.0) * LEVELS
    grid = 1_000 * np.maximum(left[:, None], 0.0) / rates[None, :]
    early, middle, late = _quantiles(grid.ravel(), np.broadcast_to(weights, grid.shape).ravel())
    hours = HoursRange(p05=early, p50=middle, p95=late)
    used = f"range uses {p.count} sister engines"
    if hours.p50 is None:
        return Forecast(hours, p.count, f"not in sight ({used})")
    return Forecast(hours, p.count, f"reached ({used})" if hours.p50 == 0 else f"in {about_hours(hours)}; {used}")


def _quantiles(hours: FloatArray, weights: FloatArray) -> list[float | None]:
    """5, 50 and 95 %; `None` beyond the horizon."""
    order = np.argsort(hours)
    shares = np.cumsum(weights[order]) / weights.sum()
    found = [float(hours[order][min(int(np.searchsorted(shares, q)), len(order) - 1)]) for q in (0.05, 0.5, 0.95)]
    return [h if h <= HORIZON_H else None for h in found]
