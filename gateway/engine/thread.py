"""One engine's thread: the only owner of its pipeline. Chunks from the head's source in, sayings to the outlets out."""

import queue
import threading
import time
from collections.abc import Callable, Iterable
from concurrent.futures import Future
from typing import Protocol

import structlog

from gateway.encode.speak import SpokenEvent, SpokenState, speak_alarm, speak_reading, speak_trend, speak_untold
from gateway.encode.topics import Topics
from gateway.encode.views import alarm_views, engine_view
from gateway.link.counts import looks_like_wrong_baud, wrong_baud_text
from gateway.measure.timeline import Now
from gateway.model.errors import Refused
from gateway.model.records import Median, Reading
from gateway.model.settings import Settings
from gateway.model.snapshot import EngineView
from gateway.pipeline import AlarmChanged, EnginePipeline, MedianDue, Output, ReadingDue, TrendDue, WrongHead
from gateway.wear.bookings import Entry

CHUNKS_MAX = 64
"""Chunks of about 30 ms between the port and the pipeline: two seconds, after which the source's own rule holds."""
WAIT_S = 0.25
CHECKPOINT_S = 180.0
"""What a power cut may cost of what was learnt; each writes to the disk. Alarms take theirs with them at once."""
BAUD_WATCH_S = 5.0
ACTS_MAX = 64
"""Acts that wait for the pipeline; it takes them four times a second. More can only come while it hangs."""


class Outlets(Protocol):
    """Where an engine's sayings go; every call returns at once."""

    def keep(self, spoken: Iterable[SpokenEvent | SpokenState], checkpoints: dict[str, object]) -> None:
        """Durable: events, retained states and the checkpoint that knows of them, in one piece."""

    def pass_on(self, engine: str, reading: Reading, utc_s: float, spoken: SpokenState) -> None:
        """The present."""

    def median(self, engine: str, median: Median) -> None:
        """Ten minutes for the history."""


class EngineWorker(threading.Thread):
    """Runs an engine's pipeline. `queue` takes the source's chunks. `crashed` tells why the thread ended, if it did."""

    def __init__(
        self,
        settings: Settings,
        pipeline: EnginePipeline,
        index: int,
        topics: Topics,
        outlets: Outlets,
        *,
        delivery_flowing: Callable[[], bool] = lambda: True,
        utc: Callable[[], float] = time.time,
    ) -> None:
        super().__init__(name=f"engine-{pipeline.engine.slug}", daemon=True)
        self.pipeline = pipeline
        self.queue: queue.Queue[tuple[bytes, float]] = queue.Queue(CHUNKS_MAX)
        self.log: list[Entry] = []
        """The engine's log book as the pipeline knows it."""
        self._acts: queue.Queue[tuple[Callable[[EnginePipeline], list[Output]], Future[int]]]
        self._acts = queue.Queue(ACTS_MAX)
        self.last_beat = time.monotonic()
        self.crashed: str | None = None
        self.view: EngineView | None = None
        self.after_turn: Callable[[], None] = lambda: None
        """Called in this thread after each turn, at least four times a second."""
        self._index, self._topics, self._outlets, self._utc = index, topics, outlets, utc
        self._flowing = delivery_flowing
        self._head_clock = settings.time.source == "head"
        self._stopping = threading.Event()
        self._log = structlog.get_logger("engine").bind(engine=pipeline.engine.slug)
        self._key = f"engine/{pipeline.engine.slug}"
        # The first one soon: a gateway that is killed again and again must not begin from nothing each time.
        self._checkpoint_at = time.monotonic() + 1.0
        self._counts = pipeline.decoder.counts.snapshot()
        self._baud_at = time.monotonic() + BAUD_WATCH_S
        self._alarms_changed = True
        self._alarm_views = alarm_views(pipeline.alarms, index + 1, pipeline.timeline)

    def untold(self, known_topics: set[str]) -> list[SpokenState]:
        """States of alarms of which the store knows nothing yet."""
        out = [speak_untold(self._topics, a, self._utc()) for a in self.pipeline.alarms.alarms.values()]
        return [s for s in out if s.topic not in known_topics]

    def stop(self, timeout_s: float = 10.0) -> bool:
        """Take what is in the queue, keep a checkpoint, end. True if it ended in time."""
        self._stopping.set()
        if self.ident is not None:
            self.join(timeout_s)
        return not self.is_alive()

    def run(self) -> None:
        """The thread. An unexpected fault ends it; the daemon sees that and begins anew from the last checkpoint."""
        try:
            while not (self._stopping.is_set() and self.queue.empty()):
                self._turn()
            self._outlets.keep([], {self._key: self._checkpoint()})
        except Exception as e:
            self.crashed = f"{type(e).__name__}: {e}"
            self._log.error("the engine's pipeline failed and is begun anew", why=self.crashed, exc_info=True)

    def _turn(self) -> None:
        try:
            data, mono_s = self.queue.get(timeout=WAIT_S)
        except queue.Empty:
            data, mono_s = b"", time.monotonic()
            chunk = False
        else:
            chunk = True
        now_s = time.monotonic()
        now = Now(mono_s, self._utc() - (now_s - mono_s))
        if chunk and not data:
            self.pipeline.decoder.reopened()
        elif data:
            self._hand_over(self.pipeline.feed(data, now))
        self._hand_over(self.pipeline.idle(now))
        for _ in range(self._acts.qsize()):
            self._do(*self._acts.get())
        self._watch_baud(now_s)
        if now_s >= self._checkpoint_at:
            self._checkpoint_at = now_s + CHECKPOINT_S
            self._outlets.keep([], {self._key: self._checkpoint()})
        self._show()
        self.last_beat = time.monotonic()

    def ask(self, do: Callable[[EnginePipeline], list[Output]]) -> Future[int]:
        """Have something done on this thread, between two chunks; the future gives how many sayings it made.

        One that is cancelled before its turn is never done. Raises Refused where too many wait.
        """
        future: Future[int] = Future()
        try:
            self._acts.put_nowait((do, future))
        except queue.Full:
            raise Refused(f"engine {self.pipeline.engine.slug}: too many requests wait; try again later") from None
        return future

    def _do(self, do: Callable[[EnginePipeline], list[Output]], future: Future[int]) -> None:
        if not future.set_running_or_notify_cancel():
            return
        try:
            sayings = do(self.pipeline)
        except Exception as e:
            future.set_exception(e)
            return
        self._hand_over(sayings)
        future.set_result(len(sayings))

    def _hand_over(self, sayings: list[Output]) -> None:
        spoken: list[SpokenEvent | SpokenState] = []
        learnt = False
        for said in sayings:
            if isinstance(said, AlarmChanged):
                spoken.extend(speak_alarm(self._topics, said))
                self._tell(said)
            elif isinstance(said, ReadingDue):
                slug = self.pipeline.engine.slug
                self._outlets.pass_on(slug, said.reading, said.utc_s, speak_reading(self._topics, slug, said))
            elif isinstance(said, TrendDue):
                spoken.append(speak_trend(self._topics, self.pipeline.engine.slug, said.trend))
                learnt = True
            elif isinstance(said, MedianDue):
                self._outlets.median(self.pipeline.engine.slug, said.median)
            elif isinstance(said, WrongHead):
                self._log.warning(
                    "another head than configured is on this port; it is not measured. "
                    "Correct the head's name in the settings, or the cable",
                    heard=said.heard,
                    wanted=said.wanted,
                )
        if spoken:
            self._alarms_changed = True
            kept: dict[str, object] = {self._key: self._checkpoint()}
            if learnt:
                kept[f"wear/{self.pipeline.engine.slug}"] = self.pipeline.wear_checkpoint()
            self._outlets.keep(spoken, kept)

    def _checkpoint(self) -> dict[str, object]:
        """The pipeline's, and how many bookings it knows of: what is booked without it is caught up with later."""
        return self.pipeline.checkpoint() | {"booked": len(self.log)}

    def _tell(self, said: AlarmChanged) -> None:
        t = said.transition
        self._log.warning(f"{t.tag}: {t.came_from} -> {t.to}", text=t.text, priority=str(t.priority))

    def _watch_baud(self, now_s: float) -> None:
        if now_s < self._baud_at:
            return
        recent = self.pipeline.decoder.counts.since(self._counts)
        self._counts = self.pipeline.decoder.counts.snapshot()
        self._baud_at = now_s + BAUD_WATCH_S
        if looks_like_wrong_baud(recent):
            self._log.warning(wrong_baud_text(self.pipeline.head.baud, recent))

    def _show(self) -> None:
        p = self.pipeline
        if self._alarms_changed:
            self._alarm_views = alarm_views(p.alarms, self._index + 1, p.timeline)
            self._alarms_changed = False
        self.view = engine_view(p, self._index, p.present_us, self._alarm_views, delivery_flowing=self._flowing())
        self.after_turn()
