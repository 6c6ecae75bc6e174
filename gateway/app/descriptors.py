"""A reserve of file descriptors: when all are used up, head, store, brokers and panel get these to come back.

The page and the local socket hold no more connections than their own limits allow, so they cannot take the reserve,
too; their accept loops pause while there are no descriptors.
"""

import os
from contextlib import suppress

import structlog

RESERVED = 24
"""For each of three brokers a socket and the store's files, a head's port with its lock, and some to spare."""


class DescriptorReserve:
    """`look()` once a second, from one thread; the first fills the reserve. `exhausted`: whether it is given out."""

    def __init__(self, reserved: int = RESERVED) -> None:
        self._reserved, self._held = reserved, list[int]()
        self.exhausted = False
        self._logger = structlog.get_logger("descriptors")

    def look(self) -> None:
        """Give the reserve out when there are no descriptors left; take it back when there are some again."""
        whole = self._refill()
        if not whole:
            self._release()
        if whole == self.exhausted:
            self.exhausted = not whole
            if whole:
                self._logger.info("descriptors.available")
            else:
                self._logger.error("descriptors.exhausted", action="find what holds them: lsof -p, the page's viewers")

    def close(self) -> None:
        """Give all of them back."""
        self._release()

    def _refill(self) -> bool:
        """Fill the reserve; whether it is whole and one more could be had."""
        try:
            while len(self._held) < self._reserved:
                self._held.append(os.open(os.devnull, os.O_RDONLY | os.O_CLOEXEC))
            os.close(os.open(os.devnull, os.O_RDONLY | os.O_CLOEXEC))
        except OSError:
            # Whatever the reason: nothing can be opened, and what is held is of more use to others.
            return False
        return True

    def _release(self) -> None:
        while self._held:
            with suppress(OSError):
                os.close(self._held.pop())
