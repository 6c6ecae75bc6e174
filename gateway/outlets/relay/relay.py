"""The relay: one dry contact per engine, energised only while all is healthy and nothing calls.

Three things let it drop. `keep(False)`: at once. No `keep` for `dead_after_s` (the pipeline hangs): this thread. The
daemon dead or frozen whole: the keeper process, which holds the line.
"""

import os
import select
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence

from gateway.model.enums import AlarmState, Priority
from gateway.model.errors import PortError
from gateway.model.panel_settings import RelaySettings
from gateway.model.snapshot import Snapshot
from gateway.outlets.port_worker import PortWorker
from gateway.outlets.relay.lines import RelayLine

REFRESH_S = 0.5
LOOK_EVERY_S = 0.1
KEEPER_READY_WITHIN_S = 15.0
KEEPER_ENDS_WITHIN_S = 2.0
_CALLING = frozenset((AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.RETURNED))


def may_energise(board: Snapshot, slug: str, cautions: bool = False) -> bool:
    """Whether the contact of engine `slug` may be held: the board is fresh, its head is heard, and no alarm or warning
    of its own or of the gateway stands or waits for acknowledgement. Cautions count only if `cautions`."""
    engine = next((e for e in board.engines if e.slug == slug), None)
    if engine is None or not board.fresh or not engine.head_heard:
        return False
    alarms = (*engine.alarms, *board.gateway_alarms)
    return not any(a.state in _CALLING and (cautions or a.priority is not Priority.CAUTION) for a in alarms)


class KeeperLine:
    """A line held by the keeper process; to be refreshed at least once a second."""

    def __init__(self, command: Sequence[str]) -> None:
        """Start the keeper and wait until it has the line. Raises PortError with its reason."""
        self._process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, start_new_session=True, bufsize=0
        )
        assert self._process.stdin is not None and self._process.stdout is not None
        self._in, self._out = self._process.stdin, self._process.stdout
        os.set_blocking(self._in.fileno(), False)
        answer = self._answer(KEEPER_READY_WITHIN_S)
        if answer != "ready":
            self.close()
            raise PortError(answer or "relay: its keeper process did not start")

    def set(self, energised: bool) -> None:
        """See RelayLine."""
        try:
            taken = self._in.write(b"1" if energised else b"0")
        except OSError:
            taken = None
        if not taken:
            raise PortError(self._answer(0.1) or "relay: its keeper process is gone or hangs")

    def close(self) -> None:
        """See RelayLine: the end of its input makes the keeper drop the line and end."""
        self._in.close()
        try:
            self._process.wait(KEEPER_ENDS_WITHIN_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait(KEEPER_ENDS_WITHIN_S)
        self._out.close()

    def _answer(self, wait_s: float) -> str:
        ready, _, _ = select.select([self._out], [], [], wait_s)
        return (self._out.read(1_024) or b"").decode("utf-8", "replace").strip() if ready else ""


def keeper_command(settings: RelaySettings) -> list[str]:
    """The keeper's command line for these settings."""
    if settings.through == "gpio":
        where = ["gpio", settings.chip, str(settings.line), "low" if settings.active_low else "high"]
    else:
        where = ["rts", str(settings.port)]
    return [sys.executable, "-m", "gateway.outlets.relay.keeper", *where, str(settings.dead_after_s)]


def open_line(settings: RelaySettings) -> RelayLine:
    """The line of these settings, in the hands of a keeper. Raises PortError."""
    return KeeperLine(keeper_command(settings))


class Relay(PortWorker):
    """Holds one contact as long as `keep(True)` comes again and again. `energised`: what the line was last set to."""

    def __init__(
        self,
        settings: RelaySettings,
        line: Callable[[RelaySettings], RelayLine] = open_line,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        super().__init__(f"relay:{settings.engine}")
        self._settings = settings
        self._open_line = line
        self._clock = clock
        self._kept: tuple[bool, float] = (False, 0.0)
        self._news = threading.Event()
        self.energised = False

    def keep(self, energised: bool) -> None:
        """What holds now; returns at once. To be called at least once a second by the pipeline's own thread."""
        self._kept = (energised, self._clock())
        self._news.set()

    def _wanted(self) -> bool:
        energised, at = self._kept
        return energised and self._clock() - at < self._settings.dead_after_s

    def _serve(self) -> None:
        line = self._open_line(self._settings)
        try:
            self._opened()
            sent_at = float("-inf")
            while not self._stopping.is_set():
                self._news.clear()
                wanted, now = self._wanted(), time.monotonic()
                if wanted != self.energised or now - sent_at >= REFRESH_S:
                    line.set(wanted)
                    self.energised, sent_at = wanted, now
                self._news.wait(LOOK_EVERY_S)
        finally:
            self.energised = False
            line.close()

    def _wake(self) -> None:
        self._news.set()
