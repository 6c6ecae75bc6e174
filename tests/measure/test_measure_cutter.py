"""The cutter against a plain reference, and against itself under every splitting of the stream."""

from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from measure_blocks import ALL_VALID, Frame, blocks_of, frames_of
from measure_reference import Turn, turns

from gateway.measure.cutter import Cut, Cutter, FrameSums
from gateway.measure.loop import BAD_NM
from gateway.model.records import CAM_VALID, LOOP_VALID

LENGTHS = np.full(65_536, BAD_NM, dtype=np.int64)
LENGTHS[3_800:20_501] = 150_000_000 + 5_000 * (np.arange(3_800, 20_501) - 4_000)
INTERVAL_US = 2_000


@dataclass(frozen=True)
class Stream:
    """What a head could send: frames, and by what they were made."""

    frames: list[Frame]
    ratio: int
    slow_s: float


@st.composite
def streams(draw: st.DrawFn, validity: bool = True) -> Stream:
    """Pieces of running ahead, astern, creeping and dithering, with any lag about any zero, any loop current."""
    ratio = draw(st.sampled_from([1, 2]))
    seed = draw(st.integers(0, 2**32 - 1))
    rng = np.random.default_rng(seed)
    steps = []
    for _ in range(draw(st.integers(1, 6))):
        speed = draw(st.sampled_from([9_000, 2_500, 300, 40, 3, 0, -3, -300, -2_500, -9_000]))
        jitter = draw(st.sampled_from([0, 1, 30, 3_000]))
        n = draw(st.integers(1, 250))
        steps.append(speed + rng.integers(-jitter, jitter + 1, n))
    step = np.clip(np.concatenate(steps), -30_000, 30_000)
    crank = draw(st.integers(-70_000, 70_000)) + np.cumsum(step)
    if draw(st.booleans()):
        crank = (crank // 4_096) * 4_096  # so coarse an encoder stands on a cycle's edge again and again
    n = len(crank)
    lag = draw(st.integers(-40_000, 40_000)) + (300 * np.sin(crank / 65_536 * 2 * np.pi * 3)).astype(np.int64)
    cam = (crank - lag - rng.integers(-3, 4, n)) // ratio
    loop = 9_000 + rng.integers(-900, 900, n)
    if draw(st.booleans()):
        loop[rng.random(n) < 0.002] = 3_650
    size = draw(st.sampled_from([1, 3, 50]))
    count = n // size
    bits = [ALL_VALID] * count
    if validity and count:
        for mask in draw(st.lists(st.sampled_from([CAM_VALID, LOOP_VALID]), max_size=3)):
            at = draw(st.integers(0, count - 1))
            for k in range(at, min(count, at + draw(st.integers(1, 4)))):
                bits[k] &= ~mask
    frames = frames_of(crank, cam, loop, size=size, valid=bits)
    return Stream(frames, ratio, draw(st.sampled_from([0.05, 0.3, 30.0])))


def fed(s: Stream, cuts: list[int]) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray]]:
    """Everything the cutter gives for a splitting; `frame` numbered over the whole stream."""
    cutter = Cutter(s.ratio, LENGTHS, s.slow_s)
    made: list[tuple[Cut, FrameSums]] = []
    bases, base = [], 0
    for block in blocks_of(s.frames, cuts):
        made.append(cutter.feed(block))
        bases.append(base)
        base += len(block.starts)
    cut = {f: np.concatenate([getattr(c, f) for c, _ in made]) for f in Cut.__slots__}
    cut["frame"] = np.concatenate([c.frame + b for (c, _), b in zip(made, bases, strict=True)])
    cut["orders"] = np.concatenate([c.orders(s.ratio) for c, _ in made])
    return cut, {f: np.concatenate([getattr(x, f) for _, x in made]) for f in FrameSums.__slots__}


@pytest.mark.slow
@settings(max_examples=150)
@given(streams(), st.data())
def test_any_splitting_gives_the_same_bits(s: Stream, data: st.DataObject) -> None:
    """Cycles and frame sums are equal to the last bit whether the stream comes whole, by frames, or cut anywhere."""
    if not s.frames:
        return
    some = data.draw(st.lists(st.integers(1, len(s.frames)), max_size=6))
    whole, sums = fed(s, [])
    for cuts in (list(range(1, len(s.frames))), some):
        parted, parted_sums = fed(s, cuts)
        for name, values in whole.items():
            np.testing.assert_array_equal(parted[name], values, err_msg=name)
        for name, values in sums.items():
            np.testing.assert_array_equal(parted_sums[name], values, err_msg=name)


def test_an_encoder_that_dithers_on_an_edge_astern_gives_the_same_bits() -> None:
    """Astern, a sample exactly on the edge, a step back and on again: start and end of the cycles are the crossing."""
    down = np.arange(5 * 65_536 + 2_048, -65_536, -4_096)
    crank = []
    for c in down - 2_048:
        crank += [c, c + 4_096, c] if c % 65_536 == 0 else [c]
    counts = np.array(crank)
    lag = 100 + 7 * np.arange(len(counts)) % 400
    s = Stream(frames_of(counts, counts - lag, np.full(len(counts), 9_000), size=1), 1, 30.0)
    whole, _ = fed(s, [])
    parted, _ = fed(s, list(range(1, len(s.frames))))
    assert len(whole["lag"]) >= 4
    np.testing.assert_array_equal(parted["bins"], whole["bins"])
    assert whole["lag"].tolist() == pytest.approx([float(t.lag) for t in reference(s)], abs=1e-6)


def reference(s: Stream) -> list[Turn]:
    """The same stream through the plain reference."""
    crank = [int(c) for f in s.frames for c in f.crank]
    cam = [int(c) for f in s.frames for c in f.cam]
    spring: list[int | None] = []
    for f in s.frames:
        for ua in f.loop.tolist():
            measures = 3_800 <= ua <= 20_500 and f.valid & LOOP_VALID
            spring.append(150_000_000 + 5_000 * (ua - 4_000) if measures else None)
    us = [f.head_us + i * INTERVAL_US for f in s.frames for i in range(len(f.crank))]
    first = bool(s.frames[0].valid & CAM_VALID)
    return turns(crank, cam, spring, us, s.ratio, s.slow_s * s.ratio * 1e6, first)


@settings(max_examples=150)
@given(streams())
def test_agrees_with_plain_loops(s: Stream) -> None:
    """Every figure of every cycle equals exact fractions summed by plain loops over crank angle."""
    if not s.frames:
        return
    cut, _ = fed(s, [])
    wanted = reference(s)
    assert cut["direction"].tolist() == [t.direction for t in wanted]
    for k, t in enumerate(wanted):
        assert cut["lag"][k] == pytest.approx(float(t.lag), abs=1e-6)
        assert cut["lag_p2p"][k] == t.lag_p2p
        assert cut["duration_us"][k] == pytest.approx(float(t.duration_us), abs=1e-3)
        assert abs(cut["end_us"][k] - float(t.end_us)) <= 1.0
        assert cut["spring_bad"][k] == (t.spring is None)
        if t.spring is not None:
            assert cut["spring_nm"][k] == pytest.approx(float(t.spring), abs=0.01)
            assert cut["slap_nm"][k] == t.slap


@settings(max_examples=60)
@given(streams())
def test_a_cycle_with_an_invalid_cam_sample_says_so(s: Stream) -> None:
    """`lag_bad` is set for exactly the cycles that touch a frame whose cam is not valid."""
    if not s.frames:
        return
    cut, _ = fed(s, [])
    size = len(s.frames[0].crank)
    us = cut["end_us"]
    begin = us - cut["duration_us"]
    for k in range(len(us)):
        # From the sample before the first edge to the one after the last; edges that fall on a sample touch both.
        first = int((begin[k] - 1e-3) // INTERVAL_US) // size
        last = int((us[k] + 1) // INTERVAL_US + 1) // size
        touched = [f.valid & CAM_VALID for f in s.frames[max(first, 0) : last + 1]]
        if cut["lag_bad"][k]:
            assert not all(touched)
        if not all(touched[1:-1]):
            assert cut["lag_bad"][k]


@pytest.mark.parametrize("ratio", [1, 2])
def test_orders_of_a_known_lag(ratio: int) -> None:
    """The amplitudes of orders 1, 3 and 6 of the lag come out as put in, whatever the speed ripple, and no other."""
    n = 6_000
    turn = np.linspace(0.0, 8.03, n)
    turn += 0.03 / 6 / (2 * np.pi) * np.sin(6 * 2 * np.pi * turn)
    put = {1: 36.0, 3: 45.0, 6: 22.0}
    lag = sum(a * np.sin(2 * np.pi * k * turn + k) for k, a in put.items())
    # Fine counts: the lag is what cam makes of it, held to whole counts by the link.
    crank = np.rint(turn * 65_536).astype(np.int64)
    cam = np.rint((crank - lag) / ratio).astype(np.int64)
    loop = np.full(n, 9_000)
    cut, _ = fed(Stream(frames_of(crank, cam, loop), ratio, 30.0), [])
    assert len(cut["lag"]) >= 3
    for orders in cut["orders"]:
        for k, amplitude in enumerate(orders, start=1):
            assert amplitude == pytest.approx(put.get(k, 0.0), abs=0.35)


def test_lag_mean_is_over_angle_not_time() -> None:
    """A lag that goes with the speed ripple keeps its angle mean of nought, where the mean over time is far off."""
    n = 5_000
    t = np.linspace(0, 5.02, n)
    turn = t + 0.5 / (2 * np.pi) * np.sin(2 * np.pi * t)  # speed 1 + 0.5·cos
    lag = 400 * np.cos(2 * np.pi * turn)
    crank = np.rint(turn * 65_536).astype(np.int64)
    cut, _ = fed(Stream(frames_of(crank, np.rint(crank - lag).astype(np.int64), np.full(n, 9_000)), 1, 30.0), [])
    over_time = lag[(turn >= 1) & (turn < 4)].mean()
    assert np.abs(cut["lag"]).max() < 0.5
    assert abs(over_time) > 40


def test_slow_turns_hold_no_memory() -> None:
    """On the turning gear the kept samples stay below what `slow_s` lasts, and no cycle is averaged."""
    n = 60_000
    crank = np.arange(n) // 4  # one turn takes 524 s
    cutter = Cutter(1, LENGTHS, 30.0)
    for block in blocks_of(frames_of(crank, crank, np.full(n, 9_000)), list(range(0, n // 50, 20))):
        cut, _ = cutter.feed(block)
        assert len(cut.frame) == 0
        assert len(cutter._crank) <= 15_000 + 1_000


def test_a_break_joins_nothing() -> None:
    """Two halves of a turn on either side of a break make no cycle."""
    crank = np.arange(0, 65_536 * 3, 400)
    frames = frames_of(crank, crank, np.full(len(crank), 9_000))
    whole = Cutter(1, LENGTHS).feed(blocks_of(frames)[0])[0]
    assert len(whole.frame) == 1
    halves = blocks_of(frames, [len(frames) // 2])
    broken = Cutter(1, LENGTHS)
    parts = [broken.feed(replace(b, joined=False))[0] for b in halves]
    assert [len(p.frame) for p in parts] == [0, 0]
