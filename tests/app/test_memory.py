"""What was freed goes back to the system, though something still in use lies behind it."""

import platform
from pathlib import Path

import pytest

from gateway.app.memory import EVERY_S, MemoryReturn

BLOCKS, BYTES = 30_000, 2_000


def resident_mib() -> float:
    """Of this process."""
    line = next(x for x in Path("/proc/self/status").read_text(encoding="ascii").splitlines() if x.startswith("VmRSS:"))
    return int(line.split()[1]) / 1024


def in_pieces() -> list[bytes]:
    """60 MB of blocks with few left among them: the C library gives nothing of the others back by itself."""
    blocks = [bytes([n % 256]) * BYTES for n in range(BLOCKS)]
    return blocks[:: BLOCKS // 100]


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="not glibc: nothing is given back")
def test_freed_memory_goes_back_once_a_minute() -> None:
    """At the first look, and again when a minute is over; not before."""
    memory = MemoryReturn()
    memory.look(100.0)
    kept = in_pieces()
    before = resident_mib()
    memory.look(100.0 + EVERY_S - 1)
    assert resident_mib() > before - 5.0
    memory.look(100.0 + EVERY_S)
    assert resident_mib() < before - 30.0
    assert len(kept) == 100
