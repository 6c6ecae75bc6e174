"""Ten-minute medians."""

import statistics

import numpy as np
import pytest

from gateway.measure.medians import REVOLUTIONS_MIN, WINDOW_US, TenMinutes
from gateway.model.records import Cycle, Health


def cycle(t_s: float, lag: float | None = 1.0, spring: float | None = 180.0, rpm: float = 96.0) -> Cycle:
    """A steady revolution."""
    orders = (0.2,) * 8 if lag is not None else ()
    return Cycle(round(t_s * 1e6), 0.625, rpm, lag, lag, 0.5, spring, 0.8, orders, True)


def health(casing_c: float | None, frame_c: float | None = 48.0) -> Health:
    """A health frame with these temperatures."""
    return Health(1, 1, 0, None, casing_c, frame_c, None, None, None, None, None, None)


def test_medians_are_those_of_the_statistics_library() -> None:
    """Lag, spring, speed, and the median of their absolute deviations; hours and time at the middle."""
    rng = np.random.default_rng(5)
    lags, springs = rng.normal(1.0, 0.02, 300).tolist(), rng.normal(180.0, 0.1, 300).tolist()
    ten = TenMinutes()
    for k in range(300):
        assert not ten.due(k * 1_000_000)
        ten.cycle(cycle(k, lags[k], springs[k], 96.0 + k / 100), 21_400.0 + k / 3_600, health(40.0 + k / 10), k / 300)
    assert ten.due(WINDOW_US)
    assert ten.last_us == 299_000_000
    window = ten.close(1_700_000_299.0, None)
    assert window is not None
    assert (window.slap_mm, window.order1_deg, window.pause_rpm) == (pytest.approx(0.8), pytest.approx(0.2), None)
    m = window.median
    middle = statistics.median(lags)
    assert m.lag_deg == pytest.approx(middle)
    assert m.lag_mad_deg == pytest.approx(statistics.median(abs(x - middle) for x in lags))
    assert m.spring_mm == pytest.approx(statistics.median(springs))
    assert m.rpm == pytest.approx(96.0 + 1.495)
    assert m.revolutions == 300
    assert m.utc_s == pytest.approx(1_700_000_299.0 - 149.5)
    assert m.hours == pytest.approx(21_400.0 + 149.5 / 3_600)
    assert m.casing_c == pytest.approx(40 + 14.95)
    assert m.load == pytest.approx(149.5 / 300)
    assert m.frame_c == 48.0


@pytest.mark.parametrize("n", range(REVOLUTIONS_MIN + 2))
def test_three_revolutions_make_a_median_and_fewer_do_not(n: int) -> None:
    """A burst's few revolutions count from three on."""
    ten = TenMinutes()
    for k in range(n):
        ten.cycle(cycle(k), 0.0, None, None)
    assert (ten.take(0.0) is not None) == (n >= REVOLUTIONS_MIN)


def test_a_figure_that_is_missing_leaves_the_other() -> None:
    """No lag in any revolution: the spring's median stands alone, and the other way round."""
    ten = TenMinutes()
    for k in range(10):
        ten.cycle(cycle(k, lag=None), 0.0, None, None)
    m = ten.take(0.0)
    assert m is not None and (m.lag_deg, m.lag_mad_deg, m.spring_mm) == (None, None, 180.0)
    for k in range(10):
        ten.cycle(cycle(k, spring=None), 0.0, None, None)
    m = ten.take(0.0)
    assert m is not None and (m.lag_deg, m.spring_mm) == (1.0, None)


def test_windows_are_cut_at_whole_ten_minutes_and_do_not_mix() -> None:
    """What was taken is gone; a window without revolutions is not due."""
    ten = TenMinutes()
    assert not ten.due(10 * WINDOW_US)
    for k in range(5):
        ten.cycle(cycle(595 + k), 0.0, None, None)
    assert ten.due(600_000_000) and not ten.due(599_999_999)
    assert ten.take(0.0) is not None
    assert not ten.due(10 * WINDOW_US)
    assert ten.take(0.0) is None


def test_warmth_and_load_are_of_the_same_minutes_as_the_lag() -> None:
    """A head in bursts: the first revolutions still know the warmth of the burst before, and the window is closed only
    when the next begins; neither is what went with these revolutions (found by voyages: false steps after port)."""
    ten = TenMinutes()
    for k in range(10):
        old = k < 2
        ten.cycle(cycle(k), 0.0, health(30.0 if old else 56.0), 0.1 if old else 0.75)
    assert ten.due(1_800_000_000)
    m = ten.take(0.0)
    assert m is not None and (m.casing_c, m.load) == (56.0, 0.75)


def test_what_is_not_fitted_stays_unknown() -> None:
    """No sensor, no figure; one that was known for a while gives the middle of that while."""
    ten = TenMinutes()
    for k in range(5):
        ten.cycle(cycle(k), 0.0, health(55.0 + k if k > 1 else None, None), None)
    m = ten.take(0.0)
    assert m is not None and (m.casing_c, m.frame_c, m.load) == (58.0, None, None)


@pytest.mark.parametrize("celsius", [-50.0, 850.0])
def test_a_temperature_that_no_engine_has_is_none(celsius: float) -> None:
    """An input that stands at the end of its range would move the trend by a hundred kelvin."""
    ten = TenMinutes()
    for k in range(5):
        ten.cycle(cycle(k), 0.0, health(celsius, 48.0), None)
    m = ten.take(0.0)
    assert m is not None and (m.casing_c, m.frame_c) == (None, 48.0)


def test_a_restart_lets_go_of_what_was_gathered() -> None:
    """After a jump the medians are of the new level only."""
    ten = TenMinutes()
    for k in range(8):
        ten.cycle(cycle(k, lag=1.0), 0.0, None, None)
    ten.restart()
    assert not ten.due(10 * WINDOW_US)
    for k in range(8, 12):
        ten.cycle(cycle(k, lag=9.0), 0.0, None, None)
    m = ten.take(0.0)
    assert m is not None and m.lag_deg == 9.0
