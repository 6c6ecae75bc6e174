"""Noise of a believable sea for trials of the drift fit, at ten-minute medians and as means of six hours.

Written from texts on stochastic processes, not from the gateway's formulas: first-order autoregression and its
continuous counterpart by their exact recursions (Gillespie, *Phys. Rev. E* 54 (1996) 2084), storms as shot noise with
Poisson arrivals, laden and ballast legs as an alternating renewal process, the season as a yearly sine of random phase.
Amplitudes are those of the believable sea; they are from memory. Figures in degrees, time in running hours.
"""

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

Floats = NDArray[np.float64]
SLOTS = 36
"""Ten-minute medians in six hours."""
YEAR_H = 365.25 * 24
WHITE_DEG = 0.005

KINDS = ("AR.6", "AR.95", "OU12", "OU36", "OU168", "LEG", "SEASON", "STORM", "AR.9+OU36", "SEA", "ALL")
PARTS: dict[str, tuple[str, ...]] = {
    "AR.6": ("ar.6",),
    "AR.95": ("ar.95",),
    "OU12": ("ou12", "white"),
    "OU36": ("ou36", "white"),
    "OU168": ("ou168", "white"),
    "LEG": ("legs", "white"),
    "SEASON": ("season", "white"),
    "STORM": ("storms", "white"),
    "AR.9+OU36": ("ar.9", "ou36"),
    "SEA": ("ou36", "storms", "legs", "season", "white"),
    "ALL": ("ar.9", "ou36", "legs", "season", "storms"),
}


@dataclass(frozen=True, slots=True)
class Sea:
    """Noise float[N] of each median, and the leg it lies in: +1 laden, −1 ballast."""

    noise: Floats
    leg: Floats


def make_sea(kind: str, hours: float, rng: np.random.Generator, leg_days: tuple[float, float] = (10.0, 25.0)) -> Sea:
    """The noise of `kind` over so many hours, and the legs (there are legs in every voyage, felt or not)."""
    n = round(hours * 6)
    leg, shift = _legs(n, rng, leg_days)
    total = np.zeros(n)
    for part in PARTS[kind]:
        total += shift if part == "legs" else _part(part, n, rng)
    return Sea(total, leg)


def _part(part: str, n: int, rng: np.random.Generator) -> Floats:
    if part == "white":
        return rng.normal(0, WHITE_DEG, n)
    if part == "season":
        return rng.uniform(0.015, 0.02) * np.sin(2 * np.pi * (np.arange(n) / 6 / YEAR_H + rng.random()))
    if part == "storms":
        return _storms(n, rng)
    phi, sd = _memory(part)
    return _recursion(n, phi, sd, rng)


def _memory(part: str) -> tuple[float, float]:
    """Correlation over ten minutes, and standard deviation, of an autoregression or an Ornstein–Uhlenbeck process."""
    if part.startswith("ar"):
        return float(part[2:]), 0.02
    return float(np.exp(-1 / 6 / float(part[2:]))), 0.02


def _recursion(n: int, phi: float, sd: float, rng: np.random.Generator) -> Floats:
    shocks = rng.normal(0, sd * np.sqrt(1 - phi * phi), n)
    shocks[0] = rng.normal(0, sd)
    out: Floats = scipy.signal.lfilter([1.0], [1.0, -phi], shocks)
    return out


def _storms(n: int, rng: np.random.Generator) -> Floats:
    """One storm in eight days on the average, of one to four days, each with a smooth rise and fall of the lag."""
    out = np.zeros(n)
    margin = 4 * 144
    for _ in range(rng.poisson((n + margin) / 144 / 8)):
        length = int(rng.uniform(1, 4) * 144)
        begin = int(rng.integers(-margin, n))
        shape = rng.normal(0, 0.03) * np.sin(np.pi * (np.arange(length) + 0.5) / length) ** 2
        low, high = max(begin, 0), min(begin + length, n)
        if low < high:
            out[low:high] += shape[low - begin : high - begin]
    return out


def _legs(n: int, rng: np.random.Generator, days: tuple[float, float]) -> tuple[Floats, Floats]:
    """Legs of uniform length, laden and ballast in turn; each shifts the lag by 0.02 to 0.03°, up or down."""
    leg, shift = np.empty(n), np.empty(n)
    sign = rng.choice((-1.0, 1.0))
    # The first leg is entered anywhere in its middle: begin a full leg earlier and cut.
    at = -int(rng.uniform(0, days[1]) * 144)
    while at < n:
        end = at + int(rng.uniform(*days) * 144)
        if end > 0:
            leg[max(at, 0) : end] = sign
            shift[max(at, 0) : end] = sign * rng.uniform(0.02, 0.03)
        at, sign = end, -sign
    return leg, shift


def six_hours(figures: Floats) -> Floats:
    """Means of six hours float[N // 36] (or float[N // 36, k])."""
    n = len(figures) // SLOTS
    means: Floats = figures[: n * SLOTS].reshape(n, SLOTS, *figures.shape[1:]).mean(axis=1)
    return means


class Oracle:
    """Generalised least squares of six-hour means by somebody who knows the noise's second moments."""

    def __init__(self, kind: str, rows: int, seed: int = 12345) -> None:
        """Legs' and storms' autocovariances are averages over simulated series, all others follow from their laws."""
        lags = np.zeros(rows)
        for part in PARTS[kind]:
            lags += _autocovariance(part, rows, seed)
        self.cov = scipy.linalg.toeplitz(lags)

    def slope_se(self, design: Floats, column: int) -> float:
        """Standard error of one coefficient for a design float[n, p], n ≤ rows."""
        n = len(design)
        root = np.linalg.cholesky(self.cov[:n, :n] + 1e-12 * np.eye(n))
        white = np.linalg.solve(root, design)
        return float(np.sqrt(np.linalg.inv(white.T @ white)[column, column]))


def _autocovariance(part: str, rows: int, seed: int) -> Floats:
    if part == "white":
        return np.concatenate(([WHITE_DEG**2 / SLOTS], np.zeros(rows - 1)))
    if part == "season":
        mean_square = (0.02**3 - 0.015**3) / 3 / 0.005
        return 0.5 * mean_square * np.cos(2 * np.pi * 6 * np.arange(rows) / YEAR_H)
    if part in ("legs", "storms"):
        return _simulated(part, rows, seed)
    phi, sd = _memory(part)
    apart = np.abs(np.subtract.outer(np.arange(SLOTS), np.arange(SLOTS)))
    out = np.empty(rows)
    out[0] = sd**2 * np.mean(phi**apart)
    one = sd**2 * np.mean(phi ** (SLOTS + np.subtract.outer(np.arange(SLOTS), np.arange(SLOTS))))
    out[1:] = one * phi ** (SLOTS * np.arange(rows - 1))
    return out


def _simulated(part: str, rows: int, seed: int, series: int = 400) -> Floats:
    rng = np.random.default_rng(seed)
    total = np.zeros(rows)
    for _ in range(series):
        n = rows * SLOTS
        x = six_hours(_legs(n, rng, (10.0, 25.0))[1] if part == "legs" else _storms(n, rng))
        spectrum = np.abs(np.fft.rfft(x, 2 * rows)) ** 2
        total += np.fft.irfft(spectrum)[:rows] / rows
    # Biased autocovariances (divided by all rows) are positive definite, whatever was drawn.
    return total / series
