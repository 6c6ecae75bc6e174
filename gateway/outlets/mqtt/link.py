"""One thread for each broker: from the outbox to the broker, at least once, in order, whatever the link does.

The pipeline never waits for a broker: `offer` and `wake.set` return at once. The thread never dies silently: whatever
goes wrong is logged once, and the link starts again after a pause.
"""

import contextlib
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import structlog

from gateway.encode.messages import presence_payload
from gateway.encode.topics import Topics
from gateway.model.errors import PortError
from gateway.model.settings import BrokerSettings
from gateway.outlets.mqtt.access import Unreachable
from gateway.outlets.mqtt.line import Outgoing
from gateway.outlets.mqtt.pipe import Granted, Inbox, Pipe, Will
from gateway.outlets.mqtt.resend import Ranges, Resend
from gateway.outlets.mqtt.wake import Backoff, Wake
from gateway.outlets.mqtt.window import REFUSED, OutboxReader, Window

__all__ = ["BrokerLink", "Inbox", "LinkStatus", "OutboxReader", "Timing", "Wake"]

OFFERED_MAX = 32
"""Readings that wait while the socket is choked: two for each of sixteen engines. Beyond, the oldest is dropped."""
ALARM_PAUSE_S = 1.0
"""The longest pause between tries while nobody answers and an alarm waits: it is to be ashore within 10 s of the link's
return. A dead link charges nothing for the tries; with no alarm waiting the pauses grow as set."""
ALARM_ANSWERED_S = 8.0
"""The longest pause, with the try itself under ten seconds, where somebody answers and will not have us (a broker that
only just starts, a port that is closed meanwhile): an alarm that waits must not wait out minutes."""
ALARM_CONNECT_S = 4.0
"""So long then a try for TCP: the gaps between the kernel's own repeats stay below two seconds (RFC 6298)."""
DEAF_S = 600.0
"""After a packet beyond the bound nothing is subscribed to for so long: a retained one would come again at each
connection, and alarms must go out in spite of it."""
PATIENT_EVERY = 4
"""Each fourth of these takes the full time, for a link that answers, but slowly."""


@dataclass(frozen=True, slots=True)
class Timing:
    """Seconds after which a silent broker is given up, and of the thread's own beat."""

    connect_s: float = 10.0
    connack_s: float = 30.0
    ack_s: float = 60.0
    stable_s: float = 30.0
    """A connection that held so long makes the next pause short again; one that accepts and throws out does not."""
    beat_s: float = 1.0


@dataclass(frozen=True, slots=True)
class LinkStatus:
    """What is known of one broker. `reason`: why it is not connected, or empty. Last ack and beat: monotonic s.

    `sent_again`: events that the shore had lost; `not_held`: ranges that it lacks and the ship no longer has."""

    name: str
    connected: bool
    reason: str
    refused: int
    why_refused: str
    in_flight: int
    last_ack: float | None
    place: int
    dropped_readings: int
    last_beat: float
    sent_again: int = 0
    not_held: Ranges = ()


class BrokerLink:
    """Publishes one outbox place to one broker."""

    def __init__(
        self,
        broker: BrokerSettings,
        reader_factory: Callable[[], OutboxReader],
        topics: Topics,
        version: str,
        *,
        wake: Wake | None = None,
        utc: Callable[[], float] = time.time,
        subscribe: Sequence[Inbox] = (),
        timing: Timing = Timing(),
    ) -> None:
        """`reader_factory` is called in the link's own thread, once a connection. Call `wake.set()` after each commit;
        a `Wake` serves one link only."""
        self.wake = wake or Wake()
        self._broker, self._reader_factory, self._topics, self._version = broker, reader_factory, topics, version
        self._utc, self._inboxes, self._timing = utc, tuple(subscribe), timing
        self._client_id = broker.client_id or f"camdrift-{topics.vessel}-{broker.name}"
        self._offered: deque[tuple[str, bytes]] = deque(maxlen=OFFERED_MAX)
        self._answers: deque[tuple[str, bytes]] = deque(maxlen=OFFERED_MAX)
        self._resend = Resend()
        self._backoff = Backoff(broker.backoff_s_min, broker.backoff_s_max)
        self._silence = Backoff(broker.backoff_s_min, broker.backoff_s_max)
        self._silent = 0
        """Tries in a row that nobody answered."""
        self._deaf_until_s = float("-inf")
        self._stopping = threading.Event()
        self._stop_by = 0.0
        self._log = structlog.get_logger("mqtt").bind(broker=broker.name)
        self._logged: str | None = None
        self._reason = "not yet connected"
        self._window: Window | None = None
        self._place = 0
        self.sent = 0
        """The highest seq that was handed to the broker."""
        self._last_ack: float | None = None
        self._dropped = self._refused = 0
        self._since: float | None = None
        self.last_beat = time.monotonic()
        self._thread = threading.Thread(target=self._run, name=f"mqtt-{broker.name}", daemon=True)

    def start(self) -> None:
        """Start the thread; a broker that cannot be reached is tried again for ever."""
        self._thread.start()

    def offer(self, topic: str, payload: bytes) -> None:
        """A reading, QoS 0: sent now or never. Any thread; never waits."""
        if "reading" not in self._broker.classes:
            return
        if self._window is None or len(self._offered) == OFFERED_MAX:
            self._dropped += 1
        if self._window is not None:
            self._offered.append((topic, payload))
            self.wake.set()

    def answer(self, topic: str, payload: bytes) -> None:
        """The answer to a request, QoS 1, while connected; who asked asks again if it is lost. Never waits."""
        if self._window is not None:
            self._answers.append((topic, payload))
            self.wake.set()

    def resend(self, ranges: Ranges) -> None:
        """The shore lacks these events: send them again from the record. Any thread; never waits."""
        self._resend.ask(ranges)
        self.wake.set()

    def stop(self, drain_s: float = 5.0) -> bool:
        """Send what is due for at most `drain_s`, publish offline, disconnect. True if the thread has ended in time."""
        self._stop_by = time.monotonic() + drain_s
        self._stopping.set()
        self.wake.set()
        if self._thread.is_alive():
            # An attempt to connect may stand in the way: resolver, TCP and TLS are not to be interrupted.
            self._thread.join(drain_s + 2.0)
        ended = not self._thread.is_alive()
        if ended:
            self.wake.close()
        return ended

    def status(self) -> LinkStatus:
        """The link as it stands; any thread."""
        window = self._window
        return LinkStatus(
            name=self._broker.name,
            connected=window is not None,
            reason=self._reason,
            refused=self._refused if window else 0,
            why_refused=window.why_refused if window else "",
            in_flight=window.in_flight if window else 0,
            last_ack=self._last_ack,
            place=self._place,
            dropped_readings=self._dropped,
            last_beat=self.last_beat,
            sent_again=self._resend.sent,
            not_held=self._resend.not_held,
        )

    def _run(self) -> None:
        while not self._stopping.is_set():
            silent = False
            try:
                self._connection()
            except PortError as e:
                silent = isinstance(e, Unreachable)
                self._fail(str(e))
            except Exception as e:
                self._log.debug("mqtt.link_failed", exc_info=True)
                self._fail(f"unexpected {type(e).__name__}: {e}")
            if self._stopping.is_set():
                return
            if silent:
                self._silent += 1
                self._pause(self._silence.next(), ALARM_PAUSE_S, at_once=True)
            else:
                self._answered()
                self._pause(self._backoff.next(), ALARM_ANSWERED_S, at_once=False)

    def _answered(self) -> None:
        """Somebody is there: what comes after a long silence is not waited for as long as the silence was."""
        self._silent = 0
        self._silence.reset()

    def _fail(self, reason: str) -> None:
        """The first failure warns, its repeats are debug."""
        if self._since is not None and time.monotonic() - self._since >= self._timing.stable_s:
            self._backoff.reset()
            self._logged = None
        self._since = None
        self._reason = reason
        log = self._log.debug if reason == self._logged else self._log.warning
        self._logged = reason
        log("mqtt.disconnected", reason=reason)

    def _pause(self, seconds: float, most_s: float, *, at_once: bool) -> None:
        """A pause that an alarm which waits shortens to `most_s`, and with `at_once` a new alarm ends."""
        began = time.monotonic()
        waits = self._alarm_waits()
        until = began + (min(seconds, most_s) if waits else seconds)
        while (left := until - time.monotonic()) > 0 and not self._stopping.is_set():
            self.last_beat = time.monotonic()
            # Before the look, so that what is stored while we look wakes us again.
            if self.wake.wait(min(left, self._timing.beat_s)) and not self._stopping.is_set():
                self.wake.clear()
                now_waits = self._alarm_waits()
                if at_once and now_waits > waits:
                    return
                if now_waits:
                    until = min(until, began + most_s)

    def _alarm_waits(self) -> int:
        """Revision of the newest alarm state that the broker never had; 0 where there is none or the disk is silent."""
        if "alarm" not in self._broker.classes:
            return 0
        # Whatever is wrong with the outbox, the next try meets it and logs it: this look must not end the thread.
        with contextlib.suppress(Exception):
            reader = self._reader_factory()
            try:
                return reader.alarm_waits()
            finally:
                getattr(reader, "close", lambda: None)()
        return 0

    def _connect_s(self, reader: OutboxReader) -> float:
        """How long a try may take for TCP and for TLS."""
        hurried = self._silent and self._silent % PATIENT_EVERY and reader.alarm_waits()
        return min(ALARM_CONNECT_S, self._timing.connect_s) if hurried else self._timing.connect_s

    def _connection(self) -> None:
        reader = self._reader_factory()
        inboxes = self._inboxes if time.monotonic() >= self._deaf_until_s else ()
        pipe = Pipe(self._broker, self._client_id, self._will(), inboxes, self._connect_s(reader))
        politely = False
        try:
            self._place = reader.place()
            self.sent = max(self.sent, self._place)
            pipe.open()
            self._answered()
            granted = self._await_connack(pipe)
            if granted is not None:
                # Brokers lose retained messages when they die; what stands now is sent again at each connection.
                reader.forget_retained()
                politely = self._serve(pipe, self._begin(reader, granted))
        finally:
            # First: a window that stays open collects readings, and they would go out hours later as the present.
            self._window = None
            self._drop_waiting()
            if pipe.too_long:
                self._deaf_until_s = time.monotonic() + DEAF_S
                self._log.warning("mqtt.subscriptions_paused", seconds=DEAF_S)
            pipe.close(politely=politely)
            getattr(reader, "close", lambda: None)()

    def _drop_waiting(self) -> None:
        self._offered.clear()
        self._answers.clear()

    def _presence(self, state: str) -> Outgoing:
        payload = presence_payload("online" if state == "online" else "offline", self._utc(), self._version)
        return Outgoing(self._topics.presence, payload, retain=True)

    def _will(self) -> Will | None:
        if "presence" not in self._broker.classes:
            return None
        out = self._presence("offline")
        return Will(out.topic, out.payload)

    def _await_connack(self, pipe: Pipe) -> Granted | None:
        """What the broker allows; None when we are to stop meanwhile. Raises PortError."""
        until = time.monotonic() + self._timing.connack_s
        while pipe.granted is None:
            self._step(pipe, until)
            if pipe.lost:
                raise PortError(pipe.lost)
            if self._stopping.is_set():
                return None
            if time.monotonic() >= until:
                raise PortError(
                    f"connected, but no CONNACK within {self._timing.connack_s:g} s; does MQTT listen there?"
                )
        return pipe.granted

    def _begin(self, reader: OutboxReader, granted: Granted) -> Window:
        online = self._presence("online") if "presence" in self._broker.classes else None
        retry = Backoff(self._broker.backoff_s_min, self._broker.backoff_s_max)
        b = self._broker
        queued = (self._answers, self._resend)
        window = Window(reader, granted, b.window, b.classes, online, retry, *queued, needs_reader=b.needs_reader)
        # Another thread may have seen the last window just before it was closed.
        self._drop_waiting()
        self._reason, self._window, self._since, self._refused = "", window, time.monotonic(), 0
        self._log.info("mqtt.connected", place=window.place, after=self._logged or "")
        return window

    def _serve(self, pipe: Pipe, window: Window) -> bool:
        """Until it is to stop; True if offline was published and taken. Raises PortError when the connection ends."""
        # What the broker sends first, perhaps a DISCONNECT, is read before anything is sent.
        pipe.step(0.0, self.wake)
        while True:
            now = time.monotonic()
            with pipe.together():
                window.fill(now, lambda out: pipe.publish(out.topic, out.payload, 1, out.retain))
            self._send_offered(pipe)
            if self._stopping.is_set() and ((window.idle and not window.in_flight) or now >= self._stop_by):
                return self._goodbye(pipe, window)
            self._step(pipe, None)
            self._settle(pipe, window)
            self._log_refused(window)
            if window.overdue(time.monotonic(), self._timing.ack_s):
                raise PortError(f"takes messages and has not acknowledged them for {self._timing.ack_s:g} s")
            if pipe.lost:
                raise PortError(pipe.lost)

    def _step(self, pipe: Pipe, until: float | None) -> None:
        now = time.monotonic()
        self.last_beat = now
        left = self._timing.beat_s if until is None else min(self._timing.beat_s, max(0.0, until - now))
        if self._stopping.is_set():
            left = min(left, max(0.05, self._stop_by - now))
        pipe.step(left, self.wake)

    def _settle(self, pipe: Pipe, window: Window) -> None:
        now = time.monotonic()
        while not pipe.acks.empty():
            window.take(pipe.acks.get_nowait(), now)
        window.settle()
        self._place, self.sent = window.place, max(self.sent, window.sent)
        self._last_ack = window.last_ack or self._last_ack

    def _log_refused(self, window: Window) -> None:
        before, self._refused = self._refused, window.refused
        if self._refused and not before:
            self._log.warning("mqtt.message_refused", reason=window.why_refused, action="kept and tried again")

    def _send_offered(self, pipe: Pipe) -> None:
        # No more than are there now: who offers faster than we send must not keep us from the acknowledgements.
        for _ in range(len(self._offered)):
            if pipe.choked or pipe.lost:
                return
            topic, payload = self._offered.popleft()
            pipe.publish(topic, payload, 0, False)

    def _goodbye(self, pipe: Pipe, window: Window) -> bool:
        """Publish offline. Where it is not taken the connection is cut instead, and the broker publishes the will."""
        if "presence" not in self._broker.classes:
            return True
        if window.in_flight:
            return False
        out = self._presence("offline")
        mid = pipe.publish(out.topic, out.payload, 1, True)
        until = time.monotonic() + 1.0
        while not pipe.lost and time.monotonic() < until:
            pipe.step(0.05, self.wake)
            while not pipe.acks.empty():
                ack = pipe.acks.get_nowait()
                if ack.mid == mid:
                    return ack.code < REFUSED
        return False
