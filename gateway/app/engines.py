"""The engines' threads and the sources of their heads: made from what is on the disk, looked after, started again.

A thread that failed is followed by another one, from the last checkpoint; what waits in its inbox goes on to the next,
without the bytes that were being processed. The other engines do not notice. One that fails again and again is started
with growing pauses; where every engine does, the daemon ends, so that the service manager sees it.
"""

import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from typing import Any, NamedTuple

import structlog

from gateway.app.publisher import Publisher
from gateway.app.stores import Stores
from gateway.encode.learned import learned_texts
from gateway.encode.times import utc_of
from gateway.encode.topics import Topics
from gateway.engine.thread import EngineThread
from gateway.model.enums import Quality, Running
from gateway.model.errors import Refused, StorageError
from gateway.model.records import Measured
from gateway.model.settings import Settings
from gateway.model.snapshot import EngineView
from gateway.pipeline import EnginePipeline
from gateway.sources.head import HeadSource
from gateway.wear.booking_check import read_entry
from gateway.wear.bookings import Entry
from gateway.wear.learned import taken_over
from gateway.wear.logbook import rebase

FRESH_S = 3.0
"""A pipeline turns four times a second; one that has not for so long hangs, and the panel must see it."""
STUCK_S = 10.0
"""A port that has not responded for so long hangs: opening one may take its time."""
FAILURES_MAX = 3
FAILURES_WINDOW_S = 600.0
PAUSE_S = 60.0
"""Between two starts of a thread that has failed FAILURES_MAX times within the window."""
NOT_TURNING = Measured(None, Quality.BAD, "the program part of this engine does not respond; look at the log")


class Restored(NamedTuple):
    """A pipeline as it goes on after a start: the maintenance records that it counts with, those that it has yet to
    take, and what the settings measure otherwise than before, in words."""

    pipeline: EnginePipeline
    log: list[Entry]
    unapplied: list[Entry]
    changed_settings: tuple[str, ...] = ()


class Engines:
    """`threads`: by the engine's short name, those that run now; `sources`: by the head's."""

    def __init__(
        self,
        settings: Settings,
        topics: Topics,
        stores: Stores,
        publisher: Publisher,
        delivery_flowing: Callable[[], bool],
    ) -> None:
        self._settings, self._topics, self._stores, self._publisher = settings, topics, stores, publisher
        self._flowing = delivery_flowing
        self._logger = structlog.get_logger("engines")
        self._failures: dict[str, deque[float]] = {e.slug: deque(maxlen=FAILURES_MAX) for e in settings.engine}
        self.taken_over: dict[str, tuple[str, ...]] = {}
        """By engine: what was taken over from ashore of the learned figures, and what was not, in words."""
        self.threads = {e.slug: self._made(e.slug, None) for e in settings.engine}
        self.sources = {h.slug: self._source(h.slug, self.threads[e.slug])
                        for h in settings.head for e in settings.engine if e.head == h.slug}  # fmt: skip

    def start(self) -> None:
        """Start the threads, then the sources that feed them."""
        for part in (*self.threads.values(), *self.sources.values()):
            part.start()

    def stop(self) -> bool:
        """Stop the sources, then the threads. False: one did not end in time."""
        ended = [source.stop() for source in self.sources.values()]
        return all([*ended, *(thread.stop() for thread in self.threads.values())])

    def revive(self, now_s: float) -> list[str]:
        """Start another thread for each that failed and may start again; what happened, one text for each."""
        return [text for slug, t in list(self.threads.items()) if t.failed is not None
                if (text := self._revived(slug, t, now_s))]  # fmt: skip

    @property
    def all_given_up(self) -> bool:
        """Has every engine's thread failed again and again?"""
        now_s = time.monotonic()
        return all(self._fails_again(failures, now_s) for failures in self._failures.values())

    def turning(self, now_s: float) -> dict[str, bool]:
        """By engine: does its thread respond?"""
        return {slug: now_s - t.last_beat < FRESH_S and t.failed is None for slug, t in self.threads.items()}

    def sources_alive(self, now_s: float) -> bool:
        """Does the thread of every head's port respond?"""
        return all(now_s - s.state().last_beat_s < STUCK_S for s in self.sources.values())

    def views(self, now_s: float) -> tuple[EngineView, ...]:
        """Every engine as its thread last saw it; without figures where that does not respond."""
        turning = self.turning(now_s)
        views = [(t.snapshot.view, turning[slug]) for slug, t in list(self.threads.items())]
        return tuple(view if responds else _without_figures(view) for view, responds in views)

    # -- making -------------------------------------------------------------------------------------------------

    def _revived(self, slug: str, failed: EngineThread, now_s: float) -> str:
        failures = self._failures[slug]
        if self._fails_again(failures, now_s) and now_s - failures[-1] < PAUSE_S:
            return ""
        try:
            fresh = self._made(slug, failed)
        except StorageError as e:
            self._logger.error("engine.not_restarted", engine=slug, why=str(e))
            return ""
        failures.append(now_s)
        self.threads[slug] = fresh
        fresh.start()
        return f"the pipeline of {slug} failed and was started again without the bytes it failed at: {failed.failed}"

    @staticmethod
    def _fails_again(failures: "deque[float]", now_s: float) -> bool:
        return len(failures) == FAILURES_MAX and now_s - failures[0] < FAILURES_WINDOW_S

    def _made(self, slug: str, failed: EngineThread | None) -> EngineThread:
        restored = self._restored(slug)
        index = [e.slug for e in self._settings.engine].index(slug)
        thread = EngineThread(
            restored.pipeline,
            index,
            self._topics,
            self._publisher,
            log=restored.log,
            unapplied=restored.unapplied,
            changed_settings=restored.changed_settings,
            inbox=None if failed is None else failed.inbox,
            delivery_flowing=self._flowing,
        )
        if failed is not None:
            thread.after_turn = failed.after_turn
        return thread

    def _restored(self, slug: str) -> Restored:
        s = self._settings
        start = utc_of(s.time.start) if s.time.start else 0.0
        log = self._log_book(slug)
        # Not from the disk alone: on a full one the latest checkpoint still waits, with the alarms it knows of.
        kept, wear = (self._stores.writer.checkpoint(f"{what}/{slug}") for what in ("engine", "wear"))
        if not isinstance(wear, dict):
            wear = self._from_ashore(slug, log)
        if isinstance(kept, dict):
            booked = kept.get("booked")
            known = log[:booked] if isinstance(booked, int) else log
            pipeline = EnginePipeline(s, slug, start, known)
            try:
                changed = pipeline.restore(kept, wear if isinstance(wear, dict) else None)
                return Restored(pipeline, known, log[len(known) :], changed)
            except ValueError as e:
                self._logger.error("checkpoint.unreadable", engine=slug, why=str(e))
        elif isinstance(wear, dict):
            pipeline = EnginePipeline(s, slug, start, log)
            try:
                pipeline.wear.take_over(wear, pipeline.hours)
                return Restored(pipeline, log, [])
            except ValueError as e:
                self.taken_over[slug] = (f"{slug}: not taken over: {e}; it is learned again",)
                self._logger.error("learned.unreadable", engine=slug, why=str(e))
        return Restored(EnginePipeline(s, slug, start, log), log, [])

    def _from_ashore(self, slug: str, log: Sequence[Entry]) -> dict[str, Any] | None:
        """What a spare box has of the lost one's trend, as `wear_checkpoint`; compared with settings and log book."""
        kept = self._stores.writer.checkpoint(f"learned/{slug}")
        if not isinstance(kept, list):
            return None
        engine = next(e for e in self._settings.engine if e.slug == slug)
        found = taken_over(engine, rebase(engine, log), learned_texts(kept)[0])
        self.taken_over[slug] = (*found.taken, *found.left)
        return found.state

    def _log_book(self, slug: str) -> list[Entry]:
        entries = []
        for row in self._stores.state.bookings(slug):
            try:
                entries.append(read_entry(row.entry))
            except (Refused, ValueError) as e:
                self._logger.error("booking.unreadable", engine=slug, id=row.id, why=str(e))
        return entries

    def _source(self, head: str, thread: EngineThread) -> HeadSource:
        settings = next(h for h in self._settings.head if h.slug == head)
        return HeadSource(
            settings,
            thread.inbox.chunks,
            tap=partial(self._tap, head) if self._stores.captures is not None else None,
            lost=thread.inbox.port_lost,
            when_full="wait" if self._settings.time.source == "head" else "drop",
        )

    def _tap(self, head: str, data: bytes) -> None:
        self._stores.writer.capture(head, time.time(), data)


def _without_figures(v: EngineView) -> EngineView:
    """The engine as the panel may see it while nobody measures: alarms as they last stood, and no figure."""
    detail = v.detail and replace(
        v.detail, spring=NOT_TURNING, lag=NOT_TURNING, tension_n=None, lag_p2p_deg=None, casing_c=None, raw_deg=None
    )
    return replace(
        v, running=Running.UNKNOWN, rpm=None, spring_mm=None, compression_mm=None, lag_deg=None, slap_mm=None,
        elongation_percent=None, hours_to_limit=None, running_hours=None, spring_good=False, lag_good=False,
        head_heard=False, detail=detail,
    )  # fmt: skip
