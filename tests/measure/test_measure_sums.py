"""Sums of blocks without a sound crank, the orders of a cycle, and the words of the loop's faults."""

from dataclasses import replace

import numpy as np
import pytest

from gateway.measure.cutter import BINS_PER_TURN, Cut
from gateway.measure.loop import BAD_NM
from gateway.measure.seconds import Second, sums_without_crank
from gateway.measure.sensors import SensorWatch
from gateway.model.records import CAM_VALID, LOOP_VALID, SampleBlock
from gateway.model.settings import Transducer

LOOP = [4_000, 4_010, 3_990, 9, 5_000, 5_000]
LENGTH_NM = np.where(np.arange(65_536) < 3_600, BAD_NM, 150_000_000 + 10 * np.arange(65_536)).astype(np.int64)


def block(valid: int) -> SampleBlock:
    """Two frames of four and two samples."""
    loop = np.array(LOOP, np.uint16)
    return SampleBlock(
        boot=1, interval_ns=2_000_000, valid=valid, head_us=np.array([1_000, 9_000]), starts=np.array([0, 4]),
        crank=loop, cam=loop, loop=loop, joined=False,
    )  # fmt: skip


def test_without_a_crank_the_loop_is_summed_all_the_same() -> None:
    """Ends, counts, sums of good lengths, bad ones, ends and steps of the current, by hand, for each frame."""
    s = sums_without_crank(block(LOOP_VALID | CAM_VALID), LENGTH_NM, None)
    assert (s.end_us.tolist(), s.n.tolist()) == ([9_000, 13_000], [4, 2])
    assert s.spring_sum.tolist() == [3 * 150_000_000 + 10 * 12_000, 2 * 150_000_000 + 10 * 10_000]
    assert (s.spring_bad.tolist(), s.spring_bad.dtype) == ([1, 0], np.int64)
    assert (s.loop_min.tolist(), s.loop_max.tolist()) == ([9, 5_000], [4_010, 5_000])
    assert s.loop_steps.tolist() == [10 + 20 + 3_981, 4_991]
    assert sums_without_crank(block(LOOP_VALID), LENGTH_NM, 3_000).loop_steps.tolist() == [
        1_000 + 10 + 20 + 3_981,
        4_991,
    ]
    assert not any(x.any() for x in (s.crank0, s.lag0, s.crank, s.lag, s.lag_sum))


def test_a_loop_that_is_not_valid_has_no_length_at_all() -> None:
    """Whatever its current says."""
    s = sums_without_crank(block(CAM_VALID), LENGTH_NM, None)
    assert (s.spring_sum.tolist(), s.spring_bad.tolist()) == ([0, 0], [4, 2])


@pytest.mark.parametrize("ratio", [1, 2])
def test_eight_orders_of_the_crank_with_their_amplitudes(ratio: int) -> None:
    """Each planted order comes out at its place with its own amplitude; half orders of a four-stroke do not."""
    n = BINS_PER_TURN * ratio
    fine = (np.arange(n * 50) + 0.5) / (BINS_PER_TURN * 50)
    planted = [3.0, 0.0, 1.5, 0.0, 0.0, 0.0, 0.5, 2.0]
    lag = sum(a * np.sin(2 * np.pi * k * fine + k) for k, a in enumerate(planted, start=1))
    lag = lag + (7.0 * np.sin(np.pi * fine) if ratio == 2 else 0.0)
    bins = np.asarray(lag).reshape(n, 50).mean(axis=1)[None]
    cut = object.__new__(Cut)
    object.__setattr__(cut, "bins", bins)
    assert cut.orders(ratio)[0] == pytest.approx(planted, abs=0.01)


GOOD = Second(
    t_us=1_000_000, span_ns=1_000_000_000, covered_us=1_000_000, frames=10, n=500, crank_travel=104_858,
    cam_travel=104_858, spring_nm=1.8e8, loop_min_ua=9_900, loop_max_ua=10_300, loop_step_ua=9.0,
)  # fmt: skip


BROKEN, SHORT = "(NE 43): wire broken or supply lost", "(NE 43): short circuit or overdriven"


@pytest.mark.parametrize(
    ("changes", "text"),
    [
        ({"spring_bad_share": 0.6, "loop_min_ua": 3_600}, f"loop current 3.60 mA is a failed loop {BROKEN}"),
        ({"spring_bad_share": 0.6, "loop_min_ua": 3_601}, f"loop current 3.60 mA is doubtful {BROKEN}"),
        ({"spring_bad_share": 0.6, "loop_max_ua": 20_999}, f"loop current 21.00 mA is doubtful {SHORT}"),
        ({"loop_step_ua": 1_234.0}, "loop current jumps by 1.23 mA from sample to sample: noise, check the screen"),
        ({"loop_step_ua": 9_996.0}, "loop current jumps by 10.00 mA from sample to sample: noise, check the screen"),
        ({"loop_valid": False}, "the head reports the loop as not valid: check the head's input and the plug"),
    ],
)  # fmt: skip
def test_the_loop_s_faults_word_for_word(changes: dict[str, object], text: str) -> None:
    """The limits of NE 43 to the microampere, and what a person reads."""
    watch = SensorWatch(Transducer(at_4ma_mm=150.0, at_20ma_mm=230.0))
    assert watch.second(replace(GOOD, **changes), under_way=True).transducer == text  # type: ignore[arg-type]


def test_a_frozen_loop_has_one_value_or_its_neighbour() -> None:
    """A microampere to and fro about the same value is frozen; creeping on from it is not; alike either way."""
    watch = SensorWatch(Transducer(at_4ma_mm=150.0, at_20ma_mm=230.0))
    for low, high in ((10_000, 10_000), (9_999, 10_000), (10_000, 10_001)):
        watch.second(replace(GOOD, loop_min_ua=low, loop_max_ua=high), under_way=True)
    kept = watch.checkpoint()
    assert (kept["frozen_ua"], float(str(kept["frozen_s"])) > 2.5) == (10_000, True)
    watch.second(replace(GOOD, loop_min_ua=10_001, loop_max_ua=10_002), under_way=True)
    assert watch.checkpoint()["frozen_ua"] is None
