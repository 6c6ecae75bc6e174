"""Logs go to stderr: coloured lines on a terminal, one JSON object a line otherwise."""

import logging
import sys
import threading

import structlog


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
