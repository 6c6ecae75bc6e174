"""Freed memory back to the system: the C library keeps it, and each attack or download leaves more of it in pieces.

Nothing of it is in use, but the service's limit (`MemoryMax`) counts it all the same.
"""

import ctypes

EVERY_S = 60.0
"""It takes some milliseconds."""


class MemoryReturn:
    """`look` once a second, from one thread. Without glibc's `malloc_trim` it does nothing."""

    def __init__(self, every_s: float = EVERY_S) -> None:
        self._every_s, self._due_s = every_s, float("-inf")
        self._trim = getattr(ctypes.CDLL(None), "malloc_trim", None)

    def look(self, now_s: float) -> None:
        """Give it back where a minute has passed. `now_s`: monotonic."""
        if now_s >= self._due_s:
            self._due_s = now_s + self._every_s
            if self._trim is not None:
                self._trim(0)
