"""Shifts over stops: what legs do is no step, what they never did is one; a drift is told from a step."""

import numpy as np
import pytest
import scipy

from gateway.wear.stop_shifts import FALSE_SHARE, StopShifts, step_over_ramp


def test_legs_are_no_step_and_a_slip_is_one():
    """Pins that 0.06° between laden and ballast is no step on a young ship, and that 0.5° is one."""
    shifts = StopShifts(usual=0.04)
    for shift in (0.06, -0.06, 0.055, -0.05):
        assert not shifts.is_step(shift)
        shifts.learn(shift)
    assert shifts.is_step(0.5) and shifts.is_step(-0.5)


def test_bound_is_students_predictive():
    """Pins the bound against the t distribution of scipy, prior stops included, and that a quiet ship lowers it."""
    shifts = StopShifts(usual=0.04)
    seen = np.random.default_rng(3).normal(0, 0.01, 30).tolist()
    before = shifts.bound
    for s in seen:
        shifts.learn(s)
    dof = 20 + 30
    scale = np.sqrt((20 * 0.04**2 + np.square(seen).sum()) / dof)
    assert shifts.bound == pytest.approx(scipy.stats.t(dof).ppf(1 - FALSE_SHARE / 2) * scale, rel=1e-9)
    assert shifts.bound < 0.8 * before


def test_false_share_over_many_ships():
    """Pins, on 4,000 stops of ships whose legs are as usual, that at most three times the share allowed are steps."""
    rng, called = np.random.default_rng(11), 0
    for _ in range(100):
        shifts = StopShifts(usual=0.04)
        for s in rng.normal(0, 0.04, 40).tolist():
            called += shifts.is_step(s)
            shifts.learn(s)
    assert called <= 3 * FALSE_SHARE * 4000


@pytest.mark.parametrize("phi", [0.5, 0.9])
def test_step_and_drift_are_told_apart(phi):
    """Pins the sign of the logarithm in 27 of 30 seeded series each: a step of six σ, a drift that grows to as much."""
    rng, n, right = np.random.default_rng(5), 144, 0
    hours = np.arange(n) / 6
    for i in range(60):
        noise = np.zeros(n)
        for k in range(1, n):
            noise[k] = phi * noise[k - 1] + rng.normal(0, 0.02 * np.sqrt(1 - phi**2))
        stepped = i % 2 == 0
        shape = (np.arange(n) >= 100) * 0.12 if stepped else np.maximum(np.arange(n) - 40, 0) / (n - 40) * 0.2
        ratio = step_over_ramp(hours, noise + shape, phi, 100)
        right += (ratio > 0) == stepped
    assert right >= 54
    with pytest.raises(ValueError, match="by 5 medians"):
        step_over_ramp(hours[:5], hours[:5], phi, 2)
