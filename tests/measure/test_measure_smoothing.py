"""Spike gate, medians and exponentially weighted means."""

import math
import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.measure.smoothing import Ewma, Smoother, SpikeGate, is_spike, median

FIGURES = st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=30)


@given(FIGURES)
def test_median_is_the_statistics_librarys(values: list[float]) -> None:
    """Odd and even counts."""
    assert median(values) == pytest.approx(statistics.median(values), abs=1e-9)


def noisy(n: int) -> list[float]:
    """A small repeatable unrest about one."""
    return [1.0 + 0.01 * math.sin(7.3 * k) for k in range(n)]


def test_single_spikes_are_refused_and_their_neighbours_are_not() -> None:
    """One odd revolution in either direction, and two in a row, never pass."""
    gate = SpikeGate(11, 4.0, 0.01)
    values = noisy(60)
    for k in (20, 35, 36, 50):
        values[k] += 5.0 if k % 2 else -5.0
    admitted = [gate.admits(v) for v in values]
    assert [k for k, ok in enumerate(admitted) if not ok] == [20, 35, 36, 50]


def test_a_real_step_passes_once_it_holds_the_middle() -> None:
    """A step of any size is refused for half the window and passes for good from then on."""
    gate = SpikeGate(11, 4.0, 0.01)
    assert all(gate.admits(v) for v in noisy(30))
    after = [gate.admits(v + 8.0) for v in noisy(30)]
    assert after[:5] == [False] * 5
    assert all(after[6:])


def test_the_floor_lets_equal_values_change_a_little() -> None:
    """A window of equal values has no spread: without the floor a change of a billionth would be a spike."""
    window = [2.0] * 11
    assert is_spike(window, 2.0 + 1e-9, 4.0)
    assert not is_spike(window, 2.009, 4.0, 0.01)
    assert is_spike(window, 2.011, 4.0, 0.01)


def test_the_first_three_pass() -> None:
    """There is nothing to compare with."""
    gate = SpikeGate(11, 4.0, 0.01)
    assert [gate.admits(v) for v in (1.0, 900.0, -5.0)] == [True, True, True]


def test_the_fourth_is_compared() -> None:
    """Three before it are enough to know what is odd."""
    gate = SpikeGate(11, 4.0, 0.01)
    assert [gate.admits(v) for v in (1.0, 1.001, 1.002, 9.0)] == [True, True, True, False]


def test_after_a_pause_the_mean_is_that_of_the_revolutions_since_without_spikes() -> None:
    """What was before is no yardstick; of the first three it is the middle, then the mean."""
    s = Smoother(SpikeGate(5, 4.0, 0.01), 30.0, 3_600.0)
    for v in noisy(30):
        s.update(v, 0.6)
    s.pause()
    late = [7.004, 7.001, 7.5, 7.002]
    for k, v in enumerate(late, 1):
        s.update(v, 0.6)
        assert s.fast.value == pytest.approx(median(late[:k]) if k < 4 else (7.004 + 7.001 + 7.002) / 3, abs=1e-12)
    middle = s.fast.value
    assert middle is not None
    s.update(7.009, 0.6)
    assert s.fast.value == pytest.approx(middle + (1 - math.exp(-0.6 / 30.0)) * (7.009 - middle), abs=1e-12)


@given(st.lists(st.tuples(st.floats(-10, 10), st.floats(0.01, 1_000)), min_size=1, max_size=40))
def test_mean_stays_within_what_it_was_given(steps: list[tuple[float, float]]) -> None:
    """Whatever the steps of time, the mean never leaves the range of its values."""
    mean = Ewma(30.0)
    for value, dt_s in steps:
        out = mean.update(value, dt_s)
    values = [v for v, _ in steps]
    assert min(values) - 1e-9 <= out <= max(values) + 1e-9


@given(st.floats(-5, 5), st.floats(-5, 5), st.floats(0.1, 200), st.floats(0.1, 200))
def test_two_steps_of_one_value_are_one_long_step(start: float, value: float, a_s: float, b_s: float) -> None:
    """The weight depends on time alone, not on how many revolutions it was cut into."""
    one, two = Ewma(30.0, start), Ewma(30.0, start)
    one.update(value, a_s + b_s)
    two.update(value, a_s)
    two.update(value, b_s)
    assert one.value == pytest.approx(two.value, abs=1e-9)


def test_smoother_counts_spikes_and_they_leave_no_trace() -> None:
    """A refused value moves neither mean nor time."""
    s = Smoother(SpikeGate(11, 4.0, 0.01), 30.0, 3_600.0)
    for v in noisy(30):
        assert s.update(v, 0.6)
    before = (s.fast.value, s.slow.value, s.seen_s)
    assert not s.update(9.0, 0.6)
    assert not s.update(-9.0, 0.6)
    assert (s.fast.value, s.slow.value, s.seen_s) == before
    assert s.spikes == 2


def test_smoother_goes_on_from_a_checkpoint() -> None:
    """The same values give the same means and refusals with and without a restart in between."""
    whole, first = (Smoother(SpikeGate(11, 4.0, 0.01), 30.0, 3_600.0) for _ in range(2))
    values = noisy(40)
    values[25] += 3.0
    for v in values[:20]:
        whole.update(v, 0.6)
        first.update(v, 0.6)
    second = Smoother(SpikeGate(11, 4.0, 0.01), 30.0, 3_600.0)
    second.restore(first.checkpoint())
    for v in values[20:]:
        assert whole.update(v, 0.6) == second.update(v, 0.6)
    assert (whole.fast.value, whole.slow.value, whole.seen_s) == (second.fast.value, second.slow.value, second.seen_s)


def test_smoother_forgets_on_restart() -> None:
    """After a new zero the first value is the mean."""
    s = Smoother(SpikeGate(11, 4.0, 0.01), 30.0, 3_600.0)
    for v in noisy(30):
        s.update(v, 0.6)
    s.restart()
    assert s.update(-40.0, 0.6)
    assert (s.fast.value, s.slow.value) == (-40.0, -40.0)


def test_a_standstill_ends_what_a_pause_began() -> None:
    """After a pause the fast mean is the median of what came since; a standstill begins it again without that."""
    s = Smoother(SpikeGate(9, 4.0, 10.0), 60.0, 3600.0)
    s.pause()
    s.update(5.0, 1.0)
    s.begin_again()
    s.update(1.0, 1.0)
    s.update(2.0, 1.0)
    assert s.fast.value == pytest.approx(1.0 - math.expm1(-1.0 / 60.0))
