"""Blocks that follow each other, joined over the frames between them, so that whole minutes are one array."""

from typing import TypeGuard

from gateway.link.blocks import Frames, Interleaved, SampleRun, block_of
from gateway.link.breaks import StreamBreak
from gateway.link.decoder import Piece
from gateway.link.plain import is_known
from gateway.model.records import Health, Identity


def runs(items: list[Piece], known: Identity | None = None) -> list[SampleRun | Identity | StreamBreak]:
    """Gather the decoder's pieces into runs; breaks and identities stand where they stood.

    `known`: who the head is known to be. An identity frame that is the same again breaks nothing.
    """
    out: list[SampleRun | Identity | StreamBreak] = []
    parts: list[Frames] = []
    interleaved: list[tuple[int, Interleaved]] = []
    frames = 0
    for item in items:
        if _is_interleaved(item, known) and (not parts or item.boot == parts[0].boot):
            interleaved.append((frames, item))
            continue
        if isinstance(item, Frames) and parts and _goes_on(parts[0], item):
            parts.append(item)
            frames += len(item.sizes)
            continue
        if parts or interleaved:
            out.append(SampleRun(block_of(parts) if parts else None, tuple(interleaved)))
        parts, interleaved, frames = [], [], 0
        if isinstance(item, Frames):
            parts, frames = [item], len(item.sizes)
        elif _is_interleaved(item, known):
            interleaved = [(0, item)]
        elif isinstance(item, Identity):
            known = item
            out.append(item)
        elif isinstance(item, StreamBreak | SampleRun):
            out.append(item)
    if parts or interleaved:
        out.append(SampleRun(block_of(parts) if parts else None, tuple(interleaved)))
    return out


def _is_interleaved(item: Piece, known: Identity | None) -> TypeGuard[Interleaved]:
    return is_known(item, known) if isinstance(item, Identity) else isinstance(item, Health)


def _goes_on(first: Frames, item: Frames) -> bool:
    same = (item.boot, item.interval_ns, item.valid) == (first.boot, first.interval_ns, first.valid)
    return item.joined and same
