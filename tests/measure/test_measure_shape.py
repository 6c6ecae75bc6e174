"""The mean shape of the lag over the crank angle, however seldom it is summed up."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.measure.shape import GATHERED_MAX, ShapeMean


@settings(max_examples=50)
@given(st.integers(0, 2**32 - 1), st.integers(1, 3 * GATHERED_MAX), st.sets(st.integers(0, 3 * GATHERED_MAX)))
def test_it_is_the_mean_taken_cycle_by_cycle(seed: int, cycles: int, looked_at: set[int]) -> None:
    """mean += (shape − mean)·min(1, duration/τ) from the first shape on, whenever somebody looks at it."""
    rng = np.random.default_rng(seed)
    mean, wanted = ShapeMean(2.0), None
    for k in range(cycles):
        shape, duration_s = rng.normal(size=64), float(rng.uniform(0.1, 2.5))
        mean.add(shape, duration_s)
        wanted = shape if wanted is None else wanted + (shape - wanted) * min(1.0, duration_s / 2.0)
        if k in looked_at:
            np.testing.assert_allclose(mean.mean_deg, wanted, atol=1e-12)
    np.testing.assert_allclose(mean.mean_deg, wanted, atol=1e-12)


def test_there_is_none_before_the_first_cycle() -> None:
    """And a single one is its own mean."""
    mean = ShapeMean(30.0)
    assert mean.mean_deg is None
    mean.add(np.arange(64.0), 0.6)
    assert mean.mean_deg == pytest.approx(np.arange(64.0))
