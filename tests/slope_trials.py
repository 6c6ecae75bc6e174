"""Trials of the drift fit's slope under the noise of `sea_noise`, for the bench and, fewer of them, for the tests."""

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
import scipy
from numpy.typing import NDArray
from sea_noise import Oracle, make_sea, six_hours

from gateway.wear.rows import Point, Rows

Floats = NDArray[np.float64]
Booked = Literal["", "loading"]
CHECKS = (300, 500, 1000, 2000, 4000)
SEASON_DEG = 0.0175
UTC0_S = 1.7e9
SCALES = (10.0, 10.0, 0.1)
"""rpm, °C and load in the units of the fit."""
BURST_STATE = (0.3, 0.15, 0.01)
BURST_DEG = 0.01
"""Noise of a burst of six seconds: speed (with the count of turns over its pause), warmth, load; lag."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """The range at so many hours: holds it the truth, full width, the oracle's."""

    hours: int
    held: bool
    width: float
    oracle: float


@dataclass(frozen=True, slots=True)
class Trial:
    """One voyage. `outcomes`: one for each of `CHECKS` that it reached."""

    kind: str
    seed: int
    outcomes: tuple[Outcome, ...]


@lru_cache(maxsize=32)
def oracle_for(kind: str, hours: int) -> Oracle:
    """The oracle of a kind, made once."""
    return Oracle(kind, hours // 6 + 1)


def at_sea(n: int, rng: np.random.Generator) -> Floats:
    """Speed (rpm), warmth (°C) and load of n medians, float[n, 3]: orders that hold for days, waves, a daily swing."""
    orders = np.repeat(rng.uniform(80, 98, n // 400 + 2), rng.integers(200, 600, n // 400 + 2))
    orders = np.resize(orders, n)
    rpm = orders + scipy.signal.lfilter([1.0], [1.0, -0.9], rng.normal(0, 0.3, n))
    day = 1.5 * np.sin(2 * np.pi * (np.arange(n) / 144 + rng.random()))
    warmth = 10 + 0.2 * (rpm - 88) + day + scipy.signal.lfilter([1.0], [1.0, -0.98], rng.normal(0, 0.2, n))
    load = (rpm / 100) ** 3 + scipy.signal.lfilter([1.0], [1.0, -0.97], rng.normal(0, 0.005, n))
    return np.column_stack((rpm, warmth, load))


def run_trial(task: tuple[str, int, int, Booked, int]) -> Trial:
    """Kind of noise, seed, hours, what is booked, and every how many ten minutes a burst comes (1: no bursts)."""
    kind, seed, hours, booked, spacing = task
    rng = np.random.default_rng([seed, *kind.encode()])
    n = (hours + 6) * 6
    slope = rng.uniform(0.05, 0.15)
    state = at_sea(n, rng) - (88, 10, 0.68)
    coef = np.array((rng.normal(0, 0.002), 0.0042 * rng.uniform(0.5, 1.5), rng.normal(0, 0.05)))
    sea = make_sea(kind, hours + 6, rng)
    hours_at = (np.arange(n) + 0.5) / 6
    lag = 0.5 + slope * hours_at / 1000 + state @ coef + sea.noise
    extra = [sea.leg] if booked else []
    design = np.column_stack((np.ones(n), hours_at / 1000, state / SCALES, *extra))
    seen = np.column_stack((design, lag))
    if spacing > 1:
        seen[:, 2:5] += rng.normal(0, BURST_STATE, (n, 3)) / SCALES
        seen[:, -1] += rng.normal(0, BURST_DEG, n)
    fit = Rows(seen.shape[1], SEASON_DEG)
    start_s = UTC0_S + rng.uniform(0, 365 * 86400)
    outcomes, fed = [], 0
    for check in (c for c in CHECKS if c <= hours):
        for i in range(fed, check * 6 + 1, spacing):
            utc_s = start_s + 3600 * float(hours_at[i])
            fit.add(Point(i, utc_s, float(hours_at[i]), seen[i], 850 if spacing == 1 else 9))
            fed = i + spacing
        outcomes.append(_outcome(fit, check, slope, oracle_for(kind, hours), six_hours(design[: check * 6, :5])))
    return Trial(kind, seed, tuple(outcomes))


def _outcome(fit: Rows, check: int, slope: float, oracle: Oracle, design: Floats) -> Outcome:
    found = fit.fit()
    assert found is not None
    line = np.zeros(fit.figure)
    line[1] = 1.0
    low, _, high = found.quantiles(line)
    return Outcome(check, low <= slope <= high, high - low, 2 * 1.6449 * oracle.slope_se(design, 1))
