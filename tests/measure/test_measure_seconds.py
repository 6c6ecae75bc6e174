"""Seconds: what travelled, what the loop did, and that no second is missed or doubled, however frames fall."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from measure_blocks import blocks_of, frames_of

from gateway.measure.cutter import Cutter
from gateway.measure.loop import BAD_NM
from gateway.measure.seconds import Second, SecondCounter, sums_without_crank
from gateway.model.records import CAM_VALID, CRANK_VALID, LOOP_VALID

LENGTHS = np.full(65_536, BAD_NM, dtype=np.int64)
LENGTHS[3_800:20_501] = 150_000_000 + 5_000 * (np.arange(3_800, 20_501) - 4_000)


def seconds(frames, cuts=(), interval_ns=2_000_000, ratio=1):  # type: ignore[no-untyped-def]
    """Every second that the frames make."""
    cutter, counter, out = Cutter(ratio, LENGTHS), SecondCounter(), []
    for block in blocks_of(frames, cuts, interval_ns):
        if block.valid & CRANK_VALID:
            sums = cutter.feed(block)[1]
        else:
            sums = sums_without_crank(block, LENGTHS, cutter.skip(block))
        out += [s for _, s in counter.feed(block, sums)]
    return out


def steady(n: int, per_sample: float, lag: int = 700) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Crank, cam, loop of a shaft that turns evenly."""
    crank = np.rint(np.arange(n) * per_sample).astype(np.int64)
    return crank, crank - lag, np.full(n, 10_000)


def test_figures_of_an_even_second() -> None:
    """Speed, travel, lag and length of steady running are those put in, second by second."""
    made = seconds(frames_of(*steady(2_500, 209.7152)))
    assert len(made) == 5
    for s in made:
        assert s.rpm == pytest.approx(96.0, abs=0.01)
        assert s.lag == 700.0
        assert s.spring_nm == LENGTHS[10_000]
        assert s.cam_travel == s.crank_travel
        assert (s.frames, s.n, s.loop_step_ua, s.spring_bad_share) == (10, 500, 0.0, 0.0)
        assert (s.loop_min_ua, s.loop_max_ua) == (10_000, 10_000)


@pytest.mark.parametrize("rate_hz", [128, 200, 300, 333, 500, 1_000, 1_500, 3_000])
def test_no_second_is_missed_and_the_speed_is_right_at_any_rate(rate_hz: int) -> None:
    """Where frames do not divide a second, or the interval is no whole µs: one second a second, speed within 1e-4."""
    interval_ns = round(1e9 / rate_hz)
    n = 20 * rate_hz
    crank, cam, loop = steady(n, 65_536 * 1.6 / rate_hz)
    made = seconds(frames_of(crank, cam, loop, interval_ns=interval_ns), interval_ns=interval_ns)
    assert 19 <= len(made) <= 20
    for s in made[1:]:
        assert s.rpm == pytest.approx(96.0, rel=1e-4)
        assert s.covered_us == pytest.approx(1e6, abs=50 * interval_ns / 1000 + 2)


def test_four_stroke_cam_travel_is_in_crank_counts() -> None:
    """Half as fast a cam shows the crank's travel once multiplied by the ratio."""
    crank, _, loop = steady(1_500, 500.0)
    made = seconds(frames_of(crank, (crank - 900) // 2, loop), ratio=2)
    assert all(abs(s.cam_travel - s.crank_travel) <= 2 for s in made)
    assert all(s.lag == pytest.approx(900.5, abs=0.6) for s in made)


@pytest.mark.slow
@settings(max_examples=60)
@given(st.integers(0, 2**32 - 1), st.lists(st.integers(1, 79), max_size=8), st.sampled_from([1, 7, 50]))
def test_any_splitting_gives_the_same_seconds(seed: int, cuts: list[int], size: int) -> None:
    """All fields of all seconds, with any sensor invalid here and there, do not depend on how frames were gathered."""
    rng = np.random.default_rng(seed)
    n = 80 * size
    crank = np.cumsum(rng.integers(-40, 400, n))
    loop = rng.integers(3_500, 21_500, n)
    valid = rng.choice([7, 7, 7, 7, 7 ^ CRANK_VALID, 7 ^ CAM_VALID, 7 ^ LOOP_VALID], 80).tolist()
    frames = frames_of(crank, crank - rng.integers(-5, 6, n), loop, size=size, valid=valid)
    assert seconds(frames) == seconds(frames, cuts) == seconds(frames, list(range(1, 80)))


def test_loop_figures_count_what_has_no_length() -> None:
    """Half the samples out of the NE 43 range: share one half, the mean over the others, steps as they are."""
    crank, cam, loop = steady(1_000, 200.0)
    loop = np.where(np.arange(1_000) % 2 == 0, 10_000, 3_000)
    s = seconds(frames_of(crank, cam, loop))[0]
    assert s.spring_bad_share == 0.5
    assert s.spring_nm == LENGTHS[10_000]
    assert s.loop_step_ua == pytest.approx(7_000, rel=0.01)
    assert (s.loop_min_ua, s.loop_max_ua) == (3_000, 10_000)


def test_without_crank_the_time_is_whole_and_nothing_travels() -> None:
    """A crank that is not valid: no speed, no travel, all of the time covered, the loop still measured."""
    frames = frames_of(*steady(2_000, 200.0), valid=[LOOP_VALID] * 40)
    for s in seconds(frames, range(40)):
        assert (s.crank_travel, s.cam_travel, s.covered_us, s.crank_valid, s.cam_valid) == (
            0,
            0,
            1_000_000,
            False,
            False,
        )
        assert s.spring_nm == LENGTHS[10_000]


def test_a_break_ends_the_second_and_no_travel_leads_across() -> None:
    """After `cut` the first frame shows only its own travel, whatever the counts were before."""
    crank, cam, loop = steady(300, 200.0)
    counter, cutter = SecondCounter(), Cutter(1, LENGTHS)
    first = blocks_of(frames_of(crank, cam, loop))[0]
    assert counter.feed(first, cutter.feed(first)[1]) == []
    part = counter.cut()
    assert isinstance(part, Second) and part.n == 300
    assert counter.cut() is None
    far = blocks_of(frames_of(crank + 40_000, cam, loop, start_us=5_000_000))[0]
    cutter.reset()
    assert counter.feed(far, cutter.feed(far)[1]) == []
    after = counter.cut()
    assert (
        after is not None
        and after.crank_travel == 299 * 200
        and (after.span_ns, after.covered_us) == (299 * 2_000_000, 600_000)
    )
