"""Sample frames that follow each other, gathered into one block of arrays, and runs: such a block with the
frames of other kinds among its own."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import accumulate, chain
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gateway.link.continuity import tolerance
from gateway.model.records import Health, Identity, SampleBlock


@dataclass(slots=True)
class Frames:
    """Bodies of consecutive sample frames of one boot, interval and validity: `n × 3 × uint16` each.

    `bodies`, `heads_us`, `sizes`: one entry for each frame. `joined`: see `SampleBlock`.
    """

    boot: int
    interval_ns: int
    valid: int
    joined: bool
    bodies: list[bytes]
    heads_us: list[int]
    sizes: list[int]


def block_of(parts: Sequence[Frames]) -> SampleBlock:
    """Fresh arrays of frames that follow each other and are alike."""
    samples = np.frombuffer(b"".join(chain.from_iterable([p.bodies for p in parts])), dtype=np.uint8)
    *starts, _ = accumulate(chain.from_iterable([p.sizes for p in parts]), initial=0)
    head_us = np.array(list(chain.from_iterable([p.heads_us for p in parts])), dtype=np.int64)
    return arranged(parts[0], samples, head_us, np.array(starts, dtype=np.int64), joined=parts[0].joined)


def arranged(
    like: "Frames | OpenBlock",
    samples: NDArray[Any],
    head_us: NDArray[np.int64],
    starts: NDArray[np.int64],
    *,
    joined: bool,
) -> SampleBlock:
    """A block of one boot, interval and validity. `samples`: N × 3 × uint16 as sent, in one piece."""
    columns = np.ascontiguousarray(samples.view("<u2").reshape(-1, 3).T, dtype=np.uint16)
    return SampleBlock(
        boot=like.boot,
        interval_ns=like.interval_ns,
        valid=like.valid,
        head_us=head_us,
        starts=starts,
        crank=columns[0],
        cam=columns[1],
        loop=columns[2],
        joined=joined,
    )


Interleaved = Health | Identity
"""Frames between samples that do not break them: health, and an identity that is known already."""


@dataclass(frozen=True, slots=True)
class SampleRun:
    """Samples without a break, and the other frames among them, each with the number of frames that came before it.

    `block` is `None` where there are no samples.
    """

    block: SampleBlock | None
    interleaved: tuple[tuple[int, Interleaved], ...]

    @property
    def boot(self) -> int:
        """Boot number of all of it."""
        return self.block.boot if self.block is not None else self.interleaved[0][1].boot

    @property
    def head_us(self) -> int:
        """Head time of its first frame."""
        return int(self.block.head_us[0]) if self.block is not None else self.interleaved[0][1].head_us

    @property
    def sent_us(self) -> int:
        """Head time of its first frame's sending: a frame of samples goes out after the last of them."""
        if self.block is None:
            return self.head_us
        first = self.block.starts[1] if len(self.block.starts) > 1 else len(self.block.crank)
        return self.head_us + int(first) * self.block.interval_ns // 1_000

    @property
    def frames(self) -> int:
        """Good frames in it."""
        return len(self.interleaved) + (len(self.block.starts) if self.block is not None else 0)


def separated(run: SampleRun) -> Iterator[SampleBlock | Interleaved]:
    """The samples and the other frames of a run one after the other, as they came."""
    done = 0
    for frames, frame in run.interleaved:
        if run.block is not None and frames > done:
            yield _part(run.block, done, frames)
            done = frames
        yield frame
    if run.block is not None and len(run.block.starts) > done:
        yield _part(run.block, done, len(run.block.starts))


def _part(block: SampleBlock, first: int, end: int) -> SampleBlock:
    begin = int(block.starts[first])
    samples = slice(begin, int(block.starts[end]) if end < len(block.starts) else len(block.crank))
    return replace(
        block,
        head_us=block.head_us[first:end],
        starts=block.starts[first:end] - begin,
        crank=block.crank[samples],
        cam=block.cam[samples],
        loop=block.loop[samples],
        joined=block.joined or first > 0,
    )


class OpenBlock:
    """What is gathered of such frames, until it is handed out; never all one feed longer.

    The decoder's loop appends to the lists; after `take` there are new ones.
    """

    __slots__ = ("bodies", "boot", "heads_us", "interval_ns", "joined", "sizes", "tolerance_ns", "valid")

    def __init__(self) -> None:
        self.bodies: list[bytes] = []
        self.heads_us: list[int] = []
        self.sizes: list[int] = []
        self.boot = self.interval_ns = self.valid = self.tolerance_ns = 0
        self.joined = False

    def begin(self, boot: int, interval_ns: int, valid: int, joined: bool) -> None:
        """Start again for frames of this kind; the block must be empty."""
        self.boot, self.interval_ns, self.valid, self.joined = boot, interval_ns, valid, joined
        self.tolerance_ns = tolerance(interval_ns)

    def add(self, body: bytes, head_us: int, n: int) -> None:
        """One more frame's samples: `body` is n × 3 × uint16."""
        self.bodies.append(body)
        self.heads_us.append(head_us)
        self.sizes.append(n)

    def take(self) -> Frames:
        """Hand out what is gathered, and be empty."""
        out = Frames(self.boot, self.interval_ns, self.valid, self.joined, self.bodies, self.heads_us, self.sizes)
        self.bodies, self.heads_us, self.sizes = [], [], []
        # What follows without a break joins, whatever came between; otherwise it is a new block.
        self.joined = True
        return out
