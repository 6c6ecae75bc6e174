"""The bench's claims on fewer voyages, so that CI holds them: `python -m tests.bench.bench_forecast` has the whole."""

import numpy as np
import pytest
from wear_trials import false_steps, find_slip, held, sail


@pytest.mark.slow
def test_interval_holds():
    """Pins, on 30 seeded voyages, that the 90 % interval holds the truth as often as chance allows at 90 % (22 or more:
    1 in 300 by the binomial), that no step is reported, and that ordinary least squares on the same voyages does not
    hold."""
    outcomes = [sail(seed) for seed in range(30)]
    assert sum(held(o.truth, o.told) for o in outcomes) >= 22
    assert sum(held(o.truth, o.ols) for o in outcomes) < 22
    assert sum(o.steps for o in outcomes) == 0


@pytest.mark.slow
@pytest.mark.parametrize("phi", [0.7, 0.95])
def test_slip_within_six_hours(phi):
    """Pins that a slip of 0.1° is told within 6 running hours at the median, at φ = 0.95, the hardest, too."""
    delays = [find_slip((10_000 + i, phi, 0.1))[0] for i in range(7)]
    assert np.median([np.inf if d is None else d for d in delays]) <= 6


@pytest.mark.slow
def test_no_false_step_in_two_engine_years():
    """Pins silence over two engine-years of 6,000 running hours without a step."""
    assert [false_steps((20_000 + i, phi))[0] for i, phi in enumerate((0.6, 0.95))] == [0, 0]
