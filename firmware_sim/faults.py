"""Damage to the byte stream between head and gateway: frames corrupted, dropped, doubled, cut, swapped; garbage."""

from __future__ import annotations

import numpy as np

from firmware_sim.events import StreamFault


class StreamFaults:
    """Passes frames through; each fault draws its own random numbers, so that one does not move another."""

    def __init__(self, faults: list[StreamFault], seed: int) -> None:
        self._faults = [(f, np.random.Generator(np.random.PCG64([seed, 1_000 + i]))) for i, f in enumerate(faults)]
        self._late: list[bytes] = []

    def passes(self, frame: bytes, t_s: float) -> bytes:
        """What arrives when this frame is sent at `t_s`: nothing, the frame, or what has become of it."""
        if not self._faults:
            return frame
        arrives = [frame]
        held: list[bytes] = []
        for fault, rng in self._faults:
            if fault.at_s <= t_s < fault.until_s and rng.random() < fault.rate:
                if fault.kind == "reorder":
                    held, arrives = held + arrives, []
                else:
                    arrives = _damaged(arrives, fault, rng)
        # A frame held back arrives right behind the next one that does.
        if arrives:
            arrives += self._late
            self._late = held
        else:
            self._late += held
        return b"".join(arrives)


def _damaged(frames: list[bytes], fault: StreamFault, rng: np.random.Generator) -> list[bytes]:
    if fault.kind == "drop" or not frames:
        return []
    if fault.kind == "duplicate":
        return [*frames, frames[-1]]
    if fault.kind == "garbage":
        return [rng.bytes(int(rng.integers(1, fault.bytes + 1))), *frames]
    *before, frame = frames
    if fault.kind == "truncate":
        # Half of the time the delimiter is lost as well and the next frame with it.
        cut = frame[: int(rng.integers(0, max(len(frame) - 1, 1)))]
        return [*before, cut + b"\0" if rng.random() < 0.5 else cut]
    if not frame:
        return frames
    damaged = bytearray(frame)
    for _ in range(int(rng.integers(1, 4))):
        damaged[int(rng.integers(0, len(frame)))] ^= int(rng.integers(1, 256))
    return [*before, bytes(damaged)]
