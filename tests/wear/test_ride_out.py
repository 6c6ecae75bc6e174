"""Ride-out: full range first, then learned from intervals; the relation's change is found, not learned."""

import numpy as np
import pytest

from gateway.wear.elongation import Change
from gateway.wear.ride_out import LEARNED_FROM_PERCENT, Interval, RideOut

SHARE = 0.4


def interval(growth: float, kappa: float, se: float = 0.01, off: float = 0.0) -> Interval:
    """An interval of so much growth, seen exactly but for `off` at the tightener."""
    return Interval(Change(growth, se), Change(growth * (1 - kappa * SHARE) + off, se))


def test_full_range_until_enough_growth():
    """Pins that κ keeps its full range until 0.15 % was seen, whatever the intervals show, and narrows at once then."""
    r = RideOut(SHARE)
    assert r.learn(interval(0.1, 0.8))
    assert not r.learned
    low, middle, high = r.kappa()
    assert (low, middle, high) == pytest.approx((0.05, 0.5, 0.95), abs=0.01)
    assert r.learn(interval(0.06, 0.8))
    assert r.growth_percent > LEARNED_FROM_PERCENT and r.learned
    assert r.kappa()[2] - r.kappa()[0] < high - low


def test_growth_carries_the_uncertainty():
    """Pins that any κ from none to full lies within the growth's 90 % range before, and the true one after."""
    r = RideOut(SHARE)
    for kappa in (0.1, 0.5, 0.9):
        seen = Change(0.1 * (1 - kappa * SHARE), 0.001)
        found = r.growth(seen)
        assert abs(found.value - 0.1) < 1.7 * found.se
    wide = r.growth(Change(0.08, 0.001)).se
    for _ in range(8):
        assert r.learn(interval(0.1, 0.5))
    found = r.growth(Change(0.08, 0.001))
    assert found.se < 0.5 * wide
    assert found.value == pytest.approx(0.1, abs=2 * found.se)


@pytest.mark.parametrize("kappa", [0.0, 0.3, 1.0])
def test_no_disagreement_whatever_the_ride_out(kappa):
    """Pins that no constant κ parts lag and tightener, before it is learned or after."""
    r = RideOut(SHARE)
    rng = np.random.default_rng(7)
    for _ in range(12):
        lag, seen = rng.normal((0.08, 0.08 * (1 - kappa * SHARE)), 0.01).tolist()
        noisy = Interval(Change(lag, 0.01), Change(seen, 0.01))
        assert r.deviation(noisy) < 3
        r.learn(noisy)


def test_changed_relation_parts_and_is_not_learned():
    """Pins that a spring that set by more than the ride-out can explain parts, and leaves what was learned."""
    r = RideOut(SHARE)
    for _ in range(6):
        assert r.learn(interval(0.1, 0.6))
    before = r.kappa()
    set_spring = interval(0.1, 0.6, off=-0.08)
    assert r.deviation(set_spring) > 3
    assert not r.learn(set_spring)
    assert r.kappa() == before
    # Before anything was learned the same figures lie too far below even a full ride-out, too, but by less.
    assert 0 < RideOut(SHARE).deviation(set_spring) < r.deviation(set_spring)


def test_restart_is_exact():
    """Pins that a state taken and loaded gives the same figures, and that a state of another length is refused."""
    r, again = RideOut(SHARE), RideOut(SHARE)
    for _ in range(3):
        r.learn(interval(0.07, 0.4))
    again.load(r.state())
    assert again.state() == r.state()
    assert again.kappa() == r.kappa()
    with pytest.raises(ValueError, match="102 figures"):
        again.load([1.0])
    again.restart()
    assert not again.learned
    with pytest.raises(ValueError, match="between 0 and 1"):
        RideOut(1.2)
