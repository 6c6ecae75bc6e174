"""Blocks that follow each other, joined over what the head says between them, so that whole minutes are one array."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TypeGuard

import numpy as np

from gateway.link.decoder import Item
from gateway.link.marks import Mark
from gateway.model.records import Health, Identity, SampleBlock

Aside = Health | Identity
"""What the head says between samples without breaking them: its health, and who it is where that is known already."""


@dataclass(frozen=True, slots=True)
class Run:
    """Samples without a break, and the asides among them, each with the number of frames that came before it.

    `block` is `None` for asides with no samples about them.
    """

    block: SampleBlock | None
    asides: tuple[tuple[int, Aside], ...]

    @property
    def boot(self) -> int:
        """Boot number of all of it."""
        return self.block.boot if self.block is not None else self.asides[0][1].boot

    @property
    def head_us(self) -> int:
        """Head time of its first frame."""
        return int(self.block.head_us[0]) if self.block is not None else self.asides[0][1].head_us

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
        return len(self.asides) + (len(self.block.starts) if self.block is not None else 0)


def runs(items: list[Item], known: Identity | None = None) -> Iterator[Run | Identity | Mark]:
    """Gather the decoder's items into runs; marks and identities stand where they stood.

    `known`: who the head has said it is. An identity frame that says the same again is an aside.
    """
    blocks: list[SampleBlock] = []
    asides: list[tuple[int, Aside]] = []
    frames = 0
    for item in items:
        if _is_aside(item, known) and (not blocks or item.boot == blocks[0].boot):
            asides.append((frames, item))
            continue
        if isinstance(item, SampleBlock) and blocks and _goes_on(blocks[0], item):
            blocks.append(item)
            frames += len(item.starts)
            continue
        if blocks or asides:
            yield Run(_merged(blocks), tuple(asides))
        blocks, asides, frames = [], [], 0
        if isinstance(item, SampleBlock):
            blocks, frames = [item], len(item.starts)
        elif _is_aside(item, known):
            asides = [(0, item)]
        elif isinstance(item, Identity):
            known = item
            yield item
        elif isinstance(item, Mark):
            yield item
    if blocks or asides:
        yield Run(_merged(blocks), tuple(asides))


def _is_aside(item: Item, known: Identity | None) -> TypeGuard[Aside]:
    if isinstance(item, Identity) and known is not None:
        return replace(item, sequence=known.sequence, head_us=known.head_us) == known
    return isinstance(item, Health)


def _goes_on(first: SampleBlock, item: SampleBlock) -> bool:
    same = (item.boot, item.interval_ns, item.valid) == (first.boot, first.interval_ns, first.valid)
    return item.joined and same


def _merged(blocks: list[SampleBlock]) -> SampleBlock | None:
    if len(blocks) < 2:
        return blocks[0] if blocks else None
    first = blocks[0]
    offsets = np.cumsum([0] + [len(b.crank) for b in blocks[:-1]])
    return SampleBlock(
        boot=first.boot,
        interval_ns=first.interval_ns,
        valid=first.valid,
        head_us=np.concatenate([b.head_us for b in blocks]),
        starts=np.concatenate([b.starts + at for b, at in zip(blocks, offsets, strict=True)]),
        crank=np.concatenate([b.crank for b in blocks]),
        cam=np.concatenate([b.cam for b in blocks]),
        loop=np.concatenate([b.loop for b in blocks]),
        joined=first.joined,
    )
