"""Signs of a sick sensor that show over more than a second: ripple that vanished, mains ripple, swapped encoders."""

import json
from dataclasses import replace

import numpy as np
import pytest
from drive_engines import tern

from gateway.measure.cutter import Cutter
from gateway.measure.loop import length_table_nm
from gateway.measure.mains import ENOUGH, LOOKS, MainsWatch, tooth_orders
from gateway.measure.ripple import LEARN_LOOKS, RippleWatch
from gateway.measure.seconds import Second
from gateway.measure.sense import ASTERN_S, SenseWatch
from gateway.model.enums import Running
from gateway.model.records import SampleBlock

ENGINE = tern()
RATE_HZ, FRAME = 500, 50
LOOK_US = 5_000_000


def looked(watch: RippleWatch, begin: int, ripples_mm: list[float]) -> list[str]:
    """One turn looked at each five seconds."""
    texts = []
    for k, mm in enumerate(ripples_mm, begin):
        watch.turn(k * LOOK_US, mm)
        texts.append(watch.text)
    return texts


def test_a_ripple_that_vanishes_for_an_hour_is_reported_and_over_when_it_is_back() -> None:
    """A seventh of what this ship always had; half of it is none of it; a restart keeps the hour."""
    watch, again = RippleWatch(60.0), RippleWatch(60.0)
    assert not any(looked(watch, 0, [0.3] * LEARN_LOOKS + [0.15] * 1_000))
    n = LEARN_LOOKS + 1_000
    assert not any(looked(watch, n, [0.02] * 400))
    again.restore(json.loads(json.dumps(watch.state())))
    for w in (watch, again):
        texts = looked(w, n + 400, [0.02] * 400)
        assert "tightener arm or transducer stuck" in texts[-1]
        assert 715 <= 400 + sum(not t for t in texts) <= 730
        assert looked(w, n + 800, [0.2] * 10)[-1] == ""


def test_a_ship_without_ripple_and_time_without_running_report_nothing() -> None:
    """Only what was five times what is left can vanish; a port stay is no hour of running."""
    assert not any(looked(RippleWatch(60.0), 0, [0.03] * 100 + [0.01] * 2_000))
    watch = RippleWatch(60.0)
    looked(watch, 0, [0.3] * 100)
    assert not any(looked(watch, 101 + k * 10_000, [0.01])[0] for k in range(20))


def blocks(hz: float, rpm: float, ua: float, seconds: int, size: int) -> list[SampleBlock]:
    """A loop with a line of `ua` at `hz` beside a ripple of the crank's own orders, in blocks of so many frames."""
    t = np.arange(seconds * RATE_HZ) / RATE_HZ
    turns = rpm / 60 * t
    own = 60 * np.sin(2 * np.pi * turns) + 30 * np.sin(2 * np.pi * 6 * turns)
    loop = np.rint(10_000 + own + ua * np.sin(2 * np.pi * hz * t)).astype(np.uint16)
    crank = (turns * 65_536).astype(np.int64).astype(np.uint16)
    out = []
    for first in range(0, len(t), size * FRAME):
        part = slice(first, min(first + size * FRAME, len(t)))
        starts = np.arange(0, part.stop - part.start, FRAME)
        head_us = (first + starts) * 1_000_000 // RATE_HZ
        out.append(
            SampleBlock(
                boot=1, head_us=head_us, starts=starts, interval_ns=2_000_000, valid=7, joined=first > 0,
                crank=crank[part], cam=crank[part], loop=loop[part],
            )
        )  # fmt: skip
    return out


def texts(hz: float, rpm: float, ua: float = 300.0, size: int = 1) -> list[str]:
    """What stands after each look of a minute and a half."""
    watch, out = MainsWatch(tooth_orders(ENGINE.chain)), []
    for block in blocks(hz, rpm, ua, 90, size):
        for _, look in watch.block(block):
            watch.take(look)
            out.append(watch.text)
    return out


@pytest.mark.parametrize("hz", [50.0, 60.0])
def test_mains_ripple_is_named_within_half_a_minute(hz: float) -> None:
    """At 96 rpm both lie between the orders of the crank; the same however the stream is split."""
    found = texts(hz, 96.0)
    assert f"{hz:.0f} Hz mains ripple" in found[-1]
    assert found.index(found[-1]) == ENOUGH - 1
    assert found == texts(hz, 96.0, size=37)


@pytest.mark.parametrize(("hz", "rpm"), [(60.0, 80.0), (60.0, 80.9), (50.0, 100.0), (72.0, 96.0), (49.6, 96.0)])
def test_lines_of_the_shaft_are_not_the_mains(hz: float, rpm: float) -> None:
    """The tooth mesh at 80 rpm, order 30 at 100, order 31 at 96: nothing is said of the wires."""
    assert not any(texts(hz, rpm))


def test_a_small_line_is_nothing() -> None:
    """0.1 mm beside half a millimetre of the drive's own."""
    assert not any(texts(50.0, 96.0, ua=20.0))
    assert LOOKS >= 2 * ENOUGH


def second(rpm: float) -> Second:
    travel = round(rpm / 60 * 65_536)
    return Second(span_ns=10**9, covered_us=10**6, n=500, crank_travel=travel, cam_travel=travel)


def test_hours_astern_at_sea_speed_are_both_encoders_reversed() -> None:
    """A crash stop of ten minutes is none; half an hour is; running ahead ends it."""
    watch = SenseWatch(ENGINE)
    found = []
    for _ in range(round(ASTERN_S) + 5):
        watch.second(second(-96.0), Running.ASTERN, None, 17.35)
        found.append(watch.crank)
    assert found[600] == ""
    assert "both encoders are reversed" in found[-1]
    watch.second(second(40.0), Running.CHANGING, None, 17.35)
    assert watch.crank == ""


def test_swapped_encoders_at_ratio_1_show_by_the_sign_of_the_zero() -> None:
    """Zero 17.35: seen −18.4 is the other sign; a lag once seen right was no plug but the drive, until it stands."""
    watch = SenseWatch(ENGINE)
    watch.second(second(96.0), Running.AHEAD, -18.4 + 360.0, 17.35)
    assert "swapped" in watch.cam
    watch.second(second(96.0), Running.AHEAD, 18.4, 17.35)
    assert watch.cam == ""
    watch.second(second(96.0), Running.AHEAD, -17.0, 17.35)
    assert watch.cam == ""
    for _ in range(700):
        watch.second(second(0.0), Running.STOPPED, None, 17.35)
    watch.second(second(96.0), Running.AHEAD, -17.0, 17.35)
    assert "swapped" in watch.cam


@pytest.mark.parametrize(("ua", "ok"), [(11_500, True), (14_000, False), (6_000, False)])
def test_a_current_that_jumps_within_milliseconds_spoils_its_turn(ua: int, ok: bool) -> None:
    """10 mA, for 10 ms another one: 1.5 mA may be a blow to the chain, 4 mA are a contact; split anywhere alike."""
    (whole,) = blocks(0.0, 96.0, 0.0, 4, 40)
    loop = whole.loop.copy()
    loop[900:905] = ua
    turns = []
    for size in (whole.loop.size, 50, 902):
        cutter = Cutter(1, length_table_nm(ENGINE.transducer))
        bad = []
        for first in range(0, loop.size, size):
            part = slice(first, first + size)
            starts = np.arange(0, len(loop[part]), 50)
            cut, _ = cutter.feed(
                replace(
                    whole, head_us=(first + starts) * 2_000, starts=starts, crank=whole.crank[part],
                    cam=whole.cam[part], loop=loop[part], joined=first > 0,
                )
            )  # fmt: skip
            bad += cut.spring_bad.tolist()
        turns.append(bad)
    assert turns[0] == turns[1] == turns[2]
    assert sum(turns[0]) == (0 if ok else 1)
