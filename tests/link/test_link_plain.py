"""Many frames as one table say what the loop says of them one by one; the loop is what is held against the vectors."""

import struct
from collections.abc import Callable
from itertools import pairwise
from typing import Any

import pytest
from head_writer import HeadWriter, frame
from hypothesis import given, settings
from hypothesis import strategies as st
from test_link_any_bytes import plain, streams

import gateway.link.plain
from gateway.link.blocks import SampleRun, separated
from gateway.link.counts import LinkCounts
from gateway.link.decoder import SLICE_BYTES, Decoder, Piece
from gateway.link.runs import runs
from gateway.model.records import Health, Identity

NEVER = 10**9


def heard(data: bytes, cuts: list[int], many: int) -> tuple[list[Any], LinkCounts]:
    """As the pipeline reads, where a table is tried from `many` frames on; with `NEVER` straight from the loop."""
    decoder, out = Decoder(), []
    known: Identity | None = None
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(gateway.link.plain, "MANY", many)
        for a, b in pairwise([0, *sorted(c % (len(data) + 1) for c in cuts), len(data)]):
            if many == NEVER:
                out += decoder.feed(data[a:b])
                continue
            for item in runs(decoder.gather(data[a:b], known), known):
                known = item if isinstance(item, Identity) else known
                out += separated(item) if isinstance(item, SampleRun) else [item]
    return plain(out), decoder.counts


@settings(max_examples=400)
@given(streams(), st.lists(st.integers(0, 2**31), max_size=12))
def test_any_stream(data: bytes, cuts: list[int]) -> None:
    """Whatever a head's life brings: the same records, samples, marks, in the same order, and the same counts."""
    assert heard(data, cuts, 1) == heard(data, cuts, NEVER)


def samples(w: HeadWriter, *, version: int = 1, reserved: int = 0, interval_ns: int = 2_000_000, n: int = 3) -> bytes:
    payload = w.header(2, version=version) + struct.pack("<IHBB", interval_ns, n, 7, reserved)
    w.head_us += n * interval_ns // 1000
    return frame(payload + bytes(6 * n))


def at(w: HeadWriter, off_us: int) -> bytes:
    w.head_us += off_us
    return w.ramp()


def skip(w: HeadWriter, frames: int) -> bytes:
    w.sequence += frames
    return w.ramp()


def flipped(w: HeadWriter) -> bytes:
    """A bit of a sample, whose byte stays other than nought: nothing but the CRC can tell."""
    made = bytearray(w.samples([(0x5555, 0x5555, 0x5555)] * 50))
    made[-60] ^= 0x02
    return bytes(made)


def reborn(w: HeadWriter) -> bytes:
    w.boot += 1
    return w.ramp()


AMISS: dict[str, Callable[[HeadWriter], bytes]] = {
    "a spoilt frame": lambda w: b"\x01\x02\x03\0",
    "a cut code": lambda w: b"\x09\x02\0",
    "an overlong piece": lambda w: b"\x01" * 2_049 + b"\0",
    "a flipped bit among its samples": flipped,
    "nothing": lambda w: b"\0",
    "another version": lambda w: samples(w, version=2),
    "a set reserved byte": lambda w: samples(w, reserved=1, n=50),
    "no interval": lambda w: samples(w, interval_ns=0, n=50),
    "another interval": lambda w: samples(w, interval_ns=2_000_001, n=50),
    "no samples in it": lambda w: samples(w, n=0),
    "fewer samples": lambda w: samples(w, n=49),
    "other validity": lambda w: w.ramp(valid=5),
    "bits that mean nothing": lambda w: w.ramp(valid=0xFF),
    "a time that is none": lambda w: frame(w.header(2, 2**63) + struct.pack("<IHBB", 2_000_000, 50, 7, 0) + bytes(300)),
    "one microsecond too early": lambda w: at(w, -1_001),
    "just in time": lambda w: at(w, -1_000),
    "late": lambda w: at(w, 1_001),
    "a pause": lambda w: at(w, 5_000_000),
    "a lost frame": lambda w: skip(w, 1),
    "an old number": lambda w: skip(w, -1),
    "a restart": reborn,
    "a kind that is not known": lambda w: frame(w.header(9) + b"x"),
    "a health frame too long": lambda w: frame(w.header(3) + bytes(21)),
    "health of long ago": lambda w: w.health(w.head_us - 500_000),
    "health of just now": lambda w: w.health(w.head_us - 100),
    "a health frame lost": lambda w: skip(w, 1) + w.health(),
    "health of another boot": lambda w: frame(struct.pack("<BBHIQ", 1, 3, w.sequence, 99, 5) + bytes(20)),
    "another name": lambda w: w.identity(b"starboard-head"),
    "the same name": lambda w: w.identity(),
}


@pytest.mark.parametrize("amiss", AMISS)
@pytest.mark.parametrize("place", [0, 1, 70, 129])
def test_one_thing_amiss_anywhere(amiss: str, place: int) -> None:
    """Among hundreds of good frames, at their beginning, in their midst, at their end, and what follows it."""
    w = HeadWriter(sequence=65_400)
    start = w.identity() + w.ramp() + w.ramp()
    rest = b""
    for k in range(130):
        rest += AMISS[amiss](w) if k == place else w.health() if k % 10 == 9 else w.ramp()
    after = b"".join(w.ramp() if k % 10 else w.health() for k in range(110))
    cuts = [len(start), len(start) + len(rest)]
    assert heard(start + rest + after, cuts, 100) == heard(start + rest + after, cuts, NEVER)


def kinds(pieces: list[Piece]) -> list[type]:
    return [type(piece) for piece in pieces]


def test_a_plain_feed_is_one_run() -> None:
    """Health and the known name among the samples end nothing; what is said before them stands alone."""
    w, decoder = HeadWriter(), Decoder()
    known = next(i for i in decoder.gather(w.identity() + w.ramp()) if isinstance(i, Identity))
    feed = w.health() + b"".join(w.ramp() if k % 10 else w.identity() if k == 50 else w.health() for k in range(1, 200))
    lone, run = decoder.gather(feed, known)
    assert isinstance(lone, SampleRun) and lone.block is None and [type(a) for _, a in lone.interleaved] == [Health]
    assert isinstance(run, SampleRun) and run.block is not None
    assert (len(run.block.starts), len(run.interleaved), run.frames) == (180, 19, 199)
    assert [at for at, _ in run.interleaved] == list(range(9, 180, 9))
    assert (decoder.counts.samples, decoder.counts.health, decoder.counts.identity) == (181, 19, 2)


def test_few_frames_and_first_frames_are_looped_over() -> None:
    """A table is not worth it for few, and the first of a stream have nothing to follow."""
    w, decoder = HeadWriter(), Decoder()
    assert SampleRun not in kinds(decoder.gather(b"".join(w.ramp() for _ in range(200))))[:1]
    assert SampleRun not in kinds(decoder.gather(b"".join(w.ramp() for _ in range(gateway.link.plain.MANY - 1))))
    assert kinds(decoder.gather(b"".join(w.ramp() for _ in range(gateway.link.plain.MANY)))) == [SampleRun]


def test_a_name_that_changes_and_changes_back_within_one_feed() -> None:
    """Beyond the first slice no name is held against what was known before the feed."""
    w, decoder = HeadWriter(), Decoder()
    known = next(i for i in decoder.gather(w.identity(b"one") + w.ramp()) if isinstance(i, Identity))
    half = SLICE_BYTES // len(w.ramp(256)) // 2
    feed = w.identity(b"two") + b"".join(w.ramp(256) for _ in range(3 * half))
    feed += w.identity(b"one") + b"".join(w.ramp(256) for _ in range(half))
    names = [i.name for i in runs(decoder.gather(feed, known), known) if isinstance(i, Identity)]
    assert names == ["two", "one"]
