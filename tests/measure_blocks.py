"""Sample blocks made by hand for the tests of measuring, and their splitting."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gateway.model.records import SampleBlock

ALL_VALID = 0b111


@dataclass(frozen=True)
class Frame:
    """One sample frame: lists of n counts and µA."""

    head_us: int
    valid: int
    crank: NDArray[np.uint16]
    cam: NDArray[np.uint16]
    loop: NDArray[np.uint16]


def frames_of(
    crank: NDArray[np.int64],
    cam: NDArray[np.int64],
    loop: NDArray[np.int64],
    *,
    size: int = 50,
    interval_ns: int = 2_000_000,
    valid: Sequence[int] = (),
    start_us: int = 0,
) -> list[Frame]:
    """Cut unwrapped counts (int64[N]) into frames of `size`; `valid`: bits per frame, the rest are all valid."""
    out = []
    for k, at in enumerate(range(0, len(crank) - size + 1, size)):
        part = slice(at, at + size)
        columns = [(x[part] & 0xFFFF).astype(np.uint16) for x in (crank, cam, loop)]
        bits = valid[k] if k < len(valid) else ALL_VALID
        out.append(Frame(start_us + at * interval_ns // 1000, bits, *columns))
    return out


def block_of(frames: Sequence[Frame], joined: bool, interval_ns: int = 2_000_000) -> SampleBlock:
    """One block of frames that follow each other and are alike."""
    sizes = [len(f.crank) for f in frames]
    return SampleBlock(
        boot=1,
        interval_ns=interval_ns,
        valid=frames[0].valid,
        head_us=np.array([f.head_us for f in frames], dtype=np.int64),
        starts=np.cumsum([0, *sizes[:-1]]).astype(np.int64),
        crank=np.concatenate([f.crank for f in frames]),
        cam=np.concatenate([f.cam for f in frames]),
        loop=np.concatenate([f.loop for f in frames]),
        joined=joined,
    )


def blocks_of(frames: Sequence[Frame], cuts: Sequence[int] = (), interval_ns: int = 2_000_000) -> list[SampleBlock]:
    """Group frames into joined blocks: a new one where the validity changes, and before each frame number in `cuts`."""
    out: list[SampleBlock] = []
    begin = 0
    for k in range(1, len(frames) + 1):
        if k == len(frames) or k in cuts or frames[k].valid != frames[k - 1].valid:
            out.append(block_of(frames[begin:k], joined=begin > 0, interval_ns=interval_ns))
            begin = k
    return out
