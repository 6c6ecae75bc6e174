"""Looks once a second at what the gateway's own alarms are judged by: delivery, storage, clock, certificates."""

import time
from collections.abc import Callable

from gateway.app.brokers import Brokers
from gateway.app.certificates import CertificateWatch
from gateway.app.clock import ClockSteps, clock_synchronised, utc_less_boot_s
from gateway.app.self_watch import Health
from gateway.encode.times import utc_of
from gateway.model.errors import StorageError
from gateway.model.settings import Settings
from gateway.store.outbox import Backlog
from gateway.store.writer import Writer

WRITER_STUCK_S = 60.0
"""A commit on a slow disk may take its time."""


class HealthWatch:
    """`look()` gathers a Health; from one thread. `unrecorded_s`: how long an answered act waits for the disk."""

    def __init__(
        self,
        settings: Settings,
        brokers: Brokers,
        backlog: Callable[[str], Backlog],
        writer: Writer,
        unrecorded_s: Callable[[], float | None],
    ) -> None:
        self._brokers, self._backlog, self._writer, self._unrecorded_s = brokers, backlog, writer, unrecorded_s
        self._names = [b.name for b in settings.broker]
        self._head_clock = settings.time.source == "head"
        self._certificates = CertificateWatch(settings)
        self._steps = ClockSteps()
        self._waiting: dict[str, tuple[int, float]] = {}

    def look(self) -> Health:
        """All of it, as it is now."""
        ages: dict[str, float] = {}
        for name in self._names:
            try:
                ages[name] = self._undelivered_min(self._backlog(name), name)
            except StorageError:
                continue
        refused = {name: s.why_refused for name, s in self._brokers.statuses() if s.refused}
        certificates = self._certificates.look(time.time(), time.monotonic())
        behind_s = self._brokers.receipts.behind_s(time.monotonic())
        unconfirmed = {name: seconds / 60 for name, seconds in behind_s.items()}
        return Health(ages, refused, self._storage(), self._clock(), certificates, unconfirmed)

    def _undelivered_min(self, backlog: Backlog, name: str) -> float:
        if backlog.oldest_utc is None:
            self._waiting.pop(name, None)
            return 0.0
        if not self._head_clock:
            return (time.time() - utc_of(backlog.oldest_utc)) / 60
        # Times of events are the head's, which may run thousands of times faster than the wall.
        place, since_s = self._waiting.get(name, (-1, 0.0))
        if place != backlog.place:
            self._waiting[name] = place, since_s = backlog.place, time.monotonic()
        return (time.monotonic() - since_s) / 60

    def _storage(self) -> str | None:
        w = self._writer
        if w.fault:
            return w.fault
        if not w.alive or time.monotonic() - w.last_beat > WRITER_STUCK_S:
            return "the store's writer does not respond: the disk hangs or has failed"
        if (waits_s := self._unrecorded_s()) is not None:
            return f"an act of a person waits {waits_s:.0f} s for the disk: the disk is slow or hangs"
        return w.nearly_full

    def _clock(self) -> str | None:
        if self._head_clock:
            return None
        stepped = self._steps.look(utc_less_boot_s(), time.monotonic())
        if clock_synchronised() is False:
            return "the system clock is kept in time by nothing: times of events may be wrong; see to the time server"
        return stepped
