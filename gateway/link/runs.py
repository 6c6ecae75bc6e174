"""Blocks that follow each other, joined over what the head says between them, so that whole minutes are one array."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TypeGuard

from gateway.link.blocks import Frames, block_of
from gateway.link.decoder import Piece
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


def runs(items: list[Piece], known: Identity | None = None) -> Iterator[Run | Identity | Mark]:
    """Gather the decoder's pieces into runs; marks and identities stand where they stood.

    `known`: who the head has said it is. An identity frame that says the same again is an aside.
    """
    parts: list[Frames] = []
    asides: list[tuple[int, Aside]] = []
    frames = 0
    for item in items:
        if _is_aside(item, known) and (not parts or item.boot == parts[0].boot):
            asides.append((frames, item))
            continue
        if isinstance(item, Frames) and parts and _goes_on(parts[0], item):
            parts.append(item)
            frames += len(item.sizes)
            continue
        if parts or asides:
            yield Run(block_of(parts) if parts else None, tuple(asides))
        parts, asides, frames = [], [], 0
        if isinstance(item, Frames):
            parts, frames = [item], len(item.sizes)
        elif _is_aside(item, known):
            asides = [(0, item)]
        elif isinstance(item, Identity):
            known = item
            yield item
        elif isinstance(item, Mark):
            yield item
    if parts or asides:
        yield Run(block_of(parts) if parts else None, tuple(asides))


def _is_aside(item: Piece, known: Identity | None) -> TypeGuard[Aside]:
    if isinstance(item, Identity) and known is not None:
        return replace(item, sequence=known.sequence, head_us=known.head_us) == known
    return isinstance(item, Health)


def _goes_on(first: Frames, item: Frames) -> bool:
    same = (item.boot, item.interval_ns, item.valid) == (first.boot, first.interval_ns, first.valid)
    return item.joined and same
