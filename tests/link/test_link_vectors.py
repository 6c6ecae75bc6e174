"""The published vectors of the link, each whole, byte by byte, and with another frame behind it."""

import json
from pathlib import Path
from typing import Any

import pytest
from head_writer import HeadWriter

from gateway.link import Decoder, Item, StreamBreak
from gateway.model.records import CAM_VALID, CRANK_VALID, LOOP_VALID, Health, Identity, SampleBlock

VECTORS: list[dict[str, Any]] = json.loads(Path(__file__).with_name("link_vectors.json").read_text())["vectors"]
GOOD = [v for v in VECTORS if "decodes" in v]
BAD = [v for v in VECTORS if "refused" in v]
BITS = {"crank": CRANK_VALID, "cam": CAM_VALID, "loop": LOOP_VALID}


def decode(data: bytes, step: int) -> tuple[list[Item], Decoder]:
    decoder = Decoder()
    decoder.feed(b"\0")
    return [item for at in range(0, len(data), step) for item in decoder.feed(data[at : at + step])], decoder


def check(item: Item, want: dict[str, Any]) -> None:
    if want["kind"] == "samples":
        assert isinstance(item, SampleBlock)
        assert (item.boot, item.interval_ns, item.head_us.tolist()) == (
            want["boot"],
            want["interval_ns"],
            [want["head_time_us"]],
        )
        assert item.valid == sum(BITS[name] for name in want["valid"])
        rows = [list(row) for row in zip(item.crank.tolist(), item.cam.tolist(), item.loop.tolist(), strict=True)]
        assert rows == want["samples"]
        return
    assert isinstance(item, Identity if want["kind"] == "identity" else Health)
    for key, value in want.items():
        if key != "kind":
            got = getattr(item, {"head_time_us": "head_us"}.get(key, key))
            assert (list(got) if isinstance(got, tuple) else got) == value, key


@pytest.mark.parametrize("step", [10_000, 1])
@pytest.mark.parametrize("vector", GOOD, ids=lambda v: v["name"])
def test_vector_decodes(vector: dict[str, Any], step: int) -> None:
    """Each good vector gives exactly its published fields, whole or one byte at a time, and counts one good frame."""
    items, decoder = decode(bytes.fromhex(vector["hex"]), step)
    assert len(items) == 1
    check(items[0], vector["decodes"])
    assert (decoder.counts.good, decoder.counts.refused_total) == (1, 0)


@pytest.mark.parametrize("vector", GOOD, ids=lambda v: v["name"])
def test_vector_with_trailing_bytes(vector: dict[str, Any]) -> None:
    """Bytes of an unfinished next frame behind a good vector change nothing in it."""
    items, decoder = decode(bytes.fromhex(vector["hex"]) + b"\x05\x01\x02", 10_000)
    assert len(items) == 1
    check(items[0], vector["decodes"])
    assert decoder.counts.refused_total == 0


@pytest.mark.parametrize("step", [10_000, 1])
@pytest.mark.parametrize("vector", BAD, ids=lambda v: v["name"])
def test_vector_is_refused(vector: dict[str, Any], step: int) -> None:
    """Each bad vector gives nothing, is counted once under its published cause, and the frame behind it is heard."""
    decoder_items, decoder = decode(bytes.fromhex(vector["hex"]) + HeadWriter(boot=99).ramp(3), step)
    blocks = [item for item in decoder_items if isinstance(item, SampleBlock)]
    assert [b.boot for b in blocks] == [99]
    counted = [cause for cause, n in decoder.counts.refused.items() for _ in range(n)]
    if vector["refused"] == "empty":
        assert counted == []
    else:
        assert len(counted) == 1 and counted[0] in vector["refused"].split(" or ")


def test_all_good_vectors_in_one_stream() -> None:
    """The good vectors one behind the other keep their order and their fields."""
    items, decoder = decode(b"".join(bytes.fromhex(v["hex"]) for v in GOOD), 10_000)
    told = [item for item in items if not isinstance(item, StreamBreak)]
    assert len(told) == len(GOOD)
    for item, vector in zip(told, GOOD, strict=True):
        check(item, vector["decodes"])
    assert decoder.counts.good == len(GOOD)
