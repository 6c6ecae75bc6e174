"""A feed of many frames of which each simply follows the one before, taken as one table.

A capture is read minutes at a time, and nearly all of it is like that. Here the fields of all frames are compared at
once; if anything in any of them is not just as it was expected, nothing of the feed is taken, and the decoder's loop
judges it frame by frame. So only the loop judges what is wrong with a frame and what comes of it.
"""

from collections.abc import Iterable
from dataclasses import replace
from itertools import compress
from zlib import crc32

import numpy as np
from cobs.cobs import DecodeError
from cobs.cobs import decode as uncobs
from numpy.typing import NDArray

from gateway.link.blocks import Interleaved, OpenBlock, SampleRun, arranged
from gateway.link.continuity import SENDING_STEP_US, Continuity
from gateway.link.frames import (
    CRC_BYTES,
    CRC_RESIDUE,
    HEAD_US_MAX,
    HEADER,
    KIND_HEALTH,
    KIND_IDENTITY,
    KIND_SAMPLES,
    SAMPLE_BYTES,
    SAMPLES_BYTES_FIXED,
    SAMPLES_FIELDS,
    VERSION,
    parse_health,
    parse_identity,
    refusal,
)
from gateway.model.limits import FRAME_BYTES_MAX, SAMPLES_PER_FRAME_MAX
from gateway.model.records import Identity

MANY = 128
"""From about a hundred frames on a table is faster than the loop."""


def plain(pieces: list[bytes], line: Continuity, block: OpenBlock, known: Identity | None) -> list[SampleRun] | None:
    """The pieces as runs: the frames before any samples, and the samples with the other frames among them.

    `None` where anything is amiss, and where they are few. `line`, `block`: what the frames before left behind; neither
    is changed, and what the block still holds comes before these. `known`: who the head is known to be.
    """
    if len(pieces) < MANY or not line.whole:
        return None
    frames = _proven(pieces)
    if frames is None:
        return None
    lengths = np.fromiter(map(len, frames), dtype=np.int64, count=len(frames))
    length = int(np.bincount(lengths).argmax())
    n, rest = divmod(length - SAMPLES_BYTES_FIXED, SAMPLE_BYTES)
    if rest or not 1 <= n <= SAMPLES_PER_FRAME_MAX:
        return None
    alike = lengths == length
    at = np.flatnonzero(alike)
    table = np.frombuffer(
        b"".join(compress(frames, alike.tolist())),
        dtype=[*SAMPLES_FIELDS, ("samples", f"V{n * SAMPLE_BYTES}"), ("crc", f"V{CRC_BYTES}")],
    )
    if not _follow(table, at, n, line, block):
        return None
    interleaved = _interleaved(frames, np.flatnonzero(~alike).tolist(), line, known)
    if interleaved is None:
        return None
    before = int(at[0])
    before_samples = [(0, frame) for _, frame in interleaved[:before]]
    # Each stands behind as many samples as pieces before it, less those that are interleaved themselves.
    among = [(piece - k, frame) for k, (piece, frame) in enumerate(interleaved)][before:]
    samples = np.ascontiguousarray(table["samples"])
    starts = np.arange(0, n * len(table), n, dtype=np.int64)
    joined = block.joined or bool(block.bodies)
    run = SampleRun(arranged(block, samples, table["head_us"].astype(np.int64), starts, joined=joined), tuple(among))
    return [SampleRun(None, tuple(before_samples)), run] if before_samples else [run]


def _proven(pieces: list[bytes]) -> list[bytes] | None:
    """Their COBS undone; `None` where one of them is overlong, cut or spoilt."""
    if max(map(len, pieces)) > FRAME_BYTES_MAX:
        return None
    try:
        frames = list(map(uncobs, pieces))
    except DecodeError:
        return None
    return frames if set(map(crc32, frames)) == {CRC_RESIDUE} else None


def _follow(table: NDArray[np.void], at: NDArray[np.int64], n: int, line: Continuity, block: OpenBlock) -> bool:
    """Are all of them samples, as many in each, of which none is to be refused, each where the line waits for it?"""
    expected = {
        "version": VERSION,
        "kind": KIND_SAMPLES,
        "boot": block.boot,
        "interval_ns": block.interval_ns,
        "n": n,
        "valid": block.valid,
        "sequence": (line.next_sequence + at) & 0xFFFF,
    }
    if any((table[name] != value).any() for name, value in expected.items()):
        return False
    if table["head_us"].max() > HEAD_US_MAX:
        return False
    head_ns = table["head_us"].astype(np.int64) * 1_000
    due_ns = np.append(line.end_ns, head_ns[:-1] + n * block.interval_ns)
    return bool((np.abs(head_ns - due_ns) <= block.tolerance_ns).all())


def _interleaved(
    frames: list[bytes], at: Iterable[int], line: Continuity, known: Identity | None
) -> list[tuple[int, Interleaved]] | None:
    """The frames `at`, if they are nothing but health, in turn, and the known identity."""
    out: list[tuple[int, Interleaved]] = []
    sent_us = line.sent_us
    for k in at:
        frame = frames[k]
        if refusal(frame):
            return None
        _, kind, sequence, boot, head_us = HEADER.unpack_from(frame)
        if sequence != (line.next_sequence + k) & 0xFFFF or boot != line.boot or head_us < sent_us - SENDING_STEP_US:
            return None
        sent_us = head_us
        if kind == KIND_HEALTH:
            out.append((k, parse_health(frame)))
        elif kind == KIND_IDENTITY and is_known(identity := parse_identity(frame), known):
            out.append((k, identity))
        else:
            return None
    return out


def is_known(identity: Identity, known: Identity | None) -> bool:
    """Is an identity frame that of the head that is known already?"""
    if known is None:
        return False
    return replace(identity, sequence=known.sequence, head_us=known.head_us) == known
