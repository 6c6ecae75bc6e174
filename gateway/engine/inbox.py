"""What waits for one engine's thread: bytes of its head, commands, and maintenance records on their way to the disk.

The inbox outlives a thread that failed: the next one goes on with what waits here. The bytes that were being processed
are not among them, so a fault that they caused does not come back for ever.
"""

import queue
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass, field

from gateway.alarm.acts import Act
from gateway.model.errors import Refused
from gateway.model.output import NewSheetAct
from gateway.wear.bookings import Entry

CHUNKS_MAX = 64
"""Chunks of about 30 ms between the port and the pipeline: two seconds, after which the source's own rule holds."""
COMMANDS_MAX = 64
"""Commands that wait for the thread, which takes all of them at each turn. More can only come while it hangs."""
Chunk = tuple[bytes, float]
WAKE: Chunk = (b"", -1.0)
"""Ends the wait for the next chunk; its time is none that a clock could show."""


@dataclass(frozen=True, slots=True)
class Booking:
    """A maintenance record to enter, checked by its shape. `stored`: its text in the store; `now_s`: UTC of typing.
    `sheet_acts`: what the work sheet notes with it, in the same commit."""

    entry: Entry
    stored: str
    by: str
    now_s: float
    sheet_acts: tuple[NewSheetAct, ...] = ()


@dataclass(frozen=True, slots=True)
class Work:
    """A work sheet was opened (`on`), or the last one was closed."""

    on: bool


Command = Act | Booking | Work


@dataclass(frozen=True, slots=True)
class Done:
    """A command has been done. `count`: what it changed.

    `recorded`: resolved once all of it is on the disk, `None` where there was nothing to record. `applied`: resolved
    once the pipeline counts with a maintenance record, which it does only after the commit.
    """

    count: int
    recorded: "Future[int] | None" = None
    applied: "Future[None] | None" = None


@dataclass(frozen=True, slots=True)
class Recording:
    """A maintenance record that the store has been given and the pipeline not yet."""

    entry: Entry
    recorded: "Future[int]"
    applied: "Future[None]" = field(default_factory=Future)


class Inbox:
    """Bytes and commands in, from any thread; taken out by the engine's thread alone."""

    def __init__(self, engine: str) -> None:
        self._engine = engine
        self.chunks: queue.Queue[Chunk] = queue.Queue(CHUNKS_MAX)
        self._commands: queue.Queue[tuple[Command, Future[Done]]] = queue.Queue(COMMANDS_MAX)
        self.recording: list[Recording] = []
        self.port_text = ""
        """Why no bytes can come: the head's port is not there. Written by the source's thread alone."""

    def submit(self, command: Command) -> "Future[Done]":
        """Have a command done between two chunks. One that is cancelled before its turn is never done.

        The future raises what the pipeline refuses. Raises Refused where too many wait.
        """
        answer: Future[Done] = Future()
        try:
            self._commands.put_nowait((command, answer))
        except queue.Full:
            raise Refused(f"engine {self._engine}: too many requests wait; try again later") from None
        self.wake()
        return answer

    def wake(self) -> None:
        """End the wait for a chunk. A full queue needs no wake: the thread has work."""
        with suppress(queue.Full):
            self.chunks.put_nowait(WAKE)

    def port_lost(self, text: str) -> None:
        """The head's port is not there, and why; empty once it is open again."""
        self.port_text = text
        self.wake()

    def next_chunk(self, timeout_s: float) -> Chunk | None:
        """The next bytes with their arrival (monotonic, s); `None` when the time is over or a command has come."""
        try:
            chunk = self.chunks.get(timeout=timeout_s)
            while chunk == WAKE:
                chunk = self.chunks.get_nowait()
        except queue.Empty:
            return None
        return chunk

    def commands(self) -> list[tuple[Command, "Future[Done]"]]:
        """All that wait and were not cancelled; from now on none of them can be cancelled."""
        waiting = [self._commands.get_nowait() for _ in range(self._commands.qsize())]
        return [(command, answer) for command, answer in waiting if answer.set_running_or_notify_cancel()]

    def recorded(self) -> list[Recording]:
        """Maintenance records that the store has now; those it will never have are dropped."""
        ended = [r for r in self.recording if r.recorded.done()]
        self.recording = [r for r in self.recording if not r.recorded.done()]
        return [r for r in ended if not r.recorded.cancelled() and r.recorded.exception() is None]
