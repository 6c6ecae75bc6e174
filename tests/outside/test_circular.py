"""The lag's wrapping against circular statistics: published examples and `scipy.stats`.

Sources: Mardia & Jupp, Directional Statistics (2000), example 1.1; Zar, Biostatistical Analysis (2010), example 26.4;
Jammalamadaka & SenGupta, Topics in Circular Statistics (2001), p. 23; the reference values of scipy's own tests of its
circular functions, made with R's package `circular`.

The gateway takes no circular mean: it unwraps each revolution against the mean so far and averages plainly. For the
narrow spread that a chain drive has, both must agree; for the published examples, which spread over half a circle, what
must agree is the wrapping itself: the deviations from the circular mean, and their sines' sum, which is nought.
"""

import math

import numpy as np
import pytest
import scipy
from drive_engines import tern

from gateway.measure.meter import Meter

PUBLISHED = [
    ([43, 45, 52, 61, 75, 88, 88, 279, 357], 51.05, 0.711),
    ([45, 55, 81, 96, 110, 117, 132, 154], 98.99, 0.82522),
    ([51, 67, 40, 109, 31, 358], 48.6271809, 0.836436),
    ([355, 5, 2, 359, 10, 350], 0.167690146, 0.993545),
]
"""Angles in degrees, their mean direction, and the mean resultant length."""


def meter(zero_deg: float) -> Meter:
    """A meter with this zero."""
    return Meter(tern(lag={"zero_deg": zero_deg}))


@pytest.mark.parametrize(("angles", "mean_deg", "resultant"), PUBLISHED)
def test_wrapped_deviations_from_the_published_means(angles: list[int], mean_deg: float, resultant: float) -> None:
    """From the published mean as zero, the wrapped angles lie within half a turn, and have its resultant."""
    m = meter(mean_deg)
    away = [m.lag_of(float(a)) for a in angles]
    assert all(a is not None and -180.0 <= a < 180.0 for a in away)
    sines = [math.sin(math.radians(a)) for a in away if a is not None]
    cosines = [math.cos(math.radians(a)) for a in away if a is not None]
    assert sum(sines) / len(angles) == pytest.approx(0.0, abs=1e-4)
    assert sum(cosines) / len(angles) == pytest.approx(resultant, abs=1e-5 if len(angles) != 9 else 1e-4)
    assert float(scipy.stats.circmean(angles, high=360)) == pytest.approx(mean_deg, abs=0.005)


def test_narrow_angles_average_as_scipys_circular_mean() -> None:
    """Scipy's own example, 355 5 2 359 10 350: unwrapped one after the other and averaged plainly, within 0.005°."""
    angles = PUBLISHED[3][0]
    m = meter(0.0)
    plain = float(np.mean([m._continuous(float(a)) for a in angles])) % 360.0
    assert plain == pytest.approx(float(scipy.stats.circmean(angles, high=360)), abs=0.005)


def test_mean_of_350_and_10_is_0_and_not_180() -> None:
    """The textbook trap."""
    m = meter(0.0)
    mean = float(np.mean([m._continuous(350.0), m._continuous(10.0)]))
    assert m.lag_of(mean) == pytest.approx(0.0, abs=1e-12)
    assert m.lag_of(350.0) == -10.0


@pytest.mark.parametrize(("raw", "zero", "lag"), [(0.1, 359.9, 0.2), (359.9, 0.1, -0.2), (17.35, 17.35, 0.0)])
def test_differences_across_nought(raw: float, zero: float, lag: float) -> None:
    """359.9° and 0.1° are 0.2° apart, with the sign of the later one."""
    assert meter(zero).lag_of(raw) == pytest.approx(lag, abs=1e-9)


@pytest.mark.parametrize("centre", [0.0, 90.0, 179.99, 180.0, 269.0, 359.99])
def test_noise_about_any_zero_averages_as_scipys(centre: float) -> None:
    """A thousand revolutions of 0.1° noise about any raw angle, also where it wraps: within 1e-6°."""
    raw = (centre + np.random.default_rng(6).normal(0, 0.1, 1_000)) % 360.0
    m = meter(0.0)
    plain = float(np.mean([m._continuous(float(a)) for a in raw]))
    circular = float(scipy.stats.circmean(raw, high=360))
    assert (plain - circular + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1e-6)
