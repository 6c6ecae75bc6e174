"""One engine's thread, the only owner of its pipeline: bytes and commands in, records and a snapshot out.

source → inbox.chunks ─┐                      ┌→ outlets.record → store's writer
                       ├→ one turn of the thread → outlets.publish_reading → broker links, history
commands → inbox ──────┘                      └→ snapshot, for everybody else
"""

import threading
import time
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from typing import Protocol

import structlog

from gateway import __version__
from gateway.alarm.acts import Act
from gateway.encode.learned import learned_event_body
from gateway.encode.publish import encode_alarm, encode_initial, encode_reading, encode_trend
from gateway.encode.topics import Topics
from gateway.engine.inbox import Booking, Chunk, Command, Done, Inbox, Recording, Work
from gateway.engine.maintenance import records_of
from gateway.engine.snapshot import EngineSnapshot, alarm_views, take_snapshot
from gateway.link.counts import looks_like_wrong_baud, wrong_baud_text
from gateway.measure.timeline import Now
from gateway.model.errors import Refused
from gateway.model.output import Batch, NewEvent, NewRetained
from gateway.model.records import Median, Reading
from gateway.pipeline import AlarmChanged, EnginePipeline, MedianDue, Output, ReadingDue, TrendDue, WrongHead
from gateway.wear.bookings import Entry
from gateway.wear.logbook import check

WAIT_S = 0.25
CHECKPOINT_S = 180.0
"""What a power cut may cost of what was learnt; each writes to the disk. Alarms take theirs with them at once."""
BAUD_WATCH_S = 5.0


class Outlets(Protocol):
    """Where an engine's output goes; every call returns at once."""

    def record(self, batch: Batch) -> "Future[int]":
        """Durable, in one piece and in this order; resolved after the commit, to be cancelled while it waits."""

    def publish_reading(self, engine: str, reading: Reading, utc_s: float, message: tuple[str, bytes]) -> None:
        """The present, to whoever listens now and to the history."""

    def add_median(self, engine: str, median: Median) -> None:
        """Ten minutes for the history."""

    def add_trend(self, engine: str, utc_s: float, payload: bytes) -> None:
        """A trend as published, for the history."""

    def announced(self) -> None:
        """An alarm calls for attention: the sound is on again."""


class EngineThread(threading.Thread):
    """Runs an engine's pipeline. `snapshot`: the engine at the end of the last turn; `failed`: why the thread ended."""

    def __init__(
        self,
        pipeline: EnginePipeline,
        index: int,
        topics: Topics,
        outlets: Outlets,
        *,
        log: Sequence[Entry] = (),
        unapplied: Sequence[Entry] = (),
        changed_settings: Sequence[str] = (),
        inbox: Inbox | None = None,
        delivery_flowing: Callable[[], bool] = lambda: True,
        utc: Callable[[], float] = time.time,
    ) -> None:
        """`log`: maintenance records that the pipeline counts with; `unapplied`: those in the store that it does not
        know of yet; `changed_settings`: what the settings measure otherwise than before the restart, in words;
        `inbox`: of the thread that this one follows."""
        super().__init__(name=f"engine-{pipeline.engine.slug}", daemon=True)
        self.slug = pipeline.engine.slug
        self.inbox = inbox or Inbox(self.slug)
        self.failed: str | None = None
        self.last_beat = time.monotonic()
        self.after_turn: Callable[[], None] = lambda: None
        """Called in this thread after each turn, at least four times a second."""
        self._pipeline, self._index, self._topics, self._outlets = pipeline, index, topics, outlets
        self._log, self._unapplied = tuple(log), [Recording(entry, _done()) for entry in unapplied]
        self._flowing, self._utc = delivery_flowing, utc
        self._stopping = threading.Event()
        self._logger = structlog.get_logger("engine").bind(engine=self.slug)
        # The first one soon: a gateway that is killed again and again must not start from nothing each time.
        self._checkpoint_at = time.monotonic() + 1.0
        self.changed_settings = tuple(changed_settings)
        self._counts = pipeline.decoder.counts.snapshot()
        self._baud_at = time.monotonic() + BAUD_WATCH_S
        self._alarm_views = alarm_views(pipeline.alarms, index + 1, pipeline.timeline)
        self.snapshot = self._snapshot()

    def submit(self, command: Command) -> "Future[Done]":
        """Have a command done between two chunks, as Inbox.submit."""
        return self.inbox.submit(command)

    def initial_states(self) -> list[NewRetained]:
        """The state of each alarm as it is before the start. Not to be called on a thread that runs."""
        return [encode_initial(self._topics, a, self._utc()) for a in self._pipeline.alarms.alarms.values()]

    def start(self) -> None:
        """Take what was booked while no daemon ran, then start the thread."""
        self._apply_recorded()
        self.snapshot = self._snapshot()
        super().start()

    def stop(self, timeout_s: float = 10.0) -> bool:
        """Take what is in the inbox, keep a checkpoint, end. True if it ended in time."""
        self._stopping.set()
        if self.ident is not None:
            self.join(timeout_s)
        return not self.is_alive()

    def run(self) -> None:
        """The thread. An unexpected fault ends it; the daemon starts another one from the last checkpoint, and the
        bytes that were being processed are gone."""
        try:
            while not (self._stopping.is_set() and self.inbox.chunks.empty()):
                self._turn()
            self._outlets.record(Batch(checkpoints=self._checkpoint()))
        except Exception as e:
            self.failed = f"{type(e).__name__}: {e}"
            self._logger.error("engine.failed", why=self.failed, exc_info=True)

    def _turn(self) -> None:
        chunk = self.inbox.next_chunk(WAIT_S)
        now_s = time.monotonic()
        mono_s = now_s if chunk is None else chunk[1]
        now = Now(mono_s, self._utc() - (now_s - mono_s))
        if chunk is not None:
            self._take(chunk, now)
        elif self.inbox.port_text:
            # Only once all that came before has been taken.
            self._pipeline.presence.port_lost(self.inbox.port_text)
        self._publish(self._pipeline.idle(now))
        for command, answer in self.inbox.commands():
            self._do(command, answer)
        self._apply_recorded()
        self._watch_baud(now_s)
        if now_s >= self._checkpoint_at:
            self._checkpoint_at = now_s + CHECKPOINT_S
            self._outlets.record(Batch(checkpoints=self._checkpoint()))
        self.snapshot = self._snapshot()
        self.after_turn()
        self.last_beat = time.monotonic()

    def _take(self, chunk: Chunk, now: Now) -> None:
        data, _ = chunk
        if data:
            self._publish(self._pipeline.feed(data, now))
        else:
            self._pipeline.decoder.reopened()
            self._pipeline.presence.port_lost("")

    # -- commands -----------------------------------------------------------------------------------------------

    def _do(self, command: Command, answer: "Future[Done]") -> None:
        try:
            if isinstance(command, Act):
                done = self._act(command)
            elif isinstance(command, Work):
                done = Done(1, self._publish(self._pipeline.work_on(command.on)))
            else:
                done = self._enter(command)
        except Refused as e:
            answer.set_exception(e)
        except Exception as e:
            self._logger.error("engine.command_failed", why=f"{type(e).__name__}: {e}", exc_info=True)
            answer.set_exception(Refused(f"engine {self.slug} failed over it ({type(e).__name__}); look at the log"))
        else:
            answer.set_result(done)

    def _act(self, act: Act) -> Done:
        outputs = self._pipeline.act(act)
        return Done(len(outputs), self._publish(outputs))

    def _enter(self, b: Booking) -> Done:
        """Hand a maintenance record to the store; the pipeline counts with it once it is on the disk."""
        p = self._pipeline
        utc_s = p.timeline.utc_s(p.timeline.t_us)
        faults = check(b.entry, p.wear.datum, max(b.now_s, utc_s), p.meter.hours.hours)
        if faults:
            raise Refused("\n".join(faults))
        event, row = records_of(self._topics, self.slug, b.entry, b.stored, b.by, utc_s)
        recording = Recording(b.entry, self._outlets.record(Batch([event], bookings=[row], sheet_acts=b.sheet_acts)))
        self.inbox.recording.append(recording)
        recording.recorded.add_done_callback(lambda _: self.inbox.wake())
        return Done(1, recording.recorded, recording.applied)

    def _apply_recorded(self) -> None:
        applying, self._unapplied = [*self._unapplied, *self.inbox.recorded()], []
        known = {entry.id for entry in self._log}
        for r in applying:
            # After a restart of this thread the log book from the store may have it already.
            if r.entry.id not in known:
                self._log = (*self._log, r.entry)
                self._publish(self._pipeline.book(r.entry, self._log))
            r.applied.set_result(None)

    # -- out ----------------------------------------------------------------------------------------------------

    def _publish(self, outputs: Sequence[Output]) -> "Future[int] | None":
        """Hand on what the pipeline gave. Returns the future of the commit, `None` where nothing needs one."""
        events: list[NewEvent] = []
        retained: list[NewRetained] = []
        trend = False
        for o in outputs:
            if isinstance(o, AlarmChanged):
                self._log_alarm(o)
                event, state = encode_alarm(self._topics, o)
                events.append(event)
                retained.append(state)
            elif isinstance(o, ReadingDue):
                message = encode_reading(self._topics, self.slug, o)
                self._outlets.publish_reading(self.slug, o.reading, o.utc_s, message)
            elif isinstance(o, TrendDue):
                state = encode_trend(self._topics, self.slug, o)
                retained.append(state)
                self._outlets.add_trend(self.slug, o.trend.utc_s, state.payload)
                trend = True
                if (learned := self._pipeline.wear.learned(o.trend.utc_s, self._pipeline.hours)) is not None:
                    body = learned_event_body(learned, __version__)
                    events.append(NewEvent(self._topics.event(None), "gateway", body))
            elif isinstance(o, MedianDue):
                self._outlets.add_median(self.slug, o.median)
            elif isinstance(o, WrongHead):
                self._logger.warning("head.wrong", heard=o.heard, configured=o.wanted, action=WRONG_HEAD)
        return self._record(events, retained, trend) if retained else None

    def _record(self, events: list[NewEvent], retained: list[NewRetained], trend: bool) -> "Future[int]":
        p = self._pipeline
        self._alarm_views = alarm_views(p.alarms, self._index + 1, p.timeline)
        checkpoints = self._checkpoint()
        if trend:
            checkpoints[f"wear/{self.slug}"] = p.wear.series.state()
        return self._outlets.record(Batch(events, retained, checkpoints))

    def _log_alarm(self, changed: AlarmChanged) -> None:
        t = changed.transition
        if t.announces:
            self._outlets.announced()
        self._logger.warning(
            "alarm.changed", tag=t.tag, came_from=str(t.came_from), to=str(t.to), priority=str(t.priority), text=t.text
        )

    def _checkpoint(self) -> dict[str, object]:
        """The pipeline's, and how many maintenance records it counts with: a restart enters those that came since."""
        return {f"engine/{self.slug}": self._pipeline.checkpoint() | {"booked": len(self._log)}}

    def _snapshot(self) -> EngineSnapshot:
        return take_snapshot(
            self._pipeline, self._index, self._log, self._alarm_views, delivery_flowing=self._flowing()
        )

    def _watch_baud(self, now_s: float) -> None:
        if now_s < self._baud_at:
            return
        recent = self._pipeline.decoder.counts.since(self._counts)
        self._counts = self._pipeline.decoder.counts.snapshot()
        self._baud_at = now_s + BAUD_WATCH_S
        if looks_like_wrong_baud(recent):
            self._logger.warning("head.wrong_baud", text=wrong_baud_text(self._pipeline.head.baud, recent))


WRONG_HEAD = "correct the head's name in the settings, or the cable; until then this head is not measured"


def _done() -> "Future[int]":
    future: Future[int] = Future()
    future.set_result(0)
    return future
