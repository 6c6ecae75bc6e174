"""The project's own CUSUM against published charts, onset dates and run lengths."""

import math

import numpy as np
import pytest

from gateway.wear.segments import THRESHOLD
from gateway.wear.steps import Cusum


def normal_density(x):
    return np.exp(-0.5 * x * x) / math.sqrt(2 * math.pi)


def normal_below(x):
    return 0.5 * math.erfc(-x / math.sqrt(2))


def run_length(k, h, shift=0.0, nodes=120):
    """Mean run length of a one-sided tabular CUSUM by Page's integral equation (Gauss–Legendre, Nyström)."""
    x, w = np.polynomial.legendre.leggauss(nodes)
    x, w = 0.5 * h * (x + 1), 0.5 * h * w
    kernel = normal_density(x[None] - x[:, None] + k - shift) * w
    at_zero = np.array([normal_below(k - shift - v) for v in np.concatenate(([0.0], x))])
    system = np.eye(nodes + 1)
    system[0, 0] -= at_zero[0]
    system[0, 1:] -= normal_density(x + k - shift) * w
    system[1:, 0] -= at_zero[1:]
    system[1:, 1:] -= kernel
    return float(np.linalg.solve(system, np.ones(nodes + 1))[0])


def two_sided(k, h, shift=0.0):
    return 1 / (1 / run_length(k, h, shift) + 1 / run_length(k, h, -shift))


def test_nist_example():
    """Pins the upper and lower sums and the first signal of the NIST/SEMATECH e-Handbook, section 6.3.2.3.

    The page rounds ties either way, hence the tolerance.
    """
    x = [324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
         324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350]  # fmt: skip
    high = [0, 0, 0, 0, 0.03, 0, 0, 0, 0, 0, 0, 0, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04]
    low = [0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.25, 0.31, 0, 0, 0, 0, 0, 0, 0, 0, 0]
    chart = Cusum.tabular(325, k=0.3175, h=4.1959)
    signals = []
    for n, (value, up, down) in enumerate(zip(x, high, low, strict=True), 1):
        if chart.add(value):
            signals.append(n)
        assert chart.high == pytest.approx(up, abs=0.0051)
        assert chart.low == pytest.approx(down, abs=0.0051)
    assert signals == list(range(14, 21))


def test_montgomery_example_and_its_onset():
    """Pins Montgomery, Introduction to SQC, example 9.1: sums, signal at period 29, last sound period 22."""
    x = [9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34, 9.03, 11.47, 10.51, 9.40,
         10.08, 9.37, 10.62, 10.31, 8.52, 10.84, 10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62,
         11.31, 10.52]  # fmt: skip
    high = [0, 0, 0, 1.16, 2.82, 2.50, 0.04, 1.00, 0, 0, 0, 0.97, 0.98, 0, 0, 0, 0.12, 0, 0, 0.34, 0.74, 0,
            1.79, 2.79, 2.89, 3.47, 3.35, 4.47, 5.28, 5.30]  # fmt: skip
    chart = Cusum.tabular(10, k=0.5, h=5)
    signals = [(n, chart.add(v), chart.high) for n, v in enumerate(x, 1)]
    assert [up for _, _, up in signals] == pytest.approx(high, abs=0.0051)
    first, signal, _ = next(s for s in signals if s[1])
    assert first == 29
    assert signal.onset - 1 == 22


def test_nile():
    """Pins that the flow of the Nile is found to have stepped down after 1898 (Cobb 1978; data: statsmodels).

    The signal's year, 1902, is derived from the same rule, not published.
    """
    import statsmodels.api as sm

    flow = sm.datasets.nile.load_pandas().data["volume"].to_numpy(float)
    chart = Cusum.tabular(0.0, k=0.5, h=5)
    signals = [chart.add(value) for value in (flow - flow[:20].mean()) / flow[:20].std(ddof=1)]
    year, signal = next((year, s) for year, s in enumerate(signals, 1871) if s)
    assert (year, 1870 + signal.onset - 1) == (1902, 1898)
    assert signal.size < 0


@pytest.mark.parametrize(
    ("k", "h", "shift", "published"),
    [
        (0.5, 4, 0.0, 336.0),  # one-sided, NIST 6.3.2.3.1 (from memory)
        (0.5, 5, 0.0, 930.0),
        (0.5, 3, 0.0, 117.6),  # Brook & Evans 1972
        (0.5, 3, 1.5, 3.75),
        (0.5, 3, -0.5, 1963.0),  # Waldmann 1986
        (0.25, 8, 2.5, 4.1500836),  # SAS/QC
    ],
)
def test_integral_equation(k, h, shift, published):
    """Pins the run lengths worked out here, by which the shipped threshold is judged, to published ones."""
    assert run_length(k, h, shift) == pytest.approx(published, rel=3e-3)


@pytest.mark.parametrize(
    ("h", "shift", "published"),
    [
        (4, 0.0, 168.0),  # Lucas & Crosier 1982, table 1
        (4, 0.5, 26.6),
        (4, 1.0, 8.38),
        (4, 2.0, 3.34),
        (5, 0.5, 38.0),  # Montgomery, table 9.3 (from memory, recomputed)
        (5, 1.0, 10.4),
    ],
)
def test_run_length_of_our_chart(h, shift, published):
    """Pins the mean run of the project's two-sided chart, k = 0.5, over 1,500 seeded runs, within 3 standard errors."""
    rng = np.random.default_rng(1982)
    runs = np.empty(1500)
    for i in range(len(runs)):
        chart, n = Cusum.tabular(0.0, k=0.5, h=h), 0
        while True:
            n += 1
            if chart.add(shift + rng.standard_normal()):
                break
        runs[i] = n
    # The tables are rounded to three digits.
    assert abs(runs.mean() - published) < 3 * runs.std() / math.sqrt(len(runs)) + 0.005 * published


@pytest.mark.parametrize("shift", [0.5, 1.0, 2.0, 4.0])
def test_shipped_threshold(shift):
    """Pins that the shipped threshold keeps false steps under one in ten engine-years (360,000 medians), any shift."""
    assert two_sided(shift / 2, THRESHOLD / shift) > 360_000
