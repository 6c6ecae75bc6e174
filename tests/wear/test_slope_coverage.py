"""The claims of `tests/bench/bench_drift_noise.py` on fewer voyages, so that CI holds them."""

import numpy as np
import pytest
from slope_trials import run_trial


@pytest.mark.parametrize("kind", ["SEA", *(pytest.param(kind, marks=pytest.mark.slow) for kind in ("OU36", "LEG"))])
def test_range_holds_at_a_thousand_hours(kind):
    """Pins, on ten seeded voyages, that the 90 % range at 1,000 h holds the truth in seven or more (the binomial at
    1 in 80 for 90 %), and that it is at most 2.7 times as wide as that of somebody who knows the noise."""
    at_1000 = [run_trial((kind, seed, 1000, "", 1)).outcomes[-1] for seed in range(10)]
    assert sum(o.held for o in at_1000) >= 7
    assert np.median([o.width / o.oracle for o in at_1000]) < 2.7


@pytest.mark.slow
def test_booked_loading_narrows_the_range():
    """Pins that with the loading booked the range at 1,000 h of legs alone is at most a third as wide."""
    widths = {
        booked: np.median([run_trial(("LEG", seed, 1000, booked, 1)).outcomes[-1].width for seed in range(6)])
        for booked in ("", "loading")
    }
    assert widths["loading"] < widths[""] / 3
