"""A notifier: looks, decides, sends. As many as are wanted; they share the database and notify once.

One thread looks and writes; each delivery is sent in a thread of its own, given up after a minute, so that an address
that hangs holds up nobody else's. Without the database nothing can be decided; that itself is a notice, kept in memory.
"""

import queue
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Protocol

import structlog

from gateway.encode.messages import rfc3339
from gateway.model.errors import CamdriftError, StorageError
from gateway.model.shore_settings import ShoreSettings
from gateway.shore.fleet import fleet
from gateway.shore.notices.decide import decide
from gateway.shore.notices.records import KEEPER_SILENT, Notice, Reached, Situation
from gateway.shore.notices.rules import digest_day, people
from gateway.shore.notices.store import SENT_AT_ONCE, Claimed, NoticeStore
from gateway.shore.notices.texts import LINK, body_of, digest, title_of
from gateway.shore.workers import BEAT_S

SEND_S = 60.0
SENDING_MAX = 64
"""At once, those included that hang."""
FORGET_S = 3_600.0


class Sends(Protocol):
    """What sends a text to a person."""

    def send(self, person: str, title: str, body: str) -> list[str]:
        """Returns what went wrong beside; raises CamdriftError where nobody took it."""


@dataclass(frozen=True, slots=True)
class Pace:
    """How often it looks, and at which pause it opens the database again."""

    look_s: float = 3.0
    turn_s: float = 0.2
    pause_s: float = 5.0


class Notifier:
    """Notifies until it is to stop."""

    def __init__(
        self,
        url: str,
        settings: ShoreSettings,
        sender: Sends,
        name: str = "1",
        pace: Pace = Pace(),
        utc: Callable[[], float] = time.time,
    ) -> None:
        self._url, self._s, self._sender, self._name, self._pace, self._utc = url, settings, sender, name, pace, utc
        self._flights = _Flights(sender)
        self._alone = _Alone(settings)
        self._due = {"look": 0.0, "beat": 0.0, "forget": 0.0}
        self._log = structlog.get_logger("notifier").bind(notifier=name)
        self._reason = ""

    def run(self, stopping: threading.Event) -> None:
        """Until `stopping`; what is being sent then is waited for. Raises Refused for a wrong store."""
        store: NoticeStore | None = None
        while not stopping.is_set():
            try:
                store = store or self._opened()
                self._turn(store)
                stopping.wait(self._pace.turn_s)
            except StorageError as e:
                self._failed(str(e))
                _closed(store)
                store = None
                stopping.wait(self._pace.pause_s)
        self._finish(store)

    def _opened(self) -> NoticeStore:
        store = NoticeStore(self._url)
        self._log.info("notifier.connected")
        self._reason, self._due = "", dict.fromkeys(self._due, 0.0)
        self._alone.well()
        return store

    def _failed(self, reason: str) -> None:
        """The first failure warns, its repeats are debug; people are notified once it has lasted."""
        log = self._log.debug if reason == self._reason else self._log.warning
        self._reason = reason
        log("notifier.store_failed", reason=reason)
        for person, title, body in self._alone.failing(reason, self._utc()):
            self._flights.start(Claimed(0, person, "store", title, body, 0, ""), body)
        for one, why, _ in self._flights.landed():
            if why:
                self._log.warning("notice.not_sent", person=one.person, reason=why)

    def _turn(self, store: NoticeStore) -> None:
        now = time.monotonic()
        self._settle(store)
        if now < self._due["look"]:
            return
        self._due["look"] = now + self._pace.look_s
        utc_s = self._utc()
        if now >= self._due["beat"]:
            self._due["beat"] = now + BEAT_S
            store.beat(self._name, utc_s)
        store.look(self._s, utc_s, self._name)
        self._digests(store, utc_s)
        room = max(0, SENDING_MAX - len(self._flights))
        for one in store.claim(self._s, utc_s, self._flights.people, min(room, SENT_AT_ONCE)):
            self._flights.start(one, self._linked(one))
        if now >= self._due["forget"]:
            self._due["forget"] = now + FORGET_S
            store.forget(utc_s)

    def _linked(self, one: Claimed) -> str:
        return one.body.replace(LINK, f"{(self._s.notices.address or '').rstrip('/')}/n/{one.token}")

    def _settle(self, store: NoticeStore) -> None:
        """Put on record what has become of what was sent."""
        for one, why, beside in self._flights.landed():
            if not one.id:
                continue
            if why:
                self._log.warning("notice.not_sent", person=one.person, reason=why, tries=one.tries + 1)
                store.failed(one, why, self._utc())
            else:
                self._log.info("notice.sent", person=one.person, title=one.title, beside=beside or None)
                store.sent(one, self._utc())

    def _digests(self, store: NoticeStore, utc_s: float) -> None:
        day = digest_day(self._s, utc_s)
        if day is None:
            return
        for person in people(self._s, self._s.notices.digest_to, utc_s):
            once = f"digest:{day}:{person}"
            if not store.has_once(once):
                title, body = digest(fleet(self._url, utc_s), store.open_notices(), day)
                store.deliver_once(person, "digest", once, title, body, utc_s)

    def _finish(self, store: NoticeStore | None) -> None:
        """What is on its way is waited for; what is not put on record another notifier sends again."""
        end = time.monotonic() + SEND_S
        while len(self._flights) and time.monotonic() < end:
            try:
                if store is None:
                    self._flights.landed()
                else:
                    self._settle(store)
            except StorageError:
                break
            time.sleep(self._pace.turn_s)
        _closed(store)


def _closed(store: NoticeStore | None) -> None:
    if store is not None:
        store.close()


class _Flights:
    """Deliveries that are being sent, each in a thread of its own."""

    def __init__(self, sender: Sends) -> None:
        self._sender = sender
        self._started: dict[int, tuple[Claimed, float]] = {}
        self._hanging: list[threading.Thread] = []
        self._threads: dict[int, threading.Thread] = {}
        self._landed: queue.SimpleQueue[tuple[int, str, list[str]]] = queue.SimpleQueue()
        self._number = 0

    def __len__(self) -> int:
        self._hanging = [t for t in self._hanging if t.is_alive()]
        return len(self._started) + len(self._hanging)

    @property
    def people(self) -> set[str]:
        """To whom something is on its way."""
        return {one.person for one, _ in self._started.values()}

    def start(self, one: Claimed, body: str) -> None:
        """Send it."""
        self._number += 1
        thread = threading.Thread(target=self._send, args=(self._number, one, body), name="notice", daemon=True)
        self._started[self._number], self._threads[self._number] = (one, time.monotonic()), thread
        thread.start()

    def _send(self, number: int, one: Claimed, body: str) -> None:
        try:
            self._landed.put((number, "", self._sender.send(one.person, one.title, body)))
        except CamdriftError as e:
            self._landed.put((number, str(e) or "not sent", []))
        except Exception as e:
            # Whatever a service's code raises: the delivery has failed, and is tried again.
            self._landed.put((number, f"{type(e).__name__}: {e}", []))

    def landed(self) -> list[tuple[Claimed, str, list[str]]]:
        """Deliveries that have ended since: why it failed (empty: sent), and what went wrong beside."""
        found = []
        while not self._landed.empty():
            number, why, beside = self._landed.get()
            if number in self._started:
                found.append((self._started.pop(number)[0], why, beside))
                del self._threads[number]
        for number, (one, since) in list(self._started.items()):
            if time.monotonic() - since > SEND_S:
                del self._started[number]
                self._hanging.append(self._threads.pop(number))
                found.append((one, f"no answer within {SEND_S:.0f} s", []))
        return found


class _Alone:
    """The database's own failure as a notice, decided as any other, kept in memory: each notifier sends its own."""

    def __init__(self, settings: ShoreSettings) -> None:
        self._s = settings
        self._since_s: float | None = None
        self._notices: list[Notice] = []
        self._made: dict[str, list[float]] = {}

    def well(self) -> None:
        """It answers again."""
        self._since_s, self._notices = None, []

    def failing(self, reason: str, utc_s: float) -> list[tuple[str, str, str]]:
        """Person, title and body of what is due."""
        self._since_s = utc_s if self._since_s is None else self._since_s
        if utc_s - self._since_s < self._s.notices.keeper_after_min * 60:
            return []
        at = f"{rfc3339(self._since_s)[:16].replace('T', ' ')} UTC"
        text = f"The fleet's database does not respond: {reason[:120]}"
        action = "Look at the database. Until it is back nothing is kept and no other notice can be sent."
        standing = [Situation("store", "", "", KEEPER_SILENT, "alarm", text, action, at)]
        reached = {p: Reached(t[-1], sum(utc_s - x < 3_600 for x in t)) for p, t in self._made.items()}
        found = decide(utc_s, standing, self._notices, reached, self._s)
        self._notices = [replace(n, id=1) for n in found.notices] or self._notices
        for d in found.deliveries:
            self._made.setdefault(d.person, []).append(utc_s)
        return [(d.person, title_of(d), body_of(d, linked=False)) for d in found.deliveries]
