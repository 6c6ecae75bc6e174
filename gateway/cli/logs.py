"""Logs go to stderr: coloured lines on a terminal, one JSON object a line otherwise."""

import logging
import sys
import threading
import time
from collections.abc import Callable

import structlog

WINDOW_S = 60.0
SAME_MAX = 3
"""Of one line, with the same fields, in a window; a fault that repeats is then counted."""
EVENT_MAX = 120
"""Of one event, whatever its fields, in a window: two a second, far more than alarms or people make."""
KEYS_MAX = 1_000


def set_up_logs(*, debug: bool = False, quiet: bool = False) -> None:
    """Configure structlog for the whole process. `quiet`: only what has failed."""
    terminal = sys.stderr.isatty()
    renderer: structlog.typing.Processor = (
        structlog.dev.ConsoleRenderer(pad_event_to=0) if terminal else structlog.processors.JSONRenderer()
    )
    # A traceback is for whoever asked for it; to everybody else the event's own words must do.
    faults = structlog.processors.format_exc_info if debug else _without_traceback
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            Repeats(),
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            faults,
            renderer,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(
            logging.ERROR if quiet else logging.DEBUG if debug else logging.INFO
        ),
        logger_factory=StderrLogger,
        cache_logger_on_first_use=True,
    )


class Repeats:
    """Holds back what repeats: the next line that passes bears how many were held back (`repeated`)."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._until_s = 0.0
        self._seen: dict[object, int] = {}
        self._held: dict[str, int] = {}
        self._lock = threading.Lock()

    def __call__(self, _logger: object, level: str, event: structlog.typing.EventDict) -> structlog.typing.EventDict:
        """Count the line. Raises DropEvent where it is held back."""
        name = str(event.get("event"))
        same = (level, name, *sorted((k, repr(v)[:200]) for k, v in event.items() if k != "event"))
        with self._lock:
            self._new_window()
            if not (self._passes(same, SAME_MAX) and self._passes((level, name), EVENT_MAX)):
                self._held[name] = self._held.get(name, 0) + 1
                raise structlog.DropEvent
            held = self._held.pop(name, 0)
        return {**event, "repeated": held} if held else event

    def _passes(self, key: object, most: int) -> bool:
        self._seen[key] = count = self._seen.get(key, 0) + 1
        return count <= most

    def _new_window(self) -> None:
        now_s = self._clock()
        if now_s >= self._until_s or len(self._seen) > KEYS_MAX:
            self._until_s = now_s + WINDOW_S
            self._seen.clear()
            if len(self._held) > KEYS_MAX:
                self._held.clear()


class StderrLogger:
    """Writes lines to stderr as it is now. A terminal that has gone, or a full disk behind it, ends no thread."""

    def __init__(self, *_: object) -> None:
        self._lock = threading.Lock()

    def msg(self, message: str) -> None:
        """Write a line, or lose it."""
        try:
            with self._lock:
                sys.stderr.write(message + "\n")
                sys.stderr.flush()
        except (OSError, ValueError):
            return

    log = debug = info = warning = error = critical = fatal = exception = failure = warn = err = msg


def _without_traceback(_logger: object, _name: str, event: structlog.typing.EventDict) -> structlog.typing.EventDict:
    event.pop("exc_info", None)
    return event
