"""Faults that somebody outside can repeat as often as he likes: the first is logged, the others are counted."""

import asyncio
import time
from collections.abc import Callable
from typing import Any

import structlog

EVERY_S = 60.0
TEXT_CHARS_MAX = 300
"""A field of a log line may hold text from outside; it is cut here."""


class FaultLog:
    """At most one line for each kind of fault in `every_s`; `count`: how often it happened since the line before.

    Kinds are the log's own event keys, never text from outside. Any thread: a race costs one line too many.
    """

    def __init__(self, logger: str, every_s: float = EVERY_S, clock: Callable[[], float] = time.monotonic) -> None:
        self._log = structlog.get_logger(logger)
        self._every_s, self._clock = every_s, clock
        self._seen: dict[str, tuple[float, int]] = {}

    def add(self, event: str, **fields: Any) -> None:
        """One more fault of this kind."""
        now_s = self._clock()
        due_s, count = self._seen.get(event, (float("-inf"), 0))
        if now_s < due_s:
            self._seen[event] = due_s, count + 1
            return
        self._seen[event] = now_s + self._every_s, 0
        shown = {k: v[:TEXT_CHARS_MAX] if isinstance(v, str) else v for k, v in fields.items()}
        self._log.warning(event, count=count + 1, **shown)


def loop_faults(loop: asyncio.AbstractEventLoop, event: str) -> None:
    """What an event loop complains of, such as no descriptor left for a connection: one line, then counted.

    The loop itself stops accepting for a second then, and goes on.
    """
    faults = FaultLog("ports")

    def handle(_loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        faults.add(event, why=f"{context.get('message')}: {context.get('exception')!r}")

    loop.set_exception_handler(handle)
