"""A thread that runs one port, reports its first failure, tries again with growing pauses, and stops when asked."""

import threading
from abc import ABC, abstractmethod

import structlog

from gateway.model.errors import PortError

_log = structlog.get_logger("ports")

PAUSE_S_MIN = 1.0
PAUSE_S_MAX = 30.0


class PortWorker(ABC):
    """Base of the panel's ports. `fault`: the present trouble in plain words, empty while all is well. `ready`:
    set while the device is open."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.fault = ""
        self.ready = threading.Event()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)

    def start(self) -> None:
        """Start the thread; returns at once. May be called once."""
        self._thread.start()

    def stop(self) -> None:
        """Ask the thread to end and wait for it, at most five seconds."""
        self._stopping.set()
        self._wake()
        if self._thread.ident is not None:
            self._thread.join(5.0)

    def is_alive(self) -> bool:
        """Whether the thread runs; one that is dead without `stop` is to be reported and replaced."""
        return self._thread.is_alive()

    @abstractmethod
    def _serve(self) -> None:
        """Open, call `_opened`, and work until `_stopping` is set; raise PortError where the device fails."""

    @abstractmethod
    def _wake(self) -> None:
        """Make a waiting `_serve` look at `_stopping`."""

    def _opened(self) -> None:
        if self.fault:
            _log.info("port works again", port=self.name)
        self.fault = ""
        self.ready.set()

    def _log_fault(self, text: str) -> None:
        """Keep `text` as the fault; the first time aloud, its repeats in a whisper."""
        log = _log.debug if self.fault else _log.warning
        log("port failed", port=self.name, why=text)
        self.fault = text

    def _run(self) -> None:
        pause = PAUSE_S_MIN
        while not self._stopping.is_set():
            try:
                self._serve()
                pause = PAUSE_S_MIN
            except PortError as e:
                pause = self._failed(str(e), pause)
            except Exception as e:  # one port's own mistake must not silence it for the rest of the voyage
                pause = self._failed(f"{self.name}: unexpected {type(e).__name__}: {e}; report this", pause)

    def _failed(self, text: str, pause: float) -> float:
        self.ready.clear()
        if not self.fault:
            pause = PAUSE_S_MIN
        self._log_fault(text)
        self._stopping.wait(pause)
        return min(PAUSE_S_MAX, pause * 2)
