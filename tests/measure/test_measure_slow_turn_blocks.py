"""The lag on the turning gear through the whole meter: however the bytes were split, and where an encoder drops out."""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import pytest
from firmware_sim_voyages import tern_settings
from hypothesis import given, settings
from hypothesis import strategies as st
from measure_blocks import ALL_VALID, Frame, blocks_of, frames_of

from gateway.measure.meter import Meter
from gateway.measure.slow_turn import TURN
from gateway.model.enums import Running
from gateway.model.records import CAM_VALID, CRANK_VALID

RATE_HZ = 500
GEAR_RPM = 1.5
LAG_COUNTS = 900.0
SECONDS_A_TURN = 60 / GEAR_RPM
FRAMES_A_TURN = 400
STOOD = 20
Seen = tuple[float | None, int | None, float | None]


def meter() -> Meter:
    return Meter(tern_settings().engine[0])


def voyage(*legs: tuple[float, float], bad: dict[int, int] | None = None) -> list[Frame]:
    """Frames of legs of (rpm, seconds), both encoders mounted off centre; `bad`: frame to its bits of validity."""
    rpm = np.repeat([r for r, _ in legs], [round(s * RATE_HZ) for _, s in legs])
    crank = 1_000.0 + np.cumsum(rpm) / 60 / RATE_HZ * TURN
    angle = 2 * np.pi * crank / TURN
    lag = LAG_COUNTS + 60.0 * np.sin(angle + 0.4) + 40.0 * np.cos(angle - 1.0)
    counts = [np.rint(x).astype(np.int64) for x in (crank, crank - lag, np.full(len(crank), 9_000.0))]
    valid = [ALL_VALID] * (len(crank) // 50)
    for frame, bits in (bad or {}).items():
        valid[frame] = bits
    return frames_of(*counts, valid=valid)


def shown(m: Meter) -> Seen:
    return m.turned_raw_deg(), m.turned_us(), m.standing_raw_deg()


def followed(frames: list[Frame], cuts: Sequence[int]) -> tuple[Meter, list[Seen]]:
    """The meter after it, and what it showed at the end of each revolution and second."""
    m, seen = meter(), []
    for block in blocks_of(frames, cuts):
        seen += [shown(m) for piece in m.pieces(block) if m.take(*piece) is not None]
    return m, [*seen, shown(m)]


START_AND_STOP = voyage((0.0, 2.3), (GEAR_RPM, 1.2 * SECONDS_A_TURN), (0.0, 3.0), (90.0, 6.0), (GEAR_RPM, 9.0))


@settings(max_examples=40)
@given(cuts=st.lists(st.integers(1, len(START_AND_STOP) - 1), max_size=12))
def test_any_splitting_shows_the_same_at_each_moment(cuts: list[int]) -> None:
    """Standing, turned, stopped, running, turned again: turn, date and lag to the bit, at each yield."""
    m, seen = followed(START_AND_STOP, cuts)
    assert seen == FRAME_BY_FRAME
    assert m.running.state is Running.TURNING


FRAME_BY_FRAME = followed(START_AND_STOP, list(range(len(START_AND_STOP))))[1]


def test_the_voyage_of_the_splitting_shows_all_there_is() -> None:
    """Or the test above would compare nothing with nothing: first unknown, then known, then forgotten."""
    turns = [turn is not None for turn, _, _ in FRAME_BY_FRAME]
    lags = [lag is not None for _, _, lag in FRAME_BY_FRAME]
    for known in (turns, lags):
        changes = [now for before, now in pairwise(known) if now != before]
        assert changes == [True, False]


@pytest.mark.parametrize("drops", [CAM_VALID, CRANK_VALID], ids=["cam", "crank"])
def test_no_turn_is_joined_across_an_encoder_that_dropped_out(drops: int) -> None:
    """One frame without an encoder, well within a second: half a turn before it and most of one after are no turn."""
    bad = {STOOD + FRAMES_A_TURN // 2: ALL_VALID & ~drops}
    m, _ = followed(voyage((0.0, 2.0), (GEAR_RPM, 1.4 * SECONDS_A_TURN), bad=bad), [])
    assert m.turned_raw_deg() is None
    m, _ = followed(voyage((0.0, 2.0), (GEAR_RPM, 1.7 * SECONDS_A_TURN), bad=bad), [])
    assert m.turned_raw_deg() == pytest.approx(360 * LAG_COUNTS / TURN, abs=0.01)


DROP_OUT_AT = STOOD + round(2.4 * FRAMES_A_TURN)


def test_a_cam_that_dropped_out_leaves_the_turn_as_it_was() -> None:
    """The turn before stands with its date, and the present lag is right again after it."""
    bad = {DROP_OUT_AT: ALL_VALID & ~CAM_VALID}
    frames = voyage((0.0, 2.0), (GEAR_RPM, 2.9 * SECONDS_A_TURN), bad=bad)
    before, _ = followed(frames[:DROP_OUT_AT], [])
    m, _ = followed(frames, [])
    assert (m.turned_raw_deg(), m.turned_us()) == (before.turned_raw_deg(), before.turned_us())
    assert m.turned_raw_deg() == pytest.approx(360 * LAG_COUNTS / TURN, abs=0.01)
    assert m.standing_raw_deg() == pytest.approx(360 * LAG_COUNTS / TURN, abs=0.02)


def test_a_crank_that_dropped_out_makes_no_turn_of_the_way_back() -> None:
    """The angle is counted anew after it; the two turns back to there were never turned, and no lag is made of them."""
    frames = voyage((0.0, 2.0), (GEAR_RPM, 2.9 * SECONDS_A_TURN), bad={DROP_OUT_AT: ALL_VALID & ~CRANK_VALID})
    _, seen = followed(frames, list(range(len(frames))))
    before, _ = followed(frames[:DROP_OUT_AT], [])
    dates = [date for _, date, _ in seen if date is not None]
    assert max(dates) == before.turned_us()
    m, _ = followed(frames[: DROP_OUT_AT + 3], [])
    assert m.turned_us() in (before.turned_us(), None)
