"""How tests wait: for an event, with an end so far away that only a hang reaches it."""

import time
from collections.abc import Callable

PATIENCE_S = 180.0
"""Far above what any awaited event takes on a machine shared with ten other processes; far below the test's own end."""


def until(happened: Callable[[], object], what: str, within_s: float = PATIENCE_S) -> None:
    """Wait until `happened()` is true; fails with `what` after `within_s` seconds.

    The pauses grow, and an answer that takes long is asked for less often: a daemon that starts on a shared machine
    needs the time more than whoever waits for it.
    """
    end_s, pause_s = time.monotonic() + within_s, 0.01
    while True:
        asked_s = time.monotonic()
        if happened():
            return
        now_s = time.monotonic()
        assert now_s < end_s, f"not within {within_s:g} s: {what}"
        time.sleep(min(max(pause_s, 2 * (now_s - asked_s)), 0.2))
        pause_s = min(pause_s * 1.3, 0.1)
