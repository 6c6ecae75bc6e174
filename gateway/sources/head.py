"""A head's port, read by a thread of its own into a bounded queue; unplugged, it is looked for until it is back.

What happens when the queue is full, that is when the pipeline is stuck: with `when_full="drop"` the oldest bytes go and
are counted, for a real head does not wait and its newest bytes show the present; the decoder counts the frames
that are missing. With `when_full="wait"` the thread stops reading, for a head that can be held up (one that is
simulated faster than time).
"""

import queue
import select
import socket
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import structlog

from gateway.model.errors import PortError
from gateway.model.settings import HeadSettings
from gateway.sources.opening import FAULTS, OpenPort, open_port

BATCH_S = 0.03
"""Bytes gather for so long before they are read: a fraction of the wake-ups, and a third of the latency allowed."""
FULL_SPEED_BYTES = 4_096
"""A batch as big as this in 30 ms is faster than any serial head; then nothing is gained by waiting for the next."""
BEAT_S = 1.0
BACKOFF_S_MIN, BACKOFF_S_MAX = 0.5, 5.0
GONE_TRIES = 2
"""A port that fails and cannot be opened again half a second later has vanished; a connection made again has not."""

Chunk = tuple[bytes, float]
"""Bytes as read and the monotonic time, s. b"" = the port was opened just now: call the decoder's (`reopened`)."""


@dataclass(frozen=True, slots=True)
class SourceState:
    """The source at one moment. `text`: for people. Times: monotonic, s; `last_bytes_s` is `None` before the first."""

    text: str
    is_open: bool
    opens: int
    bytes_in: int
    dropped_bytes: int
    last_beat_s: float
    last_bytes_s: float | None


class HeadSource(threading.Thread):
    """Reads one head's port. Never ends by itself; every fault is a warning once, then debug until it is over.

    `out` takes Chunks and must be bounded. `tap` gets the same bytes first, and must not block.
    `state()` may be asked from any thread; a `last_beat_s` older than some ten seconds means that the thread hangs.
    """

    def __init__(
        self,
        settings: HeadSettings,
        out: "queue.Queue[Chunk]",
        *,
        tap: Callable[[bytes], None] | None = None,
        lost: Callable[[str], None] | None = None,
        when_full: Literal["drop", "wait"] = "drop",
        backoff_s: tuple[float, float] = (BACKOFF_S_MIN, BACKOFF_S_MAX),
    ) -> None:
        """`lost`: hears that the port is not there, in words for people, and an empty text once it is open again."""
        if out.maxsize <= 0:
            raise ValueError("the source's queue must be bounded")
        super().__init__(name=f"source-{settings.slug}", daemon=True)
        self._settings = settings
        self._out = out
        self._tap = tap
        self._when_full = when_full
        self._backoff_s_min, self._backoff_s_max = backoff_s
        self._backoff_s = self._backoff_s_min
        self._log = structlog.get_logger("source").bind(head=settings.slug)
        self._wake_read, self._wake_write = socket.socketpair()
        self._lost = lost
        self._failures = 0
        self._stopping = threading.Event()
        self._fault = ""
        self._text = "not started"
        self._is_open = False
        self._opens = self._bytes_in = self._dropped_bytes = 0
        self._last_beat_s = time.monotonic()
        self._last_bytes_s: float | None = None

    def state(self) -> SourceState:
        """How it is now."""
        return SourceState(
            text=self._text,
            is_open=self._is_open,
            opens=self._opens,
            bytes_in=self._bytes_in,
            dropped_bytes=self._dropped_bytes,
            last_beat_s=self._last_beat_s,
            last_bytes_s=self._last_bytes_s,
        )

    def stop(self, timeout_s: float = 5.0) -> bool:
        """Ask the thread to end and wait for it. False: it is still there (a connection attempt may take so long)."""
        self._stopping.set()
        try:
            self._wake_write.send(b"x")
        except OSError:
            return True  # stopped before
        if self.ident is not None:
            self.join(timeout_s)
        if self.is_alive():
            return False
        self._wake_read.close()
        self._wake_write.close()
        return True

    def run(self) -> None:
        """The thread: open, read until it fails, wait, again."""
        while not self._stopping.is_set():
            try:
                self._session()
            except PortError as e:
                self._failed(str(e))
            except FAULTS as e:
                self._failed(f"lost {self._settings.port}: {e}. Waiting for it to come back.")
            except Exception as e:
                # Whatever it is, a silent reader would be worse than one that tries again and logs it.
                self._failed(f"unexpected fault at {self._settings.port}: {type(e).__name__}: {e}. Trying again.")
            self._sleep(self._backoff_s)
            self._backoff_s = min(2 * self._backoff_s, self._backoff_s_max)
        self._text = "stopped"

    def _session(self) -> None:
        self._beat()
        port = open_port(self._settings)
        try:
            self._opens += 1
            self._is_open = True
            if self._lost and self._failures >= GONE_TRIES:
                self._lost("")
            self._text = f"listening on {self._settings.port}"
            self._put(b"")
            self._read(port)
        except PortError as e:
            raise PortError(f"lost {self._settings.port}: {e}. Waiting for it to come back.") from None
        finally:
            self._is_open = False
            port.close()

    def _read(self, port: OpenPort) -> None:
        poll = select.poll()
        poll.register(self._wake_read, select.POLLIN)
        if port.descriptor >= 0:
            poll.register(port.descriptor, select.POLLIN)
        fast = False
        while not self._stopping.is_set():
            self._beat()
            if port.descriptor >= 0 and not poll.poll(BEAT_S * 1_000):
                continue
            if not fast:
                self._sleep(BATCH_S)
            if self._stopping.is_set():
                return
            data = port.read()
            fast = len(data) >= FULL_SPEED_BYTES
            if data:
                self._arrived(data)

    def _arrived(self, data: bytes) -> None:
        self._bytes_in += len(data)
        self._last_bytes_s = time.monotonic()
        self._backoff_s = self._backoff_s_min
        self._failures = 0
        if self._fault or self._bytes_in == len(data):
            self._log.info("head.heard", port=self._settings.port)
            self._fault = ""
        if self._tap:
            self._tap_off(self._tap, data)
        self._put(data)

    def _tap_off(self, tap: Callable[[bytes], None], data: bytes) -> None:
        try:
            tap(data)
        except Exception as e:
            self._tap = None
            self._log.warning("head.capture_failed", why=f"{type(e).__name__}: {e}", action="the capture is off")

    def _put(self, data: bytes) -> None:
        chunk = (data, time.monotonic())
        while not self._stopping.is_set():
            try:
                self._out.put(chunk, timeout=BEAT_S if self._when_full == "wait" else 0)
                return
            except queue.Full:
                self._beat()
                if self._when_full == "drop":
                    self._drop_oldest()

    def _drop_oldest(self) -> None:
        try:
            self._dropped_bytes += len(self._out.get_nowait()[0])
        except queue.Empty:
            pass  # the pipeline took it in the meantime

    def _failed(self, text: str) -> None:
        self._text = text
        self._failures += 1
        if self._lost and self._opens and self._failures >= GONE_TRIES:
            self._lost(f"Port {self._settings.port} vanished: check the plug, the cable and the supply of the head")
        if text == self._fault:
            self._log.debug("head.unavailable", text=text)
        else:
            self._log.warning("head.unavailable", text=text)
            self._fault = text

    def _sleep(self, seconds: float) -> None:
        until = time.monotonic() + seconds
        while not self._stopping.is_set() and (left := until - time.monotonic()) > 0:
            select.select([self._wake_read], [], [], min(left, BEAT_S))
            self._beat()

    def _beat(self) -> None:
        self._last_beat_s = time.monotonic()
