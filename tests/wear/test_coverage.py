"""The bench's claims on fewer voyages, so that CI holds them: `python -m tests.bench.bench_forecast` has the whole."""

import numpy as np
from wear_trials import false_steps, find_slip, held, sail, width


def test_interval_holds_and_is_narrow():
    """Pins, on 30 seeded voyages, that the 90 % interval holds the truth as often as chance allows at 90 % (22 or more,
    by the binomial at 1 in 300), is at most 1.25 times as wide as the oracle's, and that no step is told; and that
    ordinary least squares on the same voyages does not hold."""
    outcomes = [sail(seed) for seed in range(30)]
    assert sum(held(o.truth, o.told) for o in outcomes) >= 22
    assert np.median([width(o.told) / width(o.oracle) for o in outcomes]) < 1.25
    assert sum(held(o.truth, o.ols) for o in outcomes) < 22
    assert sum(o.steps for o in outcomes) == 0


def test_slip_within_six_hours():
    """Pins that a slip of 0.1° is told within 6 running hours at the median, at φ = 0.95, the hardest, too."""
    for phi in (0.7, 0.95):
        delays = [find_slip((10_000 + i, phi, 0.1))[0] for i in range(7)]
        assert np.median([np.inf if d is None else d for d in delays]) <= 6


def test_no_false_step_in_two_engine_years():
    """Pins silence over two engine-years of 6,000 running hours without a step."""
    assert [false_steps((20_000 + i, phi))[0] for i, phi in enumerate((0.6, 0.95))] == [0, 0]
