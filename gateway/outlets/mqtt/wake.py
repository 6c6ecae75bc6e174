"""What a waiting broker thread is woken by, and how long it waits after a failure."""

import contextlib
import os
import random
import threading


class Wake(threading.Event):
    """An Event that a thread waiting on sockets hears too: `fileno()` is readable once `set()` was called."""

    def __init__(self) -> None:
        super().__init__()
        self._ends: tuple[int, int] | None = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)
        self._closing = threading.Lock()

    def fileno(self) -> int:
        """The descriptor to poll for reading; −1 when closed."""
        return self._ends[0] if self._ends else -1

    def set(self) -> None:
        """Wake the waiter; never blocks, also after `close()`."""
        super().set()
        # Always a byte, also when the flag stands: a flag about to be cleared must not swallow this call.
        with self._closing, contextlib.suppress(BlockingIOError):
            if self._ends:
                os.write(self._ends[1], b"!")

    def clear(self) -> None:
        """Forget past calls. The bytes go first, so that a call in between leaves one byte and wakes again."""
        with self._closing, contextlib.suppress(BlockingIOError):
            while self._ends and os.read(self._ends[0], 4_096):
                pass
        super().clear()

    def close(self) -> None:
        """Give the descriptors back."""
        with self._closing:
            ends, self._ends = self._ends, None
        for end in ends or ():
            os.close(end)


class Backoff:
    """Seconds to wait after each failure in a row: doubling from `least` to `most`, with jitter, never outside them."""

    def __init__(self, least: float, most: float, chance: random.Random | None = None) -> None:
        self._least, self._most = least, most
        self._chance = chance or random.Random()
        self._failures = 0

    def next(self) -> float:
        """The next wait: between d/1.5 and 1.5·d around the doubled d."""
        doubled = min(self._least * 2.0 ** min(self._failures, 60), self._most)
        self._failures += 1
        return min(max(doubled * self._chance.uniform(1 / 1.5, 1.5), self._least), self._most)

    def reset(self) -> None:
        """What was tried has worked."""
        self._failures = 0
