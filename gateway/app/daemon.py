"""The daemon: wires sinks first and sources last, watches over the parts, and stops sources first and sinks last.

    head source → (queue) → engine's pipeline → writer → disk → (wake) → broker links
                                              ↘ broker links (readings), board

Every part has its own thread and a bounded queue before it; each says in its own file what happens when that is full.
The pipeline waits for nobody. A part that dies is begun anew from the last checkpoint; one that dies again and again
ends the daemon, so that the service manager sees it and the relay falls.
"""

import contextlib
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import structlog

from gateway import __version__
from gateway.alarm.acts import Act
from gateway.alarm.machine import Alarm
from gateway.alarm.table import ROWS
from gateway.app.certificates import CertificateWatch
from gateway.app.clock import ClockSteps, clock_synchronised, utc_less_boot_s
from gateway.app.panel import Panel
from gateway.app.self_watch import GatewayWatch, Health
from gateway.app.service import ServiceNotify
from gateway.app.status import status_of
from gateway.encode.inbound import read_receipt
from gateway.encode.messages import gateway_event_body
from gateway.encode.speak import SpokenEvent, SpokenState, speak_alarm, speak_untold
from gateway.encode.times import utc_of
from gateway.encode.topics import Topics
from gateway.encode.views import alarm_view
from gateway.engine.commands import Answers, Desk, take_up
from gateway.engine.thread import ACTS_MAX, EngineWorker
from gateway.model.errors import Refused, StorageError
from gateway.model.records import Median, Reading
from gateway.model.settings import Settings
from gateway.model.snapshot import GATEWAY, AlarmView, Snapshot
from gateway.outlets.control import ControlServer
from gateway.outlets.mqtt.link import BrokerLink, Inbox, LinkStatus
from gateway.pipeline import AlarmChanged, EnginePipeline
from gateway.sources.head import HeadSource
from gateway.store.captures import CaptureRing
from gateway.store.history import History, HistoryReader
from gateway.store.outbox import Backlog, OutboxReader
from gateway.store.reader import StateReader
from gateway.store.state import NewEvent, NewRetained, StateStore
from gateway.store.trends import EVERY_TREND
from gateway.store.writer import FLUSH_S, Writer
from gateway.wear.booking_check import read_entry
from gateway.wear.bookings import Entry
from gateway.worksheet.catalogue import SHEETS

if TYPE_CHECKING:
    from gateway.outlets.page.server import PageServer

WATCH_S = 1.0
FRESH_S = 3.0
"""A pipeline turns four times a second; one that has not for so long hangs, and the panel must see it."""
STUCK_S = 10.0
"""A port that has not come round for so long hangs: opening one may take its time."""
REQUESTS_A_SECOND = 10
CRASHES_MAX = 3
CRASH_WINDOW_S = 600.0
GATEWAY_KEY = "gateway"


class Daemon:
    """`start`, then `watch` once a second (or `run_until`), then `stop`. Making it may raise StorageError, Refused.

    `fingerprint`: of the settings, as `gateway.model.settings_file` takes it; the event of the start tells it.
    `flush_s`: how often the history is written.
    """

    def __init__(
        self, settings: Settings, fingerprint: str, *, data_dir: Path | None = None, flush_s: float = FLUSH_S
    ) -> None:
        self.settings = settings
        self._fingerprint = fingerprint
        self.data_dir = data_dir or settings.gateway.data_dir
        self.topics = Topics(settings.gateway.topic_prefix, settings.vessel.slug)
        self._log = structlog.get_logger("daemon")
        self._notify = ServiceNotify()
        self._crashes: deque[float] = deque(maxlen=CRASHES_MAX)
        self.heartbeat = 0
        self._waiting: dict[str, tuple[int, float]] = {}
        self._silenced = False
        self.receipts: dict[str, tuple[int, str]] = {}
        """What the shore has said it keeps, by broker: up to which seq, and when it said so."""
        self.begun_s = time.monotonic()
        self._store = StateStore(
            self.data_dir,
            settings.gateway,
            brokers={b.name: frozenset([*b.classes, *[EVERY_TREND] * b.every_trend]) for b in settings.broker},
            events_topic=self.topics.event(None),
        )
        with contextlib.ExitStack() as undo:
            undo.callback(self._store.close)
            self._history = History(self.data_dir, settings.gateway.history_mb)
            undo.callback(self._history.close)
            ring = settings.capture
            self._captures = (
                CaptureRing(self.data_dir / "captures", hours=ring.hours, megabytes=ring.megabytes)
                if ring.enabled
                else None
            )
            self.writer = Writer(self._store, self._history, self._captures, flush_s=flush_s)
            self._wire()
            undo.pop_all()

    # -- wiring -------------------------------------------------------------------------------------------------

    def _wire(self) -> None:
        s = self.settings
        self._do = Inbox(self.topics.do)
        self._received = {b.name: Inbox(self.topics.received) for b in s.broker}
        self.links = {
            b.name: BrokerLink(
                b,
                partial(OutboxReader, self.data_dir, b.name),
                self.topics,
                __version__,
                subscribe=self._inboxes(b.name),
            )
            for b in s.broker
        }
        for link in self.links.values():
            self.writer.subscribe(link.wake)
        self._lock = threading.Lock()
        self._watcher = GatewayWatch(s.alarms, s.gateway)
        self._certificates = CertificateWatch(s)
        self._clock_steps = ClockSteps()
        self._t0_us = 0
        kept = self._store.checkpoint(GATEWAY_KEY)
        if isinstance(kept, dict):
            # Time went on while nobody counted it: what stands since before says since when.
            down_s = max(0.0, time.time() - float(kept.get("utc_s", time.time())))
            self._t0_us = int(kept["t_us"]) + round(down_s * 1e6)
            self._watcher.alarms.restore(kept["alarms"])
        self._mono0 = time.monotonic()
        self._gateway_views: tuple[AlarmView, ...] = ()
        self.workers = {e.slug: self._worker(e.slug) for e in s.engine}
        self.sources = {
            h.slug: HeadSource(
                h,
                self.workers[e.slug].queue,
                tap=partial(self._tap, h.slug) if self._captures else None,
                when_full="wait" if s.time.source == "head" else "drop",
            )
            for h in s.head
            for e in s.engine
            if e.head == h.slug
        }
        self.desk = Desk(self, self.writer)
        self._answers = Answers(self.desk)
        self._control = ControlServer(s.gateway.socket or self.data_dir / "camdrift.sock", self.desk.handle)
        self.panel = Panel(s, self.board, self._panel_act)
        self.page = self._page() if s.page.enabled else None
        for slug, worker in self.workers.items():
            worker.after_turn = partial(self._keep_relay, self.panel.keeper(slug))

    def _page(self) -> "PageServer":
        # Imported only where the page is on: its web server takes megabytes.
        from gateway.outlets.page.inputs import PageInputs
        from gateway.outlets.page.server import PageServer

        inputs = PageInputs(
            settings=self.settings,
            version=__version__,
            board=self.board,
            history=partial(HistoryReader, self.data_dir),
            state=partial(StateReader, self.data_dir),
            act=self.desk.handle,
            status=self.status,
            note=self._say,
            sheets={name: (title, partial(self.desk.sheet, name)) for name, (title, _) in SHEETS.items()},
        )
        return PageServer(inputs)

    def _inboxes(self, broker: str) -> list[Inbox]:
        asked = self.settings.requests
        wanted = [self._do] if asked.enabled and asked.broker == broker else []
        return [*wanted, self._received[broker]]

    def _keep_relay(self, keep: Callable[[Snapshot], None]) -> None:
        keep(self.board())

    def _worker(self, slug: str) -> EngineWorker:
        s = self.settings
        start = utc_of(s.time.start) if s.time.start else 0.0
        log = self._log_book(slug)
        kept = self.writer.checkpoint(f"engine/{slug}")
        # Booked while no daemon ran: to be taken as a booking, not as if it had always been so.
        known = log[: int(kept.get("booked", len(log)))] if isinstance(kept, dict) else log
        pipeline = EnginePipeline(s, slug, start, known)
        wear = self.writer.checkpoint(f"wear/{slug}")
        if isinstance(kept, dict):
            try:
                pipeline.restore(kept, wear if isinstance(wear, dict) else None)
            except (KeyError, TypeError, ValueError, AttributeError, AssertionError) as e:
                self._log.error("the engine's checkpoint cannot be read; it begins anew", engine=slug, why=repr(e))
                known, pipeline = log, EnginePipeline(s, slug, start, log)
        index = [e.slug for e in s.engine].index(slug)
        worker = EngineWorker(s, pipeline, index, self.topics, self, delivery_flowing=lambda: self.flowing)
        worker.log = list(known)
        for entry in log[len(known) :][-ACTS_MAX:]:
            worker.ask(partial(take_up, worker, entry))
        return worker

    def _log_book(self, slug: str) -> list[Entry]:
        entries = []
        for row in self._store.bookings(slug):
            try:
                entries.append(read_entry(row.entry))
            except (Refused, ValueError) as e:
                self._log.error("a booking cannot be read and is left out", engine=slug, id=row.id, why=str(e))
        return entries

    # -- outlets: what the workers hand over, from their threads ----------------------------------------------------

    def keep(self, spoken: Iterable[SpokenEvent | SpokenState], checkpoints: dict[str, object]) -> None:
        """Durable: events, retained states and the checkpoint that knows of them, in one piece."""
        events, retained = [], []
        for item in spoken:
            if isinstance(item, SpokenEvent):
                if item.body.get("to") == "unacknowledged" and item.body.get("from") != "unacknowledged":
                    self.announced()
                events.append(NewEvent(item.topic, item.kind, item.body))
            else:
                retained.append(NewRetained(item.topic, item.klass, item.payload))
        self.writer.submit(events, retained, checkpoints)

    def pass_on(self, engine: str, reading: Reading, utc_s: float, spoken: SpokenState) -> None:
        """The present: to whoever listens now, and to the history."""
        for link in self.links.values():
            link.offer(spoken.topic, spoken.payload)
        values = {
            "rpm": reading.rpm,
            "spring_mm": reading.spring.value,
            "lag_deg": reading.lag.value,
            "slap_mm": reading.slap_mm,
            "lag_p2p_deg": reading.lag_p2p_deg,
            "casing_c": reading.casing_c,
        }
        self.writer.add_reading(engine, utc_s, values)

    def median(self, engine: str, median: Median) -> None:
        """Ten minutes for the history."""
        self.writer.add_median(engine, median)

    def _tap(self, head: str, data: bytes) -> None:
        self.writer.capture(head, time.time(), data)

    # -- life ---------------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Start the parts, sinks first, and say so."""
        self.writer.start()
        self._say("started", f"the gateway has started with settings {self._fingerprint}")
        if self._store.recovered_from is not None:
            self._say("storage-renewed", f"the store was damaged and set aside as {self._store.recovered_from.name}")
        self._say_untold()
        self.panel.start()
        if self.page is not None:
            self.page.start()
        for link in self.links.values():
            link.start()
        self._control.start()
        for worker in self.workers.values():
            worker.start()
        for source in self.sources.values():
            source.start()
        self.watch()
        self._notify.say(READY="1", STATUS="watching")

    def _say_untold(self) -> None:
        reader = StateReader(self.data_dir)
        known = {row.topic for row in reader.retained()}
        reader.close()
        states = [s for w in self.workers.values() for s in w.untold(known)]
        gateway = [speak_untold(self.topics, a, time.time()) for a in self._watcher.alarms.alarms.values()]
        self.keep([*states, *(s for s in gateway if s.topic not in known)], {})

    def _say(self, what: str, text: str) -> None:
        body = gateway_event_body(what, time.time(), version=__version__, text=text)
        self.keep([SpokenEvent(self.topics.event(None), "gateway", body)], {})

    def run_until(self, stopping: threading.Event) -> int:
        """Watch until asked to stop. Returns the exit status."""
        while not stopping.wait(WATCH_S):
            if not self.watch():
                return 1
        return 0

    def watch(self) -> bool:
        """Once a second: look after the parts, judge the gateway's own alarms. False: a part cannot be kept alive."""
        now_s = time.monotonic()
        self._revive(now_s)
        alive = self._alive(now_s)
        if alive:
            self.heartbeat = (self.heartbeat + 1) & 0xFFFF
        health = self._health()
        with self._lock:
            self._own(self._watcher.judge(self._t_us(), time.time(), health))
        self._take_requests()
        views = self._watcher.alarms.alarms.values()
        self._gateway_views = tuple(
            alarm_view(a, 1, self._utc_of(a.facts.changed_us), self.own_utc_s(a.facts.shelved_until_us)) for a in views
        )
        if alive and self._notify.watchdog_s:
            self._notify.say(WATCHDOG="1")
        return not (len(self._crashes) == CRASHES_MAX and now_s - self._crashes[0] < CRASH_WINDOW_S)

    def _own(self, sayings: list[AlarmChanged]) -> None:
        spoken = [x for said in sayings for x in self._told(said)]
        if spoken:
            self.keep(spoken, {GATEWAY_KEY: self._checkpoint()})

    def _told(self, said: AlarmChanged) -> Iterable[SpokenEvent | SpokenState]:
        t = said.transition
        self._log.warning(f"{t.tag}: {t.came_from} -> {t.to}", text=t.text, priority=str(t.priority))
        return speak_alarm(self.topics, said)

    def stop(self) -> bool:
        """Sources, then pipelines, then the last words, then the disk, then the brokers. False: something was left."""
        self._notify.say(STOPPING="1")
        self._control.stop()
        page_ended = self.page is None or self.page.stop()
        ended = [page_ended, *(source.stop() for source in self.sources.values())]
        ended += [worker.stop() for worker in self.workers.values()]
        self._say("stopped", "the gateway was stopped")
        self.keep([], {GATEWAY_KEY: self._checkpoint()})
        ended.append(self.writer.drain(10.0))
        ended += [link.stop() for link in self.links.values()]
        ended.append(self.writer.stop())
        self.panel.stop()
        if self._captures is not None:
            self._captures.close()
        self._history.close()
        self._store.close()
        return all(ended)

    # -- what people ask ----------------------------------------------------------------------------------------

    def act_on_own(self, act: Act) -> int:
        """An act on the gateway's own alarms; how many it changed. Raises Refused."""
        with self._lock:
            done = self._watcher.act(act, self._t_us(), time.time())
            self._own(done)
        return len(done)

    @property
    def own_alarms(self) -> list[Alarm]:
        """The gateway's own alarms."""
        return list(self._watcher.alarms.alarms.values())

    def own_utc_s(self, t_us: int | None) -> float | None:
        """UTC of a time of the gateway's own alarms."""
        return None if t_us is None else self._utc_of(t_us)

    def silence(self, by: str) -> None:
        """Stop the sound; the next announcement brings it back. Nothing else changes by it."""
        if not self._silenced:
            self._silenced = True
            self._say("silenced", f"the sound was stopped by {by}")

    def announced(self) -> None:
        """An alarm has called anew."""
        self._silenced = False

    def status(self) -> dict[str, Any]:
        """Everything that `camdrift status` shows."""
        return status_of(self)

    def page_faults(self) -> dict[str, str]:
        """Why the page is not served, where it should be."""
        return {"page": self.page.fault} if self.page is not None and self.page.fault else {}

    def _panel_act(self, kind: str, engine: str, no: int | None, by: str) -> None:
        """From the panel's threads: hand over and return; there is nobody to wait for an answer."""
        if kind == "silence":
            self.silence(by)
            return
        tag = None if no is None else ROWS[no].tag
        act = Act("acknowledge", tag, by)
        if engine == GATEWAY:
            with contextlib.suppress(Refused):
                self.act_on_own(act)
        elif engine in self.workers:
            with contextlib.suppress(Refused):
                self.workers[engine].ask(lambda p: p.act(act))

    def _take_requests(self) -> None:
        """Requests by MQTT, and receipts from shore; a bounded number a second."""
        broker = self.links.get(self.settings.requests.broker)
        for _ in range(REQUESTS_A_SECOND):
            if broker is None or self._do.queue.empty():
                break
            request = self._do.queue.get_nowait()
            # A retained request would be done anew at each connection, long after it was meant.
            if not request.retained:
                broker.answer(self.topics.done, self._answers.to(request.payload))
        for name, inbox in self._received.items():
            while not inbox.queue.empty():
                self._note_receipt(name, inbox.queue.get_nowait().payload)

    def _note_receipt(self, broker: str, payload: bytes) -> None:
        try:
            receipt = read_receipt(payload)
        except Refused:
            return
        if receipt.gateway == self._store.gateway_id:
            self.receipts[broker] = (receipt.seq, receipt.ts)

    # -- looking after the parts ------------------------------------------------------------------------------------

    def _revive(self, now_s: float) -> None:
        for slug, worker in list(self.workers.items()):
            if worker.crashed is None:
                continue
            try:
                # Not from the disk alone: on a full one the latest checkpoint still waits, with the alarms it knows of.
                fresh = self._worker(slug)
            except StorageError as e:
                self._log.error("the pipeline cannot be begun anew yet; tried again", engine=slug, why=str(e))
                continue
            self._crashes.append(now_s)
            fresh.queue, fresh.after_turn = worker.queue, worker.after_turn
            self.workers[slug] = fresh
            self._say("part-restarted", f"the pipeline of {slug} failed and was begun anew: {worker.crashed}")
            fresh.start()

    def _alive(self, now_s: float) -> bool:
        turning = all(now_s - w.last_beat < FRESH_S for w in self.workers.values())
        return turning and all(now_s - s.state().last_beat_s < STUCK_S for s in self.sources.values())

    def _health(self) -> Health:
        ages: dict[str, float] = {}
        for b in self.settings.broker:
            with contextlib.suppress(StorageError):
                ages[b.name] = self._undelivered_min(self._store.backlog(b.name), b.name)
        refused = {name: s.why_refused for name, s in self._statuses() if s.refused}
        certificates = self._certificates.look(time.time(), time.monotonic())
        return Health(ages, refused, self._storage(), self._clock(), certificates)

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

    def _statuses(self) -> list[tuple[str, LinkStatus]]:
        return [(name, link.status()) for name, link in self.links.items()]

    def _storage(self) -> str | None:
        if self.writer.fault:
            return self.writer.fault
        if not self.writer.alive or time.monotonic() - self.writer.last_beat > 6 * STUCK_S:
            return "the writer does not come round: the disk hangs or has failed"
        return self.writer.nearly_full

    def _clock(self) -> str | None:
        if self._head_clock:
            return None
        stepped = self._clock_steps.look(utc_less_boot_s(), time.monotonic())
        if clock_synchronised() is False:
            return "the system clock is kept in time by nothing: times of events may be wrong; see to the time server"
        return stepped

    @property
    def _head_clock(self) -> bool:
        return self.settings.time.source == "head"

    @property
    def flowing(self) -> bool:
        """Is there no alarm about delivery, and every broker connected?"""
        return not self._watcher.alarms.active("delivery-stalled") and all(s.connected for _, s in self._statuses())

    def _t_us(self) -> int:
        return self._t0_us + round((time.monotonic() - self._mono0) * 1e6)

    def _utc_of(self, t_us: int) -> float:
        return time.time() - (self._t_us() - t_us) / 1e6

    def _checkpoint(self) -> Mapping[str, object]:
        return {"t_us": self._t_us(), "utc_s": time.time(), "alarms": self._watcher.alarms.checkpoint()}

    def board(self) -> Snapshot:
        """The present of all engines; any thread."""
        views = [w.view for w in self.workers.values()]
        fresh = self._alive(time.monotonic())
        shown = tuple(v for v in views if v is not None)
        return Snapshot(shown, self._gateway_views, self.heartbeat, fresh, self._silenced)
