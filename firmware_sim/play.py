"""Plays frames into an outlet at a pace: real time, N times faster, or as fast as they are read."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator

from firmware_sim.outlets import WAIT_S, Outlet

TOGETHER_BYTES = 16_384
"""Frames that are due at once are written at once, up to so many bytes."""


def play(frames: Iterator[tuple[bytes, int]], outlet: Outlet, speed: float, stopped: Callable[[], bool]) -> int:
    """Send everything; `speed` 0 = as fast as it is read. Returns the bytes handed to the outlet.

    At a pace, what the reader has no room for is dropped; without one, the reader is waited for. A head that falls
    behind its pace does not slow its clock: it sends what is due and goes on.
    """
    start_s = time.monotonic()
    sent, together = 0, bytearray()
    for data, due_us in frames:
        wait_s = start_s + due_us / 1e6 / speed - time.monotonic() if speed else 0.0
        if together and (wait_s > 0 or len(together) + len(data) > TOGETHER_BYTES):
            outlet.write(bytes(together), patient=not speed)
            together.clear()
        if speed and not _sleep_until(start_s + due_us / 1e6 / speed, stopped):
            return sent
        if stopped():
            return sent
        together += data
        sent += len(data)
    if together:
        outlet.write(bytes(together), patient=not speed)
    outlet.finish()
    return sent


def _sleep_until(when_s: float, stopped: Callable[[], bool]) -> bool:
    while not stopped():
        left_s = when_s - time.monotonic()
        if left_s <= 0:
            return True
        time.sleep(min(left_s, WAIT_S))
    return False
