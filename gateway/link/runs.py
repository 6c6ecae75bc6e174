"""Blocks that follow each other, joined over what the head says between them, so that whole minutes are one array."""

from typing import TypeGuard

from gateway.link.blocks import Aside, Frames, Run, block_of
from gateway.link.breaks import Mark
from gateway.link.decoder import Piece
from gateway.link.plain import says_again
from gateway.model.records import Health, Identity


def runs(items: list[Piece], known: Identity | None = None) -> list[Run | Identity | Mark]:
    """Gather the decoder's pieces into runs; marks and identities stand where they stood.

    `known`: who the head has said it is. An identity frame that says the same again is an aside.
    """
    out: list[Run | Identity | Mark] = []
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
            out.append(Run(block_of(parts) if parts else None, tuple(asides)))
        parts, asides, frames = [], [], 0
        if isinstance(item, Frames):
            parts, frames = [item], len(item.sizes)
        elif _is_aside(item, known):
            asides = [(0, item)]
        elif isinstance(item, Identity):
            known = item
            out.append(item)
        elif isinstance(item, Mark | Run):
            out.append(item)
    if parts or asides:
        out.append(Run(block_of(parts) if parts else None, tuple(asides)))
    return out


def _is_aside(item: Piece, known: Identity | None) -> TypeGuard[Aside]:
    return says_again(item, known) if isinstance(item, Identity) else isinstance(item, Health)


def _goes_on(first: Frames, item: Frames) -> bool:
    same = (item.boot, item.interval_ns, item.valid) == (first.boot, first.interval_ns, first.valid)
    return item.joined and same
