"""Smoothing against published examples, closed forms and scipy.

Sources: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4 "EWMA Control Charts" (doi:10.18434/M32189); the
Hampel example of the documentation of MathWorks' `hampel`; closed forms of the EWMA (variance λ/(2−λ), step, ramp) as
in any text on control charts, recomputed here.
"""

import math

import numpy as np
import pytest
import scipy

from gateway.measure.smoothing import MAD_TO_SIGMA, Ewma, is_spike, median

NIST_DATA = [
    52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4,
    53.6, 52.1
]  # fmt: skip
NIST_EWMA = [
    50.00, 50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38,
    49.92, 50.73, 51.23, 51.94, 51.99
]  # fmt: skip


def tau(weight: float, step_s: float = 1.0) -> float:
    """The time constant that gives this weight to a value at equal steps: α = 1 − exp(−Δt/τ)."""
    return -step_s / math.log1p(-weight)


def test_nist_ewma_example() -> None:
    """All 21 printed values of 6.3.2.4 (λ = 0.3, target 50), to the two decimals printed."""
    mean = Ewma(tau(0.3), 50.0)
    made = [50.0] + [mean.update(x, 1.0) for x in NIST_DATA]
    assert [round(x, 2) for x in made] == NIST_EWMA
    assert made[-1] == pytest.approx(51.988243258644616, abs=1e-12)


@pytest.mark.parametrize(("weight", "steps"), [(0.1, 9.4912), (0.2, 4.4814)])
def test_time_constant_of_a_weight(weight: float, steps: float) -> None:
    """τ/Δt = −1/ln(1−λ)."""
    assert tau(weight) == pytest.approx(steps, abs=5e-5)


@pytest.mark.parametrize("weight", [0.1, 0.2, 0.4])
def test_closed_forms(weight: float) -> None:
    """A unit step reaches 1−(1−λ)ⁿ; a ramp is followed (1−λ)/λ steps behind."""
    step, ramp = Ewma(tau(weight), 0.0), Ewma(tau(weight), 0.0)
    for n in range(1, 400):
        assert step.update(1.0, 1.0) == pytest.approx(1 - (1 - weight) ** n, abs=1e-12)
        behind = n - ramp.update(float(n), 1.0)
    assert behind == pytest.approx((1 - weight) / weight, rel=1e-9)


@pytest.mark.parametrize(("weight", "ratio"), [(0.2, 1 / 9), (0.4, 1 / 4)])
def test_variance_of_white_noise(weight: float, ratio: float) -> None:
    """λ/(2−λ) of the noise's variance is left: exactly 1/9 at 0.2 and 1/4 at 0.4."""
    impulse = Ewma(tau(weight), 0.0)
    response = [impulse.update(1.0 if n == 0 else 0.0, 1.0) for n in range(300)]
    assert sum(h * h for h in response) == pytest.approx(ratio, rel=1e-12)


def test_equal_steps_are_scipys_filter() -> None:
    """`scipy.signal.lfilter` of first order on a thousand random values."""
    x = np.random.default_rng(4).normal(size=1_000)
    weight = 1 - math.exp(-0.6 / 30.0)
    wanted, _ = scipy.signal.lfilter([weight], [1.0, weight - 1.0], x, zi=[(1 - weight) * x[0]])
    mean = Ewma(30.0, float(x[0]))
    assert [mean.update(float(v), 0.6) for v in x] == pytest.approx(wanted.tolist(), abs=1e-12)


def test_uneven_steps_are_the_low_pass_that_scipy_integrates() -> None:
    """dy/dt = (x(t) − y)/τ with each value held for its own time, by `scipy.integrate.solve_ivp`."""
    rng = np.random.default_rng(8)
    steps, values = rng.uniform(0.1, 40.0, 30), rng.normal(size=30)
    mean, y = Ewma(30.0, 0.0), 0.0
    for dt, x in zip(steps.tolist(), values.tolist(), strict=True):
        solved = scipy.integrate.solve_ivp(lambda _t, v, x=x: (x - v) / 30.0, (0.0, dt), [y], rtol=1e-10, atol=1e-12)
        y = float(solved.y[0, -1])
        assert mean.update(x, dt) == pytest.approx(y, abs=1e-8)


def test_mad_to_sigma_is_the_normal_quantiles() -> None:
    """1/Φ⁻¹(0.75) = 1.4826022…, by scipy and as everywhere printed."""
    assert pytest.approx(1 / float(scipy.stats.norm.ppf(0.75)), abs=5e-6) == MAD_TO_SIGMA


def hampel(x: np.ndarray, half: int) -> list[int]:
    """1-based numbers of the outliers, windows cut off at the ends as in the documentation's example."""
    found = []
    for i in range(len(x)):
        window = x[max(0, i - half) : i + half + 1].tolist()
        if is_spike(window, float(x[i]), 3.0):
            found.append(i + 1)
    return found


@pytest.mark.parametrize(("half", "outliers"), [(3, [6, 20]), (1, [6, 20, 26, 76])])
def test_hampel_example(half: int, outliers: list[int]) -> None:
    """MathWorks' sinusoid with two planted outliers; with windows of three its two extrema are outliers as well."""
    x = np.sin(2 * np.pi * np.arange(100) / 100)
    x[5], x[19] = 2.0, -2.0
    assert hampel(x, half) == outliers


def test_hampel_examples_local_figures() -> None:
    """The local medians and standard deviations at the two outliers, and scipy's MAD."""
    x = np.sin(2 * np.pi * np.arange(100) / 100)
    x[5], x[19] = 2.0, -2.0
    for at, middle, sigma in ((5, 0.368125, 0.177074), (19, 0.904827, 0.089696)):
        window = x[at - 3 : at + 4].tolist()
        assert median(window) == pytest.approx(middle, abs=5e-7)
        mad = median([abs(v - median(window)) for v in window])
        assert MAD_TO_SIGMA * mad == pytest.approx(sigma, abs=1e-6)
        assert mad == pytest.approx(float(scipy.stats.median_abs_deviation(window)))
