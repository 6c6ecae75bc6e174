"""A keeper: from the broker into the store, acknowledged only once it is kept. As many as there is work for.

One thread, one connection to each side. Whatever fails, both are thrown away and opened again after a pause: what was
not acknowledged, the broker sends again, and the store knows it by its key.

A keeper has two such lanes (`Keeper`): what stands now does not wait at the broker behind a week of trends and events.
"""

import contextlib
import random
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum

import structlog
from paho.mqtt.client import MQTTMessage

from gateway.encode.messages import Topics, rfc3339
from gateway.encode.plain import compact
from gateway.model.errors import PortError, StorageError
from gateway.shore.check import RECORD, STANDS, Checked, NotTaken, Reason, check, filters
from gateway.shore.keeper_settings import KeeperSettings
from gateway.shore.link import Access, FleetLink, Subscription, TakenOver
from gateway.shore.rate import Rates
from gateway.shore.store import FleetStore, Item, Receipt, Span, spans
from gateway.shore.workers import BEAT_S

DAY_S = 86_400.0
BUSY_MESSAGES = 100
"""Between two looks at the books: more is what has waited at the broker, not what a fleet sends."""
CATCH_UP_S_MAX = 600.0
PENDING_VESSELS_MAX = 100_000


@dataclass(slots=True)
class Counts:
    """What a keeper has done since its start."""

    kept: int = 0
    refused: int = 0
    batches: int = 0


class Lane(Enum):
    """What one connection is for; the value stands before its log events."""

    STANDS = "alarms"
    """Alarms and presences as they stand."""
    RECORD = "keeper"
    """Events, trends and readings; besides, all the books."""


class KeeperLane:
    """Keeps what its lane is for until it is to stop. `beside`: is the other lane at work?"""

    def __init__(
        self,
        access: Access,
        settings: KeeperSettings,
        lane: Lane,
        utc: Callable[[], float] = time.time,
        beside: Callable[[], bool] = lambda: True,
    ) -> None:
        self._access, self._s, self._lane, self._utc, self._beside = access, settings, lane, utc, beside
        self._client_id = settings.client_id
        if lane is Lane.STANDS:
            self._filters = filters(settings.prefix, readings=False, tails=STANDS)
            self._client_id += "-alarms"
        else:
            self._filters = filters(settings.prefix, readings=settings.readings, tails=RECORD)
        self._rates = Rates(settings.rate_per_s, settings.rate_burst)
        self._inbox: list[tuple[FleetLink, MQTTMessage]] = []
        self._since = 0.0
        self._touched: dict[str, Span] = {}
        self._heard: dict[str, float] = {}
        self._due = {"books": 0.0, "sweep": 0.0, "forget": 0.0, "beat": 0.0}
        self._reason = ""
        self._opened_s, self._looked_at = 0.0, 0
        self._caught_up = False
        self.at_work = False
        """It has its connections."""
        self._log = structlog.get_logger("keeper").bind(keeper=self._client_id)
        self.counts = Counts()

    @property
    def caught_up(self) -> bool:
        """Has all that waited at the broker come?"""
        return self._caught_up

    def run(self, stopping: threading.Event, *, drain: bool = False) -> None:
        """Until `stopping`, or with `drain` until nothing waits. Raises TakenOver, and Refused for a wrong store."""
        failures = 0
        while not stopping.is_set():
            started = time.monotonic()
            try:
                self._once(stopping, drain=drain)
                return
            except TakenOver:
                raise
            except (PortError, StorageError) as e:
                failures = 1 if time.monotonic() - started > self._s.pause_s_max else failures + 1
                self._log_failure(str(e))
            pause = min(self._s.pause_s * 2.0 ** min(failures - 1, 16), self._s.pause_s_max)
            stopping.wait(pause * random.uniform(1 / 1.5, 1.0))

    def _log_failure(self, reason: str) -> None:
        """The first failure warns, its repeats are debug."""
        log = self._log.debug if reason == self._reason else self._log.warning
        self._reason = reason
        log(f"{self._lane.value}.disconnected", reason=reason, action="what comes waits at the broker")

    def _once(self, stopping: threading.Event, *, drain: bool) -> None:
        self._inbox.clear()
        store = FleetStore(self._s.store)
        subscription = Subscription(
            self._client_id, self._filters, self._s.group, int(self._s.session_days * DAY_S), self._s.window
        )
        link = FleetLink(self._access, subscription, lambda m: self._take(link, m))
        try:
            link.open(subscribe=not drain)
            session = "resumed" if link.session_present else "new"
            self._log.info(f"{self._lane.value}.connected", session=session, drain=drain)
            self.at_work, self._reason, self._caught_up, self._opened_s = True, "", False, time.monotonic()
            if drain:
                self._drain(link, store, stopping)
                return
            if self._s.group and not link.session_present:
                self._snapshot(link, store, stopping)
            while not stopping.is_set():
                self._turn(link, store)
            # What is more than a batch stays unacknowledged and comes again.
            self._flush(store)
        except PortError:
            # A broker that has died may have forgotten what it passed on to us last, which the ship takes for ashore.
            # It is kept, although it can no longer be acknowledged; should it come again, the store knows it.
            while self._inbox:
                with contextlib.suppress(PortError):
                    self._flush(store)
            raise
        finally:
            self.at_work = False
            link.close(forget_session=drain and not stopping.is_set() and not self._inbox)
            store.close()

    def _turn(self, link: FleetLink, store: FleetStore) -> None:
        """Read, and write when there is enough or it has waited long enough."""
        now = time.monotonic()
        left = self._s.batch_s - (now - self._since) if self._inbox else 0.5
        link.step(max(0.0, min(left, 0.5)))
        while len(self._inbox) >= self._s.batch:
            self._flush(store)
        if self._inbox and time.monotonic() - self._since >= self._s.batch_s:
            self._flush(store)
        self._upkeep(link, store)

    def _take(self, link: FleetLink, message: MQTTMessage) -> None:
        if not self._inbox:
            self._since = time.monotonic()
        self._inbox.append((link, message))

    def _flush(self, store: FleetStore) -> None:
        """Keep a batch, then acknowledge it, in the order in which it came."""
        part, self._inbox = self._inbox[: self._s.batch], self._inbox[self._s.batch :]
        if not part:
            return
        utc_s = self._utc()
        kept = store.keep([self._judge(m.topic, bytes(m.payload)) for _, m in part], utc_s)
        self._note(kept, utc_s)
        for link in {id(link): link for link, _ in part}.values():
            link.read_on()
        for link, message in part:
            link.ack([message])
        self._since = time.monotonic()

    def _judge(self, topic: str, payload: bytes) -> Item:
        item = check(topic, payload, self._s.prefix)
        vessel = item.address.vessel if isinstance(item, Checked) else item.vessel
        if vessel and not self._rates.allow(vessel, time.monotonic()):
            detail = f"more than {self._s.rate_per_s:g} messages a second in the long run"
            return NotTaken(topic, vessel, Reason.RATE, detail, payload)
        return item

    def _note(self, kept: list[Item], utc_s: float) -> None:
        for gateway, (lo, hi) in spans(kept).items():
            old = self._touched.get(gateway, (lo, hi))
            self._touched[gateway] = (min(lo, old[0]), max(hi, old[1]))
        refused = [item for item in kept if isinstance(item, NotTaken)]
        if len(self._heard) < PENDING_VESSELS_MAX:
            self._heard.update({item.address.vessel: utc_s for item in kept if isinstance(item, Checked)})
        self.counts.batches += 1
        self.counts.refused += len(refused)
        self.counts.kept += len(kept) - len(refused)
        if refused:
            first = refused[0]
            self._log.warning(
                "messages.refused",
                messages=len(refused),
                topic=first.topic[:200],
                reason=first.reason.value,
                detail=first.detail,
            )

    def _upkeep(self, link: FleetLink, store: FleetStore) -> None:
        now = time.monotonic()
        if self._lane is Lane.STANDS:
            if now >= self._due["books"]:
                self._due["books"] = now + self._s.books_s
                self._note_heard(store)
            return
        if now >= self._due["beat"] and self._beside():
            self._due["beat"] = now + BEAT_S
            store.beat(self._s.name, self._utc())
        if now >= self._due["sweep"]:
            self._due["sweep"] = now + self._s.sweep_s
            self._touched = {**store.behind(), **self._touched}
        if now >= self._due["books"]:
            self._due["books"] = now + self._s.books_s
            self._books(link, store)
        if now >= self._due["forget"]:
            self._due["forget"] = now + 3600.0
            utc_s = self._utc()
            before = utc_s - self._s.readings_days * DAY_S, utc_s - self._s.trends_days * DAY_S
            for what in store.months(utc_s, *before):
                self._log.info("store.months", what=what)
            store.forget(*before)

    def _books(self, link: FleetLink, store: FleetStore) -> None:
        utc_s = self._utc()
        self._note_heard(store)
        store.advance(self._touched, utc_s)
        self._touched.clear()
        for gap in store.new_gaps(utc_s - self._s.settle_s):
            self._log.warning(
                "events.missing", vessel=gap.vessel, gateway=gap.gateway, after=gap.after, highest=gap.before
            )
        for vessel, heard_at in store.newly_silent(utc_s - self._s.silent_after_s):
            self._log.warning("vessel.silent", vessel=vessel, since=str(heard_at))
        if self._s.receipts:
            if not self._caught_up and self._is_quiet():
                self._caught_up = True
                store.receipts_again(utc_s)
            store.receipts(utc_s, self._s.settle_s, lambda due: self._publish_receipts(link, due))

    def _note_heard(self, store: FleetStore) -> None:
        store.heard(self._heard)
        self._heard.clear()

    def _is_quiet(self) -> bool:
        """What has waited at the broker is kept, as far as can be seen from what has come since the last look."""
        came = self.counts.kept + self.counts.refused
        few, self._looked_at = came - self._looked_at < BUSY_MESSAGES, came
        open_s = time.monotonic() - self._opened_s
        return (few and open_s >= self._s.settle_s) or open_s >= CATCH_UP_S_MAX

    def _publish_receipts(self, link: FleetLink, due: list[Receipt]) -> set[str]:
        """Publish them and wait a moment for the broker; what it has not taken by then is published another time."""
        at = rfc3339(self._utc())
        mids = {r.gateway: link.publish(Topics(self._s.prefix, r.vessel).received, _payload(r, at)) for r in due}
        until = time.monotonic() + 2.0
        # A batch more than the window allows cannot come, so what gathers here meanwhile is bounded.
        while not all(link.published(mid) for mid in mids.values()) and time.monotonic() < until:
            link.step(0.1)
        return {g for g, mid in mids.items() if link.published(mid)}

    def _snapshot(self, link: FleetLink, store: FleetStore, stopping: threading.Event) -> None:
        """Shared subscriptions bring no retained messages: fetch what stands at the broker once, beside the group.

        What is published meanwhile comes to the group anyway.
        """
        wanted = [f for f in self._filters if not f.endswith(("/event", "/reading"))]
        side = FleetLink(
            self._access,
            Subscription(f"{self._client_id}-snapshot", wanted, "", 0, self._s.window),
            lambda m: self._take(side, m) if m.retain else side.ack([m]),
        )
        try:
            side.open()
            self._until_quiet(side, store, stopping, 1.0, beside=link)
        finally:
            side.close()

    def _until_quiet(
        self,
        link: FleetLink,
        store: FleetStore,
        stopping: threading.Event,
        quiet_s: float,
        beside: FleetLink | None = None,
    ) -> None:
        """Keep until nothing has come for `quiet_s`; bounded, for a fleet is never quite quiet."""
        last, heard, end = time.monotonic(), link.heard, time.monotonic() + 600.0
        while time.monotonic() - last < quiet_s and time.monotonic() < end and not stopping.is_set():
            link.step(0.1)
            if beside is not None:
                beside.step(0.0)
            while self._inbox:
                self._flush(store)
            if link.heard != heard:
                last, heard = time.monotonic(), link.heard

    def _drain(self, link: FleetLink, store: FleetStore, stopping: threading.Event) -> None:
        """Take over what waits for a keeper that will not come back, and have the broker forget its name."""
        if not link.session_present:
            self._log.warning("keeper.no_session", client_id=self._client_id)
            return
        link.unsubscribe()
        self._until_quiet(link, store, stopping, 5.0)
        if self._lane is Lane.STANDS:
            self._note_heard(store)
        else:
            self._books(link, store)
            store.gone(self._s.name)
        self._log.info("keeper.drained", kept=self.counts.kept)


class Keeper:
    """Both lanes, each in a thread and with connections of its own; if one of them ends, so does the other."""

    def __init__(self, access: Access, settings: KeeperSettings, utc: Callable[[], float] = time.time) -> None:
        self._stands = KeeperLane(access, settings, Lane.STANDS, utc)
        self._record = KeeperLane(access, settings, Lane.RECORD, utc, lambda: self._stands.at_work)
        self._settings, self._failed = settings, list[BaseException]()

    @property
    def counts(self) -> Counts:
        """Of both lanes."""
        a, b = self._stands.counts, self._record.counts
        return Counts(a.kept + b.kept, a.refused + b.refused, a.batches + b.batches)

    @property
    def caught_up(self) -> bool:
        """Has all that waited at the broker come?"""
        return self._record.caught_up

    def run(self, stopping: threading.Event, *, drain: bool = False) -> None:
        """Until `stopping`, or with `drain` until nothing waits. Raises TakenOver, and Refused for a wrong store."""
        with contextlib.suppress(StorageError):
            # One makes the tables; where the database is away, each lane tries again for itself.
            FleetStore(self._settings.store).close()
        if drain:
            self._stands.run(stopping, drain=True)
            self._record.run(stopping, drain=True)
            return
        beside = threading.Thread(target=self._run_stands, args=(stopping,), name="keeper-alarms")
        beside.start()
        try:
            self._record.run(stopping)
        finally:
            stopping.set()
            beside.join()
        if self._failed:
            raise self._failed[0]

    def _run_stands(self, stopping: threading.Event) -> None:
        try:
            self._stands.run(stopping)
        except BaseException as e:  # raised in the thread that runs the other lane
            self._failed.append(e)
        finally:
            stopping.set()


def _payload(receipt: Receipt, at: str) -> bytes:
    """A receipt as the interface has it; without gaps it names none, as before gaps could be named."""
    plain = {"v": 1, "gateway": receipt.gateway, "seq": receipt.seq, "ts": at}
    return compact({**plain, "missing": receipt.missing} if receipt.missing else plain)
