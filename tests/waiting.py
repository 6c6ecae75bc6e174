"""How tests wait: for an event, with an end so far away that only a hang reaches it."""

import time
from collections.abc import Callable

PATIENCE_S = 180.0
"""Far above what any awaited event takes on a machine shared with ten other processes; far below the test's own end."""


def until(happened: Callable[[], object], what: str, within_s: float = PATIENCE_S) -> None:
    """Wait until `happened()` is true; fails with `what` after `within_s` seconds."""
    end_s = time.monotonic() + within_s
    while not happened():
        assert time.monotonic() < end_s, f"not within {within_s:g} s: {what}"
        time.sleep(0.01)
