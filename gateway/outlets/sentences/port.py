"""The outlet of IEC 61162-1 sentences: its own thread, at the pace of the line. Needs neither broker nor disk."""

import time
from collections.abc import Callable

from gateway.model.panel_settings import SentenceSettings
from gateway.model.snapshot import ActSender, SnapshotReader
from gateway.outlets.port_worker import PortWorker
from gateway.outlets.sentences.carriers import Carrier, open_carrier
from gateway.outlets.sentences.queue import SentenceQueue

LOOK_EVERY_S = 0.05
STUCK_PAUSE_S = 1.0


class SentencePort(PortWorker):
    """Sends the alarms of a board over one serial line or UDP, and takes commands where the settings allow it.

    No group is handed to the driver before the line has had time for the last one: what waits, waits here, where a
    newer alarm can go first. A stuck line costs nobody else anything; `fault` reports it and the alerts wait.
    """

    def __init__(
        self,
        settings: SentenceSettings,
        board: SnapshotReader,
        act: ActSender,
        utc: Callable[[], float] = time.time,
        carrier: Callable[[SentenceSettings], Carrier] = open_carrier,
    ) -> None:
        super().__init__(f"sentences:{settings.port or settings.group}")
        self._settings = settings
        self._board = board
        self._utc = utc
        self._open_carrier = carrier
        self._queue = SentenceQueue(settings, act)
        self._carrier: Carrier | None = None
        self.lines_sent = 0

    def _serve(self) -> None:
        self._carrier = self._open_carrier(self._settings)
        try:
            self._opened()
            free_at = 0.0
            while not self._stopping.is_set():
                wait = min(LOOK_EVERY_S, max(0.001, free_at - time.monotonic()))
                for line, peer in self._carrier.hear(wait):
                    self._queue.hear(line, f"sentences:{peer}", time.monotonic())
                free_at = self._turn(self._carrier, free_at)
        finally:
            carrier, self._carrier = self._carrier, None
            carrier.close()

    def _turn(self, carrier: Carrier, free_at: float) -> float:
        """Send one group if the line is free; when it will be free again."""
        now = time.monotonic()
        self._queue.look(self._board(), now)
        if now < free_at:
            return free_at
        group = self._queue.next(now, self._utc())
        if group is None:
            return now + LOOK_EVERY_S
        if not carrier.send(group.lines):
            self._queue.put_back(group)
            self._stuck()
            return time.monotonic() + STUCK_PAUSE_S
        self.lines_sent += len(group.lines)
        if self.fault:
            self._opened()
        return now + carrier.busy_s(group.lines)

    def _stuck(self) -> None:
        self._log_fault(f"{self.name}: takes no data; check its cable and flow control")

    def _wake(self) -> None:
        carrier = self._carrier
        if carrier is not None:
            carrier.wake()
