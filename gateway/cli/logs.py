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
FIELD_CHARS_MAX = 1_000
BURST_BYTES = 100_000
"""Of all lines together, at once; what is used comes back at `BYTES_PER_S`. A flood from outside fills no disk."""
BYTES_PER_S = 500.0
ERROR_BYTES = 20_000
"""Of the burst, left to errors alone."""
LINE_BYTES = 80
"""Of a line beside its fields: time, level, quotes."""


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
            short_fields,
            Repeats(),
            Budget(),
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


def short_fields(_logger: object, _level: str, event: structlog.typing.EventDict) -> structlog.typing.EventDict:
    """Cut each text at `FIELD_CHARS_MAX`, and show how much is missing; any other long value becomes such a text."""
    return {key: _short(value) if key != "exc_info" else value for key, value in event.items()}


def _short(value: object) -> object:
    if value is None or isinstance(value, bool | float):
        return value
    text = value if isinstance(value, str) else repr(value)
    if len(text) <= FIELD_CHARS_MAX:
        return value
    return f"{text[:FIELD_CHARS_MAX]} (and {len(text) - FIELD_CHARS_MAX} characters more)"


class Budget:
    """Bounds all lines together in bytes. The next line after a gap shows how many are missing (`suppressed`)."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock, self._at_s, self._left = clock, clock(), float(BURST_BYTES)
        self._suppressed = 0
        self._lock = threading.Lock()

    def __call__(self, _logger: object, level: str, event: structlog.typing.EventDict) -> structlog.typing.EventDict:
        """Charge the line. Raises DropEvent where nothing is left for it."""
        cost = LINE_BYTES + sum(len(key) + len(str(value)) for key, value in event.items())
        keep = 0 if level in ("error", "critical") else ERROR_BYTES
        with self._lock:
            now_s = self._clock()
            self._left = min(BURST_BYTES, self._left + BYTES_PER_S * (now_s - self._at_s))
            self._at_s = now_s
            if self._left < cost + keep:
                self._suppressed += 1
                raise structlog.DropEvent
            self._left -= cost
            suppressed, self._suppressed = self._suppressed, 0
        return {**event, "suppressed": suppressed} if suppressed else event


class Repeats:
    """Holds back what repeats: the next line that passes bears how many were held back (`repeated`)."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._until_s = 0.0
        self._same: dict[object, int] = {}
        self._events: dict[object, int] = {}
        self._held: dict[str, int] = {}
        self._lock = threading.Lock()

    def __call__(self, _logger: object, level: str, event: structlog.typing.EventDict) -> structlog.typing.EventDict:
        """Count the line. Raises DropEvent where it is held back."""
        name = str(event.get("event"))
        same = (level, name, *sorted((k, repr(v)[:200]) for k, v in event.items() if k != "event"))
        with self._lock:
            self._new_window()
            if not (_passes(self._same, same, SAME_MAX) and _passes(self._events, (level, name), EVENT_MAX)):
                if name in self._held or len(self._held) < KEYS_MAX:
                    self._held[name] = self._held.get(name, 0) + 1
                raise structlog.DropEvent
            held = self._held.pop(name, 0)
        return {**event, "repeated": held} if held else event

    def _new_window(self) -> None:
        now_s = self._clock()
        if now_s >= self._until_s:
            self._until_s = now_s + WINDOW_S
            self._same.clear()
            self._events.clear()


def _passes(counts: dict[object, int], key: object, most: int) -> bool:
    """Count it. Where the table is full of others it is not counted and passes: no table full of new fields may open
    a new window, nor hold back what is new."""
    if key not in counts and len(counts) >= KEYS_MAX:
        return True
    counts[key] = count = counts.get(key, 0) + 1
    return count <= most


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
