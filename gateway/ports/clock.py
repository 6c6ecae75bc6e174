"""Is the system clock being kept in time by something? Asked of the kernel, which every time daemon tells."""

import ctypes
import ctypes.util

TIME_ERROR = 5
"""adjtimex(2): the clock is not synchronised."""
TIMEX_BYTES = 256
"""More than struct timex takes on any Linux; with `modes` = 0 in its first bytes the call only reads."""


def clock_synchronised() -> bool | None:
    """True or false as the kernel says; `None` where it cannot be asked."""
    try:
        adjtimex = ctypes.CDLL(ctypes.util.find_library("c"), use_errno=True).adjtimex
    except (OSError, AttributeError):
        return None
    state = adjtimex(ctypes.create_string_buffer(TIMEX_BYTES))
    return None if state < 0 else state != TIME_ERROR
