"""Any bytes at all: cut anyhow, spoilt anyhow, or never frames in the first place."""

import random
import tracemalloc
from itertools import pairwise
from typing import Any

import pytest
from head_writer import HeadWriter, frame
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.link import Decoder, Item, looks_like_wrong_baud, wrong_baud_text
from gateway.link.counts import LinkCounts
from gateway.model.limits import FRAME_BYTES_MAX
from gateway.model.records import SampleBlock

DEEDS = ["sample"] * 6
DEEDS += ["health", "identity", "lose", "copy", "late", "boot", "back", "on", "noise", "zeros", "valid"]
DEEDS += ["kind", "short", "long"]

QUICK = settings(max_examples=300)


def plain(items: list[Item]) -> list[Any]:
    """The items with the borders between joined blocks taken out, as plain values that compare."""
    out: list[Any] = []
    for item in items:
        if not isinstance(item, SampleBlock):
            out.append(item)
            continue
        key = (item.boot, item.interval_ns, item.valid)
        if not (item.joined and out and isinstance(out[-1], dict) and out[-1]["key"] == key):
            out.append({"key": key, "joined": item.joined, "head_us": [], "starts": [], "rows": []})
        at = len(out[-1]["rows"])
        out[-1]["head_us"] += item.head_us.tolist()
        out[-1]["starts"] += [at + s for s in item.starts.tolist()]
        out[-1]["rows"] += zip(item.crank.tolist(), item.cam.tolist(), item.loop.tolist(), strict=True)
    return out


@st.composite
def streams(draw: st.DrawFn) -> bytes:
    """A head's life: frames of all kinds, losses, copies, boots, steps of its clock, noise between."""
    w = HeadWriter(sequence=draw(st.sampled_from([0, 65_530, 32_760])), head_us=draw(st.sampled_from([0, 10**9])))
    out: list[bytes] = []
    for deed in draw(st.lists(st.sampled_from(DEEDS), max_size=40)):
        if deed == "lose":
            w.sequence += draw(st.sampled_from([1, 2, 40_000]))
        elif deed == "boot":
            w.boot, w.sequence, w.head_us = w.boot + 1, draw(st.integers(0, 65_535)), 0
        elif deed in ("back", "on"):
            w.head_us = max(0, w.head_us + draw(st.sampled_from([1_500, 10**6, 10**9])) * (1 if deed == "on" else -1))
        elif deed in ("copy", "late"):
            out += out[-1:] if deed == "copy" else out[-4:-2]
        elif deed == "noise":
            out.append(draw(st.binary(max_size=60)))
        else:
            out.append(_deed(w, deed, draw))
    return b"".join(out)


def _deed(w: HeadWriter, deed: str, draw: st.DrawFn) -> bytes:
    made = {
        "sample": lambda: w.ramp(draw(st.sampled_from([1, 3, 50, 256]))),
        "valid": lambda: w.ramp(2, valid=draw(st.integers(0, 255))),
        "health": w.health,
        "identity": w.identity,
        "zeros": lambda: b"\0\0\0",
        "kind": lambda: frame(w.header(draw(st.integers(4, 255))) + b"x"),
        "short": lambda: frame(w.header(draw(st.integers(1, 3)))),
        "long": lambda: b"\x01" * draw(st.sampled_from([FRAME_BYTES_MAX, FRAME_BYTES_MAX + 1, 5_000])) + b"\0",
    }
    return made[deed]()


def fed(data: bytes, cuts: list[int]) -> tuple[list[Any], LinkCounts]:
    decoder = Decoder()
    borders = [0, *sorted(c % (len(data) + 1) for c in cuts), len(data)]
    items = [i for a, b in pairwise(borders) for i in decoder.feed(data[a:b])]
    return plain(items), decoder.counts


@QUICK
@given(streams(), st.lists(st.integers(0, 2**31), max_size=30))
def test_any_split_gives_the_same(data: bytes, cuts: list[int]) -> None:
    """However a stream is cut into feeds, records, samples, marks, their order and all counts are the same."""
    assert fed(data, cuts) == fed(data, [])


@settings(max_examples=25)
@given(streams())
def test_one_byte_at_a_time_gives_the_same(data: bytes) -> None:
    """The finest split there is gives the same as the whole."""
    assert fed(data, list(range(len(data)))) == fed(data, [])


@QUICK
@given(st.binary(max_size=6_000), st.lists(st.integers(0, 2**31), max_size=10))
def test_any_bytes_any_split(data: bytes, cuts: list[int]) -> None:
    """The same for bytes that no head ever wrote."""
    assert fed(data, cuts) == fed(data, [])


def spoil(data: bytearray, how: str, at: int, byte: int) -> None:
    at %= len(data)
    if how == "flip":
        data[at] ^= 1 << (byte % 8)
    elif how == "set":
        data[at] = byte
    elif how == "delete":
        del data[at : at + 1 + byte % 5]
    else:
        data[at:at] = bytes([byte] * (1 + byte % 5))


@QUICK
@given(
    st.lists(
        st.tuples(st.sampled_from(["flip", "set", "delete", "insert"]), st.integers(0, 2**31), st.integers(0, 255)),
        min_size=1,
        max_size=12,
    )
)
def test_spoilt_bytes_never_make_samples_nor_stop_the_rest(faults: list[tuple[str, int, int]]) -> None:
    """Bytes flipped, lost or put in: every sample heard was sent, in order; all frames behind are heard."""
    w = HeadWriter()
    data = bytearray(b"\0" + b"".join(w.ramp() if i % 5 else w.health() for i in range(1, 12)))
    for how, at, byte in faults:
        if data:
            spoil(data, how, at, byte)
    before = len(w.sent)
    tail = b"\0" + w.ramp() + w.ramp()
    items, _ = fed(bytes(data) + tail, [])
    heard = [row for item in items if isinstance(item, dict) for row in item["rows"]]
    at_sent = {row: i for i, row in enumerate(w.sent)}
    places = [at_sent[row] for row in heard]
    assert places == sorted(set(places))
    assert heard[-100:] == w.sent[before:]


@pytest.mark.parametrize("step", [1 << 20, 997])
def test_a_million_random_bytes(step: int) -> None:
    """A million random bytes neither raise nor give a record, and what is held stays below one frame and a bit."""
    data = random.Random(20_261).randbytes(1_000_000)
    decoder = Decoder()
    items = [i for at in range(0, len(data), step) for i in decoder.feed(data[at : at + step])]
    assert items == []
    assert decoder.counts.bytes == len(data)
    assert decoder.counts.refused_total + decoder.counts.partial_first > 3_000


def test_bytes_without_a_delimiter_do_not_grow() -> None:
    """Ten megabytes without one zero byte are one over-long frame, hold almost no memory, and end at the next zero."""
    decoder = Decoder()
    chunk = b"\x41" * 10_000
    decoder.feed(b"\0" + chunk)
    tracemalloc.start()
    for _ in range(1_000):
        decoder.feed(chunk)
    held, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert held < 4 * FRAME_BYTES_MAX
    assert decoder.counts.refused["overlong"] == 1
    w = HeadWriter()
    decoder.feed(b"\0" + w.ramp())
    assert decoder.counts.samples == 1 and decoder.counts.refused_total == 1


def test_wrong_baud_is_told_from_a_poor_line() -> None:
    """Plenty of bytes without one good frame look like a wrong baud rate; a poor line or a short burst does not."""
    noise = random.Random(5).randbytes(20_000)
    decoder = Decoder()
    decoder.feed(noise)
    assert looks_like_wrong_baud(decoder.counts)
    assert "baud" in wrong_baud_text(9_600, decoder.counts) and "9600" in wrong_baud_text(9_600, decoder.counts)
    earlier = decoder.counts.snapshot()
    decoder.feed(noise[:5_000] + b"\0" + HeadWriter().health())
    assert not looks_like_wrong_baud(decoder.counts.since(earlier))
    short = Decoder()
    short.feed(noise[:1_000])
    assert not looks_like_wrong_baud(short.counts)


def test_snapshot_stands_still() -> None:
    """A snapshot does not move with the stream, and the difference to it is what came since."""
    w = HeadWriter()
    decoder = Decoder()
    decoder.feed(w.ramp())
    earlier = decoder.counts.snapshot()
    decoder.feed(w.ramp() + w.health() + b"\x05\x05\0")
    recent = decoder.counts.since(earlier)
    assert (recent.samples, recent.health, recent.refused["length"], earlier.samples) == (1, 1, 1, 1)


@pytest.mark.parametrize("step", [10_000, 700, 1])
@pytest.mark.parametrize(("size", "cause"), [(FRAME_BYTES_MAX, "crc"), (FRAME_BYTES_MAX + 1, "overlong")])
def test_longest_frame_to_the_byte(size: int, cause: str, step: int) -> None:
    """A piece of 2,048 bytes is still looked at; one byte more is over-long, however it arrives, and counted once."""
    data = b"\0" + b"\x01" * size + b"\0" + HeadWriter().health()
    decoder = Decoder()
    for at in range(0, len(data), step):
        decoder.feed(data[at : at + step])
    assert [c for c, n in decoder.counts.refused.items() for _ in range(n)] == [cause]
    assert decoder.counts.health == 1
