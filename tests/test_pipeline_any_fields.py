"""Frames whose CRC is right and whose fields may be anything: no sum behind the decoder may fail over them."""

import json
import struct
import warnings
from typing import Any

import numpy as np
import pytest
from firmware_sim_voyages import START_UTC_S, pipeline, tern_settings
from head_writer import HeadWriter, frame
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.cli.replay import Lines
from gateway.encode.topics import Topics
from gateway.measure.timeline import Now
from gateway.model.enums import AlarmState
from gateway.model.limits import INTERVAL_NS_MAX, INTERVAL_NS_MIN
from gateway.pipeline import EnginePipeline

QUICK = settings(max_examples=60)
SETTINGS = tern_settings(running={"settle_min": 0, "trend_after_min": 0})
U64, U32, U16 = 2**64 - 1, 2**32 - 1, 2**16 - 1
INTERVALS = st.sampled_from([0, 1, 2, INTERVAL_NS_MIN, 2_000_000, INTERVAL_NS_MAX, INTERVAL_NS_MAX + 1, U32])
TIMES = st.sampled_from([0, 1, 999, 10**6, 2 * 10**6, 10**9, 2**53 - 1, 2**53, U64]) | st.integers(0, 10**8)
STEPS = st.sampled_from([0, 1, 50, 100_000, 10**6, 2 * 10**6, 11 * 10**6, 600 * 10**6, 2**50])


def shaft(n: int, step: int, start: int, loop_ua: int) -> bytes:
    """n samples of a shaft that turns by `step` counts a sample, both encoders alike."""
    at = (start + step * np.arange(n, dtype=np.int64)) % 65_536
    return np.stack([at, at, np.full(n, loop_ua)], axis=1).astype("<u2").tobytes()


@st.composite
def frames(draw: st.DrawFn) -> bytes:
    """One frame with a right CRC, after a header that may follow or not."""
    sequence, boot, head_us = draw(st.integers(0, 3)), draw(st.integers(0, 1)), draw(TIMES)
    kind = draw(st.sampled_from([1, 2, 2, 2, 2, 3]))
    header = struct.pack("<BBHIQ", 1, kind, sequence, boot, head_us)
    if kind == 1:
        rest = struct.pack("<IHHIII16s", 1, 0, 0, draw(INTERVALS), draw(st.sampled_from([0, U32])), 0, b"head")
    elif kind == 3:
        tenths, counts = st.integers(-32_768, 32_767), st.integers(0, U16)
        rest = struct.pack("<hhhHHHHHI", *(draw(tenths) for _ in range(3)), *(draw(counts) for _ in range(5)),
                           draw(st.sampled_from([0, 1, 1_000_000, U32 - 1, U32])))  # fmt: skip
    else:
        n = draw(st.sampled_from([0, 1, 2, 50, 256]))
        rest = struct.pack("<IHBB", draw(INTERVALS), n, draw(st.integers(0, 7)), 0)
        rest += shaft(n, draw(st.integers(-32_768, 32_768)), draw(st.integers(0, U16)), draw(st.integers(0, U16)))
    return frame(header + rest)


@st.composite
def lives(draw: st.DrawFn) -> list[bytes]:
    """A head whose frames follow each other, at any interval, speed and with any time between them."""
    w = HeadWriter(interval_ns=draw(INTERVALS))
    out = []
    for _ in range(draw(st.integers(1, 25))):
        w.head_us += draw(STEPS)
        if draw(st.integers(0, 5)) == 0:
            w.interval_ns = draw(INTERVALS)
        if draw(st.integers(0, 5)) == 0:
            w.boot = w.boot + 1
        if draw(st.integers(0, 4)) == 0:
            out.append(w.health(w.head_us & U64))
        w.head_us &= U64
        n = draw(st.sampled_from([1, 2, 50, 256]))
        header = w.header(2)
        rest = struct.pack("<IHBB", w.interval_ns, n, draw(st.sampled_from([7, 7, 7, 3, 5, 6, 0])), 0)
        out.append(frame(header + rest + shaft(n, draw(st.integers(-32_768, 32_768)), 0, 12_000)))
        w.head_us = (w.head_us + n * w.interval_ns // 1_000) & U64
    return out


def played(pieces: list[bytes], source: str = "head") -> EnginePipeline:
    """Fed frame by frame; all that comes of it is printed, and the state is kept and taken up again."""
    made = SETTINGS if source == "head" else tern_settings("system", running={"settle_min": 0})
    p = pipeline(made)
    lines = Lines(Topics("camdrift", "tern-passage"), "main", "tern-passage", readings=True)
    printed: list[bytes] = []
    with warnings.catch_warnings(), np.errstate(all="raise"):
        warnings.simplefilter("error")
        for k, piece in enumerate(pieces):
            printed += lines.of(p.feed(piece, Now(k * 0.1, START_UTC_S + k * 0.1)))
        printed += lines.of(p.idle(Now(1e5, START_UTC_S + 1e5)))
        for line in printed:
            json.loads(line, parse_constant=_no_number)
        kept = json.loads(json.dumps([p.checkpoint(), p.wear.series.state()], allow_nan=False))
        pipeline(made).restore(*kept)
    return p


def _no_number(text: str) -> Any:
    raise AssertionError(f"{text} was published")


@pytest.mark.parametrize("source", ["head", "system"])
@QUICK
@given(pieces=st.lists(frames(), max_size=20))
def test_no_frame_stops_the_pipeline(source: str, pieces: list[bytes]) -> None:
    """Arbitrary fields and order: nothing raises, nothing that is no number is published or kept."""
    played(pieces, source)


@QUICK
@given(pieces=lives())
def test_no_sequence_of_frames_stops_the_pipeline(pieces: list[bytes]) -> None:
    """Frames that follow each other, so that revolutions and seconds come of them."""
    played(pieces)


def test_a_short_interval_then_a_normal_frame_is_counted_not_followed_by_a_division() -> None:
    """Found from outside: 256 samples at 1 ns, and a normal frame two seconds later, ended the daemon."""
    w = HeadWriter(interval_ns=1)
    first = w.samples([(k, k, 12_000) for k in range(256)])
    w.interval_ns, w.head_us = 2_000_000, w.head_us + 2_000_000
    p = played([first, w.samples([(k, k, 12_000) for k in range(50)]), w.samples([(0, 0, 12_000)])])
    assert p.decoder.counts.refused["absurd"] == 1
    assert p.decoder.counts.samples == 2


def test_a_head_clock_that_leaps_for_ever_runs_nothing_over() -> None:
    """Each boot leaps by 285 years: after some thousand of them the time of a sample no longer fits 64 bits."""
    pieces = []
    for boot in range(1_200):
        w = HeadWriter(boot=boot, head_us=0)
        pieces.append(w.samples([(0, 0, 12_000)]))
        w.head_us = 2**53 - 2_000
        pieces.append(w.samples([(0, 0, 12_000)]))
    p = played([b"".join(pieces)])
    assert p.decoder.counts.samples == 2_400


@pytest.mark.parametrize(
    ("interval_ns", "cause"),
    [(0, "interval"), (1, "absurd"), (INTERVAL_NS_MIN - 1, "absurd"), (INTERVAL_NS_MAX + 1, "absurd"), (U32, "absurd")],
)
def test_an_interval_that_cannot_be_is_refused_by_its_cause(interval_ns: int, cause: str) -> None:
    """Interface, section 2; what lies just inside is taken."""
    p = played([HeadWriter(interval_ns=interval_ns).samples([(0, 0, 12_000)])])
    assert {k: n for k, n in p.decoder.counts.refused.items() if n} == {cause: 1}
    for good in (INTERVAL_NS_MIN, INTERVAL_NS_MAX):
        assert played([HeadWriter(interval_ns=good).samples([(0, 0, 12_000)])]).decoder.counts.samples == 1


def test_a_stream_that_repeats_itself_is_no_sound_link() -> None:
    """Two seconds of a running engine over and over, as from a converter that hangs, or a recording played to the port:
    within minutes `link-poor` stands, and what is lost is counted."""
    w = HeadWriter(head_us=10**6)
    sound = [w.samples([(int((w.head_us / 1e6 + i * 0.002) * 1.5 * 65_536) & 0xFFFF,) * 2 + (14_600,)
                        for i in range(50)]) for _ in range(200)]  # fmt: skip
    p = pipeline(tern_settings("system", running={"settle_min": 0}))
    for k in range(3_000):
        piece = sound[k] if k < 200 else sound[180 + k % 20]
        p.feed(piece, Now(k * 0.1, START_UTC_S + k * 0.1))
    assert p.alarms["link-poor"].state is AlarmState.UNACKNOWLEDGED
