"""Cost of the link decoder: µs a frame of 50 samples, beside the bound below which no decoder of this shape can go.

The bound is what cannot be left out: one CRC pass over all payloads and one copy of all sample bodies into arrays, both
over the whole stream at once. Run: `python tests/bench/bench_link.py`. Prints; asserts nothing about time.
"""

import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple
from zlib import crc32

import numpy as np

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1] / "link")]

from head_writer import HeadWriter  # noqa: E402

from gateway.link import Decoder  # noqa: E402

FRAMES = 6_000
HEALTH_EVERY = 10
REPEATS = 7


class Row(NamedTuple):
    """One line of the bench. `ratio`: to the bound, machine-independent as far as anything is."""

    what: str
    us_per_frame: float
    ratio: float


def stream() -> bytes:
    """Ten minutes at 500 Hz: sample frames of 50, a health frame each second."""
    w = HeadWriter()
    parts = []
    for i in range(1, FRAMES + 1):
        parts.append(w.ramp(50))
        if i % HEALTH_EVERY == 0:
            parts.append(w.health())
    return b"".join(parts)


def best_s(work: Callable[[], object]) -> float:
    """The shortest of several runs, in s."""
    times = []
    for _ in range(REPEATS):
        begin = time.perf_counter()
        work()
        times.append(time.perf_counter() - begin)
    return min(times)


def fed(data: bytes, size: int) -> None:
    """The whole stream through a fresh decoder in feeds of `size` bytes."""
    decoder = Decoder()
    for at in range(0, len(data), size):
        decoder.feed(data[at : at + size])
    assert decoder.counts.samples == FRAMES and decoder.counts.lost == 0


def run() -> list[Row]:
    """All rows: the bound, then the decoder in feeds from a capture's chunk down to a live batch and a single frame."""
    data = stream()
    bodies = data[: FRAMES * 300]

    def bound() -> None:
        crc32(data)
        np.ascontiguousarray(np.frombuffer(bodies, dtype="<u2").reshape(-1, 3).T)

    bound_s = best_s(bound)
    rows = [Row("bound: one CRC pass, one copy into arrays", bound_s / FRAMES * 1e6, 1.0)]
    for size, what in (
        (1 << 20, "1 MiB"),
        (65_536, "64 KiB"),
        (4_096, "4 KiB"),
        (700, "a live batch of 30 ms"),
        (330, "one frame"),
    ):
        name = f"decoder, feeds of {what}"
        took_s = best_s(lambda size=size: fed(data, size))  # type: ignore[misc]
        rows.append(Row(name, took_s / FRAMES * 1e6, took_s / bound_s))
    return rows


if __name__ == "__main__":
    for row in run():
        sys.stdout.write(f"{row.what:45} {row.us_per_frame:7.2f} µs/frame  {row.ratio:6.1f} × bound\n")
