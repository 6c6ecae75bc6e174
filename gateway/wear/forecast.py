"""Hours to a limit from the joint distribution of level and slope (Fieller 1954), and what follows from them.

The trend line reaches the limit within τ hours with probability p where `a + b·τ − limit` has its p-quantile at zero;
(a, b) has Student's t, so the τ for a given p is the root of a quadratic. No prior is laid on the slope: a chain that
cannot shrink is not given to the sums, so that a lag that falls shows as such and is looked into.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from gateway.wear.drift import Drift
from gateway.wear.student import quantile

DAYS = 30.0
"""Dates follow from the running hours of so many last days."""

DAYS_MIN = 1.0
"""Less history than this shows nothing of how the ship is run."""

FAR_HOURS = 1e6
"""A limit further off than a century of running is not in sight."""


@dataclass(frozen=True, slots=True)
class Range:
    """Early end, median and late end (5, 50, 95 %); `None` = not known, or not in sight."""

    p05: float | None
    p50: float | None
    p95: float | None


UNKNOWN = Range(None, None, None)


@dataclass(frozen=True, slots=True)
class Line:
    """A trend: level `a` at `hours_ref`, slope `b` per hour, their (co)variances, Student's t with `dof`."""

    hours_ref: float
    a: float
    b: float
    var_a: float
    cov_ab: float
    var_b: float
    dof: float

    def scaled(self, factor: float, offset: float = 0.0) -> "Line":
        """The line of `factor`·figure + `offset`, as from degrees of lag to per cent of elongation."""
        square = factor * factor
        return Line(
            self.hours_ref,
            factor * self.a + offset,
            factor * self.b,
            square * self.var_a,
            square * self.cov_ab,
            square * self.var_b,
            self.dof,
        )

    def at(self, hours: float) -> tuple[float, float]:
        """Level and its standard error at these running hours."""
        ahead = hours - self.hours_ref
        variance = self.var_a + 2 * ahead * self.cov_ab + ahead * ahead * self.var_b
        return self.a + self.b * ahead, math.sqrt(max(variance, 0.0))


def line_of(drift: Drift) -> Line | None:
    """The trend line of a drift fit; `None` where too little is known."""
    if not drift.enough:
        return None
    (var_a, cov_ab), (_, var_b) = drift.cov
    return Line(drift.hours_ref, drift.a, drift.b, var_a, cov_ab, var_b, drift.dof)


def level(line: Line | None, hours: float) -> Range:
    """The trend's figure at these running hours, 5–95 %."""
    if line is None:
        return UNKNOWN
    value, error = line.at(hours)
    reach = quantile(0.95, line.dof) * error
    return Range(value - reach, value, value + reach)


def slope_per_1000h(line: Line | None) -> Range:
    """The trend's slope per 1,000 running hours, 5–95 %."""
    if line is None:
        return UNKNOWN
    reach = quantile(0.95, line.dof) * math.sqrt(line.var_b)
    return Range(1000 * (line.b - reach), 1000 * line.b, 1000 * (line.b + reach))


def hours_to(
    line: Line | None, limit: float, hours: float, rising: bool = True, limit_sd: float = 0.0, share: float = 0.95
) -> Range:
    """Running hours from `hours` until the trend line reaches `limit`: 1 − share, one half, share; 0 where it is past.

    `rising`: the limit is an upper one; else a lower one. `limit_sd`: standard error of the limit itself (as of the
    zero), independent of the fit. Where the slope towards the limit is not distinguishable from zero (its lower bound
    is not above zero) median and late end are `None`; the early end then still shows what cannot be ruled out.
    """
    if line is None:
        return UNKNOWN
    sign = 1.0 if rising else -1.0
    value, error = line.at(hours)
    gap = sign * (limit - value)
    slope = sign * line.b
    # The sign turns level and slope together, so their covariance stays as it is.
    spread = (
        error**2 + limit_sd**2,
        line.cov_ab + (hours - line.hours_ref) * line.var_b,
        line.var_b,
    )
    t = quantile(share, line.dof)
    middle: float | None = 0.0 if gap <= 0 else None
    if gap > 0 and slope > t * math.sqrt(line.var_b):
        middle = _in_sight(gap / slope)
    return Range(_reached(gap, slope, spread, t), middle, _reached(gap, slope, spread, -t))


def _reached(gap: float, slope: float, spread: tuple[float, float, float], t: float) -> float | None:
    """The first τ ≥ 0 at which slope·τ + t·√(v + 2cτ + wτ²) is no longer below the gap."""
    v, c, w = spread
    if t * math.sqrt(v) >= gap:
        return 0.0
    square = slope * slope - t * t * w
    half = gap * slope + t * t * c
    rest = gap * gap - t * t * v
    roots = [tau for tau in _roots(square, half, rest) if tau >= 0 and (gap - slope * tau) * t >= 0]
    return _in_sight(min(roots)) if roots else None


def _roots(square: float, half: float, rest: float) -> list[float]:
    """Roots of square·τ² − 2·half·τ + rest = 0, without cancellation."""
    inside = half * half - square * rest
    if inside < 0:
        return []
    larger = half + math.copysign(math.sqrt(inside), half)
    found = [rest / larger] if larger else []
    return [*found, larger / square] if square else found


def _in_sight(hours: float) -> float | None:
    return hours if hours <= FAR_HOURS else None


def interval_left(interval_h: float, since_h: float) -> Range:
    """Hours until an interval of running hours has passed, of which `since_h` are gone: known exactly, 0 when past."""
    left = max(interval_h - since_h, 0.0)
    return Range(left, left, left)


def hours_per_day(history: Sequence[tuple[float, float]]) -> float | None:
    """Running hours per day over the last 30 days, from (UTC in s, running hours) in order of time.

    Less history than that is used as it is, less than a day not at all. `None` where nothing is known.
    """
    if not history:
        return None
    now_s, now_h = history[-1]
    first = next(((u, h) for u, h in history if u >= now_s - DAYS * 86_400), history[-1])
    days = (now_s - first[0]) / 86_400
    return max(now_h - first[1], 0.0) / days if days >= DAYS_MIN else None


def dates(hours: Range, now_utc_s: float, per_day: float | None) -> Range:
    """UTC in seconds at which so many running hours will have passed; `None` where the ship is not being run."""

    def date(left: float | None) -> float | None:
        if left is None or not per_day:
            return now_utc_s if left == 0 else None
        return now_utc_s + left / per_day * 86_400

    return Range(date(hours.p05), date(hours.p50), date(hours.p95))
