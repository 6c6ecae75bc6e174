"""The operator's desk: requests from the local socket, the panel and MQTT, each done on the thread it belongs to.

Acts on an engine's alarms run on that engine's own thread, between two chunks; acts on the gateway's own alarms run
under the daemon's lock. Whoever asks waits for the answer, and gets the reason when it is no.
"""

import math
import time
import uuid
from collections import OrderedDict
from collections.abc import Callable, Mapping
from concurrent.futures import CancelledError, Future
from concurrent.futures import TimeoutError as FutureTimeout
from functools import partial
from typing import Any, Protocol, cast, get_args

import structlog

from gateway.alarm.acts import Act, ActKind
from gateway.alarm.table import BY_TAG, GATEWAY_TAGS
from gateway.encode.inbound import read_request
from gateway.encode.messages import DoMessage, DoneMessage, adjustment_event_body, dump, rfc3339, utc_of
from gateway.encode.topics import Topics
from gateway.engine.sheet_facts import facts_of
from gateway.engine.thread import EngineWorker
from gateway.model.errors import Refused
from gateway.model.settings import Settings
from gateway.pipeline import EnginePipeline, Output
from gateway.store.state import NewBooking, NewEvent
from gateway.store.writer import Writer
from gateway.wear import bookings
from gateway.wear.booking_check import new_booking
from gateway.wear.logbook import check
from gateway.wear.refusals import can_be_growth
from gateway.worksheet.catalogue import as_data, sheet

ANSWER_S = 8.0
"""Less than whoever asks waits: a request reported as failed must never run later."""
ACTS = get_args(ActKind)
TEXT_MAX, NAME_MAX = 500, 64
PRESENT_S = 3_600.0
ANSWERS_KEPT = 64


class Host(Protocol):
    """What the desk needs of the daemon."""

    settings: Settings
    topics: Topics
    workers: dict[str, EngineWorker]

    def act_on_own(self, act: Act) -> int:
        """Do it to the gateway's own alarms; how many it changed. Raises Refused."""

    def status(self) -> dict[str, Any]:
        """Everything that `camdrift status` shows."""

    def silence(self, by: str) -> None:
        """Stop the sound until the next announcement."""


class Desk:
    """Does what is asked. `handle` may be called from any thread but a worker's."""

    def __init__(self, host: Host, writer: Writer) -> None:
        self._host, self._writer = host, writer
        self._log = structlog.get_logger("desk")

    def handle(self, request: dict[str, Any], who: str) -> dict[str, Any]:
        """Do one request; the answer's fields. Raises Refused with the reason, which the log keeps with who asked."""
        try:
            return self._handle(request, who)
        except Refused as e:
            self._log.warning("a request was refused", who=who, do=ascii(request.get("do"))[:NAME_MAX], why=str(e))
            raise

    def _handle(self, request: dict[str, Any], who: str) -> dict[str, Any]:
        if not _is_text_throughout(request):
            raise Refused("a text has a character in it that cannot be kept (NUL, or half of a pair)")
        do = request.get("do")
        if do == "status":
            return {"status": self._host.status()}
        by = (_text(request, "by", NAME_MAX) or "").strip()
        by = f"{by} ({who})" if by and by != who else who
        if do == "silence":
            self._host.silence(by)
            return {"by": by}
        if do == "book":
            return self._book(request, by)
        if do == "sheet":
            return {"sheet": self._sheet(request)}
        if do == "prefill":
            return {"figures": self._prefill(self._worker(request).pipeline)}
        if do in ACTS:
            return self._act(
                request,
                Act(cast(ActKind, do), _text(request, "alarm"), by, _text(request, "why") or "", _minutes(request)),
            )
        raise Refused(f"{do!r} is not among what can be asked: status, sheet, silence, book, {', '.join(ACTS)}")

    # -- alarms -------------------------------------------------------------------------------------------------

    def _act(self, request: dict[str, Any], act: Act) -> dict[str, Any]:
        if act.tag is not None and act.tag not in BY_TAG:
            raise Refused(f"there is no alarm {act.tag!r}; there are: {', '.join(BY_TAG)}")
        if act.tag in GATEWAY_TAGS:
            return {"done": self._host.act_on_own(act), "by": act.by}
        if act.tag is None and request.get("engine") is None:
            done = sum(self._on(w, lambda p: p.act(act)) for w in list(self._host.workers.values()))
            return {"done": done + self._host.act_on_own(act), "by": act.by}
        return {"done": self._on(self._worker(request), lambda p: p.act(act)), "by": act.by}

    def _on(self, worker: EngineWorker, do: Callable[[EnginePipeline], list[Output]]) -> int:
        asked = worker.ask(do)
        try:
            return asked.result(ANSWER_S)
        except FutureTimeout:
            slug = worker.pipeline.engine.slug
            if asked.cancel():
                raise Refused(f"engine {slug} does not come round, so nothing was done; look at the log") from None
            raise Refused(f"engine {slug} takes long over it; see by `camdrift status` whether it was done") from None

    def _worker(self, request: dict[str, Any]) -> EngineWorker:
        workers = self._host.workers
        slug = _text(request, "engine")
        if slug is None and len(workers) == 1:
            return next(iter(workers.values()))
        if slug not in workers:
            raise Refused(f"say which engine: {', '.join(workers)}")
        return workers[slug]

    # -- the log book -------------------------------------------------------------------------------------------

    def _book(self, request: dict[str, Any], by: str) -> dict[str, Any]:
        worker = self._worker(request)
        data = request.get("entry")
        if not isinstance(data, dict):
            raise Refused("a booking needs its entry")
        p = worker.pipeline
        now_s = p.timeline.utc_s(p.timeline.t_us) if self._host.settings.time.source == "head" else time.time()
        # The kind alone decides which figures are filled in from the readings; what was typed always stands.
        entry, text = new_booking(filled(data, self._prefill(p), now_s))
        if not request.get("dry"):
            self._store(worker, entry, lambda p: self._booked(p, entry, text, by, now_s))
        return {"entry": bookings.as_data(entry)}

    def _store(
        self, worker: EngineWorker, entry: bookings.Entry, make: Callable[[EnginePipeline], tuple[NewEvent, NewBooking]]
    ) -> None:
        """Check and make the rows on the engine's thread, store them, then have the pipeline take the booking up."""
        rows: list[tuple[NewEvent, NewBooking]] = []

        def check_and_make(p: EnginePipeline) -> list[Output]:
            rows.append(make(p))
            return []

        self._on(worker, check_and_make)
        event, booking = rows[0]
        taken_up: Future[None] = Future()
        stored = self._writer.submit([event], bookings=[booking])
        # Not by whoever asks, who may have gone: what is on the disk is taken up in any case.
        stored.add_done_callback(partial(self._take_up, booking.engine, entry, taken_up))
        try:
            stored.result(ANSWER_S)
            taken_up.result(ANSWER_S)
        except (FutureTimeout, CancelledError):
            if stored.cancel():
                raise Refused("nothing was booked: the disk does not take it; see `camdrift status`") from None
            raise Refused("the disk takes long over it; see by `camdrift status` whether it was booked") from None

    def _take_up(self, slug: str, entry: bookings.Entry, done: Future[None], stored: Future[int]) -> None:
        if stored.cancelled() or stored.exception() is not None:
            return
        worker = self._host.workers[slug]
        try:
            taken = worker.ask(partial(take_up, worker, entry))
        except Refused as e:
            self._log.error("booking.not_taken_up", engine=slug, id=entry.id, why=str(e))
            return
        taken.add_done_callback(lambda _: done.set_result(None))

    def _booked(
        self, p: EnginePipeline, entry: bookings.Entry, stored: str, by: str, now_s: float
    ) -> tuple[NewEvent, NewBooking]:
        told = check(entry, p.wear.datum, max(now_s, p.timeline.utc_s(p.timeline.t_us)), p.meter.hours.hours)
        if told:
            raise Refused("\n".join(told))
        slug = p.engine.slug
        return booked(self._host.topics, slug, entry, stored, by, p.timeline.utc_s(p.timeline.t_us))

    def sheet(self, name: str, engine: str, typed: Mapping[str, str]) -> dict[str, Any]:
        """A work sheet as plain data; `typed` may bring a pressure file as `file`. Raises Refused."""
        figures = dict(typed)
        file = figures.pop("file", None)
        return as_data(sheet(name, facts_of(self._worker({"engine": engine})), figures, file))

    def _sheet(self, request: dict[str, Any]) -> dict[str, Any]:
        typed = request.get("typed") or {}
        if not isinstance(typed, dict) or not all(isinstance(v, str) for v in typed.values()):
            raise Refused("typed is not a mapping of names to texts")
        return self.sheet(_text(request, "name") or "", self._worker(request).pipeline.engine.slug, typed)

    def _prefill(self, p: EnginePipeline) -> dict[str, float]:
        m = p.meter
        reading = m.reading(p.present_us)
        standing = m.standing_raw_deg()
        percent = p.wear_seen.elongation_percent
        found = {
            "hours": m.hours.hours,
            "spring_mm": reading.spring.value,
            "raw_deg": m.raw_now() if standing is None else standing,
            "lag_deg": reading.lag.value if standing is None else m.lag_of(standing),
            # What cannot be the chain's is not booked as the chain's: nobody has typed it, so nobody could mend it.
            "elongation_percent": percent if percent is not None and can_be_growth(percent) else None,
        }
        return {k: round(v, 3) for k, v in found.items() if v is not None and math.isfinite(v)}


def take_up(worker: EngineWorker, entry: bookings.Entry, pipeline: EnginePipeline) -> list[Output]:
    """A stored booking reaches the pipeline, once: a worker that was restarted meanwhile has read it from the store."""
    if any(known.id == entry.id for known in worker.log):
        return []
    worker.log.append(entry)
    return pipeline.book(entry, worker.log)


def booked(
    topics: Topics, slug: str, entry: bookings.Entry, stored: str, by: str, now_s: float
) -> tuple[NewEvent, NewBooking]:
    """The event and the log book's row, with the text `stored`, of a booking typed at `now_s`: the event's time.

    When the work was done stands among the figures: an event of the past would look as if it had waited to be sent.
    """
    before, after = bookings.before_after(entry)
    after["work_utc"] = rfc3339(entry.utc_s)
    text = f"{entry.note} (booked by {by})" if entry.note else f"booked by {by}"
    body = adjustment_event_body(entry.kind, now_s, entry.hours, by=entry.person, before=before, after=after, text=text)
    row = NewBooking(slug, entry.id, entry.kind, rfc3339(now_s), stored)
    return NewEvent(topics.event(slug), "adjustment", body), row


_FROM_READINGS: dict[str, dict[str, str]] = {
    "retightened": {"spring_after_mm": "spring_mm", "elongation_percent": "elongation_percent"},
    "camshaft-set": {"raw_deg": "raw_deg", "elongation_percent": "elongation_percent"},
    "spring-renewed": {"spring_after_mm": "spring_mm"},
    "chain-renewed": {"spring_after_mm": "spring_mm", "lag_after_deg": "lag_deg"},
    "links-renewed": {"spring_after_mm": "spring_mm", "lag_after_deg": "lag_deg"},
}
"""Which figures of a booking the present readings can give, by kind."""


def filled(data: dict[str, Any], figures: dict[str, float], now_s: float) -> dict[str, Any]:
    """A booking with what was not typed: id, time, and what the present `figures` can give. Raises Refused.

    The present says nothing of work done more than an hour ago: then all figures must be typed.
    """
    entry = {k: v for k, v in data.items() if v is not None}
    if isinstance(entry.get("utc_s"), str):
        try:
            entry["utc_s"] = utc_of(entry["utc_s"])
        except ValueError as e:
            raise Refused(str(e)) from None
    entry.setdefault("id", uuid.uuid4().hex[:12])
    entry.setdefault("utc_s", round(now_s, 3))
    if not _is_present(entry["utc_s"], now_s):
        return entry
    if "hours" in figures:
        entry.setdefault("hours", figures["hours"])
    for key, figure in _FROM_READINGS.get(str(entry.get("kind")), {}).items():
        if figure in figures:
            entry.setdefault(key, figures[figure])
    return entry


def _is_present(utc_s: object, now_s: float) -> bool:
    return isinstance(utc_s, int | float) and utc_s > now_s - PRESENT_S


def _text(request: dict[str, Any], key: str, most: int = TEXT_MAX) -> str | None:
    value = request.get(key)
    if value is None or value == "":
        return None
    if not isinstance(value, str) or len(value) > most:
        raise Refused(f"{key} is not a text of at most {most} characters")
    return value


def _minutes(request: dict[str, Any]) -> float | None:
    value = request.get("minutes")
    if value is None:
        return None
    try:
        minutes = float(value) if isinstance(value, int | float) and not isinstance(value, bool) else math.nan
    except OverflowError:
        minutes = math.nan
    if not math.isfinite(minutes):
        raise Refused("minutes is not a number")
    return minutes


def _is_text_throughout(value: object) -> bool:
    """Can every text in it be written as UTF-8 and kept by a database? JSON lets more through than that."""
    if isinstance(value, dict):
        return all(_is_text_throughout(k) and _is_text_throughout(v) for k, v in value.items())
    if isinstance(value, list):
        return all(_is_text_throughout(v) for v in value)
    return not isinstance(value, str) or not any(c == "\0" or "\ud800" <= c <= "\udfff" for c in value)


class Answers:
    """Answers to requests that come by MQTT. One that comes again (QoS 1) is not done again, only answered again."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._given: OrderedDict[tuple[str, str], bytes] = OrderedDict()

    def to(self, payload: bytes) -> bytes:
        """Do a request and make the answer's bytes; what is no request is answered with the reason."""
        try:
            asked = read_request(payload)
        except Refused as e:
            return dump(DoneMessage(id="unknown", ok=False, why=f"not a request: {e}"))
        key = (asked.by, asked.id)
        if key not in self._given:
            self._given[key] = self._done(asked)
            while len(self._given) > ANSWERS_KEPT:
                self._given.popitem(last=False)
        return self._given[key]

    def _done(self, asked: DoMessage) -> bytes:
        wanted: dict[str, Any] = {
            "do": asked.do,
            "engine": asked.engine,
            "alarm": asked.alarm,
            "minutes": asked.minutes,
            "by": asked.by,
        }
        if asked.do == "shelve":
            wanted["why"] = "by request over MQTT"
        try:
            self._desk.handle(wanted, "mqtt")
        except Refused as e:
            return dump(DoneMessage(id=asked.id, ok=False, why=str(e)))
        return dump(DoneMessage(id=asked.id, ok=True, why=""))
