"""Trials of the drift fit and the step search on seeded voyages, used by the bench and, fewer of them, by the tests.

`told` is the shipped `Segments`, fed median by median. `oracle` is told φ and the true coefficients and drops the odd
medians it is told of: level, slope and σ alone are left to fit, and no interval can honestly be narrower. `ols` is the
same regression taking neighbours for strangers.
"""

import math
import time
from dataclasses import dataclass

import numpy as np
from wear_voyage import Voyage, make

from gateway.wear.drift import Drift
from gateway.wear.forecast import Line, Range, hours_to, line_of
from gateway.wear.regression import gram, solve
from gateway.wear.segments import Segments

LIMIT_DEG = 2.0


@dataclass(frozen=True, slots=True)
class Outcome:
    """One voyage: hours to the limit in truth and as told by the three, steps told (all false), and the noise's φ."""

    seed: int
    phi: float
    truth: float
    told: Range
    oracle: Range
    ols: Range
    steps: int
    medians: int
    seconds: float


def sail(seed: int) -> Outcome:
    """Run one voyage through the fit, and forecast at its end."""
    voyage = make(seed)
    began = time.perf_counter()
    series = Segments("lag")
    steps = sum(series.add(m) is not None for m in voyage.medians())
    drift = series.drift()
    seconds = time.perf_counter() - began
    now = float(voyage.hours[-1])
    truth, oracle, ols = (_true_hours(voyage, drift, now), _oracle(voyage, drift), _ols(voyage, drift))
    told = hours_to(line_of(drift), LIMIT_DEG, now)
    others = [hours_to(line, LIMIT_DEG, now) for line in (oracle, ols)]
    return Outcome(seed, voyage.truth.phi, truth, told, *others, steps, len(voyage.hours), seconds)


def _true_hours(voyage: Voyage, drift: Drift, now: float) -> float:
    point = drift.operating_point
    assert point is not None and point.warmth_c is not None and point.load is not None, drift.why
    level = voyage.truth.level(now, point.rpm, point.warmth_c, point.load)
    return max((LIMIT_DEG - level) / voyage.truth.b, 0.0)


def _oracle(voyage: Voyage, drift: Drift) -> Line:
    """Generalised least squares of level and slope, φ and coefficients known, the odd medians left out."""
    t, p, keep = voyage.truth, drift.operating_point, ~voyage.odd
    assert p is not None and p.warmth_c is not None and p.load is not None
    state = t.c_rpm * (voyage.rpm - p.rpm) + t.c_casing * (voyage.casing - p.warmth_c)
    state += t.c_load * (voyage.load - p.load)
    now = voyage.hours[-1]
    rows = np.column_stack((np.ones(keep.sum()), (voyage.hours - now)[keep], (voyage.lag - state)[keep]))
    rho = t.phi ** np.diff(voyage.slot[keep]).astype(float)[:, None]
    white = np.vstack((rows[:1], (rows[1:] - rho * rows[:-1]) / np.sqrt(1 - rho**2)))
    return _line(white, now)


def _ols(voyage: Voyage, drift: Drift) -> Line:
    p, now = drift.operating_point, voyage.hours[-1]
    assert p is not None and p.warmth_c is not None and p.load is not None
    columns = (np.ones(len(voyage.hours)), voyage.hours - now, voyage.rpm - p.rpm)
    return _line(np.column_stack((*columns, voyage.casing - p.warmth_c, voyage.load - p.load, voyage.lag)), now)


def _line(rows: "np.ndarray[tuple[int, int], np.dtype[np.float64]]", now: float) -> Line:
    s = solve(gram(rows)[None], [True] * (rows.shape[1] - 1))
    dof = len(rows) - s.rank
    cov = s.inverse[0] * s.rss[0] / dof
    return Line(now, s.coef[0, 0], s.coef[0, 1], cov[0, 0], cov[0, 1], cov[1, 1], dof)


def held(truth: float, told: Range) -> bool:
    """Whether the 90 % interval holds the truth; an open end holds whatever lies beyond the other."""
    low = told.p05 if told.p05 is not None else math.inf
    high = told.p95 if told.p95 is not None else math.inf
    return low <= truth <= high


def width(told: Range) -> float:
    """Late end less early end; infinite where the late end is not in sight."""
    return math.inf if told.p95 is None or told.p05 is None else told.p95 - told.p05


def find_slip(task: tuple[int, float, float]) -> tuple[float | None, float]:
    """A slip of given size at φ after 3,000 h: hours until it is told (`None`: not within 100 h), and its error."""
    seed, phi, size = task
    voyage = make(seed, hours=3_100, phi=phi, sigma=0.03)
    at = int(np.searchsorted(voyage.hours, voyage.truth.hours0 + 3_000))
    lag = voyage.lag + size * (np.arange(len(voyage.lag)) >= at) * (1 if seed % 2 else -1)
    slipped = Voyage(**{f: getattr(voyage, f) for f in voyage.__dataclass_fields__} | {"lag": lag})
    series = Segments("lag")
    for median in slipped.medians():
        found = series.add(median)
        if found is not None and median.hours >= voyage.hours[at]:
            # Running hours since the slip: the median before it was still sound.
            return median.hours - float(voyage.hours[at]) + 1 / 6, abs(found.size) - size
    return None, math.nan


def false_steps(task: tuple[int, float]) -> tuple[int, float]:
    """Steps told in a voyage of 6,000 h without any, and its running hours."""
    seed, phi = task
    voyage = make(seed, hours=6_000, phi=phi)
    series = Segments("lag")
    return sum(series.add(m) is not None for m in voyage.medians()), float(voyage.hours[-1] - voyage.hours[0])
