"""Seeded voyages at the level of ten-minute medians: a ship's months, with the truth beside them.

Invented, not taken from any ship. What varies from voyage to voyage: length (2,000–6,000 running hours), passages and
port stays, speed orders, weather, sea temperature, coefficients of speed, heat and load, the disturbance's φ
(0.5–0.95) and marginal standard deviation (0.02–0.04°), wear (0.03–0.12° per 1,000 h), silences of the sensors,
astern spells and manoeuvring (no medians), odd medians (one in 500, a few tenths of a degree off).
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gateway.model.records import Median

Floats = NDArray[np.float64]
SLOT_H = 1 / 6


@dataclass(frozen=True, slots=True)
class Truth:
    """What the voyage was made with. Level `a` at `hours0`, at rpm 88, casing 45 °C and load 0.6; per hour `b`."""

    hours0: float
    a: float
    b: float
    phi: float
    sigma: float
    c_rpm: float
    c_casing: float
    c_load: float

    def level(self, hours: float, rpm: float, casing_c: float, load: float) -> float:
        """The undisturbed lag at an operating point."""
        state = self.c_rpm * (rpm - 88) + self.c_casing * (casing_c - 45) + self.c_load * (load - 0.6)
        return self.a + self.b * (hours - self.hours0) + state


@dataclass(frozen=True, slots=True)
class Voyage:
    """Arrays float[N] of the medians that reach the fit, `noise` the disturbance in them, `odd` bool[N]."""

    truth: Truth
    utc_s: Floats
    hours: Floats
    lag: Floats
    rpm: Floats
    casing: Floats
    load: Floats
    slot: NDArray[np.int64]
    odd: NDArray[np.bool_]

    def medians(self) -> Iterator[Median]:
        """The records as the history hands them out."""
        columns = (self.utc_s, self.hours, self.lag, self.rpm, self.casing, self.load)
        for utc_s, hours, lag, rpm, casing, load in zip(*(c.tolist() for c in columns), strict=True):
            yield Median(utc_s, hours, 850, lag, 0.01, None, None, rpm, casing, None, load)


def ar1(rng: np.random.Generator, n: int, phi: float, sigma: float) -> Floats:
    """AR(1) noise of n steps with marginal standard deviation sigma, begun in its stationary state."""
    from scipy.signal import lfilter

    shocks = rng.standard_normal(n) * sigma * np.sqrt(1 - phi * phi)
    shocks[0] = rng.standard_normal() * sigma
    return np.asarray(lfilter([1.0], [1.0, -phi], shocks))


def make(seed: int, hours: float | None = None, phi: float | None = None, sigma: float | None = None) -> Voyage:
    """The voyage of this seed; what is given replaces what the seed would draw."""
    rng = np.random.default_rng(seed)
    drawn = (rng.uniform(2_000, 6_000), rng.uniform(0.5, 0.95), rng.uniform(0.02, 0.04))
    hours, phi, sigma = (d if g is None else g for g, d in zip((hours, phi, sigma), drawn, strict=True))
    truth = Truth(
        hours0=float(rng.uniform(5_000, 40_000)),
        a=float(rng.uniform(0.1, 0.8)),
        b=float(rng.uniform(0.03, 0.12) / 1000),
        phi=phi,
        sigma=sigma,
        c_rpm=float(rng.uniform(-0.005, 0.005)),
        c_casing=float(rng.uniform(-0.01, 0.01)),
        c_load=float(rng.uniform(-0.3, 0.3)),
    )
    running, steady, order = _passages(rng, hours)
    n = len(running)
    weather = ar1(rng, n, 0.99, 1.0)
    rpm = order + 0.3 * rng.standard_normal(n)
    load = np.clip(0.6 * (order / 88) ** 3 * (1 + 0.06 * weather) + 0.005 * rng.standard_normal(n), 0.05, 1.1)
    sea = 20 + 8 * np.sin(2 * np.pi * (np.arange(n) / (144 * rng.uniform(10, 60)) + rng.uniform()))
    sea += 1.0 * np.sin(2 * np.pi * np.arange(n) / 144)
    casing = 25 + sea * 0.5 + _warming(15 * load * running, 9) + 0.2 * rng.standard_normal(n)
    at = truth.hours0 + np.cumsum(running) * SLOT_H
    state = truth.c_rpm * (rpm - 88) + truth.c_casing * (casing - 45) + truth.c_load * (load - 0.6)
    lag = truth.a + truth.b * (at - truth.hours0) + state + ar1(rng, n, phi, sigma)
    odd = rng.random(n) < 0.002
    lag = lag + odd * rng.choice([-1, 1], n) * rng.uniform(0.2, 0.6, n)
    use = np.flatnonzero(running & steady & ~_silences(rng, n))
    utc = 1_700_000_000.0 + np.arange(n) * 600.0
    return Voyage(truth, utc[use], at[use], lag[use], rpm[use], casing[use], load[use], use, odd[use])


def _passages(rng: np.random.Generator, hours: float) -> tuple[NDArray[np.bool_], NDArray[np.bool_], Floats]:
    """Running, steady ahead, and speed order, slot by slot: passages of 3–15 days and port stays of half to three."""
    running, steady, order = [], [], []
    left = int(hours / SLOT_H)
    while left > 0:
        sea = min(int(rng.uniform(3, 15) * 144), left)
        left -= sea
        speed = np.empty(0)
        while len(speed) < sea:
            speed = np.concatenate((speed, np.full(int(rng.uniform(36, 432)), rng.uniform(72, 103))))
        calm = np.ones(sea, bool)
        calm[:12] = calm[-12:] = False  # manoeuvring and astern near the port
        port = int(rng.uniform(0.5, 3) * 144)
        running += [np.ones(sea, bool), np.zeros(port, bool)]
        steady += [calm, np.zeros(port, bool)]
        order += [speed[:sea], np.zeros(port)]
    return np.concatenate(running), np.concatenate(steady), np.concatenate(order)


def _warming(heat: Floats, slots: float) -> Floats:
    from scipy.signal import lfilter

    keep = np.exp(-1 / slots)
    return np.asarray(lfilter([1 - keep], [1.0, -keep], heat))


def _silences(rng: np.random.Generator, n: int) -> NDArray[np.bool_]:
    """Single medians missing (2 %) and spells of an hour to a week."""
    silent = rng.random(n) < 0.02
    for start in rng.integers(0, n, rng.integers(1, 8)):
        silent[start : start + int(np.exp(rng.uniform(np.log(6), np.log(1_008))))] = True
    return silent
