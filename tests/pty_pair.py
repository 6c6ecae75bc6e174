"""Two pseudo-terminals joined end to end by a thread: a null-modem cable for tests."""

import contextlib
import os
import select
import threading
import tty
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def pty_pair() -> Iterator[tuple[str, str]]:
    """The names of the two ends. All that is written to one can be read at the other."""
    ends = [os.openpty(), os.openpty()]
    for _, slave in ends:
        tty.setraw(slave)
    (a, _), (b, _) = ends
    wake_read, wake_write = os.pipe()
    thread = threading.Thread(target=_carry, args=(a, b, wake_read), daemon=True)
    thread.start()
    try:
        yield os.ttyname(ends[0][1]), os.ttyname(ends[1][1])
    finally:
        os.write(wake_write, b"x")
        thread.join(180)
        for fd in (*ends[0], *ends[1], wake_read, wake_write):
            os.close(fd)


@contextmanager
def one_pty() -> Iterator[tuple[int, str]]:
    """The near end as a descriptor, the far end by name."""
    master, slave = os.openpty()
    tty.setraw(slave)
    try:
        yield master, os.ttyname(slave)
    finally:
        os.close(master)
        os.close(slave)


def read_some(fd: int, wait_s: float, most: int = 65_536) -> bytes:
    """What comes within `wait_s`; empty if nothing does."""
    ready, _, _ = select.select([fd], [], [], wait_s)
    return os.read(fd, most) if ready else b""


def _carry(a: int, b: int, wake: int) -> None:
    other = {a: b, b: a}
    while True:
        ready, _, _ = select.select([a, b, wake], [], [])
        if wake in ready:
            return
        for fd in ready:
            with contextlib.suppress(OSError):
                os.write(other[fd], os.read(fd, 4_096))
