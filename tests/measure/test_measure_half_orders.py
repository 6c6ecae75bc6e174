"""A four-stroke's half orders: which of the two turns of a working cycle it is, after every break, by the camshaft."""

import numpy as np
import pytest

from gateway.measure.cutter import BINS_PER_TURN, Cutter
from gateway.measure.loop import length_table_nm
from gateway.model.records import SampleBlock
from tests.drive_engines import four_stroke

TURN = 65_536
RATE_HZ, SAMPLES = 500, 50


def burst(begin_turns: float, raw_deg: float, amplitude_deg: float = 0.5) -> SampleBlock:
    """Two seconds at 300 rpm; the lag has a wave of half order, highest where the first of the two turns ends its half.
    `begin_turns`: of the crank, from the beginning of a working cycle."""
    turns = begin_turns + np.arange(2 * RATE_HZ) / RATE_HZ * 5.0
    late = (raw_deg + amplitude_deg * np.sin(np.pi * turns)) / 360.0
    crank, cam = (np.rint(x * TURN).astype(np.int64) % TURN for x in (turns, (turns - late) / 2))
    starts = np.arange(0, len(turns), SAMPLES)
    us = (starts * 1e6 / RATE_HZ).astype(np.int64)
    c, k = crank.astype(np.uint16), cam.astype(np.uint16)
    loop = np.full(len(c), 12_000, dtype=np.uint16)
    return SampleBlock(1, round(1e9 / RATE_HZ), 7, us, starts, c, k, loop, False)


@pytest.mark.parametrize("raw_deg", [0.0, 17.35, 180.0, -179.9])
def test_half_orders_have_one_sign_whatever_turn_a_burst_begins_in(raw_deg: float) -> None:
    """Bursts that begin in the first and in the second turn: the wave keeps its phase."""
    cutter = Cutter(2, length_table_nm(four_stroke().transducer))
    phases = []
    for begin in (0.3, 1.3, 0.6, 1.9, 1.1):
        cut, _ = cutter.feed(burst(begin, raw_deg))
        wave = np.fft.rfft(cut.bins.mean(axis=0))[1] * 2 / (2 * BINS_PER_TURN)
        assert abs(wave) == pytest.approx(0.5 / 360 * TURN, rel=0.02)
        phases.append(float(np.degrees(np.angle(wave))))
    assert np.ptp(phases) < 5.0, phases
