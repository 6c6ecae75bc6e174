"""The present to all viewers once a second: made once, sent to each; a slow one misses some, a stuck one is let go."""

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable

from gateway.model.errors import CamdriftError
from gateway.outlets.page.shares import Busy, Shares

EVERY_S = 1.0
VIEWERS_PER_ADDRESS_MIN = 8
MISSED_MAX = 30
"""A viewer that has not taken a second's figures for so many seconds holds a place for nobody."""
RETRY_MS = 2_000


class Viewer:
    """One place: a box for the latest figures, and how often it was still full when the next ones came."""

    def __init__(self, address: str) -> None:
        self.address = address
        self.box: asyncio.Queue[bytes | None] = asyncio.Queue(1)
        self.missed = 0
        self.task: asyncio.Task[object] | None = None
        self.ended = False

    def put(self, data: bytes | None) -> None:
        """The latest displaces what was not taken."""
        with contextlib.suppress(asyncio.QueueEmpty):
            self.box.get_nowait()
            self.missed += 1
        self.box.put_nowait(data)
        if self.missed > MISSED_MAX and self.task is not None:
            self.task.cancel()


class Stream:
    """`viewers_max` places. `make`: the present as JSON; it is asked for only while somebody looks."""

    def __init__(self, make: Callable[[], bytes], viewers_max: int) -> None:
        self._make = make
        words = "All places are taken; close the page on another screen."
        self._shares = Shares(viewers_max, max(VIEWERS_PER_ADDRESS_MIN, viewers_max // 2), words)
        self._viewers: set[Viewer] = set()
        self._turning: asyncio.Task[None] | None = None
        self._closed = False

    @property
    def viewers(self) -> int:
        """Places taken."""
        return len(self._viewers)

    def enter(self, address: str) -> Viewer:
        """Take a place; `leave` gives it back. Raises Busy."""
        if self._closed:
            raise Busy("The page is closing.")
        self._shares.take(address)
        viewer = Viewer(address)
        self._viewers.add(viewer)
        if self._turning is None or self._turning.done():
            self._turning = asyncio.get_running_loop().create_task(self._turn())
        return viewer

    async def take(self, viewer: Viewer, may_look: Callable[[], bool]) -> list[bytes]:
        """Wait for what this viewer gets next; nothing once it may no longer look, or the page closes."""
        if viewer.task is None:
            viewer.task = asyncio.current_task()
            return [f"retry: {RETRY_MS}\n\n".encode(), await asyncio.to_thread(self._event)]
        if viewer.ended:
            return []
        if not may_look():
            viewer.ended = True
            return [b"event: closed\ndata: {}\n\n"]
        data = await viewer.box.get()
        viewer.missed = 0
        return [] if data is None else [data]

    def leave(self, viewer: Viewer) -> None:
        """Give the place back; a second time does nothing."""
        if viewer in self._viewers:
            self._viewers.discard(viewer)
            self._shares.leave(viewer.address)

    def close(self) -> None:
        """Send everybody home; from the loop's own thread."""
        self._closed = True
        for viewer in self._viewers:
            viewer.put(None)

    async def _turn(self) -> None:
        while self._viewers and not self._closed:
            await asyncio.sleep(EVERY_S)
            data = await asyncio.to_thread(self._event)
            for viewer in list(self._viewers):
                viewer.put(data)

    def _event(self) -> bytes:
        try:
            return b"event: present\ndata: " + self._make() + b"\n\n"
        except CamdriftError:
            # Nothing new this time; the comment shows that the page still lives.
            return b": ping\n\n"


async def lines(stream: Stream, viewer: Viewer, may_look: Callable[[], bool]) -> AsyncIterator[bytes]:
    """All that a viewer gets, as the web framework pulls it."""
    while taken := await stream.take(viewer, may_look):
        for line in taken:
            yield line
