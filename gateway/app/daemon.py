"""The daemon: makes the parts, starts sinks first and sources last, watches over them, stops sources first.

    head source → inbox → engine's thread → publisher → writer → disk → (wake) → broker links
                                  ↓                ↘ broker links (readings), history
                              snapshot → panel, page, sheets, status

Every part has its own thread and a bounded queue before it; its own file names what happens when that is full.
No engine's thread waits for anybody.
"""

import threading
import time
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from gateway import __version__
from gateway.alarm.acts import Act
from gateway.app.brokers import Brokers
from gateway.app.commissioning import Commissioning
from gateway.app.descriptors import DescriptorReserve
from gateway.app.engines import Engines
from gateway.app.health import HealthWatch
from gateway.app.memory import MemoryReturn
from gateway.app.panel import Panel
from gateway.app.publisher import Publisher
from gateway.app.reports import Reports
from gateway.app.self_watch import KEY, SelfWatch
from gateway.app.service import ServiceNotify
from gateway.app.status import Parts, engine_status, status_of
from gateway.app.stores import Stores
from gateway.encode.topics import Topics
from gateway.engine.commands import Commands
from gateway.engine.inbox import Done
from gateway.engine.queues import Answers, CommandQueue
from gateway.engine.seen_requests import KEY as REQUESTS_KEY
from gateway.engine.seen_requests import SeenRequests
from gateway.model.output import Batch
from gateway.model.settings import Settings
from gateway.model.snapshot import Snapshot
from gateway.outlets.control import ControlServer
from gateway.outlets.mqtt.pipe import Inbound
from gateway.store.history import HistoryReader
from gateway.store.photos import Photos
from gateway.store.reader import StateReader
from gateway.store.writer import FLUSH_S
from gateway.worksheet.catalogue import SHEETS

if TYPE_CHECKING:
    from gateway.outlets.page.server import PageServer

WATCH_S = 1.0
DRAIN_S = 10.0


class Daemon:
    """`start`, then `watch` once a second (or `run_until`), then `stop`. Making it may raise StorageError, Refused.

    `fingerprint`: of the settings, as `gateway.model.settings_file` takes it; the event of the start names it.
    `flush_s`: how often the history is written.
    """

    def __init__(
        self, settings: Settings, fingerprint: str, *, data_dir: Path | None = None, flush_s: float = FLUSH_S
    ) -> None:
        self.settings, self._fingerprint = settings, fingerprint
        self.data_dir = data_dir or settings.gateway.data_dir
        self.topics = Topics(settings.gateway.topic_prefix, settings.vessel.slug)
        self._started_s = time.monotonic()
        self._heartbeat = 0
        self._notify, self._reserve, self._memory = ServiceNotify(), DescriptorReserve(), MemoryReturn()
        self.stores = Stores(settings, self.topics, self.data_dir, flush_s)
        try:
            self._connect()
        except BaseException:
            self.stores.close()
            raise

    def _connect(self) -> None:
        """Make the parts, from the disk outwards to those who act."""
        s, writer = self.settings, self.stores.writer
        self.brokers = Brokers(s, self.topics, self.data_dir, self.stores.state.acks)
        for link in self.brokers.links.values():
            writer.subscribe(link.wake)
        self.publisher = Publisher(writer, self.topics, (link.offer for link in self.brokers.links.values()))
        self.own = SelfWatch(s, self.topics, self.publisher, writer.checkpoint(KEY))
        self.engines = Engines(s, self.topics, self.stores, self.publisher, lambda: self._delivery_flows)
        self.commissioning = Commissioning(
            s, self.data_dir, self._fingerprint, lambda slug: self._engine_now(slug)[0], self._note,
            lambda slug: self._engine_now(slug)[1],
        )  # fmt: skip
        self.commands = Commands(
            s,
            lambda: self.engines.threads,
            self,
            commission=self.commissioning.handle,
            store=lambda act: writer.submit(Batch(sheet_acts=[act])),
            kept=self.stores.state.sheet_acts(),
        )
        self._health = HealthWatch(
            s, self.brokers, self.stores.state.backlog, writer, lambda: self.commands.unrecorded_s
        )
        socket_path = s.gateway.socket or self.data_dir / "camdrift.sock"
        self._control = ControlServer(socket_path, partial(self.commands.handle, "shell"))
        self._panel_acts: CommandQueue[tuple[str, str, int | None, str]]
        self._panel_acts = CommandQueue("panel", lambda act: self.commands.from_panel(*act))
        self.panel = Panel(s, self.snapshot, lambda *act: self._panel_acts.put(act))
        self.requests = self._mqtt_requests()
        self.page = self._page() if s.page.enabled else None
        for slug, thread in self.engines.threads.items():
            keep = self.panel.keeper(slug)
            thread.after_turn = partial(self._keep_relay, keep)

    def _mqtt_requests(self) -> "CommandQueue[Inbound] | None":
        inbox = self.brokers.requests
        if inbox is None:
            return None
        kept = self.stores.writer.checkpoint(REQUESTS_KEY)
        seen = SeenRequests(kept, lambda ids: self.publisher.record(Batch(checkpoints=ids)))
        answers = Answers(self.commands, self.settings.requests.broker, seen)
        return CommandQueue("mqtt", partial(self.brokers.answer, answer_to=answers.to), inbox.queue)

    def _page(self) -> "PageServer":
        # Imported only where there is a page: its libraries take more than ten megabytes.
        from gateway.outlets.page.inputs import PageInputs
        from gateway.outlets.page.server import PageServer

        inputs = PageInputs(
            settings=self.settings,
            version=__version__,
            board=self.snapshot,
            history=partial(HistoryReader, self.data_dir),
            state=partial(StateReader, self.data_dir),
            act=partial(self.commands.handle, "page"),
            status=self.status,
            note=self._note,
            report=Reports(self.settings, self.data_dir).make,
            commission=self.commissioning.handle,
            photos=Photos(self.data_dir),
            sheets={name: (title, partial(self.commands.sheet, name)) for name, (title, _) in SHEETS.items()},
        )
        return PageServer(inputs)

    # -- life ---------------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Start the parts, sinks first, and record it. Raises PortError where a port cannot be had."""
        self.stores.writer.start()
        self._record_start()
        self.panel.start()
        for part in (self.page, self.brokers, self._panel_acts, self.requests, self.engines, self._control):
            if part is not None:
                part.start()
        self.watch()
        self._notify.send(READY="1", STATUS="watching")

    def _record_start(self) -> None:
        event = self.publisher.gateway_event
        event("started", f"the gateway has started with settings {self._fingerprint}")
        for renewal in filter(None, (self.stores.state.renewal, self.stores.history.renewal)):
            event("storage-renewed", renewal.text)
        for thread in self.engines.threads.values():
            for text in thread.changed_settings:
                event("settings-changed", text)
        for texts in self.engines.taken_over.values():
            for text in texts:
                event("taken-over", text)
        reader = StateReader(self.data_dir)
        known = {row.topic for row in reader.retained()}
        reader.close()
        states = [s for t in self.engines.threads.values() for s in t.initial_states()] + self.own.initial_states()
        self.publisher.record(Batch(retained=[s for s in states if s.topic not in known]))

    def run_until(self, stopping: threading.Event) -> int:
        """Watch until asked to stop. Returns the exit status."""
        while not stopping.wait(WATCH_S):
            if not self.watch():
                return 1
        return 0

    def watch(self) -> bool:
        """Once a second: look after the parts, judge the gateway's own alarms. False: they cannot be kept alive."""
        now_s = time.monotonic()
        for text in self.engines.revive(now_s):
            self.publisher.gateway_event("part-restarted", text)
        self._reserve.look()
        self._memory.look(now_s)
        if self._fresh(now_s):
            self._heartbeat = (self._heartbeat + 1) & 0xFFFF
        self.own.judge(self._health.look())
        self.brokers.take_receipts(self.stores.state.gateway_id)
        if self._notify.watchdog_s and self._all_alive(now_s):
            self._notify.send(WATCHDOG="1")
        return not self.engines.all_given_up

    def stop(self) -> bool:
        """Who acts, then sources and engines, then the disk, then the brokers. False: something was left."""
        self._notify.send(STOPPING="1")
        for part in (self._control, self._panel_acts, self.requests):
            if part is not None:
                part.stop()
        ended = [self.page is None or self.page.stop(), self.engines.stop()]
        self.publisher.gateway_event("stopped", "the gateway was stopped")
        self.publisher.record(Batch(checkpoints=self.own.checkpoint()))
        ended += [self.stores.writer.drain(DRAIN_S), self.brokers.stop(), self.stores.writer.stop()]
        self.panel.stop()
        self.stores.close()
        self._reserve.close()
        return all(ended)

    # -- the present --------------------------------------------------------------------------------------------

    def snapshot(self) -> Snapshot:
        """The present of all engines; any thread."""
        now_s = time.monotonic()
        views = self.engines.views(now_s)
        return Snapshot(views, self.own.views, self._heartbeat, self._fresh(now_s), self.publisher.silenced)

    def status(self) -> dict[str, Any]:
        """All that `camdrift status` shows. Raises StorageError."""
        threads, writer = dict(self.engines.threads), self.stores.writer
        page = {"page": self.page.fault} if self.page is not None and self.page.fault else {}
        return status_of(
            Parts(
                settings=self.settings,
                topics=self.topics,
                data_dir=self.data_dir,
                up_s=time.monotonic() - self._started_s,
                snapshot=self.snapshot(),
                engines={slug: t.snapshot for slug, t in threads.items()},
                beats={slug: t.last_beat for slug, t in threads.items()},
                heads={slug: s.state() for slug, s in self.engines.sources.items()},
                links=dict(self.brokers.statuses()),
                receipts=self.brokers.receipts,
                faults=self.panel.faults() | page,
                storage={"fault": writer.fault, "nearly_full": writer.nearly_full, "pending": writer.pending},
            )
        )

    def act(self, act: Act) -> Done:
        """An act on the gateway's own alarms. Raises Refused."""
        return self.own.act(act)

    def silence(self, by: str) -> Done:
        """Stop the sound until the next announcement."""
        return self.publisher.silence(by)

    def _fresh(self, now_s: float) -> bool:
        return any(self.engines.turning(now_s).values()) and self.engines.sources_alive(now_s)

    def _all_alive(self, now_s: float) -> bool:
        return all(self.engines.turning(now_s).values()) and self.engines.sources_alive(now_s)

    @property
    def _delivery_flows(self) -> bool:
        return not self.own.delivery_stalled and self.brokers.all_connected

    def _engine_now(self, slug: str) -> tuple[dict[str, Any], float]:
        """An engine's status, and the time that its records bear."""
        snapshot = self.engines.threads[slug].snapshot
        return engine_status(snapshot), snapshot.utc_s if self.settings.time.source == "head" else time.time()

    def _note(self, what: str, text: str) -> None:
        self.publisher.gateway_event(what, text)

    def _keep_relay(self, keep: Any) -> None:
        keep(self.snapshot())
