"""Ride-out against drives built from their geometry: wheels, straight strands, a tightener that takes up the slack.

A worn chain's pitch p·(1 + ε) lies on a pitch circle of diameter p·(1 + ε)/sin(π/z) (ISO 606, from memory; the
factor itself is checked in `test_geometry_tables`) with full ride-out, and on the new one without.
"""

import math

import numpy as np
import pytest
from drive_engines import tern

from gateway.wear.elongation import Change
from gateway.wear.ride_out import Interval, RideOut, mesh_links, mesh_share


def slack_mm(pitch_mm: float, teeth: int, links: int, centre_mm: float, growth: float, kappa: float) -> float:
    """Chain left over on two equal wheels at a fixed distance: its length less the path over arcs and tangents."""
    arc_pitch_mm = pitch_mm * (1 + kappa * growth)
    path_mm = 2 * centre_mm + teeth * arc_pitch_mm
    # Links on the wheels lie at the arc's pitch; the free ones at their own.
    return links * pitch_mm * (1 + growth) - path_mm


def test_slack_of_two_equal_wheels():
    """Pins 0.70 of the loop for 45 of 150 links in mesh and full ride-out, and the whole of it without."""
    centre_mm = (150 - 45) / 2 * 114.3
    loop_mm = 150 * 114.3
    full, none = (slack_mm(114.3, 45, 150, centre_mm, 0.01, kappa) for kappa in (1.0, 0.0))
    assert full / (0.01 * loop_mm) == pytest.approx(0.70)
    assert none / (0.01 * loop_mm) == pytest.approx(1.0)
    learner = RideOut(45 / 150)
    for kappa, seen in ((1.0, full), (0.0, none)):
        learner.restart()
        exact = Interval(Change(1.0, 1e-4), Change(seen / loop_mm * 100, 1e-4))
        assert learner.learn(exact)
        assert learner.kappa()[1] == pytest.approx(kappa, abs=0.011)


def test_links_in_mesh_by_turning_angles():
    """Pins Σ z·wrap/360 for a closed path: a polygonal strand with the tightener outside turns 360° in all."""
    engine = tern()
    wheel, tight = engine.chain.crank_teeth, 20
    # Both wheels on a line, the slack strand pressed inwards at its middle by 90°: it leaves each wheel 45° later.
    wraps = [180 + 45, 180 + 45]
    assert sum(wraps) - 90 == 360
    expected = sum(wheel * w / 360 for w in wraps) + tight * 90 / 360
    assert mesh_links(engine.chain, 1, 90.0) == pytest.approx(expected)
    assert mesh_links(engine.chain, 1, 90.0) == pytest.approx(61, abs=0.5)
    assert 1 - mesh_share(engine) == pytest.approx(0.60, abs=0.01)


def test_lag_does_not_see_ride_out():
    """Pins 3.64 to 3.68° of lag at 1 % over 46 links of equal wheels of 45 teeth, whatever the ride-out (derived)."""
    radius_mm = 114.3 / math.sin(math.pi / 45) / 2
    without = math.degrees(0.01 * 46 * 114.3 / radius_mm)
    ridden = math.degrees(0.01 * 46 * 114.3 / (radius_mm * 1.01))
    assert 3.62 < ridden < without < 3.68


def test_posterior_is_that_of_quadrature():
    """Pins κ's quantiles against Bayes' rule done by numerical integration over the true growth, flat, and κ."""
    learner, m = RideOut(0.4), 0.4
    intervals = [Interval(Change(0.1, 0.012), Change(0.08, 0.015)), Interval(Change(0.09, 0.01), Change(0.066, 0.015))]
    assert all(learner.learn(i) for i in intervals)
    kappas, growth = np.linspace(0, 1, 401), np.linspace(0, 0.2, 2001)
    posterior = np.ones_like(kappas)
    for i in intervals:
        lag = np.exp(-0.5 * ((i.lag.value - growth) / i.lag.se) ** 2)
        seen = np.exp(-0.5 * ((i.tightener.value - np.outer(1 - kappas * m, growth)) / i.tightener.se) ** 2)
        posterior *= (seen * lag).sum(axis=1)
    below = np.cumsum(posterior) / posterior.sum()
    for share, found in zip((0.05, 0.5, 0.95), learner.kappa(), strict=True):
        # The integral over a flat growth leaves no factor 1/σ of the difference: the two differ by little.
        assert found == pytest.approx(float(np.interp(share, below, kappas)), abs=0.05)
